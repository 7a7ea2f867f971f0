package fit

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// study makes runs of one published table.
func study(y []float64, blocks []string, settings map[string][]float64) []runs.Run {
	var all []runs.Run
	for i := range y {
		r := runs.Run{ID: fmt.Sprint(i + 1), OreSource: "published", Settings: map[string]float64{}, Recovery: ptr(y[i])}
		if blocks != nil {
			r.Block = blocks[i]
		}
		for name, v := range settings {
			r.Settings[name] = v[i]
		}
		all = append(all, r)
	}
	return all
}

func setting(name string, low, high, resolution float64) plant.Setting {
	return plant.Setting{Name: name, Min: low, Max: high, Resolution: resolution}
}

func bench(settings ...plant.Setting) *plant.Plant {
	return &plant.Plant{File: "plant.toml", Settings: settings}
}

func coefficients(so SecondOrder) map[string]Term {
	m := map[string]Term{}
	for _, t := range so.Terms {
		m[t.Name] = t
	}
	return m
}

type rsmReference struct {
	B      []float64 `toml:"b"`
	SE     []float64 `toml:"standard_error"`
	R2     float64   `toml:"r_squared"`
	RSS    float64   `toml:"residual_sum_of_squares"`
	DF     int       `toml:"residual_degrees_of_freedom"`
	LackF  float64   `toml:"lack_of_fit_F"`
	LackDF int       `toml:"lack_of_fit_degrees_of_freedom"`
	PureDF int       `toml:"pure_error_degrees_of_freedom"`
	Point  []float64 `toml:"stationary_point_coded"`
	At     float64   `toml:"predicted_at_stationary_point_block1"`
	Eigen  []float64 `toml:"eigenvalues"`
}

// exact is for an exact method on few rows: only rounding may differ.
const exact = 1e-9

func requireReference(t *testing.T, want rsmReference, names []string, r Result, p *plant.Plant) {
	t.Helper()
	got := coefficients(r.SecondOrder)
	order := append([]string{"1", "block:" + r.SecondOrder.Terms[1].Name[len("block:"):]}, names...)
	for i, a := range names {
		for _, b := range names[i+1:] {
			order = append(order, a+"*"+b)
		}
	}
	for _, a := range names {
		order = append(order, a+"^2")
	}
	require.Len(t, r.SecondOrder.Terms, len(want.B))
	for i, name := range order {
		require.InDelta(t, want.B[i], got[name].Coefficient, 1e-8, name)
		require.InDelta(t, want.SE[i], *got[name].SE, 1e-8, name)
	}
	so := r.SecondOrder
	require.InDelta(t, want.R2, *so.RSquared, exact)
	require.InDelta(t, math.Sqrt(want.RSS/float64(want.DF)), *so.ResidualSD, exact)
	require.InDelta(t, want.LackF, so.LackOfFit.F, 1e-6)
	require.Equal(t, [2]int{want.LackDF, want.PureDF}, so.LackOfFit.DF)
	require.InDeltaSlice(t, want.Eigen, so.Eigenvalues, 1e-8)
	for i, name := range names {
		require.InDelta(t, want.Point[i], code(p.Settings[i], so.StationaryPoint[name]), 1e-7)
	}
	require.Empty(t, so.NotEstimable)
}

// Check value RS-01: Myers, Montgomery and Anderson-Cook 2009, table 7.6.
func TestChemicalReaction(t *testing.T) {
	data, words := table(t, "published/chem-reaction-ccd.csv")
	var ref map[string]rsmReference
	readRSM(t, &ref)
	p := bench(setting("time", 80, 90, 0.01), setting("temp", 170, 180, 0.01))
	all := study(data["yield_pct"], words["block"], map[string][]float64{"time": data["time_min"], "temp": data["temp_c"]})
	r, err := Fit(p, all, "published")
	require.NoError(t, err)
	requireReference(t, ref["chemreact"], []string{"time", "temp"}, r, p)
	so := r.SecondOrder
	require.Equal(t, "maximum", so.StationaryKind)
	require.True(t, so.StationaryInside)
	const digits = 5e-5 // as printed
	require.InDelta(t, 86.86148, so.StationaryPoint["time"], digits)
	require.InDelta(t, 176.67190, so.StationaryPoint["temp"], digits)
	require.InDelta(t, 0.9964, *so.AdjustedRSquared, digits)
	require.InDelta(t, 0.9922, *so.PredictiveRSquared, digits)
	require.InDelta(t, 0.6851, so.LackOfFit.P, digits)
	require.InDelta(t, 0.1632, *so.ResidualSD, digits)
	require.Equal(t, map[string]float64{"time": 86.86, "temp": 176.67}, r.BestInside.Settings)
	require.InDelta(t, ref["chemreact"].At, *r.BestInside.Recovery.Mean, 1e-5)
	require.Empty(t, r.BestInside.AtBounds)
	require.Contains(t, r.Warnings[0], "Outside 80 to 90")

	t.Run("without the blocks the fit is worth nothing, and says so", func(t *testing.T) {
		all := study(data["yield_pct"], nil, map[string][]float64{"time": data["time_min"], "temp": data["temp_c"]})
		r, err := Fit(p, all, "published")
		require.NoError(t, err)
		require.InDelta(t, -1.30816, coefficients(r.SecondOrder)["time^2"].Coefficient, 5e-4)
		require.InDelta(t, 0.2826, *r.SecondOrder.RSquared, digits)
		require.Negative(t, *r.SecondOrder.AdjustedRSquared)
		require.InDelta(t, 2.95, *r.SecondOrder.ResidualSD, 0.005)
		require.Contains(t, fmt.Sprint(r.Warnings), "Over-fitted")
	})
	t.Run("first block alone: squares cannot be told apart", func(t *testing.T) {
		r, err := Fit(p, all[:7], "published")
		require.NoError(t, err)
		require.Equal(t, []string{"temp^2"}, r.SecondOrder.NotEstimable)
		require.Contains(t, fmt.Sprint(r.Warnings), "temp^2 cannot be told apart from time^2.")
		got := coefficients(r.SecondOrder)
		require.InDelta(t, 0.875, got["time"].Coefficient, exact)
		require.InDelta(t, 0.625, got["temp"].Coefficient, exact)
		require.Equal(t, "none", r.SecondOrder.StationaryKind)
	})
}

// Check value RS-02: Box, Hunter and Hunter 2005, table 12.5: a saddle.
func TestHelicopter(t *testing.T) {
	data, words := table(t, "published/helicopter.csv")
	var ref map[string]rsmReference
	readRSM(t, &ref)
	names := []string{"x1", "x2", "x3", "x4"}
	var settings []plant.Setting
	columns := map[string][]float64{}
	for _, n := range names {
		settings = append(settings, setting(n, -1, 1, 0.01))
		columns[n] = data[n]
	}
	p := bench(settings...)
	r, err := Fit(p, study(data["ave"], words["block"], columns), "published")
	require.NoError(t, err)
	requireReference(t, ref["helicopter"], names, r, p)
	require.Equal(t, "saddle", r.SecondOrder.StationaryKind)
	require.Contains(t, fmt.Sprint(r.Warnings), "saddle, not an optimum")
	require.NotEmpty(t, r.BestInside.AtBounds)
	// The ridge path at radius 1 lies inside the box: the box's best is no worse.
	require.Greater(t, *r.BestInside.Recovery.Mean, 382.6754866)
}

// readRSM reads the two fits; the file also has a table of designs.
func readRSM(t *testing.T, into *map[string]rsmReference) {
	t.Helper()
	var file struct {
		Chemreact  rsmReference `toml:"chemreact"`
		Helicopter rsmReference `toml:"helicopter"`
	}
	readTOML(t, "published/rsm-reference.toml", &file)
	*into = map[string]rsmReference{"chemreact": file.Chemreact, "helicopter": file.Helicopter}
}

// Akar Sen 2016: the printed predictions are a second-order surface, and the best
// lies on the boundary while the stationary point is a saddle.
func TestChromite(t *testing.T) {
	data, _ := table(t, "published/centrifugal-chromite-partial.csv")
	var models struct {
		Chromite map[string]any `toml:"chromite"`
	}
	readTOML(t, "published/table-models.toml", &models)
	p := bench(setting("water", 4, 12, 0.1), setting("g", 60, 120, 1), setting("feed", 12, 36, 1))
	columns := map[string][]float64{"water": data["fluid_water_lpm"], "g": data["g_force"], "feed": data["feed_kg_h"]}
	order := []string{"1", "water", "g", "feed", "water*g", "water*feed", "g*feed", "water^2", "g^2", "feed^2"}
	for _, c := range []struct {
		model, predicted, measured string
		at                         map[string]float64
	}{
		{"grade", "grade_pred_pct", "grade_cr2o3_pct", map[string]float64{"water": 12, "g": 60, "feed": 36}},
		{"recovery", "recovery_pred_pct", "recovery_cr2o3_pct", map[string]float64{"water": 10.1, "g": 60, "feed": 12}},
	} {
		t.Run(c.model, func(t *testing.T) {
			r, err := Fit(p, study(data[c.predicted], nil, columns), "published")
			require.NoError(t, err)
			got := coefficients(r.SecondOrder)
			for i, want := range models.Chromite[c.model].([]any) {
				require.InDelta(t, want.(float64), got[order[i]].Coefficient, 5e-4, order[i])
			}
			require.Equal(t, "saddle", r.SecondOrder.StationaryKind)
			require.Equal(t, c.at, r.BestInside.Settings)
			require.NotEmpty(t, r.BestInside.AtBounds)
			require.InDelta(t, models.Chromite["best_"+c.model].(float64), *r.BestInside.Recovery.Mean, 0.05)
			m, err := Fit(p, study(data[c.measured], nil, columns), "published")
			require.NoError(t, err)
			k := slices.Index([]string{"grade", "recovery"}, c.model)
			require.InDelta(t, models.Chromite["measured_r_squared"].([]any)[k].(float64), *m.SecondOrder.RSquared, 5e-5)
			require.InDelta(t, models.Chromite["measured_residual_sd"].([]any)[k].(float64), *m.SecondOrder.ResidualSD, 5e-4)
		})
	}
}

// The thesis prints equations but no responses: the equation laid over its own
// design must come back in natural units, and its printed predictions with it.
func TestSmallTableEquations(t *testing.T) {
	data, _ := table(t, "published/small-table-ccd-design.csv")
	var models struct {
		SmallTable struct {
			Recovery   []float64   `toml:"recovery"`
			SepEff     []float64   `toml:"separation_efficiency"`
			At         [][]float64 `toml:"published_at"`
			PublishedR []float64   `toml:"published_recovery"`
			PublishedS []float64   `toml:"published_separation_efficiency"`
			Peak       []float64   `toml:"equation_peak"`
		} `toml:"small_table"`
	}
	readTOML(t, "published/table-models.toml", &models)
	st := models.SmallTable
	equation := func(b []float64, a, f, c float64) float64 {
		return b[0] + b[1]*a + b[2]*f + b[3]*c + b[4]*a*f + b[5]*a*c + b[6]*f*c + b[7]*a*a + b[8]*f*f + b[9]*c*c
	}
	p := bench(setting("wash_water", 1, 5, 0.01), setting("feed", 100, 450, 1), setting("tilt", 2.5, 9, 0.01))
	columns := map[string][]float64{"wash_water": data["wash_water_lpm"], "feed": data["feed_g_min"], "tilt": data["deck_inclination_deg"]}
	for name, c := range map[string]struct {
		b, published []float64
	}{"recovery": {st.Recovery, st.PublishedR}, "separation efficiency": {st.SepEff, st.PublishedS}} {
		t.Run(name, func(t *testing.T) {
			var y []float64
			for i := range data["run"] {
				y = append(y, equation(c.b, columns["wash_water"][i], columns["feed"][i], columns["tilt"][i]))
			}
			_, f, _, err := fitSecondOrder(p.Settings, study(y, nil, columns))
			require.NoError(t, err)
			const roundingOfCoefficients = 0.65 // points; the gap of the printed equation itself
			for i, at := range st.At {
				m, _ := f.predict(coded(p.Settings, map[string]float64{"wash_water": at[0], "feed": at[1], "tilt": at[2]}), "none")
				require.InDelta(t, c.published[i], m, roundingOfCoefficients)
				require.InDelta(t, equation(c.b, at[0], at[1], at[2]), m, 1e-6)
			}
		})
	}
	top, topAt := 0.0, 0.0
	for a := 1.0; a <= 5; a += 0.01 {
		if v := equation(st.SepEff, a, 100, 2.5); v > top {
			top, topAt = v, a
		}
	}
	require.InDelta(t, st.Peak[0], topAt, 0.011)
	require.InDelta(t, st.Peak[1], top, 0.05)
}

// One setting, three points: a quadratic is exact, and nothing tells its error.
func TestTinTableSlope(t *testing.T) {
	data, _ := table(t, "published/tin-table-slope-a.csv")
	p := bench(setting("slope", 0.5, 2.5, 0.01))
	r, err := Fit(p, study(data["grade_sn_pct"], nil, map[string][]float64{"slope": data["deck_slope_deg"]}), "published")
	require.NoError(t, err)
	require.InDelta(t, 2.035, r.SecondOrder.StationaryPoint["slope"], 0.0005)
	require.Equal(t, "maximum", r.SecondOrder.StationaryKind)
	require.Nil(t, r.SecondOrder.ResidualSD)
	require.Nil(t, r.SecondOrder.AdjustedRSquared)
	require.Nil(t, r.SecondOrder.PredictiveRSquared)
	require.Nil(t, r.SecondOrder.LackOfFit)
	require.Nil(t, r.SecondOrder.Terms[0].SE)
	require.Nil(t, r.BestInside.Recovery.Lower)
	require.Contains(t, fmt.Sprint(r.Warnings), "goes through every run")
}

// Check value RS-03: in each standard design every second-order term can be told
// apart, a known surface comes back, and the axial distance is the rotatable one.
func TestStandardDesigns(t *testing.T) {
	for name, c := range map[string]struct{ k, n int }{
		"ccd-rotatable-2": {2, 13}, "ccd-rotatable-3": {3, 20}, "ccd-rotatable-4": {4, 31},
		"ccd-face-centred-2": {2, 13}, "ccd-face-centred-3": {3, 20}, "ccd-face-centred-4": {4, 31},
		"box-behnken-3": {3, 15}, "box-behnken-4": {4, 27}, "box-behnken-5": {5, 46},
	} {
		t.Run(name, func(t *testing.T) {
			data, words := table(t, "published/"+name+".csv")
			require.Len(t, words["run"], c.n)
			var settings []plant.Setting
			columns := map[string][]float64{}
			farthest := 0.0
			for i := range c.k {
				n := fmt.Sprintf("x%d", i+1)
				settings = append(settings, setting(n, -1, 1, 0.001))
				columns[n] = data[n]
				farthest = math.Max(farthest, slices.Max(data[n]))
			}
			if name[:5] == "ccd-r" {
				require.InEpsilon(t, math.Pow(2, float64(c.k)/4), farthest, 1e-9)
			}
			y := make([]float64, c.n)
			for i := range y {
				y[i] = 70
				for j := range c.k {
					x := columns[fmt.Sprintf("x%d", j+1)][i]
					y[i] += float64(j+1)*x - 3*(x-0.2)*(x-0.2)
				}
				y[i] += 0.5 * columns["x1"][i] * columns["x2"][i]
			}
			r, err := Fit(bench(settings...), study(y, nil, columns), "published")
			require.NoError(t, err)
			require.Empty(t, r.SecondOrder.NotEstimable)
			got := coefficients(r.SecondOrder)
			require.Len(t, got, 1+2*c.k+c.k*(c.k-1)/2)
			require.InDelta(t, -3, got["x1^2"].Coefficient, exact)
			require.InDelta(t, 2.2, got["x1"].Coefficient, exact)
			require.InDelta(t, 0.5, got["x1*x2"].Coefficient, exact)
			require.InDelta(t, 1, *r.SecondOrder.RSquared, exact)
			require.InDelta(t, 1, *r.SecondOrder.PredictiveRSquared, exact)
		})
	}
}
