package advise

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// SmallestGain is the true gain, in standard deviations of one paired difference,
// that n pairs show with the given power by a one-sided paired t-test at the given
// confidence (0.95 and 0.8 are usual): the delta with
//
//	P( T'(n-1, delta sqrt n) > t(confidence, n-1) ) = power,
//
// T' noncentral t. n must be 2 or more; fewer give +Inf.
func SmallestGain(pairs int, confidence, power float64) float64 {
	if pairs < 2 {
		return math.Inf(1)
	}
	df := float64(pairs - 1)
	critical := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(confidence)
	low, high := 0.0, 100.0
	for range 80 {
		mid := (low + high) / 2
		if exceeds(critical, df, mid*math.Sqrt(float64(pairs))) < power {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// exceeds is P(T' > t) for the noncentral t with df degrees of freedom:
// T' = (Z + shift)/S with S^2 = chi-square/df, so the mean over S of
// P(Z > t S - shift). The density of S falls off fast, so the sum is over where it
// lives.
func exceeds(t, df, shift float64) float64 {
	logScale, _ := math.Lgamma(df / 2)
	logScale = math.Ln2 + df/2*math.Log(df/2) - logScale
	density := func(s float64) float64 {
		if s <= 0 {
			return 0
		}
		return math.Exp(logScale + (df-1)*math.Log(s) - df*s*s/2)
	}
	top := 1 + 9/math.Sqrt(df) // beyond it the density is below 1e-16
	return quad.Fixed(func(s float64) float64 {
		return density(s) * distuv.UnitNormal.Survival(t*s-shift)
	}, 0, top, 200, nil, 0)
}
