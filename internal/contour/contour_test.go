package contour

import (
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// cone is the distance from (cx, cy): its level lines are circles.
func cone(n int, cx, cy float64) [][]float64 {
	z := make([][]float64, n)
	for r := range z {
		z[r] = make([]float64, n)
		for c := range z[r] {
			z[r][c] = math.Hypot(float64(c)-cx, float64(r)-cy)
		}
	}
	return z
}

func TestLines(t *testing.T) {
	const offLine = 0.03 // grid units: a chord of a circle of radius 10 on unit cells
	t.Run("a circle closes and stays on the radius", func(t *testing.T) {
		lines := Lines(cone(41, 20, 20), 10)
		require.Len(t, lines, 1)
		line := lines[0]
		require.Equal(t, line[0], line[len(line)-1])
		for _, p := range line {
			require.InDelta(t, 10, math.Hypot(p.X-20, p.Y-20), offLine)
		}
	})
	t.Run("a plane gives one straight open line", func(t *testing.T) {
		z := [][]float64{{0, 1, 2, 3}, {0, 1, 2, 3}, {0, 1, 2, 3}}
		lines := Lines(z, 1.5)
		require.Equal(t, [][]Point{{{1.5, 0}, {1.5, 1}, {1.5, 2}}}, lines)
	})
	t.Run("a saddle is cut by the mean of its corners", func(t *testing.T) {
		require.Len(t, Lines([][]float64{{1, 0}, {0, 1}}, 0.4), 2)
		require.Len(t, Lines([][]float64{{1, 0}, {0, 1}}, 0.6), 2)
		require.NotEqual(t, Lines([][]float64{{1, 0}, {0, 1}}, 0.49), Lines([][]float64{{1, 0}, {0, 1}}, 0.51))
	})
	t.Run("nothing to draw", func(t *testing.T) {
		require.Empty(t, Lines(nil, 1))
		require.Empty(t, Lines([][]float64{{1, 2}, {1}}, 1))
		require.Empty(t, Lines([][]float64{{math.NaN(), 2}, {0, 0}}, 1))
		require.Empty(t, Lines([][]float64{{5, 5}, {5, 5}}, 1))
	})
}

func TestLevels(t *testing.T) {
	const round = 1e-9
	require.InDeltaSlice(t, []float64{62, 64, 66, 68}, Levels(60.3, 69.9, 5), round)
	require.InDeltaSlice(t, []float64{0.1, 0.2}, Levels(0.05, 0.25, 2), round)
	require.Empty(t, Levels(3, 3, 5))
	require.Empty(t, Levels(0, math.Inf(1), 5))
}

func TestDrawIsWellFormedAndSaysWhatItShows(t *testing.T) {
	z := cone(11, 3, 3)
	unknown := make([][]bool, 11)
	for r := range unknown {
		unknown[r] = make([]bool, 11)
		for c := range unknown[r] {
			unknown[r][c] = c >= 8
		}
	}
	s := Spec{Title: `Recovery <of> "A & B"`, Note: "12 runs", X: Axis{"wash water, L/min", 20, 90}, Y: Axis{"deck tilt, deg", 1, 5},
		Z: z, Unknown: unknown, Unit: "%", Marks: []Mark{{45, 2, "present", "now"}, {50, 3, "tried", "run 1"}, {60, 3, "best", "b"}, {47, 2, "suggestion", "s"}}}
	svg := Draw(s)
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		_, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
	}
	for _, want := range []string{"wash water, L/min", "deck tilt, deg", `class="unknown"`, `class="tried"`, `class="present"`, `class="best"`, `class="suggestion"`, `class="level"`} {
		require.Contains(t, svg, want)
	}
	require.Equal(t, 10, strings.Count(svg, `class="unknown"`), "one rectangle a row")
	require.Equal(t, svg, Draw(s))
	require.NotContains(t, svg, "NaN")
}
