package fit

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

func mill() *plant.Plant {
	p := bench(
		plant.Setting{Name: "wash_water", Unit: "L/min", Min: 20, Max: 90, MaxMove: 8, Resolution: 1},
		plant.Setting{Name: "deck_tilt", Unit: "deg", Min: 1, Max: 5, MaxMove: 0.5, Resolution: 0.1})
	p.Table.SplitterRule = "fixed"
	p.Objective = plant.Objective{Maximise: plant.MaximiseRecovery, ProductsCounted: []string{"concentrate_1", "concentrate_2"}, GradeUnit: "g/t"}
	return p
}

func hill(at map[string]float64) float64 {
	w, t := (at["wash_water"]-58)/70, (at["deck_tilt"]-3)/4
	return 76 - 45*w*w - 30*t*t
}

// measured are n runs about a middle setting with errors of known size.
func measured(rng *rand.Rand, n int, se float64) []runs.Run {
	var all []runs.Run
	for i := range n {
		at := map[string]float64{"wash_water": 45 + float64(rng.IntN(17)-8), "deck_tilt": 2.5 + 0.1*float64(rng.IntN(11)-5)}
		all = append(all, runs.Run{ID: fmt.Sprint(i + 1), OreSource: "Dunlin Lode", Settings: at, Recovery: ptr(hill(at) + se*rng.NormFloat64()), RecoverySE: ptr(se)})
	}
	return all
}

func TestChoose(t *testing.T) {
	y := ptr(70.0)
	all := []runs.Run{
		{ID: "1", OreSource: "a", Recovery: y},
		{ID: "2", OreSource: "a", Recovery: y, Status: runs.Void, Note: "spilt"},
		{ID: "3", OreSource: "a", Recovery: y, SplitterRule: "visible_line"},
		{ID: "4", OreSource: "a", Recovery: y, ProductsCounted: []string{"concentrate_1"}},
		{ID: "5", OreSource: "a", Recovery: y, ProductsCounted: []string{"concentrate_2", "concentrate_1"}, SplitterRule: "fixed"},
		{ID: "6", OreSource: "a", Status: runs.Waiting},
		{ID: "7", OreSource: "b", Recovery: y},
		{ID: "8", OreSource: "b", Recovery: y, Status: runs.Void},
	}
	c := Choose(mill(), all, "a")
	ids := func(rs []runs.Run) (out []string) {
		for _, r := range rs {
			out = append(out, r.ID)
		}
		return out
	}
	require.Equal(t, []string{"1", "5"}, ids(c.Used))
	require.Equal(t, []string{"6"}, ids(c.Waiting))
	require.Equal(t, []string{"7"}, ids(c.Others))
	require.Equal(t, []NotUsed{
		{"2", "marked void: spilt"},
		{"3", "other splitter rule: visible_line, and the plant follows fixed"},
		{"4", "other products counted: concentrate_1, and the plant counts concentrate_1 and concentrate_2"},
	}, c.NotUsed)
}

// The 95 % intervals of the model in use hold the truth about as often as they say,
// at tried settings, near them and for differences; seeds 1 to 60.
func TestIntervalsCover(t *testing.T) {
	p := mill()
	var inside, total, diffs, z2 float64
	for seed := range uint64(60) {
		rng := rand.New(rand.NewPCG(seed+1, 5))
		all := measured(rng, 6+int(seed%3)*8, 1.5)
		m := Learn(p, Choose(p, all, "Dunlin Lode"), Recovery, all[len(all)-1].Settings)
		var at []map[string]float64
		for range 10 {
			at = append(at, map[string]float64{"wash_water": 33 + 24*rng.Float64(), "deck_tilt": 1.8 + 1.4*rng.Float64()})
		}
		j := m.At(at)
		for i := range at {
			iv := j.Interval(i)
			total++
			if hill(at[i]) >= *iv.Lower && hill(at[i]) <= *iv.Upper {
				inside++
			}
			if i > 0 {
				mean, s := j.Diff(i, 0)
				z := (hill(at[i]) - hill(at[0]) - mean) / s
				z2 += z * z
				diffs++
			}
		}
	}
	t.Logf("cover %.1f %% of %0.f, sd of standardised differences %.2f", 100*inside/total, total, math.Sqrt(z2/diffs))
	require.Greater(t, inside/total, 0.92)
	require.Less(t, math.Sqrt(z2/diffs), 1.2)
}

// The joint belief is what the plain formulas of a Gaussian process give, computed
// here the long way for one member.
func TestJointIsTheGaussianProcess(t *testing.T) {
	p := mill()
	all := measured(rand.New(rand.NewPCG(1, 1)), 9, 1)
	m := Learn(p, Choose(p, all, "Dunlin Lode"), Recovery, all[0].Settings)
	m.members = m.members[:1]
	m.members[0].weight = 1
	h := &m.members[0]
	at := []map[string]float64{{"wash_water": 50, "deck_tilt": 3}, {"wash_water": 40, "deck_tilt": 2}}
	j := m.At(at)
	n := len(m.obs)
	k := make([][]float64, n)
	for i := range n {
		k[i] = make([]float64, n)
		for q := range n {
			k[i][q] = m.kernel(h, &m.obs[i].run, &m.obs[q].run)
		}
		k[i][i] += m.noiseVariance(h, m.obs[i], true)
	}
	point := func(i int) run { return run{v: m.unit(at[i]), source: m.source, lot: m.lot, time: m.now} }
	cross := func(i int) []float64 {
		c, q := make([]float64, n), point(i)
		for o := range n {
			c[o] = m.kernel(h, &q, &m.obs[o].run)
		}
		return c
	}
	y := make([]float64, n)
	for i, o := range m.obs {
		y[i] = o.bare
	}
	const rounding = 1e-7
	for a := range at {
		require.InDelta(t, m.priorMean(m.unit(at[a]))+dot(cross(a), gauss(k, y)), j.Mean(a), rounding)
		for b := range at {
			pa, pb := point(a), point(b)
			require.InDelta(t, m.kernel(h, &pa, &pb)-dot(cross(a), gauss(k, cross(b))), j.Cov(a, b), rounding)
		}
	}
}

// gauss solves k x = y by elimination with pivots.
func gauss(k [][]float64, y []float64) []float64 {
	n := len(y)
	a := make([][]float64, n)
	for i := range n {
		a[i] = append(slices.Clone(k[i]), y[i])
	}
	for c := range n {
		top := c
		for r := c; r < n; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[top][c]) {
				top = r
			}
		}
		a[c], a[top] = a[top], a[c]
		for r := range n {
			if r != c {
				f := a[r][c] / a[c][c]
				for q := c; q <= n; q++ {
					a[r][q] -= f * a[c][q]
				}
			}
		}
	}
	x := make([]float64, n)
	for i := range n {
		x[i] = a[i][n] / a[i][i]
	}
	return x
}

// A lot's own level does not pass for an effect: runs of a rich lot at one setting and
// of a poor lot at another leave the difference in doubt; pairs inside the lots do not.
func TestLotsAreNotEffects(t *testing.T) {
	p := mill()
	make1 := func(inside bool) float64 {
		rng := rand.New(rand.NewPCG(9, 9))
		var all []runs.Run
		for i := range 12 {
			lot := i / 6
			arm := lot
			if inside {
				arm = i % 2
			}
			at := map[string]float64{"wash_water": 40 + 8*float64(arm), "deck_tilt": 2.5}
			all = append(all, runs.Run{ID: fmt.Sprint(i), OreSource: "a", Lot: fmt.Sprint("L", lot), Settings: at, Recovery: ptr(70 + 3*float64(lot) + rng.NormFloat64()), RecoverySE: ptr(1.0)})
		}
		m := Learn(p, Choose(p, all, "a"), Recovery, all[11].Settings)
		_, sd := m.At([]map[string]float64{all[0].Settings, all[11].Settings}).Diff(0, 1)
		return sd
	}
	require.Less(t, make1(true), 0.8*make1(false))
}

func TestGradeIsFittedInLogs(t *testing.T) {
	p := mill()
	all := measured(rand.New(rand.NewPCG(2, 2)), 8, 1)
	for i := range all {
		all[i].ConcentrateGrade, all[i].GradeSE = ptr(400*math.Exp(0.01*float64(i%3))), ptr(16.0)
	}
	m := Learn(p, Choose(p, all, "Dunlin Lode"), ConcentrateGrade, all[7].Settings)
	iv := m.Predict(all[7].Settings)
	require.InDelta(t, 404, *iv.Mean, 10)
	require.Greater(t, *iv.Upper-*iv.Mean, *iv.Mean-*iv.Lower, "skewed to the high side")
	require.Equal(t, 0, Learn(p, Choose(p, measured(rand.New(rand.NewPCG(2, 2)), 3, 1), "Dunlin Lode"), ConcentrateGrade, all[0].Settings).Runs)
	require.Equal(t, Interval{}, (&Model{}).Predict(nil))
}

func TestSurface(t *testing.T) {
	p := mill()
	all := measured(rand.New(rand.NewPCG(3, 3)), 15, 1)
	r, err := Fit(p, all, "Dunlin Lode")
	require.NoError(t, err)
	s, err := r.InUse().Surface("wash_water", "deck_tilt", 11, r.Model.Present)
	require.NoError(t, err)
	require.Len(t, s.Mean, 11)
	iv := r.InUse().Predict(map[string]float64{"wash_water": 20 + 7*4, "deck_tilt": 1 + 0.4*3})
	require.InDelta(t, *iv.Mean, s.Mean[3][4], 1e-9)
	require.Less(t, s.HalfWidth[4][4], s.HalfWidth[10][10], "less is known far from the runs")
	for _, bad := range [][2]string{{"wash_water", "wash_water"}, {"stroke", "wash_water"}} {
		_, err := r.InUse().Surface(bad[0], bad[1], 11, r.Model.Present)
		require.Error(t, err)
	}
}

// The plain surface with weights, kinds of stationary points, and little data.
func TestSecondOrderCases(t *testing.T) {
	grid := func(f func(a, b float64) float64) []runs.Run {
		var all []runs.Run
		for i := range 25 {
			at := map[string]float64{"wash_water": 20 + 17.5*float64(i%5), "deck_tilt": 1 + float64(i/5)}
			all = append(all, runs.Run{ID: fmt.Sprint(i), OreSource: "a", Settings: at, Recovery: ptr(f(float64(i%5)/2-1, float64(i/5)/2-1))})
		}
		return all
	}
	for _, c := range []struct {
		kind string
		f    func(a, b float64) float64
	}{
		{"maximum", func(a, b float64) float64 { return 70 - a*a - 2*b*b + 0.81*a }},
		{"minimum", func(a, b float64) float64 { return 70 + a*a + 2*b*b }},
		{"saddle", func(a, b float64) float64 { return 70 + a*a - 2*b*b }},
		{"ridge", func(a, b float64) float64 { return 70 - (a-b)*(a-b) }},
		{"none", func(a, b float64) float64 { return 70 + 2*a - b }},
	} {
		t.Run(c.kind, func(t *testing.T) {
			r, err := Fit(mill(), grid(c.f), "a")
			require.NoError(t, err)
			require.Equal(t, c.kind, r.SecondOrder.StationaryKind)
			if c.kind == "none" {
				require.Nil(t, r.SecondOrder.StationaryPoint)
				require.Equal(t, map[string]float64{"wash_water": 90, "deck_tilt": 1}, r.BestInside.Settings)
				require.Equal(t, []string{"wash_water", "deck_tilt"}, r.BestInside.AtBounds)
			}
			if c.kind == "maximum" {
				require.Equal(t, map[string]float64{"wash_water": 69, "deck_tilt": 3}, r.BestInside.Settings, "55 + 0.405 x 35 = 69.2, on the grid")
				require.True(t, r.SecondOrder.StationaryInside)
			}
		})
	}
	t.Run("weights", func(t *testing.T) {
		all := grid(func(a, b float64) float64 { return 70 - a*a })
		all[7].Recovery, all[7].RecoverySE = ptr(20.0), ptr(1000.0)
		for i := range all {
			if i != 7 {
				all[i].RecoverySE = ptr(0.5)
			}
		}
		r, err := Fit(mill(), all, "a")
		require.NoError(t, err)
		require.InDelta(t, -1, coefficients(r.SecondOrder)["wash_water^2"].Coefficient, 1e-3)
	})
	t.Run("one run", func(t *testing.T) {
		r, err := Fit(mill(), grid(func(a, b float64) float64 { return 70 })[:1], "a")
		require.NoError(t, err)
		require.Len(t, r.SecondOrder.Terms, 1)
		require.Nil(t, r.SecondOrder.RSquared)
		require.Equal(t, []string{"wash_water", "deck_tilt", "wash_water*deck_tilt", "wash_water^2", "deck_tilt^2"}, r.SecondOrder.NotEstimable)
		_, err = json.Marshal(r)
		require.NoError(t, err)
	})
	t.Run("moved together", func(t *testing.T) {
		all := grid(func(a, b float64) float64 { return 70 - a*a })
		var diagonal []runs.Run
		for i, r := range all {
			if i%5 == i/5 {
				diagonal = append(diagonal, r, r)
			}
		}
		r, err := Fit(mill(), diagonal, "a")
		require.NoError(t, err)
		require.Equal(t, []string{"deck_tilt", "wash_water^2", "deck_tilt^2"}, r.SecondOrder.NotEstimable)
		require.Contains(t, fmt.Sprint(r.Warnings), "moved together (correlation 1.00)")
	})
	_, err := Fit(mill(), grid(func(a, b float64) float64 { return 70 }), "b")
	require.ErrorContains(t, err, `no run of ore source "b": use one of a`)
}

// The quick search over faces finds what a fine grid over the whole box finds.
func TestBestInsideAgainstSearch(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range 40 {
		var b [6]float64
		for i := range b {
			b[i] = 5 * rng.NormFloat64()
		}
		f := func(x, y float64) float64 { return b[0] + b[1]*x + b[2]*y + b[3]*x*y + b[4]*x*x + b[5]*y*y }
		var all []runs.Run
		for i := range 25 {
			x, y := float64(i%5)/2-1, float64(i/5)/2-1
			all = append(all, runs.Run{ID: fmt.Sprint(i), OreSource: "a", Settings: map[string]float64{"x": x, "y": y}, Recovery: ptr(f(x, y))})
		}
		r, err := Fit(bench(setting("x", -1, 1, 0), setting("y", -1, 1, 0)), all, "a")
		require.NoError(t, err)
		top := math.Inf(-1)
		for i := range 201 {
			for k := range 201 {
				top = math.Max(top, f(float64(i)/100-1, float64(k)/100-1))
			}
		}
		require.InDelta(t, top, *r.BestInside.Recovery.Mean, 1e-6)
	}
}

func TestGridKeepsToTheBounds(t *testing.T) {
	s := plant.Setting{Name: "deck_tilt", Min: 0.75, Max: 4.5, Resolution: 0.4}
	require.Equal(t, 9, Steps(s))
	require.Equal(t, 4.35, OnGrid(s, 9))
	require.Equal(t, 9, Step(s, 99))
	require.Equal(t, 0, Step(s, -99))
	require.Equal(t, 45.3, OnGrid(plant.Setting{Min: 20, Max: 90, Resolution: 0.1}, 253))
	require.Equal(t, 200, Steps(plant.Setting{Min: 0, Max: 1}))
}

// No input the files allow makes a NaN.
func FuzzFit(f *testing.F) {
	f.Add(45.0, 2.0, 70.0, 1.5, uint8(9))
	f.Add(1e300, -1e300, 1e300, 1e-300, uint8(3))
	f.Fuzz(func(t *testing.T, w, d, y, se float64, n uint8) {
		for _, v := range []float64{w, d, y, se} {
			if math.IsNaN(v) || math.Abs(v) > 1e9 || (v != 0 && math.Abs(v) < 1e-6) {
				return
			}
		}
		var all []runs.Run
		for i := range 1 + int(n%12) {
			k := float64(i%4) - 1
			r := runs.Run{ID: fmt.Sprint(i), OreSource: "a", Settings: map[string]float64{"wash_water": w + k, "deck_tilt": d * k}, Recovery: ptr(y + k*k)}
			if se > 0 {
				r.RecoverySE = ptr(se)
			}
			all = append(all, r)
		}
		r, err := Fit(mill(), all, "a")
		if err != nil {
			return
		}
		_, err = json.Marshal(r)
		require.NoError(t, err)
	})
}

// A standard error that is no error at all must not drown the other runs, nor make
// anything that is not a number.
func TestTinyStandardError(t *testing.T) {
	p := &plant.Plant{Settings: []plant.Setting{{Name: "wash_water", Unit: "L/min", Min: 20, Max: 90, MaxMove: 8, Resolution: 1}}}
	for _, se := range []float64{1e-300, 1e-160, 1e-12} {
		var all []runs.Run
		for i, y := range []float64{71, 72, 71.4, 70.2, 72.5} {
			all = append(all, runs.Run{ID: fmt.Sprint(i + 1), OreSource: "A", Settings: map[string]float64{"wash_water": 45 + float64(i%3)}, Recovery: ptr(y), RecoverySE: ptr(1.5)})
		}
		all[1].RecoverySE = ptr(se)
		r, err := Fit(p, all, "A")
		require.NoError(t, err)
		_, err = json.Marshal(r)
		require.NoError(t, err, "s.e. %g", se)
		all[0].RecoverySE, all[2].RecoverySE, all[3].RecoverySE, all[4].RecoverySE = ptr(se), ptr(se), ptr(se), ptr(se)
		r, err = Fit(p, all, "A")
		require.NoError(t, err)
		_, err = json.Marshal(r)
		require.NoError(t, err, "every s.e. %g", se)
	}
}
