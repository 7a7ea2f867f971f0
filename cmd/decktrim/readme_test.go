package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/cli"
)

// The README shows a real answer: what stands there is what the program prints.
func TestReadmeShowsWhatTheProgramPrints(t *testing.T) {
	t.Chdir(filepath.Join("..", ".."))
	text, err := os.ReadFile("README.md")
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(text), "<!-- checked: fit -->\n")
	require.True(t, found)
	shown, _, found := strings.Cut(rest, "<!-- end -->")
	require.True(t, found)
	var lines []string
	for line := range strings.Lines(shown) {
		lines = append(lines, strings.TrimPrefix(strings.TrimRight(line, "\n"), "    "))
	}
	require.True(t, strings.HasPrefix(lines[0], "$ decktrim fit "))
	code, out, errs := command(t, "fit", "--plant", "testdata/published/chem-reaction.toml",
		"--runs", "testdata/published/chem-reaction-runs.csv", "--source", "chemical reaction")
	require.Equal(t, cli.Done, code, errs)
	require.Equal(t, strings.TrimSpace(out), strings.TrimSpace(strings.Join(lines[1:], "\n")))
}
