package advise

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"decktrim/internal/fit"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// The levers of the decision, tuned on invented plants (loop_test.go): caution is
// in sd of the difference to the best-known setting; horizon is for how many runs
// what a test teaches is counted, fading as runs gather.
const (
	caution       = 0.2
	horizonStart  = 6.0
	horizonRuns   = 60.0
	gainForMove   = 0.70 // chance of a gain from which a new setting is a lasting move
	gainForReturn = 0.60 // the same for a setting that was tried before
	leastGain     = 0.1  // expected gain, in s.e. of a run, under which nothing is moved
	leastLesson   = 0.03 // worth of a test in points over the horizon, where no prices are known
	soundEnough   = 0.2  // chance of a breach above which no setting is called best known
	hoursOfATest  = 2.0  // settling and sampling of one run, for what a test may lose: our assumption
)

// Advise fits the source's runs and advises. An error says what is wrong with the
// input: what cannot be a recovery, a setting that is not there, nothing that says
// where the plant stands.
func Advise(p *plant.Plant, all []runs.Run, o Options) (Answer, error) {
	if err := fit.CheckSettings(p); err != nil {
		return Answer{}, err
	}
	if o.Source == "" {
		return Answer{}, fmt.Errorf("no ore source is named: use one of %s", strings.Join(fit.Sources(p, all), ", "))
	}
	if err := checkRuns(all); err != nil {
		return Answer{}, err
	}
	present, err := Present(p, all, o.At)
	if err != nil {
		return Answer{}, err
	}
	d := newDecision(p, all, o.Source, present)
	d.decide()
	for _, s := range p.Settings { // a plant left outside its bounds is not left there
		d.answer.BestKnown[s.Name] = math.Min(s.Max, math.Max(s.Min, d.answer.BestKnown[s.Name]))
	}
	return d.answer, nil
}

// checkRuns refuses what cannot be a recovery or a grade, void runs aside.
func checkRuns(all []runs.Run) error {
	for _, r := range all {
		if r.Status == runs.Void {
			continue
		}
		if v := r.Recovery; v != nil && !(*v >= 0 && *v <= 100) {
			return fmt.Errorf("%s: recovery %g of run %s cannot be: it must lie between 0 and 100 percent; correct it or mark the run void", r.Where("recovery"), *v, r.ID)
		}
		if v := r.ConcentrateGrade; v != nil && !(*v > 0 && !math.IsInf(*v, 0)) {
			return fmt.Errorf("%s: concentrate grade %g of run %s cannot be: it must be above 0; correct it or leave it empty", r.Where("concentrate_grade"), *v, r.ID)
		}
	}
	return nil
}

// Present is where the plant stands: as at says, else where the last run left it,
// whatever its ore and status, else the plant file's present.
func Present(p *plant.Plant, all []runs.Run, at map[string]float64) (map[string]float64, error) {
	for name, v := range at {
		if !slices.ContainsFunc(p.Settings, func(s plant.Setting) bool { return s.Name == name }) {
			var names []string
			for _, s := range p.Settings {
				names = append(names, s.Name)
			}
			return nil, fmt.Errorf("there is no setting %q to stand at: use %s", name, strings.Join(names, ", "))
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("setting %s cannot stand at %g: give a number", name, v)
		}
	}
	present := make(map[string]float64, len(p.Settings))
	for _, s := range p.Settings {
		v, told := at[s.Name]
		if !told && len(all) > 0 {
			v, told = all[len(all)-1].Settings[s.Name]
		}
		if !told && s.Present != nil {
			v, told = *s.Present, true
		}
		if !told {
			return nil, fmt.Errorf("nothing says where %s stands: add a figure for present to its [[setting]], or give one with --at %s=VALUE", s.Name, s.Name)
		}
		present[s.Name] = v
	}
	return present, nil
}

// decision is one advice in the making.
type decision struct {
	p       *plant.Plant
	source  string
	ore     plant.OreSource // zero where the plant file does not list it
	chosen  fit.Chosen
	present map[string]float64
	answer  Answer

	recovery, grade, objective *fit.Model
	floor                      *float64 // on the concentrate grade

	// The joint beliefs at points: 0 is the present setting, then tried settings
	// inside the bounds, waiting runs, and from first on the candidates.
	points         []map[string]float64
	tried, first   int // number of tried settings; index of the first candidate
	waitingAt      int
	cands          []candidate
	reach          []reach
	rec, grd, obj  *fit.Joint
	waitLower      *mat.Cholesky
	waitCov        [][]float64
	best           int  // index of the best-known setting
	untriedPresent bool // no result where the plant stands
	crept          bool // steps were left out for want of results
	horizon        float64
	noise          float64 // variance of the next run's result, objective's unit
	breachCache    map[int]float64
}

func newDecision(p *plant.Plant, all []runs.Run, source string, present map[string]float64) *decision {
	d := &decision{p: p, source: source, present: present, chosen: fit.Choose(p, all, source).Recent(), breachCache: map[int]float64{}}
	for _, s := range p.OreSources {
		if s.Name == source {
			d.ore = s
		}
	}
	d.floor = p.Objective.MinConcentrateGrade
	if d.ore.MinConcentrateGrade != nil {
		d.floor = d.ore.MinConcentrateGrade
	}
	a := &d.answer
	a.Source, a.Action = source, Hold
	a.Present, a.Settings, a.BestKnown = clone(present), clone(present), clone(present)
	a.Changed, a.Reasons, a.Withheld, a.SuspectRuns = []string{}, []string{}, []string{}, []string{}
	a.Waiting, a.RunsNotUsed = []Waiting{}, []fit.NotUsed{}
	for _, w := range d.chosen.Waiting {
		a.Waiting = append(a.Waiting, Waiting{w.ID, w.Due})
	}
	a.RunsNotUsed = append(a.RunsNotUsed, d.chosen.NotUsed...)
	a.RunsUsed = len(d.chosen.Used)
	d.recovery = fit.Learn(p, d.chosen, fit.Recovery, present)
	d.grade = fit.Learn(p, d.chosen, fit.ConcentrateGrade, present)
	switch p.Objective.Maximise {
	case plant.MaximiseConcentrateGrade:
		d.objective = d.grade
	case plant.MaximiseSeparationEfficiency:
		d.objective = fit.Learn(p, d.chosen, fit.SeparationEfficiency, present)
	default: // recovery, or its value in money, which rises and falls with it
		d.objective = d.recovery
	}
	return d
}

func clone(m map[string]float64) map[string]float64 {
	c := make(map[string]float64, len(m))
	for k, v := range m {
		c[k] = v
	}
	return c
}

func (d *decision) because(format string, args ...any) {
	d.answer.Reasons = append(d.answer.Reasons, fmt.Sprintf(format, args...))
}

func (d *decision) withhold(format string, args ...any) {
	d.answer.Withheld = append(d.answer.Withheld, fmt.Sprintf(format, args...))
}

func (d *decision) decide() {
	if d.recovery.Runs == 0 {
		d.nothingKnown()
		return
	}
	d.layOut()
	d.suspects()
	now := d.rec.Interval(0)
	d.answer.RecoveryNow, d.answer.RecoveryNext = now, now
	if d.grd != nil {
		d.answer.GradeNext = d.grd.Interval(0)
	}
	d.answer.ProbabilityOfGain = ptr(0.0)
	d.answer.ProbabilityOfBreach = ptr(d.breach(0))
	d.answer.BestKnown = clone(d.points[d.best])
	if !d.limitsCanBeJudged() {
		return
	}
	d.choose()
}

// nothingKnown holds for an ore without a result, and says what would help.
func (d *decision) nothingKnown() {
	switch n := len(d.chosen.Waiting); {
	case n > 0:
		d.because("Hold: no result of %s is back yet; %s at the laboratory.", d.source, count(n, "run is", "runs are"))
		d.because("Wait for run %s%s before anything is changed.", d.chosen.Waiting[0].ID, due(d.chosen.Waiting[0]))
	default:
		d.because("Hold: no run of %s has been measured, so nothing is known of how it answers to the settings.", d.source)
		d.because("What would help most: two sampled runs at the present setting (%s), then one with a single small change.", place(d.p.Settings, d.present))
	}
	if n := len(d.chosen.Others); n > 0 {
		d.because("%s of other ores %s; another ore's best setting is not this ore's, so they are not used to move.", count(n, "run", "runs"), isAre(n))
	}
	d.withhold("Any change: there is no result of this ore to judge its risk by.")
	for _, s := range d.p.Settings {
		if reachOf(s, d.present[s.Name]).outside() {
			d.withhold("%s stands at %s, outside %s to %s: bring it back by hand.", sentence(words(s.Name)), quantity(s, d.present[s.Name]), trim(s.Min), quantity(s, s.Max))
		}
	}
	d.answer.WorthTesting = Worth{}
}

func isAre(n int) string {
	if n == 1 {
		return "is there"
	}
	return "are there"
}

func due(r runs.Run) string {
	if r.Due == "" {
		return ""
	}
	return " (due " + r.Due + ")"
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// layOut lists the points and asks the models for their joint beliefs.
func (d *decision) layOut() {
	d.points = []map[string]float64{d.present}
	d.untriedPresent = true
	for _, at := range d.recovery.Visited() {
		if same(d.p.Settings, at, d.present) {
			d.untriedPresent = false
			continue
		}
		if fit.Inside(d.p.Settings, at) {
			d.points = append(d.points, d.snap(at))
		}
	}
	d.tried = len(d.points) - 1
	d.waitingAt = len(d.points)
	for _, w := range d.chosen.Waiting {
		d.points = append(d.points, w.Settings)
	}
	d.first = len(d.points)
	// The tried settings worth stepping towards are those with the highest means.
	j := d.objectiveModel().At(d.points[:d.waitingAt])
	order := make([]int, d.waitingAt)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case j.Mean(a) > j.Mean(b):
			return -1
		case j.Mean(a) < j.Mean(b):
			return 1
		}
		return 0
	})
	var targets []map[string]float64
	for _, i := range order[:min(len(order), targetsTried)] {
		targets = append(targets, d.points[i])
	}
	var why string
	if d.cands, why = candidates(d.p, d.present, targets); why != "" {
		d.withhold("%s", sentence(why))
	}
	for _, c := range d.cands {
		d.points = append(d.points, c.settings)
	}
	for _, s := range d.p.Settings {
		d.reach = append(d.reach, reachOf(s, d.present[s.Name]))
	}
	d.rec = d.recovery.At(d.points)
	if d.grade.Runs > 0 {
		d.grd = d.grade.At(d.points)
	}
	switch m := d.objectiveModel(); m {
	case d.recovery:
		d.obj = d.rec
	case d.grade:
		d.obj = d.grd
	default:
		d.obj = m.At(d.points)
	}
	n := float64(d.recovery.Runs)
	d.horizon = math.Max(1, horizonStart*math.Exp(-n/horizonRuns))
	d.noise = d.objectiveModel().RunSE * d.objectiveModel().RunSE
	d.conditionOnWaiting()
	d.best = d.bestKnown()
}

// objectiveModel is the model of what is sought, or that of recovery where nothing
// of the former is known.
func (d *decision) objectiveModel() *fit.Model {
	if d.objective.Runs == 0 {
		return d.recovery
	}
	return d.objective
}

// snap moves a tried setting onto the grids, as it would be set today.
func (d *decision) snap(at map[string]float64) map[string]float64 {
	out := make(map[string]float64, len(at))
	for _, s := range d.p.Settings {
		if s.Resolution > 0 {
			out[s.Name] = fit.OnGrid(s, fit.Step(s, at[s.Name]))
		} else {
			out[s.Name] = at[s.Name]
		}
	}
	return out
}

func same(settings []plant.Setting, a, b map[string]float64) bool {
	for _, s := range settings {
		if math.Abs(a[s.Name]-b[s.Name]) > 0.5*fit.Resolution(s) {
			return false
		}
	}
	return true
}

// conditionOnWaiting prepares the covariances as they will be when the waiting
// results are back: their settings count, their results are not guessed at.
func (d *decision) conditionOnWaiting() {
	n := len(d.chosen.Waiting)
	if n == 0 {
		return
	}
	k := mat.NewSymDense(n, nil)
	for a := range n {
		for b := a; b < n; b++ {
			k.SetSym(a, b, d.obj.Cov(d.waitingAt+a, d.waitingAt+b))
		}
		k.SetSym(a, a, k.At(a, a)+d.noise)
	}
	d.waitLower = new(mat.Cholesky)
	if !d.waitLower.Factorize(k) {
		d.waitLower = nil
		return
	}
	var lower mat.TriDense
	d.waitLower.LTo(&lower)
	for i := range d.points {
		row := make([]float64, n)
		for a := range n {
			v := d.obj.Cov(i, d.waitingAt+a)
			for b := range a {
				v -= lower.At(a, b) * row[b]
			}
			row[a] = v / lower.At(a, a)
		}
		d.waitCov = append(d.waitCov, row)
	}
}

// cov is the objective's covariance, waiting results counted as known.
func (d *decision) cov(a, b int) float64 {
	c := d.obj.Cov(a, b)
	if d.waitCov != nil {
		for i := range d.waitCov[a] {
			c -= d.waitCov[a][i] * d.waitCov[b][i]
		}
	}
	return c
}

// bestKnown is the tried setting (or the present one) with the highest cautious
// value whose chance of a breach of the standing limits is small; if none is sound,
// the soundest. Only runs with a result make a setting tried.
func (d *decision) bestKnown() int {
	top, topValue, sound := 0, math.Inf(-1), 0
	least := math.Inf(1)
	found := false
	for i := range d.waitingAt {
		if !d.mayBeBest(i) {
			continue
		}
		b := d.standingBreach(i)
		if b < least {
			least, sound = b, i
		}
		if b > math.Max(soundEnough, d.p.Objective.RiskTolerated) {
			continue
		}
		m, s := d.obj.Diff(i, 0)
		if v := m - caution*s; v > topValue+1e-9 {
			top, topValue, found = i, v, true
		}
	}
	if !found {
		return sound
	}
	return top
}

// mayBeBest is false outside the bounds, where no result has come in, and where a
// single odd result is all that speaks for a setting: luck is never followed.
func (d *decision) mayBeBest(i int) bool {
	if !fit.Inside(d.p.Settings, d.points[i]) {
		return false
	}
	if i == 0 && d.tried == 0 {
		return true // nothing else to choose from
	}
	for _, r := range d.chosen.Used {
		if same(d.p.Settings, r.Settings, d.points[i]) && !slices.Contains(d.recovery.Suspect, r.ID) {
			return true
		}
	}
	return false
}

// breach is the chance that a limit is broken at a point: a drop of recovery beyond
// what is tolerated below the present setting's, or a standing limit.
func (d *decision) breach(i int) float64 {
	if b, ok := d.breachCache[i]; ok {
		return b
	}
	b := 1 - (1-d.dropChance(i))*(1-d.standingBreach(i))
	d.breachCache[i] = b
	return b
}

func (d *decision) dropChance(i int) float64 {
	if i == 0 {
		return 0
	}
	m, s := d.rec.Diff(i, 0)
	return below(-d.p.Objective.RecoveryDropTolerated, m, s)
}

// standingBreach is the chance that a floor or ceiling is broken at a point, whatever
// the present setting gives: grade floor, recovery floor, mass pull.
func (d *decision) standingBreach(i int) float64 {
	kept := 1.0
	for _, l := range d.standing(i) {
		kept *= 1 - below(l.limit, l.mean, l.sd)
	}
	return 1 - kept
}

// limit is a floor and the belief about what must stay above it; of is the response
// that it mainly follows.
type limit struct {
	limit, mean, sd float64
	of              *fit.Joint
}

// standing lists the plant file's floors and ceilings at a point, each as a floor:
// grade in 100 ln(grade unit), recovery in percent, mass pull as 100 ln of its inverse.
func (d *decision) standing(i int) []limit {
	var all []limit
	if f := d.floor; f != nil && *f > 0 && d.grd != nil {
		all = append(all, limit{100 * math.Log(*f), d.grd.Mean(i), d.grd.SD(i), d.grd})
	}
	if f := d.p.Objective.MinRecovery; f != nil {
		all = append(all, limit{*f, d.rec.Mean(i), d.rec.SD(i), d.rec})
	}
	if most := d.p.Objective.MaxMassPull; most != nil && d.grd != nil && *most > 0 {
		if head := fit.HeadGrade(d.p, d.source); head > 0 {
			// 100 ln Y = 100 ln(R/100) + 100 ln f - 100 ln c; R and c are taken as independent.
			r := math.Max(1, d.rec.Mean(i))
			m := 100*math.Log(r/100*head) - d.grd.Mean(i)
			all = append(all, limit{-100 * math.Log(*most), -m, math.Hypot(100*d.rec.SD(i)/r, d.grd.SD(i)), d.grd})
		}
	}
	return all
}

// below is the chance that a normal value lies below a limit.
func below(limit, mean, sd float64) float64 {
	if sd < 1e-12 {
		if mean < limit {
			return 1
		}
		return 0
	}
	return distuv.UnitNormal.CDF((limit - mean) / sd)
}

// limitsCanBeJudged withholds every change while a limit of the plant file cannot be
// checked, or while what is sought is not measured.
func (d *decision) limitsCanBeJudged() bool {
	o := d.p.Objective
	var missing []string
	if d.floor != nil && *d.floor > 0 && d.grd == nil {
		missing = append(missing, "no run of this ore has a concentrate grade, so the floor on the grade cannot be judged: have the concentrate assayed")
	}
	if o.MaxMassPull != nil && (d.grd == nil || fit.HeadGrade(d.p, d.source) <= 0) {
		// A ceiling on the mass pull guards the cost of cleaning a poor concentrate; without
		// it there is still the floor on the grade. So the advice goes on and says what it
		// cannot watch, instead of falling silent for a figure that nobody has entered.
		d.withhold("The ceiling on the mass pull: it cannot be watched without the concentrate grade of the runs and the head_grade of the ore source.")
	}
	if d.objective.Runs == 0 {
		what := "concentrate grades of the runs"
		if o.Maximise == plant.MaximiseSeparationEfficiency {
			what += " and the head_grade of the ore source"
		}
		missing = append(missing, fmt.Sprintf("what is sought (%s) cannot be worked out without %s", words(o.Maximise), what))
	}
	for _, m := range missing {
		d.withhold("Any change: %s.", m)
	}
	if len(missing) > 0 {
		d.because("Hold: a limit or the aim of the plant file cannot be judged from these runs.")
		d.answer.BestKnown = clone(d.present)
	}
	return len(missing) == 0
}

func ptr[T any](v T) *T { return &v }
