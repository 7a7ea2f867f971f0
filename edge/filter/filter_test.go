package filter_test

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/edge/filter"
	"decktrim/internal/checkvalue"
)

func checks(t *testing.T) checkvalue.Set {
	t.Helper()
	data, err := os.ReadFile("../../testdata/check-values/instruments.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	return set
}

func TestAliasOfTheMillShaft(t *testing.T) {
	c := checks(t).Get("AL-01")
	require.NoError(t, c.Compare("alias_Hz", filter.Alias(c.In("f_Hz"), c.In("fs_Hz"))))
}

func TestAlias(t *testing.T) {
	const tolerance = 1e-12
	for _, tc := range []struct{ f, fs, want float64 }{
		{4.83, 10, 4.83}, {24.2, 10, 4.2}, {24.2, 80, 24.2}, {48.4, 80, 31.6}, {80, 80, 0}, {60, 80, 20}, {5, 10, 5},
	} {
		require.InDelta(t, tc.want, filter.Alias(tc.f, tc.fs), tolerance, "%v at %v", tc.f, tc.fs)
	}
}

// The slow wave that is none: 24.2 Hz looked at 12 times a second counts the zero
// crossings of 0.2 Hz; the same vibration through the filter is gone.
func TestFalseSlowWaveIsThereWithoutAndGoneWithTheFilter(t *testing.T) {
	wave := func(s float64) float64 { return math.Sin(2 * math.Pi * 24.2 * s) }
	crossings := 0
	before := wave(0.01)
	for i := 1; i < 12*100; i++ { // 100 s
		x := wave(0.01 + float64(i)/12)
		if before < 0 && x >= 0 {
			crossings++
		}
		before = x
	}
	require.InDelta(t, 20, crossings, 1, "0.2 Hz for 100 s")

	l, err := filter.NewLowPass(80, 3, filter.MillAndTable())
	require.NoError(t, err)
	worst := 0.0
	for i := range 80 * 20 {
		s := float64(i) / 80
		l.Push(5 + wave(s) + wave(2*s) + math.Sin(2*math.Pi*4.83*s))
		if v, ok := l.Value(); ok {
			worst = math.Max(worst, math.Abs(v-5))
		}
	}
	require.Less(t, worst, 0.003, "each wave of size 1 damped by 58 dB")
}

func TestEverythingFromTheStopUpIsDampedBy58dB(t *testing.T) {
	for _, rate := range []float64{80, 320} {
		l, err := filter.NewLowPass(rate, 3, filter.MillAndTable())
		require.NoError(t, err)
		for f := 3.0; f <= rate/2; f += 0.01 {
			require.Less(t, 20*math.Log10(l.Gain(f)), -58.0, "%v Hz at %v", f, rate)
		}
		require.InDelta(t, 1, l.Gain(0), 1e-12)
		require.Greater(t, l.Gain(0.1), 0.98, "a wave of 10 s passes")
		require.InDelta(t, 0.5, l.Delay(), 1.01/rate)
	}
}

func TestBandsThatFoldIntoThePassBandAreRefused(t *testing.T) {
	for _, tc := range []struct {
		name  string
		rate  float64
		bands []filter.Band
		ok    bool
	}{
		{"80 per second", 80, filter.MillAndTable(), true},
		{"320 per second", 320, filter.MillAndTable(), true},
		{"10 per second folds the shaft to nothing", 10, filter.MillAndTable(), false},
		{"20 per second too", 20, filter.MillAndTable(), false},
		{"12 per second, the case of AL-01", 12, []filter.Band{{Name: "shaft", Lo: 24.2, Hi: 24.2}}, false},
		{"a band on the rate itself", 80, []filter.Band{{Name: "fan", Lo: 79, Hi: 81}}, false},
		{"too slow for the stop", 5, nil, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := filter.NewLowPass(tc.rate, 3, tc.bands)
			require.Equal(t, tc.ok, err == nil, "%v", err)
		})
	}
}

func TestValueWaitsForAFullWindowAndBeginsAnewAfterAGap(t *testing.T) {
	l, err := filter.NewLowPass(80, 3, nil)
	require.NoError(t, err)
	n := 0
	for {
		l.Push(7)
		n++
		if _, ok := l.Value(); ok {
			break
		}
	}
	require.Equal(t, 79, n)
	l.Push(math.NaN())
	v, ok := l.Value()
	require.True(t, ok)
	require.InDelta(t, 7, v, 1e-12)
	l.Reset()
	_, ok = l.Value()
	require.False(t, ok)
}

func TestRMSOfASineAgainstCT04(t *testing.T) {
	c := checks(t).Get("CT-04")
	xs := make([]float64, 200) // 20 samples a cycle, 10 cycles
	for i := range xs {
		xs[i] = 1.65 + c.In("amplitude")*math.Sin(2*math.Pi*float64(i)/20+0.3)
	}
	got, err := filter.RMS(xs)
	require.NoError(t, err)
	require.NoError(t, c.Compare("rms", got))
}

func TestRMSOfAGeneratorThatIsNotAtFifty(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for f := 48.0; f <= 62; f += 0.25 {
		xs := make([]float64, 172) // 0.2 s at 860
		phase := rng.Float64()
		for i := range xs {
			xs[i] = 0.7 * math.Sin(2*math.Pi*(f*float64(i)/860+phase))
		}
		got, err := filter.RMS(xs)
		require.NoError(t, err)
		require.InEpsilon(t, 0.7/math.Sqrt2, got, 0.001, "%v Hz", f)
	}
}

func TestBurstsThatSayNothingAreErrors(t *testing.T) {
	_, err := filter.Mean(make([]float64, 7))
	require.ErrorIs(t, err, filter.ErrFew)
	bad := make([]float64, 20)
	bad[3] = math.NaN()
	_, err = filter.Mean(bad)
	require.Error(t, err)
	_, err = filter.RMS(bad)
	require.Error(t, err)
	bad[3] = math.Inf(1)
	_, err = filter.RMS(bad)
	require.Error(t, err)
}

func BenchmarkLowPass(b *testing.B) {
	l, err := filter.NewLowPass(80, 3, nil)
	require.NoError(b, err)
	for b.Loop() {
		l.Push(1)
		l.Value()
	}
}
