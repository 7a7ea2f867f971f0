package web

import (
	"context"
	"encoding/json"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/units"
	"decktrim/server/chart"
)

const (
	maxChannels = 6
	maxPoints   = 1000 // a line
	tableRows   = 24
	defaultSpan = 6 * time.Hour
)

// spans are the widths of a view, for wider and narrower.
var spans = []time.Duration{5 * time.Minute, 15 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour,
	3 * 24 * time.Hour, 7 * 24 * time.Hour, 30 * 24 * time.Hour, 91 * 24 * time.Hour, 365 * 24 * time.Hour}

// view is a stretch of time and the channels to look at.
type view struct {
	From, To time.Time
	Channels []plant.Channel
	Fixed    bool // the address names the end: the view does not move with the clock
}

func (v view) span() time.Duration { return v.To.Sub(v.From) }

// line is one channel over a view.
type line struct {
	channel               plant.Channel
	points                []Point
	any                   bool
	least, greatest, mean float64
	last                  float64
}

// readView understands the address of a view. What it does not say, or says
// wrongly, falls back: the last 6 hours, the first three channels.
func (b base) readView(q url.Values) (v view, problems []string) {
	v.To = b.now
	if t, err := time.Parse(time.RFC3339, q.Get("to")); err == nil && t.Before(b.now) {
		v.To, v.Fixed = t, true
	}
	span := defaultSpan
	if d, err := time.ParseDuration(q.Get("span")); err == nil {
		span = min(max(d, spans[0]), spans[len(spans)-1])
	}
	if t, err := time.Parse(time.RFC3339, q.Get("from")); err == nil && t.Before(v.To) {
		span = min(max(v.To.Sub(t), time.Minute), spans[len(spans)-1])
	}
	v.From = v.To.Add(-span)
	for _, name := range q["c"] {
		i := b.plant.ChannelIndex(name)
		switch {
		case i < 0:
			problems = append(problems, b.T("past.unknown", "name", name))
		case slices.ContainsFunc(v.Channels, func(c plant.Channel) bool { return c.Name == name }):
		case len(v.Channels) == maxChannels:
			problems = append(problems, b.T("past.too_many"))
		default:
			v.Channels = append(v.Channels, b.plant.Channels[i])
		}
	}
	if len(q["c"]) == 0 {
		v.Channels = trendChannels(b.plant)
		for _, c := range b.plant.Channels {
			if len(v.Channels) > 0 {
				break
			}
			if !contact(c) {
				v.Channels = append(v.Channels, c)
			}
		}
	}
	return v, slices.Compact(problems)
}

// viewURL is the address of a view; fixed says that it names its end.
func (b base) viewURL(path string, v view, fixed bool) string {
	pairs := []string{"span", shortDuration(v.span())}
	if fixed {
		pairs = append(pairs, "to", v.To.UTC().Format(time.RFC3339))
	}
	for _, c := range v.Channels {
		pairs = append(pairs, "c", c.Name)
	}
	return b.url(path, pairs...)
}

// shortDuration writes "6h" instead of "6h0m0s".
func shortDuration(d time.Duration) string {
	s := d.Round(time.Second).String()
	s = strings.TrimSuffix(s, "0s")
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	if s == "" {
		return "0s"
	}
	return s
}

// read fetches the channels of a view.
func (s *site) read(ctx context.Context, b base, v view, points int) ([]line, error) {
	var out []line
	for _, c := range v.Channels {
		got, err := s.History.Range(ctx, b.PlantName, c.Name, v.From, v.To, points)
		if err != nil {
			return nil, err
		}
		l := line{channel: c, points: got, least: math.Inf(1), greatest: math.Inf(-1)}
		sum, n := 0.0, 0
		for _, p := range got {
			if p.Count == 0 {
				continue
			}
			l.any, l.last = true, p.Mean
			l.least, l.greatest = min(l.least, p.Least), max(l.greatest, p.Greatest)
			sum, n = sum+p.Mean*float64(p.Count), n+p.Count
		}
		if n > 0 {
			l.mean = sum / float64(n)
		}
		out = append(out, l)
	}
	return out, nil
}

type flagView struct {
	Mark, Time, Text, By string
	at                   time.Time
	kind                 string
}

// flags are the settings and notes that people wrote down in a view.
func (s *site) flags(ctx context.Context, b base, v view) ([]flagView, error) {
	entries, err := s.Ledger.Entries(ctx, b.PlantName, ledger.KindSettingChange, ledger.KindNote)
	if err != nil {
		return nil, err
	}
	var out []flagView
	for _, e := range entries {
		if e.At.Before(v.From) || e.At.After(v.To) {
			continue
		}
		f := flagView{Time: b.L.At(e.At, b.now, b.zone), By: e.By, at: e.At}
		switch e.Kind {
		case ledger.KindSettingChange:
			var set ledger.SettingChange
			if err := json.Unmarshal(e.Body, &set); err != nil {
				s.Log.Error("an entry of the ledger cannot be read", "id", e.ID, "err", err)
				continue
			}
			f.kind = "setting"
			f.Text = upper(b.T("past.flag_setting", "name", b.settingName(set.Setting), "value", b.settingValue(set.Setting, set.Value, set.Unit)))
		case ledger.KindNote:
			var note ledger.Note
			if err := json.Unmarshal(e.Body, &note); err != nil {
				s.Log.Error("an entry of the ledger cannot be read", "id", e.ID, "err", err)
				continue
			}
			f.kind, f.Text = "note", note.Text
		}
		out = append(out, f)
	}
	slices.SortStableFunc(out, func(x, y flagView) int { return x.at.Compare(y.at) })
	for i := range out {
		out[i].Mark = strconv.Itoa(i + 1)
	}
	return out, nil
}

func (b base) settingValue(name string, v float64, unit string) string {
	for _, st := range b.plant.Settings {
		if st.Name == name && st.Unit == unit {
			return b.setting(st, v)
		}
	}
	return b.figure(v, unit, 3)
}

func (b base) axis(v view) chart.Axis {
	return chart.Axis{From: v.From, To: v.To, Zone: b.zone, NoData: b.T("past.no_data"), Tick: func(t time.Time, daily bool) string {
		if daily {
			return b.L.DayMonth(t, b.zone)
		}
		if v.span() < 5*time.Minute {
			return b.L.ClockSeconds(t, b.zone)
		}
		if t.In(b.zone).Format("15:04") == "00:00" {
			return b.L.DayMonth(t, b.zone)
		}
		return b.L.Clock(t, b.zone)
	}}
}

// chartPanels turn lines into what the chart draws, in the reader's units.
func (b base) chartPanels(v view, lines []line, flags []flagView, id string) []chart.Panel {
	a := b.axis(v)
	var out []chart.Panel
	for i, l := range lines {
		shown := func(x float64) float64 { y, _ := units.Display(x, l.channel.Unit, b.prefs.units); return y }
		title := upper(b.channelName(l.channel))
		if u := b.unitOf(l.channel.Unit); u != "" {
			title += ", " + u
		}
		p := chart.Panel{ID: id + strconv.Itoa(i), Title: title}
		for _, q := range l.points {
			p.Samples = append(p.Samples, chart.Sample{T: q.At, Mean: shown(q.Mean), Least: shown(q.Least), Greatest: shown(q.Greatest), Gap: q.Count == 0})
		}
		for _, f := range flags {
			p.Flags = append(p.Flags, chart.Flag{T: f.at, Kind: f.kind, Label: f.Mark})
		}
		p.Text = upper(b.T("past.panel_empty", "name", b.channelName(l.channel)))
		if l.any {
			low, _ := b.pair(l.least, l.channel.Unit, 3)
			high, _ := b.pair(l.greatest, l.channel.Unit, 3)
			p.Text = upper(b.T("past.panel_text", "name", b.channelName(l.channel), "low", low, "high", high,
				"mean", b.figureOf(l.mean, l.channel), "gaps", b.L.Count("past.gaps", chart.Gaps(a, p.Samples))))
		}
		out = append(out, p)
	}
	return out
}

// figureOf writes a channel's value; a pure number has no unit.
func (b base) figureOf(v float64, c plant.Channel) string {
	n, u := b.pair(v, c.Unit, 3)
	return strings.TrimSpace(n + " " + u)
}

func (b base) panels(v view, lines []line, flags []flagView, id string) ([]panelView, template.HTML) {
	a := b.axis(v)
	var out []panelView
	for _, p := range b.chartPanels(v, lines, flags, id) {
		out = append(out, panelView{Text: p.Text, SVG: template.HTML(chart.Time(a, p))})
	}
	return out, template.HTML(chart.TimeAxis(a))
}

// tableView is the same figures as a table.
type tableView struct {
	Caption string
	Head    []string
	Rows    [][]string
	Wordy   bool // the last column is words, not figures
}

// table cuts a view into parts and gives mean, least and greatest of each.
func (b base) table(v view, lines []line, parts int) tableView {
	t := tableView{Head: []string{b.T("app.time")}}
	for _, l := range lines {
		name := upper(b.channelName(l.channel))
		if u := b.unitOf(l.channel.Unit); u != "" {
			name += ", " + u
		}
		t.Head = append(t.Head, name+": "+b.T("past.mean"), b.T("past.least"), b.T("past.greatest"))
	}
	width := v.span() / time.Duration(parts)
	for i := range parts {
		from, to := v.From.Add(time.Duration(i)*width), v.From.Add(time.Duration(i+1)*width)
		row := []string{b.L.At(from, b.now, b.zone)}
		for _, l := range lines {
			sum, n, least, greatest := 0.0, 0, math.Inf(1), math.Inf(-1)
			for _, p := range l.points {
				if p.Count > 0 && !p.At.Before(from) && p.At.Before(to) {
					sum, n = sum+p.Mean*float64(p.Count), n+p.Count
					least, greatest = min(least, p.Least), max(greatest, p.Greatest)
				}
			}
			if n == 0 {
				row = append(row, b.T("past.no_data"), units.Missing, units.Missing)
				continue
			}
			for _, x := range []float64{sum / float64(n), least, greatest} {
				figure, _ := b.pair(x, l.channel.Unit, 3)
				row = append(row, figure)
			}
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

type pastPage struct {
	base
	Problems []string
	Panels   []panelView
	Axis     template.HTML
	Thinned  string
	Flags    []flagView
	Table    tableView
	Choices  []choice
	Span, To string // for the form that chooses channels
	Moves    []link
	CSV      string
	Picture  string
	Link     string
}

type choice struct {
	Value, Label string
	Chosen       bool
}

// stretch says a view in words.
func (b base) stretch(v view) string {
	from, to := v.From.In(b.zone), v.To.In(b.zone)
	fromText := b.L.Date(from, b.zone) + " " + b.L.Clock(from, b.zone)
	toText := b.L.Date(to, b.zone) + " " + b.L.Clock(to, b.zone)
	if from.YearDay() == to.YearDay() && from.Year() == to.Year() {
		toText = b.L.Clock(to, b.zone)
	}
	return b.T("past.stretch", "from", fromText, "to", toText, "span", b.L.Duration(v.span()))
}

func (b base) pastHeadline(v view, lines []line) string {
	if len(lines) == 0 {
		return b.T("past.headline_none")
	}
	var said []string
	any := false
	for _, l := range lines {
		name := b.channelName(l.channel)
		if !l.any {
			said = append(said, b.T("past.nothing", "name", name))
			continue
		}
		any = true
		low, _ := b.pair(l.least, l.channel.Unit, 3)
		high, _ := b.pair(l.greatest, l.channel.Unit, 3)
		said = append(said, b.T("past.range", "name", name, "low", low, "high", high, "mean", b.figureOf(l.mean, l.channel)))
		if len(said) == 2 {
			break // one sentence; the rest is drawn
		}
	}
	if !any {
		return b.T("past.headline_empty", "stretch", b.stretch(v))
	}
	return b.T("past.headline", "stretch", b.stretch(v), "what", strings.Join(said, "; "))
}

func (s *site) past(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	b := s.base(r, "past", c)
	page := pastPage{base: b}
	if !c.ok {
		page.Headline = b.T("app.no_plant")
		s.render(w, r, http.StatusOK, "past", page)
		return
	}
	v, problems := b.readView(r.URL.Query())
	lines, err := s.read(r.Context(), b, v, maxPoints)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if page.Flags, err = s.flags(r.Context(), b, v); err != nil {
		s.fail(w, r, err)
		return
	}
	page.Problems = problems
	page.Headline = b.pastHeadline(v, lines)
	page.Panels, page.Axis = b.panels(v, lines, page.Flags, "past")
	page.Table = b.table(v, lines, tableRows)
	page.Thinned = b.T("past.thinned", "span", b.L.Duration(max(v.span()/maxPoints, time.Second)))
	for _, ch := range b.plant.Channels {
		label := upper(b.channelName(ch))
		if u := b.unitOf(ch.Unit); u != "" {
			label += ", " + u
		}
		page.Choices = append(page.Choices, choice{ch.Name, label, slices.ContainsFunc(v.Channels, func(x plant.Channel) bool { return x.Name == ch.Name })})
	}
	page.Span = shortDuration(v.span())
	if v.Fixed {
		page.To = v.To.UTC().Format(time.RFC3339)
	}
	page.Moves = b.moves(v)
	page.CSV, page.Picture, page.Link = b.viewURL("/past.csv", v, true), b.viewURL("/past.svg", v, true), b.viewURL("/past", v, true)
	s.render(w, r, http.StatusOK, "past", page)
}

// moves are the four ways from a view to the next, and the way back to now. One
// that leads nowhere has no address.
func (b base) moves(v view) []link {
	half := v.span() / 2
	moved := func(to time.Time, span time.Duration) string {
		fixed := true
		if !to.Before(b.now) {
			to, fixed = b.now, false
		}
		return b.viewURL("/past", view{From: to.Add(-span), To: to, Channels: v.Channels}, fixed)
	}
	wider, narrower := "", ""
	middle := v.From.Add(half)
	for _, s := range spans {
		if s > v.span() && wider == "" {
			wider = moved(middle.Add(s/2), s)
		}
		if s < v.span() {
			to := middle.Add(s / 2)
			if !v.Fixed { // a view that ends now stays at its end
				to = v.To
			}
			narrower = moved(to, s)
		}
	}
	later := ""
	if v.Fixed {
		later = moved(v.To.Add(half), v.span())
	}
	return []link{
		{Name: "earlier", Label: b.T("past.earlier"), URL: moved(v.To.Add(-half), v.span())},
		{Name: "later", Label: b.T("past.later"), URL: later},
		{Name: "wider", Label: b.T("past.wider"), URL: wider},
		{Name: "narrower", Label: b.T("past.narrower"), URL: narrower},
		{Name: "now", Label: b.T("past.to_now"), URL: b.viewURL("/past", v, false)},
	}
}

// pastCSV writes a view in the stored units, as every export does.
func (s *site) pastCSV(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "past", c)
	v, _ := b.readView(r.URL.Query())
	lines, err := s.read(r.Context(), b, v, maxPoints)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	rows := [][]string{{"time_utc", "channel", "unit", "mean", "least", "greatest", "readings"}}
	for _, l := range lines {
		for _, p := range l.points {
			row := []string{p.At.UTC().Format(time.RFC3339Nano), l.channel.Name, l.channel.Unit, "", "", "", strconv.Itoa(p.Count)}
			if p.Count > 0 {
				row[3], row[4], row[5] = exact(p.Mean), exact(p.Least), exact(p.Greatest)
			}
			rows = append(rows, row)
		}
	}
	sendCSV(w, r, "past.csv", rows)
}

// pastPicture is a view as one drawing to keep.
func (s *site) pastPicture(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "past", c)
	v, _ := b.readView(r.URL.Query())
	lines, err := s.read(r.Context(), b, v, maxPoints)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	flags, err := s.flags(r.Context(), b, v)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	title := b.PlantName + ", " + b.stretch(v) + ", " + b.Zone
	if b.Invented {
		title += " · " + b.T("app.invented")
	}
	svg := chart.Picture(b.axis(v), b.chartPanels(v, lines, flags, "p"), title, pictureStyle)
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Content-Disposition", `attachment; filename="past.svg"`)
	w.Header().Set("Cache-Control", "no-store")
	send(w, r, http.StatusOK, []byte(svg))
}

// pictureStyle dresses a drawing that stands alone, in the colours of the sun
// theme (screens.md, section 8), for paper.
const pictureStyle = `.ground{fill:#fff}text{font:13px system-ui,sans-serif;fill:#1B1F23}.title{font-weight:600}.halo{paint-order:stroke;stroke:#fff;stroke-width:4}` +
	`.grid{stroke:#5E6973;stroke-opacity:.3}.base,.tick{stroke:#5E6973}.line{fill:none;stroke:#3F4A55;stroke-width:2}.spread{fill:#3F4A55;fill-opacity:.25}` +
	`.hatch{stroke:#5E6973}.cut{fill:none;stroke:#5E6973}.flag{stroke:#1B1F23;stroke-dasharray:3 3}.pennant{fill:#1B1F23}.flagtext{fill:#fff;font-size:10px}`
