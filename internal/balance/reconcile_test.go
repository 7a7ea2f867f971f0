package balance

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/checkvalue"
)

func parse(t testing.TB, text string) *Samples {
	t.Helper()
	s, err := ParseSamples("samples.csv", strings.NewReader(text))
	require.NoError(t, err)
	return s
}

const millNode = `stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se
feed,1500,45,7.4,0.9
concentrate_1,15.2,0.15,610,35
tailings,1478,60,1.3,0.15
`

func TestMB05(t *testing.T) {
	c := checks(t).Get("MB-05")
	res, err := Reconcile(parse(t, millNode), Options{})
	require.NoError(t, err)
	for i, name := range []string{"feed", "conc", "tail"} {
		s := res.Streams[i]
		require.NoError(t, c.Compare(name+"_kgph", *s.Mass.Adjusted))
		require.NoError(t, c.Compare(name+"_gpt", *s.Grades["au_gpt"].Adjusted))
	}
	require.NoError(t, c.Compare("sd_feed_kgph", *res.Streams[0].Mass.SE))
	require.NoError(t, c.Compare("sd_feed_gpt", *res.Streams[0].Grades["au_gpt"].SE))
	require.NoError(t, c.Compare("chi_square", res.ChiSquare))
	r := res.Recovery["au"]["concentrate_1"]
	require.NoError(t, c.Compare("recovery_fraction", r.Mean/100))
	require.Equal(t, 2, res.DegreesOfFreedom)
	require.Less(t, r.Lower, r.Mean-r.SE)
	require.Greater(t, r.Upper, r.Mean+r.SE)
}

// truth is a table's products with their true masses and grades.
type truth struct {
	names []string
	mass  []float64
	gold  []float64
	relM  []float64
	relG  []float64
}

func (tr truth) measure(rng *rand.Rand) *Samples {
	s := &Samples{File: "simulated", Elements: []Element{{"au", "g/t", "au_gpt"}}}
	for i, n := range tr.names {
		draw := func(v, rel float64) Measured {
			if rel == 0 {
				return Measured{}
			}
			sg := math.Sqrt(math.Log1p(rel * rel))
			y := v * math.Exp(sg*rng.NormFloat64()-sg*sg/2)
			return Measured{Value: y, SE: rel * y, Has: true}
		}
		s.Streams = append(s.Streams, Stream{Name: n, Mass: draw(tr.mass[i], tr.relM[i]), Grades: []Measured{draw(tr.gold[i], tr.relG[i])}})
	}
	return s
}

// table closes a truth exactly: the feed is the sum of its products.
func table(names []string, mass, gold, relMass, relGold []float64) truth {
	tr := truth{names, mass, gold, relMass, relGold}
	m, g := 0.0, 0.0
	for i := 1; i < len(mass); i++ {
		m += mass[i]
		g += mass[i] * gold[i]
	}
	tr.mass[0], tr.gold[0] = m, g/m
	return tr
}

var simulated = map[string]truth{
	"everything weighed and assayed": table([]string{"feed", "concentrate_1", "concentrate_2", "middlings", "tailings"},
		[]float64{0, 4.2, 11.5, 86, 1398.3}, []float64{0, 1850, 210, 14.5, 0.62}, []float64{.03, .01, .01, .03, .04}, []float64{.10, .05, .05, .08, .10}),
	"coarse gold, tailings by difference": table([]string{"feed", "concentrate_1", "concentrate_2", "middlings", "tailings"},
		[]float64{0, 4.2, 11.5, 86, 1398.3}, []float64{0, 1850, 210, 14.5, 0.62}, []float64{.03, .01, .01, .03, 0}, []float64{.30, .05, .08, .15, .40}),
	"assays alone": table([]string{"feed", "concentrate_1", "tailings"},
		[]float64{0, 8, 992}, []float64{0, 800, 1.6}, []float64{0, 0, 0}, []float64{.1, .05, .2}),
	"calculated head": table([]string{"feed", "concentrate_1", "tailings"},
		[]float64{0, 8, 992}, []float64{0, 800, 1.6}, []float64{.03, .01, 0}, []float64{0, .05, .4}),
}

// The stated 95 % interval holds the true recovery about that often, with errors of
// a known size on every figure; the standard error is that of the scatter; and a
// plant without a fault is seldom suspected.
func TestCoverage(t *testing.T) {
	const trials = 300
	for name, tr := range simulated {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(11, 13))
			last := len(tr.mass) - 1
			metal := 0.0
			for i := 1; i <= last; i++ {
				metal += tr.mass[i] * tr.gold[i]
			}
			truly := 100 * tr.mass[1] * tr.gold[1] / metal
			inside, suspected, ss, se := 0, 0, 0.0, 0.0
			for range trials {
				res, err := Reconcile(tr.measure(rng), Options{Draws: 300})
				require.NoError(t, err)
				r := res.Recovery["au"]["concentrate_1"]
				if r.Lower <= truly && truly <= r.Upper {
					inside++
				}
				if len(res.Suspects) > 0 {
					suspected++
				}
				ss += (r.Mean - truly) * (r.Mean - truly) / trials
				se += r.SE / trials
			}
			require.InDelta(t, 0.95, float64(inside)/trials, 0.035, "share of intervals that hold the truth")
			require.InEpsilon(t, math.Sqrt(ss), se, 0.15, "standard error against scatter")
			require.Less(t, float64(suspected)/trials, 0.10)
		})
	}
}

const tableRun = `stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se,pb_pct,pb_pct_se
feed,1500,30,8.3,0.8,0.51,0.03
concentrate_1,4.2,0.04,1850,90,31,1
concentrate_2,11.5,0.1,210,12,18,0.7
middlings,86,2,14.5,1.5,2.1,0.1
tailings,1390,40,0.62,0.09,0.13,0.01
`

// What must hold whatever the figures: masses and metal close, recoveries add to
// 100, the sum of products is within each interval, nothing is not a number.
func requireSane(t testing.TB, res *Result) {
	t.Helper()
	data, err := json.Marshal(res)
	require.NoError(t, err, "NaN and infinity do not marshal")
	require.NotContains(t, string(data), "null,null,null")
	for element, products := range res.Recovery {
		sum, all := 0.0, true
		for _, p := range res.Products {
			r, ok := products[p]
			all = all && ok
			sum += r.Mean
			if ok {
				require.LessOrEqual(t, r.Lower, r.Mean)
				require.GreaterOrEqual(t, r.Upper, r.Mean)
				require.GreaterOrEqual(t, r.SE, 0.0)
			}
		}
		if all {
			require.InDelta(t, 100, sum, 1e-6, element)
		}
	}
}

func TestReconciledTableCloses(t *testing.T) {
	res, err := Reconcile(parse(t, tableRun), Options{Counted: []string{"concentrate_1", "concentrate_2"}})
	require.NoError(t, err)
	requireSane(t, res)
	for _, column := range []string{"", "au_gpt", "pb_pct"} {
		in, out := 0.0, 0.0
		for _, s := range res.Streams {
			v := *s.Mass.Adjusted
			if column != "" {
				v *= *s.Grades[column].Adjusted
			}
			if s.Name == "feed" {
				in = v
			} else {
				out += v
			}
		}
		require.NoError(t, checkvalue.Near("closure "+column, out, in, "rel 1e-10"))
	}
	require.Equal(t, 3, res.DegreesOfFreedom)
	require.Empty(t, res.Suspects)
	for e, products := range res.Recovery {
		require.InDelta(t, products["concentrate_1"].Mean+products["concentrate_2"].Mean, products["counted"].Mean, 1e-9, e)
		// The two concentrates' recoveries move together or apart; their sum has its own error.
		require.Less(t, products["counted"].SE, products["concentrate_1"].SE+products["concentrate_2"].SE)
	}
	// Adjusting never makes a figure less sure than it was measured.
	for i, s := range res.Streams {
		require.LessOrEqual(t, *s.Mass.SE, parse(t, tableRun).Streams[i].Mass.SE*(1+1e-9))
	}
	require.NotEmpty(t, res.Weakest)
	sum := 0.0
	for _, w := range res.Weakest {
		if w.Element == "au" && w.Product == "counted" {
			sum += w.Share
		}
	}
	require.InDelta(t, 1, sum, 0.05, "shares add to one, less those too small to name")
	for _, m := range res.Metal {
		if m.Element == "au" && m.Stream == "feed" {
			require.InDelta(t, 0.0123, m.Kg, 0.001, "about 12 g of gold")
			require.Positive(t, m.SE)
		}
	}
	u := res.Unaccounted["dry_mass"]
	require.InDelta(t, 1500-4.2-11.5-86-1390, u.Kg, 1e-9)
	require.InDelta(t, 100*u.Kg/1500, u.Percent, 1e-9)
}

func TestSameSamplesSameAnswer(t *testing.T) {
	marshal := func(text string) string {
		res, err := Reconcile(parse(t, text), Options{})
		require.NoError(t, err)
		data, err := json.Marshal(res)
		require.NoError(t, err)
		return string(data)
	}
	require.Equal(t, marshal(tableRun), marshal(tableRun))
	// Rows in another order: the same figures, stream by stream.
	lines := strings.Split(strings.TrimSpace(tableRun), "\n")
	slices.Reverse(lines[1:])
	a, err := Reconcile(parse(t, tableRun), Options{})
	require.NoError(t, err)
	b, err := Reconcile(parse(t, strings.Join(lines, "\n")), Options{})
	require.NoError(t, err)
	require.Equal(t, a.Recovery, b.Recovery)
	require.Equal(t, a.ChiSquare, b.ChiSquare)
}

// Masses in another unit (all a thousand times as large) leave recovery alone.
func TestUnitsOfMassDoNotMatter(t *testing.T) {
	a, err := Reconcile(parse(t, tableRun), Options{})
	require.NoError(t, err)
	s := parse(t, tableRun)
	for i := range s.Streams {
		s.Streams[i].Mass.Value *= 1000
		s.Streams[i].Mass.SE *= 1000
	}
	b, err := Reconcile(s, Options{})
	require.NoError(t, err)
	require.InDelta(t, a.ChiSquare, b.ChiSquare, 1e-8)
	for p, r := range a.Recovery["au"] {
		require.InDelta(t, r.Mean, b.Recovery["au"][p].Mean, 1e-8)
		require.InDelta(t, r.SE, b.Recovery["au"][p].SE, 1e-8)
	}
}

// TP-13, TP-14: assays of feed, concentrate and tailings and nothing else come to the
// two-product formula with its propagated error.
func TestAssaysAloneAreTheTwoProductFormula(t *testing.T) {
	set := checks(t)
	for id, unit := range map[string]string{"TP-13": "_gpt", "TP-14": ""} {
		t.Run(id, func(t *testing.T) {
			c := set.Get(id)
			s := &Samples{File: id, Elements: []Element{{"au", "g/t", "au_gpt"}}}
			for _, n := range []struct{ stream, in, sd string }{{"feed", "feed", "sd_feed"}, {"concentrate_1", "concentrate", "sd_concentrate"}, {"tailings", "tailings", "sd_tailings"}} {
				s.Streams = append(s.Streams, Stream{Name: n.stream, Grades: []Measured{{Value: c.In(n.in + unit), SE: c.In(n.sd), Has: true}}})
			}
			res, err := Reconcile(s, Options{})
			require.NoError(t, err)
			requireSane(t, res)
			r := res.Recovery["au"]["concentrate_1"]
			require.NoError(t, c.Compare("recovery_fraction", r.Mean/100))
			require.NoError(t, c.Compare("sd_recovery", r.SE/100))
			require.Zero(t, res.DegreesOfFreedom)
			require.Zero(t, res.ChiSquare)
			require.Nil(t, res.PValue)
			require.Nil(t, res.Streams[0].Mass.Adjusted, "no mass is known")
			require.Contains(t, strings.Join(res.Warnings, " "), "from the assays alone")
		})
	}
}

// TP-09 as a balance: no feed figure at all gives the calculated head.
func TestCalculatedHeadAsBalance(t *testing.T) {
	c := checks(t).Get("TP-09")
	s := &Samples{File: "TP-09", Elements: []Element{{"au", "g/t", "au_gpt"}}}
	s.Streams = append(s.Streams, Stream{Name: "feed", Grades: []Measured{{}}})
	for stream, in := range map[string]string{"concentrate_1": "conc1", "concentrate_2": "conc2", "middlings": "middlings", "tailings": "tailings"} {
		m, g := c.In(in+"_kg"), c.In(in+"_gpt")
		s.Streams = append(s.Streams, Stream{Name: stream, Mass: Measured{Value: m, SE: 0.01 * m, Has: true}, Grades: []Measured{{Value: g, SE: 0.05 * g, Has: true}}})
	}
	res, err := Reconcile(s, Options{})
	require.NoError(t, err)
	requireSane(t, res)
	require.NoError(t, c.Compare("head_gpt", *res.Streams[0].Grades["au_gpt"].Adjusted))
	require.True(t, res.Streams[0].Mass.ByDifference)
	for stream, want := range map[string]string{"concentrate_1": "dist_conc1", "concentrate_2": "dist_conc2", "middlings": "dist_middlings", "tailings": "dist_tailings"} {
		require.NoError(t, c.Compare(want, res.Recovery["au"][stream].Mean/100))
	}
}

func TestTailingsByDifference(t *testing.T) {
	text := strings.Replace(tableRun, "tailings,1390,40", "tailings,,", 1)
	res, err := Reconcile(parse(t, text), Options{})
	require.NoError(t, err)
	requireSane(t, res)
	tails := res.Streams[4].Mass
	require.True(t, tails.ByDifference)
	require.Nil(t, tails.Measured)
	require.InDelta(t, 1400, *tails.Adjusted, 40)
	require.Contains(t, strings.Join(res.Warnings, " "), "The mass of tailings was not weighed: it is by difference.")
	require.NotContains(t, res.Unaccounted, "dry_mass")
	data, err := json.Marshal(res)
	require.NoError(t, err)
	require.Contains(t, string(data), `"dry_mass_kg":{"measured":null,"adjusted":`)
}

func TestWhatCannotBeKnownIsSaid(t *testing.T) {
	res, err := Reconcile(parse(t, `stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se
feed,1500,30,8.3,0.8
concentrate_1,4.2,0.04,1850,90
concentrate_2,11.5,0.1,,
tailings,1484,40,,
`), Options{Counted: []string{"concentrate_1", "concentrate_2"}})
	require.NoError(t, err)
	requireSane(t, res)
	require.Contains(t, res.Recovery["au"], "concentrate_1")
	require.NotContains(t, res.Recovery["au"], "concentrate_2")
	require.NotContains(t, res.Recovery["au"], "counted")
	require.Nil(t, res.Streams[2].Grades["au_gpt"].Adjusted)
	require.Contains(t, strings.Join(res.Warnings, " "), "cannot be known")
}

// A network of two junctions: a second table treats the middlings of the first.
func TestTwoJunctions(t *testing.T) {
	s := parse(t, `stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se
feed,1000,20,10,1
concentrate_1,5,0.1,1200,50
middlings,100,3,25,2
tailings,897,20,1.7,0.2
concentrate_2,2,0.05,800,40
second_tailings,99,3,9,1
`)
	var junctions []Junction
	for i, text := range []string{"feed = concentrate_1 + middlings + tailings", "middlings = concentrate_2 + second_tailings"} {
		j, err := ParseJunction("--junction", i+1, text)
		require.NoError(t, err)
		junctions = append(junctions, j)
	}
	res, err := Reconcile(s, Options{Junctions: junctions, Counted: []string{"concentrate_1", "concentrate_2"}})
	require.NoError(t, err)
	requireSane(t, res)
	require.Equal(t, 4, res.DegreesOfFreedom)
	require.Equal(t, []string{"feed"}, res.Feeds)
	require.ElementsMatch(t, []string{"concentrate_1", "tailings", "concentrate_2", "second_tailings"}, res.Products)
	require.NotContains(t, res.Recovery["au"], "middlings", "it does not leave the plant")
}

// A wrong figure is named, and what it would have to be; a right one is not.
func TestSuspects(t *testing.T) {
	for name, tc := range map[string]struct {
		from, to, stream, quantity string
		fits                       float64
	}{
		"mass of the feed":       {"feed,1500,30", "feed,1950,30", "feed", "dry_mass_kg", 1490},
		"gold of concentrate 1":  {"1850,90,31", "185,9,31", "concentrate_1", "au_gpt", 1850},
		"lead of the feed":       {"0.51,0.03", "1.02,0.03", "feed", "pb_pct", 0.47},
		"tailings mass a tenth":  {"tailings,1390,40", "tailings,139,4", "tailings", "dry_mass_kg", 1390},
		"gold of feed and a bit": {"8.3,0.8", "16.6,0.8", "feed", "au_gpt", 8.2},
	} {
		t.Run(name, func(t *testing.T) {
			text := strings.Replace(tableRun, tc.from, tc.to, 1)
			require.NotEqual(t, tableRun, text)
			res, err := Reconcile(parse(t, text), Options{})
			require.NoError(t, err)
			requireSane(t, res)
			require.Less(t, *res.PValue, 0.01)
			i := slices.IndexFunc(res.Suspects, func(s Suspect) bool { return s.Stream == tc.stream && s.Quantity == tc.quantity })
			require.GreaterOrEqual(t, i, 0, "%+v", res.Suspects)
			require.Greater(t, res.Suspects[i].Statistic, 2.5)
			require.Less(t, res.Suspects[0].Statistic, res.Suspects[i].Statistic*1.3, "near the top of the list")
			require.InEpsilon(t, tc.fits, res.Suspects[i].WouldBe, 0.25)
		})
	}
	res, err := Reconcile(parse(t, tableRun), Options{})
	require.NoError(t, err)
	require.Empty(t, res.Suspects)
	require.NotNil(t, res.Suspects, "an empty list in JSON, not null")
}

// Where a plain error would push a grade below zero the balance works in logarithms.
func TestLogarithmsKeepGradesPositive(t *testing.T) {
	res, err := Reconcile(parse(t, `stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se
feed,1000,10,2,0.05
concentrate_1,10,0.1,230,5
tailings,990,10,0.2,0.3
`), Options{})
	require.NoError(t, err)
	requireSane(t, res)
	require.Contains(t, strings.Join(res.Warnings, " "), "in logarithms")
	for _, s := range res.Streams {
		require.Positive(t, *s.Grades["au_gpt"].Adjusted)
	}
	require.Less(t, res.Recovery["au"]["concentrate_1"].Mean, 100.0)
	require.Less(t, res.Recovery["au"]["concentrate_1"].Upper, 100.0)
}

func TestZeroAssayOfTailings(t *testing.T) {
	res, err := Reconcile(parse(t, `stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se
feed,1000,10,2,0.05
concentrate_1,10,0.1,210,5
tailings,990,10,0,0.02
`), Options{})
	require.NoError(t, err)
	requireSane(t, res)
	require.Contains(t, strings.Join(res.Warnings, " "), "measured as 0")
	require.Positive(t, *res.Streams[2].Grades["au_gpt"].Adjusted)
}

func TestImpossibleFigures(t *testing.T) {
	_, err := Reconcile(parse(t, "stream,au_gpt\nfeed,1\nconcentrate_1,50\ntailings,3\n"), Options{})
	require.ErrorIs(t, err, ErrImpossible)
	require.ErrorContains(t, err, "samples.csv:3:1: the figures cannot belong together: concentrate_1 dry_mass_kg would have to be negative")
}

// A product that recovery counts but nobody sampled: no such recovery, never a
// smaller one under its name.
func TestCountedWithoutARow(t *testing.T) {
	res, err := Reconcile(parse(t, millNode), Options{Counted: []string{"concentrate_1", "concentrate_2"}})
	require.NoError(t, err)
	require.NotContains(t, res.Recovery["au"], "counted")
	require.Contains(t, strings.Join(res.Warnings, " "), "Recovery counts concentrate_2, which has no row")
}

func TestReconcileRefuses(t *testing.T) {
	ok := "stream,dry_mass_kg,au_gpt\nfeed,1000,5\nconcentrate_1,10,400\ntailings,990,1\n"
	for name, tc := range map[string]struct {
		text string
		o    Options
		says string
	}{
		"unknown stream":         {ok + "concentrate_9,1,2\n", Options{}, "samples.csv:5:1: the stream concentrate_9 is not known"},
		"junction without a row": {ok, Options{Junctions: []Junction{{[]string{"feed"}, []string{"concentrate_1", "tailings", "slimes"}}}}, "names the stream slimes, which has no row"},
		"same side twice": {ok, Options{Junctions: []Junction{{[]string{"feed"}, []string{"concentrate_1", "tailings"}}, {[]string{"feed"}, []string{"concentrate_1"}}}},
			"stands on the same side of two junctions"},
		"a circle":        {ok, Options{Junctions: []Junction{{[]string{"feed"}, []string{"concentrate_1", "tailings"}}, {[]string{"concentrate_1", "tailings"}, []string{"feed"}}}}, "in a circle"},
		"only a feed":     {"stream,au_gpt\nfeed,5\n", Options{}, "no row is a product of feed"},
		"counts the feed": {ok, Options{Counted: []string{"feed"}}, "recovery counts feed, which does not leave the plant"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Reconcile(parse(t, tc.text), tc.o)
			require.ErrorContains(t, err, tc.says)
		})
	}
	// Samples that did not come through the parser are checked again.
	for name, change := range map[string]func(*Samples){
		"not a number":  func(s *Samples) { s.Streams[0].Mass.Value = math.NaN() },
		"zero error":    func(s *Samples) { s.Streams[0].Grades[0].SE = 0 },
		"negative":      func(s *Samples) { s.Streams[1].Grades[0].Value = -1 },
		"doubled":       func(s *Samples) { s.Streams[1].Name = "feed" },
		"ragged":        func(s *Samples) { s.Streams[1].Grades = nil },
		"nothing in it": func(s *Samples) { s.Streams = nil },
	} {
		t.Run(name, func(t *testing.T) {
			s := parse(t, ok)
			change(s)
			_, err := Reconcile(s, Options{})
			require.Error(t, err)
		})
	}
}

func TestParseSamples(t *testing.T) {
	s := parse(t, "\ufeffstream, au_gpt ,dry_mass_kg,dry_mass_kg_se,note\nfeed,8.3,,,\n\nconcentrate_1,1850,4.2,0.04,\"rich, black\"\n")
	require.Equal(t, []Element{{"au", "g/t", "au_gpt"}}, s.Elements)
	require.Len(t, s.Streams, 2)
	require.False(t, s.Streams[0].Mass.Has)
	require.Equal(t, Measured{Value: 4.2, SE: 0.04, Has: true}, s.Streams[1].Mass)
	require.True(t, s.Streams[1].Grades[0].Assumed)
	require.InDelta(t, math.Hypot(0.078*1850, 0.02), s.Streams[1].Grades[0].SE, 1e-9)
	require.Equal(t, 4, s.Streams[1].Line)
	require.Len(t, s.Warnings, 2)
	require.Contains(t, s.Warnings[0], "Columns not used: note.")
	require.Contains(t, s.Warnings[1], "No standard error was given for feed au_gpt, concentrate_1 au_gpt: assumed")
}

func TestParseSamplesRefuses(t *testing.T) {
	head := "stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se\n"
	for name, tc := range map[string]struct{ text, says string }{
		"empty":                   {"", "samples.csv:1:1: the file is empty"},
		"no rows":                 {head, "samples.csv:2:1: there is no stream"},
		"word":                    {head + "feed,1500,30,n.s.,0.5\n", `samples.csv:2:14: "n.s." in column au_gpt is not a number`},
		"below a limit":           {head + "feed,1500,30,<0.05,0.5\n", "samples.csv:2:14: \"<0.05\" in column au_gpt is a limit"},
		"not a number":            {head + "feed,NaN,30,8,0.5\n", "samples.csv:2:6: \"NaN\" in column dry_mass_kg is not a finite number"},
		"infinite":                {head + "feed,+Inf,30,8,0.5\n", "samples.csv:2:6: "},
		"hexadecimal":             {head + "feed,0x10,30,8,0.5\n", "is not a number"},
		"decimal comma":           {head + "feed,1500,30,\"8,3\",0.5\n", "samples.csv:2:14: \"8,3\" in column au_gpt has a decimal comma: write 8.3"},
		"decimal comma, unquoted": {head + "feed,1500,30,8,3,0.5\n", "was a decimal comma written?"},
		"negative mass":           {head + "feed,-1500,30,8,0.5\n", "samples.csv:2:6: the mass -1500 in column dry_mass_kg is negative"},
		"negative grade":          {head + "feed,1500,30,-8,0.5\n", "samples.csv:2:14: the grade -8"},
		"zero error":              {head + "feed,1500,0,8,0.5\n", "samples.csv:2:11: the standard error 0"},
		"negative error":          {head + "feed,1500,30,8,-1\n", "samples.csv:2:16: the standard error -1"},
		"repeated stream":         {head + "feed,1500,30,8,1\nfeed,1,1,1,1\n", "samples.csv:3:1: the stream feed stands twice (first in line 2)"},
		"stream without a name":   {head + ",1500,30,8,1\n", "samples.csv:2:1: \"\" is not the name of a stream"},
		"capitals":                {head + "Feed,1500,30,8,1\n", "\"Feed\" is not the name"},
		"short row":               {head + "feed,1500,30\n", "leave a field empty"},
		"no stream column":        {"name,au_gpt\nfeed,8\n", "samples.csv:1:1: there is no column stream"},
		"no grade":                {"stream,dry_mass_kg\nfeed,8\n", "there is no grade column"},
		"column twice":            {"stream,au_gpt,au_gpt\nfeed,8,8\n", "samples.csv:1:15: the column au_gpt stands twice"},
		"element twice":           {"stream,au_gpt,au_ppm\nfeed,8,8\n", "au is assayed in two columns"},
		"unit mistyped":           {"stream,au_gpt,ag_gtp\nfeed,8,8\n", "samples.csv:1:15: the unit of column ag_gtp is not known"},
		"mass in tonnes":          {"stream,dry_mass_t,au_gpt\nfeed,8,8\n", "wants dry masses in kilograms"},
		"error of nothing":        {"stream,au_gpt,ag_gpt_se\nfeed,8,8\n", "ag_gpt_se is the error of a column that is not there"},
		"error of no mass":        {"stream,au_gpt,dry_mass_kg_se\nfeed,8,8\n", "add dry_mass_kg"},
		"semicolons":              {"stream;au_gpt\nfeed;8\n", "must be separated by commas"},
		"quote out of place":      {head + "feed,15\"00,30,8,1\n", "samples.csv:2:8: a quotation mark"},
		"more than the whole":     {"stream,pb_pct\nfeed,101\n", "is more than the whole"},
		"gold of per cent":        {head + "feed,1500,30,2000000,1\n", "is more than the whole"},
		"beyond sense":            {head + "feed,1e300,30,8,1\n", "too large to be real"},
		"element of capitals":     {"stream,Au_gpt\nfeed,8\n", "is not the name of an element"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseSamples("samples.csv", strings.NewReader(tc.text))
			require.ErrorContains(t, err, tc.says)
		})
	}
	s := parse(t, head+"feed,,30,8,1\n")
	require.False(t, s.Streams[0].Mass.Has)
	require.Contains(t, strings.Join(s.Warnings, " "), "no figure: not measured")
}

func TestParseJunction(t *testing.T) {
	j, err := ParseJunction("--junction", 1, " feed +make_up= concentrate_1 +  tailings ")
	require.NoError(t, err)
	require.Equal(t, Junction{[]string{"feed", "make_up"}, []string{"concentrate_1", "tailings"}}, j)
	require.Equal(t, "feed + make_up = concentrate_1 + tailings", j.String())
	for text, says := range map[string]string{
		"":                     "--junction:1:1: the junction \"\" has no =",
		"feed":                 "has no =",
		"feed = ":              "--junction:1:7: a stream's name is missing",
		" = tailings":          "--junction:1:1: a stream's name is missing",
		"feed = a + ":          "a stream's name is missing",
		"feed = a = b":         "--junction:1:10: the junction has a second =",
		"feed = A":             "--junction:1:8: \"A\" is not the name",
		"feed = a + a":         "--junction:1:12: the stream a stands twice",
		"feed = feed + a":      "--junction:1:8: the stream feed stands twice",
		"feed = conc 1 + rest": "\"conc 1\" is not the name",
	} {
		_, err := ParseJunction("--junction", 1, text)
		require.ErrorContains(t, err, says, text)
	}
}

// Whatever parses either balances to finite, closing figures or says why not.
func FuzzSamples(f *testing.F) {
	f.Add(millNode)
	f.Add(tableRun)
	f.Add("stream,au_gpt\nfeed,8\nconcentrate_1,900\ntailings,1\n")
	f.Add("stream,dry_mass_kg,au_gpt\nfeed,0,0\nconcentrate_1,0,0\ntailings,0,0\n")
	f.Add("stream,dry_mass_kg,au_gpt,cu_pct\nfeed,,5,1\nconcentrate_1,1,,30\ntailings,,1,\n")
	f.Add("stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se\nfeed,1e-9,1e9,1e6,1e-300\ntailings,1e12,1e-9,0,1\n")
	f.Fuzz(func(t *testing.T, text string) {
		if strings.Count(text, "\n") > 8 || len(text) > 600 {
			return // size is not what is being tried
		}
		s, err := ParseSamples("samples.csv", strings.NewReader(text))
		if err != nil {
			if !strings.HasPrefix(err.Error(), "samples.csv") {
				t.Fatalf("no place: %v", err)
			}
			return
		}
		res, err := Reconcile(s, Options{Draws: 20})
		if err != nil {
			return
		}
		requireSane(t, res)
	})
}

func BenchmarkReconcileTable(b *testing.B) {
	s := parse(b, tableRun)
	for b.Loop() {
		if _, err := Reconcile(s, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkReconcileWithoutResampling(b *testing.B) {
	s := parse(b, tableRun)
	for b.Loop() {
		if _, err := Reconcile(s, Options{Draws: 1}); err != nil {
			b.Fatal(err)
		}
	}
}
