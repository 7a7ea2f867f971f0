package sim

import (
	"math"
	"math/rand/v2"

	"decktrim/internal/plant"
)

// lot is what one lot of an ore brought.
type lot struct {
	head     float64 // g/t
	hardness float64 // factor
	moisture float64 // factor
	sulphide float64 // factor
	wander   float64 // log of the grade about the lot's head, autoregressive
}

// drawLot draws a lot: the head lognormal about the source's mean and inside its
// range, the rest with a coefficient of variation of 10 to 20 %.
func (m *Mill) drawLot(o *OreSource) lot {
	return lot{
		head:     drawHead(m.rng, o),
		hardness: math.Exp(0.10 * clip3(m.rng.NormFloat64())),
		moisture: math.Exp(0.10 * clip3(m.rng.NormFloat64())),
		sulphide: math.Exp(0.12 * clip3(m.rng.NormFloat64())),
	}
}

func clip3(x float64) float64 { return max(-3, min(3, x)) }

// drawHead is the head grade of a lot, g/t.
func drawHead(rng *rand.Rand, o *OreSource) float64 {
	s := math.Sqrt(math.Log(1 + o.LotCV*o.LotCV))
	h := o.Head * math.Exp(s*clip3(rng.NormFloat64())-s*s/2)
	return max(o.HeadLow, min(o.HeadHigh, h))
}

// feeder is the fine-ore bin and what draws from it.
type feeder struct {
	bin      stock
	falling  stock   // dumps on their way in
	capacity float64 // kg wet
	dump     float64 // kg
	byJaw    bool
	byLoader bool
	most     float64 // kg/s wet at full drive with a full bin

	noise    float64 // e, coloured
	stuck    float64 // s, sticking
	shed     float64 // kg left of a shed
	bridge   float64 // b
	released bool    // the slug after a bridge is on its way
	push     float64 // factor of a surge, 1 usual
	jawOn    bool
	jawNoise float64
	jawRest  float64 // s that the jaw stands for a stuck lump
	jawRate  float64 // t/h wet
	jawNow   float64 // t/h, this second
	dumpWait float64 // s to the next dump
	blocked  bool    // nothing is filled in
	runDown  bool    // the bin is run low before another ore
	out      float64 // kg/s wet, this second
}

// feederPower is n of the feeder's curve, drive to rate: vibrating feeders answer
// more than in proportion.
const feederPower = 1.4

func newFeeder(p *plant.Plant, nominal float64, rng *rand.Rand) feeder {
	f := feeder{capacity: orElse(p.Bin.Capacity, 3000*nominal), dump: orElse(p.Bin.Dump, 900), bridge: 1, push: 1}
	f.byLoader = p.Bin.FilledBy == "loader" || p.Bin.FilledBy == "both"
	f.byJaw = !f.byLoader || p.Bin.FilledBy == "both"
	f.most = nominal / 3.6 / math.Pow(0.6, feederPower)
	f.jawRate = nominal * (1.6 + 0.3*rng.Float64())
	f.dumpWait = 900
	return f
}

// starve is g(M): a nearly empty bin gives less.
func (f *feeder) starve() float64 { return 1 - math.Exp(-f.bin.wet()/300) }

// driveFor is the drive that gives a rate in t/h with a clean, full bin.
func (f *feeder) driveFor(tph float64) float64 {
	return min(1, math.Pow(max(0, tph/3.6/f.most), 1/feederPower))
}

// rateAt is its inverse.
func (f *feeder) rateAt(drive float64) float64 { return 3.6 * f.most * math.Pow(drive, feederPower) }

// step draws one second's feed.
func (f *feeder) step(m *Mill, on bool) stock {
	moisture := 0.0
	if w := f.bin.wet(); w > 0 {
		moisture = f.bin.water / w
	}
	const noiseSD, noiseLag = 0.06, 5.0
	f.noise += -f.noise/noiseLag + noiseSD*math.Sqrt(2/noiseLag)*m.rng.NormFloat64()
	f.stuck += 0.004*max(0, moisture-0.06)*(1-f.stuck) - f.stuck/1800
	extra := 0.0
	if f.shed > 0 {
		// What lets go slides out at a pace of its own: a slug of twice the feed, as
		// surges are (1.3 to 2.5 times), until its 20 to 80 kg are through.
		extra = min(f.shed, m.nominal/3.6)
		f.shed -= extra
	}
	f.out = 0
	if !on || m.belt.heap.wet() > heapLimit {
		return stock{}
	}
	q := f.most * math.Pow(m.set.drive*m.operator.trim, feederPower) * f.starve() * (1 - f.stuck) * f.bridge * f.push * max(0.2, 1+f.noise)
	q += extra
	wet := f.bin.wet()
	if wet <= 0 {
		return stock{}
	}
	out := f.bin.take(q / wet)
	f.out = out.wet()
	return out
}

// fill puts wet kg of the present ore into the bin, at the grade of this second.
func (m *Mill) fill(kg float64, falling bool) {
	ore, l := &m.oldOre, &m.oldLot
	if m.changing {
		ore, l = &m.newOre, &m.newLot
	}
	moisture := min(0.25, ore.Moisture*l.moisture)
	in := stock{solids: kg * (1 - moisture), water: kg * moisture}
	in.gold = in.solids / 1000 * l.head * math.Exp(l.wander-0.5*wanderSD*wanderSD)
	if m.changing {
		in.fresh = in.solids
	}
	m.books.in.add(in)
	if falling {
		m.feeder.falling.add(in)
	} else {
		m.feeder.bin.add(in)
	}
}

// The grade inside a lot wanders about its head: coefficient of variation 0.3 with a
// correlation of 40 min (assumed).
const (
	wanderSD  = 0.30
	wanderLag = 2400.0
)

// fillBin runs the jaw or the loader for one second.
func (m *Mill) fillBin() {
	f := &m.feeder
	l := &m.oldLot
	if m.changing {
		l = &m.newLot
	}
	l.wander += -l.wander/wanderLag + wanderSD*math.Sqrt(2/wanderLag)*m.rng.NormFloat64()

	atWork := m.mode == filling || m.mode == running
	f.bin.add(f.falling.take(1.0 / 4)) // a bucket takes some 10 s to empty
	level := f.bin.wet() / f.capacity
	if f.runDown && level > 0.12 {
		f.jawOn, f.jawNow = false, 0
		return
	}
	f.runDown = false
	if f.byJaw {
		switch {
		case !atWork || level > 0.92 || f.blocked:
			f.jawOn = false
		case level < 0.40:
			f.jawOn = true
		}
		if f.jawRest > 0 {
			f.jawRest--
		}
		f.jawNoise += -f.jawNoise/30 + 0.10*math.Sqrt(2.0/30)*m.rng.NormFloat64()
		f.jawNow = 0
		if f.jawOn && f.jawRest <= 0 {
			f.jawNow = f.jawRate * max(0.3, 1+f.jawNoise)
			m.fill(f.jawNow/3.6, false)
		}
	}
	if f.byLoader && atWork && !f.blocked {
		f.dumpWait--
		low := 0.35
		if f.byJaw {
			low = 0.30 // the loader helps the jaw out
		}
		if f.dumpWait <= 0 && level < low || level < 0.12 && f.dumpWait < 600 {
			m.fill(f.dump*(0.85+0.3*m.rng.Float64()), true)
			f.dumpWait = 60 + 120*m.rng.Float64()
			if level < low-0.2 {
				f.dumpWait = 30
			}
		}
	}
}
