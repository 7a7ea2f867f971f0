// Package validity decides how far a reading can be believed: range, the limits of
// a 4-20 mA loop with their waiting time, rate of change, spike, stuck, age. It is
// pure; the time of each reading is given.
//
// A reading that fails keeps its value and gets quality bad with one reason;
// while it is not yet certain, the last good value goes out as stale, never as
// good. What no device answered has no value at all: nothing is held over.
package validity

import (
	"math"
	"time"

	"decktrim/internal/plant"
)

// Limits of a loop in mA, NAMUR NE 43 (check value MA-03; several public summaries
// agree, the recommendation itself was not seen).
const (
	LoopFaultLow   = 3.6  // at or below: failure, or a broken wire
	LoopLow        = 3.8  // from here it measures
	LoopHigh       = 20.5 // up to here it measures
	LoopFaultHigh  = 21.0 // at or above: failure
	LoopHoldBefore = 4 * time.Second
)

// Defaults that are our own choice.
const (
	DefaultMargin     = 0.025            // of span, how far beyond its range an instrument may read: tare drift on an empty bin, and what a loop's own limit allows below
	DefaultStuckAfter = 45 * time.Second // a stuck reading must be marked within 60 s
	jumpReadings      = 3                // so many readings at a new level, and it is one
	agedPeriods       = 3                // a value may be so many periods old
	trend             = 2.0              // how far beyond the recent rate a change is no jump
	spikeSteps        = 12.0             // so many usual changes are no usual change (13 sigma of white noise)
	warmUp            = 30               // readings until the usual change is known
	stepMemory        = 300              // readings over which it is averaged
)

// Limits say which checks a channel gets. Zero values switch a check off, but for
// Period.
type Limits struct {
	Lo, Hi      float64       // the instrument's span, channel unit
	Margin      float64       // of span
	Loop        bool          // mA are known and have limits
	Spike       float64       // smallest change that may be a spike, channel unit
	PerSecond   float64       // fastest believable change, channel unit per second
	StuckAfter  time.Duration // exact repeats for so long are no live signal
	StuckAlways bool          // also while the line stands: a bridge converter's last bits never rest
	Period      time.Duration // between readings
}

// For gives a channel's usual limits. A set-point, a typed or computed value and a
// running contact may well stand still or jump: they get the range alone.
func For(ch plant.Channel, period time.Duration) Limits {
	l := Limits{Lo: ch.Range[0], Hi: ch.Range[1], Margin: DefaultMargin, Period: period}
	span := l.Hi - l.Lo
	if ch.Unit == "1" {
		return l
	}
	switch ch.Signal {
	case plant.Typed, plant.Computed:
		return l
	case plant.Loop420:
		l.Loop, l.StuckAfter = true, DefaultStuckAfter
	case plant.Bridge:
		l.StuckAfter, l.StuckAlways = DefaultStuckAfter, true
	case plant.CurrentTransformer:
		l.StuckAfter = DefaultStuckAfter
	}
	switch ch.Role {
	case plant.FeedSetpoint, plant.MillWaterSetpoint, plant.WashWaterSetpoint, plant.FeederDrive:
		l.StuckAfter = 0 // constancy is right
	case plant.MillCurrent, plant.JawCurrent, plant.MillVoltage:
		// A motor starts or trips within a reading: no limit.
	case plant.BinWeight:
		l.Spike = 0.25 * span // a loader's bucket comes at once and is no spike
	case plant.Concentrate1Weight, plant.Concentrate2Weight, plant.MiddlingsWeight, plant.PondLevel:
		l.Spike = 0.02 * span // nothing but a person emptying it changes these at once
	case plant.FeedRate, plant.BeltLoad, plant.JawBeltLoad:
		l.Spike, l.PerSecond = 0.2*span, 0.5*span // a surge rises over the seconds a belt takes past its scale
	default:
		l.Spike, l.PerSecond = 0.1*span, 0.5*span // a pump that stops takes seconds
	}
	return l
}

// Input is what is known of one reading before it is judged.
type Input struct {
	At    time.Time // when it was measured
	Value float64
	Has   bool
	MA    float64      // of a loop
	Fault plant.Reason // what the device itself says: no-answer, not-ready, saturated, impossible, uncalibrated
	Live  bool         // the line runs, so a live signal moves
}

// Checker judges one channel's readings in order of time.
type Checker struct {
	l Limits

	good     float64 // last value that was good
	goodAt   time.Time
	goodRate float64 // channel unit per second, of the last good change
	step     float64 // usual change from reading to reading, mean of its size
	steps    int
	hasGood  bool

	loopSince time.Time // out of the loop's limits since

	jump   float64 // level that is not believed yet
	jumps  int
	fast   bool    // and it was faster than the quantity can
	repeat float64 // value that repeats
	since  time.Time
	has    bool
}

// New makes a checker.
func New(l Limits) *Checker { return &Checker{l: l} }

// Reset forgets what went before: after a step of the clock.
func (c *Checker) Reset() { *c = Checker{l: c.l} }

// Check judges a reading taken for the frame of time now.
func (c *Checker) Check(now time.Time, in Input) plant.Reading {
	switch in.Fault {
	case "":
	case plant.NotReady:
		return c.old(now, plant.NotReady)
	case plant.Saturated, plant.Impossible:
		c.has = false
		return c.bad(in, in.Fault)
	default:
		c.has, c.jumps = false, 0
		return plant.Reading{Quality: plant.Bad, Reason: in.Fault}
	}
	if !in.Has || math.IsNaN(in.Value) || math.IsInf(in.Value, 0) {
		return plant.Reading{Quality: plant.Bad, Reason: plant.Missing}
	}
	if now.Sub(in.At) > agedPeriods*c.l.Period {
		return c.old(now, plant.TooOld)
	}
	if r, done := c.loop(in); done {
		return r
	}
	if span := c.l.Hi - c.l.Lo; span > 0 {
		if m := c.l.Margin * span; in.Value < c.l.Lo-m || in.Value > c.l.Hi+math.Max(m, loopOverrun(c.l, span)) {
			return c.bad(in, plant.OutOfRange)
		}
	}
	if c.stuck(in) {
		return c.bad(in, plant.Stuck)
	}
	if r, done := c.jumped(in); done {
		return r
	}
	c.learn(in)
	return plant.Reading{Value: in.Value, Has: true, Quality: plant.Good}
}

// loopOverrun is how far above its span a loop may measure: 20.5 mA is 3.125 %.
func loopOverrun(l Limits, span float64) float64 {
	if l.Loop {
		return (LoopHigh - 20) / 16 * span * (1 + 1e-9)
	}
	return 0
}

func (c *Checker) bad(in Input, why plant.Reason) plant.Reading {
	has := in.Has && !math.IsNaN(in.Value) && !math.IsInf(in.Value, 0)
	r := plant.Reading{Has: has, Quality: plant.Bad, Reason: why}
	if has {
		r.Value = in.Value
	}
	return r
}

// old is the last good value while it may still be one, then none.
func (c *Checker) old(now time.Time, why plant.Reason) plant.Reading {
	if c.hasGood && now.Sub(c.goodAt) <= agedPeriods*c.l.Period {
		return plant.Reading{Value: c.good, Has: true, Quality: plant.Stale, Reason: why}
	}
	return plant.Reading{Quality: plant.Bad, Reason: plant.TooOld}
}

// loop judges a loop's current.
func (c *Checker) loop(in Input) (plant.Reading, bool) {
	if !c.l.Loop {
		return plant.Reading{}, false
	}
	fault := in.MA <= LoopFaultLow || in.MA >= LoopFaultHigh
	if !fault {
		c.loopSince = time.Time{}
		if in.MA < LoopLow || in.MA > LoopHigh {
			return c.bad(in, plant.LoopUncertain), true
		}
		return plant.Reading{}, false
	}
	if c.loopSince.IsZero() {
		c.loopSince = in.At
	}
	if in.At.Sub(c.loopSince) >= LoopHoldBefore {
		return c.bad(in, plant.LoopFault), true
	}
	if c.hasGood {
		return plant.Reading{Value: c.good, Has: true, Quality: plant.Stale, Reason: plant.LoopUncertain}, true
	}
	return c.bad(in, plant.LoopUncertain), true
}

// stuck reports exact repeats of a signal that cannot repeat.
func (c *Checker) stuck(in Input) bool {
	if c.l.StuckAfter == 0 {
		return false
	}
	if !c.has || in.Value != c.repeat || !in.Live && !c.l.StuckAlways {
		c.has, c.repeat, c.since = true, in.Value, in.At
		return false
	}
	return in.At.Sub(c.since) >= c.l.StuckAfter
}

// jumped holds back what changed faster than the quantity can.
//
// Two sizes: a change far beyond the usual one from reading to reading is held
// back once, and believed if the next reading says the same: a spike is one odd
// reading between two that agree, and a real step costs one reading. A change
// faster than the quantity can at all is held back for three readings and then
// believed: to lose a quantity for ever would be worse.
func (c *Checker) jumped(in Input) (plant.Reading, bool) {
	if c.l.PerSecond == 0 && c.l.Spike == 0 || !c.hasGood {
		return plant.Reading{}, false
	}
	gap := in.At.Sub(c.goodAt)
	if gap > 10*c.l.Period+time.Minute {
		c.jumps = 0
		return plant.Reading{}, false // after a long gap anything may be true
	}
	dt := math.Max(gap.Seconds(), c.l.Period.Seconds())
	change := in.Value - c.good
	usual := math.Max(c.l.Spike, spikeSteps*c.step)
	// On a ramp the change may be large and is no surprise: both must be.
	odd := c.l.Spike > 0 && c.steps >= warmUp && math.Abs(change) > usual && math.Abs(change-c.goodRate*dt) > usual
	fast := c.l.PerSecond > 0 && math.Abs(change) > math.Max(c.l.PerSecond, trend*math.Abs(c.goodRate))*dt
	if !odd && !fast {
		c.jumps = 0
		return plant.Reading{}, false
	}
	// Does it confirm the one held back before: at least half as far, on the same side?
	if held := c.jump - c.good; c.jumps > 0 && held*change > 0 && math.Abs(change) > math.Abs(held)/2 {
		c.jumps++
	} else {
		c.jumps, c.fast = 1, fast
	}
	c.jump = in.Value
	switch {
	case c.jumps == 1:
		return c.bad(in, plant.Spike), true
	case c.fast && c.jumps <= jumpReadings:
		return c.bad(in, plant.TooFast), true
	}
	// Believed. The step is no measure of the usual change.
	c.jumps, c.goodRate = 0, 0
	c.good, c.goodAt = in.Value, in.At
	return plant.Reading{}, false
}

// learn follows the usual change from reading to reading.
func (c *Checker) learn(in Input) {
	if dt := in.At.Sub(c.goodAt).Seconds(); c.hasGood && dt > 0 {
		change := in.Value - c.good
		c.goodRate = change / dt
		c.steps = min(c.steps+1, stepMemory)
		c.step += (math.Abs(change) - c.step) / float64(c.steps)
	}
	c.good, c.goodAt, c.hasGood = in.Value, in.At, true
}
