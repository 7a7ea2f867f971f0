package chart

// Bar is one value in its range. All figures in one unit.
type Bar struct {
	Text                string   // one sentence for a reader without sight
	Low, High           float64  // full scale
	Usual               *Span    // nil: not known
	LimitLow, LimitHigh *float64 // set by people
	Tail                *Span    // where it was in the last minutes
	Now                 *float64 // nil: no value
	Mark                Mark
}

// Span is from Low to High.
type Span struct{ Low, High float64 }

// Mark is how the value itself is drawn.
type Mark string

const (
	Plain   Mark = "plain"   // solid: usual and believed
	Note    Mark = "note"    // unusual, nothing to do
	Look    Mark = "look"    // do something this hour
	Act     Mark = "act"     // do something now
	Suspect Mark = "suspect" // zig-zag: not believed
	Old     Mark = "old"     // dotted outline: not received lately
)

const barHeight = 32

// RangeBar draws a bar: a thin line is the full scale, the pale section the usual
// range, ticks the limits, the thick short line where it was in the last minutes,
// the marker where it is. A value beyond the scale is an arrow at its end.
func RangeBar(b Bar) string {
	var c canvas
	c.open("bar", barHeight, b.Text, "")
	const mid = barHeight / 2
	if !finite(b.Low) || !finite(b.High) || b.High <= b.Low {
		c.add(`<line class="scale broken" x1="0" x2="100%%" y1="%d" y2="%d"/>`, mid, mid)
		c.close()
		return c.String()
	}
	s := scale{b.Low, b.High, 100}
	if b.Usual != nil {
		from, to := s.clamped(b.Usual.Low), s.clamped(b.Usual.High)
		c.add(`<rect class="usual" x="%s%%" width="%s%%" y="7" height="18"/>`, num(from), num(max(to-from, 0.4)))
		for _, x := range []float64{from, max(to, from+0.4)} {
			c.add(`<line class="usual-edge" x1="%[1]s%%" x2="%[1]s%%" y1="7" y2="25"/>`, num(x))
		}
	}
	c.add(`<line class="scale" x1="0" x2="100%%" y1="%d" y2="%d"/>`, mid, mid)
	for _, limit := range []*float64{b.LimitLow, b.LimitHigh} {
		if limit != nil && s.at(*limit) >= 0 && s.at(*limit) <= 100 {
			c.add(`<line class="limit" x1="%[1]s%%" x2="%[1]s%%" y1="3" y2="29"/>`, num(s.at(*limit)))
		}
	}
	if b.Tail != nil {
		c.add(`<line class="tail" x1="%s%%" x2="%s%%" y1="%d" y2="%d"/>`, num(s.clamped(b.Tail.Low)), num(s.clamped(b.Tail.High)), mid, mid)
	}
	if b.Now != nil && finite(*b.Now) {
		x := s.at(*b.Now)
		c.at(min(max(x, 0), 100), mid)
		switch {
		case b.Mark == Suspect:
			c.WriteString(`<polyline class="mark suspect" points="-3,-13 3,-8 -3,-3 3,3 -3,8 3,13"/>`)
		case b.Mark == Old:
			c.WriteString(`<rect class="mark old" x="-4" y="-12" width="8" height="24" rx="2"/>`)
		case x < 0:
			c.add(`<path class="mark %s" d="M0 0L10 -11V11Z"/>`, b.Mark)
		case x > 100:
			c.add(`<path class="mark %s" d="M0 0L-10 -11V11Z"/>`, b.Mark)
		default:
			c.add(`<rect class="mark %s" x="-3.5" y="-13" width="7" height="26" rx="2"/>`, b.Mark)
		}
		c.close()
	}
	c.close()
	return c.String()
}
