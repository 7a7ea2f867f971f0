// Package ingest takes the messages of the nodes, keeps the session rules of a
// Sparkplug host, has the readings stored, and confirms 'stored up to N' only after
// the commit. One goroutine does all of it: what waits is gathered into one
// transaction, and when nothing waits a frame is committed at once.
//
// Order of arrival means nothing to what is stored: frames are told apart by (node,
// stream, number), other readings by (node, device, metric, time).
package ingest

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"decktrim/internal/plant"
	"decktrim/internal/wire"
	"decktrim/server/broker"
	"decktrim/server/live"
	"decktrim/server/store"
)

// Store is what ingest needs of the store.
type Store interface {
	Commit(context.Context, store.Batch) (store.Committed, error)
	ProgressOf(node, stream string) store.Progress
	SetAside(ctx context.Context, node, stream, boot string) (moved int, err error)
}

// Commands sends a command to a node.
type Commands interface {
	Publish(topic wire.Topic, payload []byte)
}

// Live is told what is current. The calls come from one goroutine.
type Live interface {
	Born(node, device string, at time.Time)
	Died(node, device string, at time.Time)
	Values(v live.Values)
	Spool(node string, s live.Spool)
	Twin(node string, at time.Time)
}

// ProblemKind is what a node can do against the rules.
type ProblemKind = wire.ProblemKind

// Options of New.
type Options struct {
	Store    Store
	Commands Commands
	Live     Live
	Groups   []string               // empty: all
	May      func(wire.NodeID) bool // which nodes are admitted
	Log      *slog.Logger
}

const (
	queueLength  = 4096 // messages; when full, senders are slowed
	batchMost    = 512  // messages a transaction
	confirmEvery = time.Second
	commitRetry  = 250 * time.Millisecond // pause after a failed commit
)

// Counters are counts since the start.
type Counters struct {
	Messages, Frames, Readings, Duplicates, Refused, Problems, Rebirths, Confirmations, FailedCommits, Commits atomic.Int64
}

// Ingest is the pipeline. Deliver may be called by any goroutine, Run by one.
type Ingest struct {
	o        Options
	Counters Counters
	queue    chan item
	stopped  chan struct{}
	stopOnce sync.Once

	host     *wire.Host
	nodes    map[wire.NodeID]*node
	batch    store.Batch
	pending  []pending
	problems map[string]time.Time

	lastFailure string
	failing     atomic.Bool
	kinds       sync.Map // wire.ProblemKind: *atomic.Int64
}

type item struct {
	broker.Message
	lost bool
}

// node is what ingest remembers of a node beside the host's rules.
type node struct {
	boot     string
	clockSet bool
	stream   string
	boards   boards
	refused  bool      // the present session is of a second board with this name
	confirm  bool      // something came that wants a confirmation
	sent     time.Time // last confirmation
}

// pending is what live is told after the commit.
type pending struct {
	values  *live.Values
	frame   int // index in batch.Frames, or -1
	reading int // index of the first in batch.Readings, or -1
	count   int
	born    *wire.Birth
	died    *wire.Death
}

// New makes the pipeline and starts nothing.
func New(o Options) *Ingest {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Ingest{o: o, queue: make(chan item, queueLength), stopped: make(chan struct{}),
		host: wire.NewHost(wire.HostConfig{}), nodes: map[wire.NodeID]*node{}, problems: map[string]time.Time{}}
}

// SetCommands says where commands go; before Run.
func (in *Ingest) SetCommands(c Commands) { in.o.Commands = c }

// Deliver implements broker.Sink.
func (in *Ingest) Deliver(m broker.Message) { in.put(item{Message: m}) }

// Lost implements broker.Sink.
func (in *Ingest) Lost(at time.Time) {
	in.put(item{Message: broker.Message{Received: at}, lost: true})
}

func (in *Ingest) put(it item) {
	select {
	case in.queue <- it:
	case <-in.stopped:
	}
}

// Waiting is how many messages wait in the queue.
func (in *Ingest) Waiting() int { return len(in.queue) }

// Failing reports whether the last commit failed.
func (in *Ingest) Failing() bool { return in.failing.Load() }

// ProblemCount visits how often nodes broke the rules, by kind.
func (in *Ingest) ProblemCount(visit func(kind ProblemKind, n int64)) {
	in.kinds.Range(func(k, v any) bool {
		visit(k.(ProblemKind), v.(*atomic.Int64).Load())
		return true
	})
}

// Ask orders the births of nodes known from before, spread over some seconds; call it
// before Run.
func (in *Ingest) Ask(nodes []string, now time.Time) {
	for i, n := range nodes {
		if id, ok := broker.ParseNode(n); ok && in.admitted(id) {
			in.host.Ask(id, now.Add(2*time.Second+time.Duration(i)*200*time.Millisecond))
		}
	}
}

// Run works until ctx ends, then stores what still waits.
func (in *Ingest) Run(ctx context.Context) error {
	defer in.stopOnce.Do(func() { close(in.stopped) })
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		timer.Reset(in.untilDue(time.Now()))
		select {
		case it := <-in.queue:
			in.gather(it)
			in.commit(ctx)
		case <-timer.C:
			in.events(in.host.Tick(time.Now()))
			in.commit(ctx)
		case <-ctx.Done():
			for {
				select {
				case it := <-in.queue:
					in.gather(it)
					in.commit(context.WithoutCancel(ctx))
				default:
					return nil
				}
			}
		}
		in.confirm(time.Now())
	}
}

// untilDue is how long until something must be done without a message.
func (in *Ingest) untilDue(now time.Time) time.Duration {
	due := now.Add(time.Minute)
	if t, ok := in.host.Next(); ok && t.Before(due) {
		due = t
	}
	for _, n := range in.nodes {
		if t := n.sent.Add(confirmEvery); n.confirm && t.Before(due) {
			due = t
		}
	}
	return max(due.Sub(now), time.Millisecond)
}

// gather takes a message and those that wait behind it.
func (in *Ingest) gather(it item) {
	for n := 0; ; {
		in.receive(it)
		if n++; n == batchMost {
			return
		}
		select {
		case it = <-in.queue:
		default:
			return
		}
	}
}

func (in *Ingest) receive(it item) {
	if it.lost {
		in.events(in.host.Disconnected(it.Received))
		return
	}
	in.Counters.Messages.Add(1)
	id := wire.NodeID{Group: it.Topic.Group, Node: it.Topic.Node}
	if !in.admitted(id) {
		in.Counters.Refused.Add(1)
		in.say("refused "+id.String(), func() {
			in.o.Log.Warn("message of a node that is not admitted; list it under nodes in [mqtt]", "node", id.String())
		})
		return
	}
	in.events(in.host.Receive(it.Topic, it.Payload, it.Received))
}

func (in *Ingest) admitted(id wire.NodeID) bool {
	if len(in.o.Groups) > 0 {
		ours := false
		for _, g := range in.o.Groups {
			ours = ours || g == id.Group
		}
		if !ours {
			return false
		}
	}
	return in.o.May(id)
}

func (in *Ingest) node(id wire.NodeID) *node {
	n := in.nodes[id]
	if n == nil {
		n = &node{clockSet: true}
		in.nodes[id] = n
	}
	return n
}

// events turns what the host says into the batch and what live is told.
func (in *Ingest) events(list []wire.Event) {
	for _, e := range list {
		switch e := e.(type) {
		case *wire.Birth:
			in.birth(e)
		case *wire.Data:
			in.data(e)
		case *wire.Death:
			in.pending = append(in.pending, pending{frame: -1, reading: -1, died: e})
		case *wire.RebirthOrder:
			in.Counters.Rebirths.Add(1)
			in.say("rebirth "+e.Node.String(), func() {
				in.o.Log.Info("asking a node for its birth", "node", e.Node.String(), "why", e.Why)
			})
			in.o.Commands.Publish(wire.Topic{Group: e.Node.Group, Kind: wire.NCMD, Node: e.Node.Node}, wire.RebirthCommand(time.Now()).Append(nil))
		case *wire.Problem:
			in.Counters.Problems.Add(1)
			c, _ := in.kinds.LoadOrStore(e.Kind, &atomic.Int64{})
			c.(*atomic.Int64).Add(1)
			in.say(fmt.Sprint(e.Kind, e.Node, e.Device, e.Metric), func() {
				in.o.Log.Warn("a node broke the rules", "node", e.Node.String(), "kind", string(e.Kind), "problem", e.Error())
			})
		}
	}
}

// say logs a matter at most once a minute.
func (in *Ingest) say(matter string, log func()) {
	now := time.Now()
	if last, ok := in.problems[matter]; ok && now.Sub(last) < time.Minute {
		return
	}
	if len(in.problems) > 10000 {
		clear(in.problems) // names come from outside: bounded
	}
	in.problems[matter] = now
	log()
}

func (in *Ingest) birth(b *wire.Birth) {
	n := in.node(b.Node)
	v := &live.Values{Node: b.Node.String(), Device: b.Device, Received: b.At, Sent: millis(b.Sent), Birth: true}
	if b.Device == "" {
		n.boot, n.clockSet = "", true
		for i := range b.Metrics {
			n.note(&b.Metrics[i])
		}
		x := board{boot: n.boot}
		if b.Spool != nil {
			x.stream = b.Spool.Stream
		}
		may, second := n.boards.admit(x, b.At)
		if n.refused = !may; n.refused {
			n.confirm, n.stream = false, ""
		}
		for _, other := range second {
			in.setAside(v.Node, other)
		}
		if n.boards.twin(b.At) {
			in.say("twin "+v.Node, func() {
				in.o.Log.Error("two boards say that they are this node; the second one is refused: its readings are neither stored nor confirmed. Give it an id and a spool of its own", "node", v.Node)
			})
			in.o.Live.Twin(v.Node, b.At)
		}
	}
	if n.refused {
		in.Counters.Refused.Add(1)
		return
	}
	if b.Device == "" {
		n.stream = ""
		if b.Spool != nil && b.Spool.Stream != "" {
			n.stream = b.Spool.Stream
			n.confirm, n.sent = true, time.Time{} // once after each birth, at once
			in.batch.Told = append(in.batch.Told, store.Told{Node: v.Node, Stream: n.stream,
				Oldest: int64(min(b.Spool.Oldest, 1<<53)), Last: int64(min(b.Spool.Last, 1<<53)), Acked: int64(min(b.Spool.Acked, 1<<53))})
		}
	}
	v.Boot, v.ClockSet = n.boot, n.clockSet
	p := pending{values: v, frame: -1, reading: -1, born: b}
	spool := b.Device == "" && n.stream != ""
	for i := range b.Metrics {
		m := &b.Metrics[i]
		if m.Name == wire.MetricBdSeq || m.Name == wire.MetricRebirth || m.Timestamp == 0 || m.Transient {
			continue
		}
		v.Samples = append(v.Samples, sampleOf(m))
		if !spool { // a spool sends its values again, as records
			in.reading(&p, store.Reading{Node: v.Node, Birth: true, Sample: stored(m, b.Device)})
		}
	}
	in.pending = append(in.pending, p)
}

// setAside keeps what a second board sent before it was known as one out of the
// node's own readings. What it sent last may still wait for its commit.
func (in *Ingest) setAside(node string, second board) {
	ctx := context.Background()
	in.commit(ctx)
	n, err := in.o.Store.SetAside(ctx, node, second.stream, second.boot)
	if err != nil {
		in.o.Log.Error("readings of a second board stay among those of the first", "node", node, "error", err)
		return
	}
	in.o.Log.Warn("readings of a second board set aside", "node", node, "boot", second.boot, "records", n)
}

func (in *Ingest) reading(p *pending, r store.Reading) {
	if p.reading < 0 {
		p.reading = len(in.batch.Readings)
	}
	p.count++
	in.batch.Readings = append(in.batch.Readings, r)
}

func (n *node) note(m *wire.Metric) {
	switch m.Name {
	case wire.MetricBoot:
		if text, ok := m.Value.(string); ok {
			n.boot = text
		}
	case wire.MetricClockSet:
		if set, ok := m.Value.(bool); ok {
			n.clockSet = set
		}
	}
}

func (in *Ingest) data(d *wire.Data) {
	n := in.node(d.Node)
	if n.refused {
		in.Counters.Refused.Add(1)
		n.boards.heard(d.At)
		in.o.Live.Twin(d.Node.String(), d.At)
		return
	}
	v := &live.Values{Node: d.Node.String(), Device: d.Device, Received: d.At, Sent: millis(d.Sent), Samples: make([]live.Sample, 0, len(d.Metrics))}
	p := pending{values: v, frame: -1, reading: -1}
	var f *store.Frame
	if r := d.Record; r != nil && r.Seq < 1<<53 {
		n.stream, n.confirm = r.Stream, true
		f = &store.Frame{Node: v.Node, Stream: r.Stream, Seq: int64(r.Seq), TS: int64(min(d.Sent, wire.MaxTimestamp)),
			GapFrom: int64(min(r.GapFrom, 1<<53)), GapTo: int64(min(r.GapTo, 1<<53)), Samples: make([]store.Sample, 0, len(d.Metrics))}
		if len(d.Metrics) > 0 {
			f.TS = int64(d.Metrics[0].Timestamp)
		}
		if r.Oldest > 0 {
			in.batch.Told = append(in.batch.Told, store.Told{Node: v.Node, Stream: r.Stream, Oldest: int64(min(r.Oldest, 1<<53))})
		}
	}
	for i := range d.Metrics {
		m := &d.Metrics[i]
		if d.Device == "" {
			n.note(m)
		}
		// Transient means: not for historians. The time since boot is kept, for it gives
		// the frames of an unset clock their time.
		if m.Transient && m.Name != wire.MetricMono {
			continue
		}
		v.Samples = append(v.Samples, sampleOf(m))
		if f != nil {
			f.Samples = append(f.Samples, stored(m, d.Device))
		} else if m.Name != wire.MetricRebirth {
			in.reading(&p, store.Reading{Node: v.Node, Sample: stored(m, d.Device)})
		}
	}
	v.Boot, v.ClockSet = n.boot, n.clockSet
	if f != nil {
		f.Boot = n.boot
		p.frame = len(in.batch.Frames)
		in.batch.Frames = append(in.batch.Frames, *f)
	}
	in.pending = append(in.pending, p)
}

func stored(m *wire.Metric, device string) store.Sample {
	r := qualityOf(m)
	return store.Sample{Device: device, Metric: m.Name, TS: int64(m.Timestamp), Value: m.Value, Quality: r.Quality, Reason: r.Reason}
}

// qualityOf reads quality and reason; absent means good.
func qualityOf(m *wire.Metric) plant.Reading {
	r := plant.Reading{Quality: plant.Good}
	for _, p := range m.Properties {
		switch p.Key {
		case wire.PropertyQuality:
			switch q := p.Value.(type) {
			case int64:
				r.Quality = plant.Quality(q)
			case uint64:
				r.Quality = plant.Quality(q)
			}
		case wire.PropertyReason:
			if text, ok := p.Value.(string); ok {
				r.Reason = plant.Reason(text)
			}
		}
	}
	return r
}

func sampleOf(m *wire.Metric) live.Sample {
	r := qualityOf(m)
	switch v := m.Value.(type) {
	case float64:
		r.Value, r.Has = v, true
	case int64:
		r.Value, r.Has = float64(v), true
	case uint64:
		r.Value, r.Has = float64(v), true
	case bool:
		r.Has = true
		if v {
			r.Value = 1
		}
	}
	if !r.Has && r.Quality == plant.Good {
		r.Quality, r.Reason = plant.Bad, plant.Missing
	}
	return live.Sample{Metric: m.Name, At: millis(m.Timestamp), Reading: r, Historical: m.Historical}
}

func millis(ms uint64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(int64(min(ms, wire.MaxTimestamp))).UTC()
}

// commit stores the batch and then tells live. If it cannot be stored it is dropped:
// it was not confirmed, so the nodes keep it and send it again. Live shows it in any
// case.
func (in *Ingest) commit(ctx context.Context) {
	if len(in.batch.Frames)+len(in.batch.Readings)+len(in.batch.Told)+len(in.pending) == 0 {
		return
	}
	var c store.Committed
	if len(in.batch.Frames)+len(in.batch.Readings)+len(in.batch.Told) > 0 {
		var err error
		c, err = in.o.Store.Commit(ctx, in.batch)
		in.failing.Store(err != nil)
		if err != nil {
			in.Counters.FailedCommits.Add(1)
			if text := err.Error(); text != in.lastFailure {
				in.lastFailure = text
				in.o.Log.Error("readings not stored and not confirmed; the nodes keep them", "error", err)
			}
			defer time.Sleep(commitRetry)
		} else {
			in.lastFailure = ""
			in.Counters.Commits.Add(1)
			in.count(c)
		}
	}
	for i := range in.pending {
		in.tell(&in.pending[i], c)
	}
	for k, p := range c.Progress {
		if id, ok := broker.ParseNode(k.Node); ok {
			if n := in.node(id); n.stream == k.Stream {
				in.o.Live.Spool(k.Node, live.Spool{Stream: k.Stream, Acked: p.Acked, Last: p.Last, Oldest: p.Oldest, Lost: p.Lost})
			}
		}
	}
	in.batch = store.Batch{Frames: in.batch.Frames[:0], Readings: in.batch.Readings[:0], Told: in.batch.Told[:0]}
	clear(in.pending)
	in.pending = in.pending[:0]
}

func (in *Ingest) count(c store.Committed) {
	for i, isNew := range c.NewFrames {
		if isNew {
			in.Counters.Frames.Add(1)
			in.Counters.Readings.Add(int64(len(in.batch.Frames[i].Samples)))
		} else {
			in.Counters.Duplicates.Add(1)
		}
	}
	for _, isNew := range c.NewReadings {
		if isNew {
			in.Counters.Readings.Add(1)
		} else {
			in.Counters.Duplicates.Add(1)
		}
	}
}

func (in *Ingest) tell(p *pending, c store.Committed) {
	if p.died != nil {
		in.o.Live.Died(p.died.Node.String(), p.died.Device, p.died.At)
		return
	}
	if p.born != nil {
		in.o.Live.Born(p.born.Node.String(), p.born.Device, p.born.At)
	}
	v := p.values
	// What could not be stored is new as well: nothing older was stored for it.
	v.New = len(c.NewFrames) == 0 && len(c.NewReadings) == 0
	if p.frame >= 0 && p.frame < len(c.NewFrames) {
		v.New = c.NewFrames[p.frame]
	}
	if p.reading >= 0 {
		for i := p.reading; i < p.reading+p.count && i < len(c.NewReadings); i++ {
			v.New = v.New || c.NewReadings[i]
		}
	}
	in.o.Live.Values(*v)
}

// confirm sends 'stored up to' to the nodes that wait for it: once after each birth,
// else at most each second.
func (in *Ingest) confirm(now time.Time) {
	for id, n := range in.nodes {
		if !n.confirm || n.stream == "" || now.Sub(n.sent) < confirmEvery {
			continue
		}
		n.confirm, n.sent = false, now
		// What is confirmed is read from the store, never guessed: after a failed commit
		// it is what was stored before.
		acked := in.o.Store.ProgressOf(id.String(), n.stream).Acked
		in.Counters.Confirmations.Add(1)
		in.o.Commands.Publish(wire.Topic{Group: id.Group, Kind: wire.NCMD, Node: id.Node},
			wire.Confirmation(n.stream, uint64(acked), now).Append(nil))
	}
}
