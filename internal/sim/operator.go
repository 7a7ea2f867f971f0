package sim

import (
	"fmt"
	"math"

	"decktrim/internal/units"
)

func sqrt(x float64) float64 { return math.Sqrt(max(0, x)) }

// convert is units.Convert: one place changes units.
func convert(v float64, from, to string) (float64, error) {
	if from == to {
		return v, nil
	}
	return units.Convert(v, from, to)
}

// operator is the person who looks after the plant.
type operator struct {
	trim     float64 // factor on the drive that he has come to
	look     float64 // s to the next look
	mean     float64 // t/h on the belt, lagged 120 s
	holdFeed bool    // feed cut to clear a choke
	bogFor   float64 // s that the mill has been bogged
	rinse    float64 // factor on the wash water while a bank is rinsed off
	bankFor  float64 // s that a bank has lain
	retap    float64 // s to the next look at the dark line
}

func newOperator(m *Mill) operator {
	return operator{trim: 1, look: 200, rinse: 1, mean: m.nominal, retap: 900}
}

// step is one second of looking on.
func (o *operator) step(m *Mill) {
	o.clearMill(m)
	o.clearBank(m)
	o.emptyBins(m)
	rate := m.flow.beltRate
	if m.mode != running || m.beltPace < 0.5*m.beltFull {
		return
	}
	lag(&o.mean, rate, 120)
	o.look--
	if o.look > 0 {
		return
	}
	if u := &m.upsets[feedHunting]; u.on {
		// He looks at the mill's current, acts on what it was half a minute ago,
		// and often acts twice: a swing of 3 to 8 min.
		o.look = 60 + 80*m.rng.Float64()
		want := m.set.feed
		by := u.size * (0.7 + 0.6*m.rng.Float64())
		if m.grinder.rate > want {
			by = -2 * by
		}
		o.trim = max(0.6, min(1.35, o.trim*(1+by)))
		return
	}
	o.look = 240 + 120*m.rng.Float64()
	if m.upsets[bridging].on || m.upsets[surge].on || m.upsets[binEmpty].on || m.feeder.starve() < 0.9 || o.mean <= 0 {
		return // he knows what that is; turning the feeder up makes it worse
	}
	off := m.set.feed/o.mean - 1
	if math.Abs(off) > 0.03 {
		o.trim = max(0.5, min(1.6, o.trim*(1+max(-0.04, min(0.06, 0.5*off)))))
	}
}

// clearMill cuts the feed to a bogged mill once it is noticed.
func (o *operator) clearMill(m *Mill) {
	g := &m.grinder
	if g.bogged || g.hold.solids > 0.7*g.choke {
		o.bogFor++
	} else if o.bogFor > 0 && g.hold.solids < 0.3*g.choke {
		o.bogFor = 0
		o.holdFeed = false
		m.end(choke, "feed was cut until the mill had cleared")
	}
	if o.bogFor > 90 && !o.holdFeed {
		o.holdFeed = true
		if !m.upsets[choke].on {
			m.begin(choke, 0, 0, "the mill holds more than it passes")
		}
	}
}

// clearBank rinses a bank of sand off the deck some minutes after it shows.
func (o *operator) clearBank(m *Mill) {
	any := false
	for i := range m.nDecks {
		any = any || m.decks[i].bank
	}
	o.rinse = 1
	if !any {
		if o.bankFor > 0 {
			m.end(sandedUp, "the bank was rinsed off")
		}
		o.bankFor = 0
		return
	}
	if o.bankFor == 0 {
		m.begin(sandedUp, 0, 0, "a bank of sand lies on the deck: a fifth of its capacity is lost")
	}
	o.bankFor++
	if o.bankFor > 420 {
		o.rinse = 1.5
	}
}

// emptyBins carries full product bins away.
func (o *operator) emptyBins(m *Mill) {
	for i := range m.bins {
		b := &m.bins[i]
		if i == Concentrate1 && m.upsets[concentrateFull].on || b.emptying > 0 {
			continue
		}
		if b.weight() > 0.85*b.capacity {
			b.empty(m)
		}
	}
}

// empty starts to carry a bin's contents away: 10 to 60 s, after which some sand
// sticks and the tare has moved.
func (b *productBin) empty(m *Mill) {
	b.emptying = 15 + math.Floor(45*m.rng.Float64())
	small := min(1, b.capacity/300)
	b.stuck = 1.5 * small * m.rng.Float64()
	b.tare += small * 0.5 * (m.rng.Float64() - 0.5)
}

// settingNames are what Set knows, with the unit in which it is kept.
var settingNames = []struct{ name, unit string }{
	{"feed_rate", "t/h"}, {"feeder_drive", "%"}, {"mill_water", "L/min"}, {"wash_water", "L/min"}, {"launder_water", "L/min"},
	{"deck_tilt", "deg"}, {"stroke", "mm"}, {"stroke_rate", "1/min"}, {"splitter_1", "mm"}, {"splitter_2", "mm"}, {"splitter_3", "mm"},
	{"slot", "mm"}, {"classifier_port", "um"}, {"middlings_to", "1"},
}

// Settings names what Set knows.
func Settings() []string {
	var names []string
	for _, s := range settingNames {
		names = append(names, s.name)
	}
	return names
}

// settingOf returns the unit in which the plant file gives a setting, and that in
// which the mill keeps it.
func (m *Mill) settingOf(name string) (units [2]string, err error) {
	for _, s := range settingNames {
		if s.name != name {
			continue
		}
		units = [2]string{s.unit, s.unit}
		for _, own := range m.plant.Settings {
			if own.Name == name && own.Unit != "" {
				units[0] = own.Unit
			}
		}
		if _, err := convert(1, units[0], units[1]); err != nil {
			return units, fmt.Errorf("setting %s: %w", name, err)
		}
		return units, nil
	}
	return units, unknown("setting", name, Settings())
}

// Set is what an operator sets, in the unit the plant file gives the setting (or
// t/h, %, L/min, deg, mm, 1/min; wash water per deck; the classifier's port as its
// d50 in um; middlings_to 0 own bin, 1 back to the mill, 2 to the tailings). An
// unknown setting is an error that lists the known ones.
func (m *Mill) Set(setting string, v float64) error {
	unit, err := m.settingOf(setting)
	if err != nil {
		return err
	}
	if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
		return fmt.Errorf("setting %s: %v is no figure a person can set: give one from 0 up", setting, v)
	}
	if v, err = convert(v, unit[0], unit[1]); err != nil {
		return fmt.Errorf("setting %s: %w", setting, err)
	}
	s := &m.set
	edge := 1000 * m.decks[0].length // mm, the discharge edge
	switch setting {
	case "feed_rate":
		s.feed, s.drive = v, m.feeder.driveFor(v)
		m.operator.mean = v
	case "feeder_drive":
		s.drive = min(1, v/100)
		s.feed = m.feeder.rateAt(s.drive)
		m.operator.trim, m.operator.mean = 1, s.feed
	case "mill_water":
		s.mill = v
	case "wash_water":
		s.wash = v
	case "launder_water":
		s.launder = v
	case "deck_tilt":
		if v != s.tilt {
			m.disturbDecks(90)
		}
		s.tilt = v
	case "stroke":
		if v != s.stroke {
			m.disturbDecks(120)
		}
		s.stroke = v
	case "stroke_rate":
		if v != s.rate {
			m.disturbDecks(120)
		}
		s.rate = v
	case "splitter_1", "splitter_2", "splitter_3":
		i := setting[len(setting)-1] - '1'
		x := s.splitters
		x[i] = v / edge
		if x[0] <= 0 || x[0] >= x[1] || x[1] >= x[2] || x[2] >= 1 {
			return fmt.Errorf("setting %s: the splitters would stand at %.0f, %.0f and %.0f mm of %.0f: they must follow one another along the edge", setting, x[0]*edge, x[1]*edge, x[2]*edge, edge)
		}
		s.splitters = x
		s.lineAt = m.decks[0].last.Line
	case "slot":
		if v < 0.2 || v > 3 {
			return fmt.Errorf("setting slot: %g mm is no screen of a small mill: give 0.2 to 3", v)
		}
		s.slot = v
		m.sizedP80 = 0
	case "classifier_port":
		if v < 40 {
			return fmt.Errorf("setting classifier_port: %g um is finer than a spiral can cut: give 40 or more", v)
		}
		s.port = v
	case "middlings_to":
		s.middlings = max(0, min(2, int(v)))
	}
	if s.drive == 0 && setting != "feeder_drive" && setting != "feed_rate" {
		s.drive = m.feeder.driveFor(s.feed)
	}
	return nil
}

// Setting is where a setting stands, in the unit Set takes.
func (m *Mill) Setting(name string) (float64, error) {
	unit, err := m.settingOf(name)
	if err != nil {
		return 0, err
	}
	s := &m.set
	edge := 1000 * m.decks[0].length
	v := map[string]float64{"feed_rate": s.feed, "feeder_drive": 100 * s.drive * m.operator.trim, "mill_water": s.mill, "wash_water": s.wash,
		"launder_water": s.launder, "deck_tilt": s.tilt, "stroke": s.stroke, "stroke_rate": s.rate, "splitter_1": s.splitters[0] * edge,
		"splitter_2": s.splitters[1] * edge, "splitter_3": s.splitters[2] * edge, "slot": s.slot, "classifier_port": s.port, "middlings_to": float64(s.middlings)}[name]
	return convert(v, unit[1], unit[0])
}

func (m *Mill) disturbDecks(seconds float64) {
	for i := range m.nDecks {
		m.decks[i].disturbed = max(m.decks[i].disturbed, seconds)
	}
}

// StartUp starts a stopped plant: water on, then feed, then filling until the bed
// has formed.
func (m *Mill) StartUp() {
	if m.mode == stopped {
		m.enter(waterOn)
	}
}

// ShutDown runs the plant empty, washes it down and stops it.
func (m *Mill) ShutDown() {
	if m.mode == running || m.mode == filling || m.mode == waterOn {
		m.enter(emptying)
	}
}

// ChangeOre runs the bin low and fills it with another ore source from then on. A
// change that was under way is taken as done.
func (m *Mill) ChangeOre(name string) error {
	ore, err := m.source(name)
	if err != nil {
		return err
	}
	if m.changing {
		m.settleOre()
	}
	m.newOre = ore
	m.newLot = m.drawLot(&ore)
	m.changing = true
	m.settledFor = 0
	m.feeder.runDown = true
	m.tell("ore change", true, "from "+m.oldOre.Name+" to "+ore.Name)
	return nil
}

// Source is the ore source that fills the bin now.
func (m *Mill) Source() string {
	if m.changing {
		return m.newOre.Name
	}
	return m.oldOre.Name
}

// settleOre makes the new ore the old one and forgets where it came from.
func (m *Mill) settleOre() {
	m.oldOre, m.oldLot = m.newOre, m.newLot
	m.changing = false
	forget := func(s *stock) { s.fresh = 0 }
	forget(&m.feeder.bin)
	forget(&m.feeder.falling)
	forget(&m.belt.heap)
	for i := range m.belt.parcels {
		forget(&m.belt.parcels[i].stock)
	}
	forget(&m.grinder.hold)
	forget(&m.launder)
	for i := range m.toTable.ring {
		forget(&m.toTable.ring[i])
		forget(&m.again.ring[i])
	}
	m.base.Name = ""
	m.remix(0)
}

func (m *Mill) enter(to mode) {
	from := m.State()
	m.mode, m.modeFor = to, 0
	m.tell("plant state", true, from+" to "+m.State())
}

// stepModes lets the people's procedures go on.
func (m *Mill) stepModes() {
	switch m.mode {
	case waterOn:
		if m.modeFor > 150 {
			m.enter(filling)
		}
	case filling:
		formed := true
		for i := range m.nDecks {
			formed = formed && m.decks[i].bed > 0.93
		}
		if m.modeFor > 600 && formed {
			m.enter(running)
		}
	case emptying:
		if m.modeFor > 780 {
			m.enter(washDown)
			for i := range m.bins { // hosing knocks sand off and wets the bins
				m.bins[i].tare += min(1, m.bins[i].capacity/300) * 2 * (m.rng.Float64() - 0.5)
			}
		}
	case washDown:
		m.grinder.hosed = 1
		if m.modeFor > 480 {
			m.water.blockedUp = 0
			if m.grinder.wear > 0.8 {
				m.grinder.wear = 0 // new hammers
			}
			m.enter(stopped)
		}
	}
	if m.changing {
		if m.feeder.bin.freshShare() > 0.90 && m.grinder.hold.freshShare() > 0.88 {
			m.settledFor++
		}
		if m.settledFor > 600 {
			m.settleOre()
			m.tell("ore change", false, "the bin has turned over and the table has settled on "+m.oldOre.Name)
		}
	}
	if m.set.visibleLine && m.mode == running {
		m.operator.retap--
		if m.operator.retap <= 0 {
			m.operator.retap = 600 + 1200*m.rng.Float64()
			x := DefaultSplitters[2] + m.decks[0].last.Line - m.set.lineAt + 0.015*clip3(m.rng.NormFloat64())
			m.set.splitters[2] = max(m.set.splitters[1]+0.02, min(0.95, x))
		}
	}
}
