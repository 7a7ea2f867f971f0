package sim

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

func TestHistory(t *testing.T) {
	end := time.Date(2026, 1, 5, 14, 0, 0, 0, time.UTC)
	for _, file := range []string{"larkspur-plant.toml", "small-line-mine-plant.toml", "larger-line-toll-mill-plant.toml"} {
		for seed := range uint64(4) {
			p := plantFile(t, file)
			h, err := MakeHistory(p, seed, end)
			require.NoError(t, err)
			again, err := MakeHistory(p, seed, end)
			require.NoError(t, err)
			require.Equal(t, h, again)
			checkHistory(t, p, h, end)
		}
	}
}

func checkHistory(t *testing.T, p *plant.Plant, h History, end time.Time) {
	t.Helper()
	lots, perSource := map[string]ledger.Lot{}, map[string]int{}
	for _, l := range h.Lots {
		require.NotContains(t, lots, l.ID)
		require.True(t, l.Invented)
		require.Positive(t, *l.HeadGrade)
		require.Positive(t, *l.HeadSE)
		require.True(t, l.Received.Before(end))
		lots[l.ID] = l
		perSource[l.OreSource]++
	}
	require.Len(t, h.Sources, len(perSource))
	for name, n := range perSource {
		require.GreaterOrEqual(t, n, 4, name)
		require.LessOrEqual(t, n, 8, name)
	}
	count, waiting, void, blocks := map[string]int{}, 0, 0, map[string][]runs.Run{}
	var last time.Time
	for _, r := range h.Runs {
		count[r.OreSource]++
		require.True(t, r.Invented)
		require.Equal(t, r.OreSource, lots[r.Lot].OreSource)
		require.True(t, r.Start.Before(r.End) && !r.End.After(end), "%s ends %s", r.ID, r.End)
		require.False(t, r.Start.Before(last), "oldest first, one at a time")
		require.True(t, r.Start.After(lots[r.Lot].Received))
		last = r.End
		require.Equal(t, "fixed", r.SplitterRule)
		require.Equal(t, p.Objective.ProductsCounted, r.ProductsCounted)
		for _, s := range p.Settings {
			v, ok := r.Settings[s.Name]
			require.True(t, ok)
			require.GreaterOrEqual(t, v, s.Min)
			require.LessOrEqual(t, v, s.Max)
			steps := (v - s.Min) / s.Resolution
			require.InDelta(t, math.Round(steps), steps, 1e-6, "%s stands on its grid", s.Name)
		}
		switch r.Status {
		case runs.Waiting:
			waiting++
			require.Nil(t, r.Recovery)
			due, err := time.Parse("2006-01-02", r.Due)
			require.NoError(t, err)
			require.True(t, due.After(end))
			continue
		case runs.Void:
			void++
			require.NotEmpty(t, r.Note)
		}
		require.Greater(t, *r.Recovery, 5.0)
		require.Less(t, *r.Recovery, 99.0)
		require.Greater(t, *r.RecoverySE, 0.2)
		require.Less(t, *r.RecoverySE, 15.0)
		require.Positive(t, *r.ConcentrateGrade)
		require.Positive(t, *r.GradeSE)
		if r.Block != "" {
			blocks[r.Block] = append(blocks[r.Block], r.Run)
		}
	}
	for name, n := range count {
		require.GreaterOrEqual(t, n, 12, name)
		require.LessOrEqual(t, n, 40, name)
	}
	require.GreaterOrEqual(t, waiting, 3)
	require.GreaterOrEqual(t, void, 1)
	require.LessOrEqual(t, void, 2)
	require.NotEmpty(t, blocks)
	present := h.Runs[len(h.Runs)-1]
	for _, s := range p.Settings {
		require.Equal(t, *s.Present, present.Settings[s.Name], "the plant stands where the file says")
	}
}

// The standard errors are honest: over many repeats of one run, the results scatter
// about the truth by what they say.
func TestHistoryStandardErrorsAreHonest(t *testing.T) {
	p := plantFile(t, "larkspur-plant.toml")
	for _, o := range Sources() {
		h := historian{plant: p, rng: newRand(3), end: start, zone: time.UTC}
		require.NoError(t, h.prepare())
		in, err := SteadyInput(p, o, h.present)
		require.NoError(t, err)
		want, pull := Discharge(in).Counted(2)
		grade := o.Head * want / pull
		var z, zg stats
		for range 400 {
			r, err := h.result(o, h.present, 0)
			require.NoError(t, err)
			z.add((*r.Recovery - 100*want) / *r.RecoverySE)
			zg.add((*r.ConcentrateGrade - grade) / *r.GradeSE)
		}
		require.InDelta(t, 0, z.mean(), 0.3, o.Name)
		require.InDelta(t, 1, z.sd(), 0.3, o.Name) // what a run brings beside its samples is in it too
		require.InDelta(t, 0, zg.mean(), 0.3, o.Name)
		require.InDelta(t, 1, zg.sd(), 0.3, o.Name)
	}
}

func TestHistoryRefusesWhatItDoesNotKnow(t *testing.T) {
	_, err := MakeHistory(nil, 1, start)
	require.Error(t, err)
	p := plantFile(t, "larkspur-plant.toml")
	p.Settings[0].Name = "magic"
	_, err = MakeHistory(p, 1, start)
	require.ErrorContains(t, err, "magic")
	p = plantFile(t, "larkspur-plant.toml")
	p.Objective.ProductsCounted = []string{"slag"}
	_, err = MakeHistory(p, 1, start)
	require.ErrorContains(t, err, "concentrate_1")
}

func TestHistoryTellsTheOresApart(t *testing.T) {
	h, err := MakeHistory(plantFile(t, "larkspur-plant.toml"), 5, start)
	require.NoError(t, err)
	var fine, coarse stats
	for _, r := range h.Runs {
		if r.Status != runs.Measured {
			continue
		}
		switch r.OreSource {
		case "Sedgefoot Tails":
			fine.add(*r.Recovery)
		case "Quillback Reef":
			coarse.add(*r.Recovery)
		}
	}
	require.Greater(t, coarse.mean(), fine.mean()+25)
}
