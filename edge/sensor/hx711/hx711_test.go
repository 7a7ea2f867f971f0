package hx711_test

import (
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"

	"decktrim/edge/sensor"
	"decktrim/edge/sensor/hx711"
	"decktrim/edge/sensor/simchip"
	"decktrim/internal/checkvalue"
)

var start = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

func checks(t *testing.T) checkvalue.Set {
	t.Helper()
	data, err := os.ReadFile("../../../testdata/check-values/instruments.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	return set
}

func TestStepAndCodesLC02ToLC10(t *testing.T) {
	set := checks(t)
	c := set.Get("LC-02")
	step := hx711.VoltsPerCount(c.In("AVDD_V"), int(c.In("gain")))
	require.NoError(t, c.Compare("volts_per_count", step))
	for _, id := range []string{"LC-03", "LC-04", "LC-05", "LC-06", "LC-07", "LC-08", "LC-09"} {
		c := set.Get(id)
		raw, err := strconv.ParseUint(c.Inputs["raw"].(string), 0, 32)
		require.NoError(t, err)
		code := sensor.SignExtend24(uint32(raw))
		require.NoError(t, c.Compare("counts", float64(code)))
		require.NoError(t, c.Compare("volts_hx711_5V_gain128", float64(code)*step))
	}
	c = set.Get("LC-10")
	require.NoError(t, c.Compare("counts", c.In("mV")/1000/step))
}

type bench struct {
	chip  *simchip.HX711
	clock *simchip.Clock
	dev   *hx711.Dev
	mV    float64
}

func newBench(t *testing.T, o hx711.Opts) *bench {
	t.Helper()
	b := &bench{clock: simchip.NewFreeClock(start), mV: 2.5}
	b.chip = simchip.NewHX711("cell", b.clock, o.Rate, func(time.Time) float64 { return b.mV })
	dev, err := hx711.New(b.chip.Clk(), b.chip.Data(), o, b.clock)
	require.NoError(t, err)
	b.dev = dev
	return b
}

func TestReadsWhatTheBridgeGives(t *testing.T) {
	for _, o := range []hx711.Opts{{Input: "A", Gain: 128, Rate: 80}, {Input: "A", Gain: 128, Rate: 10}, {Input: "A", Gain: 64, Rate: 80}, {Input: "A", Gain: 64, Rate: 10}} {
		b := newBench(t, o)
		require.NoError(t, b.dev.Init(t.Context()))
		for _, mV := range []float64{2.5, -7.75, 0.001} {
			b.mV = mV
			_, err := b.dev.Read(t.Context())
			require.NoError(t, err)
			c, err := b.dev.Read(t.Context())
			require.NoError(t, err)
			require.InDelta(t, mV/1000/hx711.VoltsPerCount(5, o.Gain), float64(c.Code), 0.51, "%+v", o)
		}
	}
	b := newBench(t, hx711.Opts{Input: "B", Gain: 32, Rate: 80})
	require.NoError(t, b.dev.Init(t.Context()))
	c, err := b.dev.Read(t.Context())
	require.NoError(t, err)
	require.Zero(t, c.Code, "nothing is wired to channel B")
}

func TestEndsOfTheRangeAreSaturation(t *testing.T) {
	b := newBench(t, hx711.DefaultOpts)
	require.NoError(t, b.dev.Init(t.Context()))
	for mV, want := range map[float64]int32{25: sensor.Max24, -25: sensor.Min24} {
		b.mV = mV
		_, err := b.dev.Read(t.Context())
		require.NoError(t, err)
		c, err := b.dev.Read(t.Context())
		require.NoError(t, err)
		require.True(t, c.Saturated)
		require.Equal(t, want, c.Code)
	}
}

// The hazard of LC-12: the processor is taken away inside a clock pulse for more
// than 60 us. The chip has gone to sleep and wakes with other settings; the
// reading must not be believed, at whichever pulse it happened.
func TestPowerDownInsideAReading(t *testing.T) {
	for pulse := range 27 {
		b := newBench(t, hx711.Opts{Input: "A", Gain: 64, Rate: 80})
		require.NoError(t, b.dev.Init(t.Context()))
		b.chip.Preempt = map[int]time.Duration{pulse: 70 * time.Microsecond}
		_, err := b.dev.Read(t.Context())
		require.ErrorIs(t, err, sensor.ErrReset, "pulse %d", pulse)
		_, err = b.dev.Read(t.Context())
		require.ErrorIs(t, err, sensor.ErrReset, "still not initialised")
		require.NoError(t, b.dev.Init(t.Context()))
		c, err := b.dev.Read(t.Context())
		require.NoError(t, err)
		require.InDelta(t, 0.0025/hx711.VoltsPerCount(5, 64), float64(c.Code), 0.51, "its gain is set again")
	}
}

func TestAShortHoldUpDoesNoHarm(t *testing.T) {
	b := newBench(t, hx711.DefaultOpts)
	require.NoError(t, b.dev.Init(t.Context()))
	b.chip.Preempt = map[int]time.Duration{5: 40 * time.Microsecond}
	c, err := b.dev.Read(t.Context())
	require.NoError(t, err)
	require.InDelta(t, 1073742, float64(c.Code), 1)
}

func TestSilence(t *testing.T) {
	b := newBench(t, hx711.DefaultOpts)
	require.NoError(t, b.dev.Init(t.Context()))
	b.chip.Dead = true
	begun := b.clock.Now()
	_, err := b.dev.Read(t.Context())
	require.ErrorIs(t, err, sensor.ErrNotReady)
	require.Less(t, b.clock.Now().Sub(begun), 200*time.Millisecond)
}

// stuckLow is a data line shorted to ground: always ready, always zero.
type stuckLow struct{ gpio.PinIn }

func (stuckLow) Read() gpio.Level { return gpio.Low }

func TestAShortedDataLineIsNoZero(t *testing.T) {
	b := newBench(t, hx711.DefaultOpts)
	dev, err := hx711.New(b.chip.Clk(), stuckLow{b.chip.Data()}, hx711.DefaultOpts, b.clock)
	require.NoError(t, err)
	require.ErrorIs(t, dev.Init(t.Context()), sensor.ErrWrongChip)
}

func TestOptionsThatDoNotExist(t *testing.T) {
	for _, o := range []hx711.Opts{{Input: "A", Gain: 32, Rate: 80}, {Input: "B", Gain: 128, Rate: 80}, {Input: "C", Gain: 128, Rate: 80}, {Input: "A", Gain: 128, Rate: 40}} {
		require.Error(t, o.Validate())
	}
}

func TestHalt(t *testing.T) {
	b := newBench(t, hx711.DefaultOpts)
	require.NoError(t, b.dev.Init(t.Context()))
	require.NoError(t, b.dev.Halt())
	_, err := b.dev.Read(t.Context())
	require.ErrorIs(t, err, sensor.ErrReset)
}
