package frames_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/frames"
	"decktrim/internal/plant"
)

const bootA = "0e61b5e4-3c4c-4a52-9d4f-2f1f6f0f9f11"

func TestRoundTrip(t *testing.T) {
	at := time.Date(2026, 1, 5, 7, 0, 1, 123456789, time.UTC)
	for _, tc := range []struct {
		name string
		f    plant.Frame
	}{
		{"nothing", plant.Frame{Readings: []plant.Reading{}}},
		{"usual", plant.Frame{Time: at, ClockSet: true, Boot: bootA, Mono: 81 * time.Hour, Readings: []plant.Reading{
			{Value: 1.92, Has: true, Quality: plant.Good}, {Value: 45, Has: true, Quality: plant.Good}}}},
		{"clock not set", plant.Frame{Time: time.Unix(17, 5).UTC(), Boot: bootA, Mono: time.Second, Readings: []plant.Reading{{}}}},
		{"before 1970", plant.Frame{Time: time.Unix(-5, 999999999).UTC(), Boot: "not a uuid", Readings: []plant.Reading{{}}}},
		{"boot id in capitals", plant.Frame{Boot: "0E61B5E4-3C4C-4A52-9D4F-2F1F6F0F9F11", Readings: []plant.Reading{{}}}},
		{"every quality and reason", plant.Frame{Time: at, Readings: []plant.Reading{
			{Quality: plant.Bad, Reason: plant.NoAnswer},
			{Value: 21.3, Has: true, Quality: plant.Bad, Reason: plant.Uncalibrated},
			{Value: -0.5, Has: true, Quality: plant.Stale, Reason: plant.TooOld},
			{Quality: 77, Reason: "a reason of later days"},
		}}},
		{"values", plant.Frame{Time: at, Readings: readings(0, math.Copysign(0, -1), 1, -1, 0.1, 1.0/3, math.Pi, 1e300, -1e300,
			math.SmallestNonzeroFloat64, math.MaxFloat64, 1<<53, 1<<48, 12345.6789, -273.15, float64(float32(0.3)), 1e-7, 33554431.5)}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, layout, err := frames.DecodeLayout(frames.Append(nil, 42, tc.f))
			require.NoError(t, err)
			require.EqualValues(t, 42, layout)
			require.Equal(t, tc.f, got)
			for i, r := range got.Readings {
				require.Equal(t, math.Float64bits(tc.f.Readings[i].Value), math.Float64bits(r.Value), "reading %d, to the bit", i)
			}
		})
	}
}

func readings(values ...float64) []plant.Reading {
	var out []plant.Reading
	for _, v := range values {
		out = append(out, plant.Reading{Value: v, Has: true, Quality: plant.Good})
	}
	return out
}

func TestNotANumberCostsOnlyItsReading(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		f, err := frames.Decode(frames.Encode(plant.Frame{Readings: readings(1, v, 2)}))
		require.NoError(t, err)
		require.Equal(t, plant.Reading{Quality: plant.Bad, Reason: plant.Impossible}, f.Readings[1])
		require.Equal(t, readings(1, 2), []plant.Reading{f.Readings[0], f.Readings[2]})
	}
}

func TestNewerVersionIsSaidInWords(t *testing.T) {
	b := frames.Encode(plant.Frame{})
	b[0]++
	_, err := frames.Decode(b)
	require.ErrorContains(t, err, "install the newer version")
}

func TestEveryCutIsRefused(t *testing.T) {
	b := frames.Encode(twelve(1.0 / 3))
	for n := range b {
		_, err := frames.Decode(b[:n])
		require.ErrorIs(t, err, frames.ErrDamaged, "cut to %d of %d bytes", n, len(b))
	}
	_, err := frames.Decode(append(b, 0))
	require.ErrorIs(t, err, frames.ErrDamaged, "one byte too many")
}

func TestLayoutFollowsNamesAndOrder(t *testing.T) {
	a := frames.LayoutOf([]string{"feed_rate", "wash_water"})
	require.Equal(t, a, frames.LayoutOf([]string{"feed_rate", "wash_water"}))
	for _, other := range [][]string{{"wash_water", "feed_rate"}, {"feed_rate"}, {"feed_ratewash_water"}, {"feed_rate", "wash_water", ""}, nil} {
		require.NotEqual(t, a, frames.LayoutOf(other), "%q", other)
	}
}

// twelve is the reference load's frame: 12 channels, in full precision.
func twelve(x float64) plant.Frame {
	f := plant.Frame{Time: time.Date(2026, 1, 5, 7, 0, 1, 123456789, time.UTC), ClockSet: true, Boot: bootA, Mono: 81 * time.Hour}
	for i := range 12 {
		f.Readings = append(f.Readings, plant.Reading{Value: x * float64(i+1), Has: true, Quality: plant.Good})
	}
	return f
}

// Thirty days at one frame a second must fit into 1 GiB with the spool's 16 bytes a
// record: that leaves 398 bytes a frame. The worst frame of 12 channels takes far less.
func TestThirtyDaysFit(t *testing.T) {
	const record, perMonth, space = 16, 30 * 86400, 1 << 30
	n := len(frames.Encode(twelve(math.Pi)))
	t.Logf("%d bytes a frame of 12 channels, %.0f MB in 30 days", n, float64((n+record)*perMonth)/1e6)
	require.Less(t, (n+record)*perMonth, space*9/10)
}

func FuzzDecode(f *testing.F) {
	f.Add(frames.Encode(twelve(1.0 / 3)))
	f.Add(frames.Encode(plant.Frame{Readings: []plant.Reading{{Quality: 77, Reason: "x"}}}))
	f.Fuzz(func(t *testing.T, b []byte) {
		got, layout, err := frames.DecodeLayout(b)
		if err != nil {
			return
		}
		again, layout2, err := frames.DecodeLayout(frames.Append(nil, layout, got))
		require.NoError(t, err)
		require.Equal(t, layout, layout2)
		require.Equal(t, got, again)
	})
}

func BenchmarkAppend(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	f := twelve(rng.Float64())
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf = frames.Append(buf[:0], 1, f)
	}
	b.ReportMetric(float64(len(buf)), "B/frame")
}

func BenchmarkDecode(b *testing.B) {
	buf := frames.Encode(twelve(math.Pi))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := frames.Decode(buf); err != nil {
			b.Fatal(err)
		}
	}
}
