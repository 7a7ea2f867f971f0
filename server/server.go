// Package server wires the server: broker, ingest, store, live values, watch, JSON
// API and screens. New opens everything or nothing; Run serves until it is told to
// stop.
package server

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/VictoriaMetrics/metrics"
	"golang.org/x/sync/errgroup"
	"golang.org/x/sys/unix"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/server/api"
	"decktrim/server/backup"
	"decktrim/server/broker"
	"decktrim/server/ingest"
	"decktrim/server/live"
	"decktrim/server/store"
	"decktrim/server/watcher"
	"decktrim/server/web"
)

type entry = ledger.Entry

// Options of New.
type Options struct {
	Config   Config           // from LoadConfig, or made by the demo
	Open     bool             // the demo on loopback: everybody may read without signing in
	Invented bool             // the data is invented: every screen says so
	Unkept   bool             // the data folder is thrown away: nothing need reach the disk
	Now      func() time.Time // plant clock, UTC; nil: time.Now. The demo's runs faster.
	Version  string
	Log      *slog.Logger // nil: discarded
}

// Server is one server.
type Server struct {
	o       Options
	log     *slog.Logger
	started time.Time

	lock   *os.File
	store  *store.Store
	hub    *live.Hub
	watch  *watcher.Watcher
	ingest *ingest.Ingest
	broker broker.Broker
	sign   *signIn

	stopBroker atomic.Pointer[func()]

	web  net.Listener
	mqtt net.Listener // nil with a broker outside
	http *http.Server

	probe struct {
		sync.Mutex
		at  time.Time
		err error
	}
}

const (
	shutdownWait = 5 * time.Second
	diskReserve  = 64 << 20 // bytes free below which the server says that it is not ready
	probeEvery   = 10 * time.Second
)

// New opens listeners, store and broker. If anything cannot be had it gives back
// what it has taken and returns one sentence; nothing is half done.
func New(o Options) (_ *Server, err error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	s := &Server{o: o, log: o.Log, started: time.Now()}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.release())
		}
	}()
	c := o.Config
	if s.web, err = listen(c.Server.Listen); err != nil {
		return nil, err
	}
	if o.Open && !loopback(s.web.Addr().String()) {
		return nil, fmt.Errorf("%s is not on loopback, where reading without sign-in is not allowed; listen on 127.0.0.1", c.Server.Listen)
	}
	var mqttTLS *tls.Config
	if c.MQTT.Mode == "embedded" {
		if c.MQTT.Cert != "" {
			if mqttTLS, err = serverTLS(c.MQTT.Cert, c.MQTT.Key, c.MQTT.CA); err != nil {
				return nil, err
			}
		}
		if s.mqtt, err = listen(c.MQTT.Listen); err != nil {
			return nil, err
		}
	}
	if err = s.openData(); err != nil {
		return nil, err
	}
	if s.sign, err = newSignIn(c.Server.Data, s.log); err != nil {
		return nil, err
	}
	s.sign.open, s.sign.secure = o.Open, c.Server.Cert != ""
	s.sign.auto = c.Server.SignIn == "auto" && loopback(s.web.Addr().String())

	s.hub = live.NewHub(live.Options{Plants: c.Plants, Now: o.Now})
	s.watch = watcher.New(s.hub, c.Plants, o.Now)
	s.ingest = ingest.New(ingest.Options{Store: s.store, Live: both{s.hub, s.watch}, Groups: c.MQTT.Groups, May: c.admitted(), Log: s.log})
	if err = s.remember(); err != nil {
		return nil, err
	}
	if err = s.makeBroker(mqttTLS); err != nil {
		return nil, err
	}
	s.ingest.SetCommands(s.broker)
	return s, s.makeHTTP()
}

// listen opens a port; the error is for people.
func listen(address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	if errors.Is(err, unix.EADDRINUSE) {
		return nil, fmt.Errorf("%s is in use by another program; stop it or choose another port", address)
	}
	if err != nil {
		return nil, fmt.Errorf("%s cannot be listened on: %w", address, err)
	}
	return l, nil
}

// openData takes the data folder for this server alone and opens the store in it.
func (s *Server) openData() error {
	c := s.o.Config
	if err := os.MkdirAll(c.Server.Data, 0o700); err != nil {
		return fmt.Errorf("the data folder cannot be made: %w; choose another under data", err)
	}
	lock, err := os.OpenFile(filepath.Join(c.Server.Data, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("the data folder cannot be written: %w", err)
	}
	s.lock = lock
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return fmt.Errorf("%s is in use by another decktrim; stop it or choose another data folder", c.Server.Data)
	}
	s.store, err = store.Open(store.Options{Dir: c.Server.Data, Plants: c.Plants, Now: s.o.Now, Log: s.log, NoSync: s.o.Unkept})
	return err
}

// remember tells hub, watches and host what the store knows from before.
func (s *Server) remember() error {
	ctx := context.Background()
	st, err := s.store.Stats(ctx)
	if err != nil {
		return err
	}
	var nodes []string
	for _, x := range st.Streams {
		if x.Current {
			s.hub.Known(x.Node, live.Spool{Stream: x.Stream, Acked: x.Acked, Last: x.Last, Oldest: x.Oldest, Lost: x.Lost})
			nodes = append(nodes, x.Node)
		}
	}
	s.ingest.Ask(nodes, time.Now())
	if err := s.watch.Learn(ctx, s.store); err != nil {
		return err
	}
	return s.noteOre(ctx)
}

// noteOre tells the hub what is on the belt: the ore of the run that began last.
func (s *Server) noteOre(ctx context.Context) error {
	for _, p := range s.o.Config.Plants {
		runs, err := s.store.Runs(ctx, p.Plant.Name)
		if err != nil {
			return err
		}
		var last ledger.Run
		for _, r := range runs {
			if !r.Start.Before(last.Start) {
				last = r
			}
		}
		s.hub.SetOre(p.Plant.Name, last.OreSource, last.Lot)
	}
	return nil
}

func (s *Server) makeBroker(mqttTLS *tls.Config) (err error) {
	m := s.o.Config.MQTT
	if s.mqtt != nil {
		s.broker, err = broker.NewEmbedded(broker.EmbeddedConfig{Listener: s.mqtt, TLS: mqttTLS, HostID: m.HostID,
			May: s.o.Config.admitted(), Log: s.log}, s.ingest)
		return err
	}
	var t *tls.Config
	if m.CA != "" {
		if t, err = clientTLS(m.Cert, m.Key, m.CA); err != nil {
			return err
		}
	}
	s.broker = broker.NewExternal(broker.ExternalConfig{URL: m.URL, TLS: t, HostID: m.HostID, Groups: m.Groups, Log: s.log}, s.ingest)
	return nil
}

func (s *Server) makeHTTP() error {
	advice := newAdviser(s.o.Config.Plants, s.store, s.hub, s.o.Now)
	pages, err := web.New(web.Deps{Live: webLive{s.hub}, History: webHistory{s.store}, Ledger: notingLedger{s.store, s},
		Adviser: advice, System: webSystem{s}, Now: s.o.Now, Who: s.sign.who, Invented: s.o.Invented, Version: s.o.Version, Log: s.log})
	if err != nil {
		return err
	}
	advise := func(ctx context.Context, plantName, source string) (any, error) {
		return advice.Advise(ctx, plantName, source)
	}
	inner := http.NewServeMux()
	inner.Handle("/api/", api.New(api.Options{Live: s.hub, Store: s.store, Advise: advise, Now: s.o.Now, Started: s.started, Version: s.o.Version, Log: s.log}))
	inner.HandleFunc("GET /metrics", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		s.metrics(r.Context(), w)
	})
	inner.Handle("/", pages)
	mux := http.NewServeMux()
	api.Health{Ready: s.notReady, Started: func() bool { return true }}.Handle(mux)
	s.sign.handle(mux)
	mux.Handle("/", s.sign.guard(inner))
	s.http = &http.Server{
		Handler:           secured(http.NewCrossOriginProtection().Handler(mux)),
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	return nil
}

// policy allows nothing inline and nothing from elsewhere.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// secured sets the headers of every answer, cuts answers that nobody reads, and
// refuses writes that carry a cookie but do not say where they come from.
func secured(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		if r.URL.Path != "/events" { // server-sent events set their own deadlines
			if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(time.Minute)); err != nil && !errors.Is(err, http.ErrNotSupported) {
				http.Error(w, "the connection is gone", http.StatusInternalServerError)
				return
			}
		}
		writing := r.Method != http.MethodGet && r.Method != http.MethodHead && r.Method != http.MethodOptions
		if writing && r.Header.Get("Cookie") != "" && r.Header.Get("Origin") == "" && r.Header.Get("Sec-Fetch-Site") == "" {
			api.WriteError(w, r, &api.Error{Status: http.StatusForbidden, What: "this form says not where it comes from", Where: r.URL.Path, Do: "use a browser of the last years"})
			return
		}
		next.ServeHTTP(w, r)
	})
}

// Run serves until ctx ends or a part fails. It stops in the direction of the flow:
// broker, ingest, watch, store.
func (s *Server) Run(ctx context.Context) (err error) {
	defer func() { err = errors.Join(err, s.release()) }()
	failed, fail := context.WithCancelCause(ctx)
	defer fail(nil)
	part := func(name string, run func(context.Context) error) (stop func()) {
		own, cancel := context.WithCancel(context.WithoutCancel(ctx))
		var g errgroup.Group
		g.Go(func() error {
			err := run(own)
			if err != nil {
				fail(fmt.Errorf("%s: %w", name, err))
			}
			return err
		})
		return func() {
			cancel()
			if err := g.Wait(); err != nil {
				s.log.Error("part ended with an error", "part", name, "error", err)
			}
		}
	}
	stopStore := part("store", s.store.Run)
	stopWatch := part("watch", s.watch.Run)
	stopIngest := part("ingest", s.ingest.Run)
	stopBroker := part("broker", s.broker.Run)
	s.stopBroker.Store(&stopBroker)
	stopHTTP := part("web", s.serveHTTP)
	<-failed.Done()
	for _, stop := range []func(){stopHTTP, stopBroker, stopIngest, stopWatch, stopStore} {
		stop()
	}
	if ctx.Err() == nil {
		return context.Cause(failed)
	}
	return nil
}

func (s *Server) serveHTTP(ctx context.Context) error {
	base, cancel := context.WithCancel(context.Background())
	defer cancel()
	s.http.BaseContext = func(net.Listener) context.Context { return base }
	done := make(chan error, 1)
	go func() {
		if c := s.o.Config.Server; c.Cert != "" {
			s.http.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12}
			done <- s.http.ServeTLS(s.web, c.Cert, c.Key)
			return
		}
		done <- s.http.Serve(s.web)
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	cancel() // ends the event streams, which would never end by themselves
	wait, stop := context.WithTimeout(context.Background(), shutdownWait)
	defer stop()
	if err := s.http.Shutdown(wait); err != nil {
		return errors.Join(err, s.http.Close())
	}
	if err := <-done; !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// release gives back what New took; each part at most once.
func (s *Server) release() error {
	var errs []error
	for _, l := range []net.Listener{s.web, s.mqtt} {
		if l != nil {
			if err := l.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
				errs = append(errs, err)
			}
		}
	}
	if s.store != nil {
		errs = append(errs, s.store.Close())
		s.store = nil
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
		s.lock = nil
	}
	return errors.Join(errs...)
}

// Close gives back what New took, for a server that is never run.
func (s *Server) Close() error { return s.release() }

// URL is where the server answers, for example http://127.0.0.1:8420.
func (s *Server) URL() string {
	if s.o.Config.Server.Cert != "" {
		return "https://" + s.web.Addr().String()
	}
	return "http://" + s.web.Addr().String()
}

// MQTTAddr is where nodes connect; empty with a broker outside.
func (s *Server) MQTTAddr() string {
	if s.mqtt == nil {
		return ""
	}
	return s.mqtt.Addr().String()
}

// StopBroker ends the broker while everything else goes on, for a drill: what a dead
// broker looks like from the screens. It does nothing before Run.
func (s *Server) StopBroker() {
	if stop := s.stopBroker.Load(); stop != nil {
		(*stop)()
	}
}

// Store is the server's store, for the demo's ledger.
func (s *Server) Store() *store.Store { return s.store }

// Hub is what is current.
func (s *Server) Hub() *live.Hub { return s.hub }

// AppendEntries commits ledger entries and notes what is on the belt.
func (s *Server) AppendEntries(ctx context.Context, entries ...ledger.Entry) error {
	return notingLedger{s.store, s}.AppendEntries(ctx, entries...)
}

// Plants are the plant files.
func (s *Server) Plants() []*plant.Plant { return s.o.Config.Plants }

// notReady says in a line each why the screens must not be trusted.
func (s *Server) notReady(r *http.Request) []string {
	var wrong []string
	s.probe.Lock()
	if time.Since(s.probe.at) > probeEvery {
		s.probe.err, s.probe.at = s.store.Probe(r.Context()), time.Now()
	}
	if s.probe.err != nil {
		wrong = append(wrong, "store: "+s.probe.err.Error())
	}
	s.probe.Unlock()
	if s.ingest.Failing() {
		wrong = append(wrong, "ingest: readings cannot be stored; the nodes keep them")
	}
	if !s.broker.Connected() {
		wrong = append(wrong, "broker: not connected")
	}
	if st, err := s.store.Stats(r.Context()); err != nil {
		wrong = append(wrong, "store: "+err.Error())
	} else if st.FreeBytes < diskReserve {
		wrong = append(wrong, fmt.Sprintf("disk: %d MiB free, below the reserve of %d", st.FreeBytes>>20, diskReserve>>20))
	}
	return wrong
}

// metrics writes the figures of the server in Prometheus text. Each answer has a set
// of its own: several servers may live in one process.
func (s *Server) metrics(ctx context.Context, w io.Writer) {
	set := metrics.NewSet()
	count := func(name string, v int64) { set.GetOrCreateCounter("decktrim_" + name).Set(uint64(max(v, 0))) }
	gauge := func(name string, v float64) { set.GetOrCreateGauge("decktrim_"+name, nil).Set(v) }
	c := &s.ingest.Counters
	count("messages_total", c.Messages.Load())
	count("frames_committed_total", c.Frames.Load())
	count("readings_committed_total", c.Readings.Load())
	count("duplicates_total", c.Duplicates.Load())
	count("messages_refused_total", c.Refused.Load())
	count("node_problems_total", c.Problems.Load())
	count("rebirth_orders_total", c.Rebirths.Load())
	count("confirmations_total", c.Confirmations.Load())
	count("commits_total", c.Commits.Load())
	count("commits_failed_total", c.FailedCommits.Load())
	s.ingest.ProblemCount(func(kind ingest.ProblemKind, n int64) {
		count(fmt.Sprintf("node_problems_by_kind_total{kind=%q}", string(kind)), n)
	})
	gauge("ingest_queue", float64(s.ingest.Waiting()))
	gauge("broker_connected", boolean(s.broker.Connected()))
	gauge("uptime_seconds", time.Since(s.started).Seconds())
	for _, n := range s.hub.Nodes() {
		label := fmt.Sprintf("{node=%q}", n.ID)
		gauge("node_online"+label, boolean(n.Online))
		gauge("node_acked_seq"+label, float64(n.Acked))
		gauge("node_backlog_frames"+label, float64(n.Backlog()))
		gauge("node_lost_frames"+label, float64(n.Lost))
		gauge("node_second_board"+label, boolean(!n.Twin.IsZero()))
	}
	for _, p := range s.hub.Snapshot() {
		stale := 0
		for _, ch := range p.Channels {
			if ch.Reading.Quality != plant.Good {
				stale++
			}
		}
		label := fmt.Sprintf("{plant=%q}", p.Name)
		gauge("plant_steady"+label, boolean(p.Steady))
		gauge("plant_alarms"+label, float64(len(p.Alarms)))
		gauge("plant_channels_not_good"+label, float64(stale))
	}
	if st, err := s.store.Stats(ctx); err == nil {
		gauge("store_readings_bytes", float64(st.ReadingsBytes))
		gauge("store_ledger_bytes", float64(st.LedgerBytes))
		gauge("disk_free_bytes", float64(st.FreeBytes))
		gauge("rollups_waiting", float64(st.DirtyBuckets))
		for _, x := range st.Streams {
			if x.Current {
				gauge(fmt.Sprintf("node_lost_by_restore_frames{node=%q}", x.Node), float64(x.LostByRestore))
			}
		}
	}
	if r, err := backup.ReadRecord(s.o.Config.Server.Data); err == nil {
		if !r.Verified.IsZero() { // else there is none, and its age is no number
			gauge("backup_verified_age_seconds", time.Since(r.Verified).Seconds())
			gauge("backup_bytes", float64(r.Bytes))
		}
		gauge("backup_last_failed", boolean(!r.Failed.IsZero()))
	}
	set.WritePrometheus(w)
	var process processMetrics
	metrics.WriteProcessMetrics(&process)
	process.writeTo(w)
}

func boolean(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
