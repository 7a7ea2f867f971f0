// Package assess answers on request what the history of an ore source says: it
// fetches runs and facts from the ledger and calls the pure rooms (fit, advise). It
// keeps nothing. Advice is given only while the plant is steady and what it rests on
// can be trusted; otherwise the answer is to hold, with what was withheld and why.
package assess

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"decktrim/internal/advise"
	"decktrim/internal/fit"
	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// settling is how long the discharge needs after a change of a setting before a
// sample, or the next advice, means something. Heavy products: 8 to 10 min (kinematics
// of the deck; common practice).
const settling = 10 * time.Minute

// Ledger is what people entered, as it holds now.
type Ledger interface {
	OreSources(ctx context.Context, plantName string) ([]ledger.OreSource, error)
	Runs(ctx context.Context, plantName string) ([]ledger.Run, error)
	Entries(ctx context.Context, plantName string, kinds ...ledger.Kind) ([]ledger.Entry, error)
}

// Standing is the plant at this moment, as far as advice asks.
type Standing struct {
	State   string // plant state; "" is not known
	Steady  bool
	Alarms  []string // standing Act and Look alarms, in words
	Suspect []string // channels that are not to be trusted now
}

// Assess answers for the plants it was given.
type Assess struct {
	Plants map[string]*plant.Plant
	Ledger Ledger
	Now    func() time.Time
	// Standing tells how a plant stands now; nil: nothing is known of it.
	Standing func(plantName string) Standing
}

// history is all that is known for one answer.
type history struct {
	plant   *plant.Plant // with the ledger's facts of the ore sources in it
	runs    []runs.Run   // oldest first
	present map[string]float64
	changed map[string]time.Time // when a setting was last set by hand
}

func (a *Assess) fetch(ctx context.Context, plantName string) (history, error) {
	file, ok := a.Plants[plantName]
	if !ok {
		return history{}, fmt.Errorf("plant %q is not known here", plantName)
	}
	sources, err := a.Ledger.OreSources(ctx, plantName)
	if err != nil {
		return history{}, err
	}
	entered, err := a.Ledger.Runs(ctx, plantName)
	if err != nil {
		return history{}, err
	}
	changes, err := a.Ledger.Entries(ctx, plantName, ledger.KindSettingChange)
	if err != nil {
		return history{}, err
	}
	h := history{plant: withSources(file, sources), present: map[string]float64{}, changed: map[string]time.Time{}}
	for _, r := range entered {
		h.runs = append(h.runs, r.Run)
	}
	slices.SortStableFunc(h.runs, func(x, y runs.Run) int { return x.Start.Compare(y.Start) })
	// The plant stands where the last run left it, or where a person has set it since.
	var last time.Time
	if n := len(h.runs); n > 0 {
		last = h.runs[n-1].Start
	}
	for _, e := range changes {
		var c ledger.SettingChange
		if err := json.Unmarshal(e.Body, &c); err != nil {
			return history{}, fmt.Errorf("ledger entry %s (setting change) cannot be understood: %w", e.ID, err)
		}
		if e.At.Before(last) || e.At.Before(h.changed[c.Setting]) {
			continue
		}
		h.present[c.Setting], h.changed[c.Setting] = c.Value, e.At
	}
	return h, nil
}

// withSources lays the ledger's facts over the plant file's: what people entered
// later holds.
func withSources(file *plant.Plant, entered []ledger.OreSource) *plant.Plant {
	p := *file
	p.OreSources = slices.Clone(file.OreSources)
	for _, e := range entered {
		i := slices.IndexFunc(p.OreSources, func(s plant.OreSource) bool { return s.Name == e.Name })
		if i < 0 {
			p.OreSources = append(p.OreSources, plant.OreSource{Name: e.Name})
			i = len(p.OreSources) - 1
		}
		s := &p.OreSources[i]
		s.HeadGrade = later(s.HeadGrade, e.HeadGrade)
		s.MinConcentrateGrade = later(s.MinConcentrateGrade, e.MinConcentrateGrade)
		s.TonnesLeft = later(s.TonnesLeft, e.TonnesLeft)
		s.OwnerConsentsToTests = later(s.OwnerConsentsToTests, e.OwnerConsentsToTests)
	}
	return &p
}

func later[T any](old, new *T) *T {
	if new != nil {
		return new
	}
	return old
}

// Advise gives advice for an ore source, or holds and says what is withheld.
func (a *Assess) Advise(ctx context.Context, plantName, source string) (advise.Answer, error) {
	h, err := a.fetch(ctx, plantName)
	if err != nil {
		return advise.Answer{}, err
	}
	return a.answer(plantName, source, h)
}

func (a *Assess) answer(plantName, source string, h history) (advise.Answer, error) {
	answer, err := advise.Advise(h.plant, h.runs, advise.Options{Source: source, At: h.present})
	if err != nil {
		return advise.Answer{}, err
	}
	why := a.withhold(plantName, h)
	answer.Withheld = append(answer.Withheld, why...)
	if len(why) == 0 || answer.Action == advise.Hold {
		return answer, nil
	}
	answer.Action = advise.Hold
	answer.Settings = maps.Clone(answer.Present)
	answer.Changed = []string{}
	answer.RecoveryNext, answer.GradeNext = answer.RecoveryNow, fit.Interval{}
	answer.ProbabilityOfGain, answer.ProbabilityOfBreach = nil, nil
	answer.Reasons = append([]string{"Leave the settings as they are for now: advice is withheld until the plant runs steadily and what it rests on can be trusted."}, answer.Reasons...)
	return answer, nil
}

// withhold lists why no advice may be given at this moment.
func (a *Assess) withhold(plantName string, h history) (why []string) {
	if a.Standing == nil {
		return nil
	}
	s := a.Standing(plantName)
	switch {
	case s.State == "":
		why = append(why, "The plant's state is not known: no readings.")
	case s.State != "running":
		why = append(why, fmt.Sprintf("The plant is not running (%s).", s.State))
	case !s.Steady:
		why = append(why, "The plant is not steady.")
	}
	for _, alarm := range s.Alarms {
		why = append(why, "An alarm stands: "+alarm)
	}
	for _, name := range s.Suspect {
		why = append(why, fmt.Sprintf("The reading of %s cannot be trusted now.", name))
	}
	now := a.Now()
	for _, setting := range slices.Sorted(maps.Keys(h.changed)) {
		if since := now.Sub(h.changed[setting]); since >= 0 && since < settling {
			why = append(why, fmt.Sprintf("%s was changed %.0f min ago; the table needs %.0f min to settle.", setting, since.Minutes(), settling.Minutes()))
		}
	}
	return why
}

// Surface is what the model expects over two settings, with what has been tried and
// the answer that stands.
type Surface struct {
	fit.Map
	Runs   []runs.Run // used, to be drawn as tried points
	Answer advise.Answer
}

// Surface is the expected recovery over settings x and y on an n by n grid between
// their limits, the other settings at present.
func (a *Assess) Surface(ctx context.Context, plantName, source, x, y string, n int) (Surface, error) {
	h, err := a.fetch(ctx, plantName)
	if err != nil {
		return Surface{}, err
	}
	answer, err := a.answer(plantName, source, h)
	if err != nil {
		return Surface{}, err
	}
	chosen := fit.Choose(h.plant, h.runs, source)
	model := fit.Learn(h.plant, chosen, fit.Recovery, answer.Present)
	if model.Runs == 0 {
		return Surface{}, fmt.Errorf("no run of %s has a result yet; sample two runs at the present setting first", source)
	}
	m, err := model.Surface(x, y, n, answer.Present)
	return Surface{Map: m, Runs: chosen.Used, Answer: answer}, err
}
