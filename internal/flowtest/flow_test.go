// Package flowtest is the one place that sees the whole line: the board's program, a
// broker and the server are the real programs, started, killed and started again.
package flowtest

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// programs are built once for all tests here.
var programs = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "decktrim-flowtest-")
	if err != nil {
		return "", err
	}
	build := exec.Command("go", "build", "-o", dir, "decktrim/cmd/decktrim", "decktrim/cmd/decktrim-edge")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return dir, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if dir, err := programs(); err == nil {
		if err := os.RemoveAll(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// process is a program under test with what it printed.
type process struct {
	*exec.Cmd
	mu  sync.Mutex
	out bytes.Buffer
}

func (p *process) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.out.Write(b)
}

func (p *process) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.out.String()
}

func start(t testing.TB, name string, args ...string) *process {
	t.Helper()
	if !filepath.IsAbs(name) {
		dir, err := programs()
		require.NoError(t, err)
		name = filepath.Join(dir, name)
	}
	p := &process{Cmd: exec.Command(name, args...)}
	p.Stdout, p.Stderr = p, p
	require.NoError(t, p.Start())
	t.Cleanup(func() {
		if p.ProcessState == nil {
			_ = p.Process.Kill() // it may have ended by itself
			_ = p.Wait()
		}
		if t.Failed() {
			t.Logf("%s said:\n%s", filepath.Base(name), p.said())
		}
	})
	return p
}

// kill is the hardest end: SIGKILL.
func (p *process) kill(t testing.TB) {
	t.Helper()
	require.NoError(t, p.Process.Kill())
	_ = p.Wait() // reports the signal
}

// stop is the clean end; the program must leave with code 0.
func (p *process) stop(t testing.TB) {
	t.Helper()
	require.NoError(t, p.Process.Signal(syscall.SIGTERM))
	require.NoError(t, p.Wait(), p.said())
}

func freePort(t testing.TB) int {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

func eventually(t testing.TB, limit time.Duration, what string, check func() error) {
	t.Helper()
	var last error
	began := time.Now()
	defer func() { t.Logf("%s after %s", what, time.Since(began).Round(10*time.Millisecond)) }()
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if last = check(); last == nil {
			return
		}
	}
	require.NoError(t, last, "%s within %s", what, limit)
}

// line is one set-up: folder, ports, and the programs that run in it.
type line struct {
	t            testing.TB
	dir          string
	http, mqtt   int
	external     bool
	server, edge *process
}

func (l *line) file(name, format string, args ...any) string {
	path := filepath.Join(l.dir, name)
	require.NoError(l.t, os.WriteFile(path, fmt.Appendf(nil, format, args...), 0o600))
	return path
}

func newLine(t testing.TB, external bool) *line {
	l := &line{t: t, dir: t.TempDir(), http: freePort(t), mqtt: freePort(t), external: external}
	plant, err := os.ReadFile(filepath.Join("..", "..", "firmware-config", "plants", "larkspur-plant.toml"))
	require.NoError(t, err)
	l.file("plant.toml", "%s", plant)
	broker := fmt.Sprintf("mode = \"embedded\"\nlisten = \"127.0.0.1:%d\"", l.mqtt)
	if external {
		broker = fmt.Sprintf("mode = \"external\"\nurl = \"tcp://127.0.0.1:%d\"", l.mqtt)
		mosquitto := "/usr/sbin/mosquitto"
		_, err := os.Stat(mosquitto)
		require.NoError(t, err, "the broker mosquitto is missing: install Debian's package mosquitto (.ci/test does)")
		start(t, mosquitto, "-c", l.file("mosquitto.conf", "listener %d 127.0.0.1\nallow_anonymous true\n", l.mqtt))
	}
	l.file("server.toml", `[server]
listen = "127.0.0.1:%d"
data = "data"
plants = ["plant.toml"]
[mqtt]
%s
host_id = "decktrim"
groups = ["larkspur"]
nodes = ["larkspur/mill"]
`, l.http, broker)
	return l
}

func (l *line) startServer() {
	l.t.Helper()
	l.server = start(l.t, "decktrim", "serve", "--config", filepath.Join(l.dir, "server.toml"))
	eventually(l.t, 10*time.Second, "the server answers", func() error {
		r, err := http.Get(l.url("/readyz"))
		if err != nil {
			return err
		}
		defer r.Body.Close()
		if r.StatusCode != http.StatusOK {
			body, err := io.ReadAll(r.Body)
			return fmt.Errorf("readyz says %d: %s %w", r.StatusCode, body, err)
		}
		return nil
	})
	require.Contains(l.t, l.server.said(), "listening on http://127.0.0.1:")
}

// startEdge starts the board with the wash-water meter's pulses held at a flow.
func (l *line) startEdge(washWater float64) {
	l.t.Helper()
	conf := l.file("edge.toml", `[node]
id = "mill"
group = "larkspur"
plant = "plant.toml"
[mqtt]
url = "tcp://127.0.0.1:%d"
[spool]
dir = "spool"
[[bus]]
name = "main"
kind = "simulated"
seed = 5
hold = { wash_water = %g }
`, l.mqtt, washWater)
	l.edge = start(l.t, "decktrim-edge", "run", "--config", conf)
}

func (l *line) url(path string) string { return fmt.Sprintf("http://127.0.0.1:%d%s", l.http, path) }

type nowAnswer struct {
	Plants []struct {
		Name     string
		Channels []struct {
			Name    string
			Value   *float64
			Unit    string
			Quality string
			At      *time.Time
		}
	}
}

// washWater waits until the HTTP API gives the wash water as good and near a value.
func (l *line) washWater(want float64) {
	l.t.Helper()
	eventually(l.t, 20*time.Second, fmt.Sprintf("wash water reads %g", want), func() error {
		r, err := http.Get(l.url("/api/v1/now"))
		if err != nil {
			return err
		}
		defer r.Body.Close()
		var now nowAnswer
		if err := json.NewDecoder(r.Body).Decode(&now); err != nil {
			return err
		}
		for _, c := range now.Plants[0].Channels {
			if c.Name != "wash_water" {
				continue
			}
			if c.Value == nil || c.Quality != "good" {
				return fmt.Errorf("wash water is %v, %s", c.Value, c.Quality)
			}
			// A pulse meter counts whole pulses: one more or less a second.
			if d := *c.Value - want; d < -2 || d > 2 {
				return fmt.Errorf("wash water is %g", *c.Value)
			}
			return nil
		}
		return fmt.Errorf("no channel wash_water in %+v", now)
	})
}

// sequence is every number stored of the board's stream, in order, by the export
// command; each number once.
func (l *line) sequence() (stream string, seqs []int64) {
	l.t.Helper()
	dir, err := programs()
	require.NoError(l.t, err)
	out, err := exec.Command(filepath.Join(dir, "decktrim"), "export", "readings", "--config", filepath.Join(l.dir, "server.toml"), "--format", "jsonl").Output()
	require.NoError(l.t, err)
	scan := bufio.NewScanner(bytes.NewReader(out))
	for scan.Scan() {
		var row struct {
			Node, Metric, Stream string
			Seq                  int64
			Value                any
			Quality              int
		}
		require.NoError(l.t, json.Unmarshal(scan.Bytes(), &row))
		if row.Metric != "Table/wash_water" {
			continue
		}
		require.Equal(l.t, "larkspur/mill", row.Node)
		if stream == "" {
			stream = row.Stream
		}
		require.Equal(l.t, stream, row.Stream, "one spool, one stream")
		seqs = append(seqs, row.Seq)
	}
	require.NoError(l.t, scan.Err())
	slices.Sort(seqs)
	return stream, seqs
}

// requireNoHole: 1, 2, 3 ... without a hole or a double.
func (l *line) requireNoHole(atLeast int) {
	l.t.Helper()
	eventually(l.t, 45*time.Second, "everything taken is stored", func() error {
		_, seqs := l.sequence()
		if len(seqs) < atLeast {
			return fmt.Errorf("%d frames are stored, want %d", len(seqs), atLeast)
		}
		for i, s := range seqs {
			if s != int64(i+1) {
				return fmt.Errorf("number %d stands at place %d", s, i+1)
			}
		}
		return nil
	})
}

// A value set in a simulated chip is read back from the HTTP API; both programs are
// killed in the middle and started again; nothing is missing and nothing doubled.
func TestTheWholeLine(t *testing.T) {
	for _, broker := range []string{"embedded broker", "mosquitto"} {
		t.Run(broker, func(t *testing.T) {
			t.Parallel()
			l := newLine(t, broker == "mosquitto")
			l.startServer()
			l.startEdge(61)
			l.washWater(61)
			require.NoError(t, l.see("Wash water", "61"))

			// The server dies; the board goes on and keeps.
			l.server.kill(t)
			time.Sleep(3 * time.Second)
			l.startServer()
			l.washWater(61)

			// The board dies and comes back with another value at the chip.
			l.edge.kill(t)
			l.startEdge(38)
			l.washWater(38)
			require.NoError(t, l.see("Wash water", "38"))

			// Both die.
			l.edge.kill(t)
			l.server.kill(t)
			l.startEdge(52)
			time.Sleep(2 * time.Second)
			l.startServer()
			l.washWater(52)
			l.requireNoHole(12)

			// Both end cleanly. What the board could not send any more it sends next time.
			l.edge.stop(t)
			l.server.stop(t)
			before, seqs := l.sequence()
			require.NotEmpty(t, before)
			l.startServer()
			l.startEdge(52)
			l.requireNoHole(int(seqs[len(seqs)-1]) + 2)
			after, _ := l.sequence()
			require.Equal(t, before, after, "still the same spool")
		})
	}
}

// startDemo starts the demo and waits until it listens.
func startDemo(t testing.TB, args ...string) (p *process, base string) {
	_, err := programs() // built before the clock runs
	require.NoError(t, err)
	began := time.Now()
	p = start(t, "decktrim", append([]string{"demo", "--listen", "127.0.0.1:0"}, args...)...)
	eventually(t, 10*time.Second, "the demo listens", func() error {
		_, rest, found := strings.Cut(p.said(), "listening on ")
		if !found || !strings.Contains(rest, "\n") {
			return fmt.Errorf("it said %q", p.said())
		}
		base = strings.TrimSpace(strings.SplitN(rest, "\n", 2)[0])
		return nil
	})
	eventually(t, 10*time.Second, "live values", func() error {
		var now nowAnswer
		if err := getJSON(base+"/api/v1/now", &now); err != nil {
			return err
		}
		for _, c := range now.Plants[0].Channels {
			if c.Value == nil || c.Quality != "good" {
				return fmt.Errorf("%s is %v, %s", c.Name, c.Value, c.Quality)
			}
		}
		return nil
	})
	t.Logf("%v: live %s after the start", args, time.Since(began).Round(10*time.Millisecond))
	return p, base
}

// interrupt is Ctrl-C; the program must end by itself, soon and with code 0.
func (p *process) interrupt(t testing.TB) {
	t.Helper()
	require.NoError(t, p.Process.Signal(os.Interrupt))
	done := make(chan error, 1)
	go func() { done <- p.Wait() }()
	select {
	case err := <-done:
		require.NoError(t, err, p.said())
	case <-time.After(15 * time.Second):
		t.Fatal("it did not end on the interrupt")
	}
}

// The demo answers soon, shows live values, another seed gives another mill, and it
// ends cleanly on the interrupt.
func TestDemo(t *testing.T) {
	runsOf := func(seed string) string {
		p, base := startDemo(t, "--seed", seed)
		r, err := http.Get(base + "/api/v1/runs")
		require.NoError(t, err)
		defer r.Body.Close()
		require.Equal(t, http.StatusOK, r.StatusCode)
		runs, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		p.interrupt(t)
		return string(runs)
	}
	one, two := runsOf("1"), runsOf("2")
	require.NotEmpty(t, one)
	require.NotEqual(t, one, two)
}

// At twenty times the clock's speed there are twenty frames a second, each with its
// own plant time, and the line keeps up.
func TestDemoAtSpeed20KeepsUp(t *testing.T) {
	p, base := startDemo(t, "--speed", "20")
	newest := func() time.Time {
		var now nowAnswer
		require.NoError(t, getJSON(base+"/api/v1/now", &now))
		return *now.Plants[0].Channels[0].At
	}
	first, began := newest(), time.Now()
	time.Sleep(6 * time.Second)
	pace := newest().Sub(first).Seconds() / time.Since(began).Seconds()
	require.InDelta(t, 20, pace, 3, "plant seconds a second")
	p.interrupt(t)
}

func getJSON(url string, v any) error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return err
	}
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", url, r.Status)
	}
	return json.NewDecoder(r.Body).Decode(v)
}
