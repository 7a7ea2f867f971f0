package advise

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/fit"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

const ore = "Quillback Reef"

// history is a hill with 12 runs about the start; the plant stands at the start.
func history(seed uint64) *loop {
	l := newLoop(truths()[0], seed)
	at := l.all[len(l.all)-1].Settings
	for range 5 {
		l.measure(at)
	}
	return l
}

func ask(t *testing.T, p *plant.Plant, all []runs.Run) Answer {
	t.Helper()
	a, err := Advise(p, all, Options{Source: ore})
	require.NoError(t, err)
	return a
}

func TestAnswerKeepsTheContract(t *testing.T) {
	l := history(1)
	for name, all := range map[string][]runs.Run{"runs": l.all, "no runs of the ore": {func() runs.Run { r := l.all[0]; r.OreSource = "Pewter Gully"; return r }()}} {
		t.Run(name, func(t *testing.T) {
			data, err := json.Marshal(ask(t, l.p, all))
			require.NoError(t, err)
			var m map[string]any
			require.NoError(t, json.Unmarshal(data, &m))
			var keys []string
			for k := range m {
				keys = append(keys, k)
			}
			require.ElementsMatch(t, strings.Fields(`source action settings changed present best_known recovery_now recovery_next grade_next probability_of_gain
				probability_of_breach reasons withheld suspect_runs waiting worth_testing runs_used runs_not_used`), keys)
			for _, k := range []string{"recovery_now", "recovery_next", "grade_next"} {
				require.Len(t, m[k], 3)
			}
			require.Contains(t, m["worth_testing"], "answer")
			require.Contains(t, m["worth_testing"], "gain_value")
			require.Contains(t, m["worth_testing"], "cost")
			for _, k := range []string{"changed", "reasons", "withheld", "suspect_runs", "waiting", "runs_not_used"} {
				require.IsType(t, []any{}, m[k], k)
			}
			for _, k := range []string{"settings", "present", "best_known"} {
				require.Len(t, m[k], len(l.p.Settings))
			}
		})
	}
}

func TestSameFilesSameAnswer(t *testing.T) {
	l := history(2)
	first := ask(t, l.p, l.all)
	for range 5 {
		require.Equal(t, first, ask(t, l.p, l.all))
	}
}

func TestRefuses(t *testing.T) {
	l := history(1)
	with := func(edit func(*runs.Run)) []runs.Run {
		all := slices.Clone(l.all)
		edit(&all[3])
		return all
	}
	for name, c := range map[string]struct {
		all  []runs.Run
		o    Options
		want string
	}{
		"too much":   {with(func(r *runs.Run) { r.Recovery = ptr(140.0) }), Options{Source: ore}, "recovery 140 of run 4 cannot be"},
		"too little": {with(func(r *runs.Run) { r.Recovery = ptr(-1.0) }), Options{Source: ore}, "recovery -1"},
		"nan":        {with(func(r *runs.Run) { r.Recovery = ptr(math.NaN()) }), Options{Source: ore}, "NaN"},
		"no grade":   {with(func(r *runs.Run) { r.ConcentrateGrade = ptr(0.0) }), Options{Source: ore}, "concentrate grade 0"},
		"at nowhere": {l.all, Options{Source: ore, At: map[string]float64{"stroke": 12}}, `no setting "stroke"`},
		"at nan":     {l.all, Options{Source: ore, At: map[string]float64{"wash_water": math.NaN()}}, "cannot stand at"},
		"no source":  {l.all, Options{}, "no ore source is named"},
		"nothing":    {nil, Options{Source: ore}, "nothing says where wash_water stands"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Advise(l.p, c.all, c.o)
			require.ErrorContains(t, err, c.want)
		})
	}
	t.Run("a void run may say anything", func(t *testing.T) {
		a := ask(t, l.p, with(func(r *runs.Run) { r.Recovery, r.Status, r.Note = ptr(140.0), runs.Void, "scale not tared" }))
		require.Equal(t, []fit.NotUsed{{Run: "4", Why: "marked void: scale not tared"}}, a.RunsNotUsed)
	})
	_, err := Advise(&plant.Plant{File: "plant.toml"}, nil, Options{Source: ore})
	require.ErrorContains(t, err, "no [[setting]]")
}

// Whatever the history, no rule of the plant file is broken and no figure is NaN.
func TestNoRuleIsEverBroken(t *testing.T) {
	rng := rand.New(rand.NewPCG(42, 42))
	for n := range 60 {
		w := truths()[n%len(truths())]
		p := w.plant()
		o := &p.Objective
		o.MaxSettingsChanged = rng.IntN(4)
		o.RiskTolerated = []float64{0.01, 0.05, 0.3}[rng.IntN(3)]
		o.RecoveryDropTolerated = []float64{0, 1, 3}[rng.IntN(3)]
		for i := range p.Settings {
			s := &p.Settings[i]
			if rng.IntN(3) == 0 {
				s.MaxMoveTest = nil
			}
			if rng.IntN(4) == 0 {
				s.MaxMove *= 3
			}
		}
		var all []runs.Run
		for k := range 1 + rng.IntN(20) {
			at := map[string]float64{}
			for _, s := range p.Settings {
				at[s.Name] = s.Min + rng.Float64()*(s.Max-s.Min) // off the grid too
				if rng.IntN(2) == 0 {
					at[s.Name] = fit.OnGrid(s, rng.IntN(fit.Steps(s)+1))
				}
			}
			r := runs.Run{ID: fmt.Sprint(k + 1), OreSource: []string{ore, "Pewter Gully"}[rng.IntN(4)/3], Settings: at, Recovery: ptr(math.Max(0, math.Min(100, 60+15*rng.NormFloat64())))}
			if rng.IntN(2) == 0 {
				r.RecoverySE = ptr(0.2 + 3*rng.Float64())
			}
			if w.floor > 0 {
				r.ConcentrateGrade = ptr(400 * math.Exp(0.2*rng.NormFloat64()))
			}
			if rng.IntN(6) == 0 {
				r.Recovery, r.Status = nil, runs.Waiting
			}
			all = append(all, r)
		}
		p.Objective.MinConcentrateGrade = nil // restoring moves have a test of their own
		a := ask(t, p, all)
		requireKept(t, p, a)
		data, err := json.Marshal(a) // NaN would fail here
		require.NoError(t, err)
		require.NotContains(t, string(data), "NaN")
		require.NotEmpty(t, a.Reasons)
		for _, r := range all {
			if r.Status == runs.Waiting && r.OreSource == ore && a.Action == Test {
				near := true
				for _, s := range p.Settings {
					near = near && math.Abs(r.Settings[s.Name]-a.Settings[s.Name]) <= s.Resolution
				}
				require.False(t, near, "tests again what waits")
			}
		}
	}
}

func TestOwnerWithoutConsent(t *testing.T) {
	for seed := range uint64(6) {
		l := newLoop(truths()[0], seed)
		l.p.OreSources = []plant.OreSource{{Name: ore, OwnerConsentsToTests: ptr(false)}}
		for range 4 {
			a := l.step(t)
			require.NotEqual(t, Test, a.Action)
			require.Contains(t, fmt.Sprint(a.Withheld), "has not agreed")
		}
	}
}

// The money of a test: 30 t at 2 g/t and 80 a gram are 48 a point of recovery, and a
// run of 4 assays at 30 costs 120.
func TestWorthInMoney(t *testing.T) {
	l := history(1)
	l.p.Value = &plant.Value{MetalPrice: 80, AssayCost: 30, AssaysPerRun: 4}
	l.p.OreSources = []plant.OreSource{{Name: ore, TonnesLeft: ptr(30.0), HeadGrade: ptr(2.0)}}
	a := ask(t, l.p, l.all)
	require.NotEqual(t, Test, a.Action)
	require.False(t, a.WorthTesting.Answer)
	require.InDelta(t, 120, *a.WorthTesting.Cost, 1e-9)
	small := *a.WorthTesting.GainValue
	require.Less(t, small, 2.5*48)
	l.p.OreSources[0].TonnesLeft = ptr(300000.0)
	a = ask(t, l.p, l.all)
	require.True(t, a.WorthTesting.Answer)
	require.InEpsilon(t, 10000*small, *a.WorthTesting.GainValue, 1e-6)
}

func TestLimitsThatCannotBeJudged(t *testing.T) {
	bare := history(1)
	for i := range bare.all {
		bare.all[i].ConcentrateGrade, bare.all[i].GradeSE = nil, nil
	}
	for name, c := range map[string]struct {
		edit func(*plant.Plant)
		want string
	}{
		"grade floor":           {func(p *plant.Plant) { p.Objective.MinConcentrateGrade = ptr(400.0) }, "floor on the grade cannot be judged"},
		"grade floor of source": {func(p *plant.Plant) { p.OreSources = []plant.OreSource{{Name: ore, MinConcentrateGrade: ptr(400.0)}} }, "floor on the grade cannot be judged"},
		"grade sought":          {func(p *plant.Plant) { p.Objective.Maximise = plant.MaximiseConcentrateGrade }, "what is sought (concentrate grade)"},
		"efficiency sought":     {func(p *plant.Plant) { p.Objective.Maximise = plant.MaximiseSeparationEfficiency }, "what is sought (separation efficiency)"},
	} {
		t.Run(name, func(t *testing.T) {
			p := *bare.p
			c.edit(&p)
			a := ask(t, &p, bare.all)
			require.Equal(t, Hold, a.Action)
			require.Contains(t, fmt.Sprint(a.Withheld), c.want)
		})
	}
}

func TestMassPullThatCannotBeWatchedIsSaid(t *testing.T) {
	bare := history(1)
	for i := range bare.all {
		bare.all[i].ConcentrateGrade, bare.all[i].GradeSE = nil, nil
	}
	without := ask(t, bare.p, bare.all)
	p := *bare.p
	p.Objective.MaxMassPull = ptr(0.05)
	a := ask(t, &p, bare.all)
	require.Equal(t, without.Action, a.Action)
	require.Equal(t, without.Settings, a.Settings)
	require.Contains(t, fmt.Sprint(a.Withheld), "The ceiling on the mass pull")
}

func TestMassPullCeiling(t *testing.T) {
	l := history(1)
	l.p.OreSources = []plant.OreSource{{Name: ore, HeadGrade: ptr(8.0)}}
	// Y = R f/(100 c) is about 0.7 x 8/400 = 0.014.
	l.p.Objective.MaxMassPull = ptr(0.05)
	require.Less(t, *ask(t, l.p, l.all).ProbabilityOfBreach, 0.06)
	l.p.Objective.MaxMassPull = ptr(0.010)
	a := ask(t, l.p, l.all)
	require.Greater(t, *a.ProbabilityOfBreach, 0.9)
	require.Equal(t, Hold, a.Action)
}

func TestOtherAims(t *testing.T) {
	grade := truth{name: "grade", settings: 2, start: []float64{0.3, 0.4}, recovery: hill([]float64{0.3, 0.4}, 80, 20, 20), grade: func(u []float64) float64 { return 300 * math.Exp(1.2*u[0]) }}
	l := newLoop(grade, 4)
	l.p.Objective.Maximise = plant.MaximiseConcentrateGrade
	l.p.Objective.MinRecovery = ptr(70.0)
	for range 10 {
		requireKept(t, l.p, l.step(t))
	}
	end := l.all[len(l.all)-1].Settings
	require.Greater(t, grade.grade(coded(l.p, end)), grade.grade(grade.start)*1.05, "it should have gone for grade")
	require.Greater(t, grade.recovery(coded(l.p, end)), 70.0)

	l = history(3)
	l.p.Objective.Maximise = plant.MaximiseSeparationEfficiency
	l.p.OreSources = []plant.OreSource{{Name: ore, HeadGrade: ptr(8.0)}}
	requireKept(t, l.p, ask(t, l.p, l.all))
}

func TestWaitingRunsCountInTheDesign(t *testing.T) {
	l := history(5)
	known := ask(t, l.p, l.all)
	// The same place again and again at the laboratory: results unknown.
	w := runs.Run{ID: "w", OreSource: ore, Status: runs.Waiting, Due: "2026-03-09", Settings: clone(known.Settings)}
	all := slices.Clone(l.all)
	all = append(all[:len(all)-1:len(all)-1], w, all[len(all)-1]) // the plant stands where it stood
	a := ask(t, l.p, all)
	require.Equal(t, []Waiting{{Run: "w", Due: "2026-03-09"}}, a.Waiting)
	require.Equal(t, known.RecoveryNow, a.RecoveryNow, "a result is never guessed at")
	require.Equal(t, known.RunsUsed, a.RunsUsed)
	if a.Action == Test {
		require.NotEqual(t, w.Settings, a.Settings)
	}
	t.Run("only waiting runs", func(t *testing.T) {
		a := ask(t, l.p, []runs.Run{w})
		require.Equal(t, Hold, a.Action)
		require.Nil(t, a.RecoveryNow.Mean)
		require.Contains(t, fmt.Sprint(a.Reasons), "Wait for run w (due 2026-03-09)")
	})
}

func TestSuspectRunIsNamedAndNotFollowed(t *testing.T) {
	l := history(6)
	odd := l.all[2]
	odd.ID, odd.Recovery = "odd", ptr(*odd.Recovery+18)
	odd.Settings = clone(odd.Settings)
	odd.Settings["wash_water"] -= 4 // the wrong way: the hill lies at more wash water
	all := append(slices.Clone(l.all[:6]), append([]runs.Run{odd}, l.all[6:]...)...)
	a := ask(t, l.p, all)
	require.Equal(t, []string{"odd"}, a.SuspectRuns)
	require.Contains(t, fmt.Sprint(a.Reasons), "Run odd does not agree")
	require.Greater(t, a.BestKnown["wash_water"], odd.Settings["wash_water"])
	require.GreaterOrEqual(t, a.Settings["wash_water"], a.Present["wash_water"])
	require.Empty(t, ask(t, l.p, l.all).SuspectRuns)
}

func TestOutsideTheBounds(t *testing.T) {
	l := history(1)
	a, err := Advise(l.p, l.all, Options{Source: ore, At: map[string]float64{"wash_water": 16}})
	require.NoError(t, err)
	if a.Action == Hold {
		require.Contains(t, fmt.Sprint(a.Reasons), "outside its bounds")
	} else {
		require.GreaterOrEqual(t, a.Settings["wash_water"], 20.0)
		require.LessOrEqual(t, a.Settings["wash_water"], 24.0)
	}
	a, err = Advise(l.p, l.all, Options{Source: ore, At: map[string]float64{"wash_water": 120}})
	require.NoError(t, err)
	require.Equal(t, Hold, a.Action)
	require.Contains(t, fmt.Sprint(a.Withheld), "Wash water stands at 120 L/min, outside 20 to 90 L/min")
	require.True(t, fit.Inside(l.p.Settings, a.BestKnown))
}

// A floor that the present setting breaks: the way back is advised, and named so.
func TestBackAboveTheFloor(t *testing.T) {
	steep := truth{name: "steep", settings: 2, start: []float64{0.5, 0.5}, floor: 400, recovery: hill([]float64{0.5, 0.5}, 75, 10, 10),
		grade: func(u []float64) float64 { return 400 * math.Exp(-2.5*(u[0]-0.42)) }}
	l := newLoop(steep, 2)
	at := l.all[len(l.all)-1].Settings
	for _, step := range []float64{-3, 0, 3, -3, 0} {
		trial := clone(at)
		trial["wash_water"] += step
		l.measure(trial)
	}
	a := ask(t, l.p, l.all)
	require.Equal(t, Move, a.Action, a.Reasons)
	require.Less(t, a.Settings["wash_water"], at["wash_water"])
}

func TestUnknownOreHolds(t *testing.T) {
	l := history(1)
	a, err := Advise(l.p, l.all, Options{Source: "Corvid Stockwork"})
	require.NoError(t, err)
	require.Equal(t, Hold, a.Action)
	require.Equal(t, a.Present, a.Settings)
	require.Nil(t, a.ProbabilityOfGain)
	require.Contains(t, fmt.Sprint(a.Reasons), "two sampled runs at the present setting")
}

// An ore with three runs of its own learns its shape from an ore that behaves alike,
// and not from one that does the opposite.
func TestOtherOres(t *testing.T) {
	alike := history(8)
	for range 8 {
		alike.step(t)
	}
	sharing := func(sign float64) float64 {
		var all []runs.Run
		for _, r := range alike.all {
			r.OreSource = "Pewter Gully"
			all = append(all, r)
		}
		p := alike.p
		rng := rand.New(rand.NewPCG(3, 3))
		for i := range 10 {
			at := map[string]float64{"wash_water": 35 + 5*float64(i%5), "deck_tilt": 2.4}
			y := 60 + sign*(alike.w.recovery(coded(p, at))-70) + 0.5*rng.NormFloat64()
			all = append(all, runs.Run{ID: fmt.Sprint("q", i), OreSource: ore, Settings: at, Recovery: ptr(y), RecoverySE: ptr(0.5)})
		}
		return fit.Learn(p, fit.Choose(p, all, ore), fit.Recovery, all[len(all)-1].Settings).Sharing
	}
	require.Greater(t, sharing(1), sharing(-1)+0.2)
}

func BenchmarkAdvise(b *testing.B) {
	w := truths()[5] // four settings
	l := newLoop(w, 1)
	for len(l.all) < 60 {
		at := clone(l.all[0].Settings)
		s := l.p.Settings[l.rng.IntN(4)]
		at[s.Name] = fit.OnGrid(s, min(max(fit.Step(s, at[s.Name])+l.rng.IntN(9)-4, 0), fit.Steps(s)))
		l.measure(at)
	}
	for b.Loop() {
		if _, err := Advise(l.p, l.all, Options{Source: ore}); err != nil {
			b.Fatal(err)
		}
	}
}

// A floor that this ore cannot reach, with a grade that no setting changes: nothing is
// moved for its sake, since no way leads there.
func TestFloorOutOfReachMovesNothing(t *testing.T) {
	moved, histories := 0, 120
	for seed := range uint64(histories) {
		w := truth{settings: 4, start: []float64{0.5, 0.5, 0.5, 0.5}, floor: 900, recovery: hill([]float64{0.5, 0.5, 0.5, 0.5}, 75, 5), grade: func([]float64) float64 { return 400 }}
		l := newLoop(w, seed+300)
		for range 6 { // here and there, so that chance makes slopes
			at := map[string]float64{}
			for _, s := range l.p.Settings {
				at[s.Name] = fit.OnGrid(s, fit.Steps(s)*(2+l.rng.IntN(7))/10)
			}
			l.measure(at)
		}
		a, err := Advise(l.p, l.all, Options{Source: mainOre})
		require.NoError(t, err)
		if a.Action != Hold {
			moved++
		}
	}
	t.Logf("moved in %d of %d histories", moved, histories)
	require.Less(t, moved, histories/8)
}

// A history of years is answered from its newest runs; the others are named.
func TestLongHistory(t *testing.T) {
	w := truths()[0]
	l := newLoop(w, 1)
	for len(l.all) < 400 {
		l.measure(l.all[len(l.all)-1].Settings)
	}
	a, err := Advise(l.p, l.all, Options{Source: mainOre})
	require.NoError(t, err)
	require.Equal(t, 150, a.RunsUsed)
	require.Len(t, a.RunsNotUsed, 250)
	require.Contains(t, a.RunsNotUsed[0].Why, "newest")
}
