package sim

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// The tables are our prototype's output (DEVELOPERS.md, "The simulated mill").
func TestSamplingTables(t *testing.T) {
	const percent = 0.5001 // half of the last printed digit
	for _, c := range []struct {
		name      string
		mg        float64
		feed      [3]float64 // % at 30 g, 1 kg, 10 kg
		careful   [2]float64 // % at 30 g, 1 kg
		own       float64    // % at 1 kg
		carefulSE [3]float64 // points of recovery at 1, 3, 10 kg
		ownSE     [3]float64
	}{
		{"Quillback Reef", 0.82, [3]float64{142, 25, 8}, [2]float64{269, 47}, 18, [3]float64{8.0, 4.7, 2.8}, [3]float64{2.5, 1.6, 1.2}},
		{"Pewter Gully", 0.079, [3]float64{54, 9, 3}, [2]float64{44, 8}, 2, [3]float64{2.7, 2.2, 2.0}, [3]float64{1.9, 1.8, 1.8}},
		{"Dunlin Lode", 0.25, [3]float64{129, 22, 7}, [2]float64{127, 22}, 8, [3]float64{5.4, 3.5, 2.5}, [3]float64{2.3, 1.9, 1.7}},
		{"Sedgefoot Tails", 0.012, [3]float64{34, 6, 2}, [2]float64{23, 4}, 1, [3]float64{1.8, 1.7, 1.7}, [3]float64{1.6, 1.6, 1.6}},
		{"Corvid Stockwork", 0.42, [3]float64{186, 32, 10}, [2]float64{232, 40}, 12, [3]float64{9.3, 5.5, 3.4}, [3]float64{2.8, 2.1, 1.8}},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := Reference(ore(t, c.name))
			feed := FeedGold(in.Ore)
			require.InEpsilon(t, c.mg, feed.EffectiveGrainMg(), 0.06)
			for i, kg := range []float64{0.03, 1, 10} {
				require.InDelta(t, c.feed[i], 100*feed.GrainRSD(kg), percent)
			}
			careful := CarefulTailings(in)
			for i, kg := range []float64{0.03, 1} {
				require.InDelta(t, c.careful[i], 100*careful.GrainRSD(kg), percent)
			}
			own := ProductGold(in, Tailings)
			require.InDelta(t, c.own, 100*own.GrainRSD(1), percent)
			d := Discharge(in)
			r, _ := d.Counted(2)
			for i, kg := range []float64{1, 3, 10} {
				spec := SampleSpec{Stream: careful, Kg: kg, PreparationRSD: 0.06, AssayRSD: 0.05, AssayAdd: 0.02}
				require.InDelta(t, c.carefulSE[i], 100*r*(1-r)*spec.RSD(), 0.051, "careful, %g kg", kg)
				spec.Stream = own
				require.InDelta(t, c.ownSE[i], 100*r*d.Recovery[Tailings]*spec.RSD(), 0.051, "own, %g kg", kg)
			}
		})
	}
}

func TestSimulatedAssaysScatter(t *testing.T) { // check 15
	rng := rand.New(rand.NewPCG(5, 6))
	spread := func(kg float64) (mean, rsd, skew float64) {
		spec := SampleSpec{Stream: FeedGold(ore(t, "Quillback Reef")), Kg: kg, PreparationRSD: 0.03, AssayRSD: 0.02, AssayAdd: 0.02}
		const n = 20000
		var s1, s2, s3 float64
		x := make([]float64, n)
		for i := range x {
			x[i] = spec.Assay(rng).Grade
			s1 += x[i]
		}
		mean = s1 / n
		for _, v := range x {
			s2 += (v - mean) * (v - mean)
			s3 += math.Pow(v-mean, 3)
		}
		sd := math.Sqrt(s2 / n)
		return mean, sd / mean, s3 / n / (sd * sd * sd)
	}
	mean, rsd, skew := spread(0.03)
	require.InEpsilon(t, 12, mean, 0.04) // 4 standard errors of the mean
	require.Greater(t, rsd, 1.0)
	require.Greater(t, skew, 1.0)
	_, rsd, _ = spread(10)
	require.InDelta(t, 0.09, rsd, 0.02)
}

func TestBlundersAndDelimitation(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	spec := SampleSpec{Stream: FeedGold(ore(t, "Sedgefoot Tails")), Kg: 20, PreparationRSD: -1, AssayRSD: -1, Blunders: 0.5, SwapWith: 77}
	seen := map[string]int{}
	for range 400 {
		s := spec.Assay(rng)
		seen[s.Blunder]++
		if s.Blunder == "swapped" {
			require.Equal(t, 77.0, s.Grade)
		}
	}
	require.Greater(t, seen["swapped"], 50)
	require.Greater(t, seen["unit slip"], 30)

	fair, cut := 0.0, 0.0
	spec.Blunders = 0
	for range 500 {
		spec.Delimitation = 0
		fair += spec.Assay(rng).Grade
		spec.Delimitation = 0.10
		cut += spec.Assay(rng).Grade
	}
	require.InDelta(t, 1-0.10*spec.Stream.Free, cut/fair, 0.01)
}
