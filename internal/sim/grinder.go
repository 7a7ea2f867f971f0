package sim

import (
	"math"

	"decktrim/internal/plant"
)

// grinder is the wet hammer mill with its slotted screen.
type grinder struct {
	hold              stock
	rate              float64 // t/h out, lagged 10 s, for the product size
	blind             float64 // B, 0..0.6
	wear              float64 // h, 0..1
	torn              bool
	bogged            bool
	inSolids, inWater float64 // kg/s, lagged
	forced            float64 // share of the usual throughput in a forced choke; 0: none
	hosed             float64 // s left of a hose-down
	power             float64 // kW
	current           float64 // A
	volts             float64 // V
	engine            bool
	motor             Motor
	most              float64 // t/h, C_0
	choke             float64 // kg, H_choke
	out               float64 // kg/s solids
}

// Motor is what turns mill power into current.
type Motor struct {
	Magnetising  float64 // A
	IdlePower    float64 // kW, P_0
	PowerFactor  float64 // power factor times efficiency
	EnergyFactor float64 // 1: as Bond's law gives it; scales it to the plant's motor
	Rated        float64 // A
}

// Grinding constants; assumed unless said.
const (
	millLag     = 14.0    // s, tau_m
	holdPower   = 0.15    // kW per kg of hold-up
	wearLife    = 100.0   // t of hard quartz per hammer set
	feedSizeUm  = 12000.0 // F80
	bondEff     = 0.45    // eta
	usualVolts  = 400.0
	usualFactor = 0.77
)

// BondEnergy is the specific energy of grinding in kWh/t from f80Um to p80Um with an
// efficiency of 0..1: 10 Wi (1/sqrt(P80) - 1/sqrt(F80)) / eta, sizes in um (Bond).
func BondEnergy(workIndex, f80Um, p80Um, efficiency float64) float64 {
	return 10 * workIndex * (1/math.Sqrt(p80Um) - 1/math.Sqrt(f80Um)) / efficiency
}

// Current is the line current in A of a three-phase motor that draws kW at volts.
func (mo Motor) Current(kW, volts float64) float64 {
	active := 1000 * kW / (math.Sqrt(3) * volts * mo.PowerFactor)
	return math.Hypot(mo.Magnetising, active)
}

func newGrinder(p *plant.Plant, nominal float64) grinder {
	g := grinder{most: 2 * nominal, choke: 50 * nominal, rate: nominal, engine: p.Mill.Drive == "engine"}
	g.volts = orElse(p.Mill.Voltage, usualVolts)
	mo := Motor{Magnetising: 18, IdlePower: 2.75 * nominal, PowerFactor: usualFactor, EnergyFactor: 1}
	perAmp := math.Sqrt(3) * g.volts * mo.PowerFactor / 1000 // kW
	if idle := p.Mill.IdleCurrent; idle > 0 {
		mo.Magnetising = 0.82 * idle
		mo.IdlePower = perAmp * math.Sqrt(idle*idle-mo.Magnetising*mo.Magnetising)
	}
	// A plant file names its motor: let an ordinary ore at the nominal feed take
	// 78 % of the rated current, whatever energy per tonne that means.
	ordinary := BondEnergy(14, feedSizeUm, 420, bondEff) * nominal
	loadPower := func(rated float64) float64 {
		i := 0.78 * rated
		return perAmp*math.Sqrt(max(0, i*i-mo.Magnetising*mo.Magnetising)) - mo.IdlePower - holdPower*nominal/3.6*millLag
	}
	mo.Rated = p.Mill.RatedCurrent
	if mo.Rated > 0 && loadPower(mo.Rated) > 0 {
		mo.EnergyFactor = loadPower(mo.Rated) / ordinary
	} else {
		mo.Rated = mo.Current(mo.IdlePower+ordinary, g.volts) / 0.78
	}
	g.motor = mo
	return g
}

// p80 is the product size in um at a rate of t/h through a slot in mm.
func (g *grinder) p80(o *OreSource, slot, tph float64) float64 {
	p := o.P80 * slot / 0.8 * (1 + 0.35*g.wear) * math.Pow(max(0.1, tph)/2, 0.10)
	if g.torn {
		p *= 2
	}
	return p
}

// liberated is the ore with the free share that a grind to p80Um leaves: that of the
// ore table at its own P80, following 1/(1 + (P80/(4 d50))^1.5).
func (g *grinder) liberated(o *OreSource, p80Um float64) OreSource {
	out := *o
	at := func(p float64) float64 { return 1 / (1 + math.Pow(p/(4*o.GoldD50), 1.5)) }
	out.FreeShare = min(0.97, o.FreeShare*at(p80Um)/at(o.P80))
	return out
}

// capacity is C_s, kg/s.
func (g *grinder) capacity(o *OreSource, slot, solidsShare float64) float64 {
	c := g.most / 3.6 * math.Pow(slot/0.8, 0.8) * (1 - g.blind) * (1 - 0.30*g.wear) / math.Sqrt(o.Hardness)
	if dry := solidsShare - 0.45; dry > 0 { // a mill short of water does not pass its screen
		c *= max(0.15, 1-dry/0.35)
	}
	return c
}

// step grinds for one second.
func (g *grinder) step(m *Mill, in stock, on bool) (out stock) {
	o := &m.blend
	g.hold.add(in)
	h := &g.hold
	lag(&g.inSolids, in.solids, 10)
	lag(&g.inWater, in.water, 10)
	share := g.inSolids / max(1e-9, g.inSolids+g.inWater)
	if g.hosed > 0 {
		g.hosed--
		g.blind = max(0, g.blind-0.01)
	}
	g.blind += 0.011 * o.Clay * max(0, min(0.3, share-0.35))
	g.blind = max(0, min(0.6, g.blind))

	limit := g.capacity(o, m.set.slot, share)
	switch {
	case h.solids > g.choke:
		g.bogged = true
	case h.solids < 0.3*g.choke:
		g.bogged = false
	}
	if g.bogged {
		limit *= 0.4
	}
	if g.forced > 0 {
		limit = min(limit, g.forced*m.nominal/3.6)
	}
	q := 0.0
	if on {
		q = min(h.solids/(millLag*(1+0.6*g.blind)), limit)
	}
	fraction := 0.0
	if h.solids > 0 {
		fraction = q / h.solids
	}
	w := 0.0
	if on || h.water > 50 {
		w = h.water / 8
	}
	out = stock{solids: h.solids * fraction, gold: h.gold * fraction, fresh: h.fresh * fraction, water: w}
	h.solids -= out.solids
	h.gold -= out.gold
	h.fresh -= out.fresh
	h.water -= out.water
	g.out = out.solids
	lag(&g.rate, out.solids*3.6, 10)
	g.wear = min(1, g.wear+out.solids/1000*o.Abrasion/wearLife)

	g.power, g.current = 0, 0
	if on {
		// The hammers beat what is inside, not what leaves: a bogged mill draws
		// more while it passes less.
		worked := min(h.solids/millLag, 1.1*g.most/3.6) * 3.6
		e := BondEnergy(o.WorkIndex, feedSizeUm, max(60, o.P80*m.set.slot/0.8), bondEff) * g.motor.EnergyFactor
		if g.torn {
			e *= 0.88 // assumed, so that the current falls by 5 to 10 %
		}
		g.power = g.motor.IdlePower*(1+0.1*g.wear) + e*worked + holdPower*h.solids
		g.current = g.motor.Current(g.power, g.volts)
	}
	return out
}
