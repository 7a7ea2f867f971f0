// Package settling says how fast grains sink and how easily heavy ones part from
// light ones. Diameters um, densities kg/m3, velocities m/s.
package settling

import (
	"fmt"
	"math"
)

// Gravity is the standard acceleration, m/s2 (UN-24).
const Gravity = 9.80665

// Fluid is what grains sink in.
type Fluid struct {
	Density   float64 // kg/m3
	Viscosity float64 // Pa s
}

// Water20C is water at 20 degC.
var Water20C = Fluid{Density: 998.2, Viscosity: 0.001002}

// Velocity is a terminal velocity with its Reynolds number, and whether the law that
// gave it holds there.
type Velocity struct {
	Mps      float64
	Reynolds float64
	InRange  bool   // the law holds at this Reynolds number
	Warning  string // empty when InRange
}

// StokesLimit is the Reynolds number above which Stokes' law overstates.
const StokesLimit = 0.2

// Stokes is the terminal velocity of a small sphere, v = g (s - f) d^2 / (18 mu)
// (ST-01 to ST-06). Above Reynolds 0.2 it overstates and says so.
func Stokes(diameterUm, solid float64, f Fluid) (Velocity, error) {
	if err := f.check(diameterUm, solid); err != nil {
		return Velocity{}, err
	}
	d := diameterUm * 1e-6
	v := Gravity * (solid - f.Density) * d * d / (18 * f.Viscosity)
	out := Velocity{Mps: v, Reynolds: f.reynolds(v, d), InRange: true}
	if out.Reynolds > StokesLimit {
		out.InRange = false
		out.Warning = "too fast for Stokes' law, which overstates here"
	}
	return out, nil
}

// StokesDiameter is the diameter, um, of the smallest sphere that sinks at least
// that fast in still water by Stokes' law: what a pond with that overflow rate holds
// back at best.
func StokesDiameter(mps, solid float64, f Fluid) (um float64, err error) {
	if err := f.check(1, solid); err != nil {
		return 0, err
	}
	if !(mps > 0) || math.IsInf(mps, 0) || !(solid > f.Density) {
		return 0, fmt.Errorf("settling: nothing of %v kg/m3 sinks at %v m/s in a fluid of %v kg/m3", solid, mps, f.Density)
	}
	return 1e6 * math.Sqrt(18*f.Viscosity*mps/(Gravity*(solid-f.Density))), nil
}

// SchillerNaumann is the terminal velocity of a sphere with the drag
// Cd = 24/Re (1 + 0.15 Re^0.687), which holds to Reynolds 1000 (Schiller and
// Naumann 1933, from memory; ST-07 to ST-12). The solid must be denser than the fluid.
func SchillerNaumann(diameterUm, solid float64, f Fluid) (Velocity, error) {
	s, err := Stokes(diameterUm, solid, f)
	if err != nil {
		return Velocity{}, err
	}
	if !(solid > f.Density) {
		return Velocity{}, fmt.Errorf("settling: a grain of %v kg/m3 does not sink in a fluid of %v kg/m3", solid, f.Density)
	}
	d := diameterUm * 1e-6
	// Drag only adds to Stokes', so v lies between 0 and Stokes' velocity, and
	// v (1 + 0.15 Re^0.687) rises with v: bisect to the last bit.
	lo, hi := 0.0, s.Mps
	for range 200 {
		v := (lo + hi) / 2
		if v == lo || v == hi {
			break
		}
		if v*(1+0.15*math.Pow(f.reynolds(v, d), 0.687)) < s.Mps {
			lo = v
		} else {
			hi = v
		}
	}
	out := Velocity{Mps: (lo + hi) / 2, InRange: true}
	out.Reynolds = f.reynolds(out.Mps, d)
	if out.Reynolds > 1000 {
		out.InRange = false
		out.Warning = "Reynolds number above 1000: the drag law does not hold"
	}
	return out, nil
}

// Drag factor C2 of Ferguson and Church.
const (
	SphereC2  = 0.4
	NaturalC2 = 1.0 // natural grains, by sieve diameter
)

// FergusonChurch is the settling velocity, m/s, of grains by
// v = R g d^2 / (18 nu + sqrt(0.75 C2 R g d^3)) with R the submerged relative
// density (Ferguson and Church 2004, J. Sediment. Res. 74, 933, from memory; ST-13,
// ST-14). It holds from clay to gravel.
func FergusonChurch(diameterUm, solid, c2 float64, f Fluid) (mps float64, err error) {
	if err := f.check(diameterUm, solid); err != nil {
		return 0, err
	}
	if !(solid > f.Density) || !(c2 > 0) || math.IsInf(c2, 0) {
		return 0, fmt.Errorf("settling: a grain of %v kg/m3 with C2 %v does not sink in a fluid of %v kg/m3", solid, c2, f.Density)
	}
	d := diameterUm * 1e-6
	r := (solid - f.Density) / f.Density
	nu := f.Viscosity / f.Density
	return r * Gravity * d * d / (18*nu + math.Sqrt(0.75*c2*r*Gravity*d*d*d)), nil
}

// RichardsonZaki is the velocity of grains that hinder each other, from that of one
// alone and the solids share by volume: v (1 - cv)^n (Richardson and Zaki 1954, from
// memory; ST-15). Exponent gives n.
func RichardsonZaki(freeMps, solidsByVolume, n float64) (mps float64, err error) {
	if !(freeMps >= 0) || math.IsInf(freeMps, 0) || !(solidsByVolume >= 0 && solidsByVolume < 1) || !(n > 0) || math.IsInf(n, 0) {
		return 0, fmt.Errorf("settling: %v m/s at a solids share by volume of %v has no hindered velocity", freeMps, solidsByVolume)
	}
	return freeMps * math.Pow(1-solidsByVolume, n), nil
}

// Exponent is Richardson and Zaki's n from the Reynolds number of one grain alone,
// in a wide vessel (from memory of the 1954 paper's ranges).
func Exponent(reynolds float64) float64 {
	switch {
	case !(reynolds >= 0.2):
		return 4.65
	case reynolds < 1:
		return 4.4 * math.Pow(reynolds, -0.03)
	case reynolds < 500:
		return 4.4 * math.Pow(reynolds, -0.1)
	}
	return 2.4
}

func (f Fluid) reynolds(v, d float64) float64 { return f.Density * v * d / f.Viscosity }

func (f Fluid) check(diameterUm, solid float64) error {
	for _, v := range []float64{diameterUm, solid, f.Density, f.Viscosity} {
		if !(v > 0) || math.IsInf(v, 0) {
			return fmt.Errorf("settling: diameter %v um, density %v kg/m3, fluid %v kg/m3 and %v Pa s must all be above 0", diameterUm, solid, f.Density, f.Viscosity)
		}
	}
	return nil
}

// Ease says how easily gravity parts two minerals.
type Ease string

const (
	Easy        Ease = "easy"
	Possible    Ease = "possible"
	NotPossible Ease = "not possible"
)

// Criterion is the concentration criterion and what it says.
type Criterion struct {
	Value  float64
	Ease   Ease
	DownUm float64 // separation works down to about this size; 0: at no size
}

// ConcentrationCriterion is (heavy - fluid)/(light - fluid) with its class. Densities
// in one unit; the classes hold for water. Class limits: Taggart, Handbook of
// Mineral Dressing, 1945, as quoted in later texts (from memory; only the limit 2.5
// was seen; CC-01 to CC-08). Flaky gold and slimes do worse than the class says.
func ConcentrationCriterion(heavy, light, fluid float64) (Criterion, error) {
	if !(fluid > 0) || !(light > fluid) || !(heavy > fluid) || math.IsInf(heavy, 0) || math.IsInf(light, 0) {
		return Criterion{}, fmt.Errorf("settling: densities %v, %v and fluid %v: both minerals must be denser than the fluid", heavy, light, fluid)
	}
	v := (heavy - fluid) / (light - fluid)
	switch {
	case v > 2.5:
		return Criterion{v, Easy, 75}, nil
	case v > 1.75:
		return Criterion{v, Possible, 150}, nil
	case v > 1.5:
		return Criterion{v, Possible, 1700}, nil
	case v > 1.25:
		return Criterion{v, Possible, 6350}, nil
	}
	return Criterion{v, NotPossible, 0}, nil
}

func (c Criterion) String() string {
	if c.DownUm == 0 {
		return string(c.Ease)
	}
	return fmt.Sprintf("%s, to %.0f um", c.Ease, c.DownUm)
}
