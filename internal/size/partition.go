package size

import (
	"fmt"
	"math"
)

// Partition is a partition (Tromp) curve: the share of each class, by density or by
// size, that goes to the heavy or coarse product. Classes rise; shares are 0 to 1.
type Partition struct {
	Class []float64 // relative density, or size in um
	Share []float64
}

// Sharpness is what a partition curve says about a separation. Ep is half the
// distance between the 25 and 75 % points; Imperfection is Ep/(cut - 1) for
// densities in water.
type Sharpness struct {
	P25, Cut, P75 float64
	Ep            float64
	Imperfection  float64 // by density only
}

// Sharpness reads the curve by linear interpolation. The curve must cross 25, 50
// and 75 %, rising.
func (p Partition) Sharpness() (Sharpness, error) {
	if len(p.Class) < 2 || len(p.Class) != len(p.Share) {
		return Sharpness{}, fmt.Errorf("size: a partition curve needs two classes or more, each with its share")
	}
	for i := range p.Class {
		if !(p.Share[i] >= 0 && p.Share[i] <= 1) || math.IsNaN(p.Class[i]) || math.IsInf(p.Class[i], 0) {
			return Sharpness{}, fmt.Errorf("size: partition share %v at class %v cannot be: shares lie from 0 to 1", p.Share[i], p.Class[i])
		}
		if i > 0 && !(p.Class[i] > p.Class[i-1]) {
			return Sharpness{}, fmt.Errorf("size: partition classes must rise: %v follows %v", p.Class[i], p.Class[i-1])
		}
	}
	var s Sharpness
	for _, want := range []struct {
		share float64
		to    *float64
	}{{0.25, &s.P25}, {0.5, &s.Cut}, {0.75, &s.P75}} {
		v, err := p.at(want.share)
		if err != nil {
			return Sharpness{}, err
		}
		*want.to = v
	}
	return s.finish(), nil
}

func (p Partition) at(share float64) (float64, error) {
	for i := 1; i < len(p.Share); i++ {
		if a, b := p.Share[i-1], p.Share[i]; a <= share && share <= b && a < b {
			return p.Class[i-1] + (p.Class[i]-p.Class[i-1])*(share-a)/(b-a), nil
		}
	}
	return 0, fmt.Errorf("size: the partition curve does not rise through %.0f %%: measure more classes", 100*share)
}

func (s Sharpness) finish() Sharpness {
	s.Ep = (s.P75 - s.P25) / 2
	if s.Cut > 1 {
		s.Imperfection = s.Ep / (s.Cut - 1)
	}
	return s
}

// Logistic is the partition curve 1/(1+exp(-K(class-Cut))).
type Logistic struct{ K, Cut float64 }

// Share is the share of a class that goes to the heavy or coarse product.
func (l Logistic) Share(class float64) float64 { return 1 / (1 + math.Exp(-l.K*(class-l.Cut))) }

// Sharpness of a logistic curve: Ep = ln 3 / K (TR-01). K must be above 0.
func (l Logistic) Sharpness() Sharpness {
	half := math.Log(3) / l.K
	return Sharpness{P25: l.Cut - half, Cut: l.Cut, P75: l.Cut + half}.finish()
}
