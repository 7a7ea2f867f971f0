package sim

import (
	"math"
	"math/rand/v2"
)

// sizes is the number of size classes that solids carry through the plant.
const sizes = 6

// classBottomUm is the lower bound of each size class in um, coarse to fine: the first
// holds everything above 500 um, the last everything below 38 um.
var classBottomUm = [sizes]float64{500, 300, 150, 75, 38, 0}

// SizeUm is the representative grain size of each class, um, coarse to fine.
var SizeUm = [sizes]float64{707, 387, 212, 106, 53, 20}

// SizeNames are the size classes as a sieve sheet writes them, um.
var SizeNames = [sizes]string{"+500", "500-300", "300-150", "150-75", "75-38", "-38"}

// OreSource is an invented ore and all that the simulated mill knows of it. The
// figures are our own assumptions for the demonstration, measured on no real ore.
type OreSource struct {
	Name      string
	Character string
	Head      float64 // g/t, mean head grade
	HeadLow   float64 // g/t, lowest lot
	HeadHigh  float64 // g/t, richest lot
	LotCV     float64 // coefficient of variation of the head between lots
	GoldD50   float64 // um, mass median of the free gold
	GoldSigma float64 // ln-sigma of its size
	FreeShare float64 // of the gold, 0..1
	GoldShape float64 // settling shape factor, flaky 0.35 to chunky 0.60
	Sulphide  float64 // mass share of the solids
	IronOxide float64 // mass share of the solids
	Slimes    float64 // mass share below 38 um
	P80       float64 // um at 0.8 mm slot, new hammers, 2 t/h
	Hardness  float64 // 1 is ordinary
	WorkIndex float64 // kWh/t, Bond
	Moisture  float64 // fraction, wet basis
	Offset    float64 // hidden shift of the bands on the deck, dimensionless
	Clay      float64 // share of clay, drives screen blinding
	Abrasion  float64 // 1 is hard quartz
}

// Sources lists the five invented ore sources of the demonstration.
func Sources() []OreSource {
	return []OreSource{
		{Name: "Quillback Reef", Character: "coarse gold, clean quartz", Head: 12, HeadLow: 4, HeadHigh: 40, LotCV: 0.9,
			GoldD50: 230, GoldSigma: 1.0, FreeShare: 0.88, GoldShape: 0.55, Sulphide: 0.010, IronOxide: 0.003, Slimes: 0.10,
			P80: 420, Hardness: 1.00, WorkIndex: 14, Moisture: 0.03, Offset: 0, Clay: 0.02, Abrasion: 1.0},
		{Name: "Pewter Gully", Character: "fine gold, much pyrite", Head: 6, HeadLow: 3, HeadHigh: 12, LotCV: 0.5,
			GoldD50: 75, GoldSigma: 0.9, FreeShare: 0.66, GoldShape: 0.45, Sulphide: 0.120, IronOxide: 0.005, Slimes: 0.13,
			P80: 340, Hardness: 1.15, WorkIndex: 16, Moisture: 0.04, Offset: 0.20, Clay: 0.03, Abrasion: 0.9},
		{Name: "Dunlin Lode", Character: "weathered, clayey, wet", Head: 4, HeadLow: 1.5, HeadHigh: 10, LotCV: 0.6,
			GoldD50: 110, GoldSigma: 1.0, FreeShare: 0.78, GoldShape: 0.50, Sulphide: 0.004, IronOxide: 0.010, Slimes: 0.34,
			P80: 300, Hardness: 0.65, WorkIndex: 9, Moisture: 0.13, Offset: -0.20, Clay: 0.20, Abrasion: 0.3},
		{Name: "Sedgefoot Tails", Character: "reworked tailings, flaky fine gold", Head: 1.8, HeadLow: 1.2, HeadHigh: 2.8, LotCV: 0.25,
			GoldD50: 48, GoldSigma: 0.8, FreeShare: 0.52, GoldShape: 0.35, Sulphide: 0.030, IronOxide: 0.008, Slimes: 0.28,
			P80: 260, Hardness: 0.55, WorkIndex: 8, Moisture: 0.08, Offset: 0.30, Clay: 0.08, Abrasion: 0.4},
		{Name: "Corvid Stockwork", Character: "hard, magnetite-rich", Head: 3, HeadLow: 1, HeadHigh: 8, LotCV: 0.7,
			GoldD50: 150, GoldSigma: 0.9, FreeShare: 0.74, GoldShape: 0.60, Sulphide: 0.020, IronOxide: 0.100, Slimes: 0.11,
			P80: 480, Hardness: 1.35, WorkIndex: 19, Moisture: 0.03, Offset: -0.30, Clay: 0.02, Abrasion: 1.1},
	}
}

// SourceByName finds an ore source; the error lists the known ones.
func SourceByName(name string) (OreSource, error) {
	var known []string
	for _, s := range Sources() {
		if s.Name == name {
			return s, nil
		}
		known = append(known, s.Name)
	}
	return OreSource{}, unknown("ore source", name, known)
}

// Vary changes every figure of an ore by a factor of 0.8 to 1.2, so that nothing
// downstream can come to know the ores by heart. Shares stay shares.
func (o OreSource) Vary(rng *rand.Rand) OreSource {
	by := func() float64 { return 0.8 + 0.4*rng.Float64() }
	o.Head *= by()
	o.LotCV *= by()
	o.GoldD50 *= by()
	o.GoldSigma *= by()
	o.FreeShare = min(0.95, o.FreeShare*by())
	o.GoldShape *= by()
	o.Sulphide *= by()
	o.IronOxide *= by()
	o.Slimes *= by()
	o.P80 *= by()
	h := by() // hardness and work index are one property of the rock
	o.Hardness *= h
	o.WorkIndex *= h
	o.Moisture *= by()
	o.Offset *= by()
	o.Clay *= by()
	o.Abrasion *= by()
	return o
}

// ggsShares is the size make-up of a crushed mineral: Gates-Gaudin-Schuhmann,
// cumulative passing (d/k)^0.85 with k = P80/0.8^(1/0.85), everything above 500 um
// in the first class, the finest raised to the slimes share if it is below it and
// the others cut in proportion. dst sums to 1.
func ggsShares(p80Um, slimes float64, dst *[sizes]float64) {
	const m = 0.85
	k := p80Um / math.Pow(0.8, 1/m)
	passing := 1.0
	for i := range sizes {
		below := 0.0
		if b := classBottomUm[i]; b > 0 {
			below = min(1, math.Pow(b/k, m))
		}
		dst[i] = passing - below
		passing = below
	}
	if last := dst[sizes-1]; last < slimes {
		scale := (1 - slimes) / (1 - last)
		for i := range sizes - 1 {
			dst[i] *= scale
		}
		dst[sizes-1] = slimes
	}
}

// goldShares is the size make-up of the free gold: lognormal by mass, not
// truncated, everything above 500 um in the first class. dst sums to 1.
func goldShares(d50Um, sigma float64, dst *[sizes]float64) {
	passing := 1.0
	for i := range sizes {
		below := 0.0
		if b := classBottomUm[i]; b > 0 {
			below = 0.5 * math.Erfc(-math.Log(b/d50Um)/(sigma*math.Sqrt2))
		}
		dst[i] = passing - below
		passing = below
	}
}
