package plant

import "time"

// Quality says how far a reading can be believed. The numbers are those of the
// Sparkplug B property "Quality" (Eclipse Sparkplug 3.0.0, chapter 6), so that
// they travel and are stored as they are.
type Quality int

const (
	Bad   Quality = 0   // not to be used: no value, or a value that failed a check
	Good  Quality = 192 // passed every check
	Stale Quality = 500 // the last value, older than its allowed age
)

func (q Quality) String() string {
	switch q {
	case Good:
		return "good"
	case Stale:
		return "stale"
	default:
		return "bad"
	}
}

// Reason says in one code why a reading is not good. The empty reason goes with
// Good alone. Screens turn codes into words; codes are stored and sent.
type Reason string

const (
	NoAnswer      Reason = "no-answer"      // the device did not answer, or the bus failed
	NotReady      Reason = "not-ready"      // no conversion finished within the period
	Saturated     Reason = "saturated"      // converter at the end of its range
	LoopFault     Reason = "loop-fault"     // 4-20 mA loop at or below 3.6 or from 21 mA (NAMUR NE 43)
	LoopUncertain Reason = "loop-uncertain" // 3.6 to 3.8 or 20.5 to 21 mA (NAMUR NE 43)
	OutOfRange    Reason = "out-of-range"   // outside the instrument's span
	TooFast       Reason = "too-fast"       // changed faster than the quantity can
	Stuck         Reason = "stuck"          // repeats exactly while a live signal would not
	Spike         Reason = "spike"          // one odd reading between two that agree
	TooOld        Reason = "too-old"        // not refreshed within its allowed age
	Missing       Reason = "missing"        // no value was there to read
	Impossible    Reason = "impossible"     // more than the meter can deliver (loose wire, edge storm)
	Uncalibrated  Reason = "uncalibrated"   // no calibration is known for this channel
)

// Reading is one channel at one instant, in the channel's own unit. Missing is
// not zero: a reading without a value has Has false and its Value means nothing.
// A value that failed a check keeps Has true with Quality Bad and its Reason.
type Reading struct {
	Value   float64
	Has     bool
	Quality Quality
	Reason  Reason
}

// Usable reports whether the value may enter a computation.
func (r Reading) Usable() bool { return r.Has && r.Quality == Good }

// Frame is all channels of one node at one instant. Readings stand in the order
// of the node's channel list (Plant.Channels).
//
// A board without a battery clock does not know the time at first. Then ClockSet
// is false and Time is only a guess; Boot and Mono (time since that boot) stay
// true and give the frame its time later.
type Frame struct {
	Time     time.Time // UTC, when measured
	ClockSet bool
	Boot     string        // the kernel's boot id
	Mono     time.Duration // since boot, never steps
	Readings []Reading
}
