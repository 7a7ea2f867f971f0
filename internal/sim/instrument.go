package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"decktrim/internal/plant"
)

// Alias is the frequency that f shows as when it is sampled at fs without a filter
// before it: |f - k fs| with the whole k that makes it least. Both in Hz.
func Alias(f, fs float64) float64 {
	if fs <= 0 {
		return 0
	}
	return math.Abs(f - math.Round(f/fs)*fs)
}

// Instrument is one channel's instrument: gain, tare, drift with the day's
// temperature, creep, the shaking of mill and table, noise, and the faults it has
// been given. It returns what arrives at the chip's input; the chip adds its own
// steps. Figures of the right order, assumed; the same seed gives the same
// instrument.
type Instrument struct {
	ch     plant.Channel
	rng    *rand.Rand
	noisy  nature
	span   float64 // channel unit
	gain   float64
	offset float64 // channel unit
	perDeg float64 // channel unit per deg C
	last   time.Time
	warmth float64 // deg C about the day's mean, lagged 30 min
	shaft  float64 // turns of the mill's shaft
	deck   float64 // strokes of the table
	shaftF float64 // Hz
	creep  float64 // channel unit
	drift  float64 // zero drift of a belt scale, channel unit

	troubled bool    // faults come by themselves
	nextDown float64 // s
	faults   faults
	wiredTo  *plant.Channel // swapped wires
	held     float64
	given    bool
}

// nature is what kind of instrument it is.
type nature struct {
	noise   float64 // sd, share of span
	shake   float64 // amplitude at the mill's shaft, share of span
	jig     float64 // amplitude at the table's strokes, share of span
	gain    float64 // sd of the gain
	drift   float64 // share of span per deg C
	creep   float64 // share of a load step, over 30 min
	ripple  float64 // share of the value
	lowCut  float64 // share of span below which a meter stops
	offset  float64 // channel unit
	perDay  float64 // zero drift, share of span per day
	exact   bool    // a contact, a set-point, a typed value
	clipped bool
}

type faults struct {
	stuck    bool
	railed   float64 // +1 or -1
	spike    float64 // channel unit, one sample
	perHour  float64 // drift, channel unit per hour
	since    time.Time
	shift    float64 // channel unit
	gain     float64 // factor, 0 for 1
	noise    float64 // factor on the noise, 0 for 1
	downTill time.Time
	broken   bool
}

// FaultKinds names what Fault knows; amounts are in the channel's unit.
func FaultKinds() []string {
	return []string{"stuck", "railed", "spike", "drift", "zero shift", "tare jump", "gain", "noise", "broken wire", "dropout", "none"}
}

// NewInstrument builds the usual instrument of a channel.
func NewInstrument(ch plant.Channel, seed uint64) *Instrument {
	var h uint64 = 14695981039346656037 // FNV-1a of the name, so that channels differ
	for _, c := range []byte(ch.Name) {
		h = (h ^ uint64(c)) * 1099511628211
	}
	i := &Instrument{ch: ch, rng: rand.New(rand.NewPCG(seed, h))}
	i.span = ch.Range[1] - ch.Range[0]
	if i.span <= 0 {
		i.span = 1
	}
	i.noisy = natureOf(ch)
	i.gain = 1
	if !i.noisy.exact {
		i.gain += i.noisy.gain * clip3(i.rng.NormFloat64())
		i.offset = i.noisy.offset * clip3(i.rng.NormFloat64())
		i.perDeg = i.noisy.drift * i.span * (2*i.rng.Float64() - 1)
	}
	i.shaftF = 24.2 + 0.6*(i.rng.Float64()-0.5)
	i.nextDown = 6 * 3600 * i.rng.ExpFloat64()
	return i
}

// natureOf is the usual instrument of a channel.
func natureOf(ch plant.Channel) nature {
	table := ch.Role == plant.Concentrate1Weight || ch.Role == plant.Concentrate2Weight || ch.Role == plant.MiddlingsWeight
	switch ch.Role {
	case plant.JawRunning, plant.TableRunning, plant.ClassifierRunning, plant.PumpRunning:
		return nature{exact: true}
	case plant.FeedSetpoint, plant.MillWaterSetpoint, plant.WashWaterSetpoint:
		return nature{exact: true}
	}
	switch ch.Signal {
	case plant.Typed, plant.Computed:
		return nature{exact: true}
	case plant.Bridge:
		n := nature{noise: 0.00015, shake: 0.002, jig: 0.0005, gain: 0.001, drift: 0.0001, creep: 0.0002}
		if table {
			n.shake, n.jig = 0.001, 0.003
		}
		return n
	case plant.CurrentTransformer:
		return nature{noise: 0.002, gain: 0.02, ripple: 0.025, offset: 0.2, clipped: true}
	case plant.Pulse:
		if ch.Role == plant.BeltSpeed || ch.Role == plant.TableStrokeRate {
			return nature{noise: 0.0004}
		}
		return nature{noise: 0.001, gain: 0.01, lowCut: 0.06}
	}
	switch ch.Role {
	case plant.FeedRate, plant.BeltLoad, plant.JawBeltLoad:
		return nature{noise: 0.008, gain: 0.005, perDay: 0.005}
	case plant.FeederDrive:
		return nature{noise: 0.0005}
	}
	return nature{noise: 0.001, gain: 0.003, drift: 0.0001}
}

// Observe is what arrives at the chip's input at a time, in the channel's unit, when
// the truth is so much in RoleUnit of the channel's role. m says how the machines
// shake; nil: they stand. Times must not go back.
func (i *Instrument) Observe(truth float64, at time.Time, m *Mill) float64 {
	truth = inUnit(truth, &i.ch)
	if o := i.wiredTo; o != nil && m != nil {
		if v, ok := m.Signal(o.Role); ok && o.Range[1] > o.Range[0] {
			share := (inUnit(v, o) - o.Range[0]) / (o.Range[1] - o.Range[0])
			truth = i.ch.Range[0] + share*i.span
		}
	}
	if i.last.IsZero() {
		i.last = at
	}
	dt := max(0, at.Sub(i.last).Seconds())
	i.last = at
	n := &i.noisy
	y := truth
	if !n.exact {
		y = i.analogue(truth, at, dt, m)
	}
	if i.troubled {
		i.misbehave(at, dt)
	}
	return i.lie(y, at)
}

// analogue adds what an honest instrument adds.
func (i *Instrument) analogue(truth float64, at time.Time, dt float64, m *Mill) float64 {
	n := &i.noisy
	f := &i.faults
	hour := float64(at.UTC().Hour()) + float64(at.UTC().Minute())/60
	day := 7.5 * math.Sin(2*math.Pi*(hour-16)/24) // a day cycle of 15 deg C
	i.warmth += (day - i.warmth) * min(1, dt/1800)
	if truth < n.lowCut*i.span {
		return 0 // a turbine that does not turn
	}
	y := i.gain*truth + i.offset + i.perDeg*i.warmth
	if n.creep > 0 {
		i.creep += (n.creep*truth - i.creep) * min(1, dt/1800)
		y += i.creep
	}
	if n.perDay > 0 {
		i.drift += n.perDay * i.span * math.Sqrt(dt/86400) * i.rng.NormFloat64()
		y += i.drift
	}
	load, strokes, imbalance := 0.0, 0.0, 1.0
	if m != nil {
		load = m.grinder.current / max(1, m.grinder.motor.Rated)
		strokes = m.strokeRate() / 60
		imbalance = m.hammer
	}
	slip := 1 - 0.015*load
	i.shaft += i.shaftF * slip * dt
	i.shaft -= math.Floor(i.shaft)
	i.deck += strokes * dt
	i.deck -= math.Floor(i.deck)
	if load > 0 {
		wave := math.Sin(2*math.Pi*i.shaft) + 0.3*math.Sin(4*math.Pi*i.shaft)
		y += n.shake * i.span * load * imbalance * wave
		y += n.ripple * truth * math.Sin(2*math.Pi*4*i.shaft)
	}
	if strokes > 0 {
		y += n.jig * i.span * math.Sin(2*math.Pi*i.deck)
	}
	y += n.noise * i.span * orElse(f.noise, 1) * i.rng.NormFloat64()
	if n.clipped {
		y = max(i.ch.Range[0], min(i.ch.Range[1], y))
	}
	switch i.ch.Signal {
	case plant.Pulse:
		y = max(0, y)
	case plant.Loop420:
		// While it measures, a transmitter keeps its loop between 3.8 and 20.5 mA
		// (NAMUR NE 43); a hair inside, so that rounding makes no fault of it.
		y = max(i.ch.Range[0]-0.0124*i.span, min(i.ch.Range[1]+0.0312*i.span, y))
	}
	return y
}

// lie adds the faults.
func (i *Instrument) lie(y float64, at time.Time) float64 {
	f := &i.faults
	if f.stuck && i.given {
		return i.held
	}
	y = y*orElse(f.gain, 1) + f.shift
	if f.perHour != 0 {
		if f.since.IsZero() {
			f.since = at
		}
		y += f.perHour * at.Sub(f.since).Hours()
	}
	y += f.spike
	f.spike = 0
	switch {
	case f.broken || f.railed < 0:
		y = i.ch.Range[0] - 0.25*i.span // a dead loop: 0 mA
	case f.railed > 0:
		y = i.ch.Range[1] + 0.10*i.span // 21.6 mA
	}
	i.held, i.given = y, true
	return y
}

// Troubled lets faults come by themselves: the device gone for 40 s every 6 h, a
// spike every 2 h, a stuck value some times a month.
func (i *Instrument) Troubled(yes bool) { i.troubled = yes }

func (i *Instrument) misbehave(at time.Time, dt float64) {
	i.nextDown -= dt
	if i.nextDown <= 0 {
		i.faults.downTill = at.Add(time.Duration(40 * i.rng.ExpFloat64() * float64(time.Second)))
		i.nextDown = 6 * 3600 * i.rng.ExpFloat64()
	}
	if !i.noisy.exact && i.rng.Float64() < dt/7200 {
		i.faults.spike = (5 + 45*i.rng.Float64()) * i.noisy.noise * i.span
	}
	switch {
	case i.faults.stuck && i.rng.Float64() < dt/1200:
		i.faults.stuck = false
	case !i.faults.stuck && !i.noisy.exact && i.rng.Float64() < dt/(8*86400):
		i.faults.stuck = true
	}
}

// Answers says whether the device answers at all; while it does not, a driver gets
// no value.
func (i *Instrument) Answers(at time.Time) bool { return !at.Before(i.faults.downTill) }

// Fault gives the instrument a fault, from FaultKinds, with its amount: "railed" +1
// or -1 (default +1), "spike" the height of one sample (default half the span),
// "drift" per hour (default 2 % of the span), "zero shift" and "tare jump" the shift
// (default 5 % of the span), "gain" and "noise" a factor (default 0.95 and 5),
// "dropout" seconds after the last observation (default 40). "none" heals it.
func (i *Instrument) Fault(kind string, args ...float64) error {
	if len(args) > 1 {
		return fmt.Errorf("instrument fault %q of channel %s takes one amount, not %d", kind, i.ch.Name, len(args))
	}
	amount := func(usual float64) float64 {
		if len(args) == 1 {
			return args[0]
		}
		return usual
	}
	if a := amount(0); math.IsNaN(a) || math.IsInf(a, 0) {
		return fmt.Errorf("instrument fault %q of channel %s: the amount %v is no figure", kind, i.ch.Name, a)
	}
	f := &i.faults
	switch wordBreaks.Replace(kind) {
	case "stuck":
		f.stuck = true
	case "railed":
		f.railed = amount(1)
	case "spike":
		f.spike = amount(0.5 * i.span)
	case "drift":
		f.perHour, f.since = amount(0.02*i.span), i.last
	case "zero shift", "tare jump":
		f.shift += amount(0.05 * i.span)
	case "gain":
		f.gain = amount(0.95)
	case "noise":
		f.noise = amount(5)
	case "broken wire":
		f.broken = true
	case "dropout":
		f.downTill = i.last.Add(time.Duration(amount(40) * float64(time.Second)))
	case "none":
		*f = faults{}
	default:
		return unknown("instrument fault", kind, FaultKinds())
	}
	return nil
}

// Swap crosses the wires of two instruments: the signal of each arrives at the
// other's chip and is read there as the same share of the span. Swapping again puts
// it right. It needs the mill in Observe.
func Swap(a, b *Instrument) {
	if a.wiredTo != nil {
		a.wiredTo, b.wiredTo = nil, nil
		return
	}
	a.wiredTo, b.wiredTo = &b.ch, &a.ch
}

// inUnit is a role's value in a channel's unit; as it is where the units do not
// convert, which the plant file's check has refused before.
func inUnit(v float64, ch *plant.Channel) float64 {
	if from := RoleUnit(ch.Role); from != "" && from != ch.Unit {
		if c, err := convert(v, from, ch.Unit); err == nil {
			return c
		}
	}
	return v
}

// PulseCounter turns a rate into whole pulses, keeping the rest: counting 1 s at 60
// pulses a litre gives steps of 1 L/min.
type PulseCounter struct{ rest float64 }

// Count is the pulses of dt at a rate per minute with k pulses per unit.
func (c *PulseCounter) Count(perMinute, k float64, dt time.Duration) uint64 {
	if !(perMinute > 0) || !(k > 0) || math.IsInf(perMinute*k, 0) {
		return 0
	}
	c.rest += perMinute / 60 * k * dt.Seconds()
	whole := math.Floor(c.rest)
	c.rest -= whole
	return uint64(whole)
}
