package web

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/units"
	"decktrim/server/words"
)

// allPages is every screen a person can open.
var allPages = []string{"/now", "/now?stage=mill", "/now?stage=nowhere", "/now?saved=1", "/past", "/past?span=24h&c=feed_rate&c=mill_current", "/past?span=nonsense&to=nonsense&c=none",
	"/past?span=8760h", "/past?from=2026-01-05T19:00:00Z&to=2026-01-05T20:00:00Z", "/try", "/try?source=Pewter+Gully&x=deck_tilt&y=feed_rate", "/ore", "/ore/Quillback%20Reef",
	"/ore/Pewter%20Gully", "/ore/Dunlin%20Lode%20%2F%20north%20&%20south", "/system", "/more", "/nowhere"}

func get(t testing.TB, h http.Handler, target string, cookies ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, target, nil)
	for _, c := range cookies {
		r.Header.Add("Cookie", c)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// has and lacks are Contains and NotContains that do not print whole pages.
func has(t testing.TB, body, want string, why ...any) {
	t.Helper()
	if !strings.Contains(body, want) {
		require.Fail(t, "the page lacks "+strconv.Quote(want), why...)
	}
}

func lacks(t testing.TB, body, bad string, why ...any) {
	t.Helper()
	if i := strings.Index(body, bad); i >= 0 {
		require.Fail(t, "the page has "+strconv.Quote(body[max(0, i-80):min(len(body), i+80)]), why...)
	}
}

func parse(t testing.TB, body string) *html.Node {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(body))
	require.NoError(t, err)
	return doc
}

func find(n *html.Node, match func(*html.Node) bool) []*html.Node {
	var out []*html.Node
	for c := range n.Descendants() {
		if c.Type == html.ElementNode && match(c) {
			out = append(out, c)
		}
	}
	return out
}

func tag(names ...string) func(*html.Node) bool {
	return func(n *html.Node) bool {
		for _, name := range names {
			if n.Data == name {
				return true
			}
		}
		return false
	}
}

func attr(n *html.Node, key string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val, true
		}
	}
	return "", false
}

func textOf(n *html.Node) string {
	var b strings.Builder
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			b.WriteString(c.Data)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// scenes are the plants that every page must bear.
func scenes(t *testing.T) map[string]*scene {
	lark := readPlant(t, "larkspur-plant.toml")
	two := twoSensors(t)
	bare := &plant.Plant{Plant: plant.Identity{Name: "Bare", Timezone: "UTC"}}
	silent := steadyNow(lark)
	for i := range silent.Channels {
		silent.Channels[i].At = noon.Add(-3 * time.Hour)
	}
	return map[string]*scene{
		"steady":      newScene(t, steadyNow(lark)),
		"troubled":    newScene(t, troubled(lark)),
		"silent":      newScene(t, silent),
		"two sensors": newScene(t, steadyNow(two)),
		"no reading":  newScene(t, PlantNow{Plant: two}),
		"empty file":  newScene(t, PlantNow{Plant: bare}),
		"two plants":  newScene(t, steadyNow(lark), steadyNow(two)),
		"no plant":    newScene(t),
	}
}

// Every template is executed with every plant, in both languages and both unit
// presets, and keeps to what all screens promise.
func TestEveryPageInEveryState(t *testing.T) {
	for name, sc := range scenes(t) {
		for _, page := range allPages {
			for _, cookie := range []string{"lang=en; units=metric", "lang=es; units=us; theme=sun"} {
				t.Run(name+page+" "+cookie[:7], func(t *testing.T) {
					w := get(t, sc.handler, page, cookie)
					require.Contains(t, []int{200, 404}, w.Code)
					body := w.Body.String()
					lacks(t, body, "⟦", "a text is missing from the catalogue")
					lacks(t, body, "NaN")
					lacks(t, body, "Inf")
					lacks(t, body, "ZgotmplZ")
					lacks(t, body, "%!")
					lacks(t, body, "<no value>")
					require.NotRegexp(t, `\{[a-z_]+\}`, body, "a placeholder was not filled")
					checkStructure(t, body, strings.HasPrefix(cookie, "lang=es"))
				})
			}
		}
	}
}

func checkStructure(t *testing.T, body string, spanish bool) {
	t.Helper()
	doc := parse(t, body)
	require.Len(t, find(doc, tag("h1")), 1, "one headline sentence a page")
	headline := textOf(find(doc, tag("h1"))[0])
	require.Regexp(t, `[.:]$|\.$`, headline, "the headline is a sentence")
	require.Len(t, find(doc, tag("main")), 1)
	require.Len(t, find(doc, tag("header")), 1)
	require.Len(t, find(doc, tag("footer")), 1)
	require.NotEmpty(t, find(doc, tag("nav")))
	lang, _ := attr(find(doc, tag("html"))[0], "lang")
	require.Equal(t, spanish, lang == "es")
	has(t, body, words.Lang(lang).Say("app.invented"))
	has(t, body, words.Lang(lang).Say("app.advice_only"))

	ids := map[string]bool{}
	for _, n := range find(doc, func(n *html.Node) bool { _, ok := attr(n, "id"); return ok }) {
		id, _ := attr(n, "id")
		require.False(t, ids[id], "id %s stands twice", id)
		ids[id] = true
	}
	for _, n := range find(doc, func(*html.Node) bool { return true }) {
		for _, a := range n.Attr {
			require.NotEqual(t, "style", a.Key, "the content policy forbids style attributes")
			require.False(t, strings.HasPrefix(a.Key, "on"), "the content policy forbids handlers in attributes")
			switch a.Key {
			case "for", "aria-labelledby", "aria-describedby":
				require.True(t, ids[a.Val], "%s names %q, which is not there", a.Key, a.Val)
			case "href", "src", "action":
				require.NotRegexp(t, `^(https?:)?//`, a.Val, "nothing from another host")
			}
		}
	}
	for _, n := range find(doc, tag("script", "style")) {
		src, _ := attr(n, "src")
		require.NotEmpty(t, src, "nothing inline")
	}
	for _, n := range find(doc, func(n *html.Node) bool { role, _ := attr(n, "role"); return n.Data == "svg" && role == "img" }) {
		label, _ := attr(n, "aria-label")
		require.NotEmpty(t, label, "each chart has a sentence")
	}
	for _, n := range find(doc, tag("input", "select", "textarea")) {
		if typ, _ := attr(n, "type"); typ == "hidden" {
			continue
		}
		id, ok := attr(n, "id")
		inLabel := n.Parent.Data == "label"
		require.True(t, inLabel || ok && len(find(doc, func(l *html.Node) bool { f, _ := attr(l, "for"); return f == id })) == 1, "a field has a label")
	}
}

// No dead ends: every address on every page leads to a page or a file.
func TestEveryLinkLeadsSomewhere(t *testing.T) {
	for name, sc := range map[string]*scene{"one plant": newScene(t, troubled(readPlant(t, "larkspur-plant.toml"))), "two plants": newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")), steadyNow(twoSensors(t)))} {
		const enough = 120 // the moves of Past never end
		seen, queue := map[string]bool{"/now": true}, []string{"/now"}
		for len(queue) > 0 {
			target := queue[0]
			queue = queue[1:]
			w := get(t, sc.handler, target)
			require.Equal(t, 200, w.Code, "%s: %s", name, target)
			if !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
				continue
			}
			for _, a := range find(parse(t, w.Body.String()), tag("a", "link", "script")) {
				href, ok := attr(a, "href")
				if !ok {
					href, _ = attr(a, "src")
				}
				if href != "" && !strings.HasPrefix(href, "#") && !seen[href] && len(seen) < enough {
					seen[href] = true
					queue = append(queue, href)
				}
			}
		}
		require.Greater(t, len(seen), 40, name)
	}
}

func TestPolicyAndCaching(t *testing.T) {
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	w := get(t, sc.handler, "/now")
	require.Contains(t, w.Header().Get("Content-Security-Policy"), "default-src 'none'")
	require.NotContains(t, w.Header().Get("Content-Security-Policy"), "unsafe")
	require.Equal(t, "no-store", w.Header().Get("Cache-Control"))
	href := regexp.MustCompile(`/static/app\.[0-9a-f]{16}\.css`).FindString(w.Body.String())
	require.NotEmpty(t, href)
	css := get(t, sc.handler, href)
	require.Equal(t, 200, css.Code)
	require.Contains(t, css.Header().Get("Cache-Control"), "immutable")
	require.Equal(t, "text/css; charset=utf-8", css.Header().Get("Content-Type"))
	require.Equal(t, 404, get(t, sc.handler, "/static/app.0000000000000000.css").Code)
	require.Equal(t, 303, get(t, sc.handler, "/").Code)
}

// The whole first load stays under 300 kB and the script under 20 kB compressed.
func TestFirstLoad(t *testing.T) {
	const pageLimit, scriptLimit = 300_000, 20_000
	sc := newScene(t, troubled(readPlant(t, "larkspur-plant.toml")))
	size := func(target string) int {
		r := httptest.NewRequest(http.MethodGet, target, nil)
		r.Header.Set("Accept-Encoding", "gzip")
		w := httptest.NewRecorder()
		sc.handler.ServeHTTP(w, r)
		require.Equal(t, 200, w.Code)
		return w.Body.Len()
	}
	for _, page := range []string{"/now", "/past?span=24h&c=feed_rate&c=mill_current&c=wash_water&c=mill_water&c=bin_weight&c=pond_level", "/try", "/ore", "/system"} {
		plain := get(t, sc.handler, page).Body.Len()
		sum := size(page)
		for _, ref := range regexp.MustCompile(`/static/[a-z]+\.[0-9a-f]{16}\.[a-z]+`).FindAllString(get(t, sc.handler, page).Body.String(), -1) {
			n := size(ref)
			if strings.HasSuffix(ref, ".js") {
				require.Less(t, n, scriptLimit)
			}
			sum += n
		}
		t.Logf("%s: %d bytes in all, compressed (page alone, plain: %d)", page, sum, plain)
		require.Less(t, sum, pageLimit, page)
	}
}

func TestHeadline(t *testing.T) {
	p := readPlant(t, "larkspur-plant.toml")
	with := func(change func(*PlantNow)) PlantNow { n := steadyNow(p); change(&n); return n }
	channel := func(n *PlantNow, name string) *ChannelNow {
		for i := range n.Channels {
			if n.Channels[i].Name == name {
				return &n.Channels[i]
			}
		}
		t.Fatal(name)
		return nil
	}
	for want, n := range map[string]PlantNow{
		"Steady for 1 h 50 min.":  with(func(*PlantNow) {}),
		"Steady.":                 with(func(n *PlantNow) { n.SteadySince = time.Time{} }),
		"The plant is stopped.":   with(func(n *PlantNow) { n.State, n.Steady = "stopped", false }),
		"The plant is wash-down.": with(func(n *PlantNow) { n.State = "wash-down" }),
		"Not steady: feed surge for 4 min.": with(func(n *PlantNow) {
			n.Alarms = []Alarm{{Kind: "feed_surge", Priority: "act", Since: noon.Add(-4 * time.Minute)}}
		}),
		"Not steady: table stopped for 35 s.": with(func(n *PlantNow) {
			n.State = "stopped" // an act alarm is said in every state
			n.Alarms = []Alarm{{Kind: "pond_low", Priority: "look", Since: noon}, {Kind: "table_stopped", Priority: "act", Since: noon.Add(-35 * time.Second)}}
		}),
		"Cannot tell: feed rate suspect since 11:10.": with(func(n *PlantNow) {
			channel(n, "feed_rate").Reading.Quality = plant.Bad
			n.Alarms = []Alarm{{Kind: "sensor_fault", Channel: "feed_rate", Priority: "note", Since: time.Date(2026, 1, 5, 18, 10, 0, 0, time.UTC)}}
		}),
		"Cannot tell: no data from mill current.":             with(func(n *PlantNow) { channel(n, "mill_current").Reading = plant.Reading{} }),
		"Cannot tell: no signal says whether the plant runs.": with(func(n *PlantNow) { n.State = "" }),
		"Cannot tell: no reading has come yet.":               {Plant: p},
		"Not steady: feed rate 55 % above usual.": with(func(n *PlantNow) {
			n.Steady = false
			c := channel(n, "feed_rate")
			c.Usual, c.Reading.Value = &Usual{1.9, 2.1}, 3.1
		}),
		"Not steady yet: still settling.": with(func(n *PlantNow) { n.Steady = false }),
		"Last known at 13:02: Steady for 1 h 50 min.": with(func(n *PlantNow) {
			for i := range n.Channels {
				n.Channels[i].At = noon.Add(-time.Hour)
			}
		}),
	} {
		require.Equal(t, want, Headline(words.English, n, noon))
	}
	require.Equal(t, "Estable por 1 h 50 min.", Headline(words.Spanish, steadyNow(p), noon))
}

func TestMostUnusualFirst(t *testing.T) {
	p := readPlant(t, "larkspur-plant.toml")
	b := base{L: words.English, plant: p, now: noon, zone: time.UTC}
	names := func(n PlantNow) []string {
		var out []string
		for _, v := range b.bars(n, nil) {
			out = append(out, v.channel)
		}
		return out
	}
	n := steadyNow(p)
	for i := range n.Channels {
		c := &n.Channels[i]
		if c.Usual == nil {
			continue
		}
		switch c.Name {
		case "mill_water": // 3 half widths away
			c.Reading.Value = (c.Usual.Low+c.Usual.High)/2 + 1.5*(c.Usual.High-c.Usual.Low)
		case "wash_water": // 2 half widths away
			c.Reading.Value = (c.Usual.Low+c.Usual.High)/2 - (c.Usual.High - c.Usual.Low)
		case "mill_current": // inside, but farther than the rest
			c.Reading.Value = (c.Usual.Low+c.Usual.High)/2 + 0.4*(c.Usual.High-c.Usual.Low)
		}
	}
	require.Equal(t, []string{"mill_water", "wash_water", "mill_current"}, names(n)[:3])
	n.Alarms = []Alarm{{Kind: "bin_low", Channel: "bin_weight", Priority: "look"}, {Kind: "feed_surge", Channel: "feed_rate", Priority: "act"}}
	require.Equal(t, []string{"feed_rate", "bin_weight", "mill_water"}, names(n)[:3])
}

// A hair outside a narrow range is not worth a word.
func TestUnusual(t *testing.T) {
	c := plant.Channel{Range: [2]float64{0, 100}}
	at := func(v, low, high float64) ChannelNow {
		return ChannelNow{Reading: plant.Reading{Value: v, Has: true, Quality: plant.Good}, Usual: &Usual{low, high}}
	}
	require.True(t, unusual(c, at(70, 40, 60)))
	require.False(t, unusual(c, at(62, 40, 60)), "two and a half spreads")
	require.False(t, unusual(c, at(50.4, 49.9, 50.1)), "far in spreads, nothing on the scale")
}

func TestUsualOnlyAfterFourHours(t *testing.T) {
	p := twoSensors(t)
	n := steadyNow(p)
	for i := range n.Channels {
		n.Channels[i].Learned = 80 * time.Minute
	}
	body := get(t, newScene(t, n).handler, "/now").Body.String()
	has(t, body, "learning usual: 1 h 20 min of 4 h")
	lacks(t, body, `class="usual"`)
}

// A reading that is missing is never shown as a figure.
func TestMissingIsNotZero(t *testing.T) {
	p := twoSensors(t)
	n := steadyNow(p)
	n.Channels[1].Reading = plant.Reading{Value: 0, Quality: plant.Bad, Reason: plant.NoAnswer}
	doc := parse(t, get(t, newScene(t, n).handler, "/now").Body.String())
	bar := find(doc, func(n *html.Node) bool { id, _ := attr(n, "id"); return id == "bar-1" })
	require.Len(t, bar, 1)
	text := textOf(bar[0])
	require.Contains(t, text, "not known")
	require.Contains(t, text, "No data")
	require.Contains(t, text, "the sensor does not answer")
	require.Empty(t, find(bar[0], func(n *html.Node) bool { c, _ := attr(n, "class"); return c == "number" }))
}

func TestTwoSensorPlantSaysWhatItCannotKnow(t *testing.T) {
	body := get(t, newScene(t, steadyNow(twoSensors(t))).handler, "/now").Body.String()
	has(t, body, "Fine-ore bin: not known: no bin scale")
	has(t, body, "no sensor")
}

func TestUnitsAndLanguageFollowTheCookie(t *testing.T) {
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	metric := get(t, sc.handler, "/past?c=wash_water", "units=metric").Body.String()
	us := get(t, sc.handler, "/past?c=wash_water", "units=us").Body.String()
	has(t, metric, "Wash water, L/min")
	has(t, us, "Wash water, US gal/min")
	require.NotContains(t, us, "L/min")
	csv := get(t, sc.handler, "/past.csv?c=wash_water", "units=us").Body.String()
	has(t, csv, ",wash_water,L/min,", "exports are in the stored units and say so")
}

func post(t testing.TB, h http.Handler, target string, form url.Values, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, target, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestPrefs(t *testing.T) {
	sc := newScene(t, steadyNow(twoSensors(t)))
	w := post(t, sc.handler, "/prefs", url.Values{"units": {"us"}, "lang": {"es"}, "theme": {"sun"}, "back": {"/past?span=1h"}})
	require.Equal(t, 303, w.Code)
	require.Equal(t, "/past?span=1h", w.Header().Get("Location"))
	var got []string
	for _, c := range w.Result().Cookies() {
		require.True(t, c.HttpOnly)
		got = append(got, c.Name+"="+c.Value)
	}
	require.ElementsMatch(t, []string{"units=us", "lang=es", "theme=sun"}, got)
	for name, back := range map[string]string{"other host": "https://example.org/", "no scheme": "//example.org", "backslash": `/\example.org`, "script": "javascript:alert(1)", "empty": "", "encoded": "/%5cexample.org/\\x"} {
		w := post(t, sc.handler, "/prefs", url.Values{"units": {"us"}, "back": {back}})
		require.Equal(t, "/now", w.Header().Get("Location"), name)
	}
	require.Empty(t, post(t, sc.handler, "/prefs", url.Values{"units": {"cubits"}, "lang": {"xx"}, "theme": {"neon"}}).Result().Cookies())
}

func TestFormsOfOtherSitesAreRefused(t *testing.T) {
	sc := newScene(t, steadyNow(twoSensors(t)))
	for _, target := range []string{"/prefs", "/now/note", "/try/set", "/try/not-now"} {
		w := post(t, sc.handler, target, url.Values{"text": {"x"}, "units": {"us"}}, "Sec-Fetch-Site", "cross-site")
		require.Equal(t, 403, w.Code)
		has(t, w.Body.String(), "Nothing was saved")
		require.Empty(t, w.Result().Cookies())
	}
}

func entriesOf(t testing.TB, sc *scene, kinds ...ledger.Kind) []ledger.Entry {
	t.Helper()
	e, err := sc.store.Entries(context.Background(), sc.live.plants[0].Plant.Plant.Name, kinds...)
	require.NoError(t, err)
	return e
}

func TestNote(t *testing.T) {
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	before := len(entriesOf(t, sc, ledger.KindNote))
	form := url.Values{"id": {newID()}, "text": {"  Belt slips <i>again</i>  "}}
	require.Equal(t, 303, post(t, sc.handler, "/now/note", form).Code)
	require.Equal(t, 303, post(t, sc.handler, "/now/note", form).Code, "sent twice")
	notes := entriesOf(t, sc, ledger.KindNote)
	require.Len(t, notes, before+1)
	var note ledger.Note
	require.NoError(t, json.Unmarshal(notes[len(notes)-1].Body, &note))
	require.Equal(t, "Belt slips <i>again</i>", note.Text)
	has(t, get(t, sc.handler, "/past?span=1h").Body.String(), "Belt slips &lt;i&gt;again&lt;/i&gt;")

	w := post(t, sc.handler, "/now/note", url.Values{"text": {" "}})
	require.Equal(t, 422, w.Code)
	has(t, w.Body.String(), "The note is empty. Nothing was saved.")
	long := strings.Repeat("ñ", noteLetters+1)
	w = post(t, sc.handler, "/now/note", url.Values{"text": {long}})
	require.Equal(t, 422, w.Code)
	has(t, w.Body.String(), long, "what was typed survives")
	require.Len(t, entriesOf(t, sc, ledger.KindNote), before+1)
}

var hidden = regexp.MustCompile(`name="advice" value="([^"]+)"`)

func TestISetItTo(t *testing.T) {
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	page := get(t, sc.handler, "/try").Body.String()
	advice := hidden.FindStringSubmatch(page)[1]
	before := len(entriesOf(t, sc, ledger.KindSettingChange))
	form := url.Values{"id": {newID()}, "advice": {advice}, "source": {"Quillback Reef"}, "set-wash_water": {"12,4 US gal/min"}}
	w := post(t, sc.handler, "/try/set", form)
	require.Equal(t, 303, w.Code, w.Body.String())
	require.Equal(t, 303, post(t, sc.handler, "/try/set", form).Code, "sent twice")
	sets := entriesOf(t, sc, ledger.KindSettingChange)
	require.Len(t, sets, before+1)
	var set ledger.SettingChange
	require.NoError(t, json.Unmarshal(sets[len(sets)-1].Body, &set))
	const gallons = 1e-3 // L/min; 12.4 US gal/min by the definition 1 US gal = 3.785411784 L
	require.InDelta(t, 12.4*3.785411784, set.Value, gallons)
	require.Equal(t, "L/min", set.Unit)
	require.Equal(t, "12,4 US gal/min", set.Typed)
	require.Equal(t, advice, set.Advice)
	given := entriesOf(t, sc, ledger.KindAdvice)
	require.Len(t, given, 1)
	var kept ledger.Advice
	require.NoError(t, json.Unmarshal(given[0].Body, &kept))
	require.Len(t, kept.RunIDs, 11)
	require.Equal(t, given[0].ID, advice)
	outcome := entriesOf(t, sc, ledger.KindAdviceOutcome)
	require.Len(t, outcome, 1)
	require.Contains(t, string(outcome[0].Body), `"done"`)
	has(t, get(t, sc.handler, "/try").Body.String(), "Last written down: wash water 47 L/min")
}

func TestSettingsThatAreNotTaken(t *testing.T) {
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	before := len(entriesOf(t, sc))
	for name, c := range map[string]struct{ typed, want string }{
		"nothing":        {"", "Nothing was saved"},
		"a word":         {"forty", "Could not read &#39;forty&#39;"},
		"thousands":      {"1,500", "Could not read &#39;1,500&#39;"},
		"wrong quantity": {"40 kg", "Could not read &#39;40 kg&#39;"},
		"outside":        {"400", "is outside what the plant file allows"},
	} {
		w := post(t, sc.handler, "/try/set", url.Values{"id": {newID()}, "set-wash_water": {c.typed}})
		require.Equal(t, 422, w.Code, name)
		has(t, w.Body.String(), c.want, name)
		has(t, w.Body.String(), `value="`+c.typed+`"`, "what was typed survives")
	}
	require.Len(t, entriesOf(t, sc), before)
	// What truly stands outside the limits is a fact, once confirmed.
	w := post(t, sc.handler, "/try/set", url.Values{"id": {newID()}, "set-wash_water": {"95"}, "confirm": {"yes"}})
	require.Equal(t, 303, w.Code)
	require.Len(t, entriesOf(t, sc), before+1)
}

func TestNotNow(t *testing.T) {
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	advice := hidden.FindStringSubmatch(get(t, sc.handler, "/try").Body.String())[1]
	form := url.Values{"id": {newID()}, "advice": {advice}, "source": {"Quillback Reef"}, "why": {"lot_end"}, "words": {"two tonnes left"}}
	require.Equal(t, 303, post(t, sc.handler, "/try/not-now", form).Code)
	outcome := entriesOf(t, sc, ledger.KindAdviceOutcome)
	require.Len(t, outcome, 1)
	var did ledger.AdviceOutcome
	require.NoError(t, json.Unmarshal(outcome[0].Body, &did))
	require.Equal(t, ledger.AdviceOutcome{Advice: advice, Did: "declined", Why: "the lot is nearly done: two tonnes left"}, did)

	w := post(t, sc.handler, "/try/not-now", url.Values{"advice": {advice}, "words": {"typed"}})
	require.Equal(t, 422, w.Code)
	has(t, w.Body.String(), `value="typed"`)
	sc.adviser.answer.RunsUsed++ // a result came in meanwhile
	w = post(t, sc.handler, "/try/not-now", url.Values{"id": {newID()}, "advice": {"0197e2a0-0000-7000-8000-000000000000"}, "why": {"other"}})
	require.Equal(t, 409, w.Code)
	require.Len(t, entriesOf(t, sc, ledger.KindAdviceOutcome), 1)
}

// Advice is an offer: all six parts, or none.
func TestOfferHasSixParts(t *testing.T) {
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	body := get(t, sc.handler, "/try").Body.String()
	doc := parse(t, body)
	parts := find(doc, func(n *html.Node) bool { c, _ := attr(n, "class"); return c == "parts" })
	require.Len(t, parts, 1)
	require.Len(t, find(parts[0], tag("dt")), 6)
	require.Len(t, find(parts[0], tag("dd")), 6)
	for _, dd := range find(parts[0], tag("dd")) {
		require.NotEmpty(t, textOf(dd))
	}
	require.Contains(t, textOf(find(doc, tag("h1"))[0]), "Try wash water 47 L/min (now 45 L/min). Recovery likely +1.7 points (between −0.5 and +3.9). Fair evidence: 11 runs.")
	has(t, body, "Best guess")
	has(t, body, "Stay: leave everything as it is.")

	sc.adviser.answer.RecoveryNext = at(72.9, 4.6) // weak
	body = get(t, sc.handler, "/try").Body.String()
	lacks(t, body, "Best guess", "weak evidence is never called a best guess")
	sc.adviser.answer.RecoveryNext.Lower = nil
	body = get(t, sc.handler, "/try").Body.String()
	lacks(t, body, `class="parts"`, "no estimate without its interval")
	sc.adviser.answer.Action = "hold"
	has(t, get(t, sc.handler, "/try").Body.String(), "Stay at the present setting. More wash water")
}

func TestRecoveredInterval(t *testing.T) {
	// Mean 72, s = 2, n = 4: half-width t(0.975, 3) s / sqrt(4) = 3.182446 (Student's
	// table, any text-book) * 2 / 2.
	const table = 1e-5
	runs := plainRuns([]ledger.Run{})
	for _, v := range []float64{72 - 1.7320508, 72 - 1.7320508, 72 + 1.7320508, 72 + 1.7320508} {
		runs = append(runs, measured(v))
	}
	got := recovered(runs)
	require.InDelta(t, 72, got.mean, table)
	require.InDelta(t, 3.182446, got.half, table)
	require.False(t, recovered(runs[:1]).known, "one run has no scatter")
	require.Equal(t, 0, recovered(nil).n)
}

func TestOrePages(t *testing.T) {
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	body := get(t, sc.handler, "/ore").Body.String()
	has(t, body, "11 runs")
	has(t, body, "1 run, interval not known")
	body = get(t, sc.handler, "/ore/Quillback%20Reef").Body.String()
	has(t, body, "void: tailings sample spilled")
	has(t, body, "at the laboratory, due 2026-01-12")
	has(t, body, "not counted: another splitter rule")
	has(t, body, "3 lots, 42.6 t dry")
	csv := get(t, sc.handler, "/ore/Quillback%20Reef/runs.csv").Body.String()
	require.Equal(t, 15, strings.Count(csv, "\n"))
}

func TestPastMoves(t *testing.T) {
	p := readPlant(t, "larkspur-plant.toml")
	b := base{L: words.English, plant: p, now: noon, zone: time.UTC, PlantName: p.Plant.Name}
	v, problems := b.readView(url.Values{"span": {"1h"}, "to": {"2026-01-05T20:00:00Z"}, "c": {"feed_rate", "none", "feed_rate"}})
	require.Len(t, problems, 1)
	require.Len(t, v.Channels, 1)
	require.Equal(t, time.Hour, v.span())
	moves := map[string]view{}
	for _, m := range b.moves(v) {
		u, err := url.Parse(m.URL)
		require.NoError(t, err)
		moves[m.Name], _ = b.readView(u.Query())
	}
	require.Equal(t, v.To.Add(-30*time.Minute), moves["earlier"].To)
	require.Equal(t, v.To.Add(30*time.Minute), moves["later"].To)
	require.Equal(t, 3*time.Hour, moves["wider"].span())
	require.Equal(t, 15*time.Minute, moves["narrower"].span())
	require.Equal(t, noon, moves["now"].To)
	require.False(t, moves["now"].Fixed)
	for _, d := range spans {
		back, err := time.ParseDuration(shortDuration(d))
		require.NoError(t, err)
		require.Equal(t, d, back)
	}
	many := url.Values{}
	for _, c := range p.Channels {
		many.Add("c", c.Name)
	}
	v, problems = b.readView(many)
	require.Len(t, v.Channels, maxChannels)
	require.Len(t, problems, 1)
}

func TestCSV(t *testing.T) {
	sc := newScene(t, troubled(readPlant(t, "larkspur-plant.toml")))
	for target, head := range map[string]string{
		"/now.csv": "channel,role,value,unit,quality,reason,time_utc", "/past.csv?span=1h": "time_utc,channel,unit,mean,least,greatest,readings",
		"/try.csv": "wash_water (L/min),deck_tilt (deg),recovery (%),half_width_95 (points),known", "/ore.csv": "ore_source,lots,dry_mass (t)",
	} {
		w := get(t, sc.handler, target)
		require.Equal(t, 200, w.Code, target)
		require.True(t, strings.HasPrefix(w.Body.String(), head), w.Body.String()[:80])
		require.Contains(t, w.Header().Get("Content-Disposition"), "attachment")
	}
	w := get(t, sc.handler, "/past.svg?span=3h")
	require.Equal(t, "image/svg+xml", w.Header().Get("Content-Type"))
	has(t, w.Body.String(), "Invented data")
}

func TestSystem(t *testing.T) {
	sc := newScene(t, steadyNow(twoSensors(t)))
	body := get(t, sc.handler, "/system").Body.String()
	has(t, body, "1 of 2 boards not in touch: larkspur/pond.")
	has(t, body, "off by −3 s")
	require.Equal(t, 1, strings.Count(body, "A second board says that it is this one"))
	has(t, body, "734 MB")
	has(t, body, "1\u202f234\u202f567")
	b := base{L: words.English}
	require.Equal(t, "No board has sent anything yet.", b.systemHeadline(SystemView{}))
	require.Equal(t, "The one board is in touch, nothing waiting.", b.systemHeadline(SystemView{Nodes: []NodeView{{Online: true, Acked: 9, Last: 10}}}))
	require.Contains(t, b.systemHeadline(SystemView{Nodes: []NodeView{{Online: true, Acked: 9, Last: 5000}}}), "4\u202f991")
}

// Each key that a template or a handler names is in the catalogue.
func TestKeysOfTemplatesExist(t *testing.T) {
	key := regexp.MustCompile(`T "([^"]+)"`)
	files, err := filepath.Glob("templates/*.html")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		for _, m := range key.FindAllStringSubmatch(string(text), -1) {
			require.True(t, words.Has(m[1]), "%s names %s", f, m[1])
		}
	}
	for _, k := range []string{"feed_surge", "feed_loss", "feed_hunting", "mill_choke", "screen_blinding", "screen_torn", "water_loss", "flooding", "table_stopped", "stroke_changed", "pump_stopped",
		"classifier_stopped", "belt_stopped", "bin_low", "bin_full", "concentrate_full", "pond_low", "pond_high", "sensor_fault", "clock_fault", "node_silent"} {
		for _, part := range []string{"what", "cause", "do", "not"} {
			require.True(t, words.Has("alarm."+k+"."+part), k)
		}
	}
	for _, r := range plant.Roles() {
		require.True(t, words.Has("q."+string(r)), r)
	}
	for _, k := range stageKeys {
		require.True(t, words.Has("station."+k), k)
	}
}

// The live events: a beat at once, the parts of Now, and nothing twice.
func TestEvents(t *testing.T) {
	p := twoSensors(t)
	sc := newScene(t, steadyNow(p))
	srv := httptest.NewServer(sc.handler)
	defer srv.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, srv.URL+"/events?page=now", nil)
	require.NoError(t, err)
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	require.Equal(t, "text/event-stream", resp.Header.Get("Content-Type"))
	buf := make([]byte, 64<<10)
	var got strings.Builder
	for strings.Count(got.String(), "event: beat") < 2 {
		n, err := resp.Body.Read(buf)
		require.NoError(t, err)
		got.Write(buf[:n])
	}
	require.Equal(t, 1, strings.Count(got.String(), "event: part"), "unchanged parts are sent once")
	require.Contains(t, got.String(), `"word":"Live"`)
	require.Contains(t, got.String(), `"time":"14:02:31"`)
}

func TestSetting(t *testing.T) {
	b := base{L: words.English, plant: &plant.Plant{}}
	for want, c := range map[string]struct {
		v    float64
		unit string
		res  float64
	}{"47 L/min": {47, "L/min", 1}, "2.25°": {2.25, "deg", 0.25}, "1.95 t/h": {1.95, "t/h", 0.05}, "0.50": {0.5, "1", 0}} {
		require.Equal(t, want, b.setting(plant.Setting{Unit: c.unit, Resolution: c.res}, c.v))
	}
	b.prefs.units = units.USCustomary
	require.Equal(t, "12.4 US gal/min", b.setting(plant.Setting{Unit: "L/min", Resolution: 1}, 47))
}
