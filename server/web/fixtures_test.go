package web

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"os"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"decktrim/internal/advise"
	"decktrim/internal/fit"
	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
	"decktrim/server/store"
)

// noon is the moment of all test pages: 14:02:31 on a winter day in Boise.
var noon = time.Date(2026, 1, 5, 21, 2, 31, 0, time.UTC)

func readPlant(t testing.TB, name string) *plant.Plant {
	t.Helper()
	data, err := os.ReadFile("../../firmware-config/plants/" + name)
	require.NoError(t, err)
	p, err := plant.Parse(name, data)
	require.NoError(t, err)
	return p
}

// twoSensors is a plant with a typed feed rate and two sensors.
func twoSensors(t testing.TB) *plant.Plant {
	t.Helper()
	p, err := plant.Parse("two.toml", []byte(`
[plant]
name = "Two sensors"
timezone = "America/Boise"
shifts = ["06:00", "18:00"]
[[setting]]
name = "wash_water"
unit = "L/min"
min = 20.0
max = 90.0
max_move = 8.0
resolution = 1.0
[objective]
maximise = "recovery"
products_counted = ["concentrate_1"]
grade_unit = "g/t"
[[channel]]
name = "feed_rate"
role = "feed_rate"
unit = "t/h"
range = [0.0, 4.0]
signal = "typed"
[[channel]]
name = "mill_current"
role = "mill_current"
unit = "A"
range = [0.0, 60.0]
signal = "current-transformer"
[[channel]]
name = "wash_water"
role = "wash_water"
unit = "L/min"
range = [0.0, 120.0]
signal = "pulse"
`))
	require.NoError(t, err)
	return p
}

// still is a Live that shows one state until told to change.
type still struct {
	plants []PlantNow
	change chan struct{}
}

func (s *still) Snapshot() []PlantNow { return s.plants }

func (s *still) Subscribe(ctx context.Context) <-chan struct{} {
	out := make(chan struct{})
	go func() {
		defer close(out)
		for {
			select {
			case <-ctx.Done():
				return
			case <-s.change:
				select {
				case out <- struct{}{}:
				case <-ctx.Done():
					return
				}
			}
		}
	}()
	return out
}

// waves is a History that swings each channel round the middle of its range, with
// twenty minutes missing each three hours.
type waves struct{ plants []*plant.Plant }

func (h waves) Range(_ context.Context, name, channel string, from, to time.Time, most int) ([]Point, error) {
	for _, p := range h.plants {
		i := p.ChannelIndex(channel)
		if p.Plant.Name != name || i < 0 {
			continue
		}
		c := p.Channels[i]
		mid, span := (c.Range[0]+c.Range[1])/2, c.Range[1]-c.Range[0]
		step := max(to.Sub(from)/time.Duration(most), time.Second)
		var out []Point
		for t := from; t.Before(to); t = t.Add(step) {
			if t.Unix()%10800 < 1200 {
				if len(out) > 0 && out[len(out)-1].Count > 0 {
					out = append(out, Point{At: t})
				}
				continue
			}
			x := float64(t.Unix())
			v := mid + span*0.04*math.Sin(x/500+float64(i)) + span*0.01*math.Sin(x/37)
			out = append(out, Point{At: t, Mean: v, Least: v - span*0.012, Greatest: v + span*0.012, Count: int(step / time.Second)})
		}
		return out, nil
	}
	return nil, fmt.Errorf("no channel %s of plant %s", channel, name)
}

// steadyNow is a plant with everything usual.
func steadyNow(p *plant.Plant) PlantNow {
	n := PlantNow{Plant: p, State: "running", StateSince: noon.Add(-3 * time.Hour), Steady: true, SteadySince: noon.Add(-110 * time.Minute), OreSource: "Quillback Reef", Lot: "Q-07"}
	for _, c := range p.Channels {
		mid, span := (c.Range[0]+c.Range[1])/2, c.Range[1]-c.Range[0]
		r := ChannelNow{Name: c.Name, At: noon.Add(-time.Second), Reading: plant.Reading{Value: mid, Has: true, Quality: plant.Good}, Learned: 6 * time.Hour,
			Usual: &Usual{Low: mid - 0.1*span, High: mid + 0.1*span}}
		if contact(c) {
			r.Reading.Value, r.Usual = 1, nil
		}
		n.Channels = append(n.Channels, r)
	}
	return n
}

// troubled is the same plant with alarms and readings of every kind of fault.
func troubled(p *plant.Plant) PlantNow {
	n := steadyNow(p)
	n.Steady, n.SteadySince = false, time.Time{}
	n.Alarms = []Alarm{
		{Kind: "pond_low", Channel: "pond_level", Priority: "look", Since: noon.Add(-25 * time.Minute), Cause: "make-up closed", Detail: "level 0.4 m"},
		{Kind: "feed_surge", Channel: "feed_rate", Priority: "act", Since: noon.Add(-4 * time.Minute), Cause: "the bin let go after a bridge", Detail: "3.1 t/h, 55 % above usual", Follows: []string{"mill_choke", "flooding"}},
		{Kind: "sensor_fault", Channel: "wash_water", Priority: "note", Since: noon.Add(-2 * time.Hour)},
		{Kind: "kind_of_a_newer_watch", Priority: "", Since: noon.Add(-time.Hour)},
	}
	faults := []plant.Reading{
		{Value: 1, Has: true, Quality: plant.Bad, Reason: plant.Stuck},
		{Quality: plant.Bad, Reason: plant.NoAnswer},
		{Value: 2, Has: true, Quality: plant.Stale, Reason: plant.TooOld},
		{Value: 1e9, Has: true, Quality: plant.Good},
		{Value: -1e9, Has: true, Quality: plant.Bad, Reason: plant.Reason("of-a-newer-board")},
	}
	j := 0
	for i := range n.Channels {
		if n.Channels[i].Name == "feed_rate" {
			n.Channels[i].Reading.Value = 3.1
			continue
		}
		if i%2 == 0 && j < len(faults) {
			n.Channels[i].Reading = faults[j]
			j++
		}
		if i%5 == 1 {
			n.Channels[i].Usual, n.Channels[i].Learned = nil, 80*time.Minute
		}
	}
	n.Channels[len(n.Channels)-1] = ChannelNow{Name: n.Channels[len(n.Channels)-1].Name} // never came
	n.Silent = []string{"larkspur/pond"}
	return n
}

// invented is a ledger with the scenario's ore sources, lots and runs.
func inventedLedger(t testing.TB, plants ...*plant.Plant) *store.Store {
	t.Helper()
	st, err := store.Open(store.Options{Dir: t.TempDir(), Plants: plants, NoSync: true, Now: func() time.Time { return noon }})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, st.Close()) })
	add := func(kind ledger.Kind, at time.Time, body any) {
		raw, err := json.Marshal(body)
		require.NoError(t, err)
		require.NoError(t, st.AppendEntries(context.Background(), ledger.Entry{ID: uuid.Must(uuid.NewV7()).String(), Plant: plants[0].Plant.Name, Kind: kind, At: at, By: "shift lead", Body: raw}))
	}
	grade, left, yes := 11.8, 42.0, true
	add(ledger.KindOreSource, noon, ledger.OreSource{Name: "Quillback Reef", Character: "coarse gold, clean quartz", Owner: "owner of the reef", HeadGrade: &grade, OwnerConsentsToTests: &yes, TonnesLeft: &left, Invented: true})
	add(ledger.KindOreSource, noon, ledger.OreSource{Name: "Pewter Gully", Character: "fine gold, much pyrite", Invented: true})
	add(ledger.KindOreSource, noon, ledger.OreSource{Name: "Dunlin Lode / north & south", Character: "weathered, clayey, wet", Invented: true})
	for i := range 3 {
		add(ledger.KindLot, noon, ledger.Lot{ID: fmt.Sprintf("Q-%02d", i+5), OreSource: "Quillback Reef", Received: noon.AddDate(0, 0, -9+3*i), WetTonnes: 14.8, Moisture: 0.04, HeadGrade: &grade, Closed: i < 2, Invented: true})
	}
	for i := range 14 {
		se, g := 1.6, 430.0+float64(i)
		recovery := 71 + 3*math.Sin(float64(i))
		r := runs.Run{ID: fmt.Sprint(i + 1), OreSource: "Quillback Reef", Lot: "Q-06", Start: noon.AddDate(0, 0, -14+i), Recovery: &recovery, RecoverySE: &se, ConcentrateGrade: &g,
			Settings: map[string]float64{"wash_water": 40 + float64(i%5)*4, "deck_tilt": 2 + 0.25*float64(i%4), "feed_rate": 2}}
		switch i {
		case 11:
			r.Status, r.Note = runs.Void, "tailings sample spilled"
		case 12:
			r.Status, r.Recovery, r.Due = runs.Waiting, nil, "2026-01-12"
		case 13:
			r.SplitterRule = "visible_line"
		}
		add(ledger.KindRun, r.Start, ledger.Run{Run: r, Invented: true})
	}
	one := 63.5
	add(ledger.KindRun, noon, ledger.Run{Run: runs.Run{ID: "P1", OreSource: "Pewter Gully", Recovery: &one, Settings: map[string]float64{"wash_water": 50}}})
	add(ledger.KindSettingChange, noon.Add(-2*time.Hour), ledger.SettingChange{Setting: "wash_water", Value: 45, Unit: "L/min", Typed: "45"})
	add(ledger.KindNote, noon.Add(-80*time.Minute), ledger.Note{Text: "Belt <b>squeaks</b> & slips"})
	return st
}

func at(mean, half float64) fit.Interval {
	low, high := mean-half, mean+half
	return fit.Interval{Mean: &mean, Lower: &low, Upper: &high}
}

// hillAdviser advises on a smooth hill, known near its middle.
type hillAdviser struct {
	plant  *plant.Plant
	answer AdviceView
	err    error
}

func newHill(p *plant.Plant) *hillAdviser {
	gain, breach, value, cost := 0.93, 0.02, 2210.0, 480.0
	settings := func(wash, tilt float64) map[string]float64 {
		m := map[string]float64{}
		for _, s := range p.Settings {
			m[s.Name] = (s.Min + s.Max) / 2
		}
		if _, ok := m["wash_water"]; ok {
			m["wash_water"] = wash
		}
		if _, ok := m["deck_tilt"]; ok {
			m["deck_tilt"] = tilt
		}
		return m
	}
	a := AdviceView{Source: "Quillback Reef", Action: "move", Settings: settings(47, 2.5), Changed: []string{"wash_water"}, Present: settings(45, 2.5), BestKnown: settings(47, 2.5),
		RecoveryNow: at(71.2, 2.1), RecoveryNext: at(72.9, 2.7), RecoveryGain: at(1.7, 2.2), GradeNext: at(436, 30), ProbabilityOfGain: &gain, ProbabilityOfBreach: &breach,
		Reasons: []string{"More wash water cleaned the band in 6 of 8 runs."}, Withheld: []string{"deck tilt: too few runs to say"}, SuspectRuns: []string{"run 9: recovery is far from its neighbours"},
		Waiting: waiting("13", "2026-01-12"), RunsUsed: 11, RunsNotUsed: []fit.NotUsed{{Run: "12", Why: "marked void: tailings sample spilled"}}}
	a.WorthTesting.Answer, a.WorthTesting.GainValue, a.WorthTesting.Cost = true, &value, &cost
	return &hillAdviser{plant: p, answer: a}
}

func (h *hillAdviser) Advise(context.Context, string, string) (AdviceView, error) {
	return h.answer, h.err
}

func (h *hillAdviser) Surface(_ context.Context, _, _, x, y string, n int) (SurfaceView, error) {
	if h.err != nil {
		return SurfaceView{}, h.err
	}
	limits := map[string]plant.Setting{}
	for _, s := range h.plant.Settings {
		limits[s.Name] = s
	}
	sx, sy := limits[x], limits[y]
	f := SurfaceView{XSetting: x, YSetting: y}
	for i := range n {
		u := float64(i) / float64(n-1)
		f.X, f.Y = append(f.X, sx.Min+u*(sx.Max-sx.Min)), append(f.Y, sy.Min+u*(sy.Max-sy.Min))
	}
	for j := range n {
		var mean, half []float64
		for i := range n {
			u, v := float64(i)/float64(n-1)-0.45, float64(j)/float64(n-1)-0.4
			mean = append(mean, 74-40*u*u-30*v*v+12*u*v)
			half = append(half, 1.2+14*(u*u+v*v))
		}
		f.Mean, f.HalfWidth = append(f.Mean, mean), append(f.HalfWidth, half)
	}
	place := func(m map[string]float64) *XY { return &XY{m[x], m[y]} }
	f.Present, f.BestKnown, f.Suggested = place(h.answer.Present), place(h.answer.BestKnown), place(h.answer.Settings)
	f.Tried = []TriedPoint{{XY{f.X[8], f.Y[9]}, 3, 71}, {XY{f.X[12], f.Y[10]}, 1, 72.4}, {XY{f.X[10], f.Y[14]}, 2, 70.2}, {XY{sx.Max * 1.02, f.Y[3]}, 1, 60}}
	return f, nil
}

// wellSystem is a System of two boards, one of them away.
type wellSystem struct{ err error }

func (w wellSystem) Health(context.Context) (SystemView, error) {
	return SystemView{Nodes: []NodeView{
		{ID: "larkspur/mill", Online: true, LastSeen: noon.Add(-time.Second), Stream: "0197e2a0-aaaa-7bbb-8ccc-1234567890ab", Acked: 1234567, Last: 1234570, ClockSet: true},
		{ID: "larkspur/pond", LastSeen: noon.Add(-3 * time.Hour), Acked: -1, Last: -1, ClockSet: true, ClockOff: -3 * time.Second, Twin: true},
	}, Stores: []StoreView{{"readings", 734e6, -1, 41e9}, {"ledger", 120e3, -1, 41e9}}, Parts: []PartVersion{{"decktrim", "test"}}, Uptime: 26 * time.Hour}, w.err
}

// scene is the screens on one plant in one state.
type scene struct {
	handler http.Handler
	live    *still
	store   *store.Store
	adviser *hillAdviser
}

func newScene(t testing.TB, now ...PlantNow) *scene {
	t.Helper()
	sc := &scene{live: &still{plants: now, change: make(chan struct{})}}
	d := Deps{Live: sc.live, Now: func() time.Time { return noon }, Invented: true, Version: "test", Log: slog.New(slog.DiscardHandler), System: wellSystem{}}
	var plants []*plant.Plant
	for _, n := range now {
		plants = append(plants, n.Plant)
	}
	d.History = waves{plants}
	if len(plants) > 0 {
		sc.store = inventedLedger(t, plants...)
		sc.adviser = newHill(plants[0])
		d.Adviser = sc.adviser
	} else {
		st, err := store.Open(store.Options{Dir: t.TempDir(), NoSync: true})
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, st.Close()) })
		sc.store = st
	}
	d.Ledger = sc.store
	h, err := New(d)
	require.NoError(t, err)
	sc.handler = h
	return sc
}

func waiting(run, due string) []advise.Waiting { return []advise.Waiting{{Run: run, Due: due}} }

func measured(recovery float64) runs.Run { return runs.Run{Recovery: &recovery} }
