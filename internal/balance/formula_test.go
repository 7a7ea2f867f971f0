package balance

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/checkvalue"
)

func TestTwoProduct(t *testing.T) {
	set := checks(t)
	for id, unit := range map[string]string{"TP-01": "_pct", "TP-06": "_gpt"} {
		c := set.Get(id)
		p, err := FromAssays(Assay{Grade: c.In("feed" + unit)}, Assay{Grade: c.In("concentrate" + unit)}, Assay{Grade: c.In("tailings" + unit)})
		require.NoError(t, err)
		require.NoError(t, c.Compare("yield_fraction", p.Yield))
		require.NoError(t, c.Compare("recovery_fraction", p.Recovery))
		require.NoError(t, c.Compare("ratio_of_concentration", p.RatioOfConcentration))
		require.NoError(t, c.Compare("enrichment_ratio", p.Enrichment))
		require.Zero(t, p.RecoverySE)
	}
}

func TestTwoProductError(t *testing.T) {
	set := checks(t)
	for id, unit := range map[string]string{"TP-13": "_gpt", "TP-14": ""} {
		c := set.Get(id)
		p, err := FromAssays(Assay{c.In("feed" + unit), c.In("sd_feed")}, Assay{c.In("concentrate" + unit), c.In("sd_concentrate")}, Assay{c.In("tailings" + unit), c.In("sd_tailings")})
		require.NoError(t, err)
		require.NoError(t, c.Compare("recovery_fraction", p.Recovery))
		require.NoError(t, c.Compare("sd_recovery", p.RecoverySE))
	}
	// TP-11: amplification of equal relative errors; TP-12, the short form, within 10 %.
	c, short := set.Get("TP-11"), set.Get("TP-12")
	const rel = 1e-3
	f, g, tl := c.In("feed"), c.In("concentrate"), c.In("tailings")
	p, err := FromAssays(Assay{f, rel * f}, Assay{g, rel * g}, Assay{tl, rel * tl})
	require.NoError(t, err)
	require.NoError(t, c.Compare("recovery_amplification", p.RecoverySE/p.Recovery/rel))
	require.NoError(t, c.Compare("yield_amplification", p.YieldSE/p.Yield/rel))
	require.NoError(t, checkvalue.Near("TP-12", p.RecoverySE/p.Recovery/rel, short.Want("recovery_amplification"), "rel 0.1"))
	require.NoError(t, checkvalue.Near("TP-12", p.YieldSE/p.Yield/rel, short.Want("yield_amplification"), "rel 0.1"))
}

// TP-15: what no separation can give is refused.
func TestTwoProductRefuses(t *testing.T) {
	nan := math.NaN()
	for name, a := range map[string][3]float64{
		"concentrate as the tailings":   {1, 1, 1},
		"feed below tailings":           {0.1, 10, 0.2},
		"feed above concentrate":        {11, 10, 0.2},
		"concentrate poorer":            {1, 0.2, 10},
		"no metal":                      {0, 10, 0},
		"negative":                      {1, 10, -0.2},
		"not a number":                  {nan, 10, 0.2},
		"concentrate not a number":      {1, nan, 0.2},
		"infinite concentrate":          {1, math.Inf(1), 0.2},
		"tailings not a number at last": {1, 10, nan},
	} {
		t.Run(name, func(t *testing.T) {
			p, err := FromAssays(Assay{Grade: a[0]}, Assay{Grade: a[1]}, Assay{Grade: a[2]})
			require.ErrorContains(t, err, "balance: ")
			require.Zero(t, p)
		})
	}
	_, err := FromAssays(Assay{1, nan}, Assay{10, 0}, Assay{0.2, 0})
	require.Error(t, err)
}

func TestFromMasses(t *testing.T) {
	c := checks(t).Get("TP-02")
	s, err := FromMasses(c.In("feed_tph"), c.In("feed_pct"), c.In("concentrate_tph"), c.In("concentrate_pct"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("recovery_fraction", s.Recovery))
	require.NoError(t, c.Compare("tailings_tph", s.TailingsMass))
	require.NoError(t, c.Compare("tailings_pct", s.TailingsGrade))
	require.NoError(t, c.Compare("enrichment_ratio", s.Enrichment))
	for _, bad := range [][4]float64{{100, 1, 100, 1}, {100, 1, 4, 30}, {100, 0, 4, 0}, {math.NaN(), 1, 4, 20}, {100, 1, -4, 20}} {
		_, err := FromMasses(bad[0], bad[1], bad[2], bad[3])
		require.Error(t, err, "%v", bad)
	}
}

func TestSeparationEfficiency(t *testing.T) {
	for _, id := range []string{"TP-03", "TP-04", "TP-05"} {
		c := checks(t).Get(id)
		f, g, m := c.In("feed_pct"), c.In("concentrate_pct"), c.In("metal_in_pure_mineral_pct")
		s, err := SchulzEfficiency(f, g, c.In("recovery_fraction"), m)
		require.NoError(t, err)
		require.NoError(t, c.Compare("concentrate_mass_fraction", s.MassFraction))
		require.NoError(t, c.Compare("gangue_recovery_fraction", s.GangueRecovery))
		require.NoError(t, c.Compare("separation_efficiency_fraction", s.Efficiency))
		require.InDelta(t, s.MassFraction*m*(g-f)/((m-f)*f), s.Efficiency, 1e-12, "the other form of it")
	}
	for _, bad := range [][4]float64{{0, 63, 0.62, 78.6}, {1, 80, 0.62, 78.6}, {1, 63, 62, 78.6}, {1, math.NaN(), 0.62, 78.6}, {80, 63, 0.62, 78.6}} {
		_, err := SchulzEfficiency(bad[0], bad[1], bad[2], bad[3])
		require.Error(t, err, "%v", bad)
	}
}

func TestThreeProducts(t *testing.T) {
	c := checks(t).Get("TP-07")
	feed := []float64{c.In("feed_cu_pct"), c.In("feed_co_pct")}
	products := [][]float64{
		{c.In("cu_conc_cu_pct"), c.In("cu_conc_co_pct")},
		{c.In("co_conc_cu_pct"), c.In("co_conc_co_pct")},
		{c.In("tail_cu_pct"), c.In("tail_co_pct")},
	}
	y, err := MassShares(feed, products)
	require.NoError(t, err)
	for i, name := range []string{"cu_conc_tph", "co_conc_tph", "tailings_tph"} {
		require.NoError(t, c.Compare(name, y[i]*c.In("feed_tph")))
	}
	require.NoError(t, c.Compare("cu_recovery_in_cu_conc", y[0]*products[0][0]/feed[0]))
	require.NoError(t, c.Compare("co_recovery_in_co_conc", y[1]*products[1][1]/feed[1]))
	require.NoError(t, c.Compare("cu_lost_to_tailings", y[2]*products[2][0]/feed[0]))

	c = checks(t).Get("TP-08")
	y, err = MassShares([]float64{c.In("feed_pb_pct"), c.In("feed_zn_pct")}, [][]float64{
		{c.In("pb_conc_pb_pct"), c.In("pb_conc_zn_pct")}, {c.In("zn_conc_pb_pct"), c.In("zn_conc_zn_pct")}, {c.In("tail_pb_pct"), c.In("tail_zn_pct")},
	})
	require.NoError(t, err)
	for i, name := range []string{"pb_conc_mass_fraction", "zn_conc_mass_fraction", "tailings_mass_fraction"} {
		require.NoError(t, c.Compare(name, y[i]))
	}
	require.NoError(t, c.Compare("pb_recovery", y[0]*c.In("pb_conc_pb_pct")/c.In("feed_pb_pct")))
	require.NoError(t, c.Compare("zn_recovery", y[1]*c.In("zn_conc_zn_pct")/c.In("feed_zn_pct")))
}

func TestMassSharesRefuses(t *testing.T) {
	for name, tc := range map[string]struct {
		feed     []float64
		products [][]float64
		says     string
	}{
		"too few elements": {[]float64{1}, [][]float64{{10}, {5}, {0.2}}, "need the assays of 2 elements"},
		"no products":      {nil, nil, "need the assays"},
		"alike":            {[]float64{1}, [][]float64{{1}, {1}}, "too alike"},
		"impossible":       {[]float64{20}, [][]float64{{10}, {0.2}}, "do not belong together"},
		"negative":         {[]float64{1}, [][]float64{{10}, {-0.2}}, "at least 0"},
		"feed infinite":    {[]float64{math.Inf(1)}, [][]float64{{10}, {0.2}}, "at least 0"},
		"ragged":           {[]float64{1}, [][]float64{{10, 2}, {0.2}}, "has 2 assays"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := MassShares(tc.feed, tc.products)
			require.ErrorContains(t, err, tc.says)
		})
	}
}

func TestCalculatedHead(t *testing.T) {
	c := checks(t).Get("TP-09")
	names := []string{"conc1", "conc2", "middlings", "tailings"}
	var products []MassGrade
	for _, n := range names {
		products = append(products, MassGrade{Mass: c.In(n + "_kg"), Grade: c.In(n + "_gpt")})
	}
	h, err := CalculatedHead(products)
	require.NoError(t, err)
	require.NoError(t, c.Compare("head_gpt", h.Grade))
	require.NoError(t, c.Compare("gold_g", h.Metal/1000))
	for i, n := range names {
		require.NoError(t, c.Compare("dist_"+n, h.Distribution[i]))
	}
	for _, bad := range [][]MassGrade{nil, {{1, 0}}, {{-1, 2}, {4, 5}}, {{math.NaN(), 2}}, {{1e300, 1e300}}} {
		_, err := CalculatedHead(bad)
		require.Error(t, err, "%v", bad)
	}
}

func TestInSeries(t *testing.T) {
	c := checks(t).Get("TP-10")
	r, err := InSeries(c.In("r1"), c.In("r2"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("recovery_fraction", r))
	_, err = InSeries(0.5, 62)
	require.Error(t, err)
	_, err = InSeries(math.NaN())
	require.Error(t, err)
}

func TestNodeImbalance(t *testing.T) {
	c := checks(t).Get("TP-16")
	y, err := NodeImbalance([]float64{c.In("feed_a"), c.In("feed_b")}, [][]float64{{c.In("conc_a"), c.In("conc_b")}, {c.In("tail_a"), c.In("tail_b")}})
	require.NoError(t, err)
	require.NoError(t, c.Compare("conc_over_feed", y[0]))
	require.NoError(t, c.Compare("tail_over_feed", y[1]))
	_, err = NodeImbalance([]float64{1}, [][]float64{{1}, {2}, {3}})
	require.ErrorContains(t, err, "2 elements or more")
	_, err = NodeImbalance(nil, nil)
	require.ErrorContains(t, err, "no products")
}

func ExampleFromAssays() {
	p, err := FromAssays(Assay{8, 0.8}, Assay{950, 47.5}, Assay{1.1, 0.11}) // g/t
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("recovery %.1f %%, give or take %.1f points\n", 100*p.Recovery, 100*p.RecoverySE)
	// Output:
	// recovery 86.3 %, give or take 1.9 points
}
