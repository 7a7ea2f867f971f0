// Package fit describes how recovery answers to the settings, from few and noisy
// runs: the model in use (Learn), on which advice rests, and beside it the plain
// second-order response surface of the text-books (Fit). Every figure has its
// error. Pure: no file, no clock.
package fit

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// Summary is the model in use in figures.
type Summary struct {
	Method    string             `json:"method"`
	Present   map[string]float64 `json:"present"`    // where the plant stands
	Now       Interval           `json:"now"`        // at the present setting
	BestTried BestTried          `json:"best_tried"` // the tried setting with the highest mean
	RunSE     float64            `json:"run_se"`     // typical s.e. of one run
	Suspect   []string           `json:"suspect_runs"`
	Sharing   float64            `json:"sharing"` // 0..1, how far other ores' runs count for the shape
}

// BestTried is a tried setting, inside the bounds, with the model's belief.
type BestTried struct {
	Settings map[string]float64 `json:"settings"`
	Recovery Interval           `json:"recovery"`
}

// Result is the answer of the fit command.
type Result struct {
	Source      string      `json:"source"`
	RunsUsed    int         `json:"runs_used"`
	RunsNotUsed []NotUsed   `json:"runs_not_used"`
	SecondOrder SecondOrder `json:"second_order"`
	BestInside  BestInside  `json:"best_inside"`
	Model       Summary     `json:"model"`
	Warnings    []string    `json:"warnings"`

	model *Model
	used  []runs.Run
}

// InUse is the model in use behind the summary.
func (r Result) InUse() *Model { return r.model }

// Used lists the runs that were fitted.
func (r Result) Used() []runs.Run { return r.used }

// Fit fits the source's runs. Any response is taken, and past runs outside min and
// max, with a warning. An error says what is missing.
func Fit(p *plant.Plant, all []runs.Run, source string) (Result, error) {
	if err := CheckSettings(p); err != nil {
		return Result{}, err
	}
	c := Choose(p, all, source)
	if len(c.Used) == 0 {
		return Result{}, noRuns(p, all, source, c)
	}
	res := Result{Source: source, RunsUsed: len(c.Used), RunsNotUsed: c.NotUsed, used: c.Used, Warnings: []string{}}
	if res.RunsNotUsed == nil {
		res.RunsNotUsed = []NotUsed{}
	}
	so, f, warn, err := fitSecondOrder(p.Settings, c.Used)
	if err != nil {
		return Result{}, fmt.Errorf("fit of %s: %w", source, err)
	}
	res.SecondOrder, res.BestInside = so, f.bestInside(c.Used)
	res.Warnings = append(res.Warnings, inputWarnings(p.Settings, c.Used)...)
	res.Warnings = append(res.Warnings, warn...)
	if len(otherBlocks(c.Used)) > 0 {
		res.Warnings = append(res.Warnings, fmt.Sprintf("Blocks have terms of their own; the best inside is for block %s, the others lie off by their block term.", blockName(c.Used[0])))
	}
	if f.extrapolates(res.BestInside.Settings) {
		res.Warnings = append(res.Warnings, "The best inside the bounds lies beyond the tried settings: it is an extrapolation.")
	}
	present := all[len(all)-1].Settings
	m := Learn(p, c.Recent(), Recovery, present)
	res.model = m
	res.Model = Summary{Method: "second-order surface with shrinkage, averaged over sizes of effect", Present: present, Now: m.Predict(present), RunSE: m.RunSE, Suspect: m.Suspect, Sharing: m.Sharing}
	if res.Model.Suspect == nil {
		res.Model.Suspect = []string{}
	}
	for _, at := range m.Visited() {
		if !Inside(p.Settings, at) {
			continue
		}
		if iv := m.Predict(at); res.Model.BestTried.Settings == nil || *iv.Mean > *res.Model.BestTried.Recovery.Mean {
			res.Model.BestTried = BestTried{at, iv}
		}
	}
	if len(c.Used) > mostOwn {
		res.Warnings = append(res.Warnings, fmt.Sprintf("The model in use looks at the newest %d of %d runs; the second-order surface takes them all.", mostOwn, len(c.Used)))
	}
	if len(m.Suspect) > 0 {
		res.Warnings = append(res.Warnings, "These runs do not agree with the others; ask for a second assay: "+strings.Join(m.Suspect, ", ")+".")
	}
	return res, nil
}

func noRuns(p *plant.Plant, all []runs.Run, source string, c Chosen) error {
	if n := len(c.NotUsed) + len(c.Waiting); n > 0 {
		return fmt.Errorf("ore source %q has %d runs but none with a result that can be used: wait for the laboratory", source, n)
	}
	names := Sources(p, all)
	if len(names) == 0 {
		return fmt.Errorf("there is no run of ore source %q nor of any other: add rows to the runs first", source)
	}
	return fmt.Errorf("there is no run of ore source %q: use one of %s", source, strings.Join(names, ", "))
}

// Sources lists the ore sources of the runs and the plant file, in order.
func Sources(p *plant.Plant, all []runs.Run) []string {
	var names []string
	add := func(n string) {
		if !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	for _, s := range p.OreSources {
		add(s.Name)
	}
	for _, r := range all {
		add(r.OreSource)
	}
	return names
}

// CheckSettings refuses a plant that has nothing to set.
func CheckSettings(p *plant.Plant) error {
	if len(p.Settings) == 0 {
		return fmt.Errorf("%s: there is no [[setting]]: say what can be set, and within what", p.File)
	}
	for _, s := range p.Settings {
		if !(s.Max > s.Min) || math.IsInf(s.Max-s.Min, 0) {
			return fmt.Errorf("%s: setting %s has max %g not above min %g", p.File, s.Name, s.Max, s.Min)
		}
	}
	return nil
}

// Inside reports whether settings lie between min and max.
func Inside(settings []plant.Setting, at map[string]float64) bool {
	for _, s := range settings {
		slack := 1e-9 * (s.Max - s.Min)
		if at[s.Name] < s.Min-slack || at[s.Name] > s.Max+slack {
			return false
		}
	}
	return true
}

// inputWarnings speaks of runs outside the bounds and of settings that were moved
// together: pairs correlated above 0.8 in size.
func inputWarnings(settings []plant.Setting, used []runs.Run) []string {
	var warn []string
	for _, s := range settings {
		var out []string
		for _, r := range used {
			if r.Settings[s.Name] < s.Min-1e-9*(s.Max-s.Min) || r.Settings[s.Name] > s.Max+1e-9*(s.Max-s.Min) {
				out = append(out, r.ID)
			}
		}
		if len(out) > 0 {
			warn = append(warn, fmt.Sprintf("Outside %g to %g %s of %s, and used all the same: run %s.", s.Min, s.Max, s.Unit, s.Name, strings.Join(out, ", ")))
		}
	}
	for i, a := range settings {
		for _, b := range settings[i+1:] {
			if r := Correlation(used, a.Name, b.Name); math.Abs(r) > 0.8 {
				warn = append(warn, fmt.Sprintf("%s and %s were moved together (correlation %.2f): the runs cannot well say which of them did it.", a.Name, b.Name, r))
			}
		}
	}
	return warn
}

// Correlation of two settings over runs; 0 if either never varied.
func Correlation(used []runs.Run, a, b string) float64 {
	var x, y []float64
	for _, r := range used {
		x, y = append(x, r.Settings[a]), append(y, r.Settings[b])
	}
	if sx, sy := sd(x), sd(y); sx > 0 && sy > 0 {
		mx, my, s := 0.0, 0.0, 0.0
		for i := range x {
			mx += x[i] / float64(len(x))
			my += y[i] / float64(len(x))
		}
		for i := range x {
			s += (x[i] - mx) * (y[i] - my)
		}
		return s / float64(len(x)-1) / (sx * sy)
	}
	return 0
}

// extrapolates reports whether the surface's error at a place is larger than at any
// of its runs: hidden extrapolation, which ranges setting by setting do not show.
func (f *surface) extrapolates(at map[string]float64) bool {
	c := coded(f.settings, at)
	x := make([]float64, len(f.kept))
	for k, j := range f.kept {
		x[k] = f.terms[j].value(c, "")
	}
	return f.quadratic(x) > slices.Max(f.sol.leverage)*(1+1e-9)
}
