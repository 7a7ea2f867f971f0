package chart

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"decktrim/internal/contour"
)

// Sample is a stretch of a line over time; Gap marks a stretch without data that
// lasts until the next sample.
type Sample struct {
	T                     time.Time
	Mean, Least, Greatest float64
	Gap                   bool
}

// Flag is a moment that people wrote down.
type Flag struct {
	T     time.Time
	Kind  string // class: "setting" or "note"
	Label string // short, for example its number in the list below
}

// Panel is one line over time.
type Panel struct {
	ID      string // unique on the page
	Title   string // name and unit
	Text    string // one sentence
	Samples []Sample
	Usual   *Span
	Flags   []Flag
}

// Axis is the time that panels share.
type Axis struct {
	From, To time.Time
	Zone     *time.Location
	NoData   string                               // written into gaps that are wide enough
	Value    func(v float64) string               // writes a level; nil: shortest form
	Tick     func(t time.Time, daily bool) string // writes a time
}

const (
	panelTop    = 34.0 // room for the title
	panelPlot   = 104.0
	panelBottom = 8.0
	axisHeight  = 26.0
)

// PanelHeight and AxisHeight are in CSS pixels.
const (
	PanelHeight = panelTop + panelPlot + panelBottom
	AxisHeight  = axisHeight
)

// Gaps counts the stretches of a panel without data, the ends included.
func Gaps(a Axis, samples []Sample) int { return len(gaps(a, samples)) }

// gaps lists stretches without data in per cent of the width.
func gaps(a Axis, samples []Sample) []Span {
	s := a.scale()
	// Less than 1.5 per cent of the width cannot be seen, and two spacings are
	// how far apart samples may be anyway.
	least := max(1.5, 2*s.at(spacing(samples)))
	var out []Span
	add := func(from, to time.Time, always bool) {
		g := Span{s.clamped(seconds(a.From, from)), s.clamped(seconds(a.From, to))}
		if g.High > g.Low && (always || g.High-g.Low >= least) {
			out = append(out, g)
		}
	}
	if len(samples) == 0 {
		add(a.From, a.To, true)
		return out
	}
	add(a.From, samples[0].T, false)
	for i, p := range samples {
		next := a.To
		if i+1 < len(samples) {
			next = samples[i+1].T
		}
		if p.Gap {
			add(p.T, next, true)
		}
	}
	if last := samples[len(samples)-1]; !last.Gap {
		add(last.T, a.To, false)
	}
	return out
}

// spacing is the usual distance of samples in seconds: the median.
func spacing(samples []Sample) float64 {
	var d []float64
	for i := 1; i < len(samples); i++ {
		if !samples[i-1].Gap {
			d = append(d, seconds(samples[i-1].T, samples[i].T))
		}
	}
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[len(d)/2]
}

func seconds(from, t time.Time) float64 { return t.Sub(from).Seconds() }

func (a Axis) scale() scale { return scale{0, max(seconds(a.From, a.To), 1e-3), 100} }

// Time draws one panel. Lines are the mean, the pale band reaches from the least
// to the greatest value, hatched stretches have no data.
func Time(a Axis, p Panel) string {
	var c canvas
	low, high, step, any := reach(p)
	attrs := ""
	if any {
		// What the script needs to read a value under the pointer.
		attrs = fmt.Sprintf(` data-from="%d" data-to="%d" data-low="%s" data-high="%s" data-top="%s" data-plot="%s"`,
			a.From.UnixMilli(), a.To.UnixMilli(), level(low), level(high), num(panelTop), num(panelPlot))
	}
	c.open("time", PanelHeight, p.Text, attrs)
	drawPanel(&c, a, p, low, high, step, any)
	c.close()
	return c.String()
}

// reach is what the panel must show, rounded out to even levels a step apart.
func reach(p Panel) (low, high, step float64, any bool) {
	for _, s := range p.Samples {
		if s.Gap || !finite(s.Least) || !finite(s.Greatest) {
			continue
		}
		if !any {
			low, high, any = s.Least, s.Greatest, true
		}
		low, high = min(low, s.Least), max(high, s.Greatest)
	}
	if !any {
		return 0, 1, 1, false
	}
	if p.Usual != nil {
		low, high = min(low, p.Usual.Low), max(high, p.Usual.High)
	}
	// A nearly still line must not fill the panel with its noise.
	if least := 0.04 * max(abs(low), abs(high), 1e-6); high-low < least {
		low, high = low-least/2, high+least/2
	}
	// Zero is shown when it is near; otherwise the axis is cut, and marked so.
	if low > 0 && low < 0.5*high {
		low = 0
	}
	low, high, step = evenly(low, high)
	return low, high, step, true
}

// evenly rounds a span out to whole steps, at most five: those that waste least
// room, and of those the finest.
func evenly(low, high float64) (from, to, step float64) {
	const most = 5
	for count := 2; count <= most; count++ {
		s := contour.Step(high-low, count)
		f, t := floorTo(low, s), -floorTo(-high, s)
		if step == 0 || t-f <= (to-from)*(1+1e-9) && t-f < (most+0.5)*s {
			from, to, step = f, t, s
		}
	}
	return from, to, step
}

// levels are the steps from low to high.
func levels(low, high, step float64) []float64 {
	var out []float64
	for i := 0; step > 0 && low+float64(i)*step <= high+step/1e6; i++ {
		out = append(out, low+float64(i)*step)
	}
	return out
}

func abs(v float64) float64 { return max(v, -v) }

func floorTo(v, step float64) float64 {
	n := float64(int64(v / step))
	if n*step > v+1e-9*step {
		n--
	}
	return n * step
}

func drawPanel(c *canvas, a Axis, p Panel, low, high, step float64, any bool) {
	sx := a.scale()
	sy := scale{high, low, panelPlot}
	c.text("title", 0, 15, "start", p.Title)
	bottom := panelTop + panelPlot
	for _, t := range Ticks(a.From, a.To, a.zone()) {
		c.add(`<line class="grid" x1="%[1]s%%" x2="%[1]s%%" y1="%[2]s" y2="%[3]s"/>`, num(sx.at(seconds(a.From, t.T))), num(panelTop), num(bottom))
	}
	id := p.ID + "-hatch"
	holes := gaps(a, p.Samples)
	if len(holes) > 0 {
		c.hatch(id, 7, 1.5)
	}
	for _, g := range holes {
		c.add(`<rect class="gap" x="%s%%" width="%s%%" y="%s" height="%s" fill="url(#%s)"/>`, num(g.Low), num(g.High-g.Low), num(panelTop), num(panelPlot), esc(id))
		if g.High-g.Low > 22 && a.NoData != "" {
			c.text("label halo", (g.Low+g.High)/2, panelTop+panelPlot/2+5, "middle", a.NoData)
		}
	}
	if !any {
		c.add(`<line class="base" x1="0" x2="100%%" y1="%[1]s" y2="%[1]s"/>`, num(bottom))
		return
	}
	if p.Usual != nil {
		top, under := sy.clamped(p.Usual.High), sy.clamped(p.Usual.Low)
		c.add(`<rect class="usual" x="0" width="100%%" y="%s" height="%s"/>`, num(panelTop+top), num(max(under-top, 1)))
	}
	lines := levels(low, high, step)
	for i, l := range lines {
		class := "grid"
		if i == 0 {
			class = "base"
		}
		c.add(`<line class="%[1]s" x1="0" x2="100%%" y1="%[2]s" y2="%[2]s"/>`, class, num(panelTop+sy.at(l)))
	}
	c.stretch(panelTop, panelPlot)
	band, line := paths(a, p.Samples, low, high)
	if band != "" {
		c.add(`<path class="spread" d="%s"/>`, band)
	}
	if line != "" {
		c.add(`<path class="line" d="%s" vector-effect="non-scaling-stroke"/>`, line)
	}
	c.close()
	for _, l := range lines {
		c.text("level halo", 0, panelTop+sy.at(l)-3, "start", a.value(l))
	}
	if low > 0 { // the axis is cut
		c.at(100, bottom)
		c.WriteString(`<polyline class="cut" points="-10,-12 -4,-9 -10,-6 -4,-3"/>`)
		c.close()
	}
	for _, f := range p.Flags {
		x := sx.at(seconds(a.From, f.T))
		if x < 0 || x > 100 {
			continue
		}
		c.at(x, panelTop)
		c.add(`<line class="flag %s" x1="0" x2="0" y1="0" y2="%s"/>`, esc(f.Kind), num(panelPlot))
		if x > 96 {
			c.WriteString(`<path class="pennant" d="M0 0H-14V12H0Z"/>`)
			c.add(`<text class="flagtext" x="-7" y="10" text-anchor="middle">%s</text>`, esc(f.Label))
		} else {
			c.WriteString(`<path class="pennant" d="M0 0H14V12H0Z"/>`)
			c.add(`<text class="flagtext" x="7" y="10" text-anchor="middle">%s</text>`, esc(f.Label))
		}
		c.close()
	}
}

func (a Axis) zone() *time.Location {
	if a.Zone == nil {
		return time.UTC
	}
	return a.Zone
}

func (a Axis) value(v float64) string {
	if a.Value == nil {
		return level(v)
	}
	return a.Value(v)
}

// paths are the band and the line in the stretched picture. A lone sample becomes
// a dot.
func paths(a Axis, samples []Sample, low, high float64) (band, line string) {
	sx, sy := a.scale(), scale{high, low, inner}
	sx.size = inner
	var b, l strings.Builder
	for start := 0; start < len(samples); {
		if bad(samples[start]) {
			start++
			continue
		}
		end := start
		for end < len(samples) && !bad(samples[end]) {
			end++
		}
		part := samples[start:end]
		spread := false
		for i, s := range part {
			x, y := coord(sx.clamped(seconds(a.From, s.T))), coord(sy.clamped(s.Mean))
			switch {
			case len(part) == 1:
				fmt.Fprintf(&l, "M%s %sh0.5", x, y)
			case i == 0:
				fmt.Fprintf(&l, "M%s %s", x, y)
			default:
				fmt.Fprintf(&l, "L%s %s", x, y)
			}
			spread = spread || s.Greatest > s.Least
		}
		if spread && len(part) > 1 {
			for i, s := range part {
				letter := "L"
				if i == 0 {
					letter = "M"
				}
				fmt.Fprintf(&b, "%s%s %s", letter, coord(sx.clamped(seconds(a.From, s.T))), coord(sy.clamped(s.Greatest)))
			}
			for i := len(part) - 1; i >= 0; i-- {
				fmt.Fprintf(&b, "L%s %s", coord(sx.clamped(seconds(a.From, part[i].T))), coord(sy.clamped(part[i].Least)))
			}
			b.WriteString("Z")
		}
		start = end
	}
	return b.String(), l.String()
}

func bad(s Sample) bool {
	return s.Gap || !finite(s.Mean) || !finite(s.Least) || !finite(s.Greatest)
}

// coord is a coordinate with one decimal: a thousandth of the picture is finer
// than a pixel.
func coord(v float64) string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0")
}

// level writes a level in its shortest exact form.
func level(v float64) string {
	s := fmt.Sprintf("%.6g", v)
	if s == "-0" {
		return "0"
	}
	return s
}

// TimeAxis draws the time labels under the panels.
func TimeAxis(a Axis) string {
	var c canvas
	c.add(`<svg xmlns="http://www.w3.org/2000/svg" class="chart axis" width="100%%" height="%s" aria-hidden="true">`, num(axisHeight))
	drawAxis(&c, a)
	c.close()
	return c.String()
}

func drawAxis(c *canvas, a Axis) {
	s := a.scale()
	for _, t := range Ticks(a.From, a.To, a.zone()) {
		x := s.at(seconds(a.From, t.T))
		c.add(`<line class="tick" x1="%[1]s%%" x2="%[1]s%%" y1="0" y2="5"/>`, num(x))
		label := t.T.In(a.zone()).Format("15:04")
		if a.Tick != nil {
			label = a.Tick(t.T, t.Daily)
		}
		c.text("label", x, 19, anchorAt(x), label)
	}
}

// Picture puts panels and axis into one drawing that stands alone, of a fixed
// width, with its own style.
func Picture(a Axis, panels []Panel, title, style string) string {
	const width, edge, head = 1000, 24, 36
	height := float64(head) + float64(len(panels))*PanelHeight + AxisHeight + edge
	var c canvas
	c.add(`<svg xmlns="http://www.w3.org/2000/svg" class="chart picture" width="%d" height="%s" viewBox="0 0 %[1]d %[2]s"><title>%[3]s</title><style>%[4]s</style><rect class="ground" width="%[1]d" height="%[2]s"/>`,
		width+2*edge, num(height), esc(title), style)
	c.add(`<text class="title" x="%d" y="24">%s</text>`, edge, esc(title))
	for i, p := range panels {
		low, high, step, any := reach(p)
		c.add(`<svg x="%d" y="%s" width="%d" height="%s">`, edge, num(head+float64(i)*PanelHeight), width, num(PanelHeight))
		drawPanel(&c, a, p, low, high, step, any)
		c.close()
	}
	c.add(`<svg x="%d" y="%s" width="%d" height="%s">`, edge, num(head+float64(len(panels))*PanelHeight), width, num(AxisHeight))
	drawAxis(&c, a)
	c.close()
	c.close()
	return c.String()
}

// Tick is a labelled moment.
type Tick struct {
	T     time.Time
	Daily bool // a day, not an hour
}

var tickSteps = []time.Duration{
	10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
	time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour,
}

// Ticks are round moments of the zone's clock, at most 6, in from..to.
func Ticks(from, to time.Time, zone *time.Location) []Tick {
	const most = 6
	span := to.Sub(from)
	if span <= 0 {
		return nil
	}
	var out []Tick
	for _, step := range tickSteps {
		if span/step >= most {
			continue
		}
		// Steps are counted from local midnight, so that they are round there too.
		y, m, d := from.In(zone).Date()
		for day := time.Date(y, m, d, 0, 0, 0, 0, zone); !day.After(to); {
			next := day.AddDate(0, 0, 1)
			for t := day; t.Before(next); t = t.Add(step) {
				if !t.Before(from) && !t.After(to) {
					out = append(out, Tick{T: t})
				}
			}
			day = next
		}
		return out
	}
	days := 1
	for _, n := range []int{1, 2, 7, 14, 30, 61, 122, 365} {
		if days = n; span/(time.Duration(n)*24*time.Hour) < most {
			break
		}
	}
	y, m, d := from.In(zone).Date()
	if days >= 30 { // months, from the first of one
		months := days / 30
		for t := time.Date(y, m, 1, 0, 0, 0, 0, zone); !t.After(to); t = t.AddDate(0, months, 0) {
			if !t.Before(from) {
				out = append(out, Tick{T: t, Daily: true})
			}
		}
		return out
	}
	for t := time.Date(y, m, d, 0, 0, 0, 0, zone); !t.After(to); t = t.AddDate(0, 0, days) {
		if !t.Before(from) {
			out = append(out, Tick{T: t, Daily: true})
		}
	}
	return out
}
