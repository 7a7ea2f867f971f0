//go:build browser

package web

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// startBrowser starts a Chromium that talks to nobody but the test.
func startBrowser(t *testing.T) context.Context {
	t.Helper()
	path := os.Getenv("CHROMIUM")
	if path == "" {
		for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
			if found, err := exec.LookPath(name); err == nil {
				path = found
				break
			}
		}
	}
	require.NotEmpty(t, path, "the browser tests need Chromium: install the package chromium or set CHROMIUM to its path")
	options := append([]chromedp.ExecAllocatorOption{chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir())},
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true))
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, stop := chromedp.NewContext(alloc)
	t.Cleanup(func() { stop(); cancel() })
	require.NoError(t, chromedp.Do(ctx))
	return ctx
}

// axeScript is the accessibility checker; it is not part of this tree.
func axeScript(t *testing.T) string {
	t.Helper()
	path := os.Getenv("AXE_JS")
	require.NotEmpty(t, path, "the browser tests need axe-core: run 'npm pack axe-core@4.14.1', unpack it and set AXE_JS to its axe.min.js (.ci/test does)")
	script, err := os.ReadFile(path)
	require.NoError(t, err, "AXE_JS must name a readable axe.min.js")
	return string(script)
}

// serve starts a server whose end does not wait for live events to end.
func serve(t *testing.T, h http.Handler) *httptest.Server {
	srv := httptest.NewServer(h)
	t.Cleanup(func() {
		srv.CloseClientConnections()
		srv.Close()
	})
	return srv
}

// listen gathers what a page complains of.
func listen(t *testing.T, tab context.Context) func() []string {
	t.Helper()
	var mu sync.Mutex
	var said []string
	require.NoError(t, chromedp.Listen(tab, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := ev.(type) {
		case *runtime.EventConsoleAPICalled:
			said = append(said, fmt.Sprint(e.Type))
		case *runtime.EventExceptionThrown:
			said = append(said, e.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			said = append(said, e.Entry.Text)
		}
	}))
	return func() []string {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(said)
	}
}

// open shows a page at a width, in a colour scheme, with cookies.
func open(t *testing.T, tab context.Context, host, page string, width int64, scheme string, cookies map[string]string) {
	t.Helper()
	height := int64(844)
	if width > 1000 {
		height = 900
	}
	_, err := chromedp.Call(tab, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1, Mobile: width < 1000})
	require.NoError(t, err)
	_, err = chromedp.Call(tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
	require.NoError(t, err)
	_, err = chromedp.Call(tab, network.DeleteCookies, network.DeleteCookiesParams{Name: cookieTheme, URL: host})
	require.NoError(t, err)
	for name, value := range cookies {
		_, err := chromedp.Call(tab, network.SetCookie, network.SetCookieParams{Name: name, Value: value, URL: host})
		require.NoError(t, err)
	}
	require.NoError(t, chromedp.Do(tab, chromedp.Navigate(host+page)))
}

const measure = `(() => {
  const seen = (e) => e.getClientRects().length > 0 && getComputedStyle(e).visibility !== "hidden";
  const out = {scroll: document.documentElement.scrollWidth - document.documentElement.clientWidth, small: [], close: [], h1: document.querySelectorAll("h1").length};
  const targets = [...document.querySelectorAll("a[href], button, summary, select, textarea, input:not([type=hidden])")].filter(seen)
    .map((e) => e.matches("label.check input") ? e.closest("label") : e).filter((e) => !e.matches(".skip"));
  const name = (e) => e.tagName + " " + (e.id || "") + " " + e.textContent.trim().slice(0, 30);
  const boxes = targets.map((e) => [e, e.getBoundingClientRect()]);
  for (const [e, b] of boxes) if (b.width < 47.9 || b.height < 47.9) out.small.push(name(e) + " " + b.width.toFixed(1) + "x" + b.height.toFixed(1));
  const fixed = (e) => !!e.closest(".screens");
  for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
    const [e, a] = boxes[i], [f, b] = boxes[j];
    if (fixed(e) !== fixed(f) || e.contains(f) || f.contains(e)) continue;
    const dx = Math.max(a.left - b.right, b.left - a.right), dy = Math.max(a.top - b.bottom, b.top - a.bottom);
    if (dx < 7.9 && dy < 7.9) out.close.push(name(e) + " | " + name(f) + " " + dx.toFixed(1) + "," + dy.toFixed(1));
  }
  return JSON.stringify(out);
})()`

const runAxe = `axe.run(document, {resultTypes: ["violations"]}).then((r) => JSON.stringify(r.violations.filter((v) => v.impact === "serious" || v.impact === "critical").map((v) => v.id + ": " + v.nodes.slice(0, 3).map((n) => n.target.join(" ") + " " + n.failureSummary.replace(/\s+/g, " ")).join(" ; "))))`

type pageFacts struct {
	Scroll float64  `json:"scroll"`
	H1     int      `json:"h1"`
	Small  []string `json:"small"`
	Close  []string `json:"close"`
}

// Every screen at desk and phone widths, in light, dark and sun: no sideways
// scroll, targets of at least 48 px with 8 px between, nothing in the console, and
// no serious or critical finding of axe-core.
func TestScreensInABrowser(t *testing.T) {
	axe := axeScript(t)
	ctx := startBrowser(t)
	shots := os.Getenv("SCREENSHOTS") // a folder to keep pictures in, to be looked at
	lark := readPlant(t, "larkspur-plant.toml")
	states := []struct {
		name  string
		scene *scene
		pages []string
	}{
		{"steady", newScene(t, steadyNow(lark)), []string{"/now", "/past?span=6h&c=feed_rate&c=wash_water&c=mill_current", "/try", "/ore", "/ore/Quillback%20Reef", "/system", "/more"}},
		{"troubled", newScene(t, troubled(lark)), []string{"/now"}},
		{"two", newScene(t, steadyNow(twoSensors(t))), []string{"/now", "/try"}},
		{"none", newScene(t), []string{"/now", "/nowhere"}},
	}
	for _, state := range states {
		srv := serve(t, state.scene.handler)
		for _, page := range state.pages {
			for _, width := range []int64{1280, 390, 320} {
				for _, theme := range []string{"light", "dark", "sun"} {
					if theme == "sun" && width == 320 {
						continue
					}
					t.Run(fmt.Sprintf("%s%s %d %s", state.name, page, width, theme), func(t *testing.T) {
						tab, cancel := chromedp.NewContext(ctx)
						defer cancel()
						require.NoError(t, chromedp.Do(tab))
						tab, stop := context.WithTimeout(tab, 60*time.Second)
						defer stop()
						console := listen(t, tab)
						scheme, cookies := "light", map[string]string{}
						switch theme {
						case "dark":
							scheme = "dark"
						case "sun":
							cookies[cookieTheme] = themeSun
						}
						open(t, tab, srv.URL, page, width, scheme, cookies)
						require.NoError(t, chromedp.Do(tab, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach((d) => d.open = true)`)))
						got, err := chromedp.Run(tab, chromedp.Evaluate[string](measure))
						require.NoError(t, err)
						require.NoError(t, chromedp.Do(tab, chromedp.Evaluate[chromedp.Void](axe)))
						found, err := chromedp.Run(tab, chromedp.Evaluate[string](runAxe, chromedp.EvalAwaitPromise))
						require.NoError(t, err)
						var m pageFacts
						require.NoError(t, json.Unmarshal([]byte(got), &m))
						require.LessOrEqual(t, m.Scroll, 0.0, "sideways scroll")
						require.Equal(t, 1, m.H1)
						require.Empty(t, m.Small, "targets under 48 px")
						require.Empty(t, m.Close, "targets closer than 8 px")
						require.Equal(t, "[]", found, "axe-core")
						require.Empty(t, slices.DeleteFunc(console(), func(s string) bool { return state.name == "none" && strings.Contains(s, "404") }), "console")
						if shots != "" {
							require.NoError(t, chromedp.Do(tab, chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("details").forEach((d) => d.open = false)`)))
							picture, err := chromedp.Run(tab, chromedp.FullScreenshot(100))
							require.NoError(t, err)
							name := strings.NewReplacer("/", "_", "?", "_", "&", "_", "%20", "_", "=", "").Replace(page)
							require.NoError(t, os.WriteFile(filepath.Join(shots, fmt.Sprintf("%s%.30s-%d-%s.png", state.name, name, width, theme)), picture, 0o644))
						}
					})
				}
			}
		}
	}
}

// Quiet when normal: a steady plant has no pixel of an attention colour.
func TestSteadyPlantIsQuiet(t *testing.T) {
	ctx := startBrowser(t)
	srv := serve(t, newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml"))).handler)
	tab, cancel := chromedp.NewContext(ctx)
	defer cancel()
	attention := func(target string) int {
		open(t, tab, target, "/now", 1280, "light", nil)
		picture, err := chromedp.Run(tab, chromedp.FullScreenshot(100))
		require.NoError(t, err)
		im, err := png.Decode(bytes.NewReader(picture))
		require.NoError(t, err)
		return near(im, [3]float64{0x9A, 0x1F, 0x12}) + near(im, [3]float64{0x8A, 0x4B, 0x00}) + near(im, [3]float64{0x1F, 0x4E, 0x8C})
	}
	require.Zero(t, attention(srv.URL))
	// The same count must see colour where there is some.
	loud := serve(t, newScene(t, troubled(readPlant(t, "larkspur-plant.toml"))).handler)
	require.Positive(t, attention(loud.URL))
}

// near counts pixels within a hair of a colour.
func near(im image.Image, c [3]float64) int {
	const hair = 24 // of 255: antialiasing against the ground shifts a colour this much
	n := 0
	b := im.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			r, g, bl, _ := im.At(x, y).RGBA()
			if math.Hypot(math.Hypot(float64(r>>8)-c[0], float64(g>>8)-c[1]), float64(bl>>8)-c[2]) < hair {
				n++
			}
		}
	}
	return n
}

// A page says within 5 s that it is no longer live, and recovers by itself.
func TestLostAndFound(t *testing.T) {
	ctx := startBrowser(t)
	sc := newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml")))
	var down atomic.Bool
	cut := make(chan struct{})
	srv := serve(t, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if down.Load() {
			http.Error(w, "down", http.StatusBadGateway)
			return
		}
		c, stop := context.WithCancel(r.Context())
		defer stop()
		if r.URL.Path == "/events" {
			go func() {
				select {
				case <-cut:
					stop()
				case <-c.Done():
				}
			}()
		}
		sc.handler.ServeHTTP(w, r.WithContext(c))
	}))
	tab, cancel := chromedp.NewContext(ctx)
	defer cancel()
	require.NoError(t, chromedp.Do(tab))
	tab, stop := context.WithTimeout(tab, 60*time.Second)
	defer stop()
	word := func() string {
		s, err := chromedp.Run(tab, chromedp.Evaluate[string](`document.getElementById("status").innerText + "|" + document.querySelector("h1").innerText`))
		require.NoError(t, err)
		return s
	}
	until := func(limit time.Duration, want string) time.Duration {
		t.Helper()
		began := time.Now()
		for time.Since(began) < limit {
			if strings.Contains(word(), want) {
				return time.Since(began)
			}
			time.Sleep(100 * time.Millisecond)
		}
		require.Fail(t, "not in time", "%q lacks %q after %v", word(), want, limit)
		return 0
	}
	open(t, tab, srv.URL, "/now", 390, "light", nil)
	until(5*time.Second, "Live")
	down.Store(true)
	close(cut)
	lost := until(5*time.Second, "Not in touch")
	require.Contains(t, word(), "Last known at 14:02")
	cut = make(chan struct{})
	down.Store(false)
	found := until(3*time.Second, "Live")
	require.NotContains(t, word(), "Last known")
	t.Logf("lost after %v, found after %v", lost, found)
}

// Earlier and its kin fetch a new drawing without leaving the page, and a pointer
// reads a value.
func TestMovesAndPointer(t *testing.T) {
	ctx := startBrowser(t)
	srv := serve(t, newScene(t, steadyNow(readPlant(t, "larkspur-plant.toml"))).handler)
	tab, cancel := chromedp.NewContext(ctx)
	defer cancel()
	require.NoError(t, chromedp.Do(tab))
	tab, stop := context.WithTimeout(tab, 30*time.Second)
	defer stop()
	eval := func(script string) string {
		t.Helper()
		s, err := chromedp.Run(tab, chromedp.Evaluate[string](script))
		require.NoError(t, err)
		return s
	}
	headline := `document.querySelector("h1").textContent`
	open(t, tab, srv.URL, "/past?span=1h&c=feed_rate", 1280, "light", nil)
	before := eval(`window.kept = "yes"; ` + headline)
	require.NoError(t, chromedp.Do(tab, chromedp.Click(chromedp.CSS("#move-earlier")), chromedp.Sleep(time.Second)))
	require.NotEqual(t, before, eval(headline))
	require.Equal(t, "yes", eval(`window.kept`), "the page was not left")
	var spot [2]float64
	require.NoError(t, json.Unmarshal([]byte(eval(`(() => { const b = document.querySelector("svg.time").getBoundingClientRect(); return JSON.stringify([b.left + b.width / 4, b.top + 60]) })()`)), &spot))
	require.NoError(t, chromedp.Do(tab, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, spot[0], spot[1])))
	require.Regexp(t, `\d\d:\d\d:\d\d.*\d\.\d`, eval(`document.querySelector(".reader").textContent`))
}
