package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// History is an invented past of a mill; everything in it is marked so.
type History struct {
	Lots    []ledger.Lot // oldest first
	Runs    []ledger.Run // oldest first; the last stands at the plant file's present settings
	Sources []ledger.OreSource
}

// Spans of the invented history.
const (
	historyDays   = 182
	lotLogitSD    = 0.10 // what a lot brings to recovery, on the logit scale: some 2 points
	runLogitSD    = 0.03 // what a run brings beside it
	massRSD       = 0.01 // products on their scales
	tailsMassRSD  = 0.02 // tailings by difference from the belt scale
	assayAddGpt   = 0.02
	concentrateKg = 1.0
	middlingsKg   = 3.0
)

// SteadyInput is one deck of the plant at the given settings (in the plant file's
// units; those that are left out stand where the plant file has them), fed with an
// ore. The mill's hammers are taken as a third worn.
func SteadyInput(p *plant.Plant, ore OreSource, settings map[string]float64) (MapInput, error) {
	m := &Mill{plant: p, rng: rand.New(rand.NewPCG(1, 1)), oldOre: ore, hammer: 1}
	m.oldLot = lot{head: ore.Head, hardness: 1, moisture: 1, sulphide: 1}
	if err := m.build(); err != nil {
		return MapInput{}, err
	}
	m.grinder.wear = 0.33
	m.sizedP80 = 0
	for i := range m.nDecks { // no lean between the decks in a plan
		m.decks[i].share = 1 / float64(m.nDecks)
	}
	names := make([]string, 0, len(settings))
	for name := range settings {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		if err := m.Set(name, settings[name]); err != nil {
			return MapInput{}, err
		}
	}
	return m.referenceInput(), nil
}

// MakeHistory invents about half a year that ends at end: for each ore source four
// to eight lots and 12 to 40 runs, at settings tried around the present ones (single
// tries, paired ABBA blocks, plain running), with results as samples of the stated
// mass would give them and an honest standard error. The latest runs wait at the
// laboratory; one or two are void. The truth behind it is the discharge map. Sources
// are those of the plant file that Sources knows, or else all of them. The same seed
// gives the same history.
func MakeHistory(p *plant.Plant, seed uint64, end time.Time) (History, error) {
	if p == nil {
		return History{}, fmt.Errorf("an invented history needs a plant file: none was given")
	}
	h := historian{plant: p, rng: rand.New(rand.NewPCG(seed, 0x6c6f7473)), end: end, zone: p.Location}
	if h.zone == nil {
		h.zone = time.UTC
	}
	if err := h.prepare(); err != nil {
		return History{}, err
	}
	if err := h.campaigns(); err != nil {
		return History{}, err
	}
	h.laboratory()
	return h.out, nil
}

type historian struct {
	plant   *plant.Plant
	rng     *rand.Rand
	end     time.Time
	zone    *time.Location
	ores    []OreSource
	present map[string]float64
	counted [Products]bool
	unit    string
	out     History
	block   int
}

// prepare reads from the plant file what the history stands on.
func (h *historian) prepare() error {
	p := h.plant
	declared := map[string]plant.OreSource{}
	for _, s := range p.OreSources {
		declared[s.Name] = s
	}
	for _, o := range Sources() {
		if _, ok := declared[o.Name]; ok {
			h.ores = append(h.ores, o)
		}
	}
	if len(h.ores) == 0 {
		h.ores = Sources()
	}
	for _, o := range h.ores {
		d := declared[o.Name]
		head := o.Head
		s := ledger.OreSource{Name: o.Name, Character: o.Character, Owner: "owner of " + o.Name, HeadGrade: d.HeadGrade,
			MinConcentrateGrade: d.MinConcentrateGrade, OwnerConsentsToTests: d.OwnerConsentsToTests, TonnesLeft: d.TonnesLeft, Invented: true}
		if s.HeadGrade == nil {
			s.HeadGrade = &head
		}
		h.out.Sources = append(h.out.Sources, s)
	}
	h.present = map[string]float64{}
	for _, s := range p.Settings {
		v := 0.5 * (s.Min + s.Max)
		if s.Present != nil {
			v = *s.Present
		}
		h.present[s.Name] = onGrid(s, v)
	}
	if _, err := SteadyInput(p, h.ores[0], h.present); err != nil {
		return err
	}
	names := p.Objective.ProductsCounted
	if len(names) == 0 {
		names = ProductNames[:2]
	}
	for _, n := range names {
		found := false
		for i, known := range ProductNames {
			if n == known {
				h.counted[i], found = true, true
			}
		}
		if !found {
			return unknown("product", n, ProductNames[:])
		}
	}
	h.unit = p.Objective.GradeUnit
	if h.unit == "" {
		h.unit = "g/t"
	}
	if _, err := convert(1, "g/t", h.unit); err != nil {
		return fmt.Errorf("objective.grade_unit: %w", err)
	}
	return nil
}

// onGrid is the nearest value that can be set and lies inside min and max.
func onGrid(s plant.Setting, v float64) float64 {
	if s.Resolution > 0 {
		steps := math.Round((v - s.Min) / s.Resolution)
		most := math.Floor((s.Max-s.Min)/s.Resolution + 1e-9)
		steps = max(0, min(most, steps))
		// Rounded to a decimal that a person would write.
		return math.Round((s.Min+steps*s.Resolution)*1e6) / 1e6
	}
	return max(s.Min, min(s.Max, math.Round(v*100)/100))
}

type campaign struct {
	ore  int
	runs int
}

// campaigns lays the lots one after the other over the half year and runs them.
func (h *historian) campaigns() error {
	var all []campaign
	for i := range h.ores {
		lots := 4 + h.rng.IntN(5)
		want := 14 + h.rng.IntN(23)
		for l := range lots {
			n := want / lots
			if l < want%lots {
				n++
			}
			all = append(all, campaign{ore: i, runs: max(2, n)})
		}
	}
	h.rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	span := float64(historyDays-3) / float64(len(all)) // days a lot
	number := map[int]int{}
	first := h.end.In(h.zone).AddDate(0, 0, -historyDays)
	for i, c := range all {
		begin := first.AddDate(0, 0, int(float64(i)*span))
		number[c.ore]++
		o := &h.ores[c.ore]
		l := lot{head: drawHead(h.rng, o), moisture: math.Exp(0.1 * clip3(h.rng.NormFloat64()))}
		id := fmt.Sprintf("%c-%02d", o.Name[0], number[c.ore])
		headSE := l.head * (0.06 + 0.08*o.LotCV)
		head := max(0.05, l.head+headSE*clip3(h.rng.NormFloat64()))
		h.out.Lots = append(h.out.Lots, ledger.Lot{ID: id, OreSource: o.Name, Received: at(begin, -10), Moisture: round(o.Moisture*l.moisture, 3),
			WetTonnes: round(float64(c.runs)*(5+3*h.rng.Float64()), 1), HeadGrade: h.grade(head), HeadSE: h.grade(headSE), Closed: i < len(all)-1, Invented: true})
		if err := h.runLot(c, l, id, begin, i, len(all)); err != nil {
			return err
		}
	}
	sort.SliceStable(h.out.Runs, func(i, j int) bool { return h.out.Runs[i].Start.Before(h.out.Runs[j].Start) })
	for i := range h.out.Runs {
		h.out.Runs[i].ID = fmt.Sprintf("R-%03d", i+1)
	}
	return nil
}

func round(v float64, digits int) float64 {
	k := math.Pow(10, float64(digits))
	return math.Round(v*k) / k
}

// at is so many hours after the local midnight of a day.
func at(day time.Time, hours float64) time.Time {
	y, mo, d := day.Date()
	return time.Date(y, mo, d, 0, 0, 0, 0, day.Location()).Add(time.Duration(hours * float64(time.Hour)))
}

// grade is g/t in the plant's grade unit, to four figures.
func (h *historian) grade(gpt float64) *float64 {
	v, err := convert(gpt, "g/t", h.unit) // checked in prepare
	if err != nil {
		v = gpt
	}
	if v > 0 {
		k := math.Pow(10, 3-math.Floor(math.Log10(v)))
		v = math.Round(v*k) / k
	}
	return &v
}

// runLot makes the runs of one lot: paired blocks, single tries, plain running.
func (h *historian) runLot(c campaign, l lot, lotID string, begin time.Time, index, count int) error {
	plan := h.plan(c.runs, float64(index)/float64(count))
	if index == count-1 {
		plan[len(plan)-1] = try{settings: h.present}
	}
	ore := h.ores[c.ore]
	ore.Head = l.head
	ore.Moisture *= l.moisture
	lotEffect := lotLogitSD * clip3(h.rng.NormFloat64())
	for k, t := range plan {
		start := at(begin.AddDate(0, 0, k/4), 6.5+2.75*float64(k%4)+0.25*float64(h.rng.IntN(3)))
		long := 1.75 + 0.5*h.rng.Float64()
		r, err := h.result(ore, t.settings, lotEffect)
		if err != nil {
			return err
		}
		r.OreSource, r.Lot, r.Block, r.Start, r.Note = ore.Name, lotID, t.block, start, t.note
		h.out.Runs = append(h.out.Runs, ledger.Run{Run: r, End: start.Add(time.Duration(long * float64(time.Hour))).Truncate(time.Minute), Invented: true})
	}
	return nil
}

type try struct {
	settings map[string]float64
	block    string
	note     string
}

// plan is the settings of n runs. Early in the half year people try more and wider.
func (h *historian) plan(n int, when float64) []try {
	stand := h.near(h.present, 2.5*(1-when))
	var out []try
	if len(h.plant.Settings) > 0 && n >= 4 && h.rng.Float64() < 0.45 {
		h.block++
		block := fmt.Sprintf("B%d", h.block)
		s := h.plant.Settings[h.rng.IntN(len(h.plant.Settings))]
		other := h.moved(stand, s, testMove(s))
		for _, b := range []bool{false, true, true, false} {
			set := stand
			if b {
				set = other
			}
			out = append(out, try{set, block, ""})
		}
	}
	for len(out) < n {
		set, note := stand, ""
		if len(h.plant.Settings) > 0 && h.rng.Float64() < 0.7 {
			s := h.plant.Settings[h.rng.IntN(len(h.plant.Settings))]
			set = h.moved(stand, s, (1+1.5*(1-when))*testMove(s))
			note = "one setting tried: " + s.Name
		}
		out = append(out, try{set, "", note})
	}
	return out
}

// testMove is the usual size of a try.
func testMove(s plant.Setting) float64 {
	if s.MaxMove > 0 {
		return s.MaxMove
	}
	return 0.12 * (s.Max - s.Min)
}

// near stands about a place, each setting some of its moves away.
func (h *historian) near(from map[string]float64, moves float64) map[string]float64 {
	out := map[string]float64{}
	for _, s := range h.plant.Settings {
		out[s.Name] = onGrid(s, from[s.Name]+moves*testMove(s)*0.6*clip3(h.rng.NormFloat64()))
	}
	return out
}

// moved is a copy with one setting changed by about a move, at least by one step.
func (h *historian) moved(from map[string]float64, s plant.Setting, move float64) map[string]float64 {
	out := map[string]float64{}
	for k, v := range from {
		out[k] = v
	}
	by := move * (0.6 + 0.4*h.rng.Float64())
	if h.rng.Float64() < 0.5 {
		by = -by
	}
	if out[s.Name]+by > s.Max || out[s.Name]+by < s.Min {
		by = -by
	}
	out[s.Name] = onGrid(s, out[s.Name]+by)
	return out
}

// result is what sampling and assaying the products of a run gives.
func (h *historian) result(ore OreSource, settings map[string]float64, lotEffect float64) (runs.Run, error) {
	in, err := SteadyInput(h.plant, ore, settings)
	if err != nil {
		return runs.Run{}, err
	}
	d := Discharge(in)
	rec := shiftRecovery(d.Recovery, h.counted, lotEffect+runLogitSD*clip3(h.rng.NormFloat64()))

	sam := h.plant.Sampling
	kg := orElse(sam.TailingsKg, 10)
	if h.rng.Float64() < 0.25 {
		kg = round(kg/3, 1) // a smaller bag than agreed
	}
	mass := [Products]float64{concentrateKg, concentrateKg, middlingsKg, kg}
	var metal, weight, metalRSD, weightRSD [Products]float64
	for p := range Products {
		g := ProductGold(in, p)
		pull := d.Pull[p]
		if pull <= 0 {
			continue
		}
		g.Grade = ore.Head * rec[p] / pull
		spec := SampleSpec{Stream: g, Kg: mass[p], PreparationRSD: orElse(sam.PreparationRSD, 0.06), AssayRSD: orElse(sam.AssayRSD, 0.05), AssayAdd: assayAddGpt}
		weightRSD[p] = massRSD
		if p == Tailings {
			weightRSD[p] = tailsMassRSD
		}
		weight[p] = pull * (1 + weightRSD[p]*clip3(h.rng.NormFloat64()))
		metal[p] = weight[p] * spec.Assay(h.rng).Grade
		metalRSD[p] = math.Hypot(spec.RSD(), weightRSD[p])
	}
	var total, taken, mined float64
	for p := range Products {
		total += metal[p]
		if h.counted[p] {
			taken += metal[p]
			mined += weight[p]
		}
	}
	r := runs.Run{Settings: settings, SplitterRule: h.plant.Table.SplitterRule, SampledKg: &kg}
	if r.SplitterRule == "" {
		r.SplitterRule = "fixed"
	}
	for p, yes := range h.counted {
		if yes {
			r.ProductsCounted = append(r.ProductsCounted, ProductNames[p])
		}
	}
	if total <= 0 || mined <= 0 {
		return runs.Run{}, fmt.Errorf("ore source %s at %v leaves no metal in the products counted: bring the present settings of the plant file nearer to what a table runs at", ore.Name, settings)
	}
	R := taken / total
	var varR, varG float64
	for p := range Products {
		own := 0.0
		if h.counted[p] {
			own = 1
			part := metal[p] / taken
			lever := part - weight[p]/mined // a heavier bin brings metal and mass
			varG += part*part*(metalRSD[p]*metalRSD[p]-weightRSD[p]*weightRSD[p]) + lever*lever*weightRSD[p]*weightRSD[p]
		}
		dR := (own - R) * metal[p] / total * metalRSD[p]
		varR += dR * dR
	}
	recovery, se := round(100*R, 1), round(100*math.Sqrt(varR), 2)
	r.Recovery, r.RecoverySE = &recovery, &se
	grade := taken / mined
	r.ConcentrateGrade, r.GradeSE = h.grade(grade), h.grade(grade*math.Sqrt(varG))
	return r, nil
}

// shiftRecovery moves the counted recovery by so much on the logit scale and shares
// the rest out in proportion.
func shiftRecovery(rec [Products]float64, counted [Products]bool, by float64) [Products]float64 {
	taken := 0.0
	for p, yes := range counted {
		if yes {
			taken += rec[p]
		}
	}
	if taken <= 0 || taken >= 1 {
		return rec
	}
	to := 1 / (1 + (1-taken)/taken*math.Exp(-by))
	for p, yes := range counted {
		if yes {
			rec[p] *= to / taken
		} else {
			rec[p] *= (1 - to) / (1 - taken)
		}
	}
	return rec
}

// laboratory sends the latest runs to an outside laboratory and voids one or two of
// the older.
func (h *historian) laboratory() {
	n := len(h.out.Runs)
	recent := h.end.AddDate(0, 0, -16)
	waiting := 0
	for i := n - 1; i >= 0 && waiting < 8; i-- {
		r := &h.out.Runs[i]
		if r.Start.Before(recent) && waiting >= 3 {
			break
		}
		if waiting >= 3 && h.rng.Float64() < 0.4 {
			continue // the own fire assay has it already
		}
		r.Recovery, r.RecoverySE, r.ConcentrateGrade, r.GradeSE = nil, nil, nil, nil
		r.Status = runs.Waiting
		r.Due = h.end.In(h.zone).AddDate(0, 0, 2+h.rng.IntN(12)).Format("2006-01-02")
		waiting++
	}
	reasons := []string{"pump stopped for 20 minutes during the run", "sample bag torn at the laboratory", "feed surged twice while the tailings were cut", "splitter was found moved after the run"}
	for range 1 + h.rng.IntN(2) {
		if n < 20 {
			return
		}
		r := &h.out.Runs[h.rng.IntN(n*3/4)]
		if r.Status != runs.Measured {
			continue
		}
		r.Status = runs.Void
		r.Note = reasons[h.rng.IntN(len(reasons))]
	}
}
