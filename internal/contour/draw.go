package contour

import (
	"fmt"
	"html"
	"math"
	"strconv"
	"strings"
)

// Axis is one side of a drawing: what it shows, from where to where.
type Axis struct {
	Label    string // with its unit
	Min, Max float64
}

// Mark is a tried point or another place worth showing, in the axes' units.
type Mark struct {
	X, Y  float64
	Kind  string // "tried" (ring), "present" (cross), "best" (open square), "suggestion" (filled diamond)
	Title string // said when pointed at
}

// Spec is a contour drawing. Z[row][col] is the height on an even grid: column 0
// at X.Min, the last at X.Max; row 0 at Y.Min. Unknown, of the same shape or nil,
// is true where the height is not known well enough: that part is hatched.
type Spec struct {
	Title, Note string
	X, Y        Axis
	Z           [][]float64
	Unknown     [][]bool
	Unit        string // of Z, written at the level labels
	Marks       []Mark
}

const (
	width, height            = 640.0, 520.0
	left, right, top, bottom = 78.0, 20.0, 64.0, 84.0
)

// Draw returns the drawing as one SVG element with a title and a description for
// those who cannot see it. Lines carry their level; colour is not needed to read it.
func Draw(s Spec) string {
	px := func(x float64) float64 { return left + (x-s.X.Min)/(s.X.Max-s.X.Min)*(width-left-right) }
	py := func(y float64) float64 {
		return height - bottom - (y-s.Y.Min)/(s.Y.Max-s.Y.Min)*(height-top-bottom)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img" font-family="sans-serif" font-size="13">`+"\n", width, height)
	fmt.Fprintf(&b, "<title>%s</title>\n<desc>%s</desc>\n", html.EscapeString(s.Title), html.EscapeString(s.Note))
	b.WriteString(`<defs><pattern id="unknown" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">` +
		`<line x1="0" y1="0" x2="0" y2="8" stroke="#8a8a8a" stroke-width="1.5"/></pattern></defs>` + "\n")
	fmt.Fprintf(&b, `<rect width="%g" height="%g" fill="#ffffff"/>`+"\n", width, height)
	fmt.Fprintf(&b, `<text x="%g" y="24" font-size="16" font-weight="bold">%s</text>`+"\n", left, html.EscapeString(s.Title))
	fmt.Fprintf(&b, `<text x="%g" y="44" fill="#444444">%s</text>`+"\n", left, html.EscapeString(s.Note))

	rows, cols := len(s.Z), 0
	if rows > 0 {
		cols = len(s.Z[0])
	}
	if rows > 1 && cols > 1 && s.X.Max > s.X.Min && s.Y.Max > s.Y.Min {
		gx := func(c float64) float64 { return px(s.X.Min + c/float64(cols-1)*(s.X.Max-s.X.Min)) }
		gy := func(r float64) float64 { return py(s.Y.Min + r/float64(rows-1)*(s.Y.Max-s.Y.Min)) }
		drawUnknown(&b, s.Unknown, gx, gy)
		least, greatest := math.Inf(1), math.Inf(-1)
		for _, row := range s.Z {
			for _, v := range row {
				if !math.IsNaN(v) && !math.IsInf(v, 0) {
					least, greatest = math.Min(least, v), math.Max(greatest, v)
				}
			}
		}
		for _, level := range Levels(least, greatest, 9) {
			label := number(level)
			for _, line := range Lines(s.Z, level) {
				b.WriteString(`<polyline class="level" fill="none" stroke="#1f4e79" stroke-width="1.3" points="`)
				for i, p := range line {
					if i > 0 {
						b.WriteByte(' ')
					}
					fmt.Fprintf(&b, "%.1f,%.1f", gx(p.X), gy(p.Y))
				}
				b.WriteString("\"/>\n")
				if len(line) > 4 {
					p := line[len(line)/2]
					fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" fill="#1f4e79" font-size="12" text-anchor="middle" stroke="#ffffff" stroke-width="4" paint-order="stroke">%s%s</text>`+"\n",
						gx(p.X), gy(p.Y)+4, label, html.EscapeString(spaced(s.Unit)))
				}
			}
		}
	}
	drawAxes(&b, s, px, py)
	for _, m := range s.Marks {
		drawMark(&b, m, px(m.X), py(m.Y))
	}
	b.WriteString("</svg>\n")
	return b.String()
}

// drawUnknown hatches every grid cell around a node that is not known: runs of
// cells in a row become one rectangle.
func drawUnknown(b *strings.Builder, unknown [][]bool, gx, gy func(float64) float64) {
	for r := 0; r+1 < len(unknown); r++ {
		cell := func(c int) bool {
			return c+1 < len(unknown[r]) && unknown[r][c] && unknown[r][c+1] && unknown[r+1][c] && unknown[r+1][c+1]
		}
		for c := 0; c+1 < len(unknown[r]); c++ {
			if !cell(c) {
				continue
			}
			end := c
			for cell(end) {
				end++
			}
			x, y := gx(float64(c)), gy(float64(r+1))
			fmt.Fprintf(b, `<rect class="unknown" x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="url(#unknown)"/>`+"\n",
				x, y, gx(float64(end))-x, gy(float64(r))-y)
			c = end
		}
	}
}

func drawAxes(b *strings.Builder, s Spec, px, py func(float64) float64) {
	fmt.Fprintf(b, `<rect x="%g" y="%g" width="%g" height="%g" fill="none" stroke="#000000"/>`+"\n", left, top, width-left-right, height-top-bottom)
	ticks := func(a Axis, count int, draw func(v float64)) {
		step := Step(a.Max-a.Min, count)
		if step == 0 {
			return
		}
		for i := math.Ceil(a.Min/step - 1e-9); i*step <= a.Max+1e-9*step; i++ {
			draw(i * step)
		}
	}
	ticks(s.X, 8, func(v float64) {
		fmt.Fprintf(b, `<line x1="%.1f" y1="%g" x2="%.1f" y2="%g" stroke="#000000"/><text x="%.1f" y="%g" text-anchor="middle">%s</text>`+"\n",
			px(v), height-bottom, px(v), height-bottom+5, px(v), height-bottom+20, number(v))
	})
	ticks(s.Y, 7, func(v float64) {
		fmt.Fprintf(b, `<line x1="%g" y1="%.1f" x2="%g" y2="%.1f" stroke="#000000"/><text x="%g" y="%.1f" text-anchor="end">%s</text>`+"\n",
			left-5, py(v), left, py(v), left-8, py(v)+4, number(v))
	})
	fmt.Fprintf(b, `<text x="%g" y="%g" text-anchor="middle">%s</text>`+"\n", (left+width-right)/2, height-bottom+40, html.EscapeString(s.X.Label))
	mid := (top + height - bottom) / 2
	fmt.Fprintf(b, `<text x="18" y="%g" text-anchor="middle" transform="rotate(-90 18 %g)">%s</text>`+"\n", mid, mid, html.EscapeString(s.Y.Label))
	fmt.Fprintf(b, `<text x="%g" y="%g" fill="#444444" font-size="12">ring: tried · cross: present · open square: best known · diamond: suggestion · hatched: not known</text>`+"\n", left-60, height-16)
}

func drawMark(b *strings.Builder, m Mark, x, y float64) {
	title := "<title>" + html.EscapeString(m.Title) + "</title>"
	switch m.Kind {
	case "present":
		fmt.Fprintf(b, `<path class="present" d="M%.1f %.1fh14m-7 -7v14" stroke="#000000" stroke-width="2.5" fill="none">%s</path>`+"\n", x-7, y, title)
	case "best":
		fmt.Fprintf(b, `<rect class="best" x="%.1f" y="%.1f" width="14" height="14" stroke="#000000" stroke-width="2" fill="none">%s</rect>`+"\n", x-7, y-7, title)
	case "suggestion":
		fmt.Fprintf(b, `<path class="suggestion" d="M%.1f %.1fl8 8l-8 8l-8 -8z" fill="#000000">%s</path>`+"\n", x, y-8, title)
	default:
		fmt.Fprintf(b, `<circle class="tried" cx="%.1f" cy="%.1f" r="5" stroke="#000000" stroke-width="1.3" fill="#ffffff" fill-opacity="0.7">%s</circle>`+"\n", x, y, title)
	}
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

func spaced(unit string) string {
	if unit == "" {
		return ""
	}
	return " " + unit
}
