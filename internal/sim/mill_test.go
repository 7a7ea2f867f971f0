package sim

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	firmwareconfig "decktrim/firmware-config"
	"decktrim/internal/plant"
)

var start = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

func plantFile(t testing.TB, name string) *plant.Plant {
	t.Helper()
	b, err := firmwareconfig.Plants.ReadFile("plants/" + name)
	require.NoError(t, err)
	p, err := plant.Parse(name, b)
	require.NoError(t, err)
	return p
}

func newMill(t testing.TB, cfg Config) *Mill {
	t.Helper()
	if cfg.Plant == nil {
		cfg.Plant = plantFile(t, "larkspur-plant.toml")
	}
	if cfg.Start.IsZero() {
		cfg.Start = start
	}
	m, err := New(cfg)
	require.NoError(t, err)
	return m
}

func run(m *Mill, seconds int) {
	for range seconds {
		m.Step()
	}
}

func signal(t testing.TB, m *Mill, r plant.Role) float64 {
	t.Helper()
	v, ok := m.Signal(r)
	require.True(t, ok, r)
	return v
}

// requireClosed asks that nothing was made or lost between two balances: 1e-9 of the
// stock.
func requireClosed(t *testing.T, a, b Balance) {
	t.Helper()
	for name, x := range map[string][2]Account{"solids": {a.Solids, b.Solids}, "water": {a.Water, b.Water}, "gold": {a.Gold, b.Gold}} {
		gap := x[1].Stock - x[0].Stock - (x[1].In - x[0].In) + (x[1].Out - x[0].Out)
		require.Less(t, math.Abs(gap), 1e-9*x[1].Stock, "%s: in %v, out %v", name, x[1].In-x[0].In, x[1].Out-x[0].Out)
	}
}

func TestCloses(t *testing.T) { // check 1, with everything going wrong in turn
	for _, file := range []string{"larkspur-plant.toml", "larger-line-toll-mill-plant.toml", "small-line-toll-mill-plant.toml"} {
		for _, scenario := range []string{"", "steady", "shift", "all upsets"} {
			t.Run(file+" "+scenario, func(t *testing.T) {
				p := plantFile(t, file)
				p.Products[1].Bin = "under water"
				m := newMill(t, Config{Plant: p, Seed: 11, Scenario: scenario, Source: "Dunlin Lode"})
				first := m.Balance()
				last := first
				for s := range 4 * 3600 {
					if s == 5000 {
						require.NoError(t, m.Set("middlings_to", 1))
						require.NoError(t, m.ChangeOre("Pewter Gully"))
					}
					m.Step()
					if s < 300 || s >= 5000 && s < 5300 || s%11 == 0 { // counting costs more than running
						now := m.Balance()
						requireClosed(t, last, now)
						last = now
					}
				}
				requireClosed(t, first, last)
			})
		}
	}
}

func TestSameSeedSamePlant(t *testing.T) {
	trace := func(seed uint64) (out []float64) {
		m := newMill(t, Config{Seed: seed, VarySources: true})
		for range 40 {
			run(m, 60)
			for _, r := range plant.Roles() {
				v, _ := m.Signal(r)
				out = append(out, v)
			}
		}
		return out
	}
	require.Equal(t, trace(4), trace(4))
	require.NotEqual(t, trace(4), trace(5))
}

func TestEverySourceRunsSteadily(t *testing.T) {
	for _, o := range Sources() {
		t.Run(o.Name, func(t *testing.T) {
			m := newMill(t, Config{Seed: 2, Scenario: "steady", Source: o.Name})
			var feed, current stats
			for range 2 * 3600 {
				m.Step()
				feed.add(signal(t, m, plant.FeedRate))
				current.add(signal(t, m, plant.MillCurrent))
				require.Equal(t, "running", m.State())
			}
			require.Empty(t, m.Events(), "nothing is wrong in steady running")
			require.InEpsilon(t, 2.0, feed.mean(), 0.08)
			require.Less(t, feed.sd(), 0.10*feed.mean())
			require.Greater(t, current.mean(), 22.0)
			require.Less(t, current.mean(), 45.0)

			// The plant in time stands where the steady map says it should.
			tr := m.Truth()
			steady := tr.Deck
			var rec float64
			for p := range 2 {
				rec += tr.Recovery[p] - steady.Recovery[p]
			}
			require.InDelta(t, 0, rec, 0.02)
		})
	}
}

type stats struct{ n, s, q float64 }

func (s *stats) add(x float64) { s.n++; s.s += x; s.q += x * x }
func (s stats) mean() float64  { return s.s / s.n }
func (s stats) sd() float64    { return sqrt(s.q/s.n - s.mean()*s.mean()) }

func TestNormalRunningSurgesNowAndThen(t *testing.T) {
	m := newMill(t, Config{Seed: 8})
	run(m, 24*3600)
	begun, fallen := 0, 0
	for _, e := range m.Events() {
		if e.Kind == "surge" && e.Begun {
			begun++
		}
		if e.Kind == "bridging" && e.Begun {
			fallen++
		}
		require.NotEqual(t, "choke", e.Kind)
	}
	require.Greater(t, begun, 18, "one every 20 to 60 min, and the natural bridges")
	require.Less(t, begun, 80)
	require.Greater(t, fallen, 3)
}

// surged runs one deck behind a belt and a mill of 14 s with a surge of so much for
// so long every period, each after a fall to 0.4 that keeps the mean; the recovery
// of gold to con 1 + 2 in percent.
func surged(t *testing.T, mean, size, lasting, period float64) float64 {
	o := ore(t, "Quillback Reef")
	d := newDeck(3, 1)
	d.bed = 1
	sz := sizingOf(&o, 420)
	set := deckSettings{tilt: 2, stroke: 15, rate: 290, splitters: DefaultSplitters, washLpm: 60, nominalWash: 60, running: true}
	fall := 0.0
	if size > 0 {
		fall = (size - 1) * lasting / 0.6
	}
	var hold, in, out float64
	for s := range 2 * 3600 {
		q := mean / 3.6
		if size > 0 {
			switch at := math.Mod(float64(s), period); {
			case at < fall:
				q *= 0.4
			case at < fall+lasting:
				q *= size
			}
		}
		hold += q
		ground := hold / 14
		hold -= ground
		d.step(stock{solids: ground, water: 3 * ground, gold: 0.012 * ground}, &o, &sz, 420, &set)
		if s >= 2400 {
			in += ground
			out += ground * (d.last.Recovery[0] + d.last.Recovery[1])
		}
	}
	return 100 * out / in
}

func TestSurgesCostGold(t *testing.T) { // check 11
	const tolerance = 0.5 // it depends on the integration
	for feed, want := range map[float64][3]float64{
		0.60: {81.1, 81.0, 80.7}, 0.80: {78.6, 78.2, 77.6}, 0.95: {75.9, 74.4, 72.4}, 1.05: {73.5, 70.6, 66.8}} {
		t.Run(fmt.Sprint(feed), func(t *testing.T) {
			require.InDelta(t, want[0], surged(t, feed, 0, 0, 600), tolerance)
			require.InDelta(t, want[1], surged(t, feed, 1.9, 40, 600), tolerance)
			require.InDelta(t, want[2], surged(t, feed, 2.2, 30, 240), tolerance)
		})
	}
}

func TestMotorCurrent(t *testing.T) { // check 12, the figures of the prototype, and the example of Bond's law
	mo := Motor{Magnetising: 18, IdlePower: 5.5, PowerFactor: 0.77}
	require.InDelta(t, 50, mo.Current(5.5+12*1.6, 400), 0.5)
	require.InDelta(t, 81, mo.Current(5.5+12*1.6*1.9, 400), 0.5)
	require.InDelta(t, 12.7, BondEnergy(14, 12000, 400, 0.45), 0.05)
}

func TestOrderOfSignsInASlug(t *testing.T) { // check 12
	m := newMill(t, Config{Seed: 3, Scenario: "steady"})
	base := [4]stats{}
	for range 120 {
		m.Step()
		tr := m.Truth()
		for i, v := range []float64{signal(t, m, plant.FeedRate), signal(t, m, plant.MillCurrent), tr.SolidsRate[Tailings], tr.SolidsRate[Concentrate1]} {
			base[i].add(v)
		}
	}
	m.begin(wetFines, 60, 1.9, "test")
	seen := [4]float64{}
	for s := 1.0; s < 900; s++ {
		m.Step()
		tr := m.Truth()
		for i, v := range []float64{signal(t, m, plant.FeedRate), signal(t, m, plant.MillCurrent), tr.SolidsRate[Tailings], tr.SolidsRate[Concentrate1]} {
			if seen[i] == 0 && math.Abs(v/base[i].mean()-1) > []float64{0.4, 0.15, 0.15, 0.04}[i] {
				seen[i] = s
			}
		}
	}
	for i, s := range seen {
		require.NotZero(t, s, i)
	}
	scale, current, tails, con := seen[0], seen[1], seen[2], seen[3]
	require.Greater(t, current-scale, 8.0)
	require.Less(t, current-scale, 40.0)
	require.Greater(t, tails, current)
	require.Less(t, tails-scale, 120.0)
	require.Greater(t, con-scale, 120.0)
}

func TestCurrentRisesWithHardness(t *testing.T) { // check 13
	at := func(hard float64) (feed, current float64) {
		m := newMill(t, Config{Seed: 3, Scenario: "steady"})
		m.base.Hardness *= hard
		m.base.WorkIndex *= hard
		m.sizedP80 = 0
		var f, c stats
		for range 1200 {
			m.Step()
			f.add(signal(t, m, plant.FeedRate))
			c.add(signal(t, m, plant.MillCurrent))
		}
		return f.mean(), c.mean()
	}
	f1, c1 := at(1)
	f2, c2 := at(1.3)
	require.Equal(t, f1, f2)
	require.Greater(t, c2, 1.08*c1)
}

func TestStepInTilt(t *testing.T) { // check 14: concentrate rate after a step, on a deck fed evenly
	o := ore(t, "Quillback Reef")
	d := newDeck(7.5, 1)
	d.bed = 1
	sz := sizingOf(&o, 420)
	set := deckSettings{tilt: 1.5, stroke: 15, rate: 290, splitters: DefaultSplitters, washLpm: 60, nominalWash: 60, running: true}
	feed := stock{solids: 2 / 3.6, water: 6 / 3.6, gold: 12 * 2 / 3.6 / 1000}
	second := func() float64 {
		d.step(feed, &o, &sz, 420, &set)
		return d.out[Concentrate1].solids
	}
	var from, at2, at9, to float64
	for range 3600 {
		from = second()
	}
	set.tilt = 2.5
	d.disturbed = 90
	for s := range 3600 {
		to = second()
		switch s {
		case 120:
			at2 = to
		case 540:
			at9 = to
		}
	}
	require.Less(t, math.Abs(at2-from), 0.20*math.Abs(to-from))
	require.Greater(t, math.Abs(at9-from), 0.90*math.Abs(to-from))
}

func TestShiftGoesThroughTheStates(t *testing.T) {
	m := newMill(t, Config{Seed: 6, Scenario: "shift"})
	var states []string
	last := ""
	filledFor := 0
	for range 11 * 3600 {
		m.Step()
		s := m.State()
		if s == "filling" {
			filledFor++
		}
		if s == "stopped" {
			require.Zero(t, signal(t, m, plant.MillCurrent))
		}
		if s != last {
			states = append(states, s)
			last = s
		}
	}
	require.Equal(t, []string{"stopped", "water on", "filling", "running", "ore change", "running", "emptying", "wash-down", "stopped"}, states)
	require.InDelta(t, 15*60, filledFor, 6*60, "the mill and the bed fill in 10 to 20 min")
	require.Equal(t, "Pewter Gully", m.Source())
}

func TestWrongWordsAreListed(t *testing.T) {
	p := plantFile(t, "larkspur-plant.toml")
	_, err := New(Config{Plant: p, Source: "Nowhere"})
	require.ErrorContains(t, err, "Quillback Reef")
	_, err = New(Config{Plant: p, Scenario: "party"})
	require.ErrorContains(t, err, "steady")
	_, err = New(Config{})
	require.Error(t, err)
	m := newMill(t, Config{})
	require.ErrorContains(t, m.Set("colour", 1), "wash_water")
	require.Error(t, m.Set("wash_water", math.NaN()))
	require.Error(t, m.Set("splitter_3", 1))
	require.ErrorContains(t, m.Inject(Upset{Kind: "earthquake"}), "bridging")
	require.Error(t, m.Inject(Upset{Kind: "surge", Size: math.NaN()}))
	require.ErrorContains(t, m.ChangeOre("Nowhere"), "Dunlin Lode")
	p.Settings = append(p.Settings, plant.Setting{Name: "magic", Unit: "1"})
	_, err = New(Config{Plant: p})
	require.ErrorContains(t, err, "magic")
}

// every upset, with what it must do to the signals
func TestUpsets(t *testing.T) {
	type see struct {
		role     plant.Role
		after    float64 // s
		lo, hi   float64 // of the value before
		absolute bool
	}
	zero := func(r plant.Role, after float64) see { return see{r, after, -0.01, 0.05, true} }
	for kind, sees := range map[string][]see{
		"bridging":              {{plant.FeedRate, 60, 0.1, 0.6, false}, {plant.FeedRate, 165, 1.3, 3.2, false}},
		"two dumps":             {{plant.BinWeight, 50, 1.2, 2.5, false}, {plant.FeedRate, 26, 1.2, 2.2, false}},
		"wet fines":             {{plant.FeedRate, 15, 1.3, 2.4, false}},
		"bin empty":             {{plant.FeedRate, 3 * 3600, -0.01, 0.15, true}},
		"belt stopped":          {zero(plant.BeltSpeed, 20), {plant.MillCurrent, 120, 0.3, 0.7, false}, {plant.FeederDrive, 60, 0.9, 1.1, false}},
		"choke":                 {{plant.MillCurrent, 120, 1.15, 3, false}, {plant.FeedRate, 60, 0.8, 1.2, false}},
		"blinding":              {{plant.MillCurrent, 2600, 1.04, 1.5, false}},
		"torn screen":           {{plant.MillCurrent, 120, 0.88, 0.98, false}},
		"mill water loss":       {{plant.MillWater, 60, 0.2, 0.5, false}, {plant.WashWater, 60, 0.95, 1.2, false}},
		"wash water loss":       {{plant.WashWater, 60, 0.2, 0.5, false}, {plant.MillWater, 60, 0.95, 1.1, false}},
		"water sag":             {{plant.WashWater, 60, 0.9, 0.99, false}},
		"pump stopped":          {{plant.WashWater, 20, 0, 0.3, false}, {plant.MillWater, 20, 0, 0.3, false}, zero(plant.PumpRunning, 5)},
		"table stopped":         {zero(plant.TableRunning, 5), zero(plant.TableStrokeRate, 40)},
		"stroke changed":        {{plant.TableStrokeRate, 30, 0.84, 0.86, false}},
		"classifier stopped":    {zero(plant.ClassifierRunning, 5)},
		"concentrate bin full":  {{plant.Concentrate1Weight, 300, 95, 100.01, true}},
		"pond high":             {{plant.PondLevel, 1800, 1.5, 1.8, true}},
		"pond low":              {{plant.PondLevel, 1800, 0.1, 0.7, false}},
		"flooding":              {{plant.WashWater, 60, 1.5, 5, false}},
		"jaw stopped":           {zero(plant.JawRunning, 10)},
		"stroke length changed": {{plant.TableStrokeRate, 30, 0.99, 1.01, false}},
	} {
		t.Run(kind, func(t *testing.T) {
			for _, s := range sees {
				m := newMill(t, Config{Seed: 21, Scenario: "steady"})
				var before stats
				for range 60 {
					m.Step()
					before.add(signal(t, m, s.role))
				}
				require.NoError(t, m.Inject(Upset{Kind: kind}))
				run(m, int(s.after)-5)
				var now stats
				for range 10 {
					m.Step()
					now.add(signal(t, m, s.role))
				}
				got := now.mean()
				if !s.absolute {
					got /= before.mean()
				}
				require.Greater(t, got, s.lo, "%s after %g s", s.role, s.after)
				require.Less(t, got, s.hi, "%s after %g s", s.role, s.after)
			}
		})
	}
}

func TestEveryUpsetBeginsEndsAndIsGotOver(t *testing.T) {
	for _, kind := range Upsets() {
		t.Run(kind, func(t *testing.T) {
			m := newMill(t, Config{Seed: 5, Scenario: kind})
			run(m, 1800+1)
			begun := false
			for _, e := range m.Events() {
				begun = begun || e.Kind == kind && e.Begun && e.Time.Equal(start.Add(1800*time.Second))
			}
			require.True(t, begun)
			run(m, 3*3600+1800)
			ended := false
			for _, e := range m.Events() {
				ended = ended || e.Kind == kind && !e.Begun
			}
			require.True(t, ended)
			run(m, 3600)
			require.InDelta(t, 2, m.flow.beltRate, 0.6, "the plant runs again")
			require.False(t, m.Truth().Bank)
			for _, r := range plant.Roles() {
				v, _ := m.Signal(r)
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0), r)
			}
			help, err := UpsetHelp(kind)
			require.NoError(t, err)
			require.NotEmpty(t, help)
		})
	}
}

func TestSurgeAfterItsFall(t *testing.T) {
	m := newMill(t, Config{Seed: 21, Scenario: "steady"})
	require.NoError(t, m.Inject(Upset{Kind: "surge", Size: 2.1}))
	least, most, leastAt, mostAt := math.Inf(1), 0.0, 0, 0
	for s := range 240 {
		m.Step()
		v := signal(t, m, plant.FeedRate)
		if v < least {
			least, leastAt = v, s
		}
		if v > most {
			most, mostAt = v, s
		}
	}
	require.Less(t, least, 0.65*2)
	require.Greater(t, most, 1.6*2)
	require.Less(t, leastAt, mostAt, "the fall is the early sign")
}

func TestTableStandingStill(t *testing.T) {
	m := newMill(t, Config{Seed: 5, Scenario: "steady"})
	require.NoError(t, m.Inject(Upset{Kind: "table_stopped"}))
	run(m, 60)
	require.Less(t, m.Truth().SolidsRate[Concentrate1], 0.2, "product rates go to nothing in a minute")
	require.Greater(t, m.Truth().SolidsRate[Tailings], 1500.0, "pulp runs on")
	run(m, 200)
	require.True(t, m.Truth().Bank)
	run(m, 1800)
	require.False(t, m.Truth().Bank, "rinsed off")
}

func TestTornScreenIsCoarse(t *testing.T) {
	m := newMill(t, Config{Seed: 5, Scenario: "steady"})
	before := m.Truth()
	require.NoError(t, m.Inject(Upset{Kind: "torn screen"}))
	run(m, 30)
	require.InEpsilon(t, 2, m.Truth().P80/before.P80, 0.02)
}

func TestEngineHasNoCurrent(t *testing.T) {
	p := plantFile(t, "larkspur-plant.toml")
	p.Mill.Drive = "engine"
	m := newMill(t, Config{Plant: p})
	_, ok := m.Signal(plant.MillCurrent)
	require.False(t, ok)
}

func TestSettings(t *testing.T) {
	m := newMill(t, Config{Scenario: "steady", Seed: 1})
	for name, v := range map[string]float64{"wash_water": 55, "deck_tilt": 2.5, "feed_rate": 1.7, "stroke": 16, "stroke_rate": 300, "splitter_3": 2000, "mill_water": 95} {
		require.NoError(t, m.Set(name, v))
		got, err := m.Setting(name)
		require.NoError(t, err)
		require.InDelta(t, v, got, 1e-9, name)
	}
	run(m, 1800)
	require.InDelta(t, 55, signal(t, m, plant.WashWater), 3)
	require.InDelta(t, 1.7, m.operator.mean, 0.2)
	require.InDelta(t, 300, signal(t, m, plant.TableStrokeRate), 0.5)
}

func BenchmarkStep(b *testing.B) {
	m := newMill(b, Config{Seed: 3})
	b.ReportAllocs()
	for b.Loop() {
		m.Step()
	}
}

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, seed)) }
