package sim

import "math"

// counted products that travel the length of the deck: con 1, con 2, middlings.
const longWay = 3

type deckParcel struct {
	at float64 // m of travel when it was laid
	to [longWay]product
}

// deck is one shaking table: the steady map, given time. Heavy products walk the
// length of the deck with the stroke (a dead time, then a mixing time), tailings
// leave down the short way.
type deck struct {
	areaM2 float64
	length float64 // m
	share  float64 // of the mill's pulp

	film      flowOnDeck // lagged 8 s
	bedFast   flowOnDeck // then 15 s
	bedSlow   flowOnDeck // or 75 s: half of the bed follows each way
	feed      float64    // t/h solids on the bed
	feedWater float64    // t/h of water with it
	wash      float64    // L/min, lagged 8 s
	fresh     float64    // share of the new ore in the bed, lagged

	bed       float64 // 0 bare .. 1 formed
	disturbed float64 // s left of v + 0.2
	badFor    float64 // s with D < 0.3 or v > 0.6
	rinsedFor float64 // s with wash water raised
	bank      bool

	travel float64 // m
	pace   float64 // 0 standing .. 1 running
	parcel [1024]deckParcel
	head   int
	n      int
	hold   [longWay]product
	short  [32]product
	at     int
	tails  product
	water  float64 // kg in the film

	last MapResult
	out  [Products]product // left the deck this second
	wet  [Products]float64 // kg water with it
}

// flowOnDeck is what the map takes in, t/h.
type flowOnDeck struct{ solids, water float64 }

func (f *flowOnDeck) lag(to flowOnDeck, tau float64) {
	lag(&f.solids, to.solids, tau)
	lag(&f.water, to.water, tau)
}

// Dynamics of the deck, s unless noted. All assumed: no published step test was found.
const (
	filmLag      = 8.0
	bedFastLag   = 15.0
	bedSlowLag   = 75.0
	shortDead    = 20 // gangue on its way down the deck
	shortLag     = 40.0
	formLag      = 240.0 // a bed forms from bare
	stripLag     = 60.0  // flooding strips it
	travelPerRev = 0.20  // share of stroke x rate that a grain moves, eta
	deadShare    = 0.55  // of the length, walked without mixing
	mixShare     = 0.30  // of the length, mixing
	waterLag     = 10.0
)

// filmWater is the share of the deck's water that leaves with each product.
var filmWater = [longWay]float64{0.02, 0.05, 0.12}

func newDeck(areaM2, share float64) deck {
	return deck{areaM2: areaM2, share: share, length: math.Sqrt(2.7 * areaM2)}
}

// deckSettings is where a person has set the deck.
type deckSettings struct {
	tilt, stroke, rate float64
	splitters          [3]float64
	washLpm            float64 // L/min that arrives on the deck
	nominalWash        float64
	slimes             float64 // volume fraction in the water
	running            bool
}

// lag moves y towards target by one second of a first-order lag of tau seconds.
func lag(y *float64, target, tau float64) {
	d := target - *y
	if math.Abs(d) < 1e-12 { // no creeping into denormal numbers
		*y = target
		return
	}
	*y += d * min(1, 1/tau)
}

// step feeds the deck for one second; sz is the size make-up of ore at p80.
func (d *deck) step(in stock, ore *OreSource, sz *sizing, p80 float64, set *deckSettings) {
	d.film.lag(flowOnDeck{in.solids * 3.6, in.water * 3.6}, filmLag)
	d.bedFast.lag(d.film, bedFastLag)
	d.bedSlow.lag(d.film, bedSlowLag)
	d.feed = 0.5 * (d.bedFast.solids + d.bedSlow.solids)
	d.feedWater = 0.5 * (d.bedFast.water + d.bedSlow.water)
	lag(&d.wash, set.washLpm, filmLag)
	target := 0.0
	if set.running {
		target = 1
	}
	lag(&d.pace, target, 6)

	scale := DeckScale(d.areaM2, p80, ore.P80)
	fed := d.feed > 0.02*scale
	mi := MapInput{Ore: *ore, P80: p80, Feed: d.feed / scale, Wash: d.wash, Tilt: set.tilt, Stroke: set.stroke, StrokeRate: set.rate,
		FeedSolids: d.feed / max(1e-9, d.feed+d.feedWater), WaterSlimes: set.slimes, Splitters: set.splitters,
		Stripped: 0.6 * (1 - d.bed)}
	if d.disturbed > 0 {
		d.disturbed--
		mi.OverloadAdd = 0.2
	}
	if d.bank {
		mi.CapacityLost = 0.2
	}
	discharge(&mi, sz, &d.last)
	d.keepBed(fed, set)

	var laid [longWay]product
	rest := product{in.solids, in.gold, in.solids / 2.7}
	if set.running && d.pace > 0.3 {
		heavyShare := ore.Sulphide + ore.IronOxide
		for p := range longWay {
			laid[p] = product{
				solids: in.solids * d.last.Pull[p],
				gold:   in.gold * d.last.Recovery[p],
				volume: in.solids * ((1-heavyShare)*d.last.Light[p]/2.65 + heavyShare*d.last.Heavy[p]/5.0),
			}
			rest.solids -= laid[p].solids
			rest.gold -= laid[p].gold
			rest.volume -= laid[p].volume
		}
	}
	d.move(laid, rest, set)

	d.water += in.water + set.washLpm/60
	out := d.water * min(1, 1/waterLag)
	d.water -= out
	d.wet[Tailings] = out
	for p := range longWay {
		d.wet[p] = out * filmWater[p] * d.pace
		d.wet[Tailings] -= d.wet[p]
	}
}

// keepBed lets the bed form, be stripped by flooding or sand up.
func (d *deck) keepBed(fed bool, set *deckSettings) {
	switch {
	case d.last.Water > 11.5:
		lag(&d.bed, 0.4, stripLag)
	case fed && set.running:
		lag(&d.bed, 1, formLag)
	case !fed:
		lag(&d.bed, 0, 600)
	}
	bad := fed && (d.last.Dilation < 0.3 || d.last.Overload > 0.6)
	switch {
	case fed && !set.running && d.pace < 0.05:
		d.badFor += 2.5 // 2 min on a still deck leave what 5 min of sanding leave
	case bad:
		d.badFor++
	default:
		d.badFor = 0
	}
	if d.badFor > 300 {
		d.bank = true
	}
	if d.bank && set.running && set.washLpm > 1.25*set.nominalWash {
		if d.rinsedFor++; d.rinsedFor > 120 {
			d.bank = false
		}
	} else {
		d.rinsedFor = 0
	}
}

// move walks everything on the deck by one second.
func (d *deck) move(laid [longWay]product, rest product, set *deckSettings) {
	pace := travelPerRev * set.stroke / 1000 * set.rate / 60 * d.pace // m/s
	d.travel += pace
	if d.n == len(d.parcel) {
		last := &d.parcel[(d.head+d.n-1)%len(d.parcel)]
		for p := range longWay {
			last.to[p].add(laid[p])
		}
	} else {
		d.parcel[(d.head+d.n)%len(d.parcel)] = deckParcel{d.travel, laid}
		d.n++
	}
	for d.n > 0 && d.parcel[d.head].at+deadShare*d.length <= d.travel {
		for p := range longWay {
			d.hold[p].add(d.parcel[d.head].to[p])
		}
		d.head = (d.head + 1) % len(d.parcel)
		d.n--
	}
	for p := range longWay {
		d.out[p] = d.hold[p].take(pace / (mixShare * d.length))
	}
	d.tails.add(d.short[d.at])
	d.short[d.at] = rest
	d.at = (d.at + 1) % shortDead
	d.out[Tailings] = d.tails.take(1 / shortLag)
}

func (d *deck) total() (sum stock) {
	sum.water = d.water
	add := func(p product) { sum.solids += p.solids; sum.gold += p.gold }
	for i := range d.n {
		for _, p := range d.parcel[(d.head+i)%len(d.parcel)].to {
			add(p)
		}
	}
	for _, p := range d.hold {
		add(p)
	}
	for _, p := range d.short {
		add(p)
	}
	add(d.tails)
	return sum
}

// productBin catches one product on a scale.
type productBin struct {
	content  product
	water    float64 // kg
	capacity float64 // kg on the scale
	tank     float64 // L, a bin that is always full of water; 0: drained
	tare     float64 // kg, shift of the empty bin since it was last zeroed
	emptying float64 // s left
	stuck    float64 // kg of sand that stays when it is emptied
}

// Moisture that a drained bin keeps, wet basis, and how fast the rest drains.
const (
	binMoisture  = 0.18
	binDrainTime = 240.0
)

// weight is what a perfect scale shows, kg: a bin under water shows its submerged
// solids alone.
func (b *productBin) weight() float64 {
	if b.tank > 0 {
		return b.content.solids - b.content.volume + b.tare
	}
	return b.content.solids + b.water + b.tare
}

// step takes what falls in and returns what runs over (solids) and drains (water),
// and what a person has carried away.
func (b *productBin) step(in product, water float64) (over product, drained float64, away product, awayWater float64) {
	b.content.add(in)
	b.water += water
	if b.emptying > 0 {
		share := 1 / b.emptying
		b.emptying--
		if keep := b.stuck; b.content.solids > keep {
			away = b.content.take(share * (1 - keep/b.content.solids))
			if b.tank == 0 {
				awayWater = b.water * share
				b.water -= awayWater
			}
		}
	}
	if b.tank > 0 {
		free := b.water - max(0, b.tank-b.content.volume)
		if free > 0 {
			drained = free
		}
	} else if free := b.water - binMoisture/(1-binMoisture)*b.content.solids; free > 0 {
		drained = free / binDrainTime
	}
	b.water -= drained
	if extra := b.weight() - b.capacity; extra > 0 && b.content.solids > 0 {
		part := extra / max(extra, b.weight()-b.tare)
		over = b.content.take(part)
		if b.tank == 0 {
			w := b.water * part
			b.water -= w
			drained += w
		}
	}
	return over, drained, away, awayWater
}
