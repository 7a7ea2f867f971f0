package edge

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"

	"decktrim/edge/clock"
	"decktrim/edge/frames"
	"decktrim/edge/spool"
	"decktrim/edge/spool/disk"
	"decktrim/internal/plant"
	"decktrim/internal/watch"
	"decktrim/internal/wire"
)

const patient = 20 * time.Second

// server is a small one on a real broker: it keeps what comes and confirms it.
type server struct {
	url    string
	broker *mochi.Server

	mu     sync.Mutex
	host   *wire.Host
	stored map[uint64]*wire.Data
	stream string
	acked  uint64
}

// allowAll lets everybody in.
type allowAll struct{ mochi.HookBase }

func (allowAll) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (allowAll) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (allowAll) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

func startServer(t *testing.T) *server {
	t.Helper()
	s := &server{host: wire.NewHost(wire.HostConfig{}), stored: map[uint64]*wire.Data{},
		broker: mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})}
	require.NoError(t, s.broker.AddHook(new(allowAll), nil))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, s.broker.AddListener(listeners.NewNet("test", l)))
	require.NoError(t, s.broker.Serve())
	t.Cleanup(func() { s.broker.Close() })
	s.url = "tcp://" + l.Addr().String()
	require.NoError(t, s.broker.Subscribe("spBv1.0/#", 1, s.receive))
	return s
}

func (s *server) receive(_ *mochi.Client, _ packets.Subscription, p packets.Packet) {
	topic, err := wire.ParseTopic(p.TopicName)
	if err != nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range s.host.Receive(topic, p.Payload, time.Now()) {
		switch e := e.(type) {
		case *wire.Birth:
			s.stream = e.Spool.Stream
		case *wire.Data:
			s.stored[e.Record.Seq] = e
			for s.stored[s.acked+1] != nil {
				s.acked++
			}
			up, stream := s.acked, s.stream
			go s.broker.Publish("spBv1.0/larkspur/NCMD/mill", wire.Confirmation(stream, up, time.Now()).Append(nil), false, 0)
		}
	}
}

func (s *server) has() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.acked
}

// TestRunWholeLine: simulated chips to a real broker and back. What the server has
// is what the spool has; the confirmation arrives; the stop is clean and bounded.
func TestRunWholeLine(t *testing.T) {
	srv := startServer(t)
	path := files(t, strings.Replace(edgeText, "[[bus]]", "[sample]\nperiod = \"100ms\"\n[[bus]]", 1))
	cfg, err := LoadConfig(path)
	require.NoError(t, err)
	dir := filepath.Join(t.TempDir(), "other")
	run := func(least uint64) {
		e, err := New(cfg, Options{Broker: srv.url, SpoolDir: dir, Version: "test"})
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		done := make(chan error, 1)
		go func() { done <- e.Run(ctx) }()
		require.Eventually(t, func() bool { return srv.has() >= least && e.Status().Spool.Acked >= least }, patient, 10*time.Millisecond)
		st := e.Status()
		require.True(t, st.Link.Connected)
		require.True(t, st.ClockSet)
		require.GreaterOrEqual(t, st.Kept, uint64(5))
		cancel()
		select {
		case err := <-done:
			require.NoError(t, err)
		case <-time.After(patient):
			t.Fatal("it does not stop")
		}
	}
	run(10)
	run(20) // and a second program goes on in the same spool

	s, err := spool.Open(spool.Options{Dir: dir, Boot: clock.BootID()})
	require.NoError(t, err)
	defer s.Close()
	require.Equal(t, "clean", s.Recovery().How)
	rs, err := s.Read(1, 1000)
	require.NoError(t, err)
	require.EqualValues(t, s.Last(), len(rs))
	require.Equal(t, s.Last(), srv.has(), "the last frames were sent before it ended")
	var prev time.Time
	for _, r := range rs {
		f, err := frames.Decode(r.Payload)
		require.NoError(t, err)
		require.Len(t, f.Readings, 2)
		require.True(t, f.Time.After(prev))
		prev = f.Time
		got := srv.stored[r.Seq]
		require.NotNil(t, got)
		require.Zero(t, got.Record.GapFrom)
	}
}

// TestRunWithoutAnyNetwork: measuring and keeping need no broker.
func TestRunWithoutAnyNetwork(t *testing.T) {
	path := files(t, strings.NewReplacer("1883", "1", "[[bus]]", "[sample]\nperiod = \"100ms\"\n[[bus]]").Replace(edgeText))
	cfg, err := LoadConfig(path)
	require.NoError(t, err)
	var log bytes.Buffer
	e, err := New(cfg, Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- e.Run(ctx) }()
	require.Eventually(t, func() bool { return e.Status().Spool.Synced >= 5 }, patient, 10*time.Millisecond)
	require.False(t, e.Status().Link.Connected)
	_, err = New(cfg, Options{})
	require.ErrorContains(t, err, "in use by another program")
	cancel()
	require.NoError(t, <-done)
	require.Contains(t, log.String(), "cannot be reached")
}

func TestNewLeavesNothingOpen(t *testing.T) {
	path := files(t, edgeText)
	cfg, err := LoadConfig(path)
	require.NoError(t, err)
	broken := *cfg
	broken.MQTT.URL = "ssl://127.0.0.1:8883"
	broken.MQTT.CA, broken.MQTT.Cert, broken.MQTT.Key = "no.pem", "no.pem", "no.pem"
	_, err = New(&broken, Options{})
	require.ErrorContains(t, err, "edge.toml")
	e, err := New(cfg, Options{})
	require.NoError(t, err, "the spool is free again")
	require.NoError(t, e.close())
}

// bare is an Edge without instruments and link, for the parts that need neither.
func bare(t *testing.T, m *disk.Model, log io.Writer) *Edge {
	t.Helper()
	s, err := spool.Open(spool.Options{FS: m, Boot: "a"})
	require.NoError(t, err)
	c, err := clock.New(clock.Options{Boot: "a", Wall: time.Now, Mono: func() time.Duration { return time.Hour }, Built: time.Unix(0, 0)})
	require.NoError(t, err)
	p, err := plant.Parse("plant.toml", []byte(plantText))
	require.NoError(t, err)
	cfg := &Config{Plant: p}
	cfg.Spool.SyncEvery = Duration(2 * time.Second)
	return &Edge{cfg: cfg, log: slog.New(slog.NewTextHandler(log, nil)), spool: s, clock: c, watch: watch.New(p), standing: map[alarmKey]string{}, appended: make(chan struct{}, 1)}
}

// TestCommitLoop: no record stays unsynced and unconfirmed for more than 2 s; while
// the server confirms, the card is left alone but for once a minute.
func TestCommitLoop(t *testing.T) {
	for _, confirmed := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			e := bare(t, disk.NewModel(), io.Discard)
			ctx, cancel := context.WithCancel(context.Background())
			var wg sync.WaitGroup
			wg.Go(func() { e.commit(ctx) })
			taken := map[uint64]time.Time{}
			time.Sleep(300 * time.Millisecond) // frames fall between the loop's ticks
			for range 600 {
				n, err := e.spool.Append([]byte("frame"))
				require.NoError(t, err)
				e.poke()
				taken[n] = time.Now()
				if confirmed {
					require.NoError(t, e.spool.Ack(n-min(n, 1)))
				}
				time.Sleep(time.Second)
				st := e.spool.Stats()
				safe := max(st.Synced, st.Acked)
				for n := safe + 1; n <= st.Last; n++ {
					require.LessOrEqual(t, time.Since(taken[n]), 2*time.Second, "record %d", n)
				}
			}
			st := e.spool.Stats()
			if confirmed {
				require.LessOrEqual(t, st.Syncs, uint64(12), "600 s")
			} else {
				require.LessOrEqual(t, st.Syncs, uint64(202), "three records at a time")
			}
			cancel()
			wg.Wait()
		})
	}
}

// TestCommitLoopOnAFailingDisk: told once, tried again with growing distance, and
// saving within 30 s once the disk is well.
func TestCommitLoopOnAFailingDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := disk.NewModel()
		var log bytes.Buffer
		e := bare(t, m, &log)
		attempts := 0
		var readOnly atomic.Bool
		readOnly.Store(true)
		m.Fault = func(op disk.Op) error {
			if op.Kind == "create" && strings.HasSuffix(op.Name, ".seg") {
				attempts++
			}
			if readOnly.Load() && (op.Kind == "write" || op.Kind == "create") {
				return syscall.EROFS
			}
			return nil
		}
		ctx, cancel := context.WithCancel(context.Background())
		var wg sync.WaitGroup
		wg.Go(func() { e.commit(ctx) })
		for range 600 {
			_, err := e.spool.Append([]byte("frame"))
			require.NoError(t, err)
			time.Sleep(time.Second)
		}
		require.LessOrEqual(t, attempts, 60)
		require.Equal(t, 600, e.spool.Stats().Unsaved)
		readOnly.Store(false)
		time.Sleep(30 * time.Second)
		require.Zero(t, e.spool.Stats().Unsaved)
		cancel()
		wg.Wait()
		require.Equal(t, 1, strings.Count(log.String(), "not saving"), log.String())
		require.Equal(t, 1, strings.Count(log.String(), "saving again"))
		s, err := spool.Open(spool.Options{FS: m.Crash(rand.New(rand.NewPCG(1, 1)), 0), Boot: "b"})
		require.NoError(t, err)
		rs, err := s.Read(1, 1000)
		require.NoError(t, err)
		require.Len(t, rs, 600)
	})
}

// TestKeepAlive: it is sent while both loops move and not when one hangs.
func TestKeepAlive(t *testing.T) {
	for _, tc := range []struct {
		name            string
		reading, spools bool
		sent            int
	}{{"both move", true, true, 9}, {"reading hangs", false, true, 0}, {"spool hangs", true, false, 0}, {"both hang", false, false, 0}} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				e := &Edge{}
				ctx, cancel := context.WithCancel(context.Background())
				sent := 0
				var wg sync.WaitGroup
				wg.Go(func() { keepAlive(ctx, 10*time.Second, e.moved(), func() { sent++ }) })
				for range 95 {
					if tc.reading {
						e.taken.Add(1)
					}
					if tc.spools {
						e.commits.Add(1)
					}
					time.Sleep(time.Second)
				}
				cancel()
				wg.Wait()
				require.Equal(t, tc.sent, sent)
			})
		})
	}
}

// TestServiceManager: the states go to the socket of the environment, as lines.
func TestServiceManager(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	defer l.Close()
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "30000000")
	t.Setenv("WATCHDOG_PID", "1")
	require.Zero(t, newSupervisor().watchdog, "meant for another process")
	t.Setenv("WATCHDOG_PID", "")
	s := newSupervisor()
	require.Equal(t, 30*time.Second, s.watchdog)
	require.NoError(t, s.tell("READY=1"))
	b := make([]byte, 100)
	n, err := l.Read(b)
	require.NoError(t, err)
	require.Equal(t, "READY=1", string(b[:n]))
	os.Remove(path)
	require.Error(t, s.tell("WATCHDOG=1"))
	t.Setenv("NOTIFY_SOCKET", "")
	require.NoError(t, newSupervisor().tell("READY=1"), "no manager, nothing to do")
}

// ear notes what the horn was told.
type ear struct{ told [][2]int }

func (h *ear) Alarms(_ time.Time, act, look int) error {
	h.told = append(h.told, [2]int{act, look})
	return nil
}

// TestHornFollowsTheWatch: a broken loop is raised and cleared, the horn hears of
// both, and a step of the clock in between is no silence to the watch.
func TestHornFollowsTheWatch(t *testing.T) {
	e := bare(t, disk.NewModel(), io.Discard)
	h := &ear{}
	var events []watch.Event
	e.horn = h
	e.opt = Options{OnEvent: func(ev watch.Event) { events = append(events, ev) }}
	wall := time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)
	mono := time.Duration(0)
	feed := func(n int, r plant.Reading) {
		for range n {
			mono += time.Second
			e.look(plant.Frame{Time: wall.Add(mono), ClockSet: true, Boot: "a", Mono: mono, Readings: []plant.Reading{
				r, {Value: 45 + float64(mono/time.Second%7), Has: true, Quality: plant.Good}, {Value: 1, Has: true, Quality: plant.Good}}})
		}
	}
	good := plant.Reading{Value: 1.9, Has: true, Quality: plant.Good}
	feed(60, good)
	wall = wall.Add(100 * 24 * time.Hour)
	feed(600, good)
	feed(60, plant.Reading{Quality: plant.Bad, Reason: plant.LoopFault})
	wall = wall.Add(-time.Hour)
	feed(120, good)
	var faults []watch.Event
	for _, ev := range events {
		require.NotEqual(t, watch.ClockFault, ev.Kind)
		require.NotEqual(t, watch.NodeSilent, ev.Kind)
		if ev.Kind == watch.SensorFault && ev.Channel == "feed_rate" {
			faults = append(faults, ev)
		}
	}
	require.Len(t, faults, 2)
	require.Equal(t, "raised", faults[0].State)
	require.Equal(t, "cleared", faults[1].State)
	require.WithinDuration(t, wall.Add(time.Hour+660*time.Second), faults[0].Time, time.Minute, "in the board's time")
	require.NotEmpty(t, h.told)
	require.Equal(t, [2]int{0, 0}, h.told[len(h.told)-1])
}
