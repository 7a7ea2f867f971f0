package comminution

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/checkvalue"
	"decktrim/internal/units"
)

func checks(t *testing.T) checkvalue.Set {
	t.Helper()
	data, err := os.ReadFile("../../testdata/check-values/metallurgy.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	return set
}

func TestBond(t *testing.T) {
	set := checks(t)
	for _, id := range []string{"BO-01", "BO-02"} {
		c := set.Get(id)
		w, err := Bond(c.In("Wi_kwhpt"), c.In("F80_um"), c.In("P80_um"))
		require.NoError(t, err)
		require.NoError(t, c.Compare("W_kwhpt", w))
	}
	c := set.Get("BO-03")
	w, err := SpecificEnergy(c.In("kW"), c.In("dry_tph"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("W_kwhpt", w))
	wi, err := OperatingWorkIndex(c.In("kW"), c.In("dry_tph"), c.In("F80_um"), c.In("P80_um"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("Wi_operating", wi))
	// The operating index put back into Bond's equation gives the energy used.
	back, err := Bond(wi, c.In("F80_um"), c.In("P80_um"))
	require.NoError(t, err)
	require.InDelta(t, w, back, 1e-12)

	c = set.Get("BO-04")
	perTonne, err := units.Convert(c.In("kwh_per_short_ton"), "kWh/short ton", "kWh/t")
	require.NoError(t, err)
	require.NoError(t, c.Compare("kwh_per_tonne", perTonne))

	c = set.Get("BO-05")
	w, err = SpecificEnergy(c.In("kW"), c.In("tph"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("kwhpt", w))
	require.NoError(t, c.Compare("t", c.In("tph")*c.In("h")))
	require.NoError(t, c.Compare("kwh", w*c.In("tph")*c.In("h")))

	r, err := ReductionRatio(19050, 300)
	require.NoError(t, err)
	require.InDelta(t, 63.5, r, 1e-12)
}

func TestPower(t *testing.T) {
	set := checks(t)
	c := set.Get("PW-01")
	p, err := Motor{PowerFactor: c.In("power_factor"), Efficiency: c.In("efficiency")}.Power(c.In("line_A"), c.In("line_V"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("input_kW", p.InputKW))
	require.NoError(t, c.Compare("shaft_kW", p.ShaftKW))
	require.NoError(t, c.Compare("apparent_kVA", p.ApparentKVA))
	require.Empty(t, p.Assumes)
	w, err := SpecificEnergy(p.InputKW, c.In("tph"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("input_kwhpt", w))

	c = set.Get("PW-02")
	kW, err := units.Convert(c.In("hp"), "hp", "kW")
	require.NoError(t, err)
	a, err := Motor{PowerFactor: c.In("power_factor"), Efficiency: c.In("efficiency")}.FullLoadCurrent(kW, c.In("line_V"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("line_A", a))

	c = set.Get("PW-03")
	w, err = SinglePhase(c.In("V"), c.In("A"), c.In("power_factor"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("W", w))

	c = set.Get("PW-04")
	u, err := Unbalance(c.In("a"), c.In("b"), c.In("c"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("unbalance", u))
}

// PW-05: without a voltage the figure says what it assumes; with one it does not.
func TestPowerSaysWhatItAssumes(t *testing.T) {
	c := checks(t).Get("PW-05")
	m := Motor{PowerFactor: c.In("power_factor")}
	p, err := m.Power(c.In("line_A"), 0)
	require.NoError(t, err)
	require.NoError(t, c.Compare("input_kW", p.InputKW))
	require.Equal(t, "assumes 400 V", p.Assumes)
	require.Zero(t, p.ShaftKW)
	for name, v := range map[string]float64{"input_kW_if_380_V": 380, "input_kW_if_480_V": 480} {
		p, err := m.Power(c.In("line_A"), v)
		require.NoError(t, err)
		require.NoError(t, c.Compare(name, p.InputKW))
		require.Empty(t, p.Assumes)
	}
	_, err = Motor{Engine: true, PowerFactor: 0.8}.Power(30, 400)
	require.ErrorIs(t, err, ErrEngine)
	_, err = Motor{Engine: true}.FullLoadCurrent(10, 400)
	require.ErrorIs(t, err, ErrEngine)
}

func TestRefusals(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := Motor{PowerFactor: 0.8, Efficiency: 0.9}
	for name, f := range map[string]func() (float64, error){
		"product coarser than feed": func() (float64, error) { return Bond(14, 300, 400) },
		"no product size":           func() (float64, error) { return Bond(14, 300, 0) },
		"no work index":             func() (float64, error) { return Bond(0, 19000, 400) },
		"size not a number":         func() (float64, error) { return Bond(14, nan, 400) },
		"no feed":                   func() (float64, error) { return OperatingWorkIndex(15, 0, 16000, 420) },
		"operating, sizes equal":    func() (float64, error) { return OperatingWorkIndex(15, 1, 420, 420) },
		"negative power":            func() (float64, error) { return SpecificEnergy(-1, 1) },
		"ratio of nothing":          func() (float64, error) { return ReductionRatio(0, 0) },
		"power factor of per cent":  func() (float64, error) { p, err := Motor{PowerFactor: 85}.Power(10, 400); return p.InputKW, err },
		"efficiency of per cent": func() (float64, error) {
			p, err := Motor{PowerFactor: 0.8, Efficiency: 91}.Power(10, 400)
			return p.InputKW, err
		},
		"current not a number": func() (float64, error) { p, err := good.Power(nan, 400); return p.InputKW, err },
		"infinite voltage":     func() (float64, error) { p, err := good.Power(10, inf); return p.InputKW, err },
		"full load at 0 V":     func() (float64, error) { return good.FullLoadCurrent(10, 0) },
		"single phase":         func() (float64, error) { return SinglePhase(nan, 1, 0.8) },
		"no current":           func() (float64, error) { return Unbalance(0, 0, 0) },
		"negative current":     func() (float64, error) { return Unbalance(1, -1, 3) },
	} {
		t.Run(name, func(t *testing.T) {
			got, err := f()
			require.ErrorContains(t, err, "comminution: ")
			require.Zero(t, got)
		})
	}
}

func TestTypicalWorkIndicesAgreeWithFile(t *testing.T) {
	f, err := os.Open("../../testdata/check-values/bond-work-index.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	byMaterial := map[string]TypicalWorkIndex{}
	for _, w := range TypicalWorkIndices() {
		byMaterial[w.Material] = w
	}
	low, high := map[string]float64{}, map[string]float64{}
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[4], 64)
		require.NoError(t, err)
		if low[row[1]] == 0 || v < low[row[1]] {
			low[row[1]] = v
		}
		high[row[1]] = max(high[row[1]], v)
	}
	require.Len(t, byMaterial, len(low))
	for m := range low {
		require.Equal(t, TypicalWorkIndex{m, low[m], high[m]}, byMaterial[m])
	}
}
