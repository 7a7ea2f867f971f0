package sampling

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// GrainMg is the mass, mg, of a gold sphere of a diameter in mm; shape is the grain's
// volume over its sphere's (1 for a sphere, 0.2 to 0.6 for real grains); density in
// g/cm3, 0 for pure gold (PO-03).
func GrainMg(diameterMm, shape, density float64) (float64, error) {
	if density == 0 {
		density = GoldDensity
	}
	if !positive(diameterMm, shape, density) {
		return 0, fmt.Errorf("sampling: a grain of %v mm, shape %v, density %v g/cm3 has no mass: all must be above 0", diameterMm, shape, density)
	}
	return shape * density * math.Pi / 6 * cube(diameterMm), nil // g/cm3 = mg/mm3
}

// Grains is the mean number of gold grains of grainMg in a sample of massKg whose
// free gold is freeShare of gradeGpt (PO-03).
func Grains(massKg, gradeGpt, freeShare, grainMg float64) (float64, error) {
	if !positive(massKg, gradeGpt, grainMg) || !(freeShare > 0 && freeShare <= 1) {
		return 0, fmt.Errorf("sampling: %v kg at %v g/t with free share %v in grains of %v mg: all must be above 0, the share at most 1", massKg, gradeGpt, freeShare, grainMg)
	}
	return massKg * gradeGpt * freeShare / grainMg, nil
}

// KgForGrains is the sample, kg, that holds a mean of so many grains (PO-04). Twenty
// is the usual least (placer practice after USGS Professional Paper 625-C; PO-02).
func KgForGrains(grains, gradeGpt, freeShare, grainMg float64) (float64, error) {
	inOneKg, err := Grains(1, gradeGpt, freeShare, grainMg)
	if err != nil {
		return 0, err
	}
	if !positive(grains) {
		return 0, fmt.Errorf("sampling: number of grains %v must be above 0", grains)
	}
	return grains / inOneKg, nil
}

// Count is what a mean number of grains in a sample leaves open.
type Count struct {
	Mean     float64
	RSD      float64 // 1/sqrt(mean)
	NoneProb float64 // chance that the sample holds none at all
	Lower    float64 // 95 % of samples hold at least this many
	Upper    float64 // 95 % of samples hold at most this many
}

// CountOf is the Poisson spread of a mean number of grains. Few grains make a skewed
// error: most samples read low, a few very high (PO-02, PO-03).
func CountOf(mean float64) (Count, error) {
	if !positive(mean) {
		return Count{}, fmt.Errorf("sampling: a mean of %v grains has no spread: it must be above 0", mean)
	}
	return Count{
		Mean: mean, RSD: 1 / math.Sqrt(mean), NoneProb: math.Exp(-mean),
		Lower: poissonQuantile(mean, 0.05), Upper: poissonQuantile(mean, 0.95),
	}, nil
}

// poissonQuantile is the least count whose cumulative probability reaches p.
func poissonQuantile(mean, p float64) float64 {
	if mean > 1e6 { // the normal limit is exact enough and costs nothing
		return math.Round(mean + math.Sqrt(mean)*distuv.UnitNormal.Quantile(p))
	}
	d := distuv.Poisson{Lambda: mean}
	lo, hi := -1.0, math.Ceil(mean+10*math.Sqrt(mean)+10)
	for hi-lo > 1 { // CDF(lo) < p <= CDF(hi)
		mid := math.Floor((lo + hi) / 2)
		if d.CDF(mid) >= p {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}

// MeanForChance is the mean number of grains that gives the wanted chance of at
// least one in the sample (PO-05).
func MeanForChance(chance float64) (float64, error) {
	if !(chance > 0 && chance < 1) {
		return 0, fmt.Errorf("sampling: chance %v must lie between 0 and 1", chance)
	}
	return -math.Log1p(-chance), nil
}

// Counted summarises grain counts of like samples. Dispersion is sample variance over
// mean: about 1 for grains scattered at random, above it for clusters.
type Counted struct {
	Mean, SampleVariance, PopulationVariance float64
	Dispersion                               float64
	RSD                                      float64 // 1/sqrt(mean), of one sample
	NoneProb, OneProb                        float64 // Poisson with that mean
	DispersionP                              float64 // chance of so much dispersion or more at random
}

// OfCounts summarises counts (PO-01).
func OfCounts(counts []float64) (Counted, error) {
	n := float64(len(counts))
	if n < 2 {
		return Counted{}, fmt.Errorf("sampling: two counts or more are needed; there are %d", len(counts))
	}
	var sum, ss float64
	for _, c := range counts {
		if !(c >= 0) || c != math.Trunc(c) || math.IsInf(c, 0) {
			return Counted{}, fmt.Errorf("sampling: %v is not a count of grains", c)
		}
		sum += c
	}
	mean := sum / n
	if mean == 0 {
		return Counted{}, fmt.Errorf("sampling: no grain in %d samples: heavier samples are needed", len(counts))
	}
	for _, c := range counts {
		ss += (c - mean) * (c - mean)
	}
	out := Counted{
		Mean: mean, SampleVariance: ss / (n - 1), PopulationVariance: ss / n,
		RSD: 1 / math.Sqrt(mean), NoneProb: math.Exp(-mean), OneProb: mean * math.Exp(-mean),
	}
	out.Dispersion = out.SampleVariance / mean
	// Fisher's index of dispersion: ss/mean is about chi-square on n-1.
	out.DispersionP = distuv.ChiSquared{K: n - 1}.Survival(ss / mean)
	return out, nil
}

// Tailings is what the error of a tailings sample depends on.
type Tailings struct {
	GradeGpt         float64 // a
	FreeShare        float64 // f, share of its gold that is free grains; 0.7 where not known
	EffectiveGrainMg float64 // m_eff, gold-mass-weighted mean grain mass
	PreparationRSD   float64 // 0.03 to 0.08 usual
	AssayRSD         float64 // 0.02 to 0.05 usual
	AssayAddGpt      float64 // constant part of the assay error, about 0.02
}

// GrainRSD is sqrt(f m_eff / (a M)): the error from the number of grains alone, for a
// sample of massKg (Gy's error of free grains; PO-06).
func (t Tailings) GrainRSD(massKg float64) (float64, error) {
	if err := t.check(massKg); err != nil {
		return 0, err
	}
	return math.Sqrt(t.FreeShare * t.EffectiveGrainMg / (t.GradeGpt * massKg)), nil
}

// RSD is the whole error of the tailings grade: grains, preparation and assay.
func (t Tailings) RSD(massKg float64) (float64, error) {
	grain, err := t.GrainRSD(massKg)
	if err != nil {
		return 0, err
	}
	return math.Sqrt(grain*grain + t.floor2()), nil
}

// floor2 is the part of the relative variance that a heavier sample cannot reduce.
func (t Tailings) floor2() float64 {
	add := t.AssayAddGpt / t.GradeGpt
	return t.PreparationRSD*t.PreparationRSD + t.AssayRSD*t.AssayRSD + add*add
}

func (t Tailings) check(massKg float64) error {
	if !positive(t.GradeGpt, massKg) || !(t.FreeShare >= 0 && t.FreeShare <= 1) {
		return fmt.Errorf("sampling: tailings of %v g/t with free share %v in a sample of %v kg: grade and mass must be above 0, the share from 0 to 1", t.GradeGpt, t.FreeShare, massKg)
	}
	for _, v := range []float64{t.EffectiveGrainMg, t.PreparationRSD, t.AssayRSD, t.AssayAddGpt} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return fmt.Errorf("sampling: grain mass %v mg, preparation %v, assay %v and %v g/t must be at least 0", t.EffectiveGrainMg, t.PreparationRSD, t.AssayRSD, t.AssayAddGpt)
		}
	}
	return nil
}

// RecoveryError is the standard error of recovery, percentage points, that one
// tailings sample leaves. Two cases, because a plant does not know which it has until
// it has sized its tailings:
//
//   - Careful: everything not counted is taken as tailings; s.e. = 100 R (1-R) rsd (PO-06).
//   - Own: middlings are kept, weighed and assayed without error; s.e. =
//     100 R tailingsShare rsd, tailingsShare being the metal's share in the tailings.
type RecoveryError struct {
	SEPoints float64
	RSD      float64 // of the tailings grade
	GrainRSD float64 // the part that grains make
}

// Careful is the recovery error of the careful case; recovery is a fraction.
func (t Tailings) Careful(recovery, massKg float64) (RecoveryError, error) {
	return t.Own(recovery, 1-recovery, massKg)
}

// Own is the recovery error where only the metal in the tailings is uncertain;
// recovery and tailingsShare are fractions of the metal in the feed.
func (t Tailings) Own(recovery, tailingsShare, massKg float64) (RecoveryError, error) {
	if !(recovery > 0 && recovery < 1) || !(tailingsShare > 0 && tailingsShare+recovery <= 1+1e-12) {
		return RecoveryError{}, fmt.Errorf("sampling: recovery %v with %v in the tailings: both must lie between 0 and 1 and not add to more than 1", recovery, tailingsShare)
	}
	grain, err := t.GrainRSD(massKg)
	if err != nil {
		return RecoveryError{}, err
	}
	rsd, err := t.RSD(massKg)
	if err != nil {
		return RecoveryError{}, err
	}
	return RecoveryError{SEPoints: 100 * recovery * tailingsShare * rsd, RSD: rsd, GrainRSD: grain}, nil
}

// KgForSE is the tailings sample, kg, that brings the standard error of recovery down
// to sePoints; recovery and tailingsShare as for Own (1 - recovery in the careful
// case). Where preparation and assay alone exceed it no mass is enough: then it is an
// error that says the least that can be reached.
func (t Tailings) KgForSE(recovery, tailingsShare, sePoints float64) (float64, error) {
	one, err := t.Own(recovery, tailingsShare, 1)
	if err != nil {
		return 0, err
	}
	if !positive(sePoints) {
		return 0, fmt.Errorf("sampling: wanted standard error %v points must be above 0", sePoints)
	}
	perRSD := 100 * recovery * tailingsShare
	wanted := sePoints / perRSD
	left := wanted*wanted - t.floor2()
	if left <= 0 {
		return 0, fmt.Errorf("sampling: no sample mass gives %.2g points: preparation and assay alone leave %.2g; divide and assay more than once", sePoints, perRSD*math.Sqrt(t.floor2()))
	}
	return one.GrainRSD * one.GrainRSD / left, nil
}
