package advise

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"decktrim/internal/fit"
	"decktrim/internal/plant"
)

// judged is a candidate with what is expected of it.
type judged struct {
	i            int // point
	c            candidate
	gain, gainSD float64 // objective, against the present setting
	chance       float64 // of a gain
	breach       float64
	lesson       float64 // expected rise of the best cautious value by one run there
	score        float64
}

// nodes are the midpoints of equal parts of the normal distribution, for the mean
// over a result that is not known yet.
var nodes = func() []float64 {
	z := make([]float64, 16)
	for i := range z {
		z[i] = distuv.UnitNormal.Quantile((float64(i) + 0.5) / float64(len(z)))
	}
	return z
}()

// lessons gives, for a point, how much one run there is expected to raise the
// cautious value of the best setting that is open by then (the knowledge
// gradient): E[max after] - max now. Waiting results count as known in the
// covariance alone.
func (d *decision) lessons() func(i int) float64 {
	var tried []int
	for t := range d.waitingAt {
		if t == d.best || (d.mayBeBest(t) && d.standingBreach(t) <= math.Max(soundEnough, d.p.Objective.RiskTolerated)) {
			tried = append(tried, t)
		}
	}
	// A run also teaches of the settings one whole move further on, which may be
	// taken next: one in each direction of each setting.
	for k, c := range d.cands {
		if i := d.first + k; c.asMove && d.outermost(c) && d.standingBreach(i) <= math.Max(soundEnough, d.p.Objective.RiskTolerated) {
			tried = append(tried, i)
		}
	}
	value := make([]float64, len(tried))
	top := math.Inf(-1)
	sdToBest := func(i, seenAt int) float64 { // of the difference to the best-known, after a run at seenAt
		v := d.cov(i, i) + d.cov(d.best, d.best) - 2*d.cov(i, d.best)
		if seenAt >= 0 {
			c := d.cov(i, seenAt) - d.cov(d.best, seenAt)
			v -= c * c / (d.cov(seenAt, seenAt) + d.noise)
		}
		return math.Sqrt(math.Max(0, v))
	}
	for k, t := range tried {
		value[k] = d.obj.Mean(t) - caution*sdToBest(t, -1)
		top = math.Max(top, value[k])
	}
	slope := make([]float64, len(tried))
	return func(i int) float64 {
		total := math.Sqrt(math.Max(1e-12, d.cov(i, i)) + d.noise)
		for k, t := range tried {
			slope[k] = d.cov(t, i) / total
		}
		own, ownSlope := d.obj.Mean(i)-caution*sdToBest(i, i), math.Max(0, d.cov(i, i))/total
		sum := 0.0
		for _, z := range nodes {
			m := own + ownSlope*z
			for k := range tried {
				m = math.Max(m, value[k]+slope[k]*z)
			}
			sum += m
		}
		return math.Max(0, sum/float64(len(nodes))-top)
	}
}

func (d *decision) choose() {
	lesson := d.lessons()
	var list []judged
	for k, c := range d.cands {
		j := judged{i: d.first + k, c: c}
		j.gain, j.gainSD = d.obj.Diff(j.i, 0)
		j.chance = 1 - below(0, j.gain, j.gainSD)
		j.breach = d.breach(j.i)
		j.lesson = lesson(j.i)
		_, s := d.obj.Diff(j.i, d.best)
		j.score = j.gain - caution*s + d.horizon*j.lesson
		list = append(list, j)
	}
	risk := d.p.Objective.RiskTolerated
	se := d.objectiveModel().RunSE
	var move, test, lure *judged
	for k := range list {
		j := &list[k]
		if j.breach > risk {
			if j.gain > 0 && (lure == nil || j.gain > lure.gain) {
				lure = j
			}
			continue
		}
		if d.creeps(j.i) {
			d.crept = true
			continue
		}
		if j.c.asMove && j.chance >= d.chanceNeeded(j) && j.gain >= leastGain*se && (move == nil || j.score > move.score) {
			move = j
		}
		if j.c.asTest && !d.isWaiting(j.c.settings) && (test == nil || j.score > test.score) {
			test = j
		}
	}
	if move == nil {
		move = d.return2best(list)
	}
	d.worth(test)
	testable := test != nil && d.answer.WorthTesting.Answer && d.consents()
	switch {
	case d.mustComeInside(list):
	case move != nil && (!testable || move.score >= test.score || move.gain-caution*move.gainSD > 0):
		d.move(move)
	case testable && test.score > 0:
		d.test(test)
	case d.restore(list):
	default:
		d.hold(test, lesson)
	}
	d.common(lure)
}

// creeps guards against walking off step by step on settings that have no result
// yet: while the present setting has none, a step must lie within one move of a
// setting that has, and keep the tolerated drop below the best-known one too. A cliff
// is not seen before its result is back.
func (d *decision) creeps(i int) bool {
	if !d.untriedPresent || d.tried == 0 {
		return false
	}
	m, s := d.rec.Diff(i, d.best)
	if below(-d.p.Objective.RecoveryDropTolerated, m, s) > d.p.Objective.RiskTolerated {
		return true
	}
	for t := range d.tried {
		near := true
		for _, s := range d.p.Settings {
			near = near && (s.MaxMove <= 0 || math.Abs(d.points[1+t][s.Name]-d.points[i][s.Name]) <= s.MaxMove*(1+1e-9))
		}
		if near {
			return false
		}
	}
	return true
}

// outermost is true for a full move of one setting alone.
func (d *decision) outermost(c candidate) bool {
	if len(c.changed) != 1 {
		return false
	}
	for k, s := range d.p.Settings {
		if s.Name == c.changed[0] {
			m := d.reach[k].move
			return len(m) > 0 && (c.settings[s.Name] == m[0] || c.settings[s.Name] == m[len(m)-1])
		}
	}
	return false
}

// chanceNeeded is lower for settings that were tried: their own results speak.
func (d *decision) chanceNeeded(j *judged) float64 {
	for t := range d.tried {
		if same(d.p.Settings, d.points[1+t], j.c.settings) {
			return gainForReturn
		}
	}
	return gainForMove
}

// isWaiting is true within one resolution step, in every setting, of a run at the
// laboratory: it is not tested again.
func (d *decision) isWaiting(at map[string]float64) bool {
	for _, w := range d.chosen.Waiting {
		close := true
		for _, s := range d.p.Settings {
			close = close && math.Abs(w.Settings[s.Name]-at[s.Name]) <= fit.Resolution(s)*(1+1e-6)
		}
		if close {
			return true
		}
	}
	return false
}

func (d *decision) consents() bool {
	return d.ore.OwnerConsentsToTests == nil || *d.ore.OwnerConsentsToTests
}

// return2best undoes a test: where the plant stands at a setting without a result,
// a step towards the best-known one needs no proof of gain, only that it is not
// expected to lose and that less is at stake there.
func (d *decision) return2best(list []judged) *judged {
	if !d.untriedPresent || d.best == 0 {
		return nil
	}
	target := d.points[d.best]
	_, atStake := d.obj.Diff(0, d.best)
	var back *judged
	far := d.distance(d.present, target)
	for k := range list {
		j := &list[k]
		dist := d.distance(j.c.settings, target)
		_, s := d.obj.Diff(j.i, d.best)
		if j.c.asMove && j.breach <= d.p.Objective.RiskTolerated && j.chance >= 0.5 && dist < far-1e-9 && s < atStake {
			far, back = dist, j
		}
	}
	return back
}

// distance in parts of the settings' ranges.
func (d *decision) distance(a, b map[string]float64) float64 {
	sum := 0.0
	for _, s := range d.p.Settings {
		sum += math.Abs(a[s.Name]-b[s.Name]) / (s.Max - s.Min)
	}
	return sum
}

// worth compares a test's benefit with its cost, in money where the plant file has
// prices, tonnes and grade, else in points.
func (d *decision) worth(test *judged) {
	w := &d.answer.WorthTesting
	if test == nil {
		w.Cost = d.assayCost()
		if w.Cost != nil && d.metalLeft() != nil {
			w.GainValue = ptr(0.0)
		}
		return
	}
	lost, _ := d.rec.Diff(d.best, test.i)
	lost = math.Max(0, lost)
	left, cost := d.metalLeft(), d.assayCost()
	if left != nil && cost != nil && d.objectiveModel() == d.recovery {
		*cost += lost / 100 * d.metalPerTonne() * d.p.Mill.NominalFeed * hoursOfATest
		w.GainValue, w.Cost = ptr(*left*test.lesson/100), cost
		w.Answer = *w.GainValue > *w.Cost
		return
	}
	w.Cost = cost
	gain, _ := d.obj.Diff(d.best, test.i)
	w.Answer = d.horizon*test.lesson-math.Max(0, gain) > leastLesson*math.Max(1, d.objectiveModel().RunSE/2)
}

// metalPerTonne is the money in a tonne of feed; 0 if not known. Grade in g/t, or
// in percent (10,000 g/t) or oz/short ton (34.2857 g/t).
func (d *decision) metalPerTonne() float64 {
	if d.p.Value == nil || d.ore.HeadGrade == nil {
		return 0
	}
	g := *d.ore.HeadGrade
	switch d.p.Objective.GradeUnit {
	case "%":
		g *= 1e4
	case "oz/short ton":
		g *= 34.2857142857
	}
	return g * d.p.Value.MetalPrice
}

func (d *decision) metalLeft() *float64 {
	if d.ore.TonnesLeft == nil || d.metalPerTonne() <= 0 {
		return nil
	}
	return ptr(*d.ore.TonnesLeft * d.metalPerTonne())
}

func (d *decision) assayCost() *float64 {
	if d.p.Value == nil || d.p.Value.AssaysPerRun == 0 {
		return nil
	}
	return ptr(float64(d.p.Value.AssaysPerRun) * d.p.Value.AssayCost)
}

// take writes a chosen candidate into the answer.
func (d *decision) take(action string, j *judged) {
	a := &d.answer
	a.Action, a.Settings, a.Changed = action, clone(j.c.settings), j.c.changed
	a.RecoveryNext = d.rec.Interval(j.i)
	gain, sd := d.rec.Diff(j.i, 0)
	a.RecoveryGain = fit.Interval{Mean: ptr(gain), Lower: ptr(gain - 1.96*sd), Upper: ptr(gain + 1.96*sd)}
	if d.grd != nil {
		a.GradeNext = d.grd.Interval(j.i)
	}
	a.ProbabilityOfGain, a.ProbabilityOfBreach = ptr(j.chance), ptr(j.breach)
}

func (d *decision) move(j *judged) {
	d.take(Move, j)
	back := d.untriedPresent && d.best != 0
	if d.obj.Mean(j.i) >= d.obj.Mean(d.best) {
		d.answer.BestKnown = clone(j.c.settings)
	}
	d.because("Try %s, and leave it there.", change(d.p.Settings, d.present, j.c.settings, j.c.changed))
	if back && j.chance < gainForReturn {
		d.because("The present setting has no result of its own yet; this goes back towards the best-known setting (%s).", place(d.p.Settings, d.points[d.best]))
	}
	d.expectation(j)
}

func (d *decision) test(j *judged) {
	d.take(Test, j)
	d.because("Test %s for one sampled run, then look again.", change(d.p.Settings, d.present, j.c.settings, j.c.changed))
	d.expectation(j)
	if w := d.answer.WorthTesting; w.GainValue != nil {
		d.because("What the test should teach is worth about %.0f against a cost of %.0f.", *w.GainValue, *w.Cost)
	} else {
		d.because("It would teach most about where the best setting lies; no lasting change is meant.")
	}
	if d.ore.OwnerConsentsToTests == nil {
		d.because("The plant file does not say whether the owner of this ore agrees to tests: ask first.")
	}
	d.because("Until its result is back, the best-known setting stays %s.", place(d.p.Settings, d.answer.BestKnown))
}

// expectation says gain, chance and risk in words.
func (d *decision) expectation(j *judged) {
	lo, hi := j.gain-1.96*j.gainSD, j.gain+1.96*j.gainSD
	switch d.objectiveModel() {
	case d.grade:
		ratio := func(v float64) float64 { return 100 * (math.Exp(v/100) - 1) }
		d.because("Concentrate grade likely %+.0f %% of itself (between %+.0f and %+.0f).", ratio(j.gain), ratio(lo), ratio(hi))
	case d.recovery:
		d.because("Recovery likely %+.1f points (between %+.1f and %+.1f); chance that it is better than now %s.", j.gain, lo, hi, percent(j.chance))
	default:
		d.because("Separation efficiency likely %+.1f points (between %+.1f and %+.1f).", j.gain, lo, hi)
	}
	d.because("Chance of losing more than %s points of recovery %s, of breaking any limit %s; tolerated is %s.",
		trim(d.p.Objective.RecoveryDropTolerated), percent(d.dropChance(j.i)), percent(j.breach), percent(d.p.Objective.RiskTolerated))
}

// mustComeInside answers for a plant that stands outside its bounds: the best of
// the moves that bring it inside within the tolerated risk.
func (d *decision) mustComeInside(list []judged) bool {
	if fit.Inside(d.p.Settings, d.present) || len(list) == 0 {
		return false
	}
	var best *judged
	for k := range list {
		j := &list[k]
		if j.c.asMove && j.breach <= d.p.Objective.RiskTolerated && (best == nil || len(j.c.changed) < len(best.c.changed) || (len(j.c.changed) == len(best.c.changed) && j.score > best.score)) {
			best = j
		}
	}
	if best == nil {
		d.because("Hold: the plant stands outside its bounds, and every move inside risks more than is tolerated. Bring it back by hand.")
		return true
	}
	d.move(best)
	d.because("The plant stands outside what the plant file allows; this brings it inside.")
	return true
}

// restore looks for a way back where the present setting itself is likely to break a
// standing limit and nothing passes: the step that shortens what is missing most
// without risking recovery.
func (d *decision) restore(list []judged) bool {
	risk := d.p.Objective.RiskTolerated
	now := d.standingBreach(0)
	if now <= math.Max(risk, soundEnough) {
		return false
	}
	const worthwhile = 1.0 // points, or percent of the grade
	var best *judged
	least := d.missing(0) - worthwhile
	for k := range list {
		j := &list[k]
		if !j.c.asMove || d.dropChance(j.i) > risk || d.standingBreach(j.i) > now || !d.surelyNearer(j.i) {
			continue
		}
		if short := d.missing(j.i); short < least {
			least, best = short, j
		}
	}
	if best == nil {
		return false
	}
	d.move(best)
	d.because("The present setting breaks a floor or ceiling of the plant file with a chance of %s; this goes the way back (then %s). No setting within one move is sure to keep it.", percent(now), percent(d.standingBreach(best.i)))
	return true
}

// surelyNearer asks more of a way back than a likely gain: that what the present
// setting lacks most is closed by more than one sd of the difference. Where a limit is
// out of this ore's reach altogether, nothing is moved for its sake.
func (d *decision) surelyNearer(i int) bool {
	here, there := d.standing(0), d.standing(i)
	worst := 0
	for k, l := range here {
		if l.limit-l.mean > here[worst].limit-here[worst].mean {
			worst = k
		}
	}
	_, sd := here[worst].of.Diff(i, 0)
	return there[worst].mean-here[worst].mean > sd
}

// missing is how far a point lies from keeping every standing limit by one sd:
// points of recovery and percent of grade and mass pull, added.
func (d *decision) missing(i int) float64 {
	short := 0.0
	for _, l := range d.standing(i) {
		short += math.Max(0, l.limit+l.sd-l.mean)
	}
	return short
}

func (d *decision) hold(test *judged, lesson func(int) float64) {
	d.because("Hold at %s.", place(d.p.Settings, d.present))
	n := d.recovery.Runs
	w := d.answer.WorthTesting
	switch {
	case len(d.cands) == 0:
		d.because("No setting can be changed within the bounds from here.")
	case test == nil && d.crept:
		d.because("No step further before its result: the present setting has not been measured yet.")
	case test == nil:
		d.because("Every change within reach risks breaking a limit with a chance above the tolerated %s.", percent(d.p.Objective.RiskTolerated))
	case !d.consents() && w.Answer:
		d.because("No change is likely enough to gain; a test would be worth it, but the owner of this ore has not agreed to tests.")
	case w.GainValue != nil && !w.Answer:
		d.because("Not worth testing: what a test should teach is worth about %.0f, and it costs %.0f.", *w.GainValue, *w.Cost)
	default:
		d.because("No setting within one move is likely enough to be better, and no test would teach enough.")
	}
	if len(d.answer.Waiting) > 0 {
		d.because("Look again when run %s is back%s.", d.chosen.Waiting[0].ID, due(d.chosen.Waiting[0]))
	}
	if d.best != 0 {
		d.because("The best-known setting is %s; it cannot be shown to be better than the present one with these runs.", place(d.p.Settings, d.points[d.best]))
	}
	if here := lesson(0); test == nil || here > test.lesson {
		d.because("What would help most: another sampled run at the present setting.")
	} else {
		d.because("What would help most: a sampled run with %s, or a block of paired runs (plan).", change(d.p.Settings, d.present, test.c.settings, test.c.changed))
	}
	if n < 5 {
		d.because("Only %s of this ore so far.", count(n, "run", "runs"))
	}
}

// common adds what every answer says.
func (d *decision) common(lure *judged) {
	a := &d.answer
	d.because("%s evidence: %s of %s.", sentence(evidence(a.RecoveryNext)), count(d.recovery.Runs, "run", "runs"), d.source)
	if s := d.recovery.Sharing; d.recovery.Others > 0 && s > 0.05 {
		d.because("%s of other ores count for the shape of the answer at about %.0f %%, as far as they agree; this ore has its own level.", count(d.recovery.Others, "run", "runs"), 100*s)
	} else if d.recovery.Others > 0 {
		d.because("Runs of other ores do not agree with this one and are not used.")
	}
	if lure != nil && (a.Action == Hold || lure.gain > 0.5) {
		d.withhold("%s: its chance of breaking a limit is %s, above the tolerated %s.", sentence(change(d.p.Settings, d.present, lure.c.settings, lure.c.changed)), percent(lure.breach), percent(d.p.Objective.RiskTolerated))
	}
	if d.crept {
		d.withhold("Steps more than one move from any setting with a result: wait for the laboratory.")
	}
	if !d.consents() {
		d.withhold("Tests: the owner of this ore has not agreed to them.")
	}
	for _, s := range d.p.Settings {
		v := a.Settings[s.Name]
		if step := fit.Step(s, v); v <= s.Min || v >= s.Max || (step == fit.Steps(s) && s.Resolution > 0 && v >= fit.OnGrid(s, step)) {
			d.because("%s stands at the end of what the plant file allows (%s to %s).", sentence(words(s.Name)), trim(s.Min), quantity(s, s.Max))
		}
	}
	d.movedTogether()
	if d.p.Objective.Maximise == plant.MaximiseValue {
		d.because("Value is taken as the price of the metal recovered, so it rises and falls with recovery.")
	}
}

// movedTogether names settings that were always moved together.
func (d *decision) movedTogether() {
	var pairs []string
	for i, a := range d.p.Settings {
		for _, b := range d.p.Settings[i+1:] {
			if math.Abs(fit.Correlation(d.chosen.Used, a.Name, b.Name)) > 0.8 {
				pairs = append(pairs, fmt.Sprintf("%s and %s", words(a.Name), words(b.Name)))
			}
		}
	}
	if len(pairs) > 0 {
		d.because("So far %s were moved together, so their effects can hardly be told apart: a change of one alone teaches most.", strings.Join(pairs, "; "))
	}
}

// suspects names runs that disagree with the rest; they count less, and are never
// dropped.
func (d *decision) suspects() {
	seen := map[string]bool{}
	for _, m := range []*fit.Model{d.recovery, d.grade, d.objective} {
		for _, id := range m.Suspect {
			if !seen[id] {
				seen[id] = true
				d.answer.SuspectRuns = append(d.answer.SuspectRuns, id)
			}
		}
	}
	if n := len(d.answer.SuspectRuns); n > 0 {
		d.because("Run %s does not agree with the others; it counts less until a second assay or a repeat confirms it.", strings.Join(d.answer.SuspectRuns, ", "))
	}
}
