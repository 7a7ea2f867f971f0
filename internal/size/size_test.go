package size

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
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

// SV-01 to SV-16.
func TestOpeningsAgreeWithCheckValues(t *testing.T) {
	for id, c := range checks(t) {
		if !strings.HasPrefix(id, "SV-") || id == "SV-17" {
			continue
		}
		series := ASTM
		if strings.HasPrefix(c.Quantity, "Tyler") {
			series = Tyler
		}
		um, err := Opening(series, c.In("mesh"))
		require.NoError(t, err, id)
		require.NoError(t, c.Compare("opening_um", um))
	}
}

// The whole table, and SV-17: successive sieves step by 2^(1/4) within 3 %.
func TestSieveTablesAgreeWithFile(t *testing.T) {
	f, err := os.Open("../../testdata/check-values/sieves.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Equal(t, len(rows)-1, len(astm)+len(tyler))
	for _, row := range rows[1:] {
		mesh, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		want, err := strconv.ParseFloat(row[2], 64)
		require.NoError(t, err)
		series := map[string]Series{"astm": ASTM, "tyler": Tyler}[row[0]]
		got, err := Opening(series, mesh)
		require.NoError(t, err)
		require.Equal(t, want, got, "%s %v mesh", series, mesh)
	}
	ratio := checks(t).Get("SV-17").Want("ratio")
	for _, series := range []Series{ASTM, Tyler} {
		all := Sieves(series)
		for i := 1; i < len(all); i++ {
			require.NoError(t, checkvalue.Near("step", all[i-1].OpeningUm/all[i].OpeningUm, ratio, "rel 0.03"))
		}
	}
}

func TestSieveRefusals(t *testing.T) {
	_, err := Opening(ASTM, 150)
	require.ErrorContains(t, err, "no 150 mesh")
	_, err = Opening("BSS", 100)
	require.ErrorContains(t, err, "no sieve series")
	_, _, err = NearestSieve(ASTM, math.NaN())
	require.Error(t, err)
	near, ratio, err := NearestSieve(ASTM, 420)
	require.NoError(t, err)
	require.Equal(t, 40.0, near.Mesh)
	require.InDelta(t, 420.0/425, ratio, 1e-12)
	// A caller that changes what it was given must not change the table.
	Sieves(ASTM)[0].OpeningUm = 1
	um, err := Opening(ASTM, 3.5)
	require.NoError(t, err)
	require.Equal(t, 5600.0, um)
}

func homework(t *testing.T) (Distribution, checkvalue.Set) {
	set := checks(t)
	c := set.Get("PS-02")
	d, err := FromRetained(c.Ins("size_um"), c.Ins("retained_g"))
	require.NoError(t, err)
	return d, set
}

func TestFromRetained(t *testing.T) {
	d, set := homework(t)
	c := set.Get("PS-02")
	for _, p := range d {
		require.NoError(t, c.Compare("passing_"+strconv.FormatFloat(p.SizeUm, 'f', -1, 64), 100*p.Passing))
	}
}

// PS-03 to PS-05: the three ways, none of them the others'.
func TestSizeAtByName(t *testing.T) {
	d, set := homework(t)
	for id, by := range map[string]Interpolation{"PS-03": LinearSize, "PS-04": LogSize, "PS-05": LogLog} {
		c := set.Get(id)
		for name, share := range map[string]float64{"P80_um": 0.8, "P50_um": 0.5, "P20_um": 0.2} {
			um, err := d.SizeAt(share, by)
			require.NoError(t, err)
			require.NoError(t, c.Compare(name, um))
		}
	}
	_, err := d.P80("cubic")
	require.ErrorContains(t, err, "is not an interpolation")
}

func TestSizeAtNeverExtrapolates(t *testing.T) {
	d, _ := homework(t)
	_, err := d.SizeAt(0.05, LogSize)
	require.ErrorContains(t, err, "add a finer sieve")
	coarse, err := FromPassing([]float64{125, 106}, []float64{0.628, 0.556})
	require.NoError(t, err)
	_, err = coarse.P80(LogSize)
	require.ErrorContains(t, err, "add a coarser sieve")
	for _, share := range []float64{0, 1, math.NaN(), -1} {
		_, err = d.SizeAt(share, LogSize)
		require.Error(t, err)
	}
	bare, err := FromPassing([]float64{200, 100}, []float64{0.9, 0})
	require.NoError(t, err)
	_, err = bare.SizeAt(0.5, LogLog)
	require.ErrorContains(t, err, "no logarithm")
}

func TestPassingAtInvertsSizeAt(t *testing.T) {
	d, _ := homework(t)
	for _, share := range []float64{0.15, 0.3, 0.5, 0.8, 0.95} {
		um, err := d.SizeAt(share, LogSize)
		require.NoError(t, err)
		back, err := d.PassingAt(um)
		require.NoError(t, err)
		require.InDelta(t, share, back, 1e-12)
	}
	_, err := d.PassingAt(1000)
	require.Error(t, err)
	_, err = d.PassingAt(math.NaN())
	require.Error(t, err)
}

// PS-01: the fit is an extrapolation and must say so.
func TestGGSFit(t *testing.T) {
	c := checks(t).Get("PS-01")
	passing := c.Ins("passing_pct")
	for i := range passing {
		passing[i] /= 100
	}
	d, err := FromPassing(c.Ins("size_um"), passing)
	require.NoError(t, err)
	g, err := FitGGS(d)
	require.NoError(t, err)
	d80, beyond := g.SizeAt(0.8)
	require.NoError(t, c.Compare("d80_um", d80))
	require.NoError(t, c.Compare("slope", g.M))
	require.NoError(t, c.Compare("k_um", g.KUm))
	require.True(t, beyond)
	require.Positive(t, g.SlopeSE)
	require.Equal(t, 5, g.Points)
	inside, beyond := g.SizeAt(0.5)
	require.False(t, beyond)
	require.Less(t, inside, 125.0)
}

func TestRosinRammlerFit(t *testing.T) {
	d, set := homework(t)
	c := set.Get("PS-06")
	r, err := FitRosinRammler(d)
	require.NoError(t, err)
	require.NoError(t, c.Compare("n", r.N))
	require.NoError(t, c.Compare("x632_um", r.X632Um))
	p80, _ := r.SizeAt(0.8)
	require.NoError(t, c.Compare("P80_um", p80))
	p50, _ := r.SizeAt(0.5)
	require.NoError(t, c.Compare("P50_um", p50))
}

func TestCurvesByParameter(t *testing.T) {
	set := checks(t)
	c := set.Get("PS-07")
	p80, _ := RosinRammler{X632Um: c.In("x632_um"), N: c.In("n")}.SizeAt(0.8)
	require.NoError(t, c.Compare("P80_um", p80))
	c = set.Get("PS-08")
	p80, _ = GatesGaudinSchuhmann{KUm: c.In("k_um"), M: c.In("m")}.SizeAt(0.8)
	require.NoError(t, c.Compare("P80_um", p80))
}

func TestDistributionRefusals(t *testing.T) {
	for name, make := range map[string]func() (Distribution, error){
		"no pan":             func() (Distribution, error) { return FromRetained([]float64{100, 50}, []float64{1, 2}) },
		"nothing sieved":     func() (Distribution, error) { return FromRetained([]float64{100}, []float64{0, 0}) },
		"negative mass":      func() (Distribution, error) { return FromRetained([]float64{100}, []float64{-1, 2}) },
		"not a number":       func() (Distribution, error) { return FromRetained([]float64{100}, []float64{math.NaN(), 2}) },
		"infinite":           func() (Distribution, error) { return FromRetained([]float64{100}, []float64{math.Inf(1), 2}) },
		"fine before coarse": func() (Distribution, error) { return FromRetained([]float64{50, 100}, []float64{1, 1, 1}) },
		"size of zero":       func() (Distribution, error) { return FromPassing([]float64{0}, []float64{0.5}) },
		"more than all":      func() (Distribution, error) { return FromPassing([]float64{100}, []float64{62.8}) },
		"passing rises":      func() (Distribution, error) { return FromPassing([]float64{100, 50}, []float64{0.5, 0.6}) },
		"lengths differ":     func() (Distribution, error) { return FromPassing([]float64{100, 50}, []float64{0.5}) },
	} {
		t.Run(name, func(t *testing.T) {
			_, err := make()
			require.ErrorContains(t, err, "size: ")
		})
	}
	one, err := FromPassing([]float64{100}, []float64{0.5})
	require.NoError(t, err)
	_, err = FitGGS(one)
	require.ErrorContains(t, err, "two sieves")
	flat, err := FromPassing([]float64{100, 50}, []float64{0.5, 0.5})
	require.NoError(t, err)
	_, err = FitRosinRammler(flat)
	require.ErrorContains(t, err, "no curve fits")
}

func TestPartition(t *testing.T) {
	set := checks(t)
	c := set.Get("TR-01")
	s := Logistic{K: c.In("k"), Cut: c.In("rho50")}.Sharpness()
	require.NoError(t, c.Compare("Ep", s.Ep))
	require.NoError(t, c.Compare("rho25", s.P25))
	require.NoError(t, c.Compare("rho75", s.P75))
	require.NoError(t, c.Compare("imperfection", s.Imperfection))
	require.InDelta(t, 0.25, Logistic{K: 2.4, Cut: 2.9}.Share(s.P25), 1e-12)

	c = set.Get("TR-02")
	s, err := Partition{Class: c.Ins("density"), Share: c.Ins("partition")}.Sharpness()
	require.NoError(t, err)
	require.NoError(t, c.Compare("rho25", s.P25))
	require.NoError(t, c.Compare("rho50", s.Cut))
	require.NoError(t, c.Compare("rho75", s.P75))
	require.NoError(t, c.Compare("Ep", s.Ep))
}

func TestPartitionRefusals(t *testing.T) {
	for name, tc := range map[string]struct {
		p    Partition
		says string
	}{
		"one class":       {Partition{[]float64{2}, []float64{0.5}}, "two classes"},
		"lengths differ":  {Partition{[]float64{2, 3}, []float64{0.5}}, "two classes"},
		"classes fall":    {Partition{[]float64{3, 2}, []float64{0.1, 0.9}}, "must rise"},
		"per cent":        {Partition{[]float64{2, 3}, []float64{10, 90}}, "cannot be"},
		"not a number":    {Partition{[]float64{2, 3}, []float64{math.NaN(), 0.9}}, "cannot be"},
		"never reaches":   {Partition{[]float64{2, 3}, []float64{0.1, 0.6}}, "75 %"},
		"class not known": {Partition{[]float64{2, math.Inf(1)}, []float64{0.1, 0.9}}, "cannot be"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := tc.p.Sharpness()
			require.ErrorContains(t, err, tc.says)
		})
	}
}
