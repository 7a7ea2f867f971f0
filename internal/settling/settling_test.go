package settling

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/checkvalue"
)

func checks(t *testing.T) checkvalue.Set {
	t.Helper()
	data, err := os.ReadFile("../../testdata/check-values/metallurgy.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	return set
}

func fluid(c checkvalue.Check) Fluid {
	return Fluid{Density: c.In("water_kgpm3"), Viscosity: c.In("viscosity_pas")}
}

// ST-01 to ST-06 Stokes, ST-07 to ST-12 Schiller-Naumann.
func TestVelocities(t *testing.T) {
	set := checks(t)
	for i := 1; i <= 12; i++ {
		id := fmt.Sprintf("ST-%02d", i)
		t.Run(id, func(t *testing.T) {
			c := set.Get(id)
			law := Stokes
			if i > 6 {
				law = SchillerNaumann
			}
			v, err := law(c.In("diameter_um"), c.In("solid_kgpm3"), fluid(c))
			require.NoError(t, err)
			require.NoError(t, c.Compare("velocity_mps", v.Mps))
			require.NoError(t, c.Compare("reynolds", v.Reynolds))
			overstates := strings.Contains(c.Note+c.Source, "Stokes overstates")
			require.Equal(t, !overstates, v.InRange)
			require.Equal(t, overstates, v.Warning != "")
		})
	}
}

func TestFergusonChurch(t *testing.T) {
	set := checks(t)
	for _, id := range []string{"ST-13", "ST-14"} {
		c := set.Get(id)
		for name, c2 := range map[string]float64{"sphere_mps": SphereC2, "natural_mps": NaturalC2} {
			v, err := FergusonChurch(c.In("diameter_um"), c.In("solid_kgpm3"), c2, fluid(c))
			require.NoError(t, err)
			require.NoError(t, c.Compare(name, v))
		}
	}
}

// A very small grain settles by Stokes whichever law is asked.
func TestLawsMeetForFineGrains(t *testing.T) {
	s, err := Stokes(2, 2650, Water20C)
	require.NoError(t, err)
	n, err := SchillerNaumann(2, 2650, Water20C)
	require.NoError(t, err)
	f, err := FergusonChurch(2, 2650, SphereC2, Water20C)
	require.NoError(t, err)
	require.InEpsilon(t, s.Mps, n.Mps, 2e-3)
	require.InEpsilon(t, s.Mps, f, 2e-3)
}

func TestStokesDiameterInvertsStokes(t *testing.T) {
	v, err := Stokes(7.2, 2650, Water20C)
	require.NoError(t, err)
	um, err := StokesDiameter(v.Mps, 2650, Water20C)
	require.NoError(t, err)
	require.InDelta(t, 7.2, um, 1e-9)
}

func TestRichardsonZaki(t *testing.T) {
	c := checks(t).Get("ST-15")
	v, err := RichardsonZaki(c.In("free_mps"), c.In("solids_volume_fraction"), Exponent(0.01))
	require.NoError(t, err)
	require.NoError(t, c.Compare("hindered_mps", v))
	// The exponent falls from 4.65 to 2.4 with the Reynolds number and barely steps.
	last := 4.65
	for _, re := range []float64{0.1, 0.3, 0.9, 1.1, 10, 100, 499, 501, 1e5} {
		n := Exponent(re)
		require.LessOrEqual(t, n, last+0.04, "at Re %v", re)
		require.GreaterOrEqual(t, n, 2.35)
		last = n
	}
	require.Equal(t, 4.65, Exponent(math.NaN()))
}

func TestConcentrationCriterion(t *testing.T) {
	set := checks(t)
	for i := 1; i <= 7; i++ {
		c := set.Get(fmt.Sprintf("CC-%02d", i))
		k, err := ConcentrationCriterion(c.In("heavy"), c.In("light"), c.In("fluid"))
		require.NoError(t, err)
		require.NoError(t, c.Compare("criterion", k.Value))
		require.Equal(t, c.Expected["ease"], k.String())
	}
	// CC-08: the class limits.
	for criterion, want := range map[float64]string{
		2.6: "easy, to 75 um", 2.0: "possible, to 150 um", 1.6: "possible, to 1700 um",
		1.3: "possible, to 6350 um", 1.2: "not possible",
	} {
		k, err := ConcentrationCriterion(1+criterion, 2, 1)
		require.NoError(t, err)
		require.Equal(t, want, k.String())
	}
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	for name, f := range map[string]func() (float64, error){
		"no diameter":          func() (float64, error) { v, err := Stokes(0, 2650, Water20C); return v.Mps, err },
		"not a number":         func() (float64, error) { v, err := Stokes(nan, 2650, Water20C); return v.Mps, err },
		"no viscosity":         func() (float64, error) { v, err := SchillerNaumann(10, 2650, Fluid{Density: 1000}); return v.Mps, err },
		"floats":               func() (float64, error) { v, err := SchillerNaumann(10, 900, Water20C); return v.Mps, err },
		"floats, other law":    func() (float64, error) { return FergusonChurch(10, 900, 1, Water20C) },
		"no drag factor":       func() (float64, error) { return FergusonChurch(10, 2650, 0, Water20C) },
		"drag, no diameter":    func() (float64, error) { return FergusonChurch(0, 2650, 1, Water20C) },
		"nothing sinks":        func() (float64, error) { return StokesDiameter(1e-4, 900, Water20C) },
		"overflow zero":        func() (float64, error) { return StokesDiameter(0, 2650, Water20C) },
		"pond without density": func() (float64, error) { return StokesDiameter(1e-4, 0, Water20C) },
		"all solids":           func() (float64, error) { return RichardsonZaki(0.002, 1, 4.65) },
		"free not a number":    func() (float64, error) { return RichardsonZaki(nan, 0.1, 4.65) },
		"light floats":         func() (float64, error) { k, err := ConcentrationCriterion(19.3, 0.9, 1); return k.Value, err },
	} {
		t.Run(name, func(t *testing.T) {
			got, err := f()
			require.ErrorContains(t, err, "settling: ")
			require.Zero(t, got)
		})
	}
	// Stokes rises for what floats: a negative velocity, not an error.
	v, err := Stokes(10, 900, Water20C)
	require.NoError(t, err)
	require.Negative(t, v.Mps)
}
