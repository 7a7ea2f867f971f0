// Package balance says where the metal went: the two-product formula with its error,
// balances from masses and assays, and the reconciliation of measurements that do not
// quite agree, by least squares weighted with their standard errors.
//
// Shares and recoveries are fractions (0 to 1) in the formulas of this file and per
// cent in a Result, as the field names say. Masses are dry. Grades of one formula are
// in one unit, any.
package balance

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// TwoProduct is a feed split into a concentrate and tailings, from assays alone.
type TwoProduct struct {
	Yield                float64 // concentrate mass over feed mass
	Recovery             float64 // metal in concentrate over metal in feed
	RatioOfConcentration float64 // feed mass over concentrate mass
	Enrichment           float64 // concentrate grade over feed grade

	// Standard errors, first order, from those of the assays; 0 where these are 0.
	YieldSE, RecoverySE float64
}

// Assay is a grade with its standard error, both in one unit.
type Assay struct{ Grade, SE float64 }

// FromAssays is the two-product formula, Y = (f-t)/(c-t), R = Y c/f, with its error
// by propagation (TP-01, TP-06, TP-13; variance formula after Wills, Mineral
// Processing Technology, 7th ed., ch. 3, from memory, derived again). Where the three
// assays hardly differ the error is large and says so (TP-14). It refuses assays
// that no separation can give: c not above t, f outside t to c, f not above 0.
func FromAssays(feed, concentrate, tailings Assay) (TwoProduct, error) {
	f, c, t := feed.Grade, concentrate.Grade, tailings.Grade
	for _, a := range []Assay{feed, concentrate, tailings} {
		if !(a.Grade >= 0) || math.IsInf(a.Grade, 0) || !(a.SE >= 0) || math.IsInf(a.SE, 0) {
			return TwoProduct{}, fmt.Errorf("balance: assay %v with standard error %v: both must be numbers of at least 0", a.Grade, a.SE)
		}
	}
	switch {
	case !(f > 0):
		return TwoProduct{}, errors.New("balance: the feed assay is 0: there is no metal to recover")
	case !(c > t):
		return TwoProduct{}, fmt.Errorf("balance: the concentrate (%v) must be richer than the tailings (%v): check the assays", c, t)
	case f < t || f > c:
		return TwoProduct{}, fmt.Errorf("balance: the feed (%v) must lie between tailings (%v) and concentrate (%v): check the assays", f, t, c)
	}
	y := (f - t) / (c - t)
	p := TwoProduct{Yield: y, Recovery: y * c / f, Enrichment: c / f}
	if y > 0 {
		p.RatioOfConcentration = 1 / y
	}
	ct := c - t
	p.RecoverySE = norm(
		c*t/(f*f*ct)*feed.SE,
		t*(f-t)/(f*ct*ct)*concentrate.SE,
		c*(c-f)/(f*ct*ct)*tailings.SE)
	p.YieldSE = norm(feed.SE/ct, (f-t)/(ct*ct)*concentrate.SE, (c-f)/(ct*ct)*tailings.SE)
	return p, nil
}

func norm(vs ...float64) float64 {
	s := 0.0
	for _, v := range vs {
		s = math.Hypot(s, v)
	}
	return s
}

// Shares is a concentrate's recovery and what is left, from masses (TP-02).
type Shares struct {
	Recovery, Enrichment float64
	TailingsMass         float64
	TailingsGrade        float64
}

// FromMasses is recovery and tailings from the masses of feed and concentrate (one
// unit, kg or t/h) and their grades.
func FromMasses(feedMass, feedGrade, concMass, concGrade float64) (Shares, error) {
	metal, got := feedMass*feedGrade, concMass*concGrade
	if !(concMass >= 0 && concGrade >= 0) || !(metal > 0) || math.IsInf(metal, 0) || !(concMass < feedMass) || !(got <= metal) {
		return Shares{}, fmt.Errorf("balance: %v at %v cannot come out of %v at %v: a concentrate has less mass and no more metal than the feed", concMass, concGrade, feedMass, feedGrade)
	}
	tails := feedMass - concMass
	return Shares{
		Recovery: got / metal, Enrichment: concGrade / feedGrade,
		TailingsMass: tails, TailingsGrade: (metal - got) / tails,
	}, nil
}

// SeparationEfficiency is recovery of the mineral less recovery of the gangue
// (Schulz 1970, Trans. SME-AIME 247; TP-03 to TP-05).
type SeparationEfficiency struct {
	MassFraction   float64 // of the feed that is concentrate
	GangueRecovery float64
	Efficiency     float64
}

// SchulzEfficiency needs grades and the metal's share of the pure mineral, all in one
// unit (for example per cent), and recovery as a fraction.
func SchulzEfficiency(feed, concentrate, recovery, inPureMineral float64) (SeparationEfficiency, error) {
	if !(feed > 0) || !(concentrate > 0) || !(inPureMineral > feed) || !(concentrate <= inPureMineral) || math.IsInf(inPureMineral, 0) || !(recovery >= 0 && recovery <= 1) {
		return SeparationEfficiency{}, fmt.Errorf("balance: feed %v, concentrate %v, pure mineral %v, recovery %v: grades must be above 0 and below the pure mineral's, recovery from 0 to 1", feed, concentrate, inPureMineral, recovery)
	}
	c := recovery * feed / concentrate
	gangue := c * (inPureMineral - concentrate) / (inPureMineral - feed)
	return SeparationEfficiency{MassFraction: c, GangueRecovery: gangue, Efficiency: recovery - gangue}, nil
}

// InSeries is the overall recovery of stages each of which treats the tailings of the
// one before (TP-10).
func InSeries(recoveries ...float64) (float64, error) {
	left := 1.0
	for _, r := range recoveries {
		if !(r >= 0 && r <= 1) {
			return 0, fmt.Errorf("balance: stage recovery %v must lie from 0 to 1", r)
		}
		left *= 1 - r
	}
	return 1 - left, nil
}

// MassShares is the n-product formula: the mass of each of n products over feed
// mass, from the assays of n-1 elements (TP-07, TP-08). feed has one grade an element,
// products one row a product. A share that comes out below 0 or above 1 is refused:
// then the assays do not belong together.
func MassShares(feed []float64, products [][]float64) ([]float64, error) {
	n := len(products)
	if n < 2 || len(feed) != n-1 {
		return nil, fmt.Errorf("balance: %d products need the assays of %d elements; got %d", n, n-1, len(feed))
	}
	a, b, err := closure(feed, products)
	if err != nil {
		return nil, err
	}
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		return nil, errors.New("balance: the products' assays are too alike to tell their masses apart")
	}
	shares := make([]float64, n)
	for i := range shares {
		if shares[i] = x.AtVec(i); !(shares[i] >= 0 && shares[i] <= 1) {
			return nil, fmt.Errorf("balance: product %d would have %.3g of the feed's mass, which cannot be: the assays do not belong together", i+1, shares[i])
		}
	}
	return shares, nil
}

// NodeImbalance is the least-squares split of a feed into products from more assays
// than needed: it minimises the squared imbalance of mass and of every element,
// equally weighted, so scale the elements alike first (Wills, 8th ed., ch. 3,
// eqs 3.36-3.41; TP-16). The shares need not add to 1. For a proper answer with
// errors use Reconcile.
func NodeImbalance(feed []float64, products [][]float64) ([]float64, error) {
	a, b, err := closure(feed, products)
	if err != nil {
		return nil, err
	}
	if len(feed)+1 < len(products) {
		return nil, fmt.Errorf("balance: %d products need the assays of %d elements or more", len(products), len(products)-1)
	}
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		return nil, errors.New("balance: the products' assays are too alike to tell their masses apart")
	}
	return append([]float64(nil), x.RawVector().Data...), nil
}

// closure is the mass balance and the balance of each element, per unit of feed.
func closure(feed []float64, products [][]float64) (*mat.Dense, *mat.VecDense, error) {
	if len(products) == 0 {
		return nil, nil, errors.New("balance: there are no products")
	}
	a := mat.NewDense(len(feed)+1, len(products), nil)
	b := mat.NewVecDense(len(feed)+1, nil)
	b.SetVec(0, 1)
	grade := func(v float64) error {
		if !(v >= 0) || math.IsInf(v, 0) {
			return fmt.Errorf("balance: grade %v must be a number of at least 0", v)
		}
		return nil
	}
	for k, f := range feed {
		if err := grade(f); err != nil {
			return nil, nil, err
		}
		b.SetVec(k+1, f)
	}
	for j, p := range products {
		if len(p) != len(feed) {
			return nil, nil, fmt.Errorf("balance: product %d has %d assays; the feed has %d", j+1, len(p), len(feed))
		}
		a.Set(0, j, 1)
		for k, g := range p {
			if err := grade(g); err != nil {
				return nil, nil, err
			}
			a.Set(k+1, j, g)
		}
	}
	return a, b, nil
}

// MassGrade is a weighed and assayed product.
type MassGrade struct{ Mass, Grade float64 }

// Head is what products add up to (TP-09).
type Head struct {
	Mass, Grade  float64   // calculated head
	Metal        float64   // mass times grade: g for t and g/t, mg for kg and g/t
	Distribution []float64 // each product's share of the metal
}

// CalculatedHead adds weighed and assayed products up to the feed they came from.
func CalculatedHead(products []MassGrade) (Head, error) {
	h := Head{Distribution: make([]float64, len(products))}
	for i, p := range products {
		if !(p.Mass >= 0 && p.Grade >= 0) || math.IsInf(p.Mass*p.Grade, 0) {
			return Head{}, fmt.Errorf("balance: product %d has mass %v and grade %v: both must be numbers of at least 0", i+1, p.Mass, p.Grade)
		}
		h.Distribution[i] = p.Mass * p.Grade
		h.Mass += p.Mass
		h.Metal += h.Distribution[i]
	}
	if !(h.Metal > 0) || math.IsInf(h.Metal, 0) {
		return Head{}, errors.New("balance: the products hold no metal")
	}
	for i := range h.Distribution {
		h.Distribution[i] /= h.Metal
	}
	h.Grade = h.Metal / h.Mass
	return h, nil
}
