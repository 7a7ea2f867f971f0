// Package pulp holds the relations of solids and water: pulp density, % solids,
// dilution, moisture, and the water a feed needs. Shares are fractions (0 to 1) by
// mass unless the name says volume; moisture is on the wet basis unless the name
// says dry; densities are kg/m3, rates t/h of dry solids unless the name says wet,
// water L/min.
//
// All relations follow from adding masses and volumes (no source needed beyond the
// definitions); their figures are checked against PU-01 to PU-19.
package pulp

import (
	"fmt"
	"math"
)

// WaterDensity is the density of water used where none is given, kg/m3.
const WaterDensity = 1000.0

// lpmPerTph: 1 t/h of water is 1000/60 L/min at 1 kg/L.
const lpmPerTph = 1000.0 / 60

// WaterLpm turns a water rate in t/h into L/min, at 1 kg/L.
func WaterLpm(tph float64) float64 { return tph * lpmPerTph }

// WaterTph turns a water flow in L/min into t/h, at 1 kg/L.
func WaterTph(lpm float64) float64 { return lpm / lpmPerTph }

// Density is the density, kg/m3, of a pulp with the given solids share by mass, of
// solids and liquid of the given densities.
func Density(solidsShare, solids, liquid float64) (float64, error) {
	if err := check(solidsShare, solids, liquid); err != nil {
		return 0, err
	}
	return 1 / (solidsShare/solids + (1-solidsShare)/liquid), nil
}

// SolidsByVolume is the share of the pulp's volume that is solids.
func SolidsByVolume(solidsShare, solids, liquid float64) (float64, error) {
	d, err := Density(solidsShare, solids, liquid)
	if err != nil {
		return 0, err
	}
	return d * solidsShare / solids, nil
}

// SolidsShare is the solids share by mass of a pulp of measured density.
func SolidsShare(pulp, solids, liquid float64) (float64, error) {
	switch {
	case !positive(pulp, solids, liquid):
		return 0, fmt.Errorf("pulp: densities %v, %v, %v kg/m3 must be above 0", pulp, solids, liquid)
	case solids == liquid:
		return 0, fmt.Errorf("pulp: solids and liquid have the same density (%v kg/m3), so the pulp's density says nothing", solids)
	}
	x := solids * (pulp - liquid) / (pulp * (solids - liquid))
	if !(x >= 0 && x <= 1) {
		return 0, fmt.Errorf("pulp: a pulp of %v kg/m3 cannot be made of solids of %v and liquid of %v kg/m3: check the density cup", pulp, solids, liquid)
	}
	return x, nil
}

// SolidsDensity is the density, kg/m3, of solids from the pulp's density and its
// solids share by mass.
func SolidsDensity(pulp, solidsShare, liquid float64) (float64, error) {
	if !positive(pulp, liquid) || !(solidsShare > 0 && solidsShare <= 1) {
		return 0, fmt.Errorf("pulp: density %v kg/m3 with solids share %v gives no solids density", pulp, solidsShare)
	}
	solidsVolume := 1/pulp - (1-solidsShare)/liquid // per kg of pulp
	if !(solidsVolume > 0) {
		return 0, fmt.Errorf("pulp: %v kg/m3 at a solids share of %v leaves no volume for solids: check both", pulp, solidsShare)
	}
	return solidsShare / solidsVolume, nil
}

// Dilution is mass of water over mass of solids.
func Dilution(solidsShare float64) (float64, error) {
	if !(solidsShare > 0 && solidsShare <= 1) {
		return 0, fmt.Errorf("pulp: solids share %v must be above 0 and at most 1", solidsShare)
	}
	return (1 - solidsShare) / solidsShare, nil
}

// FeedShare is the solids share of a feed of dryTph with the given water, for
// example a mill discharge. water includes the ore's own moisture.
func FeedShare(dryTph, waterLpm float64) (float64, error) {
	w := WaterTph(waterLpm)
	if !(dryTph >= 0 && w >= 0) || !(dryTph+w > 0) || math.IsInf(dryTph+w, 0) {
		return 0, fmt.Errorf("pulp: %v t/h with %v L/min has no share of solids", dryTph, waterLpm)
	}
	return dryTph / (dryTph + w), nil
}

// WaterFor is the water, L/min, that makes a dry feed into a pulp of the wanted
// solids share.
func WaterFor(dryTph, solidsShare float64) (lpm float64, err error) {
	d, err := Dilution(solidsShare)
	if err != nil {
		return 0, err
	}
	if !(dryTph >= 0) || math.IsInf(dryTph, 0) {
		return 0, fmt.Errorf("pulp: feed %v t/h must be a number of at least 0", dryTph)
	}
	return WaterLpm(dryTph * d), nil
}

// Addition is the water for a wet feed: what the ore brings and what must be added,
// both L/min. Add is negative where the ore is wetter than wanted.
type Addition struct{ InOreLpm, AddLpm float64 }

// WaterToAdd splits the water of WaterFor into the ore's own and the rest.
func WaterToAdd(wetTph, moisture, solidsShare float64) (Addition, error) {
	dry, err := DryMass(wetTph, moisture)
	if err != nil {
		return Addition{}, err
	}
	need, err := WaterFor(dry, solidsShare)
	if err != nil {
		return Addition{}, err
	}
	inOre := WaterLpm(wetTph - dry)
	return Addition{InOreLpm: inOre, AddLpm: need - inOre}, nil
}

// DryMass is the dry part of a wet mass (or rate), in the same unit.
func DryMass(wet, moisture float64) (float64, error) {
	if !(wet >= 0) || math.IsInf(wet, 0) || !(moisture >= 0 && moisture < 1) {
		return 0, fmt.Errorf("pulp: wet mass %v with moisture %v: mass must be at least 0 and moisture from 0 to below 1", wet, moisture)
	}
	return wet * (1 - moisture), nil
}

// Moisture is that of a sample weighed wet and dry: water over wet mass.
func Moisture(wet, dry float64) (float64, error) {
	if !(wet > 0 && dry > 0 && dry <= wet) || math.IsInf(wet, 0) {
		return 0, fmt.Errorf("pulp: wet %v and dry %v: dry must be above 0 and at most wet", wet, dry)
	}
	return (wet - dry) / wet, nil
}

// MoistureDryBasis turns moisture on the wet basis into water over dry mass.
func MoistureDryBasis(moisture float64) (float64, error) {
	if !(moisture >= 0 && moisture < 1) {
		return 0, fmt.Errorf("pulp: moisture %v must lie from 0 to below 1", moisture)
	}
	return moisture / (1 - moisture), nil
}

// Flow is a pulp's volume rate.
type Flow struct {
	M3ph           float64
	Lps            float64
	SolidsByVolume float64
}

// FlowOf is the volume rate of a dry feed with water, water at 1 kg/L.
func FlowOf(dryTph, solidsDensity, waterLpm float64) (Flow, error) {
	if !(dryTph >= 0 && waterLpm >= 0) || !positive(solidsDensity, dryTph+waterLpm) {
		return Flow{}, fmt.Errorf("pulp: %v t/h of %v kg/m3 with %v L/min has no volume rate", dryTph, solidsDensity, waterLpm)
	}
	solids := dryTph * 1000 / solidsDensity
	all := solids + waterLpm*60/1000
	return Flow{M3ph: all, Lps: all / 3.6, SolidsByVolume: solids / all}, nil
}

// SolidsRate is the dry solids, kg/h, in a pulp of volume rate m3ph and density kg/m3.
func SolidsRate(m3ph, pulp, solidsShare float64) (kgph float64, err error) {
	if !(m3ph >= 0) || math.IsInf(m3ph, 0) || !positive(pulp) || !(solidsShare >= 0 && solidsShare <= 1) {
		return 0, fmt.Errorf("pulp: %v m3/h of %v kg/m3 at solids share %v has no solids rate", m3ph, pulp, solidsShare)
	}
	return m3ph * pulp * solidsShare, nil
}

// Catch is a timed catch: litres of pulp in seconds, with the pulp's density.
type Catch struct {
	SolidsShare float64
	M3ph        float64
	SolidsKgph  float64
}

// TimedCatch works out a catch of all of a stream in a can (bucket and stopwatch).
func TimedCatch(litres, seconds, pulpDensity, solids, liquid float64) (Catch, error) {
	if !positive(litres, seconds) {
		return Catch{}, fmt.Errorf("pulp: %v L in %v s is no catch: both must be above 0", litres, seconds)
	}
	x, err := SolidsShare(pulpDensity, solids, liquid)
	if err != nil {
		return Catch{}, err
	}
	q := litres / seconds * 3.6
	return Catch{SolidsShare: x, M3ph: q, SolidsKgph: q * pulpDensity * x}, nil
}

// Split is a feed divided by its dilutions.
type Split struct {
	UnderflowTph, OverflowTph float64
	UnderflowShare            float64 // of the feed's solids
}

// SplitByDilution is how a classifier divides dry solids, from the solids share by
// mass of its feed, underflow and overflow (water balance).
func SplitByDilution(feedTph, feedShare, underflowShare, overflowShare float64) (Split, error) {
	var d [3]float64
	for i, x := range []float64{feedShare, underflowShare, overflowShare} {
		var err error
		if d[i], err = Dilution(x); err != nil {
			return Split{}, err
		}
	}
	feed, under, over := d[0], d[1], d[2]
	if !(feedTph >= 0) || math.IsInf(feedTph, 0) || over == under || (feed-under)*(over-feed) < 0 {
		return Split{}, fmt.Errorf("pulp: the feed's dilution (%.3g) must lie between underflow (%.3g) and overflow (%.3g): check the density cups", feed, under, over)
	}
	share := (over - feed) / (over - under)
	return Split{UnderflowTph: feedTph * share, OverflowTph: feedTph * (1 - share), UnderflowShare: share}, nil
}

func check(share, solids, liquid float64) error {
	if !(share >= 0 && share <= 1) {
		return fmt.Errorf("pulp: solids share %v must lie from 0 to 1", share)
	}
	if !positive(solids, liquid) {
		return fmt.Errorf("pulp: densities %v and %v kg/m3 must be above 0", solids, liquid)
	}
	return nil
}

func positive(vs ...float64) bool {
	for _, v := range vs {
		if !(v > 0) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
