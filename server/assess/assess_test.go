package assess

import (
	"context"
	"encoding/json"
	"io/fs"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	firmwareconfig "decktrim/firmware-config"
	"decktrim/internal/advise"
	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/sim"
)

var now = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// book is a ledger in memory.
type book struct {
	sim.History
	changes []ledger.Entry
}

func (b *book) OreSources(context.Context, string) ([]ledger.OreSource, error) { return b.Sources, nil }
func (b *book) Runs(context.Context, string) ([]ledger.Run, error)             { return b.History.Runs, nil }
func (b *book) Entries(context.Context, string, ...ledger.Kind) ([]ledger.Entry, error) {
	return b.changes, nil
}

func (b *book) set(t *testing.T, at time.Time, setting string, v float64) {
	body, err := json.Marshal(ledger.SettingChange{Setting: setting, Value: v})
	require.NoError(t, err)
	b.changes = append(b.changes, ledger.Entry{Kind: ledger.KindSettingChange, At: at, Body: body})
}

func set(t *testing.T) (*Assess, *book, *Standing) {
	data, err := fs.ReadFile(firmwareconfig.Plants, "plants/larkspur-plant.toml")
	require.NoError(t, err)
	p, err := plant.Parse("larkspur-plant.toml", data)
	require.NoError(t, err)
	h, err := sim.MakeHistory(p, 3, now)
	require.NoError(t, err)
	b := &book{History: h}
	st := &Standing{State: "running", Steady: true}
	return &Assess{Plants: map[string]*plant.Plant{p.Plant.Name: p}, Ledger: b, Now: func() time.Time { return now },
		Standing: func(string) Standing { return *st }}, b, st
}

// active is an ore source whose advice on this history is not to hold.
func active(t *testing.T, a *Assess) (string, advise.Answer) {
	for _, o := range sim.Sources() {
		answer, err := a.Advise(t.Context(), "Larkspur mill", o.Name)
		require.NoError(t, err)
		if answer.Action != advise.Hold {
			return o.Name, answer
		}
	}
	t.Fatal("every source holds: the test needs a history with something to do")
	return "", advise.Answer{}
}

func TestAdviceIsWithheldWhileItsGroundIsNotFirm(t *testing.T) {
	a, b, st := set(t)
	source, free := active(t, a)
	for _, c := range []struct {
		name   string
		change func()
		say    string
	}{
		{"not known", func() { st.State = "" }, "not known"},
		{"stopped", func() { st.State = "stopped" }, "not running (stopped)"},
		{"not steady", func() { st.Steady = false }, "not steady"},
		{"alarm", func() { st.Alarms = []string{"Feed is high."} }, "Feed is high."},
		{"suspect", func() { st.Suspect = []string{"wash_water"} }, "wash_water cannot be trusted"},
		{"just changed", func() { b.set(t, now.Add(-4*time.Minute), "wash_water", free.Present["wash_water"]) }, "needs 10 min to settle"},
	} {
		t.Run(c.name, func(t *testing.T) {
			*st, b.changes = Standing{State: "running", Steady: true}, nil
			c.change()
			answer, err := a.Advise(t.Context(), "Larkspur mill", source)
			require.NoError(t, err)
			require.Equal(t, advise.Hold, answer.Action)
			require.Equal(t, answer.Present, answer.Settings)
			require.Empty(t, answer.Changed)
			require.Len(t, answer.Withheld, len(free.Withheld)+1, "beside what the model itself withholds")
			require.Contains(t, answer.Withheld[len(free.Withheld)], c.say)
		})
	}
}

func TestPlantStandsWhereAPersonHasSetIt(t *testing.T) {
	a, b, _ := set(t)
	b.set(t, now.Add(-time.Hour), "wash_water", 52)
	b.set(t, now.Add(-2*time.Hour), "wash_water", 61) // recorded later, made earlier: does not hold
	b.set(t, now.AddDate(-1, 0, 0), "deck_tilt", 4)   // before the last run: the run says where it stands
	answer, err := a.Advise(t.Context(), "Larkspur mill", sim.Sources()[0].Name)
	require.NoError(t, err)
	require.Equal(t, 52.0, answer.Present["wash_water"])
	require.NotEqual(t, 4.0, answer.Present["deck_tilt"])
}

func TestLedgersFactsHold(t *testing.T) {
	a, b, _ := set(t)
	no, none := false, 0.5
	for i := range b.Sources {
		b.Sources[i].OwnerConsentsToTests, b.Sources[i].TonnesLeft = &no, &none
	}
	for _, o := range b.Sources {
		answer, err := a.Advise(t.Context(), "Larkspur mill", o.Name)
		require.NoError(t, err)
		require.NotEqual(t, advise.Test, answer.Action, "no consent: never a test")
	}
}

func TestSurfaceShowsWhatWasTried(t *testing.T) {
	a, b, _ := set(t)
	source := sim.Sources()[0].Name
	s, err := a.Surface(t.Context(), "Larkspur mill", source, "wash_water", "deck_tilt", 15)
	require.NoError(t, err)
	require.Len(t, s.Mean, 15)
	require.Len(t, s.HalfWidth[14], 15)
	require.NotEmpty(t, s.Runs)
	for _, r := range s.Runs {
		require.Equal(t, source, r.OreSource)
	}
	b.History.Runs = nil
	_, err = a.Surface(t.Context(), "Larkspur mill", source, "wash_water", "deck_tilt", 5)
	require.ErrorContains(t, err, "no run of "+source)
	_, err = a.Advise(t.Context(), "Nowhere", source)
	require.ErrorContains(t, err, `"Nowhere" is not known`)
}
