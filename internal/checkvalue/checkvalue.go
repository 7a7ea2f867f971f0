// Package checkvalue reads the outside check values in testdata/check-values, for
// tests only: every formula is compared with a figure that has a source and a
// stated tolerance.
package checkvalue

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Check is one outside value. Source says where it comes from and Evidence how far
// it can be trusted (the letters are explained at the top of the file).
type Check struct {
	ID        string         `toml:"id"`
	Quantity  string         `toml:"quantity"`
	Evidence  string         `toml:"evidence"`
	Tolerance string         `toml:"tolerance"`
	Source    string         `toml:"source"`
	Note      string         `toml:"note"`
	Inputs    map[string]any `toml:"inputs"`
	Expected  map[string]any `toml:"expected"`
}

// Set is a file of checks by id.
type Set map[string]Check

// Parse reads a file of checks.
func Parse(data []byte) (Set, error) {
	var file struct {
		Check []Check `toml:"check"`
	}
	if err := toml.Unmarshal(data, &file); err != nil {
		return nil, fmt.Errorf("checkvalue: %w", err)
	}
	set := make(Set, len(file.Check))
	for _, c := range file.Check {
		if _, twice := set[c.ID]; twice || c.ID == "" || c.Source == "" {
			return nil, fmt.Errorf("checkvalue: entry %q is doubled or has no id or source", c.ID)
		}
		set[c.ID] = c
	}
	return set, nil
}

// Get returns a check; it panics if there is none, which is a mistake in the test.
func (s Set) Get(id string) Check {
	c, ok := s[id]
	if !ok {
		panic("checkvalue: no entry " + id)
	}
	return c
}

// In is a number among the inputs.
func (c Check) In(name string) float64 { return number(c.ID, name, c.Inputs[name]) }

// Want is a number among the expected values.
func (c Check) Want(name string) float64 { return number(c.ID, name, c.Expected[name]) }

// Ins is a list among the inputs.
func (c Check) Ins(name string) []float64 {
	list, ok := c.Inputs[name].([]any)
	if !ok {
		panic(fmt.Sprintf("checkvalue: %s has no list %q", c.ID, name))
	}
	out := make([]float64, len(list))
	for i, v := range list {
		out[i] = number(c.ID, name, v)
	}
	return out
}

func number(id, name string, v any) float64 {
	switch v := v.(type) {
	case float64:
		return v
	case int64:
		return float64(v)
	}
	panic(fmt.Sprintf("checkvalue: %s has no number %q", id, name))
}

// Compare returns an error unless got agrees with the expected value of that name
// within the entry's own tolerance ("rel 1e-9", "abs 1", "exact"). A got that is
// not a number never agrees.
func (c Check) Compare(name string, got float64) error {
	return Near(c.ID+" "+name, got, c.Want(name), c.Tolerance)
}

// Near compares two figures by a tolerance as the files write it. "exact" allows
// for the last bits of a conversion (1e-12); words behind the figure are ignored.
func Near(what string, got, want float64, tolerance string) error {
	kind, rest, _ := strings.Cut(tolerance, " ")
	size, _, _ := strings.Cut(rest, " ")
	allowed := 0.0
	switch kind {
	case "exact":
		allowed = 1e-12 * math.Abs(want)
	case "rel", "abs":
		t, err := strconv.ParseFloat(size, 64)
		if err != nil || t <= 0 {
			return fmt.Errorf("%s: tolerance %q cannot be read", what, tolerance)
		}
		allowed = t
		if kind == "rel" {
			allowed *= math.Abs(want)
		}
	default:
		return fmt.Errorf("%s: tolerance %q cannot be read", what, tolerance)
	}
	if !(math.Abs(got-want) <= allowed) { // written so that NaN fails
		return fmt.Errorf("%s: got %.12g, want %.12g (%s)", what, got, want, tolerance)
	}
	return nil
}
