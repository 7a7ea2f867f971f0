package chart

import "math"

// Dot is an estimate with its interval; a nil bound is not known.
type Dot struct {
	Name, Value  string // as written left and right above the row
	Mean         *float64
	Lower, Upper *float64
}

const dotRow = 46.0

// Dots draws estimates one under the other on one axis, each with its interval.
// The axis starts where the data need it.
func Dots(text, axisTitle string, rows []Dot) string {
	var c canvas
	c.open("dots", float64(len(rows))*dotRow+mapBottom, text, "")
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range rows {
		for _, v := range []*float64{r.Mean, r.Lower, r.Upper} {
			if v != nil && finite(*v) {
				low, high = min(low, *v), max(high, *v)
			}
		}
	}
	if !finite(low) || !finite(high) {
		low, high = 0, 100
	}
	if high-low < 2 {
		low, high = low-1, high+1
	}
	low, high, step := evenly(low, high)
	s := scale{low, high, 100}
	bottom := float64(len(rows)) * dotRow
	for _, l := range levels(low, high, step) {
		x := s.at(l)
		c.add(`<line class="grid" x1="%[1]s%%" x2="%[1]s%%" y1="0" y2="%[2]s"/>`, num(x), num(bottom+5))
		c.text("label", x, bottom+19, anchorAt(x), level(l))
	}
	c.text("title", 50, bottom+40, "middle", axisTitle)
	for i, r := range rows {
		top := float64(i) * dotRow
		c.text("name halo", 0, top+15, "start", r.Name)
		c.text("value halo", 100, top+15, "end", r.Value)
		y := top + 30
		c.add(`<line class="grid" x1="0" x2="100%%" y1="%[1]s" y2="%[1]s"/>`, num(y))
		if r.Lower != nil && r.Upper != nil {
			a, b := s.clamped(*r.Lower), s.clamped(*r.Upper)
			c.add(`<line class="interval" x1="%s%%" x2="%s%%" y1="%[3]s" y2="%[3]s"/>`, num(a), num(b), num(y))
			for _, x := range []float64{a, b} {
				c.add(`<line class="interval" x1="%[1]s%%" x2="%[1]s%%" y1="%[2]s" y2="%[3]s"/>`, num(x), num(y-6), num(y+6))
			}
		}
		if r.Mean != nil {
			class := "dot"
			if r.Lower == nil || r.Upper == nil {
				class = "dot open" // its interval is not known
			}
			c.add(`<circle class="%s" cx="%s%%" cy="%s" r="6"/>`, class, num(s.clamped(*r.Mean)), num(y))
		}
	}
	c.close()
	return c.String()
}
