package sim

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
)

func TestAlias(t *testing.T) {
	for _, c := range []struct{ f, fs, want float64 }{
		{24.2, 12, 0.2}, // the check value: a false slow wave
		{4.83, 10, 4.83}, {16.7, 10, 3.3}, {30, 10, 0}, {29, 80, 29}, {48.4, 80, 31.6}, {7, 0, 0},
	} {
		require.InDelta(t, c.want, Alias(c.f, c.fs), 1e-9, "%g at %g", c.f, c.fs)
	}
}

var weighBin = plant.Channel{Name: "bin_weight", Role: plant.BinWeight, Unit: "kg", Range: [2]float64{0, 6000}, Signal: plant.Bridge}

// observe reads a steady truth n times, dt apart, and returns what was seen.
func observe(i *Instrument, truth float64, from time.Time, n int, dt time.Duration, m *Mill) []float64 {
	out := make([]float64, n)
	for k := range out {
		out[k] = i.Observe(truth, from.Add(time.Duration(k)*dt), m)
	}
	return out
}

func of(x []float64) (s stats) {
	for _, v := range x {
		s.add(v)
	}
	return s
}

func TestHonestInstruments(t *testing.T) {
	m := newMill(t, Config{Seed: 1, Scenario: "steady"})
	for _, ch := range m.plant.Channels {
		t.Run(ch.Name, func(t *testing.T) {
			truth := signal(t, m, ch.Role)
			if v := inUnit(truth, &ch); v <= 0 {
				truth = 0.5 * (ch.Range[0] + ch.Range[1])
			}
			i := NewInstrument(ch, 7)
			x := observe(i, truth, start, 600, time.Second, m)
			s := of(x)
			require.InDelta(t, truth, s.mean(), 0.05*truth+0.01*i.span)
			if ch.Unit == "1" {
				require.Zero(t, s.sd())
				return
			}
			require.Greater(t, s.sd(), 0.0, "a live signal never repeats exactly")
			require.Less(t, s.sd(), 0.03*i.span)
			require.Equal(t, x, observe(NewInstrument(ch, 7), truth, start, 600, time.Second, m), "same seed, same instrument")
			require.NotEqual(t, x, observe(NewInstrument(ch, 8), truth, start, 600, time.Second, m))
		})
	}
}

func TestUnitsOfTheChannel(t *testing.T) {
	ch := plant.Channel{Name: "feed", Role: plant.FeedRate, Unit: "kg/h", Range: [2]float64{0, 4000}, Signal: plant.Loop420}
	require.InDelta(t, 2000, of(observe(NewInstrument(ch, 1), 2, start, 200, time.Second, nil)).mean(), 60)
}

func TestShakingMillIsSeenOnTheScale(t *testing.T) {
	m := newMill(t, Config{Seed: 1, Scenario: "steady"})
	quick := func(m *Mill) float64 {
		return of(observe(NewInstrument(weighBin, 3), 3000, start, 800, 12500*time.Microsecond, m)).sd()
	}
	still, shaking := quick(nil), quick(m)
	require.Greater(t, shaking, 3*still)
	require.NoError(t, m.Inject(Upset{Kind: "hammer broken"}))
	require.Greater(t, quick(m), 3*shaking, "a broken hammer shakes more")
}

func TestFlowMeterStopsBelowItsRange(t *testing.T) {
	ch := plant.Channel{Name: "wash", Role: plant.WashWater, Unit: "L/min", Range: [2]float64{0, 120}, Signal: plant.Pulse}
	require.Zero(t, of(observe(NewInstrument(ch, 1), 4, start, 10, time.Second, nil)).mean())
}

func TestPulses(t *testing.T) {
	var c PulseCounter
	var n uint64
	for range 90 {
		n += c.Count(40, 450, time.Second)
	}
	require.Equal(t, uint64(27000), n) // FL-02: 40 L/min at 450 pulses a litre for 90 s
	require.Zero(t, c.Count(math.NaN(), 450, time.Second))
	require.Zero(t, c.Count(-3, 450, time.Second))
}

func TestInstrumentFaults(t *testing.T) {
	second := time.Second
	later := start.Add(time.Minute)
	for _, c := range []struct {
		kind  string
		args  []float64
		check func(t *testing.T, i *Instrument, x []float64)
	}{
		{"stuck", nil, func(t *testing.T, i *Instrument, x []float64) {
			for _, v := range x {
				require.Equal(t, x[0], v)
			}
		}},
		{"railed", nil, func(t *testing.T, i *Instrument, x []float64) { require.Greater(t, x[0], 6000.0+0.0625*6000) }},
		{"railed", []float64{-1}, func(t *testing.T, i *Instrument, x []float64) { require.Less(t, x[0], -0.025*6000) }},
		{"broken wire", nil, func(t *testing.T, i *Instrument, x []float64) { require.InDelta(t, -1500, x[0], 1) }},
		{"spike", []float64{900}, func(t *testing.T, i *Instrument, x []float64) {
			require.InDelta(t, 3900, x[0], 30)
			require.InDelta(t, 3000, x[1], 30)
		}},
		{"drift", []float64{3600}, func(t *testing.T, i *Instrument, x []float64) { require.InDelta(t, 3300, x[299], 90) }},
		{"zero shift", []float64{120}, func(t *testing.T, i *Instrument, x []float64) { require.InDelta(t, 3120, x[0], 30) }},
		{"tare_jump", []float64{-2}, func(t *testing.T, i *Instrument, x []float64) { require.InDelta(t, 2998, of(x).mean(), 12) }},
		{"gain", []float64{0.5}, func(t *testing.T, i *Instrument, x []float64) { require.InDelta(t, 1500, x[0], 20) }},
		{"noise", []float64{50}, func(t *testing.T, i *Instrument, x []float64) { require.Greater(t, of(x).sd(), 30.0) }},
		{"dropout", []float64{30}, func(t *testing.T, i *Instrument, x []float64) {
			require.False(t, i.Answers(later.Add(28*second)))
			require.True(t, i.Answers(later.Add(29*second)))
		}},
	} {
		t.Run(c.kind, func(t *testing.T) {
			i := NewInstrument(weighBin, 2)
			observe(i, 3000, start, 60, second, nil)
			require.NoError(t, i.Fault(c.kind, c.args...))
			c.check(t, i, observe(i, 3000, later, 300, second, nil))
			require.NoError(t, i.Fault("none"))
			require.InDelta(t, 3000, i.Observe(3000, later.Add(400*second), nil), 30)
		})
	}
	i := NewInstrument(weighBin, 2)
	require.ErrorContains(t, i.Fault("moody"), "stuck")
	require.Error(t, i.Fault("drift", math.NaN()))
	require.Error(t, i.Fault("drift", 1, 2))
}

func TestSwappedWires(t *testing.T) {
	m := newMill(t, Config{Seed: 1, Scenario: "steady"})
	mill, _ := m.plant.ChannelByRole(plant.MillWater)
	wash, _ := m.plant.ChannelByRole(plant.WashWater)
	a, b := NewInstrument(mill, 1), NewInstrument(wash, 1)
	Swap(a, b)
	got := a.Observe(signal(t, m, plant.MillWater), start, m)
	require.InDelta(t, signal(t, m, plant.WashWater)/120*200, got, 6)
	Swap(a, b)
	require.InDelta(t, signal(t, m, plant.MillWater), a.Observe(signal(t, m, plant.MillWater), start.Add(time.Second), m), 6)
}

func TestTroublesComeByThemselves(t *testing.T) {
	i := NewInstrument(weighBin, 9)
	i.Troubled(true)
	down, repeats, last := 0, 0, math.NaN()
	for s := range 3 * 86400 {
		at := start.Add(time.Duration(s) * time.Second)
		v := i.Observe(3000, at, nil)
		if !i.Answers(at) {
			down++
		}
		if v == last {
			repeats++
		}
		last = v
	}
	require.InDelta(t, 12*40, down, 400)
	require.Less(t, repeats, 6*3600)
}
