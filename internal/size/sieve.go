// Package size deals with grain size: sieve series, size distributions and what is
// read off them (P80), the two usual fitted curves, and partition curves.
// Sizes are in micrometres (um) and shares are fractions, 0 to 1.
package size

import (
	"fmt"
	"math"
)

// Series is the sieve series that a mesh number belongs to. The two differ (Tyler
// 150 mesh is 105 um, ASTM has no No. 150), so a mesh number never stands alone.
type Series string

const (
	ASTM  Series = "ASTM E11"
	Tyler Series = "Tyler"
)

// Sieve is one sieve of a series.
type Sieve struct {
	Mesh      float64
	OpeningUm float64
}

// Openings after the GNU Units 2.22 definitions file (ASTM E11 nominal sizes as in
// ISO 3310-1; Tyler standard screen scale), checked against
// testdata/check-values/sieves.csv. Older Tyler lists print 147, 104 and 43 for
// some of these (from memory).
var (
	astm = []Sieve{
		{3.5, 5600}, {4, 4750}, {5, 4000}, {6, 3350}, {7, 2800}, {8, 2360}, {10, 2000}, {12, 1700},
		{14, 1400}, {16, 1180}, {18, 1000}, {20, 850}, {25, 710}, {30, 600}, {35, 500}, {40, 425},
		{45, 355}, {50, 300}, {60, 250}, {70, 212}, {80, 180}, {100, 150}, {120, 125}, {140, 106},
		{170, 90}, {200, 75}, {230, 63}, {270, 53}, {325, 45}, {400, 38},
	}
	tyler = []Sieve{
		{2.5, 8000}, {3, 6727}, {3.5, 5657}, {4, 4757}, {5, 4000}, {6, 3364}, {7, 2828}, {8, 2378},
		{9, 2000}, {10, 1682}, {12, 1414}, {14, 1189}, {16, 1000}, {20, 841}, {24, 707}, {28, 595},
		{32, 500}, {35, 420}, {42, 354}, {48, 297}, {60, 250}, {65, 210}, {80, 177}, {100, 149},
		{115, 125}, {150, 105}, {170, 88}, {200, 74}, {250, 63}, {270, 53}, {325, 44}, {400, 37},
	}
)

// Sieves lists a series from coarse to fine.
func Sieves(s Series) []Sieve {
	switch s {
	case ASTM:
		return append([]Sieve(nil), astm...)
	case Tyler:
		return append([]Sieve(nil), tyler...)
	}
	return nil
}

// Opening is the opening, in um, of a sieve given by its mesh number.
func Opening(s Series, mesh float64) (um float64, err error) {
	all := Sieves(s)
	if all == nil {
		return 0, fmt.Errorf("size: there is no sieve series %q: use %s or %s", s, ASTM, Tyler)
	}
	for _, sv := range all {
		if sv.Mesh == mesh {
			return sv.OpeningUm, nil
		}
	}
	return 0, fmt.Errorf("size: %s has no %v mesh: give the opening in um", s, mesh)
}

// NearestSieve is the sieve of the series whose opening is nearest in ratio, and
// how far the size is from it, as size over opening. It is for showing a size to
// someone who thinks in mesh; the stored figure stays in um.
func NearestSieve(s Series, um float64) (sieve Sieve, ratio float64, err error) {
	all := Sieves(s)
	if all == nil || !(um > 0) || math.IsInf(um, 0) {
		return Sieve{}, 0, fmt.Errorf("size: no sieve of series %q for %v um", s, um)
	}
	best := all[0]
	for _, sv := range all {
		if math.Abs(math.Log(um/sv.OpeningUm)) < math.Abs(math.Log(um/best.OpeningUm)) {
			best = sv
		}
	}
	return best, um / best.OpeningUm, nil
}
