package watch_test

import (
	"encoding/json"
	"io/fs"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	firmwareconfig "decktrim/firmware-config"
	"decktrim/internal/plant"
	"decktrim/internal/watch"
)

var start = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

func larkspur(t testing.TB) *plant.Plant {
	data, err := fs.ReadFile(firmwareconfig.Plants, "plants/larkspur-plant.toml")
	require.NoError(t, err)
	p, err := plant.Parse("larkspur-plant.toml", data)
	require.NoError(t, err)
	return p
}

// player makes frames of a plant that runs at its usual values with white noise.
type player struct {
	t      testing.TB
	plant  *plant.Plant
	watch  *watch.Watch
	rng    *rand.Rand
	now    time.Time
	values map[string]float64 // usual values
	noise  map[string]float64
	drift  map[string]float64 // a second
	absent map[string]bool
	bad    map[string]plant.Reason
	events []watch.Event
}

func newPlayer(t testing.TB, p *plant.Plant) *player {
	return &player{t: t, plant: p, watch: watch.New(p), rng: rand.New(rand.NewPCG(7, 11)), now: start,
		values: map[string]float64{"bin_weight": 3000, "feeder_drive": 55, "feed_rate": 2, "belt_speed": 1, "mill_current": 38, "mill_water": 100,
			"wash_water": 45, "table_running": 1, "table_stroke_rate": 290, "concentrate_1_weight": 20, "concentrate_2_weight": 60,
			"middlings_weight": 200, "pond_level": 1.1, "return_flow": 200, "jaw_running": 0, "pump_running": 1, "classifier_running": 1},
		noise: map[string]float64{"bin_weight": 3, "feed_rate": 0.08, "belt_speed": 0.005, "mill_current": 0.8, "mill_water": 1, "wash_water": 0.7,
			"table_stroke_rate": 1, "concentrate_1_weight": 0.02, "concentrate_2_weight": 0.02, "middlings_weight": 0.1, "pond_level": 0.002, "return_flow": 2},
		drift: map[string]float64{}, absent: map[string]bool{}, bad: map[string]plant.Reason{}}
}

func (p *player) frame() plant.Frame {
	f := plant.Frame{Time: p.now, ClockSet: true, Readings: make([]plant.Reading, len(p.plant.Channels))}
	for i, c := range p.plant.Channels {
		v, have := p.values[c.Name]
		require.True(p.t, have, c.Name)
		switch {
		case p.absent[c.Name]:
			f.Readings[i].Reason = plant.Missing
		case p.bad[c.Name] != "":
			f.Readings[i] = plant.Reading{Value: v, Has: true, Quality: plant.Bad, Reason: p.bad[c.Name]}
		default:
			f.Readings[i] = plant.Reading{Value: v + p.noise[c.Name]*p.rng.NormFloat64(), Has: true, Quality: plant.Good}
		}
	}
	return f
}

func (p *player) play(d time.Duration) []watch.Event {
	from := len(p.events)
	for end := p.now.Add(d); p.now.Before(end); p.now = p.now.Add(time.Second) {
		p.events = append(p.events, p.watch.Observe(p.frame())...)
		for k, v := range p.drift {
			p.values[k] += v
		}
	}
	return p.events[from:]
}

func alarms(events []watch.Event) (list []string) {
	for _, e := range events {
		if e.Kind != watch.PlantState {
			list = append(list, string(e.Kind)+" "+e.Channel+" "+e.State)
		}
	}
	return list
}

func TestQuietDayIsSilent(t *testing.T) {
	p := newPlayer(t, larkspur(t))
	events := p.play(24 * time.Hour)
	require.Empty(t, alarms(events))
	s := p.watch.Status()
	require.Equal(t, watch.StateRunning, s.State)
	require.True(t, s.Steady)
	require.Less(t, s.SteadySince.Sub(start), 5*time.Minute)
	low, high, learned, ok := p.watch.Usual("feed_rate")
	require.True(t, ok)
	require.Greater(t, learned, 23*time.Hour)
	require.Less(t, low, 2.0)
	require.Greater(t, high, 2.0)
}

// Each upset is told by its own kind, is told once, and is over when it is over.
func TestUpsets(t *testing.T) {
	for _, c := range []struct {
		name    string
		change  func(*player)
		lasting time.Duration
		want    string
		within  time.Duration
	}{
		{"surge", func(p *player) { p.values["feed_rate"] = 3.2 }, time.Minute, "feed_surge feed_rate", 15 * time.Second},
		{"feed gone", func(p *player) { p.values["feed_rate"] = 0.3 }, 90 * time.Second, "feed_loss feed_rate", 30 * time.Second},
		{"choke", func(p *player) { p.values["mill_current"] = 52 }, time.Minute, "mill_choke mill_current", 30 * time.Second},
		{"wash water lost", func(p *player) { p.values["wash_water"] = 3 }, time.Minute, "water_loss wash_water", 15 * time.Second},
		{"mill water lost", func(p *player) { p.values["mill_water"] = 10 }, time.Minute, "water_loss mill_water", 15 * time.Second},
		{"wash water floods", func(p *player) { p.values["wash_water"] = 80 }, time.Minute, "flooding wash_water", 30 * time.Second},
		{"torn screen", func(p *player) { p.values["mill_current"] = 35.5 }, 3 * time.Minute, "screen_torn mill_current", 2 * time.Minute},
		{"blinding", func(p *player) { p.drift["mill_current"] = 0.004 }, 40 * time.Minute, "screen_blinding mill_current", 35 * time.Minute},
		{"table stopped", func(p *player) { p.values["table_running"] = 0 }, time.Minute, "table_stopped table_running", 5 * time.Second},
		{"stroke changed", func(p *player) { p.values["table_stroke_rate"] = 255 }, time.Minute, "stroke_changed table_stroke_rate", 30 * time.Second},
		{"pump stopped", func(p *player) { p.values["pump_running"] = 0 }, time.Minute, "pump_stopped pump_running", 5 * time.Second},
		{"spiral stopped", func(p *player) { p.values["classifier_running"] = 0 }, time.Minute, "classifier_stopped classifier_running", 5 * time.Second},
		{"belt stopped", func(p *player) { p.values["belt_speed"] = 0 }, time.Minute, "belt_stopped belt_speed", 20 * time.Second},
		{"bin low", func(p *player) { p.values["bin_weight"] = 300 }, 2 * time.Minute, "bin_low bin_weight", 90 * time.Second},
		{"bin full", func(p *player) { p.values["bin_weight"] = 5990 }, 2 * time.Minute, "bin_full bin_weight", 90 * time.Second},
		{"concentrate full", func(p *player) { p.values["concentrate_1_weight"] = 99.5 }, 2 * time.Minute, "concentrate_full concentrate_1_weight", 90 * time.Second},
		{"pond high", func(p *player) { p.values["pond_level"] = 1.6 }, 3 * time.Minute, "pond_high pond_level", 2 * time.Minute},
		{"pond low", func(p *player) { p.values["pond_level"] = 0.1 }, 3 * time.Minute, "pond_low pond_level", 2 * time.Minute},
		{"no value", func(p *player) { p.absent["wash_water"] = true }, time.Minute, "sensor_fault wash_water", 10 * time.Second},
		{"said bad", func(p *player) { p.bad["feed_rate"] = plant.Saturated }, time.Minute, "sensor_fault feed_rate", 10 * time.Second},
		{"loop broken", func(p *player) { p.values["feed_rate"], p.noise["feed_rate"] = -0.9, 0 }, time.Minute, "sensor_fault feed_rate", 10 * time.Second},
		{"stuck", func(p *player) { p.noise["mill_water"] = 0 }, 2 * time.Minute, "sensor_fault mill_water", 75 * time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := newPlayer(t, larkspur(t))
			require.Empty(t, alarms(p.play(30*time.Minute)))
			usual, noise := map[string]float64{}, map[string]float64{}
			for k, v := range p.values {
				usual[k] = v
			}
			for k, v := range p.noise {
				noise[k] = v
			}
			c.change(p)
			began := p.now
			events := p.play(c.lasting)
			require.Equal(t, []string{c.want + " raised"}, alarms(events))
			for _, e := range events {
				if e.Kind != watch.PlantState {
					require.LessOrEqual(t, e.Time.Sub(began), c.within)
					require.NotEmpty(t, e.Detail)
					require.Contains(t, []string{watch.Act, watch.Look, watch.Note}, e.Priority)
				}
			}
			p.values, p.noise = usual, noise
			clear(p.drift)
			clear(p.absent)
			clear(p.bad)
			require.Equal(t, []string{c.want + " cleared"}, alarms(p.play(20*time.Minute)))
		})
	}
}

// A feed that swings is one event with a count and a period; no more than the first
// swings are told as surges.
func TestHuntingFeedIsOneEvent(t *testing.T) {
	p := newPlayer(t, larkspur(t))
	p.play(30 * time.Minute)
	var events []watch.Event
	for k := range 20 {
		p.values["feed_rate"] = 2.0 + 0.5*float64(1-2*(k%2))
		events = append(events, p.play(30*time.Second)...)
	}
	p.values["feed_rate"] = 2.0
	events = append(events, p.play(10*time.Minute)...)
	count := map[string]int{}
	for _, a := range alarms(events) {
		count[a]++
	}
	require.Equal(t, 1, count["feed_hunting feed_rate raised"], alarms(events))
	require.Equal(t, 1, count["feed_hunting feed_rate cleared"])
	require.LessOrEqual(t, count["feed_surge feed_rate raised"], 2)
}

// What follows from a first cause is not told beside it.
func TestFollowersAreNotRaised(t *testing.T) {
	for name, c := range map[string]struct {
		zero []string
		want string
	}{
		"pump":  {[]string{"pump_running", "return_flow", "wash_water", "mill_water"}, "pump_stopped pump_running"},
		"belt":  {[]string{"belt_speed", "feed_rate"}, "belt_stopped belt_speed"},
		"table": {[]string{"table_running", "table_stroke_rate"}, "table_stopped table_running"},
	} {
		t.Run(name, func(t *testing.T) {
			p := newPlayer(t, larkspur(t))
			p.play(30 * time.Minute)
			usual, noise := map[string]float64{}, map[string]float64{}
			for _, k := range c.zero {
				usual[k], noise[k] = p.values[k], p.noise[k]
				p.values[k], p.noise[k] = 0, 0
			}
			told := p.play(90 * time.Second)
			want, priorities := []string{c.want + " raised"}, []string{}
			for _, e := range told {
				if e.Kind == watch.PumpStopped {
					priorities = append(priorities, e.Priority)
				}
			}
			if name == "pump" {
				// Once more, because the wash water it feeds is lost: now it is urgent.
				want = append(want, want[0])
				require.Equal(t, []string{watch.Look, watch.Act}, priorities)
			}
			require.Equal(t, want, alarms(told))
			for _, k := range c.zero {
				p.values[k], p.noise[k] = usual[k], noise[k]
			}
			require.Equal(t, []string{c.want + " cleared"}, alarms(p.play(10*time.Minute)))
		})
	}
}

// A change that stays does not become the usual while its alarm stands.
func TestUpsetIsNotLearned(t *testing.T) {
	p := newPlayer(t, larkspur(t))
	p.play(30 * time.Minute)
	p.values["table_stroke_rate"] = 265
	require.Equal(t, []string{"stroke_changed table_stroke_rate raised"}, alarms(p.play(2*time.Hour)))
}

func TestFaultIsNoPlantUpset(t *testing.T) {
	p := newPlayer(t, larkspur(t))
	p.play(30 * time.Minute)
	p.values["feed_rate"], p.noise["feed_rate"] = -0.9, 0 // wire off: reads far below zero
	for _, a := range alarms(p.play(10 * time.Minute)) {
		require.Contains(t, a, "sensor_fault")
	}
	require.Equal(t, watch.StateRunning, p.watch.Status().State, "one dead scale does not stop the plant on paper")
	require.False(t, p.watch.Status().Steady)
}

func TestStopAndStart(t *testing.T) {
	p := newPlayer(t, larkspur(t))
	p.play(30 * time.Minute)
	var states []string
	take := func(events []watch.Event) {
		require.Empty(t, alarms(events), "a planned stop is no upset")
		for _, e := range events {
			states = append(states, e.PlantState)
		}
	}
	p.values["feeder_drive"], p.values["feed_rate"] = 0, 0
	take(p.play(time.Minute))
	p.values["mill_current"] = 18
	take(p.play(20 * time.Minute))
	for _, k := range []string{"mill_current", "mill_water", "wash_water", "belt_speed", "table_running", "table_stroke_rate", "pump_running", "classifier_running", "return_flow"} {
		p.values[k], p.noise[k] = 0, 0
	}
	take(p.play(5 * time.Minute))
	require.Equal(t, []string{watch.StateEmptying, watch.StateWaterOn, watch.StateStopped}, states)
}

func TestDoubledAndDisorderedRows(t *testing.T) {
	p := newPlayer(t, larkspur(t))
	p.play(15 * time.Minute)
	var events []watch.Event
	for range 3 { // a few are silent
		f := p.frame()
		events = append(events, p.watch.Observe(f)...)
		events = append(events, p.watch.Observe(f)...)
		p.now = p.now.Add(time.Second)
	}
	require.Empty(t, alarms(events))
	for range 20 {
		f := p.frame()
		events = append(events, p.watch.Observe(f)...)
		f.Time = f.Time.Add(-10 * time.Second)
		events = append(events, p.watch.Observe(f)...)
		p.now = p.now.Add(time.Second)
	}
	require.Equal(t, []string{"clock_fault  raised"}, alarms(events))
	require.Equal(t, []string{"clock_fault  cleared"}, alarms(p.play(3*time.Minute)))
}

func TestSilenceIsStampedWhenItWasDue(t *testing.T) {
	p := newPlayer(t, larkspur(t))
	p.play(15 * time.Minute)
	last := p.now.Add(-time.Second)
	require.Empty(t, p.watch.Silence(last.Add(4*time.Second)))
	live := p.watch.Silence(last.Add(9 * time.Second))
	require.Equal(t, []string{"node_silent  raised"}, alarms(live))
	require.Equal(t, last.Add(5*time.Second), live[0].Time)
	require.Empty(t, p.watch.Silence(last.Add(10*time.Second)), "told once")

	p.now = p.now.Add(10 * time.Minute)
	require.Equal(t, []string{"node_silent  cleared"}, alarms(p.play(time.Minute)))
}

func TestLimitsSetByPeople(t *testing.T) {
	data, err := fs.ReadFile(firmwareconfig.Plants, "plants/larkspur-plant.toml")
	require.NoError(t, err)
	text := string(data) + "\n[[alarm]]\nchannel = \"pond_level\"\nhigh = 1.2\ndeadband = 0.05\ndelay = 30.0\npriority = \"look\"\ntext = \"Open the return.\"\n"
	pl, err := plant.Parse("p", []byte(text))
	require.NoError(t, err)
	p := newPlayer(t, pl)
	p.play(time.Minute)
	p.values["pond_level"] = 1.3
	events := p.play(2 * time.Minute)
	require.Equal(t, []string{"pond_high pond_level raised"}, alarms(events))
	require.Contains(t, events[len(events)-1].Detail, "Open the return.")
}

func TestEventLine(t *testing.T) {
	b, err := json.Marshal(watch.Event{Time: start, Kind: watch.FeedSurge, Channel: "feed_rate", State: "raised", Priority: watch.Act, Cause: "c", Detail: "d"})
	require.NoError(t, err)
	require.JSONEq(t, `{"time":"2026-01-05T07:00:00Z","kind":"feed_surge","channel":"feed_rate","state":"raised","priority":"act","cause":"c","follows":null,"detail":"d"}`, string(b))
	require.True(t, strings.HasPrefix(string(b), `{"time"`))
}

func TestTwoSensorPlant(t *testing.T) {
	pl, err := plant.Parse("p", []byte("[plant]\nname = \"x\"\n[[channel]]\nname = \"wash_water\"\nunit = \"L/min\"\nrange = [0.0, 90.0]\nsignal = \"pulse\"\n"))
	require.NoError(t, err)
	p := newPlayer(t, pl)
	p.play(20 * time.Minute)
	require.Equal(t, watch.StateUnknown, p.watch.Status().State)
	require.False(t, p.watch.Status().Steady)
}

func BenchmarkObserve(b *testing.B) {
	p := newPlayer(b, larkspur(b))
	p.play(15 * time.Minute)
	f := p.frame()
	for b.Loop() {
		f.Time = f.Time.Add(time.Second)
		p.watch.Observe(f)
	}
}
