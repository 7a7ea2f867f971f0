package main

import (
	"os"
	"slices"
	"strings"

	"decktrim/internal/cli"
	"decktrim/internal/plant"
)

// loadPlant reads a plant file named on the command line.
func loadPlant(name string) (*plant.Plant, error) {
	if name == "" {
		return nil, cli.Inputf("--plant is missing; give the plant file, for example --plant plant.toml")
	}
	data, err := os.ReadFile(name)
	if err != nil {
		return nil, cli.Inputf("cannot read the plant file: %w", err)
	}
	p, err := plant.Parse(name, data)
	return p, cli.Input(err)
}

// oneOf checks a flag that takes one of a few words.
func oneOf(flag, value string, words ...string) error {
	if slices.Contains(words, value) {
		return nil
	}
	return cli.Inputf("--%s %q is not known; use %s", flag, value, strings.Join(words, " or "))
}
