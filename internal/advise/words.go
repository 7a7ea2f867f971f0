package advise

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"decktrim/internal/fit"
	"decktrim/internal/plant"
)

// words turns a setting's name into spoken words: wash_water is wash water.
func words(name string) string { return strings.ReplaceAll(name, "_", " ") }

func trim(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func quantity(s plant.Setting, v float64) string {
	if s.Unit == "" || s.Unit == "1" {
		return trim(v)
	}
	return trim(v) + " " + s.Unit
}

// change says what to set: "wash water 47 L/min (now 45)".
func change(settings []plant.Setting, from, to map[string]float64, names []string) string {
	var parts []string
	for _, s := range settings {
		for _, n := range names {
			if n == s.Name {
				parts = append(parts, fmt.Sprintf("%s %s (now %s)", words(n), quantity(s, to[n]), trim(math.Round(from[n]*1e6)/1e6)))
			}
		}
	}
	return strings.Join(parts, ", ")
}

func place(settings []plant.Setting, at map[string]float64) string {
	var parts []string
	for _, s := range settings {
		parts = append(parts, words(s.Name)+" "+quantity(s, math.Round(at[s.Name]*1e6)/1e6))
	}
	return strings.Join(parts, ", ")
}

func percent(p float64) string {
	switch {
	case p < 0.01:
		return "under 1 %"
	case p > 0.99:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// evidence is the word for how well a figure is known: half-widths of 2 and 4
// points part strong, fair and weak.
func evidence(iv fit.Interval) string {
	if iv.Lower == nil || iv.Upper == nil {
		return "no"
	}
	switch half := (*iv.Upper - *iv.Lower) / 2; {
	case half <= 2:
		return "strong"
	case half <= 4:
		return "fair"
	}
	return "weak"
}
