package ads1115_test

import (
	"errors"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"decktrim/edge/filter"
	"decktrim/edge/sensor"
	"decktrim/edge/sensor/ads1115"
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

func TestStepsAD01ToAD06(t *testing.T) {
	set := checks(t)
	for i, mV := range []int{6144, 4096, 2048, 1024, 512, 256} {
		c := set.Get("AD-0" + strconv.Itoa(i+1))
		require.NoError(t, c.Compare("full_scale_mV", float64(mV)))
		require.NoError(t, c.Compare("uV_per_count", 1e6*ads1115.VoltsPerCount(mV)))
		w, err := ads1115.Opts{Input: ads1115.AIN0, FullScale: mV, Rate: 128}.Word()
		require.NoError(t, err)
		require.EqualValues(t, c.In("pga"), w>>9&7)
	}
}

func TestConfigWordsAD10(t *testing.T) {
	c := checks(t).Get("AD-10")
	for name, o := range map[string]ads1115.Opts{
		"ain0_4096mV_single_128sps": {Input: ads1115.AIN0, FullScale: 4096, Rate: 128},
		"ain1_same":                 {Input: ads1115.AIN1, FullScale: 4096, Rate: 128},
		"ain3_2048mV_single_8sps":   {Input: ads1115.AIN3, FullScale: 2048, Rate: 8},
	} {
		want, err := strconv.ParseUint(c.Expected[name].(string), 0, 16)
		require.NoError(t, err)
		got, err := o.Word()
		require.NoError(t, err)
		require.EqualValues(t, want, got, "%s: %#x", name, got)
	}
}

// The wire, byte by byte: start, ask until ready, read; codes AD-11 to AD-16.
func TestWire(t *testing.T) {
	set := checks(t)
	for _, id := range []string{"AD-11", "AD-12", "AD-13", "AD-14", "AD-15", "AD-16"} {
		c := set.Get(id)
		raw, err := strconv.ParseUint(c.Inputs["raw"].(string), 0, 16)
		require.NoError(t, err)
		fs := int(math.Round(1000 * c.In("full_scale_V")))
		o := ads1115.Opts{Input: ads1115.AIN0, FullScale: fs, Rate: 128}
		w, err := o.Word()
		require.NoError(t, err)
		hi, lo := byte(w>>8), byte(w)
		bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x48, W: []byte{1, hi, lo}},
			{Addr: 0x48, W: []byte{1}, R: []byte{hi &^ 0x80, lo}}, // still converting
			{Addr: 0x48, W: []byte{1}, R: []byte{hi, lo}},
			{Addr: 0x48, W: []byte{0}, R: []byte{byte(raw >> 8), byte(raw)}},
		}}
		dev, err := ads1115.New(bus, 0x48, simchip.NewFreeClock(start))
		require.NoError(t, err)
		got, err := dev.Read(t.Context(), o)
		require.NoError(t, err)
		require.NoError(t, c.Compare("counts", float64(got.Code)))
		require.NoError(t, c.Compare("volts", float64(got.Code)*ads1115.VoltsPerCount(fs)))
		require.Equal(t, raw == 0x7FFF || raw == 0x8000, got.Saturated)
		require.NoError(t, bus.Close())
	}
}

type bench struct {
	bus   *simchip.Bus
	chip  *simchip.ADS1115
	clock *simchip.Clock
	dev   *ads1115.Dev
}

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{bus: simchip.NewBus("sim"), clock: simchip.NewFreeClock(start)}
	b.chip = simchip.NewADS1115(b.clock)
	for i := range b.chip.Input {
		b.chip.Input[i] = func(time.Time) float64 { return 0.05 * float64(i+1) * float64(i+1) }
	}
	require.NoError(t, b.bus.Attach(0x48, b.chip))
	dev, err := ads1115.New(b.bus, 0x48, b.clock)
	require.NoError(t, err)
	b.dev = dev
	return b
}

func TestEveryInputRangeAndRate(t *testing.T) {
	volts := map[string]float64{"0": 0.05, "1": 0.2, "2": 0.45, "3": 0.8, "0-1": -0.15, "0-3": -0.75, "1-3": -0.6, "2-3": -0.35}
	for name, v := range volts {
		for _, fs := range []int{6144, 4096, 2048, 1024} {
			for _, rate := range []int{8, 16, 32, 64, 128, 250, 475, 860} {
				for _, clockError := range []float64{-0.1, 0, 0.1} { // AD-07
					b := newBench(t)
					b.chip.ClockError = clockError
					mux, err := ads1115.ParseMux(name)
					require.NoError(t, err)
					c, err := b.dev.Read(t.Context(), ads1115.Opts{Input: mux, FullScale: fs, Rate: rate})
					require.NoError(t, err)
					require.InDelta(t, v/ads1115.VoltsPerCount(fs), float64(c.Code), 0.51, "%s %d %d %v", name, fs, rate, clockError)
				}
			}
		}
	}
}

func TestLoopCountsMA04ToMA09(t *testing.T) {
	set := checks(t)
	for i := 4; i <= 9; i++ {
		c := set.Get("MA-0" + strconv.Itoa(i))
		b := newBench(t)
		b.chip.Input[2] = func(time.Time) float64 { return c.In("mA") / 1000 * c.In("ohm") }
		got, err := b.dev.Read(t.Context(), ads1115.Opts{Input: ads1115.AIN2, FullScale: 4096, Rate: 128})
		require.NoError(t, err)
		require.NoError(t, checkvalue.Near(c.ID, float64(got.Code), c.Want("counts"), c.Tolerance))
	}
}

func TestTransformerThroughTheChipCT01(t *testing.T) {
	c := checks(t).Get("CT-01")
	b := newBench(t)
	b.chip.Input[0] = func(at time.Time) float64 {
		return 1.65 + c.Want("peak_V")*math.Sin(2*math.Pi*50*at.Sub(start).Seconds())
	}
	burst, err := b.dev.Burst(t.Context(), ads1115.Opts{Input: ads1115.AIN0, FullScale: 4096, Rate: 860}, make([]sensor.Conversion, 172))
	require.NoError(t, err)
	xs := make([]float64, len(burst))
	for i, x := range burst {
		xs[i] = float64(x.Code) * ads1115.VoltsPerCount(4096)
	}
	rms, err := filter.RMS(xs)
	require.NoError(t, err)
	const tolerance = 0.002 // 16 bits, bursts with pauses between conversions
	require.InEpsilon(t, c.Want("rms_V"), rms, tolerance)
	require.InEpsilon(t, c.In("primary_A"), rms*c.Want("primary_A_per_V"), tolerance)
}

func TestFaults(t *testing.T) {
	o := ads1115.Opts{Input: ads1115.AIN0, FullScale: 4096, Rate: 128}
	torn := errors.New("arbitration lost")
	b := newBench(t)
	b.bus.Fail(1, torn)
	_, err := b.dev.Read(t.Context(), o)
	require.ErrorIs(t, err, torn)
	_, err = b.dev.Read(t.Context(), o)
	require.NoError(t, err)

	b.chip.ClockError = 5 // it never comes
	_, err = b.dev.Read(t.Context(), o)
	require.ErrorIs(t, err, sensor.ErrNotReady)

	b = newBench(t)
	b.chip.Input[0] = func(time.Time) float64 { b.chip.BrownOut(); return 0 }
	burst, err := b.dev.Burst(t.Context(), o, make([]sensor.Conversion, 5))
	require.ErrorIs(t, err, sensor.ErrReset)
	require.Empty(t, burst)

	_, err = ads1115.New(b.bus, 0x50, b.clock)
	require.Error(t, err)
	for _, o := range []ads1115.Opts{{Input: 9, FullScale: 4096, Rate: 128}, {FullScale: 4000, Rate: 128}, {FullScale: 4096, Rate: 100}} {
		_, err := b.dev.Read(t.Context(), o)
		require.Error(t, err)
	}
	_, err = ads1115.ParseMux("4")
	require.Error(t, err)
}
