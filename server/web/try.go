package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"decktrim/internal/fit"
	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
	"decktrim/internal/units"
	"decktrim/server/chart"

	"github.com/google/uuid"
)

const (
	notKnownFrom = 3.0 // points of half-width from which a place on the map is hatched
	gridSize     = 25
	strongUpTo   = 2.0 // points of half-width
	fairUpTo     = 4.0
)

type tryPage struct {
	base
	Source   string
	Sources  []choice
	Counts   string
	Offer    *offerView
	Stay     string
	Reasons  []string
	Withheld []string
	Waiting  []string
	Suspect  []string
	NotUsed  []string
	Worth    string
	Map      *mapView
	MapWhy   string
	Settings []settingView
	Set      setForm
	Decline  declineForm
	Cautions []string
	LastSet  string
	CSV      string
	OreURL   string
	Foreign  bool // reasons are in English on a page of another language
}

type offerView struct {
	Name  string // Best guess, Learn most
	Parts []partView
}

type partView struct {
	Name  string
	Lines []string
}

type mapView struct {
	SVG, Slice        template.HTML
	Text, SliceText   string
	Title, SliceTitle string
	X, Y              string
	XChoices          []choice
	YChoices          []choice
	Keys              []keyView
	Table             tableView
}

type keyView struct {
	SVG  template.HTML
	Text string
}

type settingView struct {
	Name, Label, Unit                         string
	Present, Best, Suggested, Allowed, Advice string
	Changed                                   bool
}

type setForm struct {
	ID, Advice, Error string
	Values            map[string]string
	Confirm           bool // the figure is outside the limits: ask whether it is true
}

type declineForm struct {
	ID, Advice, Error, Why, Words string
	Choices                       []choice
}

var declineKeys = []string{"sampling", "unsteady", "lot_end", "disagree", "other"}

func (s *site) try(w http.ResponseWriter, r *http.Request) {
	s.showTry(w, r, http.StatusOK, setForm{}, declineForm{})
}

// sourceOf is the ore source a page is about: the one asked for, the one on the
// belt, or the one of the newest run.
func (s *site) sourceOf(ctx context.Context, r *http.Request, b base, p PlantNow) (string, []string, []ledger.Run, error) {
	sources, err := s.Ledger.OreSources(ctx, b.PlantName)
	if err != nil {
		return "", nil, nil, err
	}
	all, err := s.Ledger.Runs(ctx, b.PlantName)
	if err != nil {
		return "", nil, nil, err
	}
	var names []string
	add := func(n string) {
		if n != "" && !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	for _, o := range sources {
		add(o.Name)
	}
	for _, o := range p.Plant.OreSources {
		add(o.Name)
	}
	for _, x := range all {
		add(x.OreSource)
	}
	chosen := r.FormValue("source")
	if !slices.Contains(names, chosen) {
		chosen = p.OreSource
	}
	if !slices.Contains(names, chosen) && len(all) > 0 {
		chosen = all[len(all)-1].OreSource
	}
	if !slices.Contains(names, chosen) && len(names) > 0 {
		chosen = names[0]
	}
	return chosen, names, all, nil
}

func (s *site) showTry(w http.ResponseWriter, r *http.Request, status int, set setForm, decline declineForm) {
	c := s.choose(r)
	b := s.base(r, "try", c)
	b.Advises = true
	page := tryPage{base: b, Set: set, Decline: decline}
	for i := 1; i <= 4; i++ {
		page.Cautions = append(page.Cautions, b.T("caution."+strconv.Itoa(i)))
	}
	if !c.ok {
		page.Headline, page.Advises = b.T("app.no_plant"), false
		s.render(w, r, status, "try", page)
		return
	}
	ctx := r.Context()
	source, names, all, err := s.sourceOf(ctx, r, b, c.here)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	page.Source = source
	for _, n := range names {
		page.Sources = append(page.Sources, choice{n, n, n == source})
	}
	page.Foreign = b.L != "en"
	page.Counts = b.counts()
	if source != "" {
		page.OreURL = b.url("/ore/" + pathEscape(source))
	}
	if page.LastSet, err = s.lastSet(ctx, b); err != nil {
		s.fail(w, r, err)
		return
	}
	switch {
	case source == "":
		page.Headline = b.T("try.headline.no_ore")
	case s.Adviser == nil:
		page.Headline = b.T("try.headline.no_help")
	default:
		answer, err := s.Adviser.Advise(ctx, b.PlantName, source)
		if err != nil {
			if ctx.Err() != nil {
				return
			}
			s.Log.Warn("no advice", "source", source, "err", err)
			page.Headline = b.T("try.headline.none", "why", sentence(err.Error()))
			page.Settings = b.settings(nil)
			break
		}
		b.fillAdvice(&page, answer, all)
		s.fillMap(ctx, r, &page, answer, all)
	}
	if page.Settings == nil {
		page.Settings = b.settings(nil)
	}
	if page.Set.ID == "" {
		page.Set.ID = newID()
	}
	if page.Decline.ID == "" {
		page.Decline.ID = newID()
	}
	for _, k := range declineKeys {
		page.Decline.Choices = append(page.Decline.Choices, choice{k, b.T("try.why." + k), page.Decline.Why == k})
	}
	s.render(w, r, status, "try", page)
}

// sentence makes a text end as a sentence does.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" || strings.ContainsAny(s[len(s)-1:], ".!?") {
		return upper(s)
	}
	return upper(s) + "."
}

// counts says what recovery means here.
func (b base) counts() string {
	var products []string
	for _, p := range b.plant.Objective.ProductsCounted {
		products = append(products, b.L.Or("q."+p, p))
	}
	if len(products) == 0 {
		return b.T("try.counts_none")
	}
	rule := map[string]string{"fixed": "fixed", "visible_line": "visible"}[b.plant.Table.SplitterRule]
	return b.T("try.counts", "products", b.L.List(products), "rule", b.T("try.rule."+rule))
}

func (s *site) lastSet(ctx context.Context, b base) (string, error) {
	entries, err := s.Ledger.Entries(ctx, b.PlantName, ledger.KindSettingChange)
	if err != nil || len(entries) == 0 {
		return "", err
	}
	last := slices.MaxFunc(entries, func(x, y ledger.Entry) int { return x.At.Compare(y.At) })
	var set ledger.SettingChange
	if err := json.Unmarshal(last.Body, &set); err != nil {
		return "", fmt.Errorf("entry %s of the ledger cannot be read: %w", last.ID, err)
	}
	return b.T("try.last_set", "name", b.settingName(set.Setting), "value", b.settingValue(set.Setting, set.Value, set.Unit),
		"when", b.L.When(last.At, b.now, b.zone), "by", last.By), nil
}

// whole reports whether an interval has all its figures.
func whole(i fit.Interval) bool {
	for _, v := range []*float64{i.Mean, i.Lower, i.Upper} {
		if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
			return false
		}
	}
	return true
}

func (b base) about(i fit.Interval) string {
	if !whole(i) {
		return b.T("app.not_known")
	}
	return b.T("app.about_between", "mean", percent(*i.Mean)+" %", "low", percent(*i.Lower), "high", percent(*i.Upper))
}

// evidence is how strongly an interval speaks: by its half-width in points.
func evidence(i fit.Interval) string {
	switch half := (*i.Upper - *i.Lower) / 2; {
	case half <= strongUpTo:
		return "strong"
	case half <= fairUpTo:
		return "fair"
	}
	return "weak"
}

func (b base) fillAdvice(page *tryPage, a AdviceView, all []ledger.Run) {
	page.Reasons, page.Withheld, page.Suspect = a.Reasons, a.Withheld, a.SuspectRuns
	for _, w := range a.Waiting {
		if w.Due == "" {
			page.Waiting = append(page.Waiting, b.T("try.waiting_run_0", "run", w.Run))
		} else {
			page.Waiting = append(page.Waiting, b.T("try.waiting_run", "run", w.Run, "due", w.Due))
		}
	}
	for _, n := range a.RunsNotUsed {
		page.NotUsed = append(page.NotUsed, b.T("try.not_used_run", "run", n.Run, "why", n.Why))
	}
	if g, cost := a.WorthTesting.GainValue, a.WorthTesting.Cost; g != nil && cost != nil {
		key := "try.worth.no"
		if a.WorthTesting.Answer {
			key = "try.worth.yes"
		}
		page.Worth = b.T(key, "gain", strconv.Itoa(int(math.Round(*g))), "cost", strconv.Itoa(int(math.Round(*cost))))
	}
	page.Stay = b.T("try.stay_plain")
	if whole(a.RecoveryNow) {
		page.Stay = b.T("try.stay", "now", b.about(a.RecoveryNow))
	}
	page.Settings = b.settings(&a)
	page.Set.Advice, page.Decline.Advice = adviceID(b.PlantName, a), adviceID(b.PlantName, a)

	var sets []string
	for _, name := range a.Changed {
		if st, ok := b.settingByName(name); ok {
			sets = append(sets, b.T("try.setting_to", "name", b.settingName(name), "value", b.setting(st, a.Settings[name]), "now", b.setting(st, a.Present[name])))
		}
	}
	runsText := b.L.Count("try.runs", a.RunsUsed)
	switch {
	case a.Action != "move" && a.Action != "test" || len(sets) == 0:
		page.Headline = b.T("try.headline.hold_0")
		if len(a.Reasons) > 0 {
			page.Headline = b.T("try.headline.hold", "why", sentence(a.Reasons[0]))
		}
		return
	case !whole(a.RecoveryNext) || !whole(a.RecoveryNow) || !whole(a.RecoveryGain):
		// An estimate without its interval is not shown as an offer.
		page.Headline = b.T("try.headline.none", "why", sentence(b.T("try.breach_not_known")))
		return
	}
	d := a.RecoveryGain
	word := evidence(a.RecoveryNext)
	said := b.T("try.evidence." + word)
	if a.Action == "move" {
		page.Headline = b.T("try.headline.move", "what", b.L.List(sets), "change", points(*d.Mean), "low", points(*d.Lower), "high", points(*d.Upper), "evidence", said, "runs", runsText)
	} else {
		page.Headline = b.T("try.headline.test", "what", b.L.List(sets), "mean", percent(*a.RecoveryNext.Mean), "low", percent(*a.RecoveryNext.Lower), "high", percent(*a.RecoveryNext.Upper), "evidence", said, "runs", runsText)
	}
	kind := a.Action
	if word == "weak" {
		kind = "test" // weak evidence is never called a best guess
	}
	offer := &offerView{Name: b.T("try.offer." + kind)}
	part := func(key string, lines ...string) {
		offer.Parts = append(offer.Parts, partView{b.T("try.part." + key), slices.DeleteFunc(lines, func(s string) bool { return s == "" })})
	}
	var what, from []string
	for _, name := range a.Changed {
		if st, ok := b.settingByName(name); ok {
			what = append(what, upper(b.settingName(name))+" "+b.setting(st, a.Settings[name]))
			from = append(from, upper(b.settingName(name))+" "+b.setting(st, a.Present[name]))
		}
	}
	part("what", what...)
	part("from", from...)
	gain := []string{b.T("try.gain", "now", b.about(a.RecoveryNow), "next", b.about(a.RecoveryNext)),
		b.T("try.gain_change", "change", points(*d.Mean), "low", points(*d.Lower), "high", points(*d.Upper))}
	if a.ProbabilityOfGain != nil {
		gain = append(gain, b.T("try.gain_chance", "percent", chance(*a.ProbabilityOfGain)))
	}
	if whole(a.GradeNext) {
		u := b.plant.Objective.GradeUnit
		mean, _ := b.pair(*a.GradeNext.Mean, u, 3)
		low, _ := b.pair(*a.GradeNext.Lower, u, 3)
		high, symbol := b.pair(*a.GradeNext.Upper, u, 3)
		gain = append(gain, b.T("try.grade", "grade", b.T("app.about_between", "mean", strings.TrimSpace(mean+" "+symbol), "low", low, "high", high)))
	}
	part("gain", gain...)
	part("far", b.nearest(a, all))
	wrong := []string{b.T("try.breach_not_known")}
	if a.ProbabilityOfBreach != nil {
		wrong[0] = b.T("try.breach", "drop", strconv.FormatFloat(b.plant.Objective.RecoveryDropTolerated, 'g', 3, 64), "percent", chance(*a.ProbabilityOfBreach))
	}
	for _, name := range a.Changed {
		switch {
		case strings.HasPrefix(name, "wash_water") && a.Settings[name] > a.Present[name]:
			wrong = append(wrong, b.T("try.wrong.more_water"))
		case strings.HasPrefix(name, "wash_water"):
			wrong = append(wrong, b.T("try.wrong.less_water"))
		case strings.HasPrefix(name, "feed"):
			wrong = append(wrong, b.T("try.wrong.feed"))
		}
	}
	part("wrong", append(wrong, b.T("try.wrong.any"))...)
	part("who", b.T("try.who"))
	page.Offer = offer
}

func (b base) settingByName(name string) (plant.Setting, bool) {
	for _, st := range b.plant.Settings {
		if st.Name == name {
			return st, true
		}
	}
	return plant.Setting{}, false
}

// nearest says which run comes closest to the advised settings, distances counted
// in shares of each setting's allowed range.
func (b base) nearest(a AdviceView, all []ledger.Run) string {
	best, least := -1, math.Inf(1)
	for i, x := range all {
		if x.OreSource != a.Source || x.Status == runs.Void {
			continue
		}
		sum, ok := 0.0, true
		for _, st := range b.plant.Settings {
			at, has := x.Settings[st.Name]
			if !has || st.Max <= st.Min {
				ok = false
				break
			}
			sum += math.Pow((at-a.Settings[st.Name])/(st.Max-st.Min), 2)
		}
		if ok && sum < least {
			best, least = i, sum
		}
	}
	if best < 0 {
		return b.T("try.near.none")
	}
	if least < 1e-12 {
		return b.T("try.near.same", "run", all[best].ID)
	}
	var where []string
	for _, st := range b.plant.Settings {
		where = append(where, b.settingName(st.Name)+" "+b.setting(st, all[best].Settings[st.Name]))
	}
	return b.T("try.near.run", "run", all[best].ID, "where", b.L.List(where))
}

func (b base) settings(a *AdviceView) []settingView {
	out := []settingView{}
	for _, st := range b.plant.Settings {
		v := settingView{Name: st.Name, Label: upper(b.settingName(st.Name)), Unit: b.unitOf(st.Unit),
			Allowed: b.T("app.between", "low", b.setting(st, st.Min), "high", b.setting(st, st.Max))}
		if a != nil {
			v.Changed = slices.Contains(a.Changed, st.Name)
			for _, cell := range []struct {
				from map[string]float64
				to   *string
			}{{a.Present, &v.Present}, {a.BestKnown, &v.Best}, {a.Settings, &v.Suggested}} {
				*cell.to = units.Missing
				if x, ok := cell.from[st.Name]; ok {
					*cell.to = b.setting(st, x)
				}
			}
		} else {
			v.Present, v.Best, v.Suggested = units.Missing, units.Missing, units.Missing
			if st.Present != nil {
				v.Present = b.setting(st, *st.Present)
			}
		}
		out = append(out, v)
	}
	return out
}

func validSurface(f SurfaceView) error {
	if len(f.X) < 2 || len(f.Y) < 2 || len(f.Mean) != len(f.Y) || len(f.HalfWidth) != len(f.Y) {
		return errors.New("the surface has no grid")
	}
	for j := range f.Y {
		if len(f.Mean[j]) != len(f.X) || len(f.HalfWidth[j]) != len(f.X) {
			return errors.New("the surface is not rectangular")
		}
	}
	return nil
}

// axes are the two settings of the map: those asked for, or the first that the
// advice changes, or the first of the plant file.
func (b base) axes(r *http.Request, a AdviceView) (x, y string) {
	var order []string
	for _, n := range append([]string{r.FormValue("x"), r.FormValue("y")}, a.Changed...) {
		if _, ok := b.settingByName(n); ok && !slices.Contains(order, n) {
			order = append(order, n)
		}
	}
	for _, st := range b.plant.Settings {
		if !slices.Contains(order, st.Name) {
			order = append(order, st.Name)
		}
	}
	if len(order) < 2 {
		return "", ""
	}
	return order[0], order[1]
}

func (s *site) fillMap(ctx context.Context, r *http.Request, page *tryPage, a AdviceView, all []ledger.Run) {
	b := page.base
	x, y := b.axes(r, a)
	if x == "" {
		page.MapWhy = b.T("try.map_one", "n", strconv.Itoa(len(b.plant.Settings)))
		return
	}
	f, err := s.Adviser.Surface(ctx, b.PlantName, page.Source, x, y, gridSize)
	if err == nil {
		err = validSurface(f)
	}
	if err != nil {
		s.Log.Warn("no map", "source", page.Source, "err", err)
		page.MapWhy = b.T("try.map_none", "why", sentence(err.Error()))
		return
	}
	page.Map = b.drawMap(f, x, y, page.Source, all)
	page.CSV = b.url("/try.csv", "source", page.Source, "x", x, "y", y)
}

func (b base) drawMap(f SurfaceView, x, y, source string, all []ledger.Run) *mapView {
	sx, _ := b.settingByName(x)
	sy, _ := b.settingByName(y)
	title := func(st plant.Setting) string {
		t := upper(b.settingName(st.Name))
		if u := b.unitOf(st.Unit); u != "" {
			t += ", " + u
		}
		return t
	}
	short := func(st plant.Setting) func(float64) string {
		return func(v float64) string {
			shown, u := units.Display(v, st.Unit, b.prefs.units)
			if u == st.Unit {
				return strconv.FormatFloat(v, 'f', min(decimals(st.Resolution), 2), 64)
			}
			return units.Number(shown, 3)
		}
	}
	place := func(p *XY) *chart.Place {
		if p == nil {
			return nil
		}
		return &chart.Place{X: p.X, Y: p.Y}
	}
	var rings []chart.Ring
	for _, t := range f.Tried {
		rings = append(rings, chart.Ring{Place: chart.Place{X: t.X, Y: t.Y}, Count: t.Runs,
			Text: fmt.Sprintf("%s %s, %s %s: %s %%, %s", b.settingName(x), b.setting(sx, t.X), b.settingName(y), b.setting(sy, t.Y), percent(t.Recovery), b.L.Count("try.runs", t.Runs))})
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, row := range f.Mean {
		for _, v := range row {
			low, high = min(low, v), max(high, v)
		}
	}
	m := &mapView{X: x, Y: y, Title: b.T("try.map")}
	m.Text = b.T("try.map_text", "x", b.settingName(x), "y", b.settingName(y), "low", percent(low), "high", percent(high),
		"unknown", strconv.Itoa(int(math.Round(100*chart.UnknownShare(f.HalfWidth, notKnownFrom)))))
	m.SVG = template.HTML(chart.Map(chart.Surface{ID: "map", Text: m.Text, X: f.X, Y: f.Y, Mean: f.Mean, Half: f.HalfWidth,
		Known: notKnownFrom, Unknown: b.T("try.map_unknown"), Tried: rings, Present: place(f.Present), Best: place(f.BestKnown), Suggested: place(f.Suggested),
		XTitle: title(sx), YTitle: title(sy), FormatX: short(sx), FormatY: short(sy)}))

	// The slice runs through the present setting along the map's x.
	at := (f.Y[0] + f.Y[len(f.Y)-1]) / 2
	if f.Present != nil {
		at = f.Present.Y
	}
	mean, half := across(f, at)
	slice := chart.Slice{ID: "slice", X: f.X, Mean: mean, Half: half, Known: notKnownFrom, XTitle: title(sx), YTitle: upper(b.T("q.recovery")) + ", %", FormatX: short(sx)}
	m.SliceTitle = b.T("try.slice") + ": " + b.T("try.slice_of", "name", b.settingName(x))
	best := 0
	for i := range mean {
		if mean[i] > mean[best] {
			best = i
		}
	}
	m.SliceText = b.T("try.slice_text", "name", b.settingName(x), "best", percent(mean[best]), "at", b.setting(sx, f.X[best]), "least", percent(slices.Min(half)), "most", percent(slices.Max(half)))
	slice.Text = m.SliceText
	if f.Present != nil {
		slice.Present = &f.Present.X
		if f.Suggested != nil && f.Suggested.Y == f.Present.Y {
			slice.Suggested = &f.Suggested.X
		}
		if f.BestKnown != nil && f.BestKnown.Y == f.Present.Y {
			slice.Best = &f.BestKnown.X
		}
	}
	for _, ch := range fit.Choose(b.plant, plainRuns(all), source).Used {
		if v, ok := ch.Settings[y]; ok && math.Abs(v-at) < (f.Y[len(f.Y)-1]-f.Y[0])/50 {
			if u, ok := ch.Settings[x]; ok {
				slice.Tried = append(slice.Tried, chart.Ring{Place: chart.Place{X: u, Y: *ch.Recovery}, Text: b.T("ore.run") + " " + ch.ID + ": " + percent(*ch.Recovery) + " %"})
			}
		}
	}
	m.Slice = template.HTML(chart.Cut(slice))
	for _, st := range b.plant.Settings {
		m.XChoices = append(m.XChoices, choice{st.Name, upper(b.settingName(st.Name)), st.Name == x})
		m.YChoices = append(m.YChoices, choice{st.Name, upper(b.settingName(st.Name)), st.Name == y})
	}
	for _, k := range []struct {
		kind string
		show bool
	}{{"tried", len(f.Tried) > 0}, {"present", f.Present != nil}, {"best", f.BestKnown != nil}, {"suggested", f.Suggested != nil}, {"box", true}} {
		if k.show {
			m.Keys = append(m.Keys, keyView{template.HTML(chart.Key(k.kind)), b.T("try.key." + k.kind)})
		}
	}
	m.Table = tableView{Head: []string{title(sx), upper(b.T("q.recovery")) + ", %", upper(b.T("try.half_width"))}}
	for i := 0; i < len(f.X); i += 2 {
		row := []string{b.setting(sx, f.X[i]), percent(mean[i]), percent(half[i])}
		if half[i] > notKnownFrom {
			row[1] += " (" + b.T("try.map_unknown") + ")"
		}
		m.Table.Rows = append(m.Table.Rows, row)
	}
	return m
}

func plainRuns(all []ledger.Run) []runs.Run {
	out := make([]runs.Run, len(all))
	for i, r := range all {
		out[i] = r.Run
	}
	return out
}

// across reads a surface along x at a given y, by linear interpolation.
func across(f SurfaceView, at float64) (mean, half []float64) {
	j := 0
	for j+2 < len(f.Y) && f.Y[j+1] < at {
		j++
	}
	t := min(max((at-f.Y[j])/(f.Y[j+1]-f.Y[j]), 0), 1)
	for i := range f.X {
		mean = append(mean, f.Mean[j][i]+t*(f.Mean[j+1][i]-f.Mean[j][i]))
		half = append(half, f.HalfWidth[j][i]+t*(f.HalfWidth[j+1][i]-f.HalfWidth[j][i]))
	}
	return mean, half
}

func (s *site) tryCSV(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok || s.Adviser == nil {
		s.missing(w, r)
		return
	}
	b := s.base(r, "try", c)
	source, _, _, err := s.sourceOf(r.Context(), r, b, c.here)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	x, y := b.axes(r, AdviceView{})
	if x == "" {
		s.missing(w, r)
		return
	}
	f, err := s.Adviser.Surface(r.Context(), b.PlantName, source, x, y, gridSize)
	if err == nil {
		err = validSurface(f)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sx, _ := b.settingByName(x)
	sy, _ := b.settingByName(y)
	rows := [][]string{{fmt.Sprintf("%s (%s)", x, sx.Unit), fmt.Sprintf("%s (%s)", y, sy.Unit), "recovery (%)", "half_width_95 (points)", "known"}}
	for j := range f.Y {
		for i := range f.X {
			rows = append(rows, []string{exact(f.X[i]), exact(f.Y[j]), exact(f.Mean[j][i]), exact(f.HalfWidth[j][i]), strconv.FormatBool(f.HalfWidth[j][i] <= notKnownFrom)})
		}
	}
	sendCSV(w, r, "try.csv", rows)
}

// adviceID names an advice by what it says, so that the same advice is kept once.
func adviceID(plantName string, a AdviceView) string {
	body, err := json.Marshal(a)
	if err != nil {
		return "" // an Answer holds nothing that JSON cannot
	}
	return uuid.NewSHA1(uuid.NameSpaceURL, append([]byte("decktrim:advice:"+plantName+":"), body...)).String()
}

// adviceEntry is the advice that a form answers, as an entry if the ledger does not
// have it yet. ok is false when the advice has changed since the form was shown.
func (s *site) adviceEntry(ctx context.Context, b base, source, id string) (e *ledger.Entry, ok bool, err error) {
	if id == "" || s.Adviser == nil {
		return nil, false, nil
	}
	if known, err := s.known(ctx, b.PlantName, id); err != nil || known {
		return nil, known, err
	}
	a, err := s.Adviser.Advise(ctx, b.PlantName, source)
	if err != nil {
		return nil, false, err
	}
	if adviceID(b.PlantName, a) != id {
		return nil, false, nil
	}
	all, err := s.Ledger.Runs(ctx, b.PlantName)
	if err != nil {
		return nil, false, err
	}
	answer, err := json.Marshal(a)
	if err != nil {
		return nil, false, err
	}
	given := ledger.Advice{OreSource: source, Answer: answer, Version: s.Version}
	for _, r := range fit.Choose(b.plant, plainRuns(all), source).Used {
		given.RunIDs = append(given.RunIDs, r.ID)
	}
	body, err := json.Marshal(given)
	if err != nil {
		return nil, false, err
	}
	return &ledger.Entry{ID: id, Plant: b.PlantName, Kind: ledger.KindAdvice, At: b.now, By: "decktrim", Body: body}, true, nil
}

// trySet writes down what a person has set at the table.
func (s *site) trySet(w http.ResponseWriter, r *http.Request) {
	if err := parseForm(w, r); err != nil {
		s.problem(w, r, http.StatusBadRequest, "app.error_title", "app.error_text")
		return
	}
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "try", c)
	ctx := r.Context()
	form := setForm{ID: r.PostForm.Get("id"), Advice: r.PostForm.Get("advice"), Values: map[string]string{}}
	var sets []entry
	for _, st := range b.plant.Settings {
		typed := strings.TrimSpace(r.PostForm.Get("set-" + st.Name))
		form.Values[st.Name] = typed
		if typed == "" || form.Error != "" {
			continue
		}
		shown := units.DisplayUnit(st.Unit, b.prefs.units)
		got, err := units.ParseEntry(typed, units.AnyMark, shown)
		var value float64
		if err == nil {
			value, err = got.In(st.Unit)
		}
		if err != nil {
			form.Error = b.T("try.err.unit", "typed", typed, "why", sentence(err.Error()), "unit", b.unitOf(st.Unit))
			continue
		}
		if (value < st.Min || value > st.Max) && r.PostForm.Get("confirm") != "yes" {
			form.Confirm = true
			form.Error = b.T("try.err.range", "value", b.figure(value, st.Unit, 4), "low", b.setting(st, st.Min), "high", b.setting(st, st.Max))
			continue
		}
		sets = append(sets, entry{ledger.KindSettingChange, ledger.SettingChange{Setting: st.Name, Value: value, Unit: st.Unit, Typed: typedWithUnit(typed, got)}})
	}
	if form.Error == "" && len(sets) == 0 {
		form.Error = b.T("try.err.setting")
	}
	if form.Error != "" {
		s.showTry(w, r, http.StatusUnprocessableEntity, form, declineForm{})
		return
	}
	advice, stands, err := s.adviceEntry(ctx, b, r.PostForm.Get("source"), form.Advice)
	if err != nil {
		s.Log.Warn("the advice that a setting follows could not be worked out again", "err", err)
	}
	if stands { // what a person did is a fact also when the advice has changed meanwhile
		for i := range sets {
			body := sets[i].body.(ledger.SettingChange)
			body.Advice = form.Advice
			sets[i].body = body
		}
		sets = append(sets, entry{ledger.KindAdviceOutcome, ledger.AdviceOutcome{Advice: form.Advice, Did: "done"}})
	}
	if advice != nil {
		if err := s.Ledger.AppendEntries(ctx, *advice); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	if err := s.write(r, b, form.ID, sets...); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, b.url("/try", "source", r.PostForm.Get("source"), "saved", "1"), http.StatusSeeOther)
}

// typedWithUnit is what the person typed, with the unit it was read in.
func typedWithUnit(typed string, got units.Entry) string {
	if _, err := strconv.ParseFloat(strings.ReplaceAll(typed, ",", "."), 64); err == nil {
		return typed + " " + got.Unit
	}
	return typed
}

// tryDecline writes down why an advice is not followed now.
func (s *site) tryDecline(w http.ResponseWriter, r *http.Request) {
	if err := parseForm(w, r); err != nil {
		s.problem(w, r, http.StatusBadRequest, "app.error_title", "app.error_text")
		return
	}
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "try", c)
	form := declineForm{ID: r.PostForm.Get("id"), Advice: r.PostForm.Get("advice"), Why: r.PostForm.Get("why"), Words: strings.TrimSpace(r.PostForm.Get("words"))}
	if len([]rune(form.Words)) > noteLetters {
		form.Error = b.T("now.note_long")
	}
	if !slices.Contains(declineKeys, form.Why) {
		form.Error = b.T("try.err.why")
	}
	if form.Error != "" {
		s.showTry(w, r, http.StatusUnprocessableEntity, setForm{}, form)
		return
	}
	advice, stands, err := s.adviceEntry(r.Context(), b, r.PostForm.Get("source"), form.Advice)
	if err != nil || !stands {
		form.Error = b.T("try.err.advice")
		s.showTry(w, r, http.StatusConflict, setForm{}, form)
		return
	}
	if advice != nil {
		if err := s.Ledger.AppendEntries(r.Context(), *advice); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	why := b.T("try.why." + form.Why)
	if form.Words != "" {
		why += ": " + form.Words
	}
	if err := s.write(r, b, form.ID, entry{ledger.KindAdviceOutcome, ledger.AdviceOutcome{Advice: form.Advice, Did: "declined", Why: why}}); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, b.url("/try", "source", r.PostForm.Get("source"), "saved", "1"), http.StatusSeeOther)
}
