package chart

import (
	"encoding/xml"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// wellFormed checks what every drawing promises: it parses, says one sentence,
// holds no number that is none, and no style that a page's policy forbids.
func wellFormed(t *testing.T, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	depth := 0
	for {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err, svg)
		switch e := token.(type) {
		case xml.StartElement:
			depth++
			for _, a := range e.Attr {
				require.NotEqual(t, "style", a.Name.Local)
				require.NotContains(t, a.Value, "NaN")
				require.NotContains(t, a.Value, "Inf")
			}
		case xml.EndElement:
			depth--
		}
	}
	require.Zero(t, depth)
}

func some(v float64) *float64 { return &v }

func TestRangeBar(t *testing.T) {
	full := Bar{Text: `Feed rate: 3.1 t/h & "rising"`, Low: 0, High: 4, Usual: &Span{1.6, 2.4}, LimitLow: some(0.5), LimitHigh: some(3), Tail: &Span{1.8, 3.1}, Now: some(3.1), Mark: Act}
	svg := RangeBar(full)
	wellFormed(t, svg)
	require.Contains(t, svg, `<rect class="usual" x="40%" width="20%"`)
	require.Contains(t, svg, `<line class="limit" x1="12.5%"`)
	require.Contains(t, svg, `<line class="tail" x1="45%" x2="77.5%"`)
	require.Contains(t, svg, `<svg x="77.5%"`)
	require.Contains(t, svg, `class="mark act"`)

	for name, c := range map[string]struct {
		change func(*Bar)
		has    string
		lacks  string
	}{
		"usual not known":   {func(b *Bar) { b.Usual = nil }, `class="scale"`, `class="usual"`},
		"no value":          {func(b *Bar) { b.Now = nil }, `class="scale"`, `class="mark`},
		"not a number":      {func(b *Bar) { b.Now = some(math.NaN()) }, `class="scale"`, `class="mark`},
		"beyond the scale":  {func(b *Bar) { b.Now = some(1e9) }, `<svg x="100%" y="16" overflow="visible"><path class="mark act"`, ""},
		"below the scale":   {func(b *Bar) { b.Now = some(-1e9) }, `<svg x="0%" y="16" overflow="visible"><path class="mark act"`, ""},
		"not believed":      {func(b *Bar) { b.Mark = Suspect }, `<polyline class="mark suspect"`, ""},
		"old":               {func(b *Bar) { b.Mark = Old }, `class="mark old"`, ""},
		"no scale":          {func(b *Bar) { b.High = b.Low }, `class="scale broken"`, `class="mark`},
		"limit off scale":   {func(b *Bar) { b.LimitLow, b.LimitHigh = some(-5), some(9) }, `class="scale"`, `class="limit"`},
		"scale of infinity": {func(b *Bar) { b.High = math.Inf(1) }, `class="scale broken"`, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := full
			c.change(&b)
			svg := RangeBar(b)
			wellFormed(t, svg)
			require.Contains(t, svg, c.has)
			if c.lacks != "" {
				require.NotContains(t, svg, c.lacks)
			}
		})
	}
}

var start = time.Date(2026, 1, 5, 20, 0, 0, 0, time.UTC)

// ramp is n samples a minute apart, rising from v by one each.
func ramp(n int, v float64) []Sample {
	var out []Sample
	for i := range n {
		x := v + float64(i)
		out = append(out, Sample{T: start.Add(time.Duration(i) * time.Minute), Mean: x, Least: x - 0.5, Greatest: x + 0.5})
	}
	return out
}

func TestTimePanel(t *testing.T) {
	a := Axis{From: start, To: start.Add(time.Hour), NoData: "no data"}
	samples := ramp(60, 10)
	p := Panel{ID: "p", Title: "Feed <rate>", Text: "sentence", Samples: samples, Usual: &Span{20, 40}, Flags: []Flag{{start.Add(30 * time.Minute), "note", "1"}, {start.Add(2 * time.Hour), "note", "2"}}}
	svg := Time(a, p)
	wellFormed(t, svg)
	require.Contains(t, svg, `aria-label="sentence"`)
	require.Contains(t, svg, `class="line"`)
	require.Contains(t, svg, `class="spread"`)
	require.Contains(t, svg, `class="usual"`)
	require.Equal(t, 1, strings.Count(svg, `class="flag note"`), "a flag outside the view is not drawn")
	require.NotContains(t, svg, `class="gap"`)
	require.Equal(t, svg, Time(a, p), "the same data give the same text")
}

// A gap is a gap: never zero, never joined.
func TestGapsAreGaps(t *testing.T) {
	a := Axis{From: start, To: start.Add(time.Hour), NoData: "no data"}
	s := ramp(60, 10)
	s[20] = Sample{T: s[20].T, Gap: true}
	s = append(s[:21], s[40:]...)
	svg := Time(a, Panel{ID: "p", Samples: s})
	wellFormed(t, svg)
	require.Equal(t, 1, Gaps(a, s))
	require.Contains(t, svg, `<rect class="gap" x="33.33%" width="33.33%"`)
	require.Contains(t, svg, "no data")
	d := svg[strings.Index(svg, `class="line" d="`)+16:]
	d = d[:strings.Index(d, `"`)]
	require.Equal(t, 2, strings.Count(d, "M"), "two strokes, not joined")

	require.Equal(t, 1, Gaps(a, nil))
	require.Contains(t, Time(a, Panel{ID: "p"}), `<rect class="gap" x="0%" width="100%"`)
	late := ramp(10, 1)
	require.Equal(t, 1, Gaps(a, late), "nothing came after the tenth minute")
	bad := []Sample{{T: start, Mean: math.NaN(), Least: 1, Greatest: 2}, {T: start.Add(time.Minute), Mean: 1, Least: 1, Greatest: math.Inf(1)}}
	wellFormed(t, Time(a, Panel{ID: "p", Samples: bad}))
}

// Peaks survive thinning: the band reaches the least and the greatest.
func TestBandReachesThePeak(t *testing.T) {
	a := Axis{From: start, To: start.Add(time.Hour)}
	s := ramp(60, 0)
	for i := range s {
		s[i].Mean, s[i].Least, s[i].Greatest = 50, 49, 51
	}
	s[30].Greatest = 100
	low, high, _, any := reach(Panel{Samples: s})
	require.True(t, any)
	require.LessOrEqual(t, low, 49.0)
	require.GreaterOrEqual(t, high, 100.0)
	band, _ := paths(a, s, low, high)
	want := "L" + coord(float64(30*60)/3600*inner) + " " + coord((high-100)/(high-low)*inner)
	require.Contains(t, band, want)
}

func TestCutAxisIsMarked(t *testing.T) {
	a := Axis{From: start, To: start.Add(time.Hour)}
	require.Contains(t, Time(a, Panel{ID: "p", Samples: ramp(60, 1000)}), `class="cut"`)
	require.NotContains(t, Time(a, Panel{ID: "p", Samples: ramp(60, 1)}), `class="cut"`)
}

func TestLevelsSpanThePanel(t *testing.T) {
	for _, c := range [][2]float64{{1.75, 2.25}, {52, 68}, {-3, 7}, {0, 0.001}, {99.5, 100}} {
		low, high, step := evenly(c[0], c[1])
		l := levels(low, high, step)
		const round = 1e-9
		require.InDelta(t, low, l[0], round)
		require.InDelta(t, high, l[len(l)-1], round*max(1, math.Abs(high)))
		require.LessOrEqual(t, low, c[0])
		require.GreaterOrEqual(t, high, c[1]-round)
	}
}

func TestTicks(t *testing.T) {
	zone, err := time.LoadLocation("America/Boise")
	require.NoError(t, err)
	for name, c := range map[string]struct {
		span  time.Duration
		daily bool
	}{
		"a minute": {time.Minute, false}, "an hour": {time.Hour, false}, "six hours": {6 * time.Hour, false}, "a day": {24 * time.Hour, false},
		"three days": {72 * time.Hour, true}, "a week": {7 * 24 * time.Hour, true}, "a month": {30 * 24 * time.Hour, true}, "a year": {365 * 24 * time.Hour, true},
	} {
		t.Run(name, func(t *testing.T) {
			ticks := Ticks(start, start.Add(c.span), zone)
			require.NotEmpty(t, ticks)
			require.LessOrEqual(t, len(ticks), 7)
			for i, k := range ticks {
				require.Equal(t, c.daily, k.Daily)
				require.False(t, k.T.Before(start) || k.T.After(start.Add(c.span)))
				require.Zero(t, k.T.In(zone).Second()%10)
				if c.daily {
					require.Equal(t, "00:00", k.T.In(zone).Format("15:04"), "a day starts at local midnight")
				}
				if i > 0 {
					require.True(t, k.T.After(ticks[i-1].T))
				}
			}
		})
	}
	require.Empty(t, Ticks(start, start, zone))
	// The day on which clocks go forward is an hour short and still has ticks in order.
	spring := time.Date(2026, 3, 8, 0, 0, 0, 0, zone)
	require.NotEmpty(t, Ticks(spring, spring.AddDate(0, 0, 1), zone))
}

func TestPictureStandsAlone(t *testing.T) {
	a := Axis{From: start, To: start.Add(time.Hour)}
	svg := Picture(a, []Panel{{ID: "a", Title: "A", Samples: ramp(60, 1)}, {ID: "b", Title: "B"}}, "Title & more", ".line{fill:none}")
	wellFormed(t, svg)
	require.Contains(t, svg, "<title>Title &amp; more</title>")
	require.Contains(t, svg, ".line{fill:none}")
}

// hill is a surface that is known near its middle.
func hill(n int) Surface {
	s := Surface{ID: "map", Text: "a map", Known: 3, Unknown: "not known", XTitle: "x", YTitle: "y"}
	for i := range n {
		u := float64(i) / float64(n-1)
		s.X, s.Y = append(s.X, 20+70*u), append(s.Y, 1+4*u)
	}
	for j := range n {
		var mean, half []float64
		for i := range n {
			u, v := float64(i)/float64(n-1)-0.5, float64(j)/float64(n-1)-0.5
			mean, half = append(mean, 74-40*(u*u+v*v)), append(half, 1+16*(u*u+v*v))
		}
		s.Mean, s.Half = append(s.Mean, mean), append(s.Half, half)
	}
	return s
}

func TestMap(t *testing.T) {
	s := hill(25)
	s.Tried = []Ring{{Place{55, 3}, 4, "run 1 & 2"}, {Place{99, 3}, 1, "outside"}}
	s.Present, s.Best, s.Suggested = &Place{50, 3}, &Place{55, 2}, &Place{60, 3}
	svg := Map(s)
	wellFormed(t, svg)
	for _, want := range []string{`class="contour"`, `class="gap"`, `class="veil"`, `class="box"`, `class="present"`, `class="best"`, `class="suggested"`, ">not known<", `class="tried pale"`, "run 1 &amp; 2"} {
		require.Contains(t, svg, want)
	}
	require.Greater(t, strings.Count(svg, `class="level halo"`), 4, "lines carry their level")
	s.Suggested, s.Best = nil, nil
	require.NotContains(t, Map(s), `class="suggested"`)
	// Half of the 95 % interval above 3 points: a ring outside radius sqrt(2/16).
	radius := math.Sqrt(2.0 / 16)
	const coarse = 0.05 // share of the area: a grid of 25 points
	require.InDelta(t, 1-math.Pi*radius*radius, UnknownShare(s.Half, 3), coarse)
	require.Equal(t, 1.0, UnknownShare(nil, 3))
	for j := range s.Half {
		for i := range s.Half[j] {
			s.Half[j][i], s.Mean[j][i] = math.NaN(), math.NaN()
		}
	}
	wellFormed(t, Map(s))
	require.Equal(t, 1.0, UnknownShare(s.Half, 3), "what is no number is not known")
}

func TestCut(t *testing.T) {
	s := hill(25)
	c := Slice{ID: "s", Text: "a slice", X: s.X, Mean: s.Mean[12], Half: s.Half[12], Known: 3, Present: some(50), Suggested: some(1000), Tried: []Ring{{Place{40, 71}, 1, "run 3"}}, XTitle: "x", YTitle: "y"}
	svg := Cut(c)
	wellFormed(t, svg)
	require.Equal(t, 2, strings.Count(svg, `class="gap"`), "not known at both ends")
	require.Contains(t, svg, `class="spread"`)
	require.Contains(t, svg, "run 3")
	flat := Slice{ID: "s", X: []float64{1, 2}, Mean: []float64{70, 70}, Half: []float64{0, 0}, Known: 3}
	wellFormed(t, Cut(flat))
}

func TestDots(t *testing.T) {
	svg := Dots("a sentence", "Recovery, %", []Dot{{"Quillback Reef", "14 runs", some(74), some(68), some(79)}, {"Pewter <Gully>", "1 run", some(61), nil, nil}, {"None", "", nil, nil, nil}})
	wellFormed(t, svg)
	require.Equal(t, 3, strings.Count(svg, `class="interval"`), "one interval and its two ends")
	require.Equal(t, 1, strings.Count(svg, `class="dot"`))
	require.Equal(t, 1, strings.Count(svg, `class="dot open"`), "an estimate whose interval is not known looks so")
	wellFormed(t, Dots("none", "", nil))
}

func FuzzTime(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, int64(60))
	f.Add(math.Inf(1), -1e308, 1e308, int64(1))
	f.Fuzz(func(t *testing.T, a, b, c float64, span int64) {
		axis := Axis{From: start, To: start.Add(time.Duration(span) * time.Second)}
		s := []Sample{{T: start, Mean: a, Least: min(a, b), Greatest: max(a, b)}, {T: start.Add(time.Minute), Mean: b, Least: b, Greatest: b}, {T: start.Add(2 * time.Minute), Gap: true}, {T: start.Add(3 * time.Minute), Mean: c, Least: c, Greatest: c}}
		svg := Time(axis, Panel{ID: "p", Samples: s})
		wellFormed(t, svg)
		require.Less(t, len(svg), 100_000, strconv.FormatInt(span, 10))
	})
}

func BenchmarkTime1000(b *testing.B) {
	a := Axis{From: start, To: start.Add(1000 * time.Minute)}
	p := Panel{ID: "p", Samples: ramp(1000, 1)}
	for b.Loop() {
		Time(a, p)
	}
}
