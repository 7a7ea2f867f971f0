package fit

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// Interval is a mean with its 95 % interval for the true value. Nil is not known.
type Interval struct {
	Mean  *float64 `json:"mean"`
	Lower *float64 `json:"lower"`
	Upper *float64 `json:"upper"`
}

// Term is one coefficient of the second-order surface; SE nil when the runs leave
// no measure of error.
type Term struct {
	Name        string   `json:"name"`
	Coefficient float64  `json:"coefficient"`
	SE          *float64 `json:"se"`
}

// LackOfFit compares what repeats scatter with what the surface misses.
type LackOfFit struct {
	F  float64 `json:"f"`
	DF [2]int  `json:"df"`
	P  float64 `json:"p"`
}

// SecondOrder is the plain second-order response surface: settings coded to -1..1
// between the plant file's min and max, weighted least squares. Terms stand in the
// order 1, blocks, settings, products, squares; a term that is a combination of
// those before it is not estimable and left out. Coefficients and standard errors
// in the response's unit. A statistic the runs cannot give is nil.
type SecondOrder struct {
	Terms              []Term             `json:"terms"`
	NotEstimable       []string           `json:"not_estimable"`
	RSquared           *float64           `json:"r_squared"`
	AdjustedRSquared   *float64           `json:"adjusted_r_squared"`
	PredictiveRSquared *float64           `json:"predictive_r_squared"`
	ResidualSD         *float64           `json:"residual_sd"`
	LackOfFit          *LackOfFit         `json:"lack_of_fit"`
	Eigenvalues        []float64          `json:"eigenvalues"`
	StationaryPoint    map[string]float64 `json:"stationary_point"`
	StationaryKind     string             `json:"stationary_kind"`
	StationaryInside   bool               `json:"stationary_inside"`
}

// BestInside is the highest point of the second-order surface between min and max,
// on the settings' grids; where blocks have terms of their own, for the first block.
type BestInside struct {
	Settings map[string]float64 `json:"settings"`
	Recovery Interval           `json:"recovery"`
	AtBounds []string           `json:"at_bounds"`
}

// aliasTolerance is how small a part of a column must be left, after the terms
// before it, to count as nothing: well above rounding, well below what settings
// kept to four figures leave.
const aliasTolerance = 1e-7

// term is a product of settings: none is the constant, one linear, two a product
// or a square; or the 0/1 mark of a block.
type term struct {
	name  string
	of    []int // setting indices
	block string
}

// surface is a fitted second-order surface.
type surface struct {
	settings []plant.Setting
	terms    []term // all, in order
	kept     []int  // indices into terms
	sol      solution
	variance *float64 // of an observation with weight 1
	t        float64  // two-sided 95 % quantile that goes with variance
}

func secondOrderTerms(settings []plant.Setting, blocks []string) []term {
	ts := []term{{name: "1"}}
	for _, b := range blocks {
		ts = append(ts, term{name: "block:" + b, block: b})
	}
	for i, s := range settings {
		ts = append(ts, term{name: s.Name, of: []int{i}})
	}
	for i := range settings {
		for j := i + 1; j < len(settings); j++ {
			ts = append(ts, term{name: settings[i].Name + "*" + settings[j].Name, of: []int{i, j}})
		}
	}
	for i, s := range settings {
		ts = append(ts, term{name: s.Name + "^2", of: []int{i, i}})
	}
	return ts
}

func (t term) value(coded []float64, block string) float64 {
	if t.block != "" {
		if t.block == block {
			return 1
		}
		return 0
	}
	v := 1.0
	for _, i := range t.of {
		v *= coded[i]
	}
	return v
}

// code maps a setting to -1 at its min and 1 at its max.
func code(s plant.Setting, v float64) float64 { return (2*v - s.Min - s.Max) / (s.Max - s.Min) }

func uncode(s plant.Setting, c float64) float64 { return (s.Min + s.Max + c*(s.Max-s.Min)) / 2 }

func coded(settings []plant.Setting, at map[string]float64) []float64 {
	c := make([]float64, len(settings))
	for i, s := range settings {
		c[i] = code(s, at[s.Name])
	}
	return c
}

// otherBlocks lists the blocks that get a term: all but the first, in file order;
// runs without a block are a block of their own when others have one.
func otherBlocks(used []runs.Run) []string {
	var blocks []string
	for _, r := range used {
		if r.Block != used[0].Block && !slices.Contains(blocks, blockName(r)) {
			blocks = append(blocks, blockName(r))
		}
	}
	return blocks
}

func blockName(r runs.Run) string {
	if r.Block == "" {
		return "none"
	}
	return r.Block
}

// weights are 1/se^2 scaled to a mean of 1, so that residual_sd stays in the
// response's unit; a missing s.e. is taken as the median of those given; nil when
// none is given. known says that s.e. were given.
func weights(used []runs.Run) (w []float64, meanInverse float64, known bool) {
	var ses []float64
	for _, r := range used {
		if r.RecoverySE != nil {
			ses = append(ses, *r.RecoverySE)
		}
	}
	if len(ses) == 0 {
		return nil, 0, false
	}
	slices.Sort(ses)
	median := (ses[(len(ses)-1)/2] + ses[len(ses)/2]) / 2
	least := math.Max(1e-9, 1e-6*ses[len(ses)-1]) // smaller than any error, and its weight would drown every other run
	sum := 0.0
	for _, r := range used {
		se := median
		if r.RecoverySE != nil {
			se = max(*r.RecoverySE, least)
		}
		w = append(w, 1/(se*se))
		sum += 1 / (se * se)
	}
	meanInverse = sum / float64(len(used))
	for i := range w {
		w[i] /= meanInverse
	}
	return w, meanInverse, true
}

// fitSecondOrder fits the surface to runs that all have a recovery. It needs one
// run at least. Warnings are sentences.
func fitSecondOrder(settings []plant.Setting, used []runs.Run) (SecondOrder, surface, []string, error) {
	n := len(used)
	terms := secondOrderTerms(settings, otherBlocks(used))
	y := make([]float64, n)
	x := mat.NewDense(n, len(terms), nil)
	for i, r := range used {
		y[i] = *r.Recovery
		c := coded(settings, r.Settings)
		for j, t := range terms {
			x.Set(i, j, t.value(c, blockName(r)))
		}
	}
	w, meanInverse, known := weights(used)
	kept, dropped, madeOf := estimable(x, aliasTolerance)
	sub := mat.NewDense(n, len(kept), nil)
	for k, j := range kept {
		sub.SetCol(k, mat.Col(nil, j, x))
	}
	sol, err := leastSquares(sub, y, w)
	if err != nil {
		return SecondOrder{}, surface{}, nil, err
	}
	f := surface{settings: settings, terms: terms, kept: kept, sol: sol}
	var so SecondOrder
	var warn []string

	switch {
	case sol.df > 0:
		v := sol.rss / float64(sol.df)
		f.variance, f.t = &v, studentT(0.975, sol.df)
		so.ResidualSD = ptr(math.Sqrt(v))
	case known: // nothing left over: the laboratory's errors are all there is
		f.variance, f.t = ptr(1/meanInverse), distuv.UnitNormal.Quantile(0.975)
		warn = append(warn, "There are as many terms as runs, so the errors shown rest on the runs' own standard errors alone.")
	default:
		warn = append(warn, "There are as many terms as runs: the surface goes through every run and nothing tells how wrong it is.")
	}
	for k, j := range kept {
		t := Term{Name: terms[j].name, Coefficient: sol.b[k]}
		if f.variance != nil {
			t.SE = ptr(math.Sqrt(math.Max(0, *f.variance*sol.unscaled.At(k, k))))
		}
		so.Terms = append(so.Terms, t)
	}
	so.NotEstimable = []string{}
	for _, j := range dropped {
		so.NotEstimable = append(so.NotEstimable, terms[j].name)
	}
	warn = append(warn, aliasWarnings(terms, dropped, madeOf, n-len(kept) == 0)...)
	warn = append(warn, so.quality(used, y, w, sol)...)
	warn = append(warn, so.canonical(&f, used)...)
	return so, f, warn, nil
}

func aliasWarnings(terms []term, dropped []int, madeOf map[int][]int, full bool) []string {
	if len(dropped) == 0 {
		return nil
	}
	var never, mixed, rest []string
	for _, j := range dropped {
		t := terms[j]
		switch from := madeOf[j]; {
		case len(from) == 0 || (len(from) == 1 && from[0] == 0):
			never = append(never, t.name)
		case full:
			rest = append(rest, t.name)
		default:
			var names []string
			for _, k := range from {
				if k != 0 {
					names = append(names, terms[k].name)
				}
			}
			mixed = append(mixed, fmt.Sprintf("%s cannot be told apart from %s.", t.name, strings.Join(names, " and ")))
		}
	}
	var w []string
	if len(never) > 0 {
		w = append(w, "The runs hardly vary these at all: "+strings.Join(never, ", ")+".")
	}
	if len(rest) > 0 {
		w = append(w, "There are fewer runs than terms; left out: "+strings.Join(rest, ", ")+".")
	}
	return append(w, mixed...)
}

// quality fills the statistics. Sources: Montgomery, Design and Analysis of
// Experiments, chapter 10, for PRESS and lack of fit (from memory); checked against
// the published fits in testdata/published.
func (so *SecondOrder) quality(used []runs.Run, y, w []float64, sol solution) []string {
	n := len(y)
	sumW, mean := 0.0, 0.0
	for i := range y {
		sumW += weight(w, i)
		mean += weight(w, i) * y[i]
	}
	mean /= sumW
	tss := 0.0
	for i := range y {
		tss += weight(w, i) * (y[i] - mean) * (y[i] - mean)
	}
	var warn []string
	if tss > 0 {
		so.RSquared = ptr(1 - sol.rss/tss)
		if sol.df > 0 && n > 1 {
			so.AdjustedRSquared = ptr(1 - sol.rss/float64(sol.df)/(tss/float64(n-1)))
		}
		press, alone := 0.0, []string{}
		for i := range y {
			rest := 1 - sol.leverage[i]
			if rest < 1e-9 {
				alone = append(alone, used[i].ID)
				continue
			}
			e := sol.residuals[i] / rest
			press += weight(w, i) * e * e
		}
		if len(alone) == 0 {
			so.PredictiveRSquared = ptr(1 - press/tss)
		} else if sol.df > 0 {
			warn = append(warn, "One run alone decides a term, so it cannot be predicted from the others: run "+strings.Join(alone, ", ")+".")
		}
	}
	if r, q := so.RSquared, so.PredictiveRSquared; r != nil && q != nil && *r-*q > 0.3 {
		warn = append(warn, fmt.Sprintf("Over-fitted: the surface explains %.0f %% of these runs but would foretell only %.0f %% of new ones; do not trust its optimum.", 100**r, math.Max(0, 100**q)))
	}
	if sol.df < 4 {
		warn = append(warn, fmt.Sprintf("Few runs: %d runs for %d terms leave %d to judge the error by.", n, n-sol.df, sol.df))
	}
	so.lackOfFit(used, y, w, sol)
	if l := so.LackOfFit; l != nil && l.P < 0.05 {
		warn = append(warn, fmt.Sprintf("Lack of fit: the surface misses the runs by more than repeats scatter (p = %.3g); the plant bends more than a second-order surface can.", l.P))
	}
	return warn
}

func (so *SecondOrder) lackOfFit(used []runs.Run, y, w []float64, sol solution) {
	groups := map[string][]int{}
	for i, r := range used {
		key := r.Block
		for _, name := range sortedKeys(r.Settings) {
			key += fmt.Sprintf("\x00%g", r.Settings[name])
		}
		groups[key] = append(groups[key], i)
	}
	pure, dfPure := 0.0, 0
	for _, key := range sortedKeys(groups) {
		g := groups[key]
		sw, m := 0.0, 0.0
		for _, i := range g {
			sw += weight(w, i)
			m += weight(w, i) * y[i]
		}
		m /= sw
		for _, i := range g {
			pure += weight(w, i) * (y[i] - m) * (y[i] - m)
		}
		dfPure += len(g) - 1
	}
	dfLack := sol.df - dfPure
	if dfPure < 1 || dfLack < 1 || pure <= 0 {
		return
	}
	f := math.Max(0, sol.rss-pure) / float64(dfLack) / (pure / float64(dfPure))
	so.LackOfFit = &LackOfFit{F: f, DF: [2]int{dfLack, dfPure}, P: distuv.F{D1: float64(dfLack), D2: float64(dfPure)}.Survival(f)}
}

// canonical does the canonical analysis of y = b0 + x'b + x'Bx over the settings
// whose terms are all estimable; settings that never varied stand where the last
// run left them. An eigenvalue below 2 % of the largest counts as
// none: with the others of one sign that is a ridge.
func (so *SecondOrder) canonical(f *surface, used []runs.Run) []string {
	so.Eigenvalues, so.StationaryKind = []float64{}, "none"
	coef := map[string]float64{}
	for k, j := range f.kept {
		coef[f.terms[j].name] = f.sol.b[k]
	}
	var vary []int
	for i, s := range f.settings {
		if _, ok := coef[s.Name]; ok {
			vary = append(vary, i)
		}
	}
	last := coded(f.settings, used[len(used)-1].Settings)
	k := len(vary)
	if k == 0 {
		return nil
	}
	lin, curve := mat.NewVecDense(k, nil), mat.NewSymDense(k, nil)
	for a, i := range vary {
		lin.SetVec(a, coef[f.settings[i].Name])
		square, ok := coef[f.settings[i].Name+"^2"]
		if !ok {
			return []string{"There is no stationary point to speak of: the curvature in " + f.settings[i].Name + " is not known."}
		}
		curve.SetSym(a, a, square)
		for b := a + 1; b < k; b++ {
			cross, ok := coef[f.settings[i].Name+"*"+f.settings[vary[b]].Name]
			if !ok {
				return []string{fmt.Sprintf("There is no stationary point to speak of: how %s and %s act together is not known.", f.settings[i].Name, f.settings[vary[b]].Name)}
			}
			curve.SetSym(a, b, cross/2)
		}
		// A setting that never varied takes no part; its terms were dropped and its
		// level is in the constant.
	}
	var eig mat.EigenSym
	if !eig.Factorize(curve, true) {
		return nil
	}
	values := eig.Values(nil)
	largest := math.Max(math.Abs(values[0]), math.Abs(values[k-1]))
	scale := largest
	for _, v := range f.sol.b {
		scale = math.Max(scale, 1e-9*math.Abs(v))
	}
	if largest == 0 || largest < scale {
		return nil
	}
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	point := make([]float64, k)
	up, down, flat := 0, 0, 0
	for e := k - 1; e >= 0; e-- {
		so.Eigenvalues = append(so.Eigenvalues, values[e])
		v := vectors.ColView(e)
		switch {
		case math.Abs(values[e]) < 0.02*largest:
			flat++
		case values[e] > 0:
			up++
		default:
			down++
		}
		if math.Abs(values[e]) < 1e-9*largest {
			continue // along an exact ridge every point is as good: take the nearest to the centre
		}
		step := -0.5 * mat.Dot(v, lin) / values[e]
		for a := range point {
			point[a] += step * v.AtVec(a)
		}
	}
	switch {
	case up > 0 && down > 0:
		so.StationaryKind = "saddle"
	case flat > 0:
		so.StationaryKind = "ridge"
	case up == 0:
		so.StationaryKind = "maximum"
	default:
		so.StationaryKind = "minimum"
	}
	so.StationaryPoint, so.StationaryInside = map[string]float64{}, true
	for i, s := range f.settings {
		so.StationaryPoint[s.Name] = uncode(s, last[i])
	}
	for a, i := range vary {
		s := f.settings[i]
		v := uncode(s, point[a])
		so.StationaryPoint[s.Name] = v
		least, most := math.Inf(1), math.Inf(-1)
		for _, r := range used {
			least, most = math.Min(least, r.Settings[s.Name]), math.Max(most, r.Settings[s.Name])
		}
		slack := 1e-9 * (s.Max - s.Min)
		if v < math.Max(s.Min, least)-slack || v > math.Min(s.Max, most)+slack {
			so.StationaryInside = false
		}
	}
	switch so.StationaryKind {
	case "saddle":
		return []string{"The stationary point is a saddle, not an optimum: the best lies on the edge of what may be set."}
	case "minimum":
		return []string{"The stationary point is the worst place, not the best."}
	case "ridge":
		return []string{"The surface is nearly flat along one direction: many settings are as good as the stationary point."}
	}
	if !so.StationaryInside {
		return []string{"The optimum of the surface lies outside what was tried: it is an extrapolation."}
	}
	return nil
}

// predict gives the surface and the standard error of its mean at coded settings
// for a block; se nil when not known. x is scratch of len(kept) or nil.
func (f *surface) predict(c []float64, block string) (mean float64, se *float64) {
	x := make([]float64, len(f.kept))
	for k, j := range f.kept {
		x[k] = f.terms[j].value(c, block)
		mean += x[k] * f.sol.b[k]
	}
	if f.variance == nil {
		return mean, nil
	}
	return mean, ptr(math.Sqrt(math.Max(0, *f.variance*f.quadratic(x))))
}

func (f *surface) quadratic(x []float64) float64 {
	q := 0.0
	for a := range x {
		for b := range x {
			q += x[a] * x[b] * f.sol.unscaled.At(a, b)
		}
	}
	return q
}

func (f *surface) interval(c []float64, block string) Interval {
	mean, se := f.predict(c, block)
	iv := Interval{Mean: ptr(mean)}
	if se != nil {
		iv.Lower, iv.Upper = ptr(mean-f.t**se), ptr(mean+f.t**se)
	}
	return iv
}

// studentT is a quantile of Student's t. gonum's inverse needs no more than its
// accuracy of about 1e-10; with many degrees of freedom the normal takes over.
func studentT(p float64, df int) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(df)}.Quantile(p)
}

func ptr[T any](v T) *T { return &v }

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
