package instruments

import (
	"context"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/sim"
)

func larkspur(t testing.TB) *plant.Plant {
	t.Helper()
	const file = "../../firmware-config/plants/larkspur-plant.toml"
	data, err := os.ReadFile(file)
	require.NoError(t, err)
	p, err := plant.Parse("larkspur-plant.toml", data)
	require.NoError(t, err)
	return p
}

var simulated = []BusConfig{{Name: "main", Kind: "simulated", Seed: 7, Scenario: "steady"}}

// dry is the Larkspur plant with running contacts on lines instead of a meter bus:
// no sockets, so a whole board runs in a synctest bubble, in its own time.
func dry(t testing.TB) *plant.Plant {
	p := larkspur(t)
	for i := range p.Channels {
		if p.Channels[i].Signal == plant.Bus {
			p.Channels[i].Signal = ""
		}
	}
	return p
}

// bubble opens a board in a synctest bubble and gives it to f.
func bubble(t *testing.T, o Options, f func(t *testing.T, s *Set)) {
	t.Helper()
	o.Buses = simulated
	synctest.Test(t, func(t *testing.T) {
		s, err := Open(o)
		require.NoError(t, err)
		f(t, s)
		require.NoError(t, s.Close())
	})
}

// collect runs a set until n frames have come.
func collect(t *testing.T, s *Set, n int) []plant.Frame {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var frames []plant.Frame
	err := s.Run(ctx, func(f plant.Frame) {
		if len(frames) < n {
			frames = append(frames, f)
		}
		if len(frames) == n {
			cancel()
		}
	})
	require.NoError(t, err)
	require.Len(t, frames, n)
	return frames
}

func open(t testing.TB, o Options) *Set {
	t.Helper()
	s, err := Open(o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// The demo's board: every channel of the plant file has its usual instrument, the
// frames come twenty times as fast as the wall, each with its own plant time, and
// what they say is what the mill does. On a busy machine they may come late.
func TestDemoBoard(t *testing.T) {
	t.Parallel()
	p := larkspur(t)
	start := time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)
	begun := time.Now()
	now := func() time.Time { return start.Add(20 * time.Since(begun)) }
	mill, err := sim.New(sim.Config{Plant: p, Seed: 7, Start: start, Scenario: "steady"})
	require.NoError(t, err)
	s := open(t, Options{Plant: p, Buses: simulated, Now: now, Speed: 20, Mill: mill, Boot: "boot-1"})
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	good := make([]int, len(p.Channels))
	var last, before plant.Frame
	require.NoError(t, s.Run(ctx, func(f plant.Frame) {
		require.Len(t, f.Readings, len(p.Channels))
		require.Equal(t, "boot-1", f.Boot)
		require.True(t, f.ClockSet)
		require.Greater(t, f.Mono, before.Mono)
		require.True(t, f.Time.After(before.Time))
		all := true
		for i, r := range f.Readings {
			if r.Usable() {
				good[i]++
			}
			all = all && r.Usable()
		}
		before = f
		if all {
			last = f
		}
		if slices.Min(good) >= 20 && all {
			cancel()
		}
	}))
	for i, ch := range p.Channels {
		require.GreaterOrEqual(t, good[i], 20, "%s", ch.Name)
	}
	s.Mill(func(m *sim.Mill) {
		for i, ch := range p.Channels {
			truth, ok := m.Signal(ch.Role)
			require.True(t, ok)
			require.InDelta(t, truth, last.Readings[i].Value, 0.05*(ch.Range[1]-ch.Range[0]), "%s", ch.Name)
		}
	})
}

// In its own time, with nothing else on the machine to wait for, every reading of
// every second is good and the seconds are exact.
func TestEverySecondIsGood(t *testing.T) {
	bubble(t, Options{Plant: dry(t)}, func(t *testing.T, s *Set) {
		frames := collect(t, s, 300)
		for k, f := range frames[5:] {
			require.Equal(t, time.Second, f.Time.Sub(frames[k+4].Time))
			for i, r := range f.Readings {
				require.True(t, r.Usable(), "%v %s %+v", f.Time, s.opts.Plant.Channels[i].Name, r)
			}
		}
	})
}

// The vibration that reaches the simulated cells is filtered: from frame to frame
// the bin's weight scatters far less than the cell is shaken.
func TestShakingReachesTheCellsAndIsFilteredOut(t *testing.T) {
	p := dry(t)
	bubble(t, Options{Plant: p}, func(t *testing.T, s *Set) {
		i := p.ChannelIndex("concentrate_1_weight")
		raw := 0.0
		span := p.Channels[i].Range[1]
		frames := collect(t, s, 40)
		at := s.opts.Now()
		lo, hi := math.Inf(1), math.Inf(-1)
		for k := range 200 {
			v := s.feed.observe(i, p.Channels[i], at.Add(time.Duration(k)*7*time.Millisecond))
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
		raw = (hi - lo) / span
		require.Greater(t, raw, 0.004, "the cell is shaken")
		var steps []float64
		for k := 15; k < len(frames); k++ {
			require.True(t, frames[k].Readings[i].Usable(), "%+v", frames[k].Readings[i])
			steps = append(steps, math.Abs(frames[k].Readings[i].Value-frames[k-1].Readings[i].Value)/span)
		}
		worst := 0.0
		for _, x := range steps {
			worst = math.Max(worst, x)
		}
		require.Less(t, worst, raw/20)
	})
}

func TestFaultsOfInstrumentsGetTheirReason(t *testing.T) {
	for _, tc := range []struct {
		channel, fault string
		amount         float64
		want           plant.Reason
	}{
		{"feed_rate", "broken wire", 0, plant.LoopFault},
		{"feed_rate", "railed", 1, plant.LoopFault},
		{"bin_weight", "dropout", 3600, plant.NoAnswer},
		{"feed_rate", "dropout", 3600, plant.LoopFault}, // its transmitter is gone, not the converter
		{"mill_water", "gain", 40, plant.Impossible},
		{"bin_weight", "zero shift", 1e6, plant.Saturated},
	} {
		t.Run(tc.channel+" "+tc.fault, func(t *testing.T) {
			p := dry(t)
			bubble(t, Options{Plant: p}, func(t *testing.T, s *Set) {
				i := p.ChannelIndex(tc.channel)
				n, bad := 0, 0
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				err := s.Run(ctx, func(f plant.Frame) {
					n++
					if n == 12 {
						s.Instrument(tc.channel, func(inst *sim.Instrument) { require.NoError(t, inst.Fault(tc.fault, tc.amount)) })
					}
					if f.Readings[i].Reason == tc.want {
						bad++
						require.False(t, f.Readings[i].Usable())
						if tc.want == plant.NoAnswer {
							require.False(t, f.Readings[i].Has, "nothing is held over")
						}
					}
					if n == 30 || bad == 3 {
						cancel()
					}
				})
				require.NoError(t, err)
				require.Equal(t, 3, bad, "after %d frames", n)
			})
		})
	}
}

// Faults E13: one bus hangs for ever; the other channels keep their rhythm, the
// hung one is lost, the reset is tried once a minute, no goroutine is added, and
// Run still ends.
func TestAHungBusDoesNotHoldTheOthers(t *testing.T) {
	p := dry(t)
	bubble(t, Options{Plant: p}, func(t *testing.T, s *Set) {
		seg := s.sims["main"].segs["bin_weight"]
		bin, water := p.ChannelIndex("bin_weight"), p.ChannelIndex("wash_water")
		ctx, cancel := context.WithCancel(t.Context())
		var before plant.Frame
		n, routines := 0, 0
		err := s.Run(ctx, func(f plant.Frame) {
			n++
			switch n {
			case 12:
				require.True(t, f.Readings[bin].Usable())
				seg.Hang()
			case 30:
				routines = runtime.NumGoroutine()
			case 30 + 180:
				require.LessOrEqual(t, runtime.NumGoroutine(), routines)
				cancel()
			}
			if n > 12 {
				require.Less(t, f.Time.Sub(before.Time), 2*time.Second, "others late by under one period")
				require.True(t, f.Readings[water].Usable(), "%d: %+v", n, f.Readings[water])
			}
			if n > 17 {
				require.Equal(t, plant.NoAnswer, f.Readings[bin].Reason, "%d", n)
				require.False(t, f.Readings[bin].Has, "nothing is held over")
			}
			before = f
		})
		require.ErrorContains(t, err, "nau7802")
		require.ErrorContains(t, err, "held by the bus")
		_, resets := seg.Counts()
		require.InDelta(t, 3, resets, 1, "three minutes, once a minute")
		seg.Release()
	})
}

// A consumer that takes its time gets every frame, and measuring goes on meanwhile.
func TestASlowConsumerNeverBlocksMeasuring(t *testing.T) {
	bubble(t, Options{Plant: dry(t)}, func(t *testing.T, s *Set) {
		ctx, cancel := context.WithCancel(t.Context())
		var times []time.Time
		require.NoError(t, s.Run(ctx, func(f plant.Frame) {
			times = append(times, f.Time)
			if len(times) == 5 {
				time.Sleep(time.Minute) // a card that stalls
			}
			if len(times) == 100 {
				cancel()
			}
		}))
		for i := 1; i < len(times); i++ {
			require.Equal(t, time.Second, times[i].Sub(times[i-1]))
		}
	})
}

func TestQueueGivesUpTheOldestAndSaysSo(t *testing.T) {
	q := newQueue(3)
	var told []int
	for i := range 25 {
		q.put(plant.Frame{Mono: time.Duration(i)}, func(lost int) { told = append(told, lost) })
	}
	require.Equal(t, []int{1, 10}, told)
	q.end()
	for want := 22; want < 25; want++ {
		f, ok := q.take()
		require.True(t, ok)
		require.EqualValues(t, want, f.Mono)
	}
	_, ok := q.take()
	require.False(t, ok)
}

func TestProbe(t *testing.T) {
	t.Parallel()
	p := larkspur(t)
	s := open(t, Options{Plant: p, Buses: simulated, Speed: 20})
	s.sims["main"].segs["bin_weight"].Detach(0x2A)
	seen := map[string]ProbeResult{}
	for _, r := range s.Probe(t.Context()) {
		for _, c := range r.Channels {
			seen[c] = r
		}
	}
	require.Len(t, seen, len(p.Channels))
	require.ErrorContains(t, seen["bin_weight"].Err, "no acknowledge")
	for _, c := range []string{"feed_rate", "mill_current", "wash_water", "concentrate_1_weight", "table_running"} {
		require.NoError(t, seen[c].Err, c)
		require.Contains(t, seen[c].Detail, c)
	}
}

func TestWatchForCalibration(t *testing.T) {
	t.Parallel()
	p := larkspur(t)
	s := open(t, Options{Plant: p, Buses: simulated, Speed: 20})
	st, err := s.Watch(t.Context(), "bin_weight", 10*time.Second)
	require.NoError(t, err)
	require.InDelta(t, 10, st.Seconds, 0.5)
	v, ok := s.fields[p.ChannelIndex("bin_weight")].read.line.Value(st.Mean)
	require.True(t, ok)
	s.Mill(func(m *sim.Mill) {
		truth, _ := m.Signal(plant.BinWeight)
		require.InDelta(t, truth, v, 100)
	})
	_, err = s.Watch(t.Context(), "nothing", time.Second)
	require.Error(t, err)
}

// BS-01 through the whole board: belt load times belt speed.
func TestComputedFeedRate(t *testing.T) {
	rate, err := beltRate("kg/m", "m/s", "t/h")
	require.NoError(t, err)
	require.InDelta(t, 7.2, rate(5, 0.4), 1e-9) // check value BS-01
	p := dry(t)
	feed, speed := p.ChannelIndex("feed_rate"), p.ChannelIndex("belt_speed")
	p.Channels[feed].Signal = plant.Computed
	load := len(p.Channels)
	p.Channels = append(p.Channels, plant.Channel{Name: "belt_load", Role: plant.BeltLoad, Unit: "kg/m", Range: [2]float64{0, 10}, Signal: plant.Bridge})
	bubble(t, Options{Plant: p}, func(t *testing.T, s *Set) {
		frames := collect(t, s, 15)
		last := frames[14].Readings
		require.True(t, last[feed].Usable(), "%+v", last)
		require.InDelta(t, 3.6*last[load].Value*last[speed].Value, last[feed].Value, 1e-9)
		require.Greater(t, last[feed].Value, 0.5)
	})

	bad := combine(func(x []float64) float64 { return x[0] }, plant.Reading{Value: 1, Has: true, Quality: plant.Good}, plant.Reading{Value: 1, Has: true, Quality: plant.Bad, Reason: plant.Stuck})
	require.Equal(t, plant.Stuck, bad.Reason, "as good as the worst input")
}

func TestTenHertz(t *testing.T) {
	bubble(t, Options{Plant: dry(t), Period: 100 * time.Millisecond}, func(t *testing.T, s *Set) {
		for k, f := range collect(t, s, 600)[50:] {
			for i, r := range f.Readings {
				require.True(t, r.Usable(), "%d %s %+v", k, s.opts.Plant.Channels[i].Name, r)
			}
		}
	})
}

// A step of the board's clock neither stalls nor hurries the frames.
func TestClockStep(t *testing.T) {
	p := larkspur(t)
	synctest.Test(t, func(t *testing.T) {
		var offset atomic.Int64
		now := func() time.Time { return time.Now().Add(time.Duration(offset.Load())) }
		s, err := Open(Options{Plant: p, Sensors: []SensorConfig{
			{Channel: "feeder_drive", Chip: "typed", Value: new(40.0)},
		}, Period: 50 * time.Millisecond, Now: now})
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		var frames []plant.Frame
		require.NoError(t, s.Run(ctx, func(f plant.Frame) {
			frames = append(frames, f)
			if len(frames) == 5 {
				offset.Store(-int64(time.Hour))
			}
			if len(frames) == 12 {
				cancel()
			}
		}))
		require.Less(t, frames[11].Time.Sub(frames[0].Time), -59*time.Minute)
		for i := 1; i < 12; i++ {
			require.Equal(t, 50*time.Millisecond, frames[i].Mono-frames[i-1].Mono)
		}
		require.Equal(t, 40.0, frames[11].Readings[p.ChannelIndex("feeder_drive")].Value)
		require.Equal(t, plant.Missing, frames[11].Readings[p.ChannelIndex("feed_rate")].Reason)
		require.NoError(t, s.Close())
	})
}

func TestWhatOpenRefuses(t *testing.T) {
	p := larkspur(t)
	i2c := BusConfig{Name: "cells", Kind: "i2c", Path: "/dev/i2c-99"}
	main := simulated[0]
	s := func(c SensorConfig) []SensorConfig { return []SensorConfig{c} }
	for _, tc := range []struct {
		name    string
		buses   []BusConfig
		sensors []SensorConfig
		want    []string
	}{
		{"unknown chip", []BusConfig{main}, s(SensorConfig{Channel: "bin_weight", Chip: "nau7820"}), []string{"nau7802", "sensor 1 (bin_weight)"}},
		{"unknown channel", []BusConfig{main}, s(SensorConfig{Channel: "bin_wieght", Chip: "nau7802"}), []string{`"bin_weight"`, "larkspur-plant.toml"}},
		{"unknown bus", []BusConfig{main}, s(SensorConfig{Channel: "bin_weight", Bus: "mian", Chip: "nau7802"}), []string{`"main"`}},
		{"unknown kind", []BusConfig{{Name: "a", Kind: "i2x"}}, nil, []string{`"i2c"`}},
		{"no path", []BusConfig{{Name: "a", Kind: "i2c"}}, nil, []string{"path"}},
		{"twice", []BusConfig{main, main}, nil, []string{"twice"}},
		{"seed on a real bus", []BusConfig{{Name: "a", Kind: "i2c", Path: "/dev/i2c-1", Seed: 3}}, nil, []string{"simulated"}},
		{"chip on the wrong bus", []BusConfig{i2c}, s(SensorConfig{Channel: "wash_water", Chip: "pulse", Pin: "17"}), []string{"gpio"}},
		{"bus that is not there", []BusConfig{i2c}, s(SensorConfig{Channel: "bin_weight", Chip: "nau7802"}), []string{"/dev/i2c-99"}},
		{"no sensors on a real bus", []BusConfig{i2c}, nil, []string{"[[sensor]]"}},
		{"channel twice", []BusConfig{main}, []SensorConfig{{Channel: "bin_weight", Chip: "nau7802"}, {Channel: "bin_weight", Chip: "nau7802"}}, []string{"another sensor"}},
		{"line twice", []BusConfig{main}, []SensorConfig{{Channel: "wash_water", Chip: "pulse", Pin: "17"}, {Channel: "bin_weight", Chip: "hx711", ClockPin: "4", DataPin: "17"}}, []string{"line 17", "wash_water"}},
		{"gain", []BusConfig{main}, s(SensorConfig{Channel: "bin_weight", Chip: "nau7802", Gain: 100}), []string{"gain 100"}},
		{"10 per second beside a mill", []BusConfig{main}, s(SensorConfig{Channel: "bin_weight", Chip: "hx711", ClockPin: "1", DataPin: "2", Rate: 10}), []string{"mill shaft", "still = true"}},
		{"nothing computes it", []BusConfig{i2c}, s(SensorConfig{Channel: "feed_rate", Chip: "computed"}), []string{"/dev/i2c-99"}},
		{"spi", []BusConfig{{Name: "a", Kind: "spi", Path: "/dev/spidev0.0"}}, s(SensorConfig{Channel: "bin_weight", Chip: "typed", Value: new(1.0)}), []string{"SPI"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			before := runtime.NumGoroutine()
			_, err := Open(Options{Plant: p, Buses: tc.buses, Sensors: tc.sensors})
			require.Error(t, err)
			for _, w := range tc.want {
				require.ErrorContains(t, err, w)
			}
			require.NotContains(t, err.Error(), "\n", "one sentence")
			require.LessOrEqual(t, runtime.NumGoroutine(), before)
		})
	}
}

func TestUncalibratedIsSaidNotGuessed(t *testing.T) {
	p := larkspur(t)
	bubble(t, Options{Plant: p, Dir: t.TempDir(), Sensors: []SensorConfig{
		{Channel: "bin_weight", Chip: "nau7802", CalibrationFile: "bin.toml"}, // not written yet
	}}, func(t *testing.T, s *Set) {
		last := collect(t, s, 10)[9].Readings[p.ChannelIndex("bin_weight")]
		require.Equal(t, plant.Uncalibrated, last.Reason)
		require.False(t, last.Has)
	})
}

// Faults E15 over a day and more would take too long here; see package validity.

// BenchmarkBoard measures processor time of a board with 12 channels at 10 Hz
// against time of the plant; the target is 5 % of a core.
func BenchmarkBoard(b *testing.B) {
	p := larkspur(b)
	p.Channels = p.Channels[:12]
	for _, speed := range []float64{1, 20} {
		b.Run(fmt.Sprintf("speed=%g", speed), func(b *testing.B) {
			for b.Loop() {
				s, err := Open(Options{Plant: p, Buses: simulated, Period: 100 * time.Millisecond, Speed: speed})
				require.NoError(b, err)
				before := cpu(b)
				ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
				require.NoError(b, s.Run(ctx, func(plant.Frame) {}))
				cancel()
				b.ReportMetric(100*(cpu(b)-before).Seconds()/(5*speed), "%core")
				require.NoError(b, s.Close())
			}
		})
	}
}

// cpu is the processor time of this process so far.
func cpu(b *testing.B) time.Duration {
	data, err := os.ReadFile("/proc/self/stat")
	require.NoError(b, err)
	f := strings.Fields(string(data[strings.LastIndexByte(string(data), ')')+2:]))
	var user, system int64
	_, err = fmt.Sscan(f[11]+" "+f[12], &user, &system)
	require.NoError(b, err)
	return time.Duration(user+system) * 10 * time.Millisecond
}
