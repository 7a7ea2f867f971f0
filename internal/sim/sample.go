package sim

import (
	"math"
	"math/rand/v2"
)

// StreamGold is what a sample of a stream holds: its grade, the share of its gold
// that is free, and the size make-up and shape of the free grains.
type StreamGold struct {
	Grade float64        // g/t
	Free  float64        // share of the gold in free grains
	Size  [sizes]float64 // mass share of the free gold by size, sums to 1
	Shape float64
}

// FeedGold is the gold of the mill product of an ore.
func FeedGold(o OreSource) StreamGold {
	g := StreamGold{Grade: o.Head, Free: o.FreeShare, Shape: o.GoldShape}
	goldShares(o.GoldD50, o.GoldSigma, &g.Size)
	return g
}

// ProductGold is the gold of one product of a deck that stands at in.
func ProductGold(in MapInput, product int) StreamGold {
	d := Discharge(in)
	g := StreamGold{Grade: d.Grade[product], Shape: in.Ore.GoldShape}
	var feed [sizes]float64
	goldShares(in.Ore.GoldD50, in.Ore.GoldSigma, &feed)
	sum := 0.0
	for i := range sizes {
		g.Size[i] = feed[i] * d.FreeBy[i][product]
		sum += g.Size[i]
	}
	if sum > 0 {
		for i := range sizes {
			g.Size[i] /= sum
		}
	}
	if d.Recovery[product] > 0 {
		g.Free = in.Ore.FreeShare * d.FreeGold[product] / d.Recovery[product]
	}
	return g
}

// CarefulTailings is the tailings as one must take them before anything is known:
// the tailings' grade with a free share of 0.7 and the size make-up of all free gold
// that missed the first two concentrates.
func CarefulTailings(in MapInput) StreamGold {
	d := Discharge(in)
	g := StreamGold{Grade: d.Grade[Tailings], Free: 0.7, Shape: in.Ore.GoldShape}
	var feed [sizes]float64
	goldShares(in.Ore.GoldD50, in.Ore.GoldSigma, &feed)
	sum := 0.0
	for i := range sizes {
		g.Size[i] = feed[i] * (d.FreeBy[i][Middlings] + d.FreeBy[i][Tailings])
		sum += g.Size[i]
	}
	for i := range sizes {
		g.Size[i] /= sum
	}
	return g
}

// grainMg is the mass of a grain of a size class in mg: shape d^3 16.5 mg/mm3.
func (g StreamGold) grainMg(class int) float64 {
	d := SizeUm[class] / 1000
	return g.Shape * d * d * d * 16.5
}

// EffectiveGrainMg is m_eff, the mass-weighted mean grain, mg (Gy, free gold counted
// as grains).
func (g StreamGold) EffectiveGrainMg() float64 {
	sum := 0.0
	for i := range sizes {
		sum += g.Size[i] * g.grainMg(i)
	}
	return sum
}

// GrainRSD is the relative standard deviation of the grade of a sample of kg from
// the number of grains alone: sqrt(f m_eff / (a M)).
func (g StreamGold) GrainRSD(kg float64) float64 {
	if g.Grade <= 0 || kg <= 0 {
		return 0
	}
	return math.Sqrt(g.Free * g.EffectiveGrainMg() / (g.Grade * kg))
}

// SampleSpec is how a sample is taken, prepared and assayed.
type SampleSpec struct {
	Stream         StreamGold
	Kg             float64
	PreparationRSD float64 // 0.03 to 0.08; negative: none
	AssayRSD       float64 // 0.02 to 0.05; negative: none
	AssayAdd       float64 // g/t, standard deviation that does not shrink with the grade
	Delimitation   float64 // share by which a hand cut under-samples the free gold, 0 to 0.10
	Blunders       float64 // chance of a swap or a unit slip, 0.005 is usual
	SwapWith       float64 // g/t of the sample it may be swapped with; 0: unit slips alone
}

// Sample is a result and what it came from.
type Sample struct {
	Grade   float64 // g/t reported
	InBag   float64 // g/t truly in the sample
	Grains  int     // free grains in it
	Blunder string  // "", "swapped", "unit slip"
}

// Assay takes one sample: the number of grains in each size class is Poisson, which
// gives the right skew (usually low, sometimes very high); then preparation and
// assay.
func (s SampleSpec) Assay(rng *rand.Rand) Sample {
	var out Sample
	g := s.Stream
	freeMg := g.Grade * g.Free * s.Kg * (1 - s.Delimitation)
	mg := g.Grade * (1 - g.Free) * s.Kg
	for i := range sizes {
		grain := g.grainMg(i)
		if grain <= 0 || g.Size[i] <= 0 {
			continue
		}
		n := poisson(rng, freeMg*g.Size[i]/grain)
		out.Grains += n
		mg += float64(n) * grain
	}
	if s.Kg > 0 {
		out.InBag = mg / s.Kg
	}
	r := out.InBag
	r *= math.Max(0, 1+max(0, s.PreparationRSD)*clip3(rng.NormFloat64()))
	r *= math.Max(0, 1+max(0, s.AssayRSD)*clip3(rng.NormFloat64()))
	r += max(0, s.AssayAdd) * rng.NormFloat64()
	out.Grade = max(0, r)
	if s.Blunders > 0 && rng.Float64() < s.Blunders {
		if s.SwapWith > 0 && rng.Float64() < 0.6 {
			out.Grade, out.Blunder = s.SwapWith, "swapped"
		} else {
			out.Grade, out.Blunder = out.Grade/31.1035, "unit slip" // g/t written for troy ounces a tonne
		}
	}
	return out
}

// RSD is the standard deviation of Assay without blunders, relative to the grade:
// grains, preparation and assay together.
func (s SampleSpec) RSD() float64 {
	grain := s.Stream.GrainRSD(s.Kg)
	prep, assay := max(0, s.PreparationRSD), max(0, s.AssayRSD)
	add := 0.0
	if s.Stream.Grade > 0 {
		add = s.AssayAdd / s.Stream.Grade
	}
	return math.Sqrt(grain*grain + prep*prep + assay*assay + add*add)
}

// poisson draws a Poisson number: by multiplication below 30, above that from the
// normal law, whose error is then below the assay's.
func poisson(rng *rand.Rand, mean float64) int {
	if mean <= 0 {
		return 0
	}
	if mean > 30 {
		return max(0, int(math.Round(mean+math.Sqrt(mean)*rng.NormFloat64())))
	}
	limit, n, p := math.Exp(-mean), 0, 1.0
	for {
		p *= rng.Float64()
		if p <= limit {
			return n
		}
		n++
	}
}
