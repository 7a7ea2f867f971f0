package sampling

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Trial is how sure a comparison of two settings must be.
type Trial struct {
	Confidence float64 // one-sided, 0.95 usual
	Power      float64 // chance to see a gain that is there, 0.80 usual
}

// UsualTrial is one-sided 95 % confidence and 80 % power.
var UsualTrial = Trial{Confidence: 0.95, Power: 0.80}

func (t Trial) check() error {
	if !(t.Confidence > 0.5 && t.Confidence < 1) || !(t.Power > 1-t.Confidence && t.Power < 1) {
		return fmt.Errorf("sampling: confidence %v and power %v: the first must lie between 0.5 and 1, the second between %.3g and 1", t.Confidence, t.Power, 1-t.Confidence)
	}
	return nil
}

// PowerOfPairs is the chance that a paired t-test with that many pairs shows a gain,
// given in standard deviations of one paired difference (noncentral t).
func (t Trial) PowerOfPairs(pairs int, gain float64) (float64, error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	if pairs < 2 || !(gain >= 0) || math.IsInf(gain, 0) {
		return 0, fmt.Errorf("sampling: %d pairs and a gain of %v: at least two pairs and a gain of at least 0 are needed", pairs, gain)
	}
	df := float64(pairs - 1)
	critical := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(t.Confidence)
	return 1 - noncentralT(critical, df, gain*math.Sqrt(float64(pairs))), nil
}

// SmallestGain is the smallest gain, in standard deviations of one paired difference,
// that so many pairs show with the trial's confidence and power.
func (t Trial) SmallestGain(pairs int) (float64, error) {
	if _, err := t.PowerOfPairs(pairs, 0); err != nil {
		return 0, err
	}
	lo, hi := 0.0, 1.0
	reaches := func(gain float64) bool {
		p, err := t.PowerOfPairs(pairs, gain)
		return err == nil && p >= t.Power
	}
	for !reaches(hi) {
		if lo, hi = hi, 2*hi; hi > 1e6 {
			return 0, fmt.Errorf("sampling: %d pairs cannot show any gain with power %v", pairs, t.Power)
		}
	}
	for range 60 {
		if mid := (lo + hi) / 2; reaches(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi, nil
}

// MaxPairs is the longest trial that PairsFor will propose.
const MaxPairs = 1000

// PairsFor is the least number of pairs that shows a gain (same unit as runSE) with
// the trial's confidence and power, where one run's result has the standard error
// runSE. The difference of two runs has sqrt(2) times that.
func (t Trial) PairsFor(gain, runSE float64) (pairs int, err error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	if !positive(gain, runSE) {
		return 0, fmt.Errorf("sampling: gain %v and standard error %v of a run must be above 0", gain, runSE)
	}
	d := gain / (math.Sqrt2 * runSE)
	enough := func(n int) (bool, error) {
		p, err := t.PowerOfPairs(n, d)
		return p >= t.Power, err
	}
	if ok, err := enough(MaxPairs); err != nil || !ok {
		return 0, fmt.Errorf("sampling: more than %d pairs would be needed to see %.3g points at %.3g points a run: make each run surer first", MaxPairs, gain, runSE)
	}
	lo, hi := 1, MaxPairs // power rises with the number of pairs
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		ok, err := enough(mid)
		if err != nil {
			return 0, err
		}
		if ok {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi, nil
}

// noncentralT is the distribution function of Student's t with nu degrees of freedom
// and noncentrality delta: P((Z + delta)/S <= t), Z normal and S^2 chi-square over
// nu, integrated over the density of S.
func noncentralT(t, nu, delta float64) float64 {
	lg, _ := math.Lgamma(nu / 2)
	logNorm := math.Ln2 + nu/2*math.Log(nu/2) - lg
	// S has mean near 1 and standard deviation near 1/sqrt(2 nu).
	width := 10 / math.Sqrt(2*nu)
	lo, hi := math.Max(0, 1-width), 1+width
	density := func(s float64) float64 {
		if s <= 0 {
			if nu == 1 {
				return math.Exp(logNorm)
			}
			return 0
		}
		return math.Exp(logNorm + (nu-1)*math.Log(s) - nu*s*s/2)
	}
	p := quad.Fixed(func(s float64) float64 {
		return distuv.UnitNormal.CDF(t*s-delta) * density(s)
	}, lo, hi, 400, quad.Legendre{}, 0)
	return math.Min(1, math.Max(0, p))
}
