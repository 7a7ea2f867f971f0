// Package sampling says what a sample can tell before it is taken: the fundamental
// error of a sample mass, the error that too few gold grains leave, the error of
// recovery that follows, the increments and the runs a trial needs, and how a batch
// of assays is judged.
//
// Relative standard deviations (rsd) are fractions; grades g/t (mg/kg); masses carry
// their unit in the name. All formulas give the least error that remains when the
// sample is taken correctly: a sampler that misses part of the stream adds bias, and
// no formula here knows of that.
package sampling

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Ore is what Gy's formula needs to know of an ore. Sizes in cm, as the formula is
// always written.
type Ore struct {
	TopSizeCm     float64 // 95 % passing
	Shape         float64 // f: 0.5 usual, 0.2 flat or flaky gold
	SizeRange     float64 // g: 0.25 usual; see SizeRangeFactor
	Mineralogical float64 // c, g/cm3: see MineralogicalFactor, GoldFactor
	Liberation    float64 // l, 0 to 1: see LiberationFactor
}

// Shape factors f (Lecture notes CM3820 Sampling, 2009; GY-06).
const (
	UsualShape = 0.5
	FlakyShape = 0.2
)

// SizeRangeFactor is g from the ratio of 95 % to 5 % passing size (same source; GY-05).
func SizeRangeFactor(ratio float64) float64 {
	switch {
	case ratio > 4:
		return 0.25
	case ratio >= 2:
		return 0.5
	case ratio > 1:
		return 0.75
	}
	return 1
}

// MineralogicalFactor is c, g/cm3, for a mineral that carries the metal: assay is the
// metal's share of the ore, inMineral its share of the pure mineral; densities g/cm3
// (GY-01).
func MineralogicalFactor(assay, inMineral, mineralDensity, gangueDensity float64) (float64, error) {
	if !(assay > 0) || !(inMineral >= assay && inMineral <= 1) || !positive(mineralDensity, gangueDensity) {
		return 0, fmt.Errorf("sampling: assay %v in a mineral that holds %v: shares must lie above 0 and at most 1, densities above 0", assay, inMineral)
	}
	a := assay / inMineral
	return (1 - a) / a * ((1-a)*mineralDensity + a*gangueDensity), nil
}

// GoldFactor is c, g/cm3, for free gold: its density over its share of the ore
// (GY-08). density 0 means 19.3.
func GoldFactor(gradeGpt, density float64) (float64, error) {
	if density == 0 {
		density = GoldDensity
	}
	if !positive(gradeGpt, density) {
		return 0, fmt.Errorf("sampling: gold grade %v g/t and density %v g/cm3 must be above 0", gradeGpt, density)
	}
	return density / (gradeGpt * 1e-6), nil
}

// GoldDensity of pure gold, g/cm3. Native gold with silver is lighter, 16 to 19.
const GoldDensity = 19.3

// LiberationFactor is l = (liberation size / top size)^b, at most 1. b is 0.5 in Gy's
// own form for base metals, 1.5 the common choice for gold (abstract of Minnitt,
// AusIMM 2017; GY-08 to GY-11).
func LiberationFactor(liberationCm, topSizeCm, b float64) (float64, error) {
	if !positive(liberationCm, topSizeCm, b) {
		return 0, fmt.Errorf("sampling: liberation size %v cm, top size %v cm and exponent %v must be above 0", liberationCm, topSizeCm, b)
	}
	return min(1, math.Pow(liberationCm/topSizeCm, b)), nil
}

// Constant is Gy's sampling constant C = f g c l, g/cm3.
func (o Ore) Constant() (float64, error) {
	if !positive(o.Shape, o.SizeRange, o.Mineralogical, o.Liberation, o.TopSizeCm) || o.Liberation > 1 {
		return 0, fmt.Errorf("sampling: shape %v, size range %v, mineralogical %v, liberation %v, top size %v cm must all be above 0, liberation at most 1", o.Shape, o.SizeRange, o.Mineralogical, o.Liberation, o.TopSizeCm)
	}
	return o.Shape * o.SizeRange * o.Mineralogical * o.Liberation, nil
}

// FundamentalRSD is the relative standard deviation of the fundamental sampling
// error of a sample of sampleG grams from a lot of lotG (+Inf: large):
// s^2 = C d^3 (1/Ms - 1/ML). Pierre Gy's formula (GY-01 to GY-11).
func (o Ore) FundamentalRSD(sampleG, lotG float64) (float64, error) {
	c, err := o.Constant()
	if err != nil {
		return 0, err
	}
	if !positive(sampleG) || !(lotG >= sampleG) {
		return 0, fmt.Errorf("sampling: a sample of %v g from a lot of %v g cannot be: the sample must be above 0 and at most the lot", sampleG, lotG)
	}
	return math.Sqrt(c * cube(o.TopSizeCm) * (1/sampleG - 1/lotG)), nil
}

// MassForRSD is the least sample, g, whose fundamental error is the wanted one.
func (o Ore) MassForRSD(rsd, lotG float64) (sampleG float64, err error) {
	c, err := o.Constant()
	if err != nil {
		return 0, err
	}
	if !positive(rsd) || !(lotG > 0) {
		return 0, fmt.Errorf("sampling: a relative standard deviation of %v from a lot of %v g has no sample mass: both must be above 0", rsd, lotG)
	}
	return 1 / (rsd*rsd/(c*cube(o.TopSizeCm)) + 1/lotG), nil
}

// CalibratedRSD is the form s^2 = K d^alpha / M with K and alpha found by test for
// the ore at hand (cm, g). For low-grade gold ores K is 70 to 170 and alpha 0.97 to
// 1.30 (A generalised form of Gy equation for gold ores, AusIMM 2017, abstract; GY-12).
func CalibratedRSD(k, alpha, topSizeCm, sampleG float64) (float64, error) {
	if !positive(k, alpha, topSizeCm, sampleG) {
		return 0, fmt.Errorf("sampling: K %v, alpha %v, top size %v cm and sample %v g must be above 0", k, alpha, topSizeCm, sampleG)
	}
	return math.Sqrt(k * math.Pow(topSizeCm, alpha) / sampleG), nil
}

// SDForHalfWidth is the standard deviation that gives an interval of plus or minus
// halfWidth at the given confidence (0.95, 0.99), normal (GY-07).
func SDForHalfWidth(halfWidth, confidence float64) (float64, error) {
	if !positive(halfWidth) || !(confidence > 0 && confidence < 1) {
		return 0, fmt.Errorf("sampling: half-width %v at confidence %v: the first must be above 0, the second between 0 and 1", halfWidth, confidence)
	}
	return halfWidth / distuv.UnitNormal.Quantile((1+confidence)/2), nil
}

func cube(d float64) float64 { return d * d * d }

func positive(vs ...float64) bool {
	for _, v := range vs {
		if !(v > 0) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
