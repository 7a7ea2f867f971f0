package fit

import (
	"math"

	"decktrim/internal/plant"
)

// gridSlack forgives rounding when a value is placed on a setting's grid, as a
// part of the resolution.
const gridSlack = 1e-6

// Steps is the highest step of a setting's grid: values min, min + resolution, ...
// up to max. A setting without resolution is given a grid of 1/200 of its range,
// finer than any valve.
func Steps(s plant.Setting) int { return int(math.Floor((s.Max-s.Min)/Resolution(s) + gridSlack)) }

// Resolution is the setting's own, or 1/200 of its range where it has none.
func Resolution(s plant.Setting) float64 {
	if s.Resolution > 0 {
		return s.Resolution
	}
	return (s.Max - s.Min) / 200
}

// OnGrid is the value of a step, never above max, without the dust of binary
// fractions (45.300000000000004).
func OnGrid(s plant.Setting, step int) float64 {
	v := s.Min + float64(step)*Resolution(s)
	digits := math.Pow(10, math.Max(0, 9-math.Ceil(math.Log10(math.Max(1, math.Max(math.Abs(s.Min), math.Abs(s.Max)))))))
	return math.Min(math.Round(v*digits)/digits, s.Max)
}

// Step is the step nearest to a value, inside the grid.
func Step(s plant.Setting, v float64) int {
	return min(max(int(math.Round((v-s.Min)/Resolution(s))), 0), Steps(s))
}
