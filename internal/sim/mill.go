// Package sim is a small wet gravity mill that does not exist: bin, feeder, belt,
// hammer mill, shaking tables, product bins, classifier, pond, instruments, samples
// and assays, with its true state known. It exercises the board, the office and the
// advice; it designs no plant. Solids, water and gold are conserved, and the same
// seed always gives the same plant.
//
// The figures are assumptions of the right order (DEVELOPERS.md, "The simulated
// mill"): no published run table of a gold table was there to fit them.
package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"decktrim/internal/plant"
)

// Config says which mill to build. Plant is not changed.
type Config struct {
	Plant       *plant.Plant
	Seed        uint64
	Source      string    // ore source in the bin at the start; empty: the first of Sources
	Start       time.Time // plant time before the first step
	Scenario    string    // one of Scenarios; "" is normal running
	VarySources bool      // change the figures of the ores by up to 20 % with the seed
}

// Account is one thing that is conserved: what came in and what went out since New,
// and what is in the plant now.
type Account struct{ In, Out, Stock float64 }

// Balance closes over any span: change of Stock = change of In - change of Out.
type Balance struct {
	Solids, Water Account // kg
	Gold          Account // g
}

// account is a running account.
type account struct{ in, out stock }

// mode is what the people are doing with the plant.
type mode int

const (
	stopped mode = iota
	waterOn
	filling
	running
	emptying
	washDown
)

var modeNames = [...]string{"stopped", "water on", "filling", "running", "emptying", "wash-down"}

// Mill is a simulated plant. It is not safe for use by several goroutines.
type Mill struct {
	plant    *plant.Plant
	scenario string
	rng      *rand.Rand
	start    time.Time
	seconds  float64 // plant time since start, s; below zero while it warms up
	quiet    bool    // warming up: no events
	books    account

	nominal float64 // t/h wet
	sources []OreSource

	// ore: what the plant stands on, what it changes to, and the blend of the two.
	oldOre, newOre OreSource
	oldLot, newLot lot
	changing       bool
	settledFor     float64   // s since the bin turned over
	base           OreSource // blended, as mined
	blend          OreSource // and as ground: the free share follows the grind
	blendShare     float64
	sizing         sizing
	sizedP80       float64

	mode     mode
	modeFor  float64 // s
	feeder   feeder
	belt     belt
	beltPace float64 // m/s
	beltFull float64 // m/s when it runs
	grinder  grinder
	toTable  delay // launder
	launder  stock // mixing at its end
	decks    [2]deck
	nDecks   int
	set      settings
	bins     [longWay]productBin
	again    delay // middlings on their way back to the mill
	water    waterSystem
	sands    classifier
	operator operator
	upsets   [upsetCount]upsetState
	script   script
	events   []Event

	window   [Products]product // left the decks since Mark
	windowIn stock             // fed to the decks since Mark
	flow     flows
	hammer   float64 // imbalance, 1 usual
}

// settings is where the operator has set the plant.
type settings struct {
	feed        float64 // t/h wet, what is wanted
	drive       float64 // 0..1
	mill        float64 // L/min
	launder     float64 // L/min
	wash        float64 // L/min per deck
	tilt        float64 // deg
	stroke      float64 // mm
	rate        float64 // 1/min
	splitters   [3]float64
	lineAt      float64 // dark line when the splitters were set
	visibleLine bool
	slot        float64 // mm
	port        float64 // um, d50 of the classifier's discharge port
	middlings   int     // 0 own bin, 1 back to the mill, 2 to the tailings
}

// warmUp is how long a mill that starts in full run has been running, s.
const warmUp = 3000

// New builds a mill. Scenario "shift" starts with everything stopped; the others
// start in full run. Unknown sources, scenarios and settings are errors that list
// the known ones.
func New(cfg Config) (*Mill, error) {
	if cfg.Plant == nil {
		return nil, fmt.Errorf("the simulated mill needs a plant file: none was given")
	}
	rng := rand.New(rand.NewPCG(cfg.Seed, 0x6d696c6c))
	m := &Mill{plant: cfg.Plant, rng: rng, start: cfg.Start, hammer: 1}
	if err := m.script.choose(cfg.Scenario); err != nil {
		return nil, err
	}
	m.scenario = cfg.Scenario
	m.sources = Sources()
	if cfg.VarySources {
		for i := range m.sources {
			m.sources[i] = m.sources[i].Vary(rng)
		}
	}
	name := cfg.Source
	if name == "" {
		name = m.sources[0].Name
	}
	ore, err := m.source(name)
	if err != nil {
		return nil, err
	}
	m.oldOre = ore
	m.oldLot = m.drawLot(&ore)
	if err := m.build(); err != nil {
		return nil, err
	}
	if m.script.fromStopped {
		m.seconds = 0
		return m, nil
	}
	m.quiet = true
	m.seconds = -warmUp
	m.mode = running
	for i := range m.nDecks {
		m.decks[i].bed = 1
	}
	for range warmUp {
		m.Step()
	}
	m.quiet = false
	m.seconds = 0
	m.books = account{}
	m.Mark()
	return m, nil
}

func (m *Mill) source(name string) (OreSource, error) {
	if _, err := SourceByName(name); err != nil {
		return OreSource{}, err
	}
	for _, s := range m.sources {
		if s.Name == name {
			return s, nil
		}
	}
	return OreSource{}, nil // cannot be: m.sources are those of Sources
}

func orElse(v, other float64) float64 {
	if v > 0 {
		return v
	}
	return other
}

// build puts the plant together from the plant file and its present settings.
func (m *Mill) build() error {
	p := m.plant
	m.nominal = orElse(p.Mill.NominalFeed, 2.0)
	m.set = settings{
		feed: m.nominal, mill: orElse(p.Water.NominalMill, 50*m.nominal), wash: orElse(p.Water.NominalWash, 45),
		tilt: 2, stroke: 15, rate: 290, splitters: DefaultSplitters, visibleLine: p.Table.SplitterRule == "visible_line",
		slot: orElse(p.Mill.Slot, 0.8), port: 120,
	}
	if _, ok := p.ChannelByRole(plant.LaunderWater); ok {
		m.set.launder = 5 * m.nominal
	}
	m.nDecks = max(1, min(2, p.Table.Decks))
	area := orElse(p.Table.DeckArea, 3.75*m.nominal/float64(m.nDecks))
	shares := [2]float64{1, 0}
	if m.nDecks == 2 { // a lasting imbalance of up to 15 %
		lean := 0.15 * (m.rng.Float64() - 0.5)
		shares = [2]float64{0.5 + lean/2, 0.5 - lean/2}
	}
	for i := range m.nDecks {
		m.decks[i] = newDeck(area, shares[i])
	}
	m.feeder = newFeeder(p, m.nominal, m.rng)
	length := 4.5
	if p.Site != nil && p.Site.BeltLength > 0 {
		length = p.Site.BeltLength
	}
	m.belt.length = length
	m.beltFull = max(0.3, min(1.8, length/14))
	m.grinder = newGrinder(p, m.nominal)
	m.toTable.n = 8
	m.again.n = 90
	m.water = newWaterSystem(p, m.set.mill+m.set.launder+m.set.wash*float64(m.nDecks))
	m.sands = classifier{room: 900 * m.nominal / 3.6 * 0.6}
	m.buildBins()
	for _, s := range p.Settings {
		if s.Present == nil {
			if _, err := m.settingOf(s.Name); err != nil {
				return err
			}
			continue
		}
		if err := m.Set(s.Name, *s.Present); err != nil {
			return err
		}
	}
	for i := range m.decks {
		m.decks[i].disturbed = 0
	}
	m.remix(0)
	capacity := m.feeder.capacity
	m.fill(0.45*capacity+0.25*capacity*m.rng.Float64(), false)
	m.books = account{}
	m.set.lineAt = Discharge(m.referenceInput()).Line
	m.operator = newOperator(m)
	return nil
}

func (m *Mill) buildBins() {
	roles := [longWay]plant.Role{plant.Concentrate1Weight, plant.Concentrate2Weight, plant.MiddlingsWeight}
	usual := [longWay]float64{100, 300, 1000}
	for i := range m.bins {
		b := productBin{capacity: usual[i] * max(0.5, m.nominal/2)}
		if c, ok := m.plant.ChannelByRole(roles[i]); ok {
			if top, err := convert(c.Range[1], c.Unit, "kg"); err == nil && top > 0 {
				b.capacity = top
			}
		}
		for _, p := range m.plant.Products {
			if p.Name != ProductNames[i] {
				continue
			}
			b.capacity = orElse(p.Capacity, b.capacity)
			if p.Bin == "under water" {
				b.tank = 1.2 * b.capacity
				b.water = b.tank
			}
		}
		m.bins[i] = b
	}
}

// referenceInput is the deck at the present settings and the nominal feed, steady.
func (m *Mill) referenceInput() MapInput {
	d := &m.decks[0]
	solids := m.set.feed * (1 - m.base.Moisture) * d.share
	water := 0.06*(m.set.mill+m.set.launder)*d.share + m.set.feed*m.base.Moisture*d.share
	p80 := m.grinder.p80(&m.base, m.set.slot, m.nominal)
	return MapInput{Ore: m.grinder.liberated(&m.base, p80), P80: p80, Feed: solids / DeckScale(d.areaM2, p80, m.base.P80), Wash: m.set.wash, Tilt: m.set.tilt,
		Stroke: m.set.stroke, StrokeRate: m.set.rate, FeedSolids: solids / (solids + water), Splitters: m.set.splitters}
}

// Now is the plant time.
func (m *Mill) Now() time.Time { return m.start.Add(time.Duration(m.seconds * float64(time.Second))) }

// State is the true plant state: stopped, water on, filling, running, emptying,
// wash-down or ore change.
func (m *Mill) State() string {
	if m.changing && m.mode == running && m.feeder.bin.fresh > 0 {
		return "ore change"
	}
	return modeNames[m.mode]
}

// Step advances the plant by 1 s.
func (m *Mill) Step() {
	m.seconds++
	m.modeFor++
	if !m.quiet {
		m.script.step(m)
	}
	m.operator.step(m)
	m.stepUpsets()
	m.stepModes()

	on := m.mode != stopped
	lag(&m.beltPace, choose(on && m.mode != washDown && !m.upsets[beltStopped].on, m.beltFull, 0), 2)
	if m.beltPace < 0.02 {
		m.beltPace = 0
	}

	// Bin, feeder, belt.
	m.fillBin()
	feedOn := (m.mode == filling || m.mode == running) && !m.operator.holdFeed
	fed := m.feeder.step(m, feedOn)
	head := m.belt.step(m.beltPace, fed)

	// Taps, mill, launder. Solids that the return water carries go by the decks.
	taps := m.water.draw(m, on)
	head.water += taps.mill / 60
	head.add(m.again.step(m.middlingsBack()))
	m.remix(m.grinder.hold.freshShare())
	ground := m.grinder.step(m, head, on)
	ground.water += taps.launder / 60
	m.launder.add(m.toTable.step(ground))
	pulp := m.launder.take(1.0 / 5)

	// Decks, product bins.
	tails := stock{solids: taps.slimes, gold: taps.slimesGold}
	m.runDecks(pulp, taps, on, &tails)
	m.catch(&tails)

	// Classifier, pond.
	m.sands.step(m, tails)
	m.water.step(m)
	m.flow.beltRate = m.beltLoad() * m.beltPace * 3.6
}

// flows is what moved in the last second.
type flows struct {
	products  [Products]product // left the decks
	deckWater [Products]float64 // kg with it
	sands     stock
	overflow  product
	beltRate  float64 // t/h over the scale
}

func choose(ok bool, a, b float64) float64 {
	if ok {
		return a
	}
	return b
}

// runDecks shares the pulp among the decks and collects what leaves them.
func (m *Mill) runDecks(pulp stock, taps taps, on bool, tails *stock) {
	set := deckSettings{tilt: m.set.tilt, stroke: m.set.stroke, rate: m.set.rate, splitters: m.set.splitters, washLpm: taps.wash,
		nominalWash: m.set.wash, slimes: m.water.slimes(), running: on && !m.upsets[tableStopped].on}
	if u := &m.upsets[strokeChanged]; u.on {
		set.rate *= 1 + u.size
	}
	if u := &m.upsets[strokeLength]; u.on {
		set.stroke *= 1 + u.size
	}
	m.flow.products = [Products]product{}
	m.flow.deckWater = [Products]float64{}
	for i := range m.nDecks {
		d := &m.decks[i]
		share := d.share
		if i == m.nDecks-1 {
			share = 1 // the rest, so that nothing is left over
		}
		in := pulp.take(share)
		m.windowIn.add(in)
		if in.solids > 0 {
			lag(&d.fresh, in.freshShare(), 60)
		}
		d.step(in, &m.blend, &m.sizing, m.sizedP80, &set)
		for p := range Products {
			m.flow.products[p].add(d.out[p])
			m.flow.deckWater[p] += d.wet[p]
			m.window[p].add(d.out[p])
		}
	}
	tails.solids += m.flow.products[Tailings].solids
	tails.gold += m.flow.products[Tailings].gold
	tails.water += m.flow.deckWater[Tailings]
}

// middlingsBack takes what the middlings bin's place sends back to the mill.
func (m *Mill) middlingsBack() stock {
	if m.set.middlings != 1 {
		return stock{}
	}
	b := &m.bins[Middlings]
	p, w := b.content.take(1), b.water
	if b.tank > 0 {
		w = 0
	}
	b.water -= w
	return stock{solids: p.solids, gold: p.gold, water: w}
}

// catch drops the products into their bins; what runs over and drains goes the way
// of the tailings, what is carried away leaves the plant.
func (m *Mill) catch(tails *stock) {
	for p := range longWay {
		b := &m.bins[p]
		if p == Middlings && m.set.middlings == 2 {
			tails.solids += m.flow.products[p].solids
			tails.gold += m.flow.products[p].gold
			tails.water += m.flow.deckWater[p]
			continue
		}
		over, drained, away, awayWater := b.step(m.flow.products[p], m.flow.deckWater[p])
		tails.solids += over.solids
		tails.gold += over.gold
		tails.water += drained
		m.books.out.add(stock{solids: away.solids, gold: away.gold, water: awayWater})
	}
}

// remix blends the two ores for the share of the new one and works out the size
// make-up of what the mill now grinds.
func (m *Mill) remix(share float64) {
	if !m.changing {
		share = 0
	}
	if m.base.Name == "" || math.Abs(share-m.blendShare) > 1e-4 || share == 0 && m.blendShare != 0 || share == 1 && m.blendShare != 1 {
		m.base = mix(&m.oldOre, &m.newOre, share)
		hard := mixOf(m.oldLot.hardness, m.newLot.hardness, share)
		m.base.Hardness *= hard
		m.base.WorkIndex *= hard
		m.base.Sulphide *= mixOf(m.oldLot.sulphide, m.newLot.sulphide, share)
		m.base.Moisture *= mixOf(m.oldLot.moisture, m.newLot.moisture, share)
		m.base.Head = mixOf(m.oldLot.head, m.newLot.head, share)
		m.blendShare = share
		m.sizedP80 = 0
	}
	p80 := m.grinder.p80(&m.base, m.set.slot, m.grinder.rate)
	if math.Abs(p80-m.sizedP80) > 0.002*p80 {
		m.blend = m.grinder.liberated(&m.base, p80)
		m.sizing = sizingOf(&m.blend, p80)
		m.sizedP80 = p80
	}
}

func mixOf(a, b, share float64) float64 { return a + (b-a)*share }

// mix is an ore between two ores; its name is that of the larger part.
func mix(a, b *OreSource, share float64) OreSource {
	if share <= 0 {
		return *a
	}
	if share >= 1 {
		return *b
	}
	o := *a
	if share > 0.5 {
		o = *b
	}
	by := func(x, y float64) float64 { return mixOf(x, y, share) }
	o.Head = by(a.Head, b.Head)
	o.GoldD50 = by(a.GoldD50, b.GoldD50)
	o.GoldSigma = by(a.GoldSigma, b.GoldSigma)
	o.FreeShare = by(a.FreeShare, b.FreeShare)
	o.GoldShape = by(a.GoldShape, b.GoldShape)
	o.Sulphide = by(a.Sulphide, b.Sulphide)
	o.IronOxide = by(a.IronOxide, b.IronOxide)
	o.Slimes = by(a.Slimes, b.Slimes)
	o.P80 = by(a.P80, b.P80)
	o.Hardness = by(a.Hardness, b.Hardness)
	o.WorkIndex = by(a.WorkIndex, b.WorkIndex)
	o.Moisture = by(a.Moisture, b.Moisture)
	o.Offset = by(a.Offset, b.Offset)
	o.Clay = by(a.Clay, b.Clay)
	o.Abrasion = by(a.Abrasion, b.Abrasion)
	return o
}

// Balance is the closure of solids, water and gold: every kilogram of the plant is
// counted anew.
func (m *Mill) Balance() Balance {
	s := m.feeder.bin
	s.add(m.feeder.falling)
	s.add(m.belt.total())
	s.add(m.grinder.hold)
	s.add(m.toTable.total())
	s.add(m.launder)
	s.add(m.again.total())
	for i := range m.nDecks {
		s.add(m.decks[i].total())
	}
	for i := range m.bins {
		b := &m.bins[i]
		s.add(stock{solids: b.content.solids, gold: b.content.gold, water: b.water})
	}
	s.add(m.sands.tank)
	s.add(m.sands.back)
	s.add(m.water.total())
	in, out := m.books.in, m.books.out
	return Balance{
		Solids: Account{in.solids, out.solids, s.solids},
		Water:  Account{in.water, out.water, s.water},
		Gold:   Account{in.gold, out.gold, s.gold},
	}
}
