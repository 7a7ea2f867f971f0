// Package edge wires the board's program: instruments measure, the watch looks at
// each frame at once and sounds the horn, the spool keeps the frame, the uplink
// sends it. Advice only: nothing here moves a machine.
//
// The order of things is the promise. A frame is in the spool, with its number,
// before it is sent; the spool forgets nothing that the server has not confirmed;
// measuring, alarm and keeping need no network; and the program stops in the order
// in which a reading flows.
package edge

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"

	"decktrim/edge/clock"
	"decktrim/edge/frames"
	"decktrim/edge/horn"
	"decktrim/edge/instruments"
	"decktrim/edge/spool"
	"decktrim/edge/spool/disk"
	"decktrim/edge/uplink"
	"decktrim/internal/plant"
	"decktrim/internal/sim"
	"decktrim/internal/watch"
)

// Options are what a program, a demo or a test gives beside the file.
type Options struct {
	Log     *slog.Logger // nil: nowhere
	Version string

	// For a demo: a virtual clock that runs Speed times as fast as the wall, the
	// simulated mill shared with others, and where the broker and the spool are.
	Now      func() time.Time // nil: the board's own clock
	Speed    float64          // 0: 1
	Mill     *sim.Mill        // nil: the simulated bus makes its own
	Broker   string           // URL in place of the file's
	SpoolDir string           // in place of the file's

	// Horn sounds and lights; nil: the one of the file, or none.
	Horn Horn
	// OnFrame is told of each frame as it leaves the instruments, in order, from one
	// goroutine; it must not keep the frame's readings.
	OnFrame func(plant.Frame)
	// OnEvent is told of each event of the watch, in order, from one goroutine.
	OnEvent func(watch.Event)
}

// Horn is what makes the watch heard and seen at the plant. Alarms gives it, after
// each change, how many alarms of each priority stand.
type Horn interface {
	Alarms(now time.Time, act, look int) error
}

// Edge is the board's program. New, then Run once.
type Edge struct {
	cfg   *Config
	opt   Options
	log   *slog.Logger
	clock *clock.Clock
	spool *spool.Spool
	set   *instruments.Set
	link  *uplink.Uplink
	horn  Horn
	own   *horn.Horn // of the file; nil: none

	layout frames.Layout
	watch  *watch.Watch
	// The watch lives on the time since boot, so that a step of the clock is no gap
	// to it: its time is origin + Mono.
	origin   time.Time
	standing map[alarmKey]string // alarm to priority
	buf      []byte

	appended chan struct{} // length 1
	taken    atomic.Uint64 // frames
	kept     atomic.Uint64 // of these in the spool
	commits  atomic.Uint64 // rounds of the committing loop
	told     losses        // of the committing loop: what has been logged
}

type alarmKey struct {
	kind    watch.Kind
	channel string
}

// Status is the board's state for a screen.
type Status struct {
	Frames   uint64 // taken since the start
	Kept     uint64 // of these in the spool
	ClockSet bool
	Steps    int // of a clock that was set
	Spool    spool.Stats
	Link     uplink.Status
}

// New opens the spool, the instruments and what else is needed. Nothing is left
// open if it fails. Nothing runs before Run.
func New(cfg *Config, opt Options) (*Edge, error) {
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	e := &Edge{cfg: cfg, opt: opt, log: opt.Log, watch: watch.New(cfg.Plant), standing: map[alarmKey]string{}, appended: make(chan struct{}, 1)}
	if err := e.open(); err != nil {
		return nil, errors.Join(err, e.close())
	}
	return e, nil
}

func (e *Edge) open() error {
	dir := e.cfg.Spool.Dir
	if e.opt.SpoolDir != "" {
		dir = e.opt.SpoolDir
	}
	boot := clock.BootID()
	if boot == "" {
		boot = uuid.NewString() // each start of the program counts as a boot
	}
	var err error
	e.spool, err = spool.Open(spool.Options{Dir: dir, MaxBytes: e.cfg.Spool.MaxBytes, Boot: boot, SyncEvery: time.Duration(e.cfg.Spool.SyncEvery)})
	if err != nil {
		return err
	}
	e.tellRecovery()
	st := e.spool.Stats()
	e.told = losses{st.Dropped, st.Refused, st.Damaged}
	if err := e.openClock(dir, boot); err != nil {
		return err
	}
	var names []string
	for _, c := range e.cfg.Plant.Channels {
		names = append(names, c.Name)
	}
	e.layout = frames.LayoutOf(names)
	e.horn = e.opt.Horn
	if e.horn == nil && e.cfg.Horn.Given() {
		if e.own, err = horn.Open(e.cfg.Horn, e.log); err != nil {
			return fmt.Errorf("%s: %w", e.cfg.File, err)
		}
		e.horn = e.own
	}
	e.set, err = instruments.Open(instruments.Options{
		Plant: e.cfg.Plant, Buses: e.cfg.Buses, Sensors: e.cfg.Sensors, Dir: e.cfg.Dir, Period: time.Duration(e.cfg.Sample.Period),
		Now: e.clock.Time, Boot: boot, Mono: e.clock.Mono, ClockSet: e.clock.Set,
		Log: e.log, Mill: e.opt.Mill, Speed: e.opt.Speed,
	})
	if err != nil {
		return fmt.Errorf("%s: %w", e.cfg.File, err)
	}
	url := e.cfg.MQTT.URL
	if e.opt.Broker != "" {
		url = e.opt.Broker
	}
	e.link, err = uplink.New(uplink.Config{
		Group: e.cfg.Node.Group, Node: e.cfg.Node.ID, URL: url, CA: e.cfg.MQTT.CA, Cert: e.cfg.MQTT.Cert, Key: e.cfg.MQTT.Key,
		Aliases: e.cfg.MQTT.Aliases, OmitTypes: e.cfg.MQTT.OmitTypes, PrimaryHost: e.cfg.MQTT.PrimaryHost, BacklogRate: e.cfg.MQTT.BacklogRate,
		Channels: e.cfg.Plant.Channels, Version: e.opt.Version, Boot: boot, StateDir: filepath.Join(dir, "link"),
		TLSTime: e.clock.TLSTime, Now: e.clock.Time, Redate: e.clock.Redate,
	}, e.spool, e.log)
	if err != nil {
		return fmt.Errorf("%s: [mqtt]: %w", e.cfg.File, err)
	}
	return nil
}

func (e *Edge) openClock(dir, boot string) error {
	o := clock.Options{Boot: boot, FS: disk.Dir(dir), NotBefore: e.newestTime()}
	if e.opt.Now != nil { // a demo's clock: it is right, and it began with this program
		begin := e.opt.Now()
		o.Wall, o.Mono, o.FS = e.opt.Now, func() time.Duration { return e.opt.Now().Sub(begin) }, nil
	} else if e.cfg.Clock.Trust == "synchronised" {
		o.Synchronised = clock.Synchronised
	}
	var err error
	if e.clock, err = clock.New(o); err != nil {
		e.log.Warn("the clock starts without what earlier boots knew", "why", err)
	}
	if !e.clock.Set() {
		e.log.Warn("the clock is not set yet: readings get their time when it is")
	}
	return nil
}

// newestTime is the time of the last frame in the spool that had one.
func (e *Edge) newestTime() time.Time {
	last := e.spool.Last()
	rs, err := e.spool.Read(last-min(last, 100), 200)
	if err != nil {
		return time.Time{} // a guess of the time is then a poorer one; the spool says what is wrong
	}
	var newest time.Time
	for _, r := range rs {
		if f, err := frames.Decode(r.Payload); err == nil && f.Time.After(newest) {
			newest = f.Time
		}
	}
	return newest
}

func (e *Edge) tellRecovery() {
	r := e.spool.Recovery()
	attrs := []any{"how", r.How, "last", r.Last, "took", r.Took}
	if r.GapFrom > 0 {
		attrs = append(attrs, "gap_from", r.GapFrom, "gap_to", r.GapTo)
	}
	if r.TornBytes > 0 || r.Damaged > 0 || len(r.SetAside) > 0 {
		e.log.Warn("the spool was damaged; what could be read is kept", append(attrs, "torn_bytes", r.TornBytes, "damaged", r.Damaged, "set_aside", r.SetAside)...)
		return
	}
	e.log.Info("spool open", attrs...)
}

// Status is the state now; safe to call from other goroutines while Run runs.
func (e *Edge) Status() Status {
	return Status{Frames: e.taken.Load(), Kept: e.kept.Load(), ClockSet: e.clock.Set(), Steps: e.clock.Steps(),
		Spool: e.spool.Stats(), Link: e.link.Status()}
}

// Run measures, keeps and sends until ctx ends. Then it stops in the order in which
// a reading flows: measuring ends, the spool syncs, the link sends what is new for
// a bounded time, the spool closes. It must not be called twice.
func (e *Edge) Run(ctx context.Context) error {
	manager := newSupervisor()
	// The parts outlive ctx each by its turn.
	measuring, stopMeasuring := context.WithCancel(context.Background())
	keeping, stopKeeping := context.WithCancel(context.Background())
	sending, stopSending := context.WithCancel(context.Background())
	defer stopMeasuring()
	defer stopKeeping()
	defer stopSending()

	var measured, others sync.WaitGroup
	failed := make(chan error, 3)
	measured.Go(func() {
		if err := e.set.Run(measuring, e.take); err != nil {
			failed <- fmt.Errorf("edge: measuring stopped: %w", err)
		}
	})
	var sent sync.WaitGroup
	sent.Go(func() {
		if err := e.link.Run(sending); err != nil {
			failed <- fmt.Errorf("edge: sending stopped: %w", err)
		}
	})
	others.Go(func() { e.commit(keeping) })
	if e.own != nil {
		others.Go(func() {
			if err := e.own.Run(keeping); err != nil {
				failed <- fmt.Errorf("edge: the horn stopped: %w", err)
			}
		})
	}
	others.Go(func() {
		manager.guard(keeping, e.moved(), func(err error) { e.log.Warn("no keep-alive sent", "why", err) })
	})
	if err := manager.tell("READY=1"); err != nil {
		e.log.Warn("the service manager was not told", "why", err)
	}
	e.log.Info("measuring", "node", e.cfg.Node.Group+"/"+e.cfg.Node.ID, "channels", len(e.cfg.Plant.Channels), "period", time.Duration(e.cfg.Sample.Period))

	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	if terr := manager.tell("STOPPING=1"); terr != nil {
		e.log.Warn("the service manager was not told", "why", terr)
	}
	stopMeasuring()
	measured.Wait()
	stopKeeping()
	others.Wait()
	if serr := e.spool.Sync(); serr != nil {
		err = errors.Join(err, serr)
	}
	stopSending() // drains what is new for a bounded time
	sent.Wait()
	err = errors.Join(err, e.close())
	st := e.spool.Stats()
	e.log.Info("stopped", "frames", e.taken.Load(), "last", st.Last, "unsent", st.Unsent)
	return err
}

// close closes what is open, the spool last.
func (e *Edge) close() error {
	var err error
	if e.set != nil {
		err = e.set.Close()
	}
	if e.own != nil {
		err = errors.Join(err, e.own.Close())
	}
	if e.clock != nil {
		err = errors.Join(err, e.clock.Save())
	}
	if e.spool != nil {
		err = errors.Join(err, e.spool.Close())
	}
	return err
}

// take is the way of one frame: watched, kept, sent. It runs in the sampler's one
// goroutine and waits for no network and no sync.
func (e *Edge) take(f plant.Frame) {
	e.taken.Add(1)
	if e.opt.OnFrame != nil {
		e.opt.OnFrame(f)
	}
	e.look(f)
	e.buf = frames.Append(e.buf[:0], e.layout, f)
	if _, err := e.spool.Append(e.buf); err != nil {
		return // counted by the spool as refused; the committing loop tells it once
	}
	e.kept.Add(1)
	e.link.Notify()
	e.poke()
}

// poke wakes the committing loop; it never waits.
func (e *Edge) poke() {
	select {
	case e.appended <- struct{}{}:
	default: // it is going to look anyway
	}
}

// look shows the frame to the watch and follows up what it says.
func (e *Edge) look(f plant.Frame) {
	if e.origin.IsZero() {
		e.origin = f.Time.Add(-f.Mono)
	}
	shift := f.Time.Sub(e.origin.Add(f.Mono)) // what the clock has stepped since
	f.Time = f.Time.Add(-shift)
	changed := false
	for _, ev := range e.watch.Observe(f) {
		ev.Time = ev.Time.Add(shift)
		changed = e.follow(ev) || changed
	}
	if changed && e.horn != nil {
		act, look := 0, 0
		for _, p := range e.standing {
			switch p {
			case watch.Act:
				act++
			case watch.Look:
				look++
			}
		}
		if err := e.horn.Alarms(f.Time.Add(shift), act, look); err != nil {
			e.log.Error("the horn does not obey", "why", err)
		}
	}
}

// follow notes one event and reports whether the standing alarms changed.
func (e *Edge) follow(ev watch.Event) bool {
	if e.opt.OnEvent != nil {
		e.opt.OnEvent(ev)
	}
	if ev.Kind == watch.PlantState {
		e.log.Info("plant state", "state", ev.PlantState)
		return false
	}
	key := alarmKey{ev.Kind, ev.Channel}
	attrs := []any{"kind", ev.Kind, "channel", ev.Channel, "priority", ev.Priority, "cause", ev.Cause, "detail", ev.Detail}
	if ev.State == "raised" {
		e.standing[key] = ev.Priority
		e.log.Warn("alarm", attrs...)
	} else {
		delete(e.standing, key)
		e.log.Info("alarm is over", attrs...)
	}
	return true
}

const (
	commitAtLeast = time.Minute      // a sync even if the server confirms everything
	commitRetry   = 15 * time.Second // most between tries on a disk that refuses
)

// commit is the loop that makes the spool durable: when the oldest record that is
// neither synced nor confirmed by the server is SyncEvery old, and else once a minute.
// A disk that refuses is told once, and tried again ever less often.
func (e *Edge) commit(ctx context.Context) {
	most := time.Duration(e.cfg.Spool.SyncEvery)
	timer := time.NewTimer(most)
	defer timer.Stop()
	last := time.Now()
	var wait time.Duration
	said := false // that it is not saving
	for {
		select {
		case <-ctx.Done():
			return
		case <-e.appended:
		case <-timer.C:
		}
		e.commits.Add(1)
		due, in := e.spool.Due()
		if due {
			in = most
		}
		timer.Reset(max(in, most/100))
		if since := time.Since(last); since < wait || !due && since < commitAtLeast {
			continue
		}
		err := e.spool.Sync()
		if err == nil {
			err = e.clock.Save()
		}
		last = time.Now()
		switch {
		case err == nil && said:
			e.log.Info("saving again", "unsaved", e.spool.Stats().Unsaved)
			said, wait = false, 0
		case err == nil:
			wait = 0
		default:
			wait = min(max(2*wait, most/2), commitRetry)
			if st := e.spool.Stats(); !said {
				e.log.Error("not saving: readings are held in memory alone", "why", err, "unsaved", st.Unsaved, "refused", st.Refused)
				said = true
			}
		}
		e.tellLosses()
	}
}

// tellLosses logs what the spool had to give up, when it grows.
func (e *Edge) tellLosses() {
	st := e.spool.Stats()
	if st.Dropped > e.told.dropped || st.Refused > e.told.refused || st.Damaged > e.told.damaged {
		e.log.Error("readings were lost", "dropped_because_full", st.Dropped, "refused_by_disk", st.Refused, "damaged_on_card", st.Damaged, "oldest", st.Oldest)
	}
	e.told = losses{st.Dropped, st.Refused, st.Damaged}
}

type losses struct{ dropped, refused, damaged uint64 }

// moved returns a function that reports whether frames were taken and the
// committing loop has turned since it was last called.
func (e *Edge) moved() func() bool {
	var taken, commits uint64
	return func() bool {
		t, c := e.taken.Load(), e.commits.Load()
		ok := t != taken && c != commits
		if ok {
			taken, commits = t, c
		}
		return ok
	}
}
