package pulp

import (
	"math"
	"os"
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

// relation is one check value: what is computed from its inputs, by expected name.
type relation struct {
	id   string
	want map[string]func(c checkvalue.Check) (float64, error)
}

func TestCheckValues(t *testing.T) {
	set := checks(t)
	kg := func(sg float64) float64 { return 1000 * sg }
	for _, r := range []relation{
		{"PU-01", map[string]func(checkvalue.Check) (float64, error){
			"pulp_sg": func(c checkvalue.Check) (float64, error) {
				d, err := Density(c.In("solids_mass_fraction"), kg(c.In("solids_sg")), WaterDensity)
				return d / 1000, err
			},
			"water_to_solids": func(c checkvalue.Check) (float64, error) { return Dilution(c.In("solids_mass_fraction")) },
		}},
		{"PU-02", map[string]func(checkvalue.Check) (float64, error){
			"pulp_sg": func(c checkvalue.Check) (float64, error) {
				d, err := Density(c.In("solids_mass_fraction"), kg(c.In("solids_sg")), kg(c.In("liquid_sg")))
				return d / 1000, err
			},
			"solids_volume_fraction": func(c checkvalue.Check) (float64, error) {
				return SolidsByVolume(c.In("solids_mass_fraction"), kg(c.In("solids_sg")), kg(c.In("liquid_sg")))
			},
		}},
		{"PU-03", map[string]func(checkvalue.Check) (float64, error){
			"pulp_kgpm3": func(c checkvalue.Check) (float64, error) {
				return Density(c.In("solids_mass_fraction"), kg(c.In("solids_sg")), WaterDensity)
			},
		}},
		{"PU-04", map[string]func(checkvalue.Check) (float64, error){
			"solids_volume_fraction": func(c checkvalue.Check) (float64, error) {
				return SolidsByVolume(c.In("solids_mass_fraction"), kg(c.In("solids_sg")), WaterDensity)
			},
		}},
		{"PU-05", map[string]func(checkvalue.Check) (float64, error){
			"water_to_solids": func(c checkvalue.Check) (float64, error) { return Dilution(c.In("solids_mass_fraction")) },
		}},
		{"PU-06", map[string]func(checkvalue.Check) (float64, error){
			// Displacement: solids alone, no liquid in the pulp.
			"density": func(c checkvalue.Check) (float64, error) {
				return SolidsDensity(c.In("mass_g")/c.In("volume_ml"), 1, 1)
			},
		}},
		{"PU-07", map[string]func(checkvalue.Check) (float64, error){
			"solids_mass_fraction": func(c checkvalue.Check) (float64, error) { x, err := catch(c); return x.SolidsShare, err },
			"pulp_m3ph":            func(c checkvalue.Check) (float64, error) { x, err := catch(c); return x.M3ph, err },
			"solids_kgph":          func(c checkvalue.Check) (float64, error) { x, err := catch(c); return x.SolidsKgph, err },
		}},
		{"PU-08", map[string]func(checkvalue.Check) (float64, error){
			"solids1_kgph": func(c checkvalue.Check) (float64, error) { return sump(c, "flow1_m3ph", "x1") },
			"solids2_kgph": func(c checkvalue.Check) (float64, error) { return sump(c, "flow2_m3ph", "x2") },
			"total_tph": func(c checkvalue.Check) (float64, error) {
				a, err := sump(c, "flow1_m3ph", "x1")
				if err != nil {
					return 0, err
				}
				b, err := sump(c, "flow2_m3ph", "x2")
				return (a + b) / 1000, err
			},
		}},
		{"PU-09", map[string]func(checkvalue.Check) (float64, error){
			"pulp_m3ph": tank,
			"tank_m3": func(c checkvalue.Check) (float64, error) {
				q, err := tank(c)
				return q * c.In("minutes") / 60, err
			},
		}},
		{"PU-10", map[string]func(checkvalue.Check) (float64, error){
			"underflow_tph":      func(c checkvalue.Check) (float64, error) { s, err := split(c); return s.UnderflowTph, err },
			"overflow_tph":       func(c checkvalue.Check) (float64, error) { s, err := split(c); return s.OverflowTph, err },
			"underflow_fraction": func(c checkvalue.Check) (float64, error) { s, err := split(c); return s.UnderflowShare, err },
		}},
		{"PU-11", map[string]func(checkvalue.Check) (float64, error){
			"solids_sg": func(c checkvalue.Check) (float64, error) {
				d, err := SolidsDensity(kg(c.In("pulp_sg")), c.In("solids_mass_fraction"), WaterDensity)
				return d / 1000, err
			},
		}},
		{"PU-12", map[string]func(checkvalue.Check) (float64, error){
			"water_lpm": func(c checkvalue.Check) (float64, error) {
				return WaterFor(c.In("dry_tph"), c.In("solids_mass_fraction"))
			},
			"water_m3ph": func(c checkvalue.Check) (float64, error) {
				w, err := WaterFor(c.In("dry_tph"), c.In("solids_mass_fraction"))
				return WaterTph(w), err
			},
		}},
		{"PU-13", map[string]func(checkvalue.Check) (float64, error){
			"water_in_ore_lpm": func(c checkvalue.Check) (float64, error) { a, err := addition(c); return a.InOreLpm, err },
			"added_water_lpm":  func(c checkvalue.Check) (float64, error) { a, err := addition(c); return a.AddLpm, err },
		}},
		{"PU-14", map[string]func(checkvalue.Check) (float64, error){
			"dry_t": func(c checkvalue.Check) (float64, error) { return DryMass(c.In("wet_t"), c.In("moisture_wet_basis")) },
			"water_t": func(c checkvalue.Check) (float64, error) {
				d, err := DryMass(c.In("wet_t"), c.In("moisture_wet_basis"))
				return c.In("wet_t") - d, err
			},
			"moisture_dry_basis": func(c checkvalue.Check) (float64, error) { return MoistureDryBasis(c.In("moisture_wet_basis")) },
		}},
		{"PU-15", map[string]func(checkvalue.Check) (float64, error){
			"moisture_wet_basis": func(c checkvalue.Check) (float64, error) { return Moisture(c.In("wet_g"), c.In("dry_g")) },
			"moisture_dry_basis": func(c checkvalue.Check) (float64, error) {
				w, err := Moisture(c.In("wet_g"), c.In("dry_g"))
				if err != nil {
					return 0, err
				}
				return MoistureDryBasis(w)
			},
		}},
		{"PU-16", map[string]func(checkvalue.Check) (float64, error){
			"solids_mass_fraction": func(c checkvalue.Check) (float64, error) {
				return SolidsShare(kg(c.In("pulp_sg")), kg(c.In("solids_sg")), WaterDensity)
			},
			"solids_volume_fraction": func(c checkvalue.Check) (float64, error) {
				x, err := SolidsShare(kg(c.In("pulp_sg")), kg(c.In("solids_sg")), WaterDensity)
				if err != nil {
					return 0, err
				}
				return SolidsByVolume(x, kg(c.In("solids_sg")), WaterDensity)
			},
		}},
		{"PU-17", mill},
		{"PU-18", mill},
		{"PU-19", map[string]func(checkvalue.Check) (float64, error){
			"flow_lps":               func(c checkvalue.Check) (float64, error) { f, err := launder(c); return f.Lps, err },
			"solids_volume_fraction": func(c checkvalue.Check) (float64, error) { f, err := launder(c); return f.SolidsByVolume, err },
		}},
	} {
		t.Run(r.id, func(t *testing.T) {
			c := set.Get(r.id)
			require.Len(t, r.want, len(c.Expected), "every expected value is compared")
			for name, compute := range r.want {
				got, err := compute(c)
				require.NoError(t, err)
				require.NoError(t, c.Compare(name, got))
			}
		})
	}
}

var mill = map[string]func(checkvalue.Check) (float64, error){
	"solids_mass_fraction": func(c checkvalue.Check) (float64, error) {
		return FeedShare(c.In("dry_tph"), c.In("mill_water_lpm"))
	},
	"water_tph": func(c checkvalue.Check) (float64, error) { return WaterTph(c.In("mill_water_lpm")), nil },
}

func catch(c checkvalue.Check) (Catch, error) {
	return TimedCatch(c.In("can_l"), c.In("seconds"), c.In("pulp_kgpm3"), c.In("solids_kgpm3"), c.In("water_kgpm3"))
}

func sump(c checkvalue.Check, flow, x string) (float64, error) {
	d, err := Density(c.In(x), c.In("solids_kgpm3"), WaterDensity)
	if err != nil {
		return 0, err
	}
	return SolidsRate(c.In(flow), d, c.In(x))
}

func tank(c checkvalue.Check) (float64, error) {
	w, err := WaterFor(c.In("solids_tph"), c.In("solids_mass_fraction"))
	if err != nil {
		return 0, err
	}
	f, err := FlowOf(c.In("solids_tph"), 1000*c.In("solids_sg"), w)
	return f.M3ph, err
}

func split(c checkvalue.Check) (Split, error) {
	return SplitByDilution(c.In("feed_tph"), c.In("feed_x"), c.In("underflow_x"), c.In("overflow_x"))
}

func addition(c checkvalue.Check) (Addition, error) {
	return WaterToAdd(c.In("wet_tph"), c.In("moisture_wet_basis"), c.In("solids_mass_fraction"))
}

func launder(c checkvalue.Check) (Flow, error) {
	return FlowOf(c.In("solids_tph"), c.In("solids_kgpm3"), c.In("water_lpm"))
}

// What goes in comes out: share -> density -> share, over the whole range.
func TestDensityAndShareInvert(t *testing.T) {
	for x := 0.01; x < 1; x += 0.03 {
		d, err := Density(x, 2650, 998.2)
		require.NoError(t, err)
		back, err := SolidsShare(d, 2650, 998.2)
		require.NoError(t, err)
		require.InDelta(t, x, back, 1e-12)
		solids, err := SolidsDensity(d, x, 998.2)
		require.NoError(t, err)
		require.InDelta(t, 2650, solids, 1e-6)
	}
}

func TestRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, f := range map[string]func() (float64, error){
		"share above one":          func() (float64, error) { return Density(1.2, 2650, 1000) },
		"share not a number":       func() (float64, error) { return Density(nan, 2650, 1000) },
		"no density":               func() (float64, error) { return Density(0.3, 0, 1000) },
		"by volume":                func() (float64, error) { return SolidsByVolume(0.3, inf, 1000) },
		"pulp lighter than water":  func() (float64, error) { return SolidsShare(900, 2650, 1000) },
		"pulp heavier than solids": func() (float64, error) { return SolidsShare(3000, 2650, 1000) },
		"same densities":           func() (float64, error) { return SolidsShare(1000, 1000, 1000) },
		"pulp not a number":        func() (float64, error) { return SolidsShare(nan, 2650, 1000) },
		"no solids":                func() (float64, error) { return SolidsDensity(1200, 0, 1000) },
		"no volume left":           func() (float64, error) { return SolidsDensity(2500, 0.3, 1000) },
		"dilution of water":        func() (float64, error) { return Dilution(0) },
		"no feed, no water":        func() (float64, error) { return FeedShare(0, 0) },
		"negative water":           func() (float64, error) { return FeedShare(2, -1) },
		"infinite water":           func() (float64, error) { return FeedShare(2, inf) },
		"negative feed":            func() (float64, error) { return WaterFor(-1, 0.25) },
		"all water":                func() (float64, error) { return WaterFor(1, 0) },
		"all moisture":             func() (float64, error) { return DryMass(1, 1) },
		"mass not a number":        func() (float64, error) { return DryMass(nan, 0.1) },
		"dry above wet":            func() (float64, error) { return Moisture(1, 1.1) },
		"moisture of per cent":     func() (float64, error) { return MoistureDryBasis(6) },
		"no pulp density":          func() (float64, error) { return SolidsRate(1, 0, 0.3) },
		"flow of nothing":          func() (float64, error) { f, err := FlowOf(0, 2650, 0); return f.Lps, err },
		"empty can":                func() (float64, error) { c, err := TimedCatch(0, 7, 1400, 2650, 1000); return c.M3ph, err },
		"can too light":            func() (float64, error) { c, err := TimedCatch(1, 7, 900, 2650, 1000); return c.M3ph, err },
		"split outside":            func() (float64, error) { s, err := SplitByDilution(20, 0.6, 0.5, 0.15); return s.UnderflowTph, err },
		"split of nothing":         func() (float64, error) { s, err := SplitByDilution(20, 0.3, 0.3, 0.3); return s.UnderflowTph, err },
		"split without share":      func() (float64, error) { s, err := SplitByDilution(20, 0, 0.5, 0.15); return s.UnderflowTph, err },
		"wet of per cent":          func() (float64, error) { a, err := WaterToAdd(1, 6, 0.25); return a.AddLpm, err },
		"addition without share":   func() (float64, error) { a, err := WaterToAdd(1, 0.06, 0); return a.AddLpm, err },
	} {
		t.Run(name, func(t *testing.T) {
			got, err := f()
			require.ErrorContains(t, err, "pulp: ")
			require.Zero(t, got)
		})
	}
}
