package sim

import "math"

// Minerals on the deck. Gold is the free gold; locked gold goes as gangue.
const (
	gangue = iota
	sulphide
	ironOxide
	gold
	minerals
)

// densities in kg/m3. Gold with its silver.
var densities = [minerals]float64{2650, 5000, 5100, 16500}

// Product is a stream that leaves the deck.
const (
	Concentrate1 = iota
	Concentrate2
	Middlings
	Tailings
	Products // how many
)

// ProductNames are the products' names as in a plant file.
var ProductNames = [Products]string{"concentrate_1", "concentrate_2", "middlings", "tailings"}

// MapInput is where one deck stands. Feed is in map units, t/h on a deck of 3 m2:
// see DeckScale. The zero value of Splitters and CapacityFactor means the default.
type MapInput struct {
	Ore          OreSource
	P80          float64    // um of the deck's feed; 0: the ore's
	Feed         float64    // t/h solids, map units
	Wash         float64    // L/min on this deck
	Tilt         float64    // deg
	Stroke       float64    // mm
	StrokeRate   float64    // 1/min
	FeedSolids   float64    // mass fraction of solids in the feed pulp
	WaterSlimes  float64    // volume fraction of slimes in the wash water
	Splitters    [3]float64 // cuts, fraction of the discharge edge; zero: 0.10, 0.22, 0.42
	OverloadAdd  float64    // added to the overload (a bed that has been disturbed)
	CapacityLost float64    // fraction of the capacity lost to a bank of sand
	Stripped     float64    // fraction of the bed that flooding has stripped, cuts what settles
}

// Reference returns the reference point of the map for an ore: 0.8 t/h, 60 L/min,
// 2.0 deg, 15 mm, 290 /min, 25 % solids, which is 2.0 t/h on a full-size deck.
func Reference(o OreSource) MapInput {
	return MapInput{Ore: o, Feed: 0.8, Wash: 60, Tilt: 2, Stroke: 15, StrokeRate: 290, FeedSolids: 0.25}
}

// DefaultSplitters are the cuts a person has set unless told otherwise, fractions
// of the discharge edge from the concentrate corner.
var DefaultSplitters = [3]float64{0.10, 0.22, 0.42}

// DeckScale says how many map decks a real deck is: a deck of areaM2 that gets feed
// t/h at p80Um enters the map with feed/DeckScale.
func DeckScale(areaM2, p80Um, oreP80Um float64) float64 {
	return areaM2 / 3.0 * math.Sqrt(p80Um/oreP80Um)
}

// MapResult is the steady discharge of one deck.
type MapResult struct {
	Recovery  [Products]float64        // share of all gold to each product, sums to 1
	Pull      [Products]float64        // share of the solids mass, sums to 1
	Grade     [Products]float64        // g/t at the ore's head grade; 0 where nothing goes
	FreeBy    [sizes][Products]float64 // share of the free gold of each size to each product
	Heavy     [Products]float64        // share of the sulphide and iron oxide mass to each product
	Light     [Products]float64        // share of the gangue mass; locked gold goes likewise
	FreeGold  [Products]float64        // share of the free gold
	Line      float64                  // the dark line, fraction of the edge
	Capacity  float64                  // t/h, map units
	Overload  float64                  // v
	Dilation  float64                  // D, 0.03..1
	Water     float64                  // t/h of water on the deck
	MineralBy [2][Products]float64     // sulphide and iron oxide apart
}

// Counted is the recovery and the mass pull of the first n products, as shares.
func (d MapResult) Counted(n int) (recovery, pull float64) {
	for p := range n {
		recovery += d.Recovery[p]
		pull += d.Pull[p]
	}
	return recovery, pull
}

// sizing is the size make-up that the deck map needs, kept apart so that the mill
// need not work it out every second.
type sizing struct {
	gangue, heavy, gold [sizes]float64
}

func sizingOf(o *OreSource, p80 float64) sizing {
	var s sizing
	ggsShares(p80, o.Slimes, &s.gangue)
	ggsShares(0.8*p80, 0.06, &s.heavy)
	goldShares(o.GoldD50, o.GoldSigma, &s.gold)
	return s
}

// Discharge is the steady discharge map of a shaking table: where each mineral and
// size leaves the deck. Own model, tuned by hand to the directions and ranges that
// published table work gives (the band form after Manser, Barley and Wills 1991,
// Minerals Engineering 4, 369); settling by Ferguson and Church with hindrance by
// Richardson and Zaki. It exercises the software and designs no table.
func Discharge(in MapInput) MapResult {
	if in.P80 == 0 {
		in.P80 = in.Ore.P80
	}
	s := sizingOf(&in.Ore, in.P80)
	var out MapResult
	discharge(&in, &s, &out)
	return out
}

func clip40(x float64) float64 { return max(-40, min(40, x)) }

// sigmoid is 1/(1+exp(-x)) with the argument clipped to +-40.
func sigmoid(x float64) float64 { return 1 / (1 + math.Exp(-clip40(x))) }

func discharge(in *MapInput, sz *sizing, out *MapResult) {
	const (
		gravity = 9.81
		solidSG = 2.7
		minFeed = 1e-6 // t/h: below it the deck is bare and the ratios mean nothing
	)
	m := max(in.Feed, minFeed)
	x := max(0.005, min(0.95, in.FeedSolids))
	tilt := max(0.05, in.Tilt)
	feedWater := m * (1 - x) / x
	w := max(0.05, feedWater+0.06*in.Wash)
	const w0 = 6.0
	speed := max(0.02, in.Stroke*in.StrokeRate/4350)
	solidVol := m / solidSG
	phiF := solidVol / (solidVol + feedWater)
	phi := solidVol / (solidVol + w)

	lnT, lnW, lnS := math.Log(tilt/2), math.Log(w/w0), math.Log(speed)
	lam := 0.55*lnT + 0.70*lnW - 0.45*lnS

	r := 0.06 * in.Wash / m
	a := in.Stroke * in.StrokeRate * in.StrokeRate / (15 * 290 * 290)
	la := math.Log(max(1e-3, a)/math.Pow(in.P80/380, 0.3)) / 0.9
	D := r * r / (r*r + 4) * math.Exp(-la*la) / math.Sqrt(1+math.Exp(clip40((phiF-0.165)/0.02)))
	D = max(0.03, min(1, D))

	C := math.Exp(0.5*lnT+0.45*lnW+0.4*lnS) * (1 - 0.5*max(0, in.Ore.Slimes-0.12)) * (1 - in.CapacityLost)
	v := max(0, m/C-1) + in.OverloadAdd
	spill := 0.0
	if v > 0 {
		spill = 1 - math.Exp(-0.75*math.Pow(v, 1.2))
	}

	film := 0.0038 * math.Exp(0.6*lnT+1.3*lnW) * (1 + 0.6*v)
	Z := sigmoid(-math.Log(w/11.5)/0.15) * (1 - in.Stripped)
	c := max(0, min(0.5, in.WaterSlimes))
	rhoF := 1000 * (1 + 0.99*c)
	nu := 1e-6 * (1 + 2.5*c + 10*c*c) * (1 + 2.5*phi)
	hindered := (1 - phi) * (1 - phi)
	hindered *= hindered

	K := 2.75 * math.Pow(D, 0.45) / (1 + 0.35*v)
	share := [minerals]float64{1 - in.Ore.Sulphide - in.Ore.IronOxide, in.Ore.Sulphide, in.Ore.IronOxide, in.Ore.Head * in.Ore.FreeShare * 1e-6}
	shape := [minerals]float64{1, 1, 1, in.Ore.GoldShape}

	cuts := in.Splitters
	if cuts == ([3]float64{}) {
		cuts = DefaultSplitters
	}
	*out = MapResult{Capacity: C, Overload: v, Dilation: D, Water: w}
	var lineMass, lineMoment float64
	lightLog := math.Log(2650 - rhoF)
	for k := range minerals {
		rho := densities[k]
		R := (rho - rhoF) / rhoF
		strat := K * math.Pow(max(0, math.Log(rho-rhoF)-lightLog), 0.6)
		width := (0.045 + 0.06*share[k]) * (1 + 0.8*v) * (1 + 0.6*(1-D))
		make := &sz.heavy
		switch k {
		case gangue:
			make = &sz.gangue
		case gold:
			make = &sz.gold
		}
		keep := 1 - spill
		if k == gangue {
			keep = 1
		}
		for i := range sizes {
			d := SizeUm[i] * 1e-6
			gd := R * gravity * d * d
			u := shape[k] * gd / (18*nu + math.Sqrt(0.75*gd*d)) * hindered
			S := -math.Expm1(-u/film) * Z
			sig := strat - 0.15*logSize150[i] - 1.40
			mu := sigmoid(1.7*(lam+0.5*in.Ore.Offset) - sig)
			g0 := sigmoid(-mu / width)
			span := sigmoid((1-mu)/width) - g0
			var to [Products]float64
			below, rest := 0.0, 1.0
			for p := range 3 {
				F := (sigmoid((cuts[p]-mu)/width) - g0) / span
				to[p] = S * keep * (F - below)
				below = F
				rest -= to[p]
			}
			to[Tailings] = rest
			if (k == sulphide || k == ironOxide) && i < 4 { // above 75 um: what the eye sees
				lineMass += share[k] * make[i]
				lineMoment += share[k] * make[i] * mu
			}
			for p := range Products {
				switch k {
				case gangue:
					out.Light[p] += make[i] * to[p]
				case gold:
					out.FreeGold[p] += make[i] * to[p]
				default:
					out.MineralBy[k-sulphide][p] += make[i] * to[p]
				}
			}
			if k == gold {
				out.FreeBy[i] = to
			}
		}
	}
	if lineMass > 0 {
		out.Line = lineMoment / lineMass
	}
	heavyMass := share[sulphide] + share[ironOxide]
	for p := range Products {
		mineral := share[sulphide]*out.MineralBy[0][p] + share[ironOxide]*out.MineralBy[1][p]
		if heavyMass > 0 {
			out.Heavy[p] = mineral / heavyMass
		}
		out.Pull[p] = share[gangue]*out.Light[p] + mineral
		out.Recovery[p] = in.Ore.FreeShare*out.FreeGold[p] + (1-in.Ore.FreeShare)*out.Light[p]
		if out.Pull[p] > 0 {
			out.Grade[p] = in.Ore.Head * out.Recovery[p] / out.Pull[p]
		}
	}
}

// logSize150 is ln(d/150 um) of each class.
var logSize150 = func() (l [sizes]float64) {
	for i, d := range SizeUm {
		l[i] = math.Log(d / 150)
	}
	return l
}()
