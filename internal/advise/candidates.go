package advise

import (
	"fmt"
	"math"
	"slices"

	"decktrim/internal/fit"
	"decktrim/internal/plant"
)

// candidate is a place that may be set from where the plant stands. Every rule on
// steps (min, max, max_move, max_move_test, resolution, max_settings_changed) has
// been kept before a candidate exists, so no later step can break one.
type candidate struct {
	settings map[string]float64
	changed  []string
	asMove   bool // within every max_move
	asTest   bool // within every max_move_test
}

// reach is what one setting may be given next.
type reach struct {
	setting plant.Setting
	present float64
	move    []float64 // grid values within max_move, present's own left out
	test    []float64 // within max_move_test
}

// reachOf lists the grid values of a setting within both kinds of step. A change
// smaller than the resolution cannot be set, so it is not offered.
func reachOf(s plant.Setting, present float64) reach {
	r := reach{setting: s, present: present}
	test := s.MaxMove
	if s.MaxMoveTest != nil {
		test = *s.MaxMoveTest
	}
	within := func(d, most float64) bool { return most <= 0 || d <= most*(1+1e-9) }
	for step := range fit.Steps(s) + 1 {
		v := fit.OnGrid(s, step)
		d := math.Abs(v - present)
		if d < fit.Resolution(s)*(1-1e-6) {
			continue
		}
		if within(d, s.MaxMove) {
			r.move = append(r.move, v)
		}
		if within(d, test) && !(s.MaxMoveTest != nil && *s.MaxMoveTest <= 0) {
			r.test = append(r.test, v)
		}
	}
	return r
}

// outside reports whether the setting stands outside its bounds.
func (r reach) outside() bool {
	slack := 1e-9 * (r.setting.Max - r.setting.Min)
	return r.present < r.setting.Min-slack || r.present > r.setting.Max+slack
}

const (
	mostSingles  = 16  // values tried of one setting alone
	mixedMoves   = 220 // settings moved together, spread evenly
	mixedTests   = 110
	targetsTried = 6 // best tried settings to step towards
)

type builder struct {
	p     *plant.Plant
	at    map[string]float64
	reach []reach
	most  int // settings that may change
	seen  map[string]bool
	out   []candidate
}

// candidates lists what may be set next: every setting alone, settings together
// spread evenly (Halton's sequence, so the same file gives the same list), and
// steps towards the given targets. A setting that stands outside its bounds must
// come inside: then every candidate brings it, and if none can, the sentence says
// so. The first candidate without a change is not listed: holding is no candidate.
func candidates(p *plant.Plant, present map[string]float64, targets []map[string]float64) ([]candidate, string) {
	b := &builder{p: p, at: present, most: p.Objective.MaxSettingsChanged, seen: map[string]bool{}}
	if b.most <= 0 || b.most > len(p.Settings) {
		b.most = len(p.Settings)
	}
	base := map[string]float64{}
	var must []int
	for i, s := range p.Settings {
		r := reachOf(s, present[s.Name])
		b.reach = append(b.reach, r)
		base[s.Name] = present[s.Name]
		if r.outside() {
			must = append(must, i)
			if len(r.move) == 0 {
				return nil, fmt.Sprintf("%s stands at %s, outside %s to %s, and cannot come back inside in one move: bring it back by hand first, in steps you judge safe.",
					words(s.Name), quantity(s, present[s.Name]), trim(s.Min), quantity(s, s.Max))
			}
			base[s.Name] = nearest(r.move, present[s.Name])
		}
	}
	if len(must) > b.most {
		return nil, "More settings stand outside their bounds than may be changed at once: bring them back by hand first."
	}
	b.add(base)
	for i, r := range b.reach {
		for _, v := range thin(r.move, r.present, mostSingles) {
			b.with(base, map[int]float64{i: v})
		}
		for _, v := range thin(r.test, r.present, mostSingles) {
			b.with(base, map[int]float64{i: v})
		}
	}
	b.mixed(base, mixedMoves, func(r reach) []float64 { return r.move })
	b.mixed(base, mixedTests, func(r reach) []float64 { return r.test })
	for _, t := range targets {
		b.towards(base, t)
	}
	return b.out, ""
}

func nearest(values []float64, to float64) float64 {
	best := values[0]
	for _, v := range values {
		if math.Abs(v-to) < math.Abs(best-to) {
			best = v
		}
	}
	return best
}

// thin keeps at most n of the values, the outermost and those next to present
// always.
func thin(values []float64, present float64, n int) []float64 {
	if len(values) <= n {
		return values
	}
	var keep []float64
	for i := range n {
		keep = append(keep, values[i*(len(values)-1)/(n-1)])
	}
	for i, v := range values {
		if v > present {
			if i > 0 {
				keep = append(keep, values[i-1])
			}
			keep = append(keep, v)
			break
		}
	}
	slices.Sort(keep)
	return slices.Compact(keep)
}

// with adds base with some settings changed.
func (b *builder) with(base map[string]float64, change map[int]float64) {
	at := make(map[string]float64, len(base))
	for name, v := range base {
		at[name] = v
	}
	for i, v := range change {
		at[b.reach[i].setting.Name] = v
	}
	b.add(at)
}

// add takes a place in if it keeps every rule on steps and is new.
func (b *builder) add(at map[string]float64) {
	c := candidate{settings: at, asMove: true, asTest: true}
	key := ""
	for _, r := range b.reach {
		v := at[r.setting.Name]
		key += fmt.Sprintf("%g ", v)
		if v == r.present {
			if r.outside() {
				return
			}
			continue
		}
		c.changed = append(c.changed, r.setting.Name)
		c.asMove = c.asMove && slices.Contains(r.move, v)
		c.asTest = c.asTest && slices.Contains(r.test, v)
	}
	if len(c.changed) == 0 || len(c.changed) > b.most || (!c.asMove && !c.asTest) || b.seen[key] {
		return
	}
	b.seen[key] = true
	b.out = append(b.out, c)
}

// mixed spreads n changes of two settings or more over what is in reach.
func (b *builder) mixed(base map[string]float64, n int, of func(reach) []float64) {
	k := len(b.reach)
	if k < 2 || b.most < 2 {
		return
	}
	for q := 1; q <= n; q++ {
		// The first figure chooses how many settings change and from which on.
		pick := halton(q, 0)
		count := 2 + int(pick*float64(b.most-1))
		first := q % k
		change := map[int]float64{}
		for j := range min(count, k) {
			i := (first + j*(1+q/k%max(1, k-1))) % k
			values := of(b.reach[i])
			if len(values) == 0 {
				continue
			}
			change[i] = values[min(int(halton(q, i+1)*float64(len(values))), len(values)-1)]
		}
		b.with(base, change)
	}
}

// towards steps to a target, each setting as far as one move goes; where fewer
// settings may change, those farthest off (as a part of their range) go first.
func (b *builder) towards(base, target map[string]float64) {
	for _, of := range []func(reach) []float64{func(r reach) []float64 { return r.move }, func(r reach) []float64 { return r.test }} {
		type gap struct {
			i   int
			v   float64
			far float64
		}
		var gaps []gap
		for i, r := range b.reach {
			t := target[r.setting.Name]
			values := of(r)
			if len(values) == 0 {
				continue
			}
			v := nearest(values, t)
			if math.Abs(v-t) < math.Abs(r.present-t) { // else it is there already, to a step
				gaps = append(gaps, gap{i, v, math.Abs(r.present-t) / (r.setting.Max - r.setting.Min)})
			}
		}
		slices.SortStableFunc(gaps, func(x, y gap) int {
			switch {
			case x.far > y.far:
				return -1
			case x.far < y.far:
				return 1
			}
			return 0
		})
		change := map[int]float64{}
		for n, g := range gaps {
			if n >= b.most {
				break
			}
			change[g.i] = g.v
			b.with(base, change)
		}
	}
}

var primes = []int{2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41}

// halton is the n-th figure of Halton's sequence in a dimension: 0..1, spread evenly
// (Halton, Numerische Mathematik 2, 1960, from memory).
func halton(n, dimension int) float64 {
	base := primes[dimension%len(primes)]
	f, r := 1.0, 0.0
	for ; n > 0; n /= base {
		f /= float64(base)
		r += f * float64(n%base)
	}
	return r
}
