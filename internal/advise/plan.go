package advise

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"decktrim/internal/fit"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// What a run takes; our assumptions, printed with every plan.
const (
	settlingHours  = 0.25 // after a change, before a sample means something
	samplingHours  = 1.0
	confidence     = 0.95 // one-sided
	power          = 0.8
	leastBlock     = 4
	assumedSE      = 1.5  // points, where no run says
	leastPlanValue = 0.05 // expected points kept, where no prices are known
)

// Plan is a trial of paired runs: the present setting (A) against one other (B), in
// blocks inside lots, so that what the lot brought and a straight drift in it cancel.
type Plan struct {
	Source       string             `json:"source"`
	Count        int                `json:"count"` // runs asked for
	Runs         []PlannedRun       `json:"runs"`  // none where it is not worth testing
	A            map[string]float64 `json:"a"`     // the present setting
	B            map[string]float64 `json:"b"`     // null where there is nothing to test
	Changed      []string           `json:"changed"`
	Gain         fit.Interval       `json:"gain"`          // expected gain of B over A, points (percent of itself for a grade); null without runs
	SmallestGain *Detectable        `json:"smallest_gain"` // what the trial could show
	Cost         *float64           `json:"cost"`          // money: assays and what the runs at B may lose
	Hours        float64            `json:"hours"`
	Tonnes       *float64           `json:"tonnes"`
	Lots         *int               `json:"lots"` // lots it needs, with --lot
	WorthTesting Worth              `json:"worth_testing"`
	Reasons      []string           `json:"reasons"`
	Withheld     []string           `json:"withheld"`
}

// PlannedRun is one run of a plan, in the order to be done.
type PlannedRun struct {
	Block    string             `json:"block"`
	Lot      int                `json:"lot"` // counted from 1
	Arm      string             `json:"arm"` // A or B
	Settings map[string]float64 `json:"settings"`
}

// Detectable is the smallest gain that a trial would show.
type Detectable struct {
	Points     float64 `json:"points"`
	Pairs      int     `json:"pairs"`
	SD         float64 `json:"sd_of_difference"` // points
	Confidence float64 `json:"confidence"`
	Power      float64 `json:"power"`
}

// PlanOptions say how many runs, for which ore, and how large a lot is (t; 0: not
// said).
type PlanOptions struct {
	Source    string
	Count     int
	LotTonnes float64
	At        map[string]float64
}

// MakePlan plans paired runs, or says why not. An error says what is wrong with the
// input.
func MakePlan(p *plant.Plant, all []runs.Run, o PlanOptions) (Plan, error) {
	if err := fit.CheckSettings(p); err != nil {
		return Plan{}, err
	}
	if o.Source == "" {
		return Plan{}, fmt.Errorf("no ore source is named: say which ore the plan is for")
	}
	if o.Count < leastBlock || o.Count > 400 {
		return Plan{}, fmt.Errorf("a plan of %d runs cannot be made: paired runs come in blocks of 4 or more, so ask for 4 to 400", o.Count)
	}
	if o.LotTonnes < 0 || math.IsNaN(o.LotTonnes) || math.IsInf(o.LotTonnes, 0) {
		return Plan{}, fmt.Errorf("a lot of %g t cannot be: give its tonnes", o.LotTonnes)
	}
	if err := checkRuns(all); err != nil {
		return Plan{}, err
	}
	present, err := Present(p, all, o.At)
	if err != nil {
		return Plan{}, err
	}
	m := &planner{d: newDecision(p, all, o.Source, present), o: o}
	m.plan = Plan{Source: o.Source, Count: o.Count, Runs: []PlannedRun{}, A: clone(present), Changed: []string{}, Reasons: []string{}, Withheld: []string{}}
	m.make()
	return m.plan, nil
}

type planner struct {
	d    *decision
	o    PlanOptions
	plan Plan
}

func (m *planner) because(format string, args ...any) {
	m.plan.Reasons = append(m.plan.Reasons, fmt.Sprintf(format, args...))
}

func (m *planner) make() {
	p, d, pl := m.d.p, m.d, &m.plan
	blocks, left := blockSizes(m.o.Count, 8)
	perRun := p.Mill.NominalFeed * (settlingHours + samplingHours)
	perLot := 0
	if m.o.LotTonnes > 0 {
		if perRun <= 0 {
			m.because("The plant file gives no nominal_feed, so how many runs a lot holds is not known; each block is taken as one lot.")
		} else {
			perLot = int(m.o.LotTonnes / perRun)
			if perLot < leastBlock {
				m.because("Not worth testing: a lot of %s t holds %s of %.1f t, and a block of paired runs needs 4 inside one lot.", trim(m.o.LotTonnes), count(perLot, "run", "runs"), perRun)
				return
			}
			blocks, left = blockSizes(m.o.Count, perLot)
		}
	}
	n := 0
	for _, b := range blocks {
		n += b
	}
	pairs := n / 2
	if left > 0 {
		m.because("%s of %d %s not planned: pairs come whole, in blocks of 4 to 8 inside one lot.", count(left, "run", "runs"), m.o.Count, isAre1(left))
	}
	pl.Hours = float64(n) * (settlingHours + samplingHours)
	if perRun > 0 {
		pl.Tonnes = ptr(perRun * float64(n))
	}
	se := assumedSE
	if d.recovery.Runs > 0 {
		se = d.recovery.RunSE
	}
	sd := math.Sqrt2 * se
	pl.SmallestGain = &Detectable{Points: SmallestGain(pairs, confidence, power) * sd, Pairs: pairs, SD: sd, Confidence: confidence, Power: power}
	b, value := m.chooseB(pairs, sd)
	if b == nil {
		return
	}
	pl.B, pl.Changed = clone(b.settings), b.changed
	m.because("A is the present setting (%s); B is %s.", place(p.Settings, d.present), change(p.Settings, d.present, b.settings, b.changed))
	m.because("With a run s.e. of %.1f points, %d pairs show a gain of %.1f points or more (one-sided %.0f %%, power %.0f %%); a smaller one may stay unseen.", se, pairs, pl.SmallestGain.Points, 100*confidence, 100*power)
	m.because("It takes about %.0f h: each run %.0f min to settle and %.0f min to sample (our assumption).", pl.Hours, 60*settlingHours, 60*samplingHours)
	if !m.worth(n, value) {
		return
	}
	m.lay(blocks, perLot)
}

func isAre1(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// blockSizes cuts n runs into blocks of 4, the last of 6 where 2 are over and the
// lot holds them; left are runs that make no pair or no block.
func blockSizes(n, most int) (blocks []int, left int) {
	left = n % 4
	for range n / 4 {
		blocks = append(blocks, 4)
	}
	if left >= 2 && most >= 6 {
		blocks[len(blocks)-1] = 6
		left -= 2
	}
	return blocks, left
}

// chooseB picks the setting whose paired trial is expected to keep most, points:
// E[max(0, gain after)] - max(0, gain now), among those a test may use within the
// tolerated risk. Without runs of the ore nothing tells the risk, so it takes half a
// test step of the first setting towards the middle of its range.
func (m *planner) chooseB(pairs int, sd float64) (*candidate, float64) {
	d, p := m.d, m.d.p
	if d.recovery.Runs == 0 {
		for _, s := range p.Settings {
			r := reachOf(s, d.present[s.Name])
			if len(r.test) == 0 || r.outside() {
				continue
			}
			middle := (s.Min + s.Max) / 2
			most := 0.0
			for _, v := range r.test {
				if (v-r.present)*(middle-r.present) >= 0 {
					most = math.Max(most, math.Abs(v-r.present))
				}
			}
			target := r.present + math.Copysign(most/2, middle-r.present)
			at := clone(d.present)
			at[s.Name] = nearest(r.test, target)
			m.because("No run of %s is known, so its risk cannot be judged; B is half a test step of one setting, towards the middle of its range.", m.o.Source)
			return &candidate{settings: at, changed: []string{s.Name}, asTest: true}, math.NaN()
		}
		m.because("Nothing can be tested: no setting has a test step inside its bounds.")
		return nil, 0
	}
	d.layOut()
	if !d.limitsCanBeJudged() {
		m.plan.Withheld = append(m.plan.Withheld, d.answer.Withheld...)
		m.because("No plan: a limit of the plant file cannot be judged from these runs.")
		return nil, 0
	}
	var best *candidate
	top := -1.0
	for k := range d.cands {
		i, c := d.first+k, &d.cands[k]
		if !c.asTest || d.isWaiting(c.settings) || d.breach(i) > p.Objective.RiskTolerated {
			continue
		}
		mean, s := d.obj.Diff(i, 0)
		v := math.Max(0, d.cov(i, i)+d.cov(0, 0)-2*d.cov(i, 0))
		after := v / math.Sqrt(v+sd*sd/float64(pairs))
		if keep := kept(mean, after) - math.Max(0, mean); keep > top+1e-12 {
			top, best = keep, c
			m.plan.Gain = fit.Interval{Mean: ptr(mean), Lower: ptr(mean - 1.96*s), Upper: ptr(mean + 1.96*s)}
		}
	}
	if best == nil {
		m.because("Nothing can be tested: every test step within reach risks breaking a limit with a chance above the tolerated %s, or waits at the laboratory already.", percent(p.Objective.RiskTolerated))
		return nil, 0
	}
	return best, top
}

// kept is E[max(0, X)] for a normal X.
func kept(mean, sd float64) float64 {
	if sd < 1e-12 {
		return math.Max(0, mean)
	}
	z := mean / sd
	return mean*distuv.UnitNormal.CDF(z) + sd*distuv.UnitNormal.Prob(z)
}

// worth weighs the trial in money and asks for consent; false means no runs.
func (m *planner) worth(n int, value float64) bool {
	d, pl := m.d, &m.plan
	w := &pl.WorthTesting
	if cost := d.assayCost(); cost != nil {
		*cost *= float64(n)
		if g := pl.Gain.Mean; g != nil && *g < 0 && pl.Tonnes != nil {
			*cost += -*g / 100 * *pl.Tonnes / 2 * d.metalPerTonne()
		}
		pl.Cost, w.Cost = cost, cost
		m.because("The assays and what the runs at B may lose come to about %.0f.", *cost)
	} else {
		m.because("The plant file gives no price of an assay ([value]), so the cost is not known.")
	}
	if !d.consents() {
		m.because("No plan: the owner of this ore has not agreed to tests.")
		return false
	}
	if left := d.ore.TonnesLeft; left != nil && pl.Tonnes != nil && *left < *pl.Tonnes {
		m.because("Not worth testing: the trial takes %.0f t and %s t are left.", *pl.Tonnes, trim(*left))
		return false
	}
	if math.IsNaN(value) { // nothing is known of this ore
		w.Answer = true
		return true
	}
	if metal := d.metalLeft(); metal != nil && w.Cost != nil && d.objectiveModel() == d.recovery {
		w.GainValue = ptr(*metal * value / 100)
		if w.Answer = *w.GainValue > *w.Cost; !w.Answer {
			m.because("Not worth testing: on the ore that is left, what the trial should keep is worth about %.0f, less than its cost.", *w.GainValue)
		}
		return w.Answer
	}
	if w.Answer = value > leastPlanValue; !w.Answer {
		m.because("Not worth testing: the trial is expected to keep less than %.2f points.", leastPlanValue)
	}
	return w.Answer
}

// lay writes the runs: each block ABBA or BAAB, drawn by chance from the plan's own
// facts, so the same files give the same plan.
func (m *planner) lay(blocks []int, perLot int) {
	pl := &m.plan
	h := fnv.New64a()
	fmt.Fprint(h, pl.Source, pl.Count, place(m.d.p.Settings, pl.A), place(m.d.p.Settings, pl.B), m.d.recovery.Runs)
	rng := rand.New(rand.NewPCG(h.Sum64(), 1))
	orders := map[int][2]string{4: {"ABBA", "BAAB"}, 6: {"ABBAAB", "BAABBA"}}
	lot, room := 0, 0
	for k, size := range blocks {
		if perLot == 0 || room < size {
			lot, room = lot+1, perLot
		}
		room -= size
		for _, arm := range orders[size][rng.IntN(2)] {
			at := pl.A
			if arm == 'B' {
				at = pl.B
			}
			pl.Runs = append(pl.Runs, PlannedRun{Block: fmt.Sprintf("P%d", k+1), Lot: lot, Arm: string(arm), Settings: clone(at)})
		}
	}
	if m.o.LotTonnes > 0 {
		pl.Lots = ptr(lot)
		m.because("It needs %s.", count(lot, "lot", "lots"))
	}
	m.because("Each block is done inside one lot, in the order given, so that the lot and a slow drift cancel; write the block in runs.csv.")
}
