package sampling

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"

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

var large = math.Inf(1)

// GY-01 to GY-04: base metal ore by Gy, and the printed masses of the spreadsheet
// (safety factor 2, half-width of 1 % at 95 %).
func TestGyBaseMetal(t *testing.T) {
	set := checks(t)
	for i := 1; i <= 4; i++ {
		c := set.Get(fmt.Sprintf("GY-%02d", i))
		m, err := MineralogicalFactor(c.In("assay_fraction"), c.In("mineral_assay_fraction"), c.In("mineral_density"), c.In("gangue_density"))
		require.NoError(t, err)
		require.NoError(t, checkvalue.Near(c.ID, m, c.Want("mineralogical_factor"), "rel 1e-9"))
		l, err := LiberationFactor(c.In("liberation_cm"), c.In("top_size_cm"), 0.5)
		require.NoError(t, err)
		require.NoError(t, checkvalue.Near(c.ID, l, c.Want("liberation_factor"), "rel 1e-9"))
		o := Ore{TopSizeCm: c.In("top_size_cm"), Shape: c.In("shape"), SizeRange: c.In("size_range"), Mineralogical: m, Liberation: l}
		k, err := o.Constant()
		require.NoError(t, err)
		require.NoError(t, checkvalue.Near(c.ID, k, c.Want("constant_C"), "rel 1e-9"))
		mass, err := o.MassForRSD(c.In("relative_sd"), large)
		require.NoError(t, err)
		require.NoError(t, checkvalue.Near(c.ID, mass, c.Want("mass_g_at_sd_0_01"), "rel 1e-9"))
		printed := 2 * mass * c.In("relative_sd") * c.In("relative_sd") / (0.01 / 1.96) / (0.01 / 1.96)
		require.NoError(t, checkvalue.Near(c.ID, printed, c.Want("mass_g_spreadsheet"), "rel 1e-9"))
		back, err := o.FundamentalRSD(mass, large)
		require.NoError(t, err)
		require.InDelta(t, 0.01, back, 1e-12)
	}
}

func TestGyFactors(t *testing.T) {
	c := checks(t).Get("GY-05")
	require.Equal(t, c.Want("above_4"), SizeRangeFactor(5))
	require.Equal(t, c.Want("from_2_to_4"), SizeRangeFactor(3))
	require.Equal(t, c.Want("below_2"), SizeRangeFactor(1.5))
	require.Equal(t, c.Want("single_size"), SizeRangeFactor(1))
	c = checks(t).Get("GY-06")
	require.Equal(t, c.Want("usual"), UsualShape)
	require.Equal(t, c.Want("flat_or_flaky"), FlakyShape)
	c = checks(t).Get("GY-07")
	for name, confidence := range map[string]float64{"sd_95pct": 0.95, "sd_99pct": 0.99} {
		sd, err := SDForHalfWidth(c.In("half_width"), confidence)
		require.NoError(t, err)
		require.NoError(t, c.Compare(name, sd))
	}
}

// GY-08 to GY-11: gold.
func TestGyGold(t *testing.T) {
	set := checks(t)
	for i := 8; i <= 11; i++ {
		c := set.Get(fmt.Sprintf("GY-%02d", i))
		m, err := GoldFactor(c.In("grade_gpt"), c.In("gold_density"))
		require.NoError(t, err)
		require.NoError(t, c.Compare("mineralogical_factor", m))
		l, err := LiberationFactor(c.In("liberation_cm"), c.In("top_size_cm"), c.In("exponent_b"))
		require.NoError(t, err)
		require.NoError(t, c.Compare("liberation_factor", l))
		lot := large
		if _, word := c.Inputs["lot_g"].(string); !word {
			lot = c.In("lot_g")
		}
		o := Ore{TopSizeCm: c.In("top_size_cm"), Shape: c.In("shape"), SizeRange: c.In("size_range"), Mineralogical: m, Liberation: l}
		s, err := o.FundamentalRSD(c.In("sample_g"), lot)
		require.NoError(t, err)
		require.NoError(t, c.Compare("relative_sd", s))
		mass, err := o.MassForRSD(s, lot)
		require.NoError(t, err)
		require.InEpsilon(t, c.In("sample_g"), mass, 1e-9)
	}
	c := set.Get("GY-12")
	s, err := CalibratedRSD(c.In("K"), c.In("alpha"), c.In("top_size_cm"), c.In("sample_g"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("relative_sd", s))
	// GY-13: the cube law, the same liberation factor at both sizes.
	c = set.Get("GY-13")
	o := Ore{Shape: 0.5, SizeRange: 0.25, Mineralogical: 100, Liberation: 0.5}
	masses := [2]float64{}
	for i, name := range []string{"size1_um", "size2_um"} {
		o.TopSizeCm = c.In(name) / 1e4
		masses[i], err = o.MassForRSD(0.1, large)
		require.NoError(t, err)
	}
	require.NoError(t, c.Compare("mass_ratio", masses[1]/masses[0]))
}

func TestGrains(t *testing.T) {
	set := checks(t)
	c := set.Get("PO-01")
	k, err := OfCounts(c.Ins("counts"))
	require.NoError(t, err)
	for name, got := range map[string]float64{
		"mean": k.Mean, "sample_variance": k.SampleVariance, "population_variance": k.PopulationVariance,
		"p_zero": k.NoneProb, "p_one": k.OneProb, "relative_sd": k.RSD,
	} {
		require.NoError(t, c.Compare(name, got))
	}
	require.InDelta(t, 8.0/9, k.Dispersion, 1e-12)
	require.Greater(t, k.DispersionP, 0.3, "these counts scatter as chance does")

	c = set.Get("PO-02")
	n, err := CountOf(c.In("grains"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("relative_sd", n.RSD))

	c = set.Get("PO-03")
	mg, err := GrainMg(10*c.In("diameter_cm"), 1, c.In("density"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("grain_mg", mg))
	grains, err := Grains(c.In("sample_g")/1000, c.In("grade_gpt"), 1, mg)
	require.NoError(t, err)
	require.NoError(t, c.Compare("grains", grains))
	n, err = CountOf(grains)
	require.NoError(t, err)
	require.NoError(t, c.Compare("relative_sd", n.RSD))
	require.NoError(t, c.Compare("p_zero", n.NoneProb))

	c = set.Get("PO-04")
	kg, err := KgForGrains(c.In("grains"), c.In("grade_gpt"), 1, mg)
	require.NoError(t, err)
	require.NoError(t, c.Compare("sample_kg", kg))

	c = set.Get("PO-05")
	mean, err := MeanForChance(c.In("p"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("mean", mean))
	n, err = CountOf(mean)
	require.NoError(t, err)
	require.InDelta(t, 0.05, n.NoneProb, 1e-12)
}

func TestCountSpread(t *testing.T) {
	for _, mean := range []float64{0.3, 4, 20, 400, 3e6} {
		c, err := CountOf(mean)
		require.NoError(t, err)
		if mean <= 1e6 {
			d := distuv.Poisson{Lambda: mean}
			require.GreaterOrEqual(t, d.CDF(c.Upper), 0.95)
			require.GreaterOrEqual(t, d.CDF(c.Lower), 0.05)
			if c.Lower > 0 {
				require.Less(t, d.CDF(c.Lower-1), 0.05)
			}
		}
		require.Less(t, c.Lower, c.Upper)
	}
	clustered, err := OfCounts([]float64{0, 0, 0, 9, 0, 0, 0, 0, 11, 0})
	require.NoError(t, err)
	require.Less(t, clustered.DispersionP, 1e-6)
}

func tailings(c checkvalue.Check) Tailings {
	return Tailings{
		GradeGpt: c.In("tailings_gpt"), FreeShare: c.In("free_share"), EffectiveGrainMg: c.In("m_eff_mg"),
		PreparationRSD: c.In("preparation_rsd"), AssayRSD: c.In("assay_rsd"), AssayAddGpt: c.In("assay_add_gpt"),
	}
}

// PO-06 and PO-07: the error of recovery from one tailings sample.
func TestRecoveryErrorFromTailings(t *testing.T) {
	set := checks(t)
	for _, id := range []string{"PO-06", "PO-07"} {
		c := set.Get(id)
		tails := tailings(c)
		for _, kg := range []float64{1, 3, 10} {
			name := strconv.FormatFloat(kg, 'f', -1, 64) + "kg"
			e, err := tails.Careful(c.In("recovery"), kg)
			require.NoError(t, err)
			require.NoError(t, c.Compare("grain_rsd_"+name, e.GrainRSD))
			require.NoError(t, c.Compare("se_points_"+name, e.SEPoints))
			back, err := tails.KgForSE(c.In("recovery"), 1-c.In("recovery"), e.SEPoints)
			require.NoError(t, err)
			require.InEpsilon(t, kg, back, 1e-6)
		}
	}
	_, err := tailings(set.Get("PO-07")).KgForSE(0.289, 0.711, 1.0)
	require.ErrorContains(t, err, "preparation and assay alone leave 1.6")
}

// The planning tables of the five invented ores: figures are printed to a whole per
// cent (grain rsd at 1 kg) and a tenth of a point, so the comparison allows what half
// of the last printed digit of the rsd makes, plus 0.05 points.
func TestRecoveryErrorTables(t *testing.T) {
	for _, ore := range []struct {
		name                string
		recovery, tailShare float64
		headGpt             float64
		careful, own        float64    // grain rsd of tailings at 1 kg
		carefulSE, ownSE    [3]float64 // 1, 3, 10 kg
	}{
		{"Quillback Reef", 0.786, 0.161, 12, 0.47, 0.18, [3]float64{8.0, 4.7, 2.8}, [3]float64{2.5, 1.6, 1.2}},
		{"Pewter Gully", 0.477, 0.486, 6, 0.08, 0.02, [3]float64{2.7, 2.2, 2.0}, [3]float64{1.9, 1.8, 1.8}},
		{"Dunlin Lode", 0.633, 0.329, 4, 0.22, 0.08, [3]float64{5.4, 3.5, 2.5}, [3]float64{2.3, 1.9, 1.7}},
		{"Sedgefoot Tails", 0.289, 0.682, 1.8, 0.04, 0.01, [3]float64{1.8, 1.7, 1.7}, [3]float64{1.6, 1.6, 1.6}},
		{"Corvid Stockwork", 0.656, 0.305, 3, 0.40, 0.12, [3]float64{9.3, 5.5, 3.4}, [3]float64{2.8, 2.1, 1.8}},
	} {
		t.Run(ore.name, func(t *testing.T) {
			for _, tc := range []struct {
				grain, share float64
				want         [3]float64
			}{{ore.careful, 1 - ore.recovery, ore.carefulSE}, {ore.own, ore.tailShare, ore.ownSE}} {
				grade := ore.headGpt * tc.share
				// m_eff follows from the printed rsd at 1 kg: rsd^2 = f m_eff/a.
				at := func(rsd, kg float64) float64 {
					tails := Tailings{GradeGpt: grade, FreeShare: 0.7, EffectiveGrainMg: rsd * rsd * grade / 0.7,
						PreparationRSD: 0.06, AssayRSD: 0.05, AssayAddGpt: 0.02}
					e, err := tails.Own(ore.recovery, tc.share, kg)
					require.NoError(t, err)
					return e.SEPoints
				}
				for i, kg := range []float64{1, 3, 10} {
					low, high := at(max(tc.grain-0.005, 0), kg)-0.05, at(tc.grain+0.005, kg)+0.05
					require.True(t, low <= tc.want[i]+1e-9 && tc.want[i] <= high+1e-9, "%v kg: %v is not in %.3f to %.3f", kg, tc.want[i], low, high)
				}
			}
		})
	}
}

// The noncentral t gives the printed table of smallest gains (one-sided 95 %, 80 %).
func TestSmallestGainTable(t *testing.T) {
	for pairs, want := range map[int]float64{2: 5.8, 4: 1.65, 6: 1.19, 8: 0.98, 12: 0.77, 16: 0.65, 24: 0.52} {
		got, err := UsualTrial.SmallestGain(pairs)
		require.NoError(t, err)
		half := 0.0051
		if pairs == 2 {
			half = 0.051 // printed to one decimal
		}
		require.InDelta(t, want, got, half, "%d pairs", pairs)
	}
}

func TestNoncentralT(t *testing.T) {
	for _, nu := range []float64{1, 2, 5, 30, 200} {
		central := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: nu}
		for _, x := range []float64{-3, -1, 0, 0.5, 2, 6} {
			require.InDelta(t, central.CDF(x), noncentralT(x, nu, 0), 1e-9, "nu %v at %v", nu, x)
		}
	}
	// Against simulation, where the distribution is far from central.
	rng := rand.New(rand.NewPCG(1, 2))
	const draws, nu, delta, x = 400_000, 3.0, 2.5, 4.0
	below := 0
	for range draws {
		chi := 0.0
		for range int(nu) {
			z := rng.NormFloat64()
			chi += z * z
		}
		if (rng.NormFloat64()+delta)/math.Sqrt(chi/nu) <= x {
			below++
		}
	}
	fourSE := 4 * math.Sqrt(0.25/draws)
	require.InDelta(t, float64(below)/draws, noncentralT(x, nu, delta), fourSE)
}

// A run s.e. of 1.5 points: 4 pairs show 3.5 points and 16 pairs 1.4.
func TestPairsFor(t *testing.T) {
	for gain, want := range map[float64]int{3.5: 4, 1.4: 16} {
		n, err := UsualTrial.PairsFor(gain, 1.5)
		require.NoError(t, err)
		require.InDelta(t, want, n, 1, "the printed gains are rounded")
		enough, err := UsualTrial.PowerOfPairs(n, gain/(1.5*math.Sqrt2))
		require.NoError(t, err)
		require.GreaterOrEqual(t, enough, 0.8)
		fewer, err := UsualTrial.PowerOfPairs(n-1, gain/(1.5*math.Sqrt2))
		require.NoError(t, err)
		require.Less(t, fewer, 0.8)
	}
	_, err := UsualTrial.PairsFor(0.01, 5)
	require.ErrorContains(t, err, "make each run surer first")
}

func TestDuplicateCV(t *testing.T) {
	c := checks(t).Get("NU-01")
	var pairs []Pair
	for _, text := range strings.Split(c.Inputs["pairs"].(string), ", ") {
		a, b, _ := strings.Cut(text, "/")
		x, err := strconv.ParseFloat(a, 64)
		require.NoError(t, err)
		y, err := strconv.ParseFloat(b, 64)
		require.NoError(t, err)
		pairs = append(pairs, Pair{x, y})
	}
	p, err := DuplicateCV(pairs)
	require.NoError(t, err)
	require.NoError(t, c.Compare("cv", p.CV))
	require.Less(t, p.Lower, p.CV)
	require.Greater(t, p.Upper, p.CV)
}

// The stated 95 % interval holds about that often for pairs of known precision.
func TestDuplicateCVCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 8))
	const trials, truth = 2000, 0.10
	inside := 0
	for range trials {
		pairs := make([]Pair, 8)
		for i := range pairs {
			pairs[i] = Pair{5 * (1 + truth*rng.NormFloat64()), 5 * (1 + truth*rng.NormFloat64())}
		}
		p, err := DuplicateCV(pairs)
		require.NoError(t, err)
		if p.Lower <= truth && truth <= p.Upper {
			inside++
		}
	}
	require.InDelta(t, 0.95, float64(inside)/trials, 0.02)
}

func TestVerdicts(t *testing.T) {
	for name, tc := range map[string]struct {
		judge func() (Judged, error)
		want  Verdict
	}{
		"clean blank":           {func() (Judged, error) { return JudgeBlank(0.02, 0.01) }, Accept},
		"blank carried over":    {func() (Judged, error) { return JudgeBlank(0.05, 0.01) }, Check},
		"blank contaminated":    {func() (Judged, error) { return JudgeBlank(0.5, 0.01) }, Redo},
		"reference right":       {func() (Judged, error) { return JudgeReference(5.1, 5, 0.1) }, Accept},
		"reference off":         {func() (Judged, error) { return JudgeReference(4.75, 5, 0.1) }, Check},
		"reference wrong":       {func() (Judged, error) { return JudgeReference(6, 5, 0.1) }, Redo},
		"duplicates agree":      {func() (Judged, error) { return JudgeDuplicate(Pair{5, 5.5}, 0.1) }, Accept},
		"duplicates differ":     {func() (Judged, error) { return JudgeDuplicate(Pair{5, 7}, 0.1) }, Check},
		"duplicates cannot be":  {func() (Judged, error) { return JudgeDuplicate(Pair{5, 50}, 0.1) }, Redo},
		"exactly at two sigmas": {func() (Judged, error) { return JudgeReference(7, 5, 1) }, Accept},
	} {
		t.Run(name, func(t *testing.T) {
			j, err := tc.judge()
			require.NoError(t, err)
			require.Equal(t, tc.want, j.Verdict)
			require.NotEmpty(t, j.Reason)
		})
	}
}

func TestIncrementsAndCutter(t *testing.T) {
	n, err := Increments(0.30, 0.05)
	require.NoError(t, err)
	require.Equal(t, 36, n)
	n, err = Increments(0.01, 0.5)
	require.NoError(t, err)
	require.Equal(t, 2, n)
	_, err = Increments(1e6, 1e-6)
	require.ErrorContains(t, err, "out of reach")

	// 8 t/h of pulp = 2.222 kg/s; 10 mm at 0.4 m/s stays in the stream 0.025 s.
	c, err := CutterOf(8, 10, 0.4, 0.8)
	require.NoError(t, err)
	require.InDelta(t, 8/3.6*0.025, c.IncrementKg, 1e-12)
	require.Empty(t, c.Warnings)
	c, err = CutterOf(8, 10, 0.8, 19)
	require.NoError(t, err)
	require.Len(t, c.Warnings, 2)
	require.Equal(t, 57.0, c.LeastMm)
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	ore := Ore{TopSizeCm: 0.1, Shape: 0.5, SizeRange: 0.25, Mineralogical: 100, Liberation: 1}
	ok := Tailings{GradeGpt: 2, FreeShare: 0.7, EffectiveGrainMg: 0.6, PreparationRSD: 0.06, AssayRSD: 0.05}
	for name, f := range map[string]func() error{
		"assay above mineral":    func() error { _, err := MineralogicalFactor(0.9, 0.8, 7, 3); return err },
		"assay not a number":     func() error { _, err := MineralogicalFactor(nan, 0.8, 7, 3); return err },
		"no gold":                func() error { _, err := GoldFactor(0, 0); return err },
		"no liberation size":     func() error { _, err := LiberationFactor(0, 1, 0.5); return err },
		"empty ore":              func() error { _, err := Ore{}.FundamentalRSD(1, large); return err },
		"empty ore mass":         func() error { _, err := Ore{}.MassForRSD(0.1, large); return err },
		"sample above lot":       func() error { _, err := ore.FundamentalRSD(10, 5); return err },
		"sample of zero":         func() error { _, err := ore.FundamentalRSD(0, 5); return err },
		"wanted error zero":      func() error { _, err := ore.MassForRSD(0, large); return err },
		"calibrated":             func() error { _, err := CalibratedRSD(100, 1, 0, 1000); return err },
		"confidence of per cent": func() error { _, err := SDForHalfWidth(0.02, 95); return err },
		"grain of no size":       func() error { _, err := GrainMg(0, 1, 0); return err },
		"no grade":               func() error { _, err := Grains(1, 0, 0.7, 1); return err },
		"no grains wanted":       func() error { _, err := KgForGrains(0, 1, 0.7, 1); return err },
		"no grade for grains":    func() error { _, err := KgForGrains(20, nan, 0.7, 1); return err },
		"mean of zero":           func() error { _, err := CountOf(0); return err },
		"certainty":              func() error { _, err := MeanForChance(1); return err },
		"one count":              func() error { _, err := OfCounts([]float64{1}); return err },
		"half a grain":           func() error { _, err := OfCounts([]float64{1, 0.5}); return err },
		"no grain at all":        func() error { _, err := OfCounts([]float64{0, 0}); return err },
		"tailings of nothing":    func() error { _, err := Tailings{}.RSD(1); return err },
		"negative preparation": func() error {
			x := ok
			x.PreparationRSD = -1
			_, err := x.GrainRSD(1)
			return err
		},
		"recovery of per cent":  func() error { _, err := ok.Careful(78, 1); return err },
		"more than all":         func() error { _, err := ok.Own(0.8, 0.3, 1); return err },
		"mass of zero":          func() error { _, err := ok.Own(0.8, 0.2, 0); return err },
		"wanted points zero":    func() error { _, err := ok.KgForSE(0.8, 0.2, 0); return err },
		"wanted, no recovery":   func() error { _, err := ok.KgForSE(0, 1, 1); return err },
		"one pair":              func() error { _, err := UsualTrial.SmallestGain(1); return err },
		"power below chance":    func() error { _, err := Trial{0.95, 0.01}.SmallestGain(4); return err },
		"confidence of a half":  func() error { _, err := Trial{0.5, 0.8}.PairsFor(1, 1); return err },
		"gain not a number":     func() error { _, err := UsualTrial.PairsFor(nan, 1); return err },
		"no duplicates":         func() error { _, err := DuplicateCV(nil); return err },
		"pair of zeros":         func() error { _, err := DuplicateCV([]Pair{{0, 0}}); return err },
		"blank without limit":   func() error { _, err := JudgeBlank(1, 0); return err },
		"reference without sd":  func() error { _, err := JudgeReference(1, 1, 0); return err },
		"duplicate without cv":  func() error { _, err := JudgeDuplicate(Pair{1, 1}, 0); return err },
		"duplicate negative":    func() error { _, err := JudgeDuplicate(Pair{-1, 1}, 0.1); return err },
		"cuts without scatter":  func() error { _, err := Increments(0, 0.1); return err },
		"cutter without stream": func() error { _, err := CutterOf(0, 10, 0.4, 1); return err },
	} {
		t.Run(name, func(t *testing.T) { require.ErrorContains(t, f(), "sampling: ") })
	}
}
