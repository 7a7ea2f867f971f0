package sim

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// The numbers in this file are the output of our own prototype of the deck map,
// which was written three times from the formulas alone (see DEVELOPERS.md, "The
// simulated mill"). An exact port agrees to the last printed digit; the tolerances
// are half of it, and 0.5 % for grades.
const (
	tolRecovery = 0.05001  // points
	tolPull     = 0.005001 // points
	tolGrade    = 0.005    // share
	tolBest     = 0.0501   // points of the objective
)

func ore(t testing.TB, name string) OreSource {
	t.Helper()
	o, err := SourceByName(name)
	require.NoError(t, err)
	return o
}

func requireDeck(t *testing.T, in MapInput, recovery, pull, grade float64) {
	t.Helper()
	d := Discharge(in)
	r, p := d.Counted(2)
	require.InDelta(t, recovery, 100*r, tolRecovery, "recovery")
	require.InDelta(t, pull, 100*p, tolPull, "mass pull")
	require.InEpsilon(t, grade, d.Grade[Concentrate1], tolGrade, "grade")
}

func TestDischargeMap(t *testing.T) {
	quillback := Reference(ore(t, "Quillback Reef"))
	type row struct{ at, recovery, pull, grade float64 }
	for _, c := range []struct {
		name string
		set  func(in *MapInput, v float64)
		rows []row
	}{
		{"check 2 feed", func(in *MapInput, v float64) { in.Feed = v }, []row{
			{0.3, 83.4, 1.28, 2825}, {0.5, 82.1, 1.01, 3607}, {0.7, 80.0, 0.80, 3958}, {0.8, 78.6, 0.72, 3886},
			{0.9, 76.9, 0.66, 3659}, {1.1, 70.0, 0.67, 2389}, {1.3, 50.9, 1.00, 726}, {1.6, 22.6, 1.59, 132}}},
		{"check 3 wash water", func(in *MapInput, v float64) { in.Wash = v }, []row{
			{15, 52.6, 3.89, 165}, {25, 73.4, 2.25, 698}, {35, 77.6, 1.51, 1415}, {50, 79.0, 0.94, 2807},
			{60, 78.6, 0.72, 3886}, {80, 75.8, 0.44, 6159}, {100, 69.5, 0.28, 8162}, {120, 58.9, 0.18, 9540}}},
		{"check 4 tilt", func(in *MapInput, v float64) { in.Tilt = v }, []row{
			{0.5, 50.3, 9.20, 116}, {1, 74.7, 2.46, 924}, {1.5, 80.2, 1.16, 2661}, {2, 78.6, 0.72, 3886},
			{3, 74.9, 0.39, 4993}, {4, 69.9, 0.29, 4681}, {5, 63.7, 0.25, 3843}, {6, 56.3, 0.22, 2962}}},
		{"check 5 feed solids", func(in *MapInput, v float64) { in.FeedSolids = v }, []row{
			{0.15, 69.6, 0.35, 5632}, {0.20, 76.5, 0.53, 4835}, {0.25, 78.6, 0.72, 3886}, {0.30, 78.7, 0.92, 2792},
			{0.35, 74.6, 1.25, 1417}, {0.40, 54.2, 1.83, 362}}},
		{"check 17 wash water on a full-size deck", func(in *MapInput, v float64) { in.Feed, in.Wash = 2.0/DeckScale(7.5, 420, 420), v }, []row{
			{60, 78.6, 0.72, 3886}, {45, 78.9, 1.09, 2307}}},
		{"check 17 feed on a full-size deck", func(in *MapInput, v float64) { in.Feed = v / DeckScale(7.5, 420, 420) }, []row{
			{2.4, 75.7, 0.64, 3463}, {2.5, 74.7, 0.62, 3314}}},
		{"check 17 feed on 9 m2", func(in *MapInput, v float64) { in.Feed = v / DeckScale(9, 420, 420) }, []row{{2.4, 78.6, 0.72, 3886}}},
		{"check 17 P80", func(in *MapInput, v float64) { in.P80, in.Feed = v, 2.0/DeckScale(7.5, v, 420) }, []row{
			{600, 80.1, 0.79, 3912}, {250, 73.3, 0.59, 3209}}},
	} {
		for _, r := range c.rows {
			t.Run(fmt.Sprintf("%s %g", c.name, r.at), func(t *testing.T) {
				in := quillback
				c.set(&in, r.at)
				requireDeck(t, in, r.recovery, r.pull, r.grade)
			})
		}
	}
}

func TestStrokeRate(t *testing.T) { // check 6
	for rate, want := range map[float64]float64{200: 34.6, 240: 72.4, 270: 77.7, 290: 78.6, 320: 78.5, 360: 76.2} {
		in := Reference(ore(t, "Quillback Reef"))
		in.StrokeRate = rate
		r, _ := Discharge(in).Counted(2)
		require.InDelta(t, want, 100*r, tolRecovery, "%g per minute", rate)
	}
}

func TestRecoveryBySize(t *testing.T) { // check 7
	for name, want := range map[string][sizes]float64{
		"Quillback Reef": {92, 92, 93, 93, 82, 27}, "Sedgefoot Tails": {88, 90, 91, 90, 68, 18}} {
		d := Discharge(Reference(ore(t, name)))
		for i := range sizes {
			require.InDelta(t, want[i], 100*(d.FreeBy[i][Concentrate1]+d.FreeBy[i][Concentrate2]), 0.5001, "%s %s", name, SizeNames[i])
		}
	}
}

func TestReferencePointByOre(t *testing.T) { // check 8, the grades of section 7 and the lines of check 18
	for _, c := range []struct {
		name      string
		recovery  [Products]float64
		pull      [3]float64
		con1, con float64
		line      float64
	}{
		{"Quillback Reef", [4]float64{46.5, 32.1, 5.3, 16.1}, [3]float64{0.14, 0.58, 3.37}, 3886, 1312, 0.295},
		{"Pewter Gully", [4]float64{27.7, 20.0, 3.7, 48.6}, [3]float64{0.25, 1.52, 8.53}, 674, 162, 0.328},
		{"Dunlin Lode", [4]float64{40.5, 22.8, 3.8, 32.9}, [3]float64{0.17, 0.72, 3.09}, 958, 285, 0.251},
		{"Sedgefoot Tails", [4]float64{16.3, 12.6, 2.9, 68.2}, [3]float64{0.10, 0.49, 3.70}, 293, 88, 0.343},
		{"Corvid Stockwork", [4]float64{42.6, 23.0, 3.9, 30.5}, [3]float64{0.79, 3.84, 8.27}, 162, 42, 0.244},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := ore(t, c.name)
			d := Discharge(Reference(o))
			for p := range Products {
				require.InDelta(t, c.recovery[p], 100*d.Recovery[p], tolRecovery, ProductNames[p])
			}
			for p := range 3 {
				require.InDelta(t, c.pull[p], 100*d.Pull[p], tolPull, ProductNames[p])
			}
			require.InEpsilon(t, c.con1, d.Grade[Concentrate1], tolGrade)
			r, pull := d.Counted(2)
			require.InDelta(t, c.con, o.Head*r/pull, 0.005*c.con+0.5)
			require.InDelta(t, c.line, d.Line, 0.0005001)
		})
	}
}

func TestDirtyWater(t *testing.T) { // check 9
	for c, want := range map[float64]float64{0: 30.6, 0.02: 30.0, 0.05: 29.1, 0.10: 27.4} {
		in := Reference(ore(t, "Sedgefoot Tails"))
		in.Wash, in.Tilt, in.WaterSlimes = 45, 1.5, c
		r, _ := Discharge(in).Counted(2)
		require.InDelta(t, want, 100*r, tolRecovery, "slimes %g", c)
	}
}

// objective is recovery to con 1 + 2 (%) less 1.5 times the mass pull to them (%).
func objective(in MapInput) float64 {
	r, p := Discharge(in).Counted(2)
	return 100*r - 150*p
}

func TestBestSettings(t *testing.T) { // check 10 and the table of best settings
	type best struct{ wash, tilt, j, at60 float64 }
	names := []string{"Quillback Reef", "Pewter Gully", "Dunlin Lode", "Sedgefoot Tails", "Corvid Stockwork"}
	for feed, want := range map[float64][]best{
		0.6: {{57.5, 1.50, 80.1, 79.8}, {45, 2.75, 46.8, 46.1}, {52.5, 1.25, 65.2, 64.1}, {37.5, 1.25, 32.3, 30.2}, {55, 4.00, 62.0, 57.9}},
		0.8: {{62.5, 1.25, 78.5, 77.5}, {50, 2.00, 45.3, 45.0}, {52.5, 1.75, 62.9, 62.0}, {45, 1.75, 29.7, 28.0}, {57.5, 3.00, 60.4, 58.6}},
		1.0: {{65, 1.75, 74.4, math.NaN()}, {52.5, 2.00, 42.8, math.NaN()}, {62.5, 2.25, 57.7, math.NaN()}, {55, 2.25, 24.5, math.NaN()}, {57.5, 2.25, 58.6, math.NaN()}},
	} {
		for i, name := range names {
			t.Run(fmt.Sprintf("%g %s", feed, name), func(t *testing.T) {
				in := Reference(ore(t, name))
				in.Feed = feed
				if !math.IsNaN(want[i].at60) {
					require.InDelta(t, want[i].at60, objective(in), tolBest)
				}
				top := best{j: math.Inf(-1)}
				for w := 15.0; w <= 130; w += 2.5 {
					for tilt := 0.5; tilt <= 6; tilt += 0.25 {
						in.Wash, in.Tilt = w, tilt
						if j := objective(in); j > top.j {
							top = best{wash: w, tilt: tilt, j: j}
						}
					}
				}
				require.InDelta(t, want[i].j, top.j, tolBest)
				require.Equal(t, want[i].wash, top.wash, "wash water")
				require.Equal(t, want[i].tilt, top.tilt, "tilt")
				require.Greater(t, top.wash, 15.0)
				require.Less(t, top.wash, 130.0)
				require.Greater(t, top.tilt, 0.5)
				require.Less(t, top.tilt, 6.0)
			})
		}
	}
}

func TestBadHabits(t *testing.T) { // the rest of the table of best settings, at 0.8
	for i, name := range []string{"Quillback Reef", "Pewter Gully", "Dunlin Lode", "Sedgefoot Tails", "Corvid Stockwork"} {
		in := Reference(ore(t, name))
		in.Wash, in.Tilt = 35, 3.5
		require.InDelta(t, []float64{68.5, 40.3, 57.4, 23.8, 58.2}[i], objective(in), tolBest, name)
		in.Wash, in.Tilt = 90, 3
		require.InDelta(t, []float64{68.3, 37.6, 53.8, 20.6, 56.9}[i], objective(in), tolBest, name)
		in.Feed, in.Wash, in.Tilt = 0.6, 35, 3.5
		require.InDelta(t, []float64{76.9, 46.3, 62.8, 29.2, 60.0}[i], objective(in), tolBest, name)
	}
}

func TestPublishedDirections(t *testing.T) { // check 16: tin slope studies; wash water and grade
	agrees := false
	for _, o := range Sources() {
		in := Reference(o)
		in.Feed = 0.3
		in.Tilt = 0.75
		flat := Discharge(in)
		in.Tilt = 2.3
		steep := Discharge(in)
		a, _ := flat.Counted(2)
		b, _ := steep.Counted(2)
		agrees = agrees || steep.Grade[Concentrate1] > flat.Grade[Concentrate1] && b < a

		in = Reference(o)
		in.Wash = 45
		less := Discharge(in)
		require.Greater(t, Discharge(Reference(o)).Grade[Concentrate1], less.Grade[Concentrate1], o.Name)
	}
	require.True(t, agrees)
}

func TestSplitterRule(t *testing.T) { // check 18
	line := func(in MapInput) MapInput { // every cut follows the dark line
		ref := Reference(in.Ore)
		shift := Discharge(in).Line - Discharge(ref).Line
		for i, x := range DefaultSplitters {
			in.Splitters[i] = x + shift
		}
		return in
	}
	best := func(o OreSource, rule func(MapInput) MapInput) float64 {
		top, at := math.Inf(-1), 0.0
		for w := 15.0; w <= 130; w += 2.5 {
			in := Reference(o)
			in.Wash = w
			if j := objective(rule(in)); j > top {
				top, at = j, w
			}
		}
		return at
	}
	fixed := func(in MapInput) MapInput { return in }
	third := func(in MapInput) MapInput {
		in.Splitters = DefaultSplitters
		in.Splitters[2] = line(in).Splitters[2]
		return in
	}
	for i, name := range []string{"Quillback Reef", "Pewter Gully", "Dunlin Lode", "Sedgefoot Tails", "Corvid Stockwork"} {
		o := ore(t, name)
		require.Equal(t, []float64{55, 50, 47.5, 37.5, 65}[i], best(o, fixed), "%s fixed", name)
		require.Equal(t, []float64{67.5, 57.5, 57.5, 42.5, 62.5}[i], best(o, line), "%s visible line", name)
		require.Equal(t, []float64{55, 50, 47.5, 37.5, 65}[i], best(o, third), "%s x3 alone", name)
	}
	in := Reference(ore(t, "Quillback Reef"))
	in.Wash = 90
	for _, c := range []struct {
		in             MapInput
		recovery, pull float64
	}{{in, 73.1, 0.35}, {line(in), 76.0, 0.61}} {
		r, p := Discharge(c.in).Counted(2)
		require.InDelta(t, c.recovery, 100*r, tolRecovery)
		require.InDelta(t, c.pull, 100*p, tolPull)
	}
}

func TestDischargeClosesAndIsFinite(t *testing.T) {
	for _, o := range Sources() {
		for _, feed := range []float64{0, 1e-9, 0.8, 5} {
			for _, wash := range []float64{0, 60, 400} {
				for _, tilt := range []float64{0, 2, 9} {
					for _, x := range []float64{0, 0.25, 1} {
						for _, speed := range []float64{0, 290} {
							in := Reference(o)
							in.Feed, in.Wash, in.Tilt, in.FeedSolids, in.StrokeRate = feed, wash, tilt, x, speed
							d := Discharge(in)
							var r, p float64
							for k := range Products {
								require.False(t, math.IsNaN(d.Recovery[k]) || math.IsInf(d.Recovery[k], 0))
								require.GreaterOrEqual(t, d.Recovery[k], -1e-12)
								r += d.Recovery[k]
								p += d.Pull[k]
							}
							require.InDelta(t, 1, r, 1e-12)
							require.InDelta(t, 1, p, 1e-12)
						}
					}
				}
			}
		}
	}
}
