package web

import (
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"decktrim/internal/plant"
	"decktrim/internal/units"
	"decktrim/server/words"
)

// base is what every page has. Page structs embed it, so that templates say
// {{$.T "key"}}.
type base struct {
	L         words.Lang
	Title     string
	Headline  string
	Name      string // of the screen: now, past, ...
	PlantName string // empty: none
	Plants    []link // more than one: a choice
	Nav       []link
	Self      string // path and query of this page, for forms that come back
	Sun       bool
	US        bool
	Invented  bool
	Saved     bool
	Version   string
	Zone      string
	CSS, JS   string
	Icon      string
	Events    string // URL of the live events; empty: none
	Status    status
	Advises   bool // the fixed line on who sets the plant

	prefs prefs
	now   time.Time
	zone  *time.Location
	plant *plant.Plant
}

// link is a place to go to.
type link struct {
	Name, Label, URL, Ask string
	Current, Phone        bool
}

// status is the word in the corner: what is shown, and how old it is.
type status struct {
	Word string
	Time string // clock of what is shown
	Old  bool
}

// T says a text in the reader's language.
func (b base) T(key string, pairs ...any) string { return b.L.Say(key, pairs...) }

// Languages are offered in the footer.
func (b base) Languages() []link {
	var out []link
	for _, l := range words.Languages() {
		out = append(out, link{Name: string(l), Label: l.Name(), Current: l == b.L})
	}
	return out
}

// plantChoice is the plant a page is about.
type plantChoice struct {
	all  []PlantNow
	here PlantNow
	ok   bool
}

// choose finds the plant that a request is about: the one it names, or the first.
func (s *site) choose(r *http.Request) plantChoice {
	c := plantChoice{all: s.Live.Snapshot()}
	want := r.FormValue("plant")
	for i, p := range c.all {
		if p.Plant == nil {
			continue
		}
		if p.Plant.Plant.Name == want || want == "" && !c.ok {
			c.here, c.ok = c.all[i], true
			if want != "" {
				break
			}
		}
	}
	return c
}

var screens = []string{"now", "try", "past", "ore", "system"}

func (s *site) base(r *http.Request, name string, c plantChoice) base {
	p := readPrefs(r)
	b := base{L: p.lang, Name: name, Sun: p.theme == themeSun, US: p.units == units.USCustomary,
		Invented: s.Invented, Version: s.Version, CSS: s.assets.url["app.css"], JS: s.assets.url["app.js"], Icon: s.assets.url["icon.svg"],
		prefs: p, now: s.Now(), zone: time.UTC, plant: &plant.Plant{}, Self: r.URL.RequestURI()}
	if r.Method != http.MethodGet { // a form's own address cannot be gone back to
		b.Self = "/" + name
	}
	if c.ok {
		b.plant, b.PlantName = c.here.Plant, c.here.Plant.Plant.Name
		if c.here.Plant.Location != nil {
			b.zone = c.here.Plant.Location
		}
		b.Status = b.statusOf(c.here)
		b.Events = b.url("/events", "page", name)
	} else {
		b.Status = status{Word: b.T("app.no_reading_yet"), Time: b.L.ClockSeconds(b.now, b.zone), Old: true}
	}
	b.Zone = b.zone.String()
	b.Saved = r.FormValue("saved") == "1"
	if len(c.all) > 1 {
		for _, other := range c.all {
			if other.Plant != nil {
				n := other.Plant.Plant.Name
				b.Plants = append(b.Plants, link{Label: n, URL: "/now?" + url.Values{"plant": {n}}.Encode(), Current: n == b.PlantName})
			}
		}
	}
	for _, n := range screens {
		b.Nav = append(b.Nav, link{Name: n, Label: b.T("nav." + n), Ask: b.T("ask." + n), URL: b.url("/" + n), Current: n == name || n == "ore" && name == "source", Phone: n != "system"})
	}
	b.Title = b.T("nav." + name)
	if name == "source" || name == "" {
		b.Title = b.T("nav.ore")
	}
	return b
}

// url makes an address of this site that keeps the plant when there are several.
func (b base) url(path string, pairs ...string) string {
	q := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			q.Add(pairs[i], pairs[i+1])
		}
	}
	if b.PlantName != "" {
		if len(b.Plants) > 1 || b.askedFor() {
			q.Set("plant", b.PlantName)
		}
	}
	if len(q) == 0 {
		return path
	}
	return path + "?" + q.Encode()
}

// askedFor reports whether the page's own address names its plant.
func (b base) askedFor() bool {
	u, err := url.Parse(b.Self)
	return err == nil && u.Query().Get("plant") != ""
}

// MoreURL is the address of the page with everything.
func (b base) MoreURL() string { return b.url("/more") }

// NowURL is the address of Now.
func (b base) NowURL() string { return b.url("/now") }

// silentAfter is how old the newest reading of a plant may be before the whole
// page is called old: several sampling periods of 1 s and a slow link.
const silentAfter = 15 * time.Second

func newest(p PlantNow) time.Time {
	var at time.Time
	for _, c := range p.Channels {
		if c.At.After(at) {
			at = c.At
		}
	}
	return at
}

func (b base) statusOf(p PlantNow) status {
	at := newest(p)
	switch {
	case at.IsZero():
		return status{Word: b.T("app.no_reading_yet"), Time: b.L.ClockSeconds(b.now, b.zone), Old: true}
	case b.now.Sub(at) > silentAfter:
		return status{Word: b.T("app.silent_plant", "time", b.L.At(at, b.now, b.zone)), Time: b.L.ClockSeconds(b.now, b.zone), Old: true}
	}
	return status{Word: b.T("app.as_of", "time", b.L.ClockSeconds(b.now, b.zone)), Time: b.L.ClockSeconds(b.now, b.zone)}
}

// figure writes a stored value for the reader, with its unit.
func (b base) figure(v float64, unit string, digits int) string {
	return units.Format(v, unit, b.prefs.units, digits)
}

// pair is figure, cut into number and unit.
func (b base) pair(v float64, unit string, digits int) (number, symbol string) {
	shown, u := units.Display(v, unit, b.prefs.units)
	if math.IsNaN(shown) || math.IsInf(shown, 0) {
		return units.Missing, ""
	}
	return plain(shown, digits), unitSymbol(u)
}

// unitSymbol is how a unit stands beside a figure; a pure number has none.
func unitSymbol(u string) string {
	if u == "1" {
		return ""
	}
	return units.Symbol(u)
}

// plain writes a number with that many significant digits, but never cuts the
// whole part: 12,345 stays 12345.
func plain(v float64, digits int) string {
	if v != 0 && math.Abs(v) >= math.Pow10(digits) {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return units.Number(v, digits)
}

// span writes low to high in one unit, the unit once.
func (b base) span(key string, low, high float64, unit string) string {
	l, _ := b.pair(low, unit, 3)
	h, u := b.pair(high, unit, 3)
	return strings.TrimSpace(b.T(key, "low", l, "high", h) + " " + u)
}

// unitOf is the symbol in which the reader sees a stored unit.
func (b base) unitOf(unit string) string {
	return unitSymbol(units.DisplayUnit(unit, b.prefs.units))
}

// channelName says a channel: by its role, unless several share it.
func (b base) channelName(c plant.Channel) string {
	same := 0
	for _, other := range b.plant.Channels {
		if other.Role == c.Role {
			same++
		}
	}
	if c.Role != "" && same <= 1 && words.Has("q."+string(c.Role)) {
		return b.T("q." + string(c.Role))
	}
	return b.L.Or("q."+c.Name, c.Name)
}

func (b base) channelNamed(name string) string {
	if i := b.plant.ChannelIndex(name); i >= 0 {
		return b.channelName(b.plant.Channels[i])
	}
	return b.L.Or("q."+name, name)
}

func (b base) settingName(name string) string { return b.L.Or("q."+name, name) }

// setting writes a value of a setting as finely as it can be set.
func (b base) setting(st plant.Setting, v float64) string {
	if b.prefs.units == units.Metric || units.DisplayUnit(st.Unit, b.prefs.units) == st.Unit {
		text := strconv.FormatFloat(v, 'f', decimals(st.Resolution), 64)
		u := unitSymbol(st.Unit)
		switch {
		case u == "":
			return text
		case u == "°":
			return text + u
		}
		return text + " " + u
	}
	return b.figure(v, st.Unit, 3)
}

// decimals is how many places show a resolution; 2 for a continuous setting.
func decimals(resolution float64) int {
	if resolution <= 0 {
		return 2
	}
	for d := 0; d < 4; d++ {
		if scaled := resolution * math.Pow10(d); math.Abs(scaled-math.Round(scaled)) < 1e-6 {
			return d
		}
	}
	return 4
}

// points writes a difference in percentage points with its sign.
func points(v float64) string {
	text := strconv.FormatFloat(math.Abs(v), 'f', 1, 64)
	switch {
	case text == "0.0":
		return "0.0"
	case v < 0:
		return "−" + text
	}
	return "+" + text
}

func percent(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }

// chance writes a probability in per cent without claiming certainty.
func chance(p float64) string {
	switch {
	case p < 0.01:
		return "< 1"
	case p > 0.99:
		return "> 99"
	}
	return strconv.Itoa(int(math.Round(p * 100)))
}

// upper makes the first letter of a sentence a capital.
func upper(s string) string {
	for i, r := range s {
		if i == 0 {
			return strings.ToUpper(string(r)) + s[len(string(r)):]
		}
	}
	return s
}
