package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"decktrim/edge"
	"decktrim/internal/cli"
	"decktrim/internal/sim"
	"decktrim/server"
)

// runningDemo is a demo in this process.
type runningDemo struct {
	t      *testing.T
	server *server.Server
	board  *edge.Edge
	stop   func() error
}

func startDemo(t *testing.T, o demoOptions) *runningDemo {
	d := &runningDemo{t: t}
	ready := make(chan struct{})
	o.listen, o.log, o.out = "127.0.0.1:0", slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn})), io.Discard
	o.started = func(s *server.Server, b *edge.Edge) { d.server, d.board = s, b; close(ready) }
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- demo(ctx, o) }()
	d.stop = func() error { cancel(); return <-done }
	select {
	case <-ready:
	case err := <-done:
		t.Fatalf("the demo ended: %v", err)
	}
	return d
}

func (d *runningDemo) get(path string) string {
	d.t.Helper()
	r, err := http.Get(d.server.URL() + path)
	require.NoError(d.t, err)
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	require.NoError(d.t, err)
	require.Equal(d.t, http.StatusOK, r.StatusCode, path)
	return string(b)
}

type demoNow struct {
	Plants []struct {
		Headline, State string
		Channels        []struct {
			Name, Quality string
			Value         *float64
			At            *time.Time
		}
	}
}

func (d *runningDemo) now() (n demoNow) {
	d.t.Helper()
	require.NoError(d.t, json.Unmarshal([]byte(d.get("/api/v1/now")), &n))
	return n
}

func within(t *testing.T, limit time.Duration, check func() error) {
	t.Helper()
	var err error
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if err = check(); err == nil {
			return
		}
	}
	require.NoError(t, err)
}

func (d *runningDemo) live() error {
	for _, c := range d.now().Plants[0].Channels {
		if c.Value == nil || c.Quality != "good" {
			return fmt.Errorf("%s is %v, %s", c.Name, c.Value, c.Quality)
		}
	}
	return nil
}

// Stopping the broker freezes Now and Now says so; what a person writes down as set
// is what the simulated mill then does; and every page says that it is invented.
func TestDemoInside(t *testing.T) {
	d := startDemo(t, demoOptions{seed: 3, speed: 1})
	within(t, 15*time.Second, d.live)
	for _, page := range []string{"/now", "/past", "/try", "/ore", "/system"} {
		require.Contains(t, d.get(page), "Invented data", page)
	}

	form := url.Values{"id": {uuid.Must(uuid.NewV7()).String()}, "plant": {"Larkspur mill"}, "source": {sim.Sources()[0].Name}, "set-wash_water": {"57"}}
	r, err := http.PostForm(d.server.URL()+"/try/set", form)
	require.NoError(t, err)
	body, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	require.Less(t, r.StatusCode, 400, "%s", body)
	within(t, 10*time.Second, func() error {
		v := 0.0
		d.board.Mill(func(m *sim.Mill) { v, err = m.Setting("wash_water") })
		if err != nil || v != 57 {
			return fmt.Errorf("the mill stands at %g: %w", v, err)
		}
		return nil
	})

	d.server.StopBroker()
	within(t, 6*time.Second, func() error {
		n := d.now().Plants[0]
		for _, c := range n.Channels {
			if c.Quality == "good" {
				return fmt.Errorf("%s still counts as good", c.Name)
			}
		}
		if !strings.HasPrefix(n.Headline, "Last known at ") {
			return fmt.Errorf("the headline is %q", n.Headline)
		}
		return nil
	})
	require.Contains(t, d.get("/now"), "Last known at ")
	require.NoError(t, d.stop())
}

// A demo that keeps everything goes on where it was: the ledger is not invented
// twice, the board's spool is the same, and what was written down holds.
func TestDemoGoesOnInItsFolder(t *testing.T) {
	dir := t.TempDir()
	first := startDemo(t, demoOptions{seed: 5, speed: 1, data: dir})
	within(t, 15*time.Second, first.live)
	runs, stream := first.get("/api/v1/runs"), first.board.Status().Spool.Stream
	require.NoError(t, first.stop())

	second := startDemo(t, demoOptions{seed: 5, speed: 1, data: dir})
	within(t, 15*time.Second, second.live)
	require.Equal(t, runs, second.get("/api/v1/runs"))
	require.Equal(t, stream, second.board.Status().Spool.Stream)
	require.NoError(t, second.stop())
}

func TestDemoRefuses(t *testing.T) {
	busy := startDemo(t, demoOptions{seed: 1, speed: 1})
	for _, c := range []struct {
		args []string
		code int
		say  string
	}{
		{[]string{"demo", "--speed", "0"}, cli.BadInput, "--speed 0"},
		{[]string{"demo", "--speed", "fast"}, cli.BadInput, "speed"},
		{[]string{"demo", "--seed", "-1"}, cli.BadInput, "seed"},
		{[]string{"demo", "--listen", strings.TrimPrefix(busy.server.URL(), "http://")}, cli.Failed, "in use"},
		{[]string{"demo", "--listen", "nowhere"}, cli.Failed, "nowhere"},
		{[]string{"demo", "--listen", "127.0.0.1:0", "--data", "/proc/none"}, cli.Failed, "--data"},
	} {
		code, _, errs := command(t, c.args...)
		require.Equal(t, c.code, code, "%v: %s", c.args, errs)
		require.Contains(t, errs, c.say)
		require.Equal(t, 1, strings.Count(errs, "\n"), errs)
	}
	require.NoError(t, busy.stop())
}
