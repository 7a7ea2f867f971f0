package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"decktrim/internal/runs"
)

// mostFaces bounds the exact search: 3^10 faces.
const mostFaces = 10

// bestInside finds the highest point of the surface between min and max. A
// quadratic on a box has its maximum at a stationary point of some face (inside,
// side, edge or corner), so all faces are tried: exact. Then the best point of the
// settings' grids is looked for around it, exactly if the grid has no more than
// 200,000 points, else by steps in one and two settings until none helps. Settings
// the surface says nothing of stay where the last run left them, inside the bounds.
func (f *surface) bestInside(used []runs.Run) BestInside {
	block := blockName(used[0])
	k := len(f.settings)
	c := make([]float64, k)
	active := []int{}
	for i, s := range f.settings {
		c[i] = math.Min(1, math.Max(-1, code(s, used[len(used)-1].Settings[s.Name])))
		for _, j := range f.kept {
			if t := f.terms[j]; len(t.of) > 0 && (t.of[0] == i || t.of[len(t.of)-1] == i) {
				active = append(active, i)
				break
			}
		}
	}
	f.bestOnFaces(c, active)
	steps := make([]int, k)
	for i, s := range f.settings {
		steps[i] = Step(s, uncode(s, c[i]))
	}
	f.bestOnGrid(steps, active)
	best := BestInside{Settings: map[string]float64{}, AtBounds: []string{}}
	for i, s := range f.settings {
		v := OnGrid(s, steps[i])
		best.Settings[s.Name], c[i] = v, code(s, v)
		if steps[i] == 0 || steps[i] == Steps(s) {
			best.AtBounds = append(best.AtBounds, s.Name)
		}
	}
	best.Recovery = f.interval(c, block)
	return best
}

func (f *surface) mean(c []float64) float64 {
	m := 0.0
	for k, j := range f.kept {
		m += f.sol.b[k] * f.terms[j].value(c, "")
	}
	return m
}

// bestOnFaces moves the active entries of c to the maximum of the box.
func (f *surface) bestOnFaces(c []float64, active []int) {
	if len(active) > mostFaces {
		active = active[:mostFaces] // more settings than any plant has; the grid search goes on from here
	}
	lin := make([]float64, len(f.settings))
	curve := mat.NewSymDense(len(f.settings), nil)
	for k, j := range f.kept {
		switch t := f.terms[j]; {
		case len(t.of) == 1:
			lin[t.of[0]] += f.sol.b[k]
		case len(t.of) == 2 && t.of[0] == t.of[1]:
			curve.SetSym(t.of[0], t.of[0], f.sol.b[k])
		case len(t.of) == 2:
			curve.SetSym(t.of[0], t.of[1], f.sol.b[k]/2)
		}
	}
	best := append([]float64(nil), c...)
	top := math.Inf(-1)
	faces := 1
	for range active {
		faces *= 3
	}
	trial := append([]float64(nil), c...)
	for face := range faces {
		var free []int
		code := face
		for _, i := range active {
			switch code % 3 {
			case 0:
				trial[i] = -1
			case 1:
				trial[i] = 1
			default:
				trial[i] = 0
				free = append(free, i)
			}
			code /= 3
		}
		if len(free) > 0 && !stationary(trial, free, lin, curve) {
			continue
		}
		if m := f.mean(trial); m > top {
			top = m
			copy(best, trial)
		}
	}
	copy(c, best)
}

// stationary sets the free entries of c to the stationary point of the face; false
// if there is none inside it (then the face's maximum lies on its own edge).
func stationary(c []float64, free []int, lin []float64, curve *mat.SymDense) bool {
	k := len(free)
	a, b := mat.NewDense(k, k, nil), mat.NewVecDense(k, nil)
	for r, i := range free {
		g := lin[i]
		for j := range c {
			g += 2 * curve.At(i, j) * c[j] // free entries are 0
		}
		b.SetVec(r, -g/2)
		for q, j := range free {
			a.Set(r, q, curve.At(i, j))
		}
	}
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		return false
	}
	for r, i := range free {
		v := x.AtVec(r)
		if !(v >= -1 && v <= 1) {
			return false
		}
		c[i] = v
	}
	return true
}

func (f *surface) bestOnGrid(steps, active []int) {
	c := make([]float64, len(steps))
	value := func(st []int) float64 {
		for i, s := range f.settings {
			c[i] = code(s, OnGrid(s, st[i]))
		}
		return f.mean(c)
	}
	top := value(steps)
	better := func(v float64) bool { return v > top+1e-12*math.Max(1, math.Abs(top)) }
	size := 1
	for _, i := range active {
		if size *= Steps(f.settings[i]) + 1; size > 200_000 {
			break
		}
	}
	trial := append([]int(nil), steps...)
	if size <= 200_000 {
		for n := range size {
			for _, i := range active {
				count := Steps(f.settings[i]) + 1
				trial[i] = n % count
				n /= count
			}
			if v := value(trial); better(v) {
				top = v
				copy(steps, trial)
			}
		}
		return
	}
	for improved := true; improved; {
		improved = false
		for _, i := range active {
			for _, j := range active {
				for _, di := range []int{-1, 0, 1} {
					for _, dj := range []int{-1, 0, 1} {
						copy(trial, steps)
						trial[i] += di
						if i != j {
							trial[j] += dj
						}
						if trial[i] < 0 || trial[i] > Steps(f.settings[i]) || trial[j] < 0 || trial[j] > Steps(f.settings[j]) {
							continue
						}
						if v := value(trial); better(v) {
							top, improved = v, true
							copy(steps, trial)
						}
					}
				}
			}
		}
	}
}
