package sim

// stock is material in one place, or what moves in one second.
type stock struct {
	solids float64 // kg dry
	water  float64 // kg
	gold   float64 // g
	fresh  float64 // kg of the solids that came from the ore being changed to
}

func (s *stock) add(o stock) {
	s.solids += o.solids
	s.water += o.water
	s.gold += o.gold
	s.fresh += o.fresh
}

// take removes a fraction of everything.
func (s *stock) take(fraction float64) stock {
	fraction = max(0, min(1, fraction))
	out := stock{s.solids * fraction, s.water * fraction, s.gold * fraction, s.fresh * fraction}
	s.solids -= out.solids
	s.water -= out.water
	s.gold -= out.gold
	s.fresh -= out.fresh
	return out
}

func (s stock) wet() float64 { return s.solids + s.water }

// freshShare is the share of the solids that is of the new ore.
func (s stock) freshShare() float64 {
	if s.solids <= 0 {
		return 0
	}
	return max(0, min(1, s.fresh/s.solids))
}

// belt is a pure delay in length: what lies on it keeps its shape, also while it
// stands. Places are odometer readings in m.
type belt struct {
	length   float64 // m
	odometer float64 // m
	parcels  [256]parcel
	head, n  int
	heap     stock // what the feeder has piled up on a standing belt
}

type parcel struct {
	from, to float64 // odometer while it was laid
	stock
}

// heapLimit is what piles up before the feeder's outlet is buried, kg wet.
const heapLimit = 60

// step moves the belt by dx m while in falls on its tail, and returns what falls
// off its head.
func (b *belt) step(dx float64, in stock) (out stock) {
	if dx <= 0 {
		b.heap.add(in)
		return out
	}
	lay := in
	if w := b.heap.wet(); w > 0 { // a heap slides off over some seconds once the belt pulls
		share := 1.0 / 8
		if w < 0.5 {
			share = 1
		}
		lay.add(b.heap.take(share))
	}
	b.odometer += dx
	if b.n == len(b.parcels) { // very slow belt: thicken the last parcel
		last := &b.parcels[(b.head+b.n-1)%len(b.parcels)]
		last.to = b.odometer
		last.stock.add(lay)
	} else {
		b.parcels[(b.head+b.n)%len(b.parcels)] = parcel{b.odometer - dx, b.odometer, lay}
		b.n++
	}
	edge := b.odometer - b.length
	for b.n > 0 {
		p := &b.parcels[b.head]
		if p.from >= edge {
			break
		}
		if p.to <= edge {
			out.add(p.stock)
			b.head = (b.head + 1) % len(b.parcels)
			b.n--
			continue
		}
		out.add(p.stock.take((edge - p.from) / (p.to - p.from)))
		p.from = edge
		break
	}
	return out
}

// load is the mean wet mass per metre between two distances from the tail, kg/m.
func (b *belt) load(from, to float64) float64 {
	hi, lo := b.odometer-from, b.odometer-to
	var sum float64
	for i := range b.n {
		p := &b.parcels[(b.head+i)%len(b.parcels)]
		if w := min(hi, p.to) - max(lo, p.from); w > 0 {
			sum += p.wet() * w / (p.to - p.from)
		}
	}
	return sum / (to - from)
}

func (b *belt) total() stock {
	sum := b.heap
	for i := range b.n {
		sum.add(b.parcels[(b.head+i)%len(b.parcels)].stock)
	}
	return sum
}

// delay is a pure delay in whole seconds.
type delay struct {
	ring [128]stock
	at   int
	n    int // s, at most 127
}

func (d *delay) step(in stock) stock {
	d.ring[d.at] = in
	d.at = (d.at + 1) % (d.n + 1)
	out := d.ring[d.at]
	d.ring[d.at] = stock{}
	return out
}

func (d *delay) total() (sum stock) {
	for i := range d.n + 1 {
		sum.add(d.ring[i])
	}
	return sum
}

// product is dry solids with their gold and volume.
type product struct {
	solids float64 // kg
	gold   float64 // g
	volume float64 // L
}

func (p *product) add(o product) {
	p.solids += o.solids
	p.gold += o.gold
	p.volume += o.volume
}

func (p *product) take(fraction float64) product {
	fraction = max(0, min(1, fraction))
	out := product{p.solids * fraction, p.gold * fraction, p.volume * fraction}
	p.solids -= out.solids
	p.gold -= out.gold
	p.volume -= out.volume
	return out
}
