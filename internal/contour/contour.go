// Package contour finds lines of equal height on a grid and draws them as SVG. It
// knows nothing of mills: numbers in, geometry or text out, always the same text
// for the same numbers.
package contour

import "math"

// Point is a place on a grid in grid units: X counts columns, Y counts rows.
type Point struct{ X, Y float64 }

// Lines returns the polylines on which z equals level, in grid units, by marching
// squares with linear interpolation along cell edges; a saddle cell is decided by
// the mean of its corners. z[row][col] must be rectangular with at least 2 rows
// and 2 columns, or the result is empty; cells with a NaN or infinite corner have
// no line. Closed lines repeat their first point. The order is that of the cells.
func Lines(z [][]float64, level float64) [][]Point {
	rows := len(z)
	if rows < 2 || len(z[0]) < 2 {
		return nil
	}
	cols := len(z[0])
	for _, row := range z {
		if len(row) != cols {
			return nil
		}
	}
	// An edge of the grid is named by its lower end and direction, so that the two
	// cells beside it agree on the same point exactly.
	type edge struct {
		row, col int
		vertical bool
	}
	at := func(e edge) Point {
		a, b := z[e.row][e.col], 0.0
		if e.vertical {
			b = z[e.row+1][e.col]
		} else {
			b = z[e.row][e.col+1]
		}
		t := (level - a) / (b - a)
		if e.vertical {
			return Point{float64(e.col), float64(e.row) + t}
		}
		return Point{float64(e.col) + t, float64(e.row)}
	}
	next := map[edge][]edge{}
	var order []edge
	join := func(a, b edge) {
		for _, e := range []edge{a, b} {
			if _, seen := next[e]; !seen {
				order = append(order, e)
			}
		}
		next[a] = append(next[a], b)
		next[b] = append(next[b], a)
	}
	for r := 0; r+1 < rows; r++ {
		for c := 0; c+1 < cols; c++ {
			corner := [4]float64{z[r][c], z[r][c+1], z[r+1][c+1], z[r+1][c]}
			side := [4]edge{{r, c, false}, {r, c + 1, true}, {r + 1, c, false}, {r, c, true}}
			kind, ok := 0, true
			for i, v := range corner {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					ok = false
				}
				if v >= level {
					kind |= 1 << i
				}
			}
			if !ok {
				continue
			}
			switch kind {
			case 0, 15:
			case 1, 14:
				join(side[3], side[0])
			case 2, 13:
				join(side[0], side[1])
			case 3, 12:
				join(side[3], side[1])
			case 4, 11:
				join(side[1], side[2])
			case 6, 9:
				join(side[0], side[2])
			case 7, 8:
				join(side[3], side[2])
			default: // 5 and 10: a saddle
				high := (corner[0]+corner[1]+corner[2]+corner[3])/4 >= level
				if high == (kind == 5) {
					join(side[0], side[1])
					join(side[2], side[3])
				} else {
					join(side[3], side[0])
					join(side[1], side[2])
				}
			}
		}
	}
	var lines [][]Point
	used := map[edge]bool{}
	walk := func(start edge) {
		line := []Point{at(start)}
		used[start] = true
		from := start
		for {
			moved := false
			for _, e := range next[from] {
				if !used[e] {
					used[e] = true
					line = append(line, at(e))
					from, moved = e, true
					break
				}
			}
			if !moved {
				break
			}
		}
		if len(next[start]) == 2 && len(line) > 2 { // came round: close it
			line = append(line, line[0])
		}
		lines = append(lines, line)
	}
	for _, e := range order { // open lines first, from their ends
		if !used[e] && len(next[e]) == 1 {
			walk(e)
		}
	}
	for _, e := range order {
		if !used[e] {
			walk(e)
		}
	}
	return lines
}

// Levels gives round levels (1, 2 or 5 times a power of ten apart) strictly inside
// least..greatest, about count of them.
func Levels(least, greatest float64, count int) []float64 {
	step := Step(greatest-least, count)
	if step == 0 {
		return nil
	}
	var levels []float64
	for i := math.Floor(least/step) + 1; i*step < greatest; i++ {
		levels = append(levels, i*step)
	}
	return levels
}

// Step is the round step (1, 2 or 5 times a power of ten) that cuts span into
// about count parts; 0 when there is nothing to cut.
func Step(span float64, count int) float64 {
	if !(span > 0) || math.IsInf(span, 0) || count < 1 {
		return 0
	}
	raw := span / float64(count)
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= raw*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}
