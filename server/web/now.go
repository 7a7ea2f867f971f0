package web

import (
	"cmp"
	"context"
	"encoding/csv"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/server/chart"
	"decktrim/server/words"

	"github.com/google/uuid"
)

const (
	usualNeeds = 4 * time.Hour    // of steady running on this ore before a range is called usual
	tailSpan   = 10 * time.Minute // the short tail on a range bar
	trendSpan  = time.Hour
	firstBars  = 8 // shown at once; the rest, all usual, can be opened
)

// State words of a reading or an alarm, as classes.
const (
	markNone    = ""
	markNote    = "note"
	markLook    = "look"
	markAct     = "act"
	markSuspect = "suspect"
	markOld     = "old"
	markNoData  = "nodata"
)

// rank orders marks from the most to the least urgent.
var rank = map[string]int{markAct: 0, markLook: 1, markSuspect: 2, markNoData: 3, markOld: 4, markNote: 5, markNone: 6}

type nowPage struct {
	base
	State     string
	StateAge  string
	Ore       string
	OreURL    string
	Lot       string
	Silent    string // boards that should send and do not
	Alarms    []alarmView
	Stages    []stageView
	Stage     string // chosen; empty: the whole line
	StageName string
	Bars      []barView
	More      []barView // all usual, shown on request
	Contacts  []barView
	Lacks     []string
	Trend     trendView
	CSV       string
	NoteForm  noteForm
}

type barView struct {
	ID, Name     string
	Number, Unit string
	Why          string // in place of a figure
	SVG          template.HTML
	Mark         string
	Word         string // state word; empty: usual
	Detail       []string
	Typed        bool
	TypedWord    string
	order        int
	distance     float64
	place        int
	channel      string
}

// MoreText says what can be opened.
func (p nowPage) MoreText() string { return p.L.Count("now.more_bars", len(p.More)) }

type alarmView struct {
	ID, Mark, Word, What, Since, Cause, Do, Not, Detail, Follows string
	Foreign                                                      bool // Cause and Detail are in English on a page of another language
}

type stageView struct {
	Key, Name, Mark, Word, URL string
	Current, Empty             bool
}

type noteForm struct{ ID, Text, Error string }

func (s *site) now(w http.ResponseWriter, r *http.Request) {
	s.showNow(w, r, http.StatusOK, noteForm{ID: newID()})
}

func (s *site) showNow(w http.ResponseWriter, r *http.Request, status int, form noteForm) {
	c := s.choose(r)
	b := s.base(r, "now", c)
	if !c.ok {
		b.Headline = b.T("app.no_plant")
		s.render(w, r, status, "now", nowPage{base: b, NoteForm: form})
		return
	}
	page := s.nowPage(r.Context(), b, c.here, r.FormValue("stage"))
	trend, err := s.trend(r.Context(), b)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	page.Trend, page.NoteForm = trend, form
	s.render(w, r, status, "now", page)
}

// nowPage is all of Now but the drawing of the last hour.
func (s *site) nowPage(ctx context.Context, b base, p PlantNow, stage string) nowPage {
	b.Headline = Headline(b.L, p, b.now)
	b.Advises = true
	b.Events = b.url("/events", "page", "now", "stage", stage)
	page := nowPage{base: b, CSV: b.url("/now.csv"), Stage: stage, State: stateName(b.L, p.State)}
	if !p.StateSince.IsZero() {
		page.StateAge = b.T("time.since", "time", b.L.At(p.StateSince, b.now, b.zone))
	}
	if len(p.Silent) > 0 {
		page.Silent = b.T("now.silent", "names", b.L.List(p.Silent))
	}
	page.Ore = p.OreSource
	if p.OreSource != "" {
		page.OreURL = b.url("/ore/" + pathEscape(p.OreSource))
	}
	if p.Lot != "" {
		page.Lot = b.T("now.lot", "lot", p.Lot)
	}
	page.Alarms = b.alarms(p)
	tails := s.tails.of(ctx, s, b, p)
	all := b.bars(p, tails)
	page.Stages = b.stages(p, all, stage)
	for _, st := range page.Stages {
		if st.Current && st.Key != "" {
			page.StageName = st.Name
		}
	}
	for _, bar := range all {
		if stage != "" && b.stageOf(bar.channel) != stage {
			continue
		}
		switch {
		case bar.SVG == "":
			page.Contacts = append(page.Contacts, bar)
		case len(page.Bars) < firstBars || bar.Mark != markNone || stage != "":
			page.Bars = append(page.Bars, bar)
		default:
			page.More = append(page.More, bar)
		}
	}
	for _, role := range []plant.Role{plant.FeedRate, plant.BinWeight, plant.MillCurrent, plant.MillWater, plant.WashWater, plant.PondLevel} {
		if _, ok := p.Plant.ChannelByRole(role); !ok {
			page.Lacks = append(page.Lacks, upper(b.T("now.no_sensor", "name", b.T("q."+string(role)), "sensor", b.T("lack."+string(role)))))
		}
	}
	return page
}

func stateName(l words.Lang, state string) string { return l.Or("state."+state, state) }

// Headline is the one sentence that answers "is the plant steady now?".
func Headline(l words.Lang, p PlantNow, now time.Time) string {
	b := base{L: l, now: now, zone: time.UTC, plant: p.Plant}
	if p.Plant.Location != nil {
		b.zone = p.Plant.Location
	}
	at := newest(p)
	if at.IsZero() {
		return b.T("now.headline.no_data")
	}
	before := b.headline(p)
	if now.Sub(at) > silentAfter {
		return b.T("now.headline.old", "time", l.At(at, now, b.zone), "before", before)
	}
	return before
}

// trusted are the roles that "steady" depends on.
var trusted = []plant.Role{plant.FeedRate, plant.MillCurrent, plant.MillWater, plant.WashWater}

func (b base) headline(p PlantNow) string {
	var worst *Alarm
	for i, a := range p.Alarms {
		if (a.Priority == markAct || a.Priority == markLook) && (worst == nil || rank[a.Priority] < rank[worst.Priority]) {
			worst = &p.Alarms[i]
		}
	}
	what := func(a *Alarm) string {
		return b.T("now.for", "what", b.alarmName(a), "age", b.L.Duration(b.now.Sub(a.Since)))
	}
	if worst != nil && worst.Priority == markAct {
		return b.T("now.headline.not_steady", "what", what(worst))
	}
	if p.State != "running" {
		if p.State == "" || p.State == "not known" {
			return b.T("now.headline.no_state")
		}
		return b.T("now.headline.state", "state", stateName(b.L, p.State))
	}
	for _, c := range p.Channels {
		i := p.Plant.ChannelIndex(c.Name)
		if i < 0 || !slices.Contains(trusted, p.Plant.Channels[i].Role) || c.Reading.Usable() {
			continue
		}
		key := "now.missing"
		if c.Reading.Has && c.Reading.Quality == plant.Bad {
			key = "now.suspect"
		}
		text := b.T(key, "name", b.channelName(p.Plant.Channels[i]))
		for _, a := range p.Alarms {
			if a.Channel == c.Name {
				text = b.T("now.since", "what", text, "time", b.L.At(a.Since, b.now, b.zone))
			}
		}
		return b.T("now.headline.cannot_tell", "what", text)
	}
	if worst != nil {
		return b.T("now.headline.not_steady", "what", what(worst))
	}
	if p.Steady {
		if p.SteadySince.IsZero() {
			return b.T("now.headline.steady_plain")
		}
		return b.T("now.headline.steady", "age", b.L.Duration(b.now.Sub(p.SteadySince)))
	}
	// No alarm stands: say what is farthest from usual.
	farthest, text := 0.0, ""
	for _, c := range p.Channels {
		i := p.Plant.ChannelIndex(c.Name)
		if i < 0 || !c.Reading.Usable() || !usualKnown(c) {
			continue
		}
		if d := distance(c); d > farthest && unusual(p.Plant.Channels[i], c) {
			farthest = d
			mid := (c.Usual.Low + c.Usual.High) / 2
			key := "now.above"
			if c.Reading.Value < mid {
				key = "now.below"
			}
			if mid != 0 {
				share := math.Abs(c.Reading.Value-mid) / math.Abs(mid) * 100
				text = b.T(key, "name", b.channelName(p.Plant.Channels[i]), "percent", strconv.Itoa(int(math.Round(share))))
			}
		}
	}
	if text != "" {
		return b.T("now.headline.not_steady", "what", text)
	}
	return b.T("now.headline.settling")
}

// alarmName says what an alarm is about, with its channel where that matters.
func (b base) alarmName(a *Alarm) string {
	key := "alarm." + a.Kind + ".what"
	if !words.Has(key) {
		key = "alarm.other.what"
	}
	if a.Channel != "" && (a.Kind == "sensor_fault" || a.Kind == "concentrate_full" || a.Kind == "water_loss") {
		return b.T(key) + " (" + b.channelNamed(a.Channel) + ")"
	}
	return b.T(key)
}

func (b base) alarms(p PlantNow) []alarmView {
	sorted := slices.Clone(p.Alarms)
	slices.SortStableFunc(sorted, func(x, y Alarm) int {
		return cmp.Or(cmp.Compare(rank[x.Priority], rank[y.Priority]), x.Since.Compare(y.Since))
	})
	var out []alarmView
	for i, a := range sorted {
		kind := a.Kind
		if !words.Has("alarm." + kind + ".what") {
			kind = "other"
		}
		v := alarmView{ID: "alarm-" + strconv.Itoa(i), Mark: a.Priority, Word: b.T("mark." + a.Priority), What: upper(b.alarmName(&a)),
			Since: b.T("now.alarm_since", "time", b.L.At(a.Since, b.now, b.zone), "age", b.L.Duration(b.now.Sub(a.Since))),
			Cause: a.Cause, Do: b.T("alarm." + kind + ".do"), Not: b.T("alarm." + kind + ".not"), Detail: a.Detail,
			Foreign: b.L != words.English}
		if _, ok := rank[a.Priority]; !ok || a.Priority == "" {
			v.Mark, v.Word = markNote, b.T("mark.note")
		}
		if v.Cause == "" {
			v.Cause, v.Foreign = b.T("alarm."+kind+".cause"), v.Foreign && v.Detail != ""
		}
		for _, set := range p.Plant.Alarms { // a person's own words come first
			if set.Channel == a.Channel && set.Text != "" && a.Channel != "" {
				v.Do = set.Text
			}
		}
		var follows []string
		for _, k := range a.Follows {
			follows = append(follows, b.L.Or("alarm."+k+".what", k))
		}
		v.Follows = b.L.List(follows)
		out = append(out, v)
	}
	return out
}

// contact reports whether a channel only says on or off.
func contact(c plant.Channel) bool {
	return strings.HasSuffix(string(c.Role), "_running") || c.Unit == "1" && c.Range == [2]float64{0, 1}
}

func usualKnown(c ChannelNow) bool {
	return c.Usual != nil && c.Learned >= usualNeeds && c.Usual.High > c.Usual.Low
}

// distance is how far a value is from the middle of its usual range, in half
// widths of that range: 1 is its edge.
func distance(c ChannelNow) float64 {
	half := (c.Usual.High - c.Usual.Low) / 2
	return math.Abs(c.Reading.Value-(c.Usual.Low+half)) / half
}

// unusual reports whether a reading is far enough out to be said. The learned
// range is the level give or take two spreads, so every twentieth good reading lies
// outside: the word needs three spreads, and an excess that matters on the
// instrument's scale.
func unusual(c plant.Channel, n ChannelNow) bool {
	const far, matters = 1.5, 0.01 // half widths; of the full scale
	half := (n.Usual.High - n.Usual.Low) / 2
	excess := (distance(n) - 1) * half
	return distance(n) > far && excess > matters*(c.Range[1]-c.Range[0])
}

// bars are the readings, the most unusual first; contacts have no drawing.
func (b base) bars(p PlantNow, tails map[string]chart.Span) []barView {
	latest := map[string]ChannelNow{}
	for _, c := range p.Channels {
		latest[c.Name] = c
	}
	worst := map[string]string{}
	for _, a := range p.Alarms {
		if a.Channel != "" {
			if old, ok := worst[a.Channel]; !ok || rank[a.Priority] < rank[old] {
				worst[a.Channel] = a.Priority
			}
		}
	}
	var out []barView
	for i, c := range p.Plant.Channels {
		n := latest[c.Name]
		v := barView{ID: "bar-" + strconv.Itoa(i), Name: upper(b.channelName(c)), channel: c.Name, place: i, Typed: c.Signal == plant.Typed, TypedWord: b.T("mark.typed")}
		b.judge(&v, c, n, worst[c.Name])
		v.order = rank[v.Mark]
		if contact(c) {
			b.contact(&v, n)
		} else {
			b.drawBar(&v, c, n, p.Plant, tails)
		}
		out = append(out, v)
	}
	slices.SortStableFunc(out, func(x, y barView) int {
		return cmp.Or(cmp.Compare(x.order, y.order), cmp.Compare(y.distance, x.distance), cmp.Compare(x.place, y.place))
	})
	return out
}

// judge gives a reading its state word.
func (b base) judge(v *barView, c plant.Channel, n ChannelNow, alarm string) {
	set := func(mark, word string, detail ...string) {
		v.Mark, v.Word = mark, word
		v.Detail = append(v.Detail, detail...)
	}
	r := n.Reading
	why := b.L.Or("reason."+string(r.Reason), string(r.Reason))
	switch {
	case n.At.IsZero():
		set(markNoData, b.T("mark.nodata"), b.T("reason.never"))
	case r.Quality == plant.Stale:
		set(markOld, b.T("mark.old"), b.L.When(n.At, b.now, b.zone))
	case !r.Has:
		set(markNoData, b.T("mark.nodata"), why)
	case r.Quality != plant.Good:
		set(markSuspect, b.T("mark.suspect"), why)
	}
	if alarm != "" && alarm != markNone && (v.Mark == markNone || alarm == markAct) {
		v.Mark, v.Word = alarm, b.T("mark."+alarm)
	}
	if !r.Usable() {
		return
	}
	for _, limit := range b.plant.Alarms {
		if limit.Channel != c.Name {
			continue
		}
		mark := limit.Priority
		if _, ok := rank[mark]; !ok || mark == "" {
			mark = markLook
		}
		switch {
		case limit.High != nil && r.Value > *limit.High:
			set(mark, b.T("mark."+mark), b.T("mark.over"))
		case limit.Low != nil && r.Value < *limit.Low:
			set(mark, b.T("mark."+mark), b.T("mark.under"))
		}
	}
	if usualKnown(n) {
		v.distance = distance(n)
		if unusual(c, n) && v.Mark == markNone {
			set(markNote, b.T("mark.note"), b.T("mark.unusual"))
		}
	}
}

func (b base) contact(v *barView, n ChannelNow) {
	switch {
	case !n.Reading.Has || n.At.IsZero():
		v.Why = b.T("app.not_known")
	case n.Reading.Value >= 0.5:
		v.Number = b.T("now.runs")
	default:
		v.Number = b.T("now.stands")
	}
}

func (b base) drawBar(v *barView, c plant.Channel, n ChannelNow, p *plant.Plant, tails map[string]chart.Span) {
	bar := chart.Bar{Low: c.Range[0], High: c.Range[1], Mark: chart.Plain}
	var rest []string
	switch v.Mark {
	case markAct:
		bar.Mark = chart.Act
	case markLook:
		bar.Mark = chart.Look
	case markNote:
		bar.Mark = chart.Note
	case markSuspect:
		bar.Mark = chart.Suspect
	case markOld:
		bar.Mark = chart.Old
	}
	if n.Reading.Has && !n.At.IsZero() {
		bar.Now = &n.Reading.Value
		v.Number, v.Unit = b.pair(n.Reading.Value, c.Unit, 3)
	} else {
		v.Why = b.T("app.not_known")
	}
	if v.Word != "" {
		rest = append(rest, v.Word)
		rest = append(rest, v.Detail...)
	}
	switch {
	case usualKnown(n):
		bar.Usual = &chart.Span{Low: n.Usual.Low, High: n.Usual.High}
		v.Detail = append(v.Detail, b.span("now.usual", n.Usual.Low, n.Usual.High, c.Unit))
	case c.Signal != plant.Typed && !setpoint(c):
		v.Detail = append(v.Detail, b.T("now.learning", "done", b.L.Duration(n.Learned), "needed", b.L.Duration(usualNeeds)))
	}
	if len(v.Detail) > 0 {
		rest = append(rest, v.Detail[len(v.Detail)-1])
	}
	for _, limit := range p.Alarms {
		if limit.Channel != c.Name {
			continue
		}
		bar.LimitLow, bar.LimitHigh = limit.Low, limit.High
		text := ""
		switch {
		case limit.Low != nil && limit.High != nil:
			text = b.span("now.limits", *limit.Low, *limit.High, c.Unit)
		case limit.Low != nil:
			text = b.T("now.limit_low", "low", b.figure(*limit.Low, c.Unit, 3))
		case limit.High != nil:
			text = b.T("now.limit_high", "high", b.figure(*limit.High, c.Unit, 3))
		}
		if text != "" {
			v.Detail, rest = append(v.Detail, text), append(rest, text)
		}
	}
	if tail, ok := tails[c.Name]; ok {
		bar.Tail = &tail
		rest = append(rest, b.span("now.tail", tail.Low, tail.High, c.Unit))
	}
	if bar.High > bar.Low {
		rest = append(rest, b.span("now.scale", bar.Low, bar.High, c.Unit))
	} else {
		v.Detail = append(v.Detail, b.T("now.no_scale"))
	}
	value := strings.TrimSpace(v.Number + " " + v.Unit)
	if value == "" {
		value = v.Why
	}
	bar.Text = b.T("now.bar_text", "name", v.Name, "value", value, "rest", strings.Join(slices.Compact(rest), "; "))
	v.SVG = template.HTML(chart.RangeBar(bar))
}

// setpoint reports whether a channel says what something was set to: it has no
// usual range of its own.
func setpoint(c plant.Channel) bool { return strings.HasSuffix(string(c.Role), "_setpoint") }

// tailCache keeps the tails of the range bars for a moment: they move slowly, and
// every reader of Now wants the same.
type tailCache struct {
	sync.Mutex
	rows map[string]tailRow
}

type tailRow struct {
	at   time.Time
	rows map[string]chart.Span
}

const tailKeep = 10 * time.Second // real time

func (t *tailCache) of(ctx context.Context, s *site, b base, p PlantNow) map[string]chart.Span {
	t.Lock()
	defer t.Unlock()
	name := p.Plant.Plant.Name
	if have, ok := t.rows[name]; ok && time.Since(have.at) < tailKeep {
		return have.rows
	}
	rows := map[string]chart.Span{}
	for _, c := range p.Plant.Channels {
		if contact(c) {
			continue
		}
		points, err := s.History.Range(ctx, name, c.Name, b.now.Add(-tailSpan), b.now, 2)
		if err != nil {
			if ctx.Err() == nil {
				s.Log.Error("the last minutes of a channel could not be read", "channel", c.Name, "err", err)
			}
			return rows // bars without tails; not kept, so the next reader tries again
		}
		span, any := chart.Span{Low: math.Inf(1), High: math.Inf(-1)}, false
		for _, q := range points {
			if q.Count > 0 {
				span.Low, span.High, any = min(span.Low, q.Least), max(span.High, q.Greatest), true
			}
		}
		if any {
			rows[c.Name] = span
		}
	}
	t.rows[name] = tailRow{time.Now(), rows}
	return rows
}

// stageKeys are the stages of the line in process order, as the words know them.
var stageKeys = []string{"jaw", "feeder", "belt", "mill", "table", "classifier", "pond", "site"}

// stageOf is the key of the stage that a channel belongs to: the plant file's
// station, or else the one of its role.
func (b base) stageOf(channel string) string {
	for _, st := range b.plant.Stations {
		if slices.Contains(st.Channels, channel) {
			return st.Name
		}
	}
	if i := b.plant.ChannelIndex(channel); i >= 0 {
		return strings.ToLower(plant.StationOfRole(b.plant.Channels[i].Role))
	}
	return "site"
}

// stageOfKind is where an alarm without a channel shows.
var stageOfKind = map[string]string{
	"feed_surge": "belt", "feed_loss": "belt", "feed_hunting": "belt", "belt_stopped": "belt",
	"mill_choke": "mill", "screen_blinding": "mill", "screen_torn": "mill", "water_loss": "mill",
	"flooding": "table", "table_stopped": "table", "stroke_changed": "table", "concentrate_full": "table",
	"pump_stopped": "pond", "pond_low": "pond", "pond_high": "pond", "classifier_stopped": "classifier", "bin_low": "feeder", "bin_full": "feeder",
}

func (b base) stages(p PlantNow, bars []barView, chosen string) []stageView {
	keys := stageKeys
	if len(p.Plant.Stations) > 0 {
		keys = nil
		for _, st := range p.Plant.Stations {
			keys = append(keys, st.Name)
		}
		for _, bar := range bars { // channels that no station names
			if k := b.stageOf(bar.channel); !slices.Contains(keys, k) {
				keys = append(keys, k)
			}
		}
	}
	out := []stageView{{Name: b.T("now.stage_all"), URL: b.url("/now"), Current: chosen == ""}}
	for _, k := range keys {
		st := stageView{Key: k, Name: b.L.Or("station."+strings.ToLower(k), k), URL: b.url("/now", "stage", k), Current: chosen == k, Empty: true}
		for _, bar := range bars {
			if b.stageOf(bar.channel) != k {
				continue
			}
			st.Empty = false
			if rank[bar.Mark] < rank[st.Mark] {
				st.Mark = bar.Mark
			}
		}
		for _, a := range p.Alarms {
			place := stageOfKind[a.Kind]
			if a.Channel != "" {
				place = b.stageOf(a.Channel)
			}
			if place == k && rank[a.Priority] < rank[st.Mark] {
				st.Mark = a.Priority
			}
		}
		switch {
		case st.Mark != "":
			st.Word = b.T("mark." + st.Mark)
		case st.Empty:
			st.Word = b.T("now.stage_none")
		}
		if k == "site" && st.Empty {
			continue
		}
		out = append(out, st)
	}
	return out
}

// trendView is the drawing of the last hour.
type trendView struct {
	Panels []panelView
	Axis   template.HTML
	URL    string // of the drawing itself, to fetch it anew
	Past   string
	CSV    string
	Table  tableView
}

type panelView struct {
	Text string
	SVG  template.HTML
}

func (s *site) nowTrend(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "now", c)
	trend, err := s.trend(r.Context(), b)
	if err == nil {
		var html string
		if html, err = s.fragment("now", "trend", nowPage{base: b, Trend: trend}); err == nil {
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			w.Header().Set("Cache-Control", "no-store")
			send(w, r, http.StatusOK, []byte(html))
			return
		}
	}
	s.fail(w, r, err)
}

// trendChannels are those that the last hour shows: feed, wash water, mill current.
func trendChannels(p *plant.Plant) []plant.Channel {
	var out []plant.Channel
	for _, role := range []plant.Role{plant.FeedRate, plant.WashWater, plant.MillCurrent} {
		if c, ok := p.ChannelByRole(role); ok {
			out = append(out, c)
		}
	}
	return out
}

func (s *site) trend(ctx context.Context, b base) (trendView, error) {
	v := view{From: b.now.Add(-trendSpan), To: b.now, Channels: trendChannels(b.plant)}
	t := trendView{URL: b.url("/now/trend")}
	if len(v.Channels) == 0 {
		t.Past = b.url("/past")
		return t, nil
	}
	const points = 360 // one each 10 s
	lines, err := s.read(ctx, b, v, points)
	if err != nil {
		return t, err
	}
	t.Panels, t.Axis = b.panels(v, lines, nil, "now")
	for i, l := range lines {
		name := b.channelName(l.channel)
		t.Panels[i].Text = upper(b.T("now.trend_none", "name", name))
		if l.any {
			_, u := b.pair(l.last, l.channel.Unit, 3)
			low, _ := b.pair(l.least, l.channel.Unit, 3)
			high, _ := b.pair(l.greatest, l.channel.Unit, 3)
			last, _ := b.pair(l.last, l.channel.Unit, 3)
			t.Panels[i].Text = upper(b.T("now.trend_text", "name", name, "low", low, "high", high, "value", strings.TrimSpace(last+" "+u)))
		}
	}
	t.Table = b.table(v, lines, 12)
	t.Past, t.CSV = b.viewURL("/past", v, true), b.viewURL("/past.csv", v, true)
	return t, nil
}

func (s *site) nowCSV(w http.ResponseWriter, r *http.Request) {
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	rows := [][]string{{"channel", "role", "value", "unit", "quality", "reason", "time_utc"}}
	latest := map[string]ChannelNow{}
	for _, n := range c.here.Channels {
		latest[n.Name] = n
	}
	for _, ch := range c.here.Plant.Channels {
		n := latest[ch.Name]
		value, at, quality := "", "", ""
		if !n.At.IsZero() {
			at, quality = n.At.UTC().Format(time.RFC3339Nano), n.Reading.Quality.String()
			if n.Reading.Has {
				value = exact(n.Reading.Value)
			}
		}
		rows = append(rows, []string{ch.Name, string(ch.Role), value, ch.Unit, quality, string(n.Reading.Reason), at})
	}
	sendCSV(w, r, "now.csv", rows)
}

// exact writes a number as exports do: a point, all its digits.
func exact(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func sendCSV(w http.ResponseWriter, r *http.Request, name string, rows [][]string) {
	var body strings.Builder
	c := csv.NewWriter(&body)
	if err := c.WriteAll(rows); err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError) // a Builder does not fail
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s"`, name))
	w.Header().Set("Cache-Control", "no-store")
	send(w, r, http.StatusOK, []byte(body.String()))
}

func newID() string { return uuid.Must(uuid.NewV7()).String() }

const noteLetters = 1000

// note keeps a note in the ledger.
func (s *site) note(w http.ResponseWriter, r *http.Request) {
	if err := parseForm(w, r); err != nil {
		s.problem(w, r, http.StatusBadRequest, "app.error_title", "app.error_text")
		return
	}
	c := s.choose(r)
	if !c.ok {
		s.missing(w, r)
		return
	}
	b := s.base(r, "now", c)
	form := noteForm{ID: r.PostForm.Get("id"), Text: strings.TrimSpace(r.PostForm.Get("text"))}
	switch {
	case form.Text == "":
		form.Error = b.T("now.note_empty")
	case len([]rune(form.Text)) > noteLetters:
		form.Error = b.T("now.note_long")
	}
	if form.Error != "" {
		s.showNow(w, r, http.StatusUnprocessableEntity, form)
		return
	}
	if err := s.write(r, b, form.ID, entry{ledger.KindNote, ledger.Note{Text: form.Text}}); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, b.url("/now", "saved", "1"), http.StatusSeeOther)
}
