package pulse_test

import (
	"errors"
	"math"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"

	"decktrim/edge/sensor/pulse"
	"decktrim/edge/sensor/simchip"
	"decktrim/internal/checkvalue"
)

var start = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

func check(t *testing.T, id string) checkvalue.Check {
	t.Helper()
	data, err := os.ReadFile("../../../testdata/check-values/instruments.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	return set.Get(id)
}

// bench is a meter on a line; kernel: the line tells edge times and losses.
func bench(t *testing.T, maxHz float64, kernel bool, hz func(time.Time) float64) (*pulse.Counter, *simchip.PulsePin, *simchip.Clock) {
	t.Helper()
	clock := simchip.NewFreeClock(start)
	pin := simchip.NewPulsePin("GPIO17", clock, hz)
	var line gpio.PinIn = pin
	if kernel {
		line = simchip.KernelPulsePin{PulsePin: pin}
	}
	c, err := pulse.New(line, pulse.Opts{MaxHz: maxHz}, clock)
	require.NoError(t, err)
	require.NoError(t, c.Init(t.Context()))
	return c, pin, clock
}

func listen(t *testing.T, c *pulse.Counter, seconds float64) pulse.Count {
	t.Helper()
	for range int(math.Round(seconds / pulse.Slice.Seconds())) {
		require.NoError(t, c.Listen(t.Context()))
	}
	return c.Take()
}

func TestRates(t *testing.T) {
	for _, kernel := range []bool{false, true} {
		for _, hz := range []float64{1.3, 4.83, 60, 225, 299.7, 675} {
			c, _, _ := bench(t, 1000, kernel, func(time.Time) float64 { return hz })
			listen(t, c, 2)
			total := 0
			for range 20 {
				got := listen(t, c, 1)
				total += got.Pulses
				require.True(t, got.Known)
				require.InEpsilon(t, hz, got.Hz, 1e-3, "timed, not counted: no steps of a pulse a second")
			}
			require.InDelta(t, 20*hz, total, 2)
		}
	}
}

func TestTotalsFL01AndFL02(t *testing.T) {
	f1, f2 := check(t, "FL-01"), check(t, "FL-02")
	c, _, _ := bench(t, 675, false, func(time.Time) float64 { return f1.In("Hz") })
	got := listen(t, c, f2.In("seconds"))
	const aPulse = 2
	require.InDelta(t, f2.In("pulses"), got.Pulses, aPulse)
	require.InEpsilon(t, f1.Want("lpm"), got.Hz/f1.In("pulses_per_litre")*60, 1e-6)
}

func TestAStoppedMeterReadsZeroNotItsLastRate(t *testing.T) {
	c, _, clock := bench(t, 100, false, func(at time.Time) float64 {
		if at.Sub(start) < 5*time.Second {
			return 10
		}
		return 0
	})
	require.InDelta(t, 10, listen(t, c, 5).Hz, 0.01)
	before := 10.0
	for range 4 {
		got := listen(t, c, 1)
		require.True(t, got.Known)
		require.LessOrEqual(t, got.Hz, before)
		before = got.Hz
	}
	require.Zero(t, before)
	require.Equal(t, start.Add(9*time.Second), clock.Now())
}

func TestNoPulseYetIsNoZero(t *testing.T) {
	c, _, _ := bench(t, 100, false, func(time.Time) float64 { return 0 })
	require.False(t, listen(t, c, 1).Known)
	require.True(t, listen(t, c, 3).Known)
}

// Faults E14: a loose wire gives 20,000 edges a second. The count is impossible,
// enters no total, and few of the edges are looked at.
func TestEdgeStorm(t *testing.T) {
	asked := 0
	c, _, _ := bench(t, 450, true, func(at time.Time) float64 {
		s := at.Sub(start).Seconds()
		asked++
		if s >= 3 && s < 13 {
			return 20000
		}
		return 100
	})
	require.InDelta(t, 100, listen(t, c, 3).Hz, 0.1)
	asked = 0
	for range 10 {
		got := listen(t, c, 1)
		require.True(t, got.Impossible)
		require.Zero(t, got.Pulses)
		require.False(t, got.Known)
	}
	require.Less(t, asked, 10*600, "the processor is not spent on 200,000 edges")
	listen(t, c, 1)
	got := listen(t, c, 1)
	require.False(t, got.Impossible)
	require.InDelta(t, 100, got.Hz, 0.1, "and afterwards it reads again")
}

func TestARateJustBeyondTheMeterIsImpossible(t *testing.T) {
	for _, tc := range []struct {
		hz         float64
		impossible bool
	}{{449, false}, {460, true}, {600, true}} {
		c, _, _ := bench(t, 450, false, func(time.Time) float64 { return tc.hz })
		listen(t, c, 1)
		got := listen(t, c, 1)
		require.Equal(t, tc.impossible, got.Impossible, "%v Hz", tc.hz)
		if tc.impossible {
			require.Zero(t, got.Pulses)
		}
	}
}

func TestLostEdgesAreReported(t *testing.T) {
	c, pin, _ := bench(t, 450, true, func(time.Time) float64 { return 50 })
	listen(t, c, 1)
	pin.Lose(7)
	got := listen(t, c, 1)
	require.Equal(t, 7, got.Lost)
	require.Zero(t, listen(t, c, 1).Lost)
}

func TestLineErrorsAreNotSilence(t *testing.T) {
	gone := errors.New("no such device")
	c, pin, _ := bench(t, 450, true, func(time.Time) float64 { return 50 })
	pin.Fail(gone)
	require.ErrorIs(t, c.Listen(t.Context()), gone)
	require.ErrorIs(t, c.Init(t.Context()), gone)
	require.ErrorIs(t, c.Halt(), gone)
	pin.Fail(nil)
	require.NoError(t, c.Halt())
	require.ErrorContains(t, c.Listen(t.Context()), "not initialised")
}

func TestMaximumMustBeKnown(t *testing.T) {
	for _, hz := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		_, err := pulse.New(simchip.NewPulsePin("x", nil, nil), pulse.Opts{MaxHz: hz}, nil)
		require.Error(t, err)
	}
}

func TestContact(t *testing.T) {
	clock := simchip.NewFreeClock(start)
	closed := func(time.Time) bool { return true }
	pin := simchip.NewContactPin("GPIO5", clock, func(at time.Time) bool { return closed(at) })
	for _, invert := range []bool{false, true} {
		c := pulse.NewContact(pin, invert, clock)
		require.NoError(t, c.Init(t.Context()))
		for _, on := range []bool{true, false} {
			closed = func(time.Time) bool { return on }
			got, err := c.Read(t.Context())
			require.NoError(t, err)
			require.Equal(t, on != invert, got)
		}
	}
	c := pulse.NewContact(pin, false, clock)
	n := 0
	closed = func(time.Time) bool { n++; return n%2 == 0 }
	_, err := c.Read(t.Context())
	require.ErrorIs(t, err, pulse.ErrBouncing)
	gone := errors.New("no such device")
	pin.Fail(gone)
	_, err = c.Read(t.Context())
	require.ErrorIs(t, err, gone)
}
