package sim

import "decktrim/internal/plant"

// taps is what the return water gives in one second, L/min, and the slimes it
// carries, which go by the decks' tailings.
type taps struct {
	mill, launder, wash float64 // L/min, wash per deck
	slimes, slimesGold  float64 // kg, g
}

// waterSystem is the pond, its pump and the header the taps hang on.
type waterSystem struct {
	water      float64 // kg
	suspended  product // in the water
	settled    product // on the bottom; lost to the plant
	mud        float64 // kg of water in it
	area       float64 // m2
	target     float64 // m, kept by the make-up
	top        float64 // m, of the level instrument
	freeboard  float64 // m
	usual      float64 // L/min, all taps
	pressure   float64 // share of the usual head, lagged
	pump       float64 // 0..1, lagged
	open       float64 // 0..1, taps opened
	blockedUp  float64 // share of the wash water lost to blocked spray holes
	wander     float64 // slow noise of the head
	hose       float64 // s left of somebody's hose
	makeup     float64 // L/min
	returnFlow float64 // L/min
	millFlow   float64
	washFlow   float64
	laundFlow  float64
	millLost   float64 // share lost, lagged
	washLost   float64
	rain       float64 // L/min
}

func newWaterSystem(p *plant.Plant, usual float64) waterSystem {
	w := waterSystem{area: orElse(p.Pond.Area, 89), usual: usual, pressure: 1, open: 1, pump: 1}
	w.top = 1.5
	if c, ok := p.ChannelByRole(plant.PondLevel); ok {
		if top, err := convert(c.Range[1], c.Unit, "m"); err == nil && top > 0 {
			w.top = top
		}
	}
	w.freeboard = orElse(p.Pond.Freeboard, 0.3)
	w.target = max(0.3*w.top, min(orElse(p.Pond.Volume, 110)/w.area, 0.75*(w.top-w.freeboard)))
	w.water = w.target * w.area * 1000
	w.suspended = product{solids: 0.001 * w.water * 2.65, volume: 0.001 * w.water}
	return w
}

// level is the pond's, m, as if its walls were upright.
func (w *waterSystem) level() float64 { return (w.water + w.suspended.volume) / 1000 / w.area }

// slimes is the volume fraction of solids in the water.
func (w *waterSystem) slimes() float64 {
	if w.water <= 0 {
		return 0
	}
	return min(0.3, w.suspended.volume/w.water) // thicker is mud, which no pump lifts
}

// draw opens the taps for a second. The flow of a tap goes with the root of the
// head, and the head sags when more is drawn: wash water and mill water are coupled.
func (w *waterSystem) draw(m *Mill, on bool) taps {
	decks := float64(m.nDecks)
	pumpOn := on && !m.upsets[pumpStopped].on
	lag(&w.pump, choose(pumpOn, 1, choose(on, 0.02, 0)), 1.5)
	lag(&w.open, choose(on, 1, 0), 3)
	w.wander += -w.wander/240 + 0.008*0.0913*m.rng.NormFloat64() // sd 0.8 %, 240 s
	if w.hose > 0 {
		w.hose--
	}
	drawn := w.millFlow + w.laundFlow + w.washFlow*decks + choose(w.hose > 0, 0.35*w.usual, 0)
	head := 1 - 0.16*(drawn/w.usual-1) + 0.05*(w.level()/w.target-1)
	lag(&w.pressure, max(0.3, min(1.25, head)), 3)
	flow := sqrt(w.pressure*w.pump) * w.open * (1 + w.wander)
	if w.water < 500 {
		flow = 0 // the pump sucks air
	}
	lag(&w.millLost, choose(m.upsets[millWaterLoss].on, m.upsets[millWaterLoss].size, 0), 3)
	lag(&w.washLost, choose(m.upsets[washWaterLoss].on, m.upsets[washWaterLoss].size, 0), 3)
	if c := w.slimes(); c > 0.03 && on {
		w.blockedUp = min(0.4, w.blockedUp+0.02/3600)
	}
	washing := choose(m.mode == washDown, 1.5, m.operator.rinse)
	w.millFlow = m.set.mill * flow * (1 - w.millLost)
	w.laundFlow = m.set.launder * flow
	w.washFlow = m.set.wash * flow * (1 - w.washLost) * (1 - w.blockedUp) * washing
	total := w.millFlow + w.laundFlow + w.washFlow*decks
	w.returnFlow = total
	kg := total / 60
	t := taps{mill: w.millFlow, launder: w.laundFlow, wash: w.washFlow}
	carried := w.suspended.take(kg / max(1, kg, w.water))
	t.slimes, t.slimesGold = carried.solids, carried.gold
	w.water -= kg
	return t
}

// step settles the pond, tops it up and lets it dry for a second.
func (w *waterSystem) step(m *Mill) {
	const settle = 0.05 // m/h, slimes
	if depth := w.level(); depth > 0.01 {
		down := w.suspended.take(settle / 3600 / depth)
		w.settle(down)
	}
	want := 0.0
	if !m.upsets[pondLow].on && m.mode != stopped {
		want = max(0, min(2.5*w.usual/10, 25*m.nominal/2+3000*(w.target-w.level())))
	}
	lag(&w.makeup, want, 20)
	w.rain = choose(m.upsets[pondHigh].on, m.upsets[pondHigh].size, 0)
	in := (w.makeup + w.rain) / 60
	w.water += in
	m.books.in.water += in
	out := 0.005 * w.area / 86400 * 1000 // 5 mm a day
	if u := &m.upsets[pondLow]; u.on {
		out += u.size / 60
	}
	out = min(out, w.water)
	w.water -= out
	m.books.out.water += out
}

// settle lays solids on the bottom: mud keeps its own weight of water.
func (w *waterSystem) settle(p product) {
	held := min(p.solids, w.water)
	w.water -= held
	w.mud += held
	w.settled.add(p)
}

func (w *waterSystem) total() stock {
	return stock{solids: w.suspended.solids + w.settled.solids, gold: w.suspended.gold + w.settled.gold, water: w.water + w.mud}
}

// classifier is the spiral classifier on the tailings.
type classifier struct {
	tank     stock
	back     stock   // sands that a standing spiral has left in the tank
	room     float64 // kg of sand the tank takes
	spilling bool    // sands go over to the pond
}

// Sand moisture and the tank's lag: assumed.
const (
	sandMoisture  = 0.21
	classifierLag = 60.0
)

// partition is the share of grains of size d that goes with the overflow.
func partition(dUm, d50Um float64) float64 {
	r := dUm / d50Um
	return 1 / (1 + r*r*r)
}

// step splits one second of tailings into sands, which leave the plant, and the
// overflow, which goes to the pond.
func (c *classifier) step(m *Mill, in stock) {
	c.tank.add(in)
	w := c.tank.water / 5 // water runs through quickly
	c.tank.water -= w
	s := c.tank.take(1 / classifierLag)
	w += s.water
	s.water = 0

	port := m.set.port
	var solidsOver, goldOver float64
	light := &m.sizing.gangue
	d := &m.decks[0].last
	var goldAll float64
	for i := range sizes {
		p := partition(SizeUm[i], port)
		solidsOver += light[i] * p
		free := m.sizing.gold[i] * d.FreeBy[i][Tailings] * m.blend.FreeShare
		locked := light[i] * (1 - m.blend.FreeShare)
		goldAll += free + locked
		goldOver += free*partition(2.2*SizeUm[i], port) + locked*p // gold settles as quartz of some 2.2 times its size
	}
	if goldAll > 0 {
		goldOver /= goldAll
	}
	over := product{solids: s.solids * solidsOver, gold: s.gold * goldOver}
	sand := stock{solids: s.solids - over.solids, gold: s.gold - over.gold}
	turning := m.mode != stopped && !m.upsets[classifierStopped].on
	c.spilling = false
	if turning {
		sand.add(c.back.take(1.0 / 300))
	} else {
		c.back.add(sand)
		sand = stock{}
		if extra := c.back.solids - c.room; extra > 0 {
			run := c.back.take(extra / c.back.solids)
			over.solids += run.solids
			over.gold += run.gold
			c.spilling = true
		}
	}
	sand.water = min(w, sandMoisture/(1-sandMoisture)*sand.solids)
	w -= sand.water
	m.books.out.add(sand)
	over.volume = over.solids / 2.65
	if c.spilling { // sand drops at once
		m.water.settle(over.take(0.7))
	}
	m.water.suspended.add(over)
	m.water.water += w
	m.flow.sands, m.flow.overflow = sand, over
}
