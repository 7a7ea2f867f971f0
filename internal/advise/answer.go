// Package advise says which setting to try next for an ore source, how much better
// it should be, how sure that is and what could go wrong; or to leave things as
// they are. Advice only: a person makes the change. Pure: the same history always
// gives the same answer.
package advise

import "decktrim/internal/fit"

// Actions.
const (
	Move = "move" // expect a gain, and leave it there
	Hold = "hold" // stay
	Test = "test" // one run, for what it teaches
)

// Answer is one advice; its JSON is the contract of `advise --format json`. Every
// key is always there; a figure that is not known is null. Intervals are 95 % for
// the true value; recovery in percent, grade in the plant's grade unit.
type Answer struct {
	Source              string             `json:"source"`
	Action              string             `json:"action"`
	Settings            map[string]float64 `json:"settings"`
	Changed             []string           `json:"changed"`
	Present             map[string]float64 `json:"present"`
	BestKnown           map[string]float64 `json:"best_known"`
	RecoveryNow         fit.Interval       `json:"recovery_now"`
	RecoveryNext        fit.Interval       `json:"recovery_next"`
	RecoveryGain        fit.Interval       `json:"-"` // next less now, in points; narrower than their two intervals tell, since both stand on the same runs
	GradeNext           fit.Interval       `json:"grade_next"`
	ProbabilityOfGain   *float64           `json:"probability_of_gain"`   // that the objective is better than at the present setting
	ProbabilityOfBreach *float64           `json:"probability_of_breach"` // that any limit is broken
	Reasons             []string           `json:"reasons"`
	Withheld            []string           `json:"withheld"`
	SuspectRuns         []string           `json:"suspect_runs"`
	Waiting             []Waiting          `json:"waiting"`
	WorthTesting        Worth              `json:"worth_testing"`
	RunsUsed            int                `json:"runs_used"`
	RunsNotUsed         []fit.NotUsed      `json:"runs_not_used"`
}

// Waiting is a run whose samples are at the laboratory.
type Waiting struct {
	Run string `json:"run"`
	Due string `json:"due"`
}

// Worth compares in money what a test should bring with what it costs; nil where
// the plant file does not say enough.
type Worth struct {
	Answer    bool     `json:"answer"`
	GainValue *float64 `json:"gain_value"`
	Cost      *float64 `json:"cost"`
}

// Options say for which ore, and where the plant stands if not where the last run
// left it (setting by setting).
type Options struct {
	Source string
	At     map[string]float64
}
