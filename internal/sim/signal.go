package sim

import "decktrim/internal/plant"

// roleUnits is the unit of Mill.Signal for each role.
var roleUnits = map[plant.Role]string{
	plant.FeedRate: "t/h", plant.FeedSetpoint: "t/h", plant.FeederDrive: "%", plant.BeltLoad: "kg/m", plant.BeltSpeed: "m/s",
	plant.BinWeight: "kg", plant.JawRunning: "1", plant.JawCurrent: "A", plant.JawBeltLoad: "t/h", plant.MillCurrent: "A",
	plant.MillVoltage: "V", plant.MillWater: "L/min", plant.MillWaterSetpoint: "L/min", plant.WashWater: "L/min",
	plant.WashWaterSetpoint: "L/min", plant.LaunderWater: "L/min", plant.TableRunning: "1", plant.TableStrokeRate: "1/min",
	plant.ClassifierRunning: "1", plant.PumpRunning: "1", plant.Concentrate1Weight: "kg", plant.Concentrate2Weight: "kg",
	plant.MiddlingsWeight: "kg", plant.PondLevel: "m", plant.ReturnFlow: "L/min", plant.MakeupFlow: "L/min",
}

// RoleUnit is the unit in which Signal gives a role; empty for an unknown role.
func RoleUnit(r plant.Role) string { return roleUnits[r] }

func contact(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// scaleFrom is where the weigh span of the belt scale begins, as a share of the
// belt's length from the tail; the span is 1 m or a quarter of the belt.
const scaleFrom = 0.15

func (m *Mill) beltLoad() float64 {
	from := scaleFrom * m.belt.length
	return m.belt.load(from, from+min(1, m.belt.length/4))
}

// Signal is what a perfect instrument of a role would show, in RoleUnit: masses wet,
// wash water per deck, running contacts 0 or 1, the jaw's belt load as t/h. False for
// a role the plant does not have (the current of an engine-driven mill).
func (m *Mill) Signal(r plant.Role) (float64, bool) {
	on := m.mode != stopped
	f, w, g := &m.feeder, &m.water, &m.grinder
	feeding := (m.mode == filling || m.mode == running) && !m.operator.holdFeed
	switch r {
	case plant.FeedRate:
		return m.beltLoad() * m.beltPace * 3.6, true
	case plant.FeedSetpoint:
		return choose(feeding, m.set.feed, 0), true
	case plant.FeederDrive:
		return choose(feeding, 100*min(1, m.set.drive*m.operator.trim), 0), true
	case plant.BeltLoad:
		return m.beltLoad(), true
	case plant.BeltSpeed:
		return m.beltPace, true
	case plant.BinWeight:
		return f.bin.wet(), true
	case plant.JawRunning:
		return contact(f.jawOn && f.jawRest <= 0), true
	case plant.JawCurrent:
		if !f.jawOn || f.jawRest > 0 {
			return 0, true
		}
		return 14 + 4*f.jawNow, true // idle and per t/h of a small jaw: assumed
	case plant.JawBeltLoad:
		return f.jawNow, true
	case plant.MillCurrent:
		return g.current, !g.engine
	case plant.MillVoltage:
		return choose(on, g.volts*(1-0.0004*g.power), g.volts), !g.engine
	case plant.MillWater:
		return w.millFlow, true
	case plant.MillWaterSetpoint:
		return choose(on, m.set.mill, 0), true
	case plant.WashWater:
		return w.washFlow, true
	case plant.WashWaterSetpoint:
		return choose(on, m.set.wash, 0), true
	case plant.LaunderWater:
		return w.laundFlow, true
	case plant.TableRunning:
		return contact(on && !m.upsets[tableStopped].on), true
	case plant.TableStrokeRate:
		return m.strokeRate(), true
	case plant.ClassifierRunning:
		return contact(on && !m.upsets[classifierStopped].on), true
	case plant.PumpRunning:
		return contact(on && !m.upsets[pumpStopped].on), true
	case plant.Concentrate1Weight:
		return m.bins[Concentrate1].weight(), true
	case plant.Concentrate2Weight:
		return m.bins[Concentrate2].weight(), true
	case plant.MiddlingsWeight:
		return m.bins[Middlings].weight(), true
	case plant.PondLevel:
		return w.level(), true
	case plant.ReturnFlow:
		return w.returnFlow, true
	case plant.MakeupFlow:
		return w.makeup, true
	}
	return 0, false
}

// strokeRate is what the deck really makes, 1/min; it comes up and dies away in
// some seconds.
func (m *Mill) strokeRate() float64 {
	rate := m.set.rate
	if u := &m.upsets[strokeChanged]; u.on {
		rate *= 1 + u.size
	}
	pace := m.decks[0].pace
	if pace < 0.05 {
		return 0
	}
	return rate * min(1, pace*1.02)
}

// Truth is what no instrument shows. Flows are of the last second.
type Truth struct {
	Source       string            // of what lies on the deck, the larger part
	FreshShare   float64           // share of the new ore in the mill during an ore change
	FeedRate     float64           // t/h dry into the mill
	HeadGrade    float64           // g/t of what is on the way to the decks
	P80          float64           // um, of the mill product
	MillHoldup   float64           // kg
	MillPower    float64           // kW
	Blinding     float64           // 0..0.6
	HammerWear   float64           // 0..1
	PulpSolids   float64           // mass fraction to the first deck
	DeckLoad     float64           // t/h per m2, dry
	Deck         MapResult         // where the first deck stands, steady
	Bed          float64           // 0 bare .. 1 formed
	Bank         bool              // a bank of sand lies on a deck
	WaterSlimes  float64           // volume fraction in the wash water
	SolidsRate   [Products]float64 // kg/h dry
	GoldRate     [Products]float64 // g/h
	SandsRate    float64           // kg/h dry, off the classifier
	OverflowRate float64           // kg/h dry, to the pond
	Recovery     [Products]float64 // share of the gold that left the decks since Mark
	MassPull     [Products]float64 // share of the solids that left the decks since Mark
	GoldFed      float64           // g fed to the decks since Mark
	SolidsFed    float64           // kg
}

// Mark begins a new window for Truth's recoveries.
func (m *Mill) Mark() {
	m.window = [Products]product{}
	m.windowIn = stock{}
}

// Truth is the plant's true state.
func (m *Mill) Truth() Truth {
	var t Truth
	d := &m.decks[0]
	t.Source = m.blend.Name
	t.FreshShare = m.blendShare
	t.FeedRate = m.grinder.rate
	if s := m.grinder.hold.solids; s > 0 {
		t.HeadGrade = 1000 * m.grinder.hold.gold / s
	}
	t.P80, t.MillHoldup, t.MillPower = m.sizedP80, m.grinder.hold.solids, m.grinder.power
	t.Blinding, t.HammerWear = m.grinder.blind, m.grinder.wear
	if s := d.feed + d.feedWater; s > 0 {
		t.PulpSolids = d.feed / s
	}
	t.DeckLoad = d.feed / d.areaM2
	t.Deck, t.Bed, t.WaterSlimes = d.last, d.bed, m.water.slimes()
	t.SandsRate, t.OverflowRate = 3600*m.flow.sands.solids, 3600*m.flow.overflow.solids
	var gold, solids float64
	for p := range Products {
		t.SolidsRate[p] = 3600 * m.flow.products[p].solids
		t.GoldRate[p] = 3600 * m.flow.products[p].gold
		gold += m.window[p].gold
		solids += m.window[p].solids
	}
	for p := range Products {
		if gold > 0 {
			t.Recovery[p] = m.window[p].gold / gold
		}
		if solids > 0 {
			t.MassPull[p] = m.window[p].solids / solids
		}
	}
	for i := range m.nDecks {
		t.Bank = t.Bank || m.decks[i].bank
	}
	t.GoldFed, t.SolidsFed = m.windowIn.gold, m.windowIn.solids
	return t
}
