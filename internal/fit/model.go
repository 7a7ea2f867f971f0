package fit

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// Response is what a model describes.
type Response string

const (
	Recovery             Response = "recovery"              // percent
	ConcentrateGrade     Response = "concentrate_grade"     // grade unit; fitted in logs
	SeparationEfficiency Response = "separation_efficiency" // percent
)

// The priors of the model in use. Values that come from the trials on invented
// plants described beside the project's design are marked (trials); the rest is
// our judgement. All in points of recovery unless said otherwise.
const (
	lengthScale    = 0.6  // in units of a setting's range (trials)
	linearSD       = 8.0  // at one length from the centre (trials)
	secondSD       = 6.0  // at one length from the centre (trials)
	concavity      = 32.0 // prior mean falls so much per squared range (trials)
	gradeFactor    = 2.2  // grade moves so much more than recovery, in percent of itself (trials)
	levelSD        = 10.0
	lotSD          = 2.5  // between lots: 2 to 4 is usual
	blockSD        = 1.0  // between paired blocks of one lot
	driftSD        = 1.0  // slow wander of the level
	memory         = 60.0 // runs after which shape learnt is worth much less (trials)
	assumedRunSE   = 1.5  // where no s.e. is given and no repeats tell
	intervalFactor = 1.15 // widening of every sd that was found to make intervals hold (trials)
	oddResult      = 3.0  // leave-one-out sd beyond which a run counts less (trials)
	z95            = 1.959963984540054
)

// Model is the model in use: a second-order surface in the settings (in logs of
// those that span more than a factor of two), shrunk towards gentle concavity, with
// its own level for each ore source and lot, the runs' standard errors, slow
// forgetting, and odd results counting less. It is averaged over a few sizes of
// effect and of excess error by their evidence. Other ores' runs are used as far as
// the evidence says that they are alike. Equations: Gaussian-process identities,
// Rasmussen and Williams, Gaussian Processes for Machine Learning, chapters 2 and 5
// (from memory).
type Model struct {
	Response Response
	Runs     int      // runs of this source
	Others   int      // runs of other sources looked at
	Suspect  []string // runs of this source that do not agree with the rest
	RunSE    float64  // typical s.e. of one run, in the model's own unit (points, or percent of the grade)
	Sharing  float64  // 0..1: how far other ores' runs count for the shape

	settings []plant.Setting
	source   string
	centre   []float64
	scale    float64
	obs      []observation
	members  []member
	now      float64
	lot      string
	mean0    float64
}

type observation struct {
	run                run
	y, variance, known float64 // variance of one run's error; known 0: assumed
	weight             float64 // 1, less for odd results
	id                 string
	at                 map[string]float64
	bare               float64 // y with the prior mean taken off
}

// run is what the kernel sees.
type run struct {
	v                  []float64 // centred and scaled settings
	source, lot, block string
	time               float64
}

type member struct {
	amp, noise, share float64
	weight            float64
	chol              mat.Cholesky
	lower             *mat.TriDense
	alpha             []float64
}

// Learn fits the model to a history for one response. present is where the plant
// stands. Without a usable run it returns a model that knows nothing (Runs 0).
func Learn(p *plant.Plant, c Chosen, response Response, present map[string]float64) *Model {
	m := &Model{Response: response, settings: p.Settings, scale: 1}
	if len(c.Used) > 0 {
		m.source = c.Used[0].OreSource
	}
	type numbered struct {
		r runs.Run
		t float64
	}
	var all []numbered
	for i, r := range c.Used {
		all = append(all, numbered{r, float64(i)})
	}
	m.now = float64(max(len(c.Used)-1, 0))
	for i, r := range c.Others {
		if i >= len(c.Others)-mostOthers {
			all = append(all, numbered{r, m.now - float64(len(c.Others)-1-i)*0.5})
		}
	}
	var ys []float64
	for _, a := range all {
		y, variance, ok := m.observe(p, a.r)
		if !ok {
			continue
		}
		o := observation{y: y, known: variance, weight: 1, id: a.r.ID, at: a.r.Settings, run: run{source: a.r.OreSource, lot: a.r.Lot, block: a.r.Block, time: a.t}}
		if o.run.lot != "" {
			o.run.lot = a.r.OreSource + "\x00" + o.run.lot
		}
		if o.run.block != "" {
			o.run.block = a.r.OreSource + "\x00" + o.run.block
		}
		o.run.v = m.unit(a.r.Settings)
		m.obs = append(m.obs, o)
		if a.r.OreSource == m.source {
			m.Runs++
			m.lot = o.run.lot
			ys = append(ys, y)
		} else {
			m.Others++
		}
	}
	if m.Runs == 0 {
		m.obs, m.Others = nil, 0
		return m
	}
	if response == Recovery && (slices.Min(ys) < -1e-9 || slices.Max(ys) > 100+1e-9) {
		m.scale = math.Max(1, sd(ys)/5) // not a recovery: fit takes any response
	}
	m.errors()
	m.centre = m.unit(present)
	m.condition()
	// The prior falls off from a point halfway between the start and the best-known
	// setting: about the start alone it holds back, about the best alone it follows luck.
	first := m.centre
	best := 0
	j := m.joint(m.Visited())
	for i := range j.n {
		if j.Mean(i) > j.Mean(best) {
			best = i
		}
	}
	centre := make([]float64, len(first))
	for i, u := range m.unit(m.Visited()[best]) {
		centre[i] = (first[i] + u) / 2
	}
	m.centre = centre
	m.condition()
	return m
}

// mostOthers is how many of the newest runs of other ores are looked at.
const mostOthers = 60

func (m *Model) observe(p *plant.Plant, r runs.Run) (y, variance float64, ok bool) {
	switch m.Response {
	case ConcentrateGrade:
		if r.ConcentrateGrade == nil || *r.ConcentrateGrade <= 0 {
			return 0, 0, false
		}
		g := *r.ConcentrateGrade
		if r.GradeSE != nil {
			variance = errorVariance(100 * *r.GradeSE / g)
		}
		return 100 * math.Log(g), variance, true
	case SeparationEfficiency:
		pull, pullOK := MassPull(p, r.OreSource, r.Recovery, r.ConcentrateGrade)
		if !pullOK {
			return 0, 0, false
		}
		pure, head := PureGrade(p), HeadGrade(p, r.OreSource)
		if pure <= head {
			return 0, 0, false
		}
		gangue := 100 * pull * (1 - *r.ConcentrateGrade/pure) / (1 - head/pure)
		if r.RecoverySE != nil { // the gangue's share of the error is small beside the recovery's
			variance = errorVariance(*r.RecoverySE)
		}
		return *r.Recovery - gangue, variance, true
	default:
		if r.Recovery == nil {
			return 0, 0, false
		}
		if r.RecoverySE != nil {
			variance = errorVariance(*r.RecoverySE)
		}
		return *r.Recovery, variance, true
	}
}

// errorVariance is the square of a standard error, which is never so small that a
// weight would overflow.
func errorVariance(se float64) float64 {
	se = math.Max(se, 1e-6)
	return se * se
}

// HeadGrade is the ore source's, in the objective's grade unit; 0 if not known.
func HeadGrade(p *plant.Plant, source string) float64 {
	for _, s := range p.OreSources {
		if s.Name == source && s.HeadGrade != nil {
			return *s.HeadGrade
		}
	}
	return 0
}

// PureGrade is the grade of the pure metal in the objective's grade unit.
// 1 short ton = 29166.67 troy ounces.
func PureGrade(p *plant.Plant) float64 {
	switch p.Objective.GradeUnit {
	case "%":
		return 100
	case "oz/short ton":
		return 2000 * 14.583333333
	default:
		return 1e6
	}
}

// MassPull is the counted products' share of the feed mass, from recovery R
// (percent), concentrate grade c and head grade f: Y = R f / (100 c).
func MassPull(p *plant.Plant, source string, recovery, grade *float64) (float64, bool) {
	head := HeadGrade(p, source)
	if head <= 0 || recovery == nil || grade == nil || *grade <= 0 {
		return 0, false
	}
	return *recovery / 100 * head / *grade, true
}

// unit maps settings to 0..1 between min and max, in logs where max is more than
// twice a positive min: ridges such as wash water against tilt become straighter.
func (m *Model) unit(at map[string]float64) []float64 {
	u := make([]float64, len(m.settings))
	for i, s := range m.settings {
		x := at[s.Name]
		if s.Min > 0 && s.Max > 2*s.Min {
			u[i] = math.Log(math.Max(x, s.Min*1e-2)/s.Min) / math.Log(s.Max/s.Min)
		} else {
			u[i] = (x - s.Min) / (s.Max - s.Min)
		}
	}
	return u
}

func sd(y []float64) float64 {
	mean, ss := 0.0, 0.0
	for _, v := range y {
		mean += v / float64(len(y))
	}
	for _, v := range y {
		ss += (v - mean) * (v - mean)
	}
	return math.Sqrt(ss / math.Max(1, float64(len(y)-1)))
}

// errors fills the missing standard errors: the median of those given, else what
// repeats in one lot scatter (four degrees of freedom or more), else an assumption.
func (m *Model) errors() {
	factor := m.scale
	if m.Response == ConcentrateGrade {
		factor *= gradeFactor
	}
	var known []float64
	for _, o := range m.obs {
		if o.known > 0 && o.run.source == m.source {
			known = append(known, o.known)
		}
	}
	fill := math.Pow(assumedRunSE*factor, 2)
	if len(known) > 0 {
		slices.Sort(known)
		fill = known[len(known)/2]
	} else if v, ok := m.repeats(); ok {
		fill = v
	}
	for i, o := range m.obs {
		m.obs[i].variance = o.known
		if o.known == 0 {
			m.obs[i].variance = fill
		}
	}
	m.RunSE = math.Sqrt(fill)
}

func (m *Model) repeats() (variance float64, ok bool) {
	groups := map[string][]float64{}
	for _, o := range m.obs {
		key := fmt.Sprint(o.run.source, o.run.lot, o.run.block, o.run.v)
		groups[key] = append(groups[key], o.y)
	}
	ss, df := 0.0, 0
	for _, key := range sortedKeys(groups) {
		g := groups[key]
		ss += sd(g) * sd(g) * float64(len(g)-1)
		df += len(g) - 1
	}
	return ss / math.Max(1, float64(df)), df >= 4 && ss > 0
}

// priorMean is the gentle fall from the centre.
func (m *Model) priorMean(u []float64) float64 {
	if m.Response == ConcentrateGrade {
		return m.mean0
	}
	d2 := 0.0
	for i := range u {
		d2 += (u[i] - m.centre[i]) * (u[i] - m.centre[i])
	}
	return m.mean0 - m.scale*concavity*d2
}

// kernel is the prior covariance of the true response of two runs.
func (m *Model) kernel(h *member, a, b *run) float64 {
	unit := m.scale
	if m.Response == ConcentrateGrade {
		unit *= gradeFactor
	}
	inner := 0.0
	for i := range a.v {
		inner += (a.v[i] - m.centre[i]) * (b.v[i] - m.centre[i])
	}
	inner /= lengthScale * lengthScale
	dt := (a.time - b.time) / memory
	forget := math.Exp(-dt * dt / 2)
	shape := h.amp * h.amp * (linearSD*linearSD*inner + 0.5*secondSD*secondSD*inner*inner) * forget
	k := shape
	if a.source == b.source {
		k += levelSD*levelSD + driftSD*driftSD*forget
	} else {
		k *= h.share
	}
	if a.lot == b.lot && a.lot != "" {
		k += lotSD * lotSD
	}
	if a.block == b.block && a.block != "" {
		k += blockSD * blockSD
	}
	return k * unit * unit
}

// condition computes the members' posteriors and weights, and lets odd results
// count less, three times over.
func (m *Model) condition() {
	for i := range m.obs {
		m.obs[i].weight = 1
	}
	for range 3 {
		m.posteriors()
		if !m.reweigh() {
			break
		}
	}
	m.posteriors()
	m.Suspect = nil
	for _, o := range m.obs {
		if o.weight < 1 && o.run.source == m.source {
			m.Suspect = append(m.Suspect, o.id)
		}
	}
}

func (m *Model) posteriors() {
	// The level's prior is centred on the weighted mean of the source's runs with the
	// fall from the centre put back.
	m.mean0 = 0
	sum, sw := 0.0, 0.0
	for _, o := range m.obs {
		if o.run.source == m.source {
			w := o.weight / o.variance
			sum += w * (o.y - m.priorMean(o.run.v))
			sw += w
		}
	}
	m.mean0 = sum / sw
	level := map[string][2]float64{}
	for _, o := range m.obs {
		l := level[o.run.source]
		level[o.run.source] = [2]float64{l[0] + o.y - m.priorMean(o.run.v), l[1] + 1}
	}
	for i, o := range m.obs {
		m.obs[i].bare = o.y - m.priorMean(o.run.v)
		if o.run.source != m.source { // each ore has its own level
			m.obs[i].bare -= level[o.run.source][0] / level[o.run.source][1]
		}
	}
	known := false
	for _, o := range m.obs {
		known = known || o.known > 0
	}
	// Sizes of effect, of excess error and of likeness, with their prior weights.
	type choice struct{ value, weight float64 }
	amps := []choice{{0.5, 0.3}, {1, 0.45}, {1.8, 0.25}}
	noises := []choice{{0.3, 0.2}, {0.6, 0.3}, {1, 0.3}, {2, 0.2}} // times the assumed s.e.
	if known {
		noises = []choice{{0.4, 0.7}, {1.5, 0.3}} // excess, in points
	}
	shares := []choice{{0, 1}}
	if m.Others > 0 {
		shares = []choice{{0, 0.2}, {0.6, 0.4}, {0.9, 0.4}}
	}
	m.members = m.members[:0]
	var logs []float64
	for _, a := range amps {
		for _, z := range noises {
			for _, s := range shares {
				h := member{amp: a.value, noise: z.value, share: s.value}
				if evidence, ok := m.solve(&h, known); ok {
					m.members = append(m.members, h)
					logs = append(logs, evidence+math.Log(a.weight*z.weight*s.weight))
				}
			}
		}
	}
	top, total := slices.Max(logs), 0.0
	for i := range m.members {
		m.members[i].weight = math.Exp(logs[i] - top)
		if m.members[i].weight < 0.02 {
			m.members[i].weight = 0
		}
		total += m.members[i].weight
	}
	m.members = slices.DeleteFunc(m.members, func(h member) bool { return h.weight == 0 })
	m.Sharing = 0
	for i := range m.members {
		m.members[i].weight /= total
		m.Sharing += m.members[i].weight * m.members[i].share
	}
}

func (m *Model) noiseVariance(h *member, o observation, known bool) float64 {
	unit := m.scale
	if m.Response == ConcentrateGrade {
		unit *= gradeFactor
	}
	if known {
		return (o.variance + math.Pow(h.noise*unit, 2)) / o.weight
	}
	return o.variance * h.noise * h.noise / o.weight
}

func (m *Model) anyKnown() bool {
	for _, o := range m.obs {
		if o.known > 0 {
			return true
		}
	}
	return false
}

func (m *Model) solve(h *member, known bool) (evidence float64, ok bool) {
	n := len(m.obs)
	k := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			k.SetSym(i, j, m.kernel(h, &m.obs[i].run, &m.obs[j].run))
		}
		k.SetSym(i, i, k.At(i, i)+m.noiseVariance(h, m.obs[i], known))
	}
	if !h.chol.Factorize(k) {
		return 0, false
	}
	y, alpha := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for i, o := range m.obs {
		y.SetVec(i, o.bare)
	}
	if err := h.chol.SolveVecTo(alpha, y); err != nil && !conditionOnly(err) {
		return 0, false
	}
	h.alpha = alpha.RawVector().Data
	h.lower = new(mat.TriDense)
	h.chol.LTo(h.lower)
	return -0.5*mat.Dot(y, alpha) - 0.5*h.chol.LogDet(), true
}

// reweigh sets the weight of each run from how far it lies from what the others
// foretell (leave-one-out): 1 within oddResult sd, else (oddResult/|z|)^4. A run that
// a repeat confirms keeps its weight: a cliff is not a bad sample.
func (m *Model) reweigh() (changed bool) {
	n := len(m.obs)
	if n < 6 {
		return false
	}
	known := m.anyKnown()
	top := 0
	for i := range m.members {
		if m.members[i].weight > m.members[top].weight {
			top = i
		}
	}
	h := &m.members[top]
	var inv mat.SymDense
	if err := h.chol.InverseTo(&inv); err != nil && !conditionOnly(err) {
		return false
	}
	for i := range m.obs {
		o := &m.obs[i]
		noise := m.noiseVariance(h, *o, known)
		latent := math.Max(0, 1/inv.At(i, i)-noise)
		z := h.alpha[i] / inv.At(i, i) / math.Sqrt(latent+noise*o.weight)
		w := 1.0
		if math.Abs(z) > oddResult && !m.confirmed(i, known, h) {
			w = math.Max(0.005, math.Pow(oddResult/math.Abs(z), 4))
		}
		if math.Abs(w-o.weight) > 1e-3 {
			changed = true
		}
		o.weight = w
	}
	return changed
}

func (m *Model) confirmed(i int, known bool, h *member) bool {
	a := m.obs[i]
	for j, b := range m.obs {
		if j == i || a.run.source != b.run.source || !slices.Equal(a.run.v, b.run.v) {
			continue
		}
		a.weight, b.weight = 1, 1
		if math.Abs(a.y-b.y) < 2.5*math.Sqrt(m.noiseVariance(h, a, known)+m.noiseVariance(h, b, known)) {
			return true
		}
	}
	return false
}

// Visited lists the settings of this source's runs, each once, in order.
func (m *Model) Visited() []map[string]float64 {
	var out []map[string]float64
	var seen [][]float64
	for _, o := range m.obs {
		if o.run.source != m.source || slices.ContainsFunc(seen, func(v []float64) bool { return slices.Equal(v, o.run.v) }) {
			continue
		}
		seen = append(seen, o.run.v)
		out = append(out, o.at)
	}
	return out
}

// Joint is the model's joint belief about the true response at several settings,
// now, for the lot in hand: means, and covariances of which differences are made.
// Its unit is the model's own: points, or 100 ln(grade).
type Joint struct {
	n      int
	m      *Model
	points []run
	means  [][]float64 // by member
	v      [][]float64 // by member, n rows of len(obs): L^-1 k
	mean   []float64
}

// At gives the joint belief at settings. The model must know a run (Runs > 0).
func (m *Model) At(settings []map[string]float64) *Joint { return m.joint(settings) }

func (m *Model) joint(settings []map[string]float64) *Joint {
	n, k := len(settings), len(m.obs)
	j := &Joint{n: n, m: m, points: make([]run, n), mean: make([]float64, n)}
	for i, s := range settings {
		j.points[i] = run{v: m.unit(s), source: m.source, lot: m.lot, time: m.now}
	}
	cross := make([]float64, k)
	for e := range m.members {
		h := &m.members[e]
		raw := h.lower.RawTriangular()
		means, v := make([]float64, n), make([]float64, n*k)
		for i := range j.points {
			for o := range m.obs {
				cross[o] = m.kernel(h, &j.points[i], &m.obs[o].run)
			}
			means[i] = m.priorMean(j.points[i].v) + dot(cross, h.alpha)
			row := v[i*k : (i+1)*k]
			for o := range row { // forward substitution
				l := raw.Data[o*raw.Stride : o*raw.Stride+o]
				row[o] = (cross[o] - dot(l, row[:o])) / raw.Data[o*raw.Stride+o]
			}
			j.mean[i] += h.weight * means[i]
		}
		j.means, j.v = append(j.means, means), append(j.v, v)
	}
	return j
}

// Mean is the expected value at point i.
func (j *Joint) Mean(i int) float64 { return j.mean[i] }

// Cov is the covariance of the true values at points a and b, the doubt about the
// sizes of effect included.
func (j *Joint) Cov(a, b int) float64 {
	k, c := len(j.m.obs), 0.0
	for e := range j.m.members {
		h := &j.m.members[e]
		within := j.m.kernel(h, &j.points[a], &j.points[b]) - dot(j.v[e][a*k:(a+1)*k], j.v[e][b*k:(b+1)*k])
		c += h.weight * (within + (j.means[e][a]-j.mean[a])*(j.means[e][b]-j.mean[b]))
	}
	return c
}

// SD is the standard deviation of the true value at point i, widened as the trials
// asked.
func (j *Joint) SD(i int) float64 { return intervalFactor * math.Sqrt(math.Max(0, j.Cov(i, i))) }

// Diff is the mean and sd of the true value at a less that at b: what they share
// cancels.
func (j *Joint) Diff(a, b int) (mean, sd float64) {
	return j.mean[a] - j.mean[b], intervalFactor * math.Sqrt(math.Max(0, j.Cov(a, a)+j.Cov(b, b)-2*j.Cov(a, b)))
}

// Interval is the 95 % interval at point i in the response's own unit: grades are
// turned back from logs (their mean is that of the log-normal), recoveries kept
// within 0..100.
func (j *Joint) Interval(i int) Interval {
	mean, s := j.mean[i], j.SD(i)
	switch {
	case j.m.Response == ConcentrateGrade:
		return Interval{ptr(math.Exp((mean + s*s/200) / 100)), ptr(math.Exp((mean - z95*s) / 100)), ptr(math.Exp((mean + z95*s) / 100))}
	case j.m.scale != 1 || j.m.Response == SeparationEfficiency:
		return Interval{ptr(mean), ptr(mean - z95*s), ptr(mean + z95*s)}
	}
	clip := func(v float64) *float64 { return ptr(math.Min(100, math.Max(0, v))) }
	return Interval{clip(mean), clip(mean - z95*s), clip(mean + z95*s)}
}

// Predict is the 95 % interval for the true response at settings.
func (m *Model) Predict(settings map[string]float64) Interval {
	if m.Runs == 0 {
		return Interval{}
	}
	return m.joint([]map[string]float64{settings}).Interval(0)
}

// Map is the model over a grid of two settings, the others held: Mean[row][col] and
// HalfWidth[row][col] (half of the 95 % interval), column along X, row along Y, in
// the response's unit.
type Map struct {
	X, Y            plant.Setting
	Mean, HalfWidth [][]float64
}

// Surface is the model over n by n points of settings x and y between their min
// and max, the other settings as in at.
func (m *Model) Surface(x, y string, n int, at map[string]float64) (Map, error) {
	find := func(name string) (plant.Setting, bool) {
		for _, s := range m.settings {
			if s.Name == name {
				return s, true
			}
		}
		return plant.Setting{}, false
	}
	sx, okX := find(x)
	sy, okY := find(y)
	if !okX || !okY || x == y || n < 2 {
		return Map{}, fmt.Errorf("fit: a map needs two settings of the plant file and at least 2 points a side; got %q, %q and %d", x, y, n)
	}
	if m.Runs == 0 {
		return Map{}, fmt.Errorf("fit: no run of this ore source is known, so there is no map")
	}
	out := Map{X: sx, Y: sy}
	for r := range n {
		row := make([]map[string]float64, n)
		for c := range n {
			row[c] = make(map[string]float64, len(m.settings))
			for _, s := range m.settings {
				row[c][s.Name] = at[s.Name]
			}
			row[c][x] = sx.Min + float64(c)/float64(n-1)*(sx.Max-sx.Min)
			row[c][y] = sy.Min + float64(r)/float64(n-1)*(sy.Max-sy.Min)
		}
		j := m.joint(row)
		mean, half := make([]float64, n), make([]float64, n)
		for c := range n {
			iv := j.Interval(c)
			mean[c], half[c] = *iv.Mean, (*iv.Upper-*iv.Lower)/2
		}
		out.Mean, out.HalfWidth = append(out.Mean, mean), append(out.HalfWidth, half)
	}
	return out, nil
}
