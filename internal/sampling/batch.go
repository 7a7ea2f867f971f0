package sampling

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Pair is a sample and its duplicate, same unit.
type Pair struct{ A, B float64 }

// Precision is the average coefficient of variation of duplicates, a fraction, with
// its 95 % interval.
type Precision struct {
	CV           float64
	Lower, Upper float64
	Pairs        int
}

// DuplicateCV is sqrt(2/N sum((a-b)/(a+b))^2) (Stanley and Lawie 2007, from memory;
// NU-01). Its interval takes each pair as one degree of freedom (chi-square), which
// is rough when CV is above about 0.3.
func DuplicateCV(pairs []Pair) (Precision, error) {
	if len(pairs) == 0 {
		return Precision{}, fmt.Errorf("sampling: no pairs of duplicates: at least one is needed")
	}
	sum := 0.0
	for i, p := range pairs {
		if !(p.A >= 0 && p.B >= 0) || !positive(p.A+p.B) {
			return Precision{}, fmt.Errorf("sampling: pair %d is %v and %v: both must be at least 0 and not both 0", i+1, p.A, p.B)
		}
		r := (p.A - p.B) / (p.A + p.B)
		sum += r * r
	}
	n := float64(len(pairs))
	cv := math.Sqrt(2 / n * sum)
	chi := distuv.ChiSquared{K: n}
	return Precision{
		CV: cv, Pairs: len(pairs),
		Lower: cv * math.Sqrt(n/chi.Quantile(0.975)),
		Upper: cv * math.Sqrt(n/chi.Quantile(0.025)),
	}, nil
}

// Verdict is what is said of a control sample in a batch of assays.
type Verdict string

const (
	Accept Verdict = "accept"
	Check  Verdict = "check" // look at the batch before using it
	Redo   Verdict = "redo"  // ask the laboratory to assay again
)

// Judged is a verdict with its reason in words.
type Judged struct {
	Verdict Verdict
	Reason  string
}

// JudgeBlank judges an assay of barren material: up to 3 times the detection limit
// passes, above 10 times the batch is contaminated (common practice).
func JudgeBlank(result, detectionLimit float64) (Judged, error) {
	if !(result >= 0) || math.IsInf(result, 0) || !positive(detectionLimit) {
		return Judged{}, fmt.Errorf("sampling: blank of %v with detection limit %v: the first must be at least 0, the second above 0", result, detectionLimit)
	}
	times := result / detectionLimit
	switch {
	case times <= 3:
		return Judged{Accept, fmt.Sprintf("blank at %.3g: no more than 3 times the detection limit", result)}, nil
	case times <= 10:
		return Judged{Check, fmt.Sprintf("blank at %.3g: %.1f times the detection limit, carried over from a rich sample?", result, times)}, nil
	}
	return Judged{Redo, fmt.Sprintf("blank at %.3g: %.0f times the detection limit, the batch is contaminated", result, times)}, nil
}

// JudgeReference judges a reference material against its certified value and the
// standard deviation one assay of it should have: within 2 passes, beyond 3 fails
// (common practice; after Shewhart's limits).
func JudgeReference(result, certified, sd float64) (Judged, error) {
	if !(result >= 0) || math.IsInf(result, 0) || !positive(certified, sd) {
		return Judged{}, fmt.Errorf("sampling: reference %v against %v with sd %v: the result must be at least 0, the others above 0", result, certified, sd)
	}
	z := (result - certified) / sd
	side := "high"
	if z < 0 {
		side = "low"
	}
	switch {
	case math.Abs(z) <= 2:
		return Judged{Accept, fmt.Sprintf("reference at %.3g: within 2 standard deviations of %.3g", result, certified)}, nil
	case math.Abs(z) <= 3:
		return Judged{Check, fmt.Sprintf("reference at %.3g: %.1f standard deviations %s", result, math.Abs(z), side)}, nil
	}
	return Judged{Redo, fmt.Sprintf("reference at %.3g: %.1f standard deviations %s of %.3g", result, math.Abs(z), side, certified)}, nil
}

// JudgeDuplicate judges a pair against the coefficient of variation such pairs have
// (a fraction): a difference that one honest pair in 20 exceeds is checked, one in
// 370 is assayed again.
func JudgeDuplicate(p Pair, cv float64) (Judged, error) {
	one, err := DuplicateCV([]Pair{p})
	if err != nil {
		return Judged{}, err
	}
	if !positive(cv) {
		return Judged{}, fmt.Errorf("sampling: coefficient of variation %v must be above 0", cv)
	}
	z := one.CV / cv // |a-b|/(mean sqrt 2) over cv: standard normal, folded
	switch {
	case z <= 1.96:
		return Judged{Accept, fmt.Sprintf("duplicates %.3g and %.3g agree as such pairs do", p.A, p.B)}, nil
	case z <= 3:
		return Judged{Check, fmt.Sprintf("duplicates %.3g and %.3g differ more than 19 pairs in 20 do", p.A, p.B)}, nil
	}
	return Judged{Redo, fmt.Sprintf("duplicates %.3g and %.3g differ more than chance explains", p.A, p.B)}, nil
}

// Increments is the number of cuts that brings the error from taking few cuts down
// to the wanted rsd, where single cuts scatter by incrementRSD (independent cuts:
// rsd = incrementRSD/sqrt(n)). At least 2: one cut shows nothing of its own error.
func Increments(incrementRSD, wantedRSD float64) (int, error) {
	if !positive(incrementRSD, wantedRSD) {
		return 0, fmt.Errorf("sampling: scatter of cuts %v and wanted error %v must be above 0", incrementRSD, wantedRSD)
	}
	n := math.Ceil(incrementRSD*incrementRSD/(wantedRSD*wantedRSD) - 1e-9)
	if n > 1e6 {
		return 0, fmt.Errorf("sampling: %.0f cuts would be needed: the wanted error is out of reach", n)
	}
	return max(2, int(n)), nil
}

// Cutter is a cut across a falling stream, with what correct delimitation asks for
// (Gy's rules, from memory).
type Cutter struct {
	IncrementKg float64  // mass of one cut
	LeastMm     float64  // least opening
	Warnings    []string // what is wrong with it
}

// CutterOf is the mass of one increment, kg, of a stream of flowTph (of all that
// falls: pulp or wet ore) by a cutter of openingMm moving at mps, and whether the
// cutter is fit: opening at least 3 times the top size and 10 mm, speed at most
// 0.6 m/s.
func CutterOf(flowTph, openingMm, mps, topSizeMm float64) (Cutter, error) {
	if !positive(flowTph, openingMm, mps, topSizeMm) {
		return Cutter{}, fmt.Errorf("sampling: flow %v t/h, opening %v mm, speed %v m/s, top size %v mm must all be above 0", flowTph, openingMm, mps, topSizeMm)
	}
	c := Cutter{
		IncrementKg: flowTph / 3.6 * openingMm / 1000 / mps,
		LeastMm:     math.Max(10, 3*topSizeMm),
	}
	if openingMm < c.LeastMm {
		c.Warnings = append(c.Warnings, fmt.Sprintf("the cutter's opening of %.3g mm is too narrow: coarse grains bounce off; make it %.3g mm or more", openingMm, c.LeastMm))
	}
	if mps > 0.6 {
		c.Warnings = append(c.Warnings, fmt.Sprintf("the cutter moves at %.2g m/s: above 0.6 m/s it misses coarse grains", mps))
	}
	return c, nil
}
