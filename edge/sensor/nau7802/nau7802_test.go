package nau7802_test

import (
	"errors"
	"math"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"decktrim/edge/sensor"
	"decktrim/edge/sensor/nau7802"
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

type bench struct {
	bus   *simchip.Bus
	chip  *simchip.NAU7802
	clock *simchip.Clock
	dev   *nau7802.Dev
	mV    float64
}

func newBench(t *testing.T, o nau7802.Opts) *bench {
	t.Helper()
	b := &bench{bus: simchip.NewBus("sim"), clock: simchip.NewFreeClock(start), mV: 2.5}
	b.chip = simchip.NewNAU7802(b.clock, func(time.Time) float64 { return b.mV })
	require.NoError(t, b.bus.Attach(nau7802.Address, b.chip))
	dev, err := nau7802.New(b.bus, nau7802.Address, o, b.clock)
	require.NoError(t, err)
	b.dev = dev
	return b
}

func TestStepIsThatOfNA07(t *testing.T) {
	c := checks(t).Get("NA-07")
	require.NoError(t, c.Compare("nV_per_count", 1e9*nau7802.VoltsPerCount(c.In("vref_mV"), int(c.In("gain")))))
}

// What goes over the wire, byte by byte, from NA-01 to NA-05: reset, power up, wait
// for PUR, revision, supply, gain and rate, start (0x96), calibration. A wrong
// register number or bit breaks this test, whatever the simulated chip forgives.
func TestPowerUpWords(t *testing.T) {
	const a = nau7802.Address
	ops := []i2ctest.IO{
		{Addr: a, W: []byte{0x00, 0x01}},
		{Addr: a, W: []byte{0x00, 0x02}},
		{Addr: a, W: []byte{0x00}, R: []byte{0x0A}},
		{Addr: a, W: []byte{0x1F}, R: []byte{0x0F}},
		{Addr: a, W: []byte{0x00, 0x86}},
		{Addr: a, W: []byte{0x01, 5<<3 | 7}}, // 3000 mV, gain 128
		{Addr: a, W: []byte{0x02, 3 << 4}},   // 80 per second
		{Addr: a, W: []byte{0x15, 0x30}},
		{Addr: a, W: []byte{0x00, 0x96}},
		{Addr: a, W: []byte{0x02, 3<<4 | 4}},
		{Addr: a, W: []byte{0x02}, R: []byte{3 << 4}},
	}
	for range 7 { // six are thrown away (NA-06), one is read
		ops = append(ops,
			i2ctest.IO{Addr: a, W: []byte{0x00}, R: []byte{0xBE}},
			i2ctest.IO{Addr: a, W: []byte{0x12}, R: []byte{0xFE, 0xDC, 0xBA}})
	}
	bus := &i2ctest.Playback{Ops: ops, DontPanic: true}
	dev, err := nau7802.New(bus, a, nau7802.DefaultOpts, simchip.NewFreeClock(start))
	require.NoError(t, err)
	require.NoError(t, dev.Init(t.Context()))
	c, err := dev.Read(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, checks(t).Get("LC-09").Want("counts"), c.Code, "B2, B1, B0: most significant byte first")
	require.NoError(t, bus.Close(), "every exchange took place")
}

func TestReadsWhatTheBridgeGives(t *testing.T) {
	for _, gain := range []int{1, 2, 4, 8, 16, 32, 64, 128} {
		for _, rate := range []int{10, 20, 40, 80, 320} {
			o := nau7802.Opts{Channel: 1, Gain: gain, Rate: rate, LDO: 3000}
			b := newBench(t, o)
			require.NoError(t, b.dev.Init(t.Context()))
			for _, mV := range []float64{2.5, -1.25, 0} {
				b.mV = mV
				_, err := b.dev.Read(t.Context()) // the one under way
				require.NoError(t, err)
				c, err := b.dev.Read(t.Context())
				require.NoError(t, err)
				require.False(t, c.Saturated)
				require.InDelta(t, mV/1000/nau7802.VoltsPerCount(3000, gain), float64(c.Code), 0.51, "gain %d, rate %d", gain, rate)
			}
		}
	}
}

func TestSupplies(t *testing.T) {
	for _, ldo := range []int{2400, 2700, 3000, 3300, 3600, 3900, 4200, 4500, 0} {
		o := nau7802.DefaultOpts
		o.LDO = ldo
		b := newBench(t, o)
		b.chip.Excitation = 5000
		require.NoError(t, b.dev.Init(t.Context()))
		c, err := b.dev.Read(t.Context())
		require.NoError(t, err)
		ref := float64(ldo)
		if ldo == 0 {
			ref = 5000
		}
		require.InDelta(t, 0.0025/nau7802.VoltsPerCount(ref, 128), float64(c.Code), 0.51)
	}
}

func TestEveryConversionIsReadOnce(t *testing.T) {
	b := newBench(t, nau7802.DefaultOpts)
	n := 0
	b.chip.Input = func(at time.Time) float64 { n++; return at.Sub(start).Seconds() / 10 }
	require.NoError(t, b.dev.Init(t.Context()))
	n = 0
	before := int32(math.MinInt32)
	for range 800 {
		c, err := b.dev.Read(t.Context())
		require.NoError(t, err)
		require.Greater(t, c.Code, before, "no conversion twice")
		before = c.Code
	}
	require.InDelta(t, 800, n, 1, "and none missed")
}

func TestFaults(t *testing.T) {
	torn := errors.New("arbitration lost")
	for _, tc := range []struct {
		name  string
		cause func(*bench)
		want  error
	}{
		{"wrong chip", func(b *bench) { b.chip.Revision = 0x02 }, sensor.ErrWrongChip},
		{"nobody there", func(b *bench) { b.bus.Detach(nau7802.Address) }, simchip.ErrNoAcknowledge},
		{"bus error keeps its cause", func(b *bench) { b.bus.Fail(-1, torn) }, torn},
		{"never ready", func(b *bench) { b.chip.Dead = true }, sensor.ErrNotReady},
	} {
		t.Run("init: "+tc.name, func(t *testing.T) {
			b := newBench(t, nau7802.DefaultOpts)
			tc.cause(b)
			require.ErrorIs(t, b.dev.Init(t.Context()), tc.want)
			_, err := b.dev.Read(t.Context())
			require.ErrorIs(t, err, sensor.ErrReset, "not initialised")
		})
	}
	b := newBench(t, nau7802.DefaultOpts)
	b.chip.CalFails = true
	require.ErrorContains(t, b.dev.Init(t.Context()), "CAL_ERR")

	t.Run("not ready while reading, within the bound", func(t *testing.T) {
		b := newBench(t, nau7802.DefaultOpts)
		require.NoError(t, b.dev.Init(t.Context()))
		b.chip.Dead = true
		begun := b.clock.Now()
		_, err := b.dev.Read(t.Context())
		require.ErrorIs(t, err, sensor.ErrNotReady)
		require.Less(t, b.clock.Now().Sub(begun), 100*time.Millisecond)
	})
	t.Run("a dip of the supply is told from silence", func(t *testing.T) {
		b := newBench(t, nau7802.DefaultOpts)
		require.NoError(t, b.dev.Init(t.Context()))
		b.chip.BrownOut()
		_, err := b.dev.Read(t.Context())
		require.ErrorIs(t, err, sensor.ErrReset)
		require.NoError(t, b.dev.Init(t.Context()))
		_, err = b.dev.Read(t.Context())
		require.NoError(t, err)
	})
	t.Run("saturation is flagged at both ends", func(t *testing.T) {
		b := newBench(t, nau7802.DefaultOpts)
		require.NoError(t, b.dev.Init(t.Context()))
		for _, mV := range []float64{30, -30} {
			b.mV = mV
			_, err := b.dev.Read(t.Context())
			require.NoError(t, err)
			c, err := b.dev.Read(t.Context())
			require.NoError(t, err)
			require.True(t, c.Saturated)
		}
	})
	t.Run("halt powers down", func(t *testing.T) {
		b := newBench(t, nau7802.DefaultOpts)
		require.NoError(t, b.dev.Init(t.Context()))
		require.NoError(t, b.dev.Halt())
		_, err := b.dev.Read(t.Context())
		require.ErrorIs(t, err, sensor.ErrReset)
	})
}

func TestOptionsThatDoNotExist(t *testing.T) {
	for _, o := range []nau7802.Opts{
		{Channel: 3, Gain: 128, Rate: 80}, {Channel: 1, Gain: 100, Rate: 80}, {Channel: 1, Gain: 128, Rate: 160},
		{Channel: 1, Gain: 128, Rate: 80, LDO: 3100}, {Channel: 1, Gain: 128, Rate: 80, LDO: 2100},
	} {
		require.Error(t, o.Validate())
		_, err := nau7802.New(nil, nau7802.Address, o, nil)
		require.Error(t, err)
	}
}
