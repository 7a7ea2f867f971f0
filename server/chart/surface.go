package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"decktrim/internal/contour"
)

// Surface is an expected value over two settings. Mean[j][i] and Half[j][i]
// belong to Y[j] and X[i], which rise and have at least two members.
type Surface struct {
	ID         string
	Text       string
	X, Y       []float64
	Mean, Half [][]float64
	Known      float64 // where Half is greater the place is hatched
	Unknown    string  // written into the hatched part
	Tried      []Ring
	Present    *Place
	Best       *Place
	Suggested  *Place
	XTitle     string
	YTitle     string
	FormatX    func(float64) string
	FormatY    func(float64) string
}

type Place struct{ X, Y float64 }

// Ring is a place that was tried.
type Ring struct {
	Place
	Count int    // runs there
	Text  string // said when pointed at
}

const (
	mapTop, mapPlot = 34.0, 340.0
	mapBottom       = 48.0
	mapEdge         = 5.0 // per cent around the box, for tries outside it
)

// frame places the box of the plant file inside the drawing.
type frame struct{ x, y scale }

func newFrame(xs, ys []float64) frame {
	widen := func(low, high float64) (float64, float64) {
		d := (high - low) * mapEdge / (100 - 2*mapEdge)
		return low - d, high + d
	}
	x0, x1 := widen(xs[0], xs[len(xs)-1])
	y0, y1 := widen(ys[0], ys[len(ys)-1])
	return frame{scale{x0, x1, 100}, scale{y1, y0, 100}}
}

// Map draws lines of equal expected value in the box that people allow, hatched
// where it is not known, with what was tried (rings), the present setting (cross),
// the best-known (open square) and the suggestion (filled diamond). Outside the
// box only pale rings of earlier tries are drawn.
func Map(s Surface) string {
	var c canvas
	c.open("map", mapTop+mapPlot+mapBottom, s.Text, "")
	c.hatch(s.ID+"-hatch", 20, 3)
	f := newFrame(s.X, s.Y)
	y := func(v float64) float64 { return mapTop + f.y.clamped(v)/100*mapPlot }
	c.text("title", 0, 15, "start", s.YTitle)
	c.stretch(mapTop, mapPlot)
	place := func(p contour.Point) (float64, float64) { // grid units to the inner picture
		return f.x.at(between(s.X, p.X)) * inner / 100, f.y.at(between(s.Y, p.Y)) * inner / 100
	}
	least, greatest := reachOf(s.Mean)
	heights := contour.Levels(least, greatest, 7)
	type labelled struct {
		x, y float64
		text string
	}
	var labels []labelled
	for _, l := range heights {
		var d strings.Builder
		longest := []contour.Point(nil)
		for _, line := range contour.Lines(s.Mean, l) {
			for i, p := range line {
				letter := "L"
				if i == 0 {
					letter = "M"
				}
				x, y := place(p)
				fmt.Fprintf(&d, "%s%s %s", letter, coord(x), coord(y))
			}
			if len(line) > len(longest) {
				longest = line
			}
		}
		if d.Len() > 0 {
			c.add(`<path class="contour" d="%s" vector-effect="non-scaling-stroke"/>`, d.String())
			x, y := place(longest[len(longest)/2])
			labels = append(labels, labelled{x / inner * 100, y / inner * 100, level(l)})
		}
	}
	if area := region(s.Half, s.Known, place); area != "" {
		c.add(`<path class="veil" d="%s"/><path class="gap" d="%[1]s" fill="url(#%s)"/>`, area, esc(s.ID+"-hatch"))
	}
	for _, line := range contour.Lines(s.Half, s.Known) {
		var d strings.Builder
		for i, p := range line {
			letter := "L"
			if i == 0 {
				letter = "M"
			}
			x, y := place(p)
			fmt.Fprintf(&d, "%s%s %s", letter, coord(x), coord(y))
		}
		c.add(`<path class="edge" d="%s" vector-effect="non-scaling-stroke"/>`, d.String())
	}
	c.close()
	x0, x1 := f.x.at(s.X[0]), f.x.at(s.X[len(s.X)-1])
	y0, y1 := y(s.Y[len(s.Y)-1]), y(s.Y[0])
	c.add(`<rect class="box" x="%s%%" y="%s" width="%s%%" height="%s"/>`, num(x0), num(y0), num(x1-x0), num(y1-y0))

	// Labels keep away from marks and from one another.
	var taken [][2]float64
	for _, p := range []*Place{s.Present, s.Best, s.Suggested} {
		if p != nil {
			taken = append(taken, [2]float64{f.x.clamped(p.X), f.y.clamped(p.Y)})
		}
	}
	free := func(x, y, dx, dy float64) bool {
		for _, t := range taken {
			if math.Abs(t[0]-x) < dx && math.Abs(t[1]-y) < dy {
				return false
			}
		}
		return true
	}
	for _, l := range labels {
		if free(l.x, l.y, 9, 7) {
			c.text("level halo", l.x, mapTop+l.y/100*mapPlot+5, "middle", l.text)
			taken = append(taken, [2]float64{l.x, l.y})
		}
	}
	if s.Unknown != "" {
		for _, p := range roomy(s.Half, s.Known) {
			x, y := place(p)
			if free(x/inner*100, y/inner*100, 14, 6) {
				c.text("label halo", x/inner*100, mapTop+y/inner*mapPlot+5, "middle", s.Unknown)
				break
			}
		}
	}
	for _, r := range s.Tried {
		outside := r.X < s.X[0] || r.X > s.X[len(s.X)-1] || r.Y < s.Y[0] || r.Y > s.Y[len(s.Y)-1]
		class := "tried"
		if outside {
			class = "tried pale"
		}
		c.at(f.x.clamped(r.X), y(r.Y))
		c.add(`<circle class="%s" r="%s"><title>%s</title></circle>`, class, num(min(3.5+1.5*math.Sqrt(float64(r.Count)), 12)), esc(r.Text))
		c.close()
	}
	marks(&c, s.Best, s.Present, s.Suggested, func(p Place) (float64, float64) { return f.x.clamped(p.X), y(p.Y) })
	bottom := mapTop + mapPlot
	xAxis(&c, s.X, f.x, bottom, s.FormatX, s.XTitle)
	for _, v := range ends(s.Y) {
		c.text("level halo", 0, y(v)+5, "start", format(s.FormatY, v))
	}
	c.close()
	return c.String()
}

func marks(c *canvas, best, present, suggested *Place, where func(Place) (float64, float64)) {
	if best != nil {
		c.at(where(*best))
		c.WriteString(Glyph("best"))
		c.close()
	}
	if present != nil {
		c.at(where(*present))
		c.WriteString(Glyph("present"))
		c.close()
	}
	if suggested != nil {
		c.at(where(*suggested))
		c.WriteString(Glyph("suggested"))
		c.close()
	}
}

// Glyph is one of the marks of a map, around 0,0: tried, present, best, suggested
// or box.
func Glyph(kind string) string {
	switch kind {
	case "best":
		return `<rect class="best under" x="-12" y="-12" width="24" height="24"/><rect class="best" x="-12" y="-12" width="24" height="24"/>`
	case "present":
		return `<path class="present under" d="M-8 -8L8 8M-8 8L8 -8"/><path class="present" d="M-8 -8L8 8M-8 8L8 -8"/>`
	case "suggested":
		return `<path class="suggested" d="M0 -9L9 0L0 9L-9 0Z"/>`
	case "tried":
		return `<circle class="tried" r="6"/>`
	case "box":
		return `<rect class="box" x="-10" y="-7" width="20" height="14"/>`
	}
	return ""
}

// Key is a glyph as a small drawing of its own, for the list of marks.
func Key(kind string) string {
	return `<svg xmlns="http://www.w3.org/2000/svg" class="chart key" width="28" height="28" viewBox="-14 -14 28 28" aria-hidden="true">` + Glyph(kind) + `</svg>`
}

func format(f func(float64) string, v float64) string {
	if f == nil {
		return level(v)
	}
	return f(v)
}

// ends are the values to label on an axis: both ends and round levels between.
func ends(v []float64) []float64 {
	low, high := v[0], v[len(v)-1]
	out := []float64{low}
	for _, l := range contour.Levels(low, high, 3) {
		if (l-low)/(high-low) > 0.12 && (high-l)/(high-low) > 0.12 {
			out = append(out, l)
		}
	}
	return append(out, high)
}

func xAxis(c *canvas, xs []float64, s scale, bottom float64, f func(float64) string, title string) {
	for _, v := range ends(xs) {
		x := s.clamped(v)
		c.add(`<line class="tick" x1="%[1]s%%" x2="%[1]s%%" y1="%[2]s" y2="%[3]s"/>`, num(x), num(bottom), num(bottom+5))
		c.text("label", x, bottom+19, anchorAt(x), format(f, v))
	}
	c.text("title", 50, bottom+40, "middle", title)
}

// between is the value at a place in grid units.
func between(v []float64, at float64) float64 {
	i := min(max(int(at), 0), len(v)-2)
	return v[i] + (at-float64(i))*(v[i+1]-v[i])
}

func reachOf(z [][]float64) (least, greatest float64) {
	least, greatest = math.Inf(1), math.Inf(-1)
	for _, row := range z {
		for _, v := range row {
			if finite(v) {
				least, greatest = min(least, v), max(greatest, v)
			}
		}
	}
	return least, greatest
}

// region is the path of the part of the grid where z is above the level (or not
// finite), cut along the level by linear interpolation in each cell.
func region(z [][]float64, cut float64, place func(contour.Point) (float64, float64)) string {
	over := func(v float64) bool { return !(v <= cut) }
	var d strings.Builder
	write := func(points []contour.Point) {
		for i, p := range points {
			letter := "L"
			if i == 0 {
				letter = "M"
			}
			x, y := place(p)
			fmt.Fprintf(&d, "%s%s %s", letter, coord(x), coord(y))
		}
		d.WriteString("Z")
	}
	for r := 0; r+1 < len(z); r++ {
		run := -1 // first column of cells that lie wholly in the region
		flush := func(end int) {
			if run >= 0 {
				a, b, y := float64(run), float64(end), float64(r)
				write([]contour.Point{{X: a, Y: y}, {X: b, Y: y}, {X: b, Y: y + 1}, {X: a, Y: y + 1}})
				run = -1
			}
		}
		for c := 0; c+1 < len(z[r]); c++ {
			corner := [4]float64{z[r][c], z[r][c+1], z[r+1][c+1], z[r+1][c]}
			at := [4]contour.Point{{X: float64(c), Y: float64(r)}, {X: float64(c + 1), Y: float64(r)}, {X: float64(c + 1), Y: float64(r + 1)}, {X: float64(c), Y: float64(r + 1)}}
			n := 0
			for _, v := range corner {
				if over(v) {
					n++
				}
			}
			if n == 4 {
				if run < 0 {
					run = c
				}
				continue
			}
			flush(c)
			if n == 0 {
				continue
			}
			var cell []contour.Point
			for i, v := range corner {
				w, p, q := corner[(i+1)%4], at[i], at[(i+1)%4]
				if over(v) {
					cell = append(cell, p)
				}
				if over(v) != over(w) {
					t := 0.5
					if finite(v) && finite(w) {
						t = (cut - v) / (w - v)
					}
					cell = append(cell, contour.Point{X: p.X + t*(q.X-p.X), Y: p.Y + t*(q.Y-p.Y)})
				}
			}
			write(cell)
		}
		flush(len(z[r]) - 1)
	}
	return d.String()
}

// roomy are the middles of rows of unknown cells that are long enough to hold a
// word, the longest first.
func roomy(half [][]float64, known float64) []contour.Point {
	type room struct {
		middle contour.Point
		length int
	}
	var rooms []room
	for r := 1; r+1 < len(half); r++ {
		for c := 0; c < len(half[r]); {
			end := c
			for end < len(half[r]) && !(half[r][end] <= known) {
				end++
			}
			if n := end - c; n*3 >= len(half[r]) {
				rooms = append(rooms, room{contour.Point{X: float64(c) + float64(n-1)/2, Y: float64(r)}, n})
			}
			c = end + 1
		}
	}
	slices.SortStableFunc(rooms, func(a, b room) int { return b.length - a.length })
	out := make([]contour.Point, len(rooms))
	for i, r := range rooms {
		out[i] = r.middle
	}
	return out
}

// UnknownShare is the part (0 to 1) of the grid's points that are not known.
func UnknownShare(half [][]float64, known float64) float64 {
	n, unknown := 0, 0
	for _, row := range half {
		for _, v := range row {
			n++
			if !(v <= known) {
				unknown++
			}
		}
	}
	if n == 0 {
		return 1
	}
	return float64(unknown) / float64(n)
}

// Slice is an expected value along one setting, with its band.
type Slice struct {
	ID                       string
	Text                     string
	X, Mean, Half            []float64
	Known                    float64
	Tried                    []Ring // Y: the value found
	Present, Best, Suggested *float64
	XTitle, YTitle           string
	FormatX                  func(float64) string
}

const slicePlot = 190.0

// Cut draws a slice: the line is the mean, the band its interval, hatched where it
// is not known; rings are runs, placed at what they gave.
func Cut(s Slice) string {
	var c canvas
	c.open("slice", mapTop+slicePlot+mapBottom, s.Text, "")
	c.hatch(s.ID+"-hatch", 22, 4)
	low, high := math.Inf(1), math.Inf(-1)
	for i := range s.X {
		if finite(s.Mean[i]) && finite(s.Half[i]) {
			low, high = min(low, s.Mean[i]-s.Half[i]), max(high, s.Mean[i]+s.Half[i])
		}
	}
	for _, r := range s.Tried {
		low, high = min(low, r.Y), max(high, r.Y)
	}
	if !finite(low) || !finite(high) {
		low, high = 0, 1
	}
	if high-low < 1 {
		low, high = low-0.5, high+0.5
	}
	low, high, step := evenly(low, high)
	first, last := s.X[0], s.X[len(s.X)-1]
	edge := (last - first) * 0.02
	sx, sy := scale{first - edge, last + edge, 100}, scale{high, low, 100}
	c.text("title", 0, 15, "start", s.YTitle)
	lines := levels(low, high, step)
	y := func(v float64) float64 { return mapTop + sy.clamped(v)/100*slicePlot }
	for i, l := range lines {
		class := "grid"
		if i == 0 {
			class = "base"
		}
		c.add(`<line class="%[1]s" x1="0" x2="100%%" y1="%[2]s" y2="%[2]s"/>`, class, num(y(l)))
	}
	c.stretch(mapTop, slicePlot)
	px := func(i int) string { return coord(sx.at(s.X[i]) * 10) }
	py := func(v float64) string { return coord(sy.clamped(v) * 10) }
	band := func(from, to int) string {
		var d strings.Builder
		for i := from; i <= to; i++ {
			letter := "L"
			if i == from {
				letter = "M"
			}
			fmt.Fprintf(&d, "%s%s %s", letter, px(i), py(s.Mean[i]+s.Half[i]))
		}
		for i := to; i >= from; i-- {
			fmt.Fprintf(&d, "L%s %s", px(i), py(s.Mean[i]-s.Half[i]))
		}
		return d.String() + "Z"
	}
	c.add(`<path class="spread" d="%s"/>`, band(0, len(s.X)-1))
	for i := 0; i+1 < len(s.X); {
		if s.Half[i] <= s.Known || s.Half[i+1] <= s.Known {
			i++
			continue
		}
		j := i + 1
		for j+1 < len(s.X) && s.Half[j+1] > s.Known {
			j++
		}
		c.add(`<path class="veil" d="%s"/><path class="gap" d="%[1]s" fill="url(#%s)"/>`, band(i, j), esc(s.ID+"-hatch"))
		i = j
	}
	var d strings.Builder
	for i := range s.X {
		letter := "L"
		if i == 0 {
			letter = "M"
		}
		fmt.Fprintf(&d, "%s%s %s", letter, px(i), py(s.Mean[i]))
	}
	c.add(`<path class="line" d="%s" vector-effect="non-scaling-stroke"/>`, d.String())
	c.close()
	for _, r := range s.Tried {
		c.at(sx.clamped(r.X), y(r.Y))
		c.add(`<circle class="tried" r="5"><title>%s</title></circle>`, esc(r.Text))
		c.close()
	}
	on := func(x *float64) *Place {
		if x == nil {
			return nil
		}
		return &Place{*x, along(s.X, s.Mean, *x)}
	}
	marks(&c, on(s.Best), on(s.Present), on(s.Suggested), func(p Place) (float64, float64) { return sx.clamped(p.X), y(p.Y) })
	for _, l := range lines {
		c.text("level halo", 0, y(l)-3, "start", level(l))
	}
	xAxis(&c, s.X, sx, mapTop+slicePlot, s.FormatX, s.XTitle)
	c.close()
	return c.String()
}

// along reads a line at x by linear interpolation, its ends beyond.
func along(xs, ys []float64, x float64) float64 {
	if x <= xs[0] {
		return ys[0]
	}
	for i := 0; i+1 < len(xs); i++ {
		if x <= xs[i+1] {
			t := (x - xs[i]) / (xs[i+1] - xs[i])
			return ys[i] + t*(ys[i+1]-ys[i])
		}
	}
	return ys[len(ys)-1]
}
