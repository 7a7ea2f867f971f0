package validity_test

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/validity"
	"decktrim/internal/checkvalue"
	"decktrim/internal/plant"
)

var start = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

func at(s float64) time.Time { return start.Add(time.Duration(s * float64(time.Second))) }

var (
	feed  = plant.Channel{Name: "feed_rate", Role: plant.FeedRate, Unit: "t/h", Range: [2]float64{0, 4}, Signal: plant.Loop420}
	bin   = plant.Channel{Name: "bin", Role: plant.BinWeight, Unit: "kg", Range: [2]float64{0, 8000}, Signal: plant.Bridge}
	water = plant.Channel{Name: "wash_water", Role: plant.WashWater, Unit: "L/min", Range: [2]float64{0, 120}, Signal: plant.Pulse}
)

func loopValue(mA float64) float64 { return (mA - 4) / 16 * 4 }

func TestLoopLimitsAreThoseOfMA03(t *testing.T) {
	data, err := os.ReadFile("../../testdata/check-values/instruments.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	c := set.Get("MA-03")
	require.NoError(t, c.Compare("measuring_low_mA", validity.LoopLow))
	require.NoError(t, c.Compare("measuring_high_mA", validity.LoopHigh))
	require.NoError(t, c.Compare("fault_at_or_below_mA", validity.LoopFaultLow))
	require.NoError(t, c.Compare("fault_at_or_above_mA", validity.LoopFaultHigh))
	require.NoError(t, c.Compare("hold_s_before_fault", validity.LoopHoldBefore.Seconds()))
}

func TestLoop(t *testing.T) {
	const g, s, b = plant.Good, plant.Stale, plant.Bad
	for _, tc := range []struct {
		name    string
		mA      float64
		seconds float64 // since the first reading with this current
		quality plant.Quality
		reason  plant.Reason
	}{
		{"3.8 still measures", 3.8, 0, g, ""},
		{"20.5 still measures", 20.5, 0, g, ""},
		{"just below 3.8", 3.79, 0, b, plant.LoopUncertain},
		{"just above 3.6", 3.61, 10, b, plant.LoopUncertain},
		{"just above 20.5", 20.51, 0, b, plant.LoopUncertain},
		{"3.6 at once", 3.6, 0, s, plant.LoopUncertain},
		{"3.6 for 3.9 s", 3.6, 3.9, s, plant.LoopUncertain},
		{"3.6 for 4 s", 3.6, 4, b, plant.LoopFault},
		{"21 at once", 21, 0, s, plant.LoopUncertain},
		{"21 for 4 s", 21, 4, b, plant.LoopFault},
		{"no current", 0, 5, b, plant.LoopFault},
	} {
		t.Run(tc.name, func(t *testing.T) {
			l := validity.For(feed, time.Second)
			l.Spike, l.PerSecond = 0, 0
			c := validity.New(l)
			r := c.Check(at(0), validity.Input{At: at(0), Value: loopValue(12), Has: true, MA: 12})
			require.Equal(t, plant.Good, r.Quality)
			for s := 1.0; s <= 1+tc.seconds; s += 0.1 {
				r = c.Check(at(s), validity.Input{At: at(s), Value: loopValue(tc.mA), Has: true, MA: tc.mA})
			}
			r = c.Check(at(1+tc.seconds), validity.Input{At: at(1 + tc.seconds), Value: loopValue(tc.mA), Has: true, MA: tc.mA})
			require.Equal(t, tc.quality, r.Quality, "%+v", r)
			require.Equal(t, tc.reason, r.Reason)
			require.True(t, r.Has)
			if tc.quality == plant.Stale {
				require.Equal(t, loopValue(12), r.Value, "the last good value")
			}
		})
	}
}

func TestAShortDipOfALoopIsNoFault(t *testing.T) {
	c := validity.New(validity.For(feed, time.Second))
	for s := range 20 {
		mA := 12 + 0.01*float64(s%3)
		if s == 8 || s == 12 {
			mA = 0
		}
		r := c.Check(at(float64(s)), validity.Input{At: at(float64(s)), Value: loopValue(mA), Has: true, MA: mA})
		require.NotEqual(t, plant.LoopFault, r.Reason)
		require.Equal(t, mA != 0, r.Quality == plant.Good, "second %d: %+v", s, r)
	}
}

func TestWhatTheDeviceSays(t *testing.T) {
	for _, tc := range []struct {
		fault  plant.Reason
		has    bool
		reason plant.Reason
		value  bool
		q      plant.Quality
	}{
		{plant.NoAnswer, false, plant.NoAnswer, false, plant.Bad}, // nothing is held over
		{plant.Uncalibrated, true, plant.Uncalibrated, false, plant.Bad},
		{plant.Saturated, true, plant.Saturated, true, plant.Bad},
		{plant.Impossible, true, plant.Impossible, true, plant.Bad},
		{plant.NotReady, false, plant.NotReady, true, plant.Stale},
		{"", false, plant.Missing, false, plant.Bad},
	} {
		t.Run(string(tc.reason), func(t *testing.T) {
			c := validity.New(validity.For(bin, time.Second))
			c.Check(at(0), validity.Input{At: at(0), Value: 100, Has: true})
			r := c.Check(at(1), validity.Input{At: at(1), Value: 101, Has: tc.has, Fault: tc.fault})
			require.Equal(t, tc.q, r.Quality)
			require.Equal(t, tc.reason, r.Reason)
			require.Equal(t, tc.value, r.Has)
			require.False(t, r.Usable())
		})
	}
}

func TestNoNumberNeverLeaves(t *testing.T) {
	c := validity.New(validity.For(bin, time.Second))
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		for _, f := range []plant.Reason{"", plant.Saturated} {
			r := c.Check(at(0), validity.Input{At: at(0), Value: v, Has: true, Fault: f})
			require.False(t, r.Has)
			require.Zero(t, r.Value)
		}
	}
}

func TestAge(t *testing.T) {
	c := validity.New(validity.For(bin, time.Second))
	c.Check(at(0), validity.Input{At: at(0), Value: 100, Has: true})
	r := c.Check(at(3), validity.Input{At: at(0), Value: 100, Has: true})
	require.Equal(t, plant.Good, r.Quality, "three periods are no age")
	r = c.Check(at(3.5), validity.Input{At: at(0), Value: 100, Has: true})
	require.Equal(t, plant.TooOld, r.Reason)
	require.False(t, r.Has)
}

func TestRange(t *testing.T) {
	for _, tc := range []struct {
		v  float64
		ok bool
	}{{0, true}, {8000, true}, {-150, true}, {8150, true}, {-250, false}, {8250, false}} {
		c := validity.New(validity.For(bin, time.Second))
		r := c.Check(at(0), validity.Input{At: at(0), Value: tc.v, Has: true})
		require.Equal(t, tc.ok, r.Quality == plant.Good, "%v: %+v", tc.v, r)
		if !tc.ok {
			require.Equal(t, plant.OutOfRange, r.Reason)
		}
	}
}

// Faults E15: stuck at a value while the mill runs, within 60 s; a line that stands
// still is no fault of a loop.
func TestStuckWithin60s(t *testing.T) {
	for _, tc := range []struct {
		name  string
		ch    plant.Channel
		live  bool
		stuck bool
	}{
		{"loop, running", feed, true, true},
		{"loop, standing", feed, false, false},
		{"bridge, standing", bin, false, true},
		{"pulses may repeat", water, true, false},
		{"typed", plant.Channel{Role: plant.FeedSetpoint, Unit: "t/h", Range: [2]float64{0, 4}, Signal: plant.Typed}, true, false},
		{"contact", plant.Channel{Role: plant.TableRunning, Unit: "1", Range: [2]float64{0, 1}, Signal: plant.Bus}, true, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := validity.New(validity.For(tc.ch, time.Second))
			found := -1
			for s := range 90 {
				r := c.Check(at(float64(s)), validity.Input{At: at(float64(s)), Value: 1, Has: true, MA: 8, Live: tc.live})
				if r.Reason == plant.Stuck && found < 0 {
					found = s
				}
			}
			require.Equal(t, tc.stuck, found >= 0)
			require.LessOrEqual(t, found, 60)
		})
	}
}

// noisy feeds normal running with white noise of 1 % of span and returns a checker
// that knows the usual change.
func noisy(t *testing.T, ch plant.Channel, level float64, rng *rand.Rand) (*validity.Checker, int) {
	t.Helper()
	c := validity.New(validity.For(ch, time.Second))
	span := ch.Range[1] - ch.Range[0]
	for s := range 100 {
		v := level + 0.005*span*rng.NormFloat64()
		r := c.Check(at(float64(s)), validity.Input{At: at(float64(s)), Value: v, Has: true, MA: 12, Live: true})
		require.Equal(t, plant.Good, r.Quality, "%+v", r)
	}
	return c, 99
}

func TestSpikeIsRemovedAndAStepCostsOneReading(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	c, s := noisy(t, water, 45, rng)
	check := func(v float64) plant.Reading {
		s++
		return c.Check(at(float64(s)), validity.Input{At: at(float64(s)), Value: v, Has: true, Live: true})
	}
	require.Equal(t, plant.Spike, check(70).Reason)
	require.Equal(t, plant.Good, check(45).Quality, "the spike has gone")
	require.Equal(t, plant.Spike, check(70).Reason)
	require.Equal(t, plant.Good, check(70.4).Quality, "it was a step")
	require.Equal(t, plant.Good, check(70.1).Quality)
}

func TestTooFastIsHeldThreeReadings(t *testing.T) {
	c, s := noisy(t, water, 20, rand.New(rand.NewPCG(5, 6)))
	var got []plant.Reason
	for range 5 {
		s++
		got = append(got, c.Check(at(float64(s)), validity.Input{At: at(float64(s)), Value: 100, Has: true, Live: true}).Reason)
	}
	require.Equal(t, []plant.Reason{plant.Spike, plant.TooFast, plant.TooFast, "", ""}, got)
}

// Faults E15: false marks at most one in 30 days of normal running. Here 30 days of
// one reading a second with noise of 1 % of span, a slow swing and surges of the
// feed by 0.8 of itself that rise over 3 s.
func TestFalseMarksIn30Days(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	c := validity.New(validity.For(feed, time.Second))
	marks := 0
	level := 2.0
	for s := range 30 * 86400 {
		target := 2.0
		if s%600 < 40 {
			target = 3.6
		}
		level += (target - level) / 3
		v := level + 0.2*math.Sin(float64(s)/900) + 0.04*rng.NormFloat64()
		mA := 4 + v/4*16
		r := c.Check(at(float64(s)), validity.Input{At: at(float64(s)), Value: v, Has: true, MA: mA, Live: true})
		if r.Quality != plant.Good && mA > 3.8 && mA < 20.5 {
			marks++
		}
	}
	require.LessOrEqual(t, marks, 1)
}

func BenchmarkCheck(b *testing.B) {
	c := validity.New(validity.For(feed, time.Second))
	i := 0
	for b.Loop() {
		i++
		c.Check(at(float64(i)), validity.Input{At: at(float64(i)), Value: 2 + float64(i%7)/100, Has: true, MA: 12, Live: true})
	}
}
