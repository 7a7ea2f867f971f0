package live

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"decktrim/internal/plant"
	"decktrim/internal/watch"
	"decktrim/server/words"
)

const (
	oldLeast   = 4 * time.Second // a reading may be this old in any case; within 5 s of silence every screen says so
	oldPeriods = 3               // or so many of its periods (no older reading is shown as current)
	periodMost = 5 * time.Minute
	twinStands = 10 * time.Minute
	ahead      = 5 * time.Second // a time further in the future than this is a clock fault of the node
)

// Options of NewHub.
type Options struct {
	Plants []*plant.Plant
	Now    func() time.Time // plant clock, UTC; nil: time.Now. The demo's runs faster.
	Real   func() time.Time // real clock, by which age is counted; nil: time.Now
}

// Hub holds what is current. Its methods may be called from several goroutines.
type Hub struct {
	now, real func() time.Time

	mu     sync.Mutex
	plants []*state
	nodes  map[string]*Node
	subs   map[chan struct{}]bool
}

type state struct {
	file    *plant.Plant
	index   map[string][]int // metric name: places in file.Channels
	ch      []channelState
	feeders map[string]bool
	status  watch.Status
	usual   map[string]Usual
	source  string
	lot     string
}

type channelState struct {
	reading  plant.Reading
	at       time.Time
	received time.Time
	node     string
	periods  [4]time.Duration // the last real times between receptions
	next     int
}

// NewHub makes a hub that has heard nothing yet.
func NewHub(o Options) *Hub {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Real == nil {
		o.Real = time.Now
	}
	h := &Hub{now: o.Now, real: o.Real, nodes: map[string]*Node{}, subs: map[chan struct{}]bool{}}
	for _, p := range o.Plants {
		s := &state{file: p, index: map[string][]int{}, ch: make([]channelState, len(p.Channels)), feeders: map[string]bool{}}
		for i, c := range p.Channels {
			s.index[c.MetricName()] = append(s.index[c.MetricName()], i)
		}
		h.plants = append(h.plants, s)
	}
	return h
}

func (h *Hub) node(id string) *Node {
	n := h.nodes[id]
	if n == nil {
		n = &Node{ID: id, ClockSet: true}
		h.nodes[id] = n
	}
	return n
}

// Known notes a node of which the store knows, so that one that stays silent is seen.
func (h *Hub) Known(id string, s Spool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.spool(h.node(id), s)
}

// Born notes that a node is there. Births of devices are those of their node's.
func (h *Hub) Born(id, device string, at time.Time) {
	if device != "" {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	n := h.node(id)
	if !n.Online {
		n.Since = h.now()
	}
	n.Online = true
	h.changed()
}

// Died notes that a node is gone: everything that came from it is stale.
func (h *Hub) Died(id, device string, at time.Time) {
	if device != "" {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	n := h.node(id)
	if n.Online {
		n.Since = h.now()
	}
	n.Online = false
	h.changed()
}

// Twin notes that a second board with a node's id was heard of and refused.
func (h *Hub) Twin(id string, at time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.node(id).Twin = at
	h.changed()
}

// seen is a node as readers get it: what is long past is not told any more. The
// caller holds mu.
func (h *Hub) seen(n *Node) Node {
	out := *n
	if h.real().Sub(out.Twin) > twinStands {
		out.Twin = time.Time{}
	}
	return out
}

// Spool notes how far a node's spool is stored.
func (h *Hub) Spool(id string, s Spool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.spool(h.node(id), s)
	h.changed()
}

func (h *Hub) spool(n *Node, s Spool) {
	n.Stream, n.Acked, n.Last, n.Oldest, n.Lost = s.Stream, s.Acked, s.Last, s.Oldest, s.Lost
}

// Values takes what a node sent. Historical values do not touch the current ones,
// nor does a value older than the current one, in whatever order they come.
func (h *Hub) Values(v Values) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := h.now()
	n := h.node(v.Node)
	n.LastHeard, n.ClockSet = now, v.ClockSet
	if !v.Sent.IsZero() {
		n.ClockOff = v.Sent.Sub(now)
	}
	if v.Device != "" {
		h.changed()
		return
	}
	for _, s := range v.Samples {
		if s.Historical {
			continue
		}
		for _, p := range h.plants {
			for _, i := range p.index[s.Metric] {
				if want := p.file.Channels[i].Node; want != "" && want != v.Node {
					continue
				}
				p.feeders[v.Node] = true
				p.ch[i].take(s, v, now)
			}
		}
	}
	h.changed()
}

func (c *channelState) take(s Sample, v Values, now time.Time) {
	if s.At.Before(c.at) && !c.at.After(now.Add(ahead)) {
		return
	}
	if s.At.Equal(c.at) && v.Birth {
		return // a birth repeats the value; it is not newer for that
	}
	if !c.received.IsZero() && !v.Birth {
		c.periods[c.next%len(c.periods)] = v.Received.Sub(c.received)
		c.next++
	}
	c.reading, c.at, c.received, c.node = s.Reading, s.At, v.Received, v.Node
}

// period is the shortest of the last times between receptions: an outage does not
// make a channel slow.
func (c *channelState) period() time.Duration {
	p := time.Duration(0)
	for _, d := range c.periods {
		if d > 0 && (p == 0 || d < p) {
			p = d
		}
	}
	return min(p, periodMost)
}

// SetWatch notes what the watch says of a plant.
func (h *Hub) SetWatch(plantName string, s watch.Status, usual map[string]Usual) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if p := h.find(plantName); p != nil {
		p.status, p.usual = s, usual
	}
	h.changed()
}

// SetOre notes what is on the belt.
func (h *Hub) SetOre(plantName, source, lot string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if p := h.find(plantName); p != nil {
		p.source, p.lot = source, lot
	}
	h.changed()
}

func (h *Hub) find(name string) *state {
	for _, p := range h.plants {
		if p.file.Plant.Name == name {
			return p
		}
	}
	return nil
}

// Frame is the newest reading of each channel of a plant as a frame of one instant:
// what was not measured within the reach before it is missing.
func (h *Hub) Frame(plantName string, at time.Time, reach time.Duration) plant.Frame {
	h.mu.Lock()
	defer h.mu.Unlock()
	p := h.find(plantName)
	if p == nil {
		return plant.Frame{}
	}
	f := plant.Frame{Time: at, ClockSet: true, Readings: make([]plant.Reading, len(p.ch))}
	for i := range p.ch {
		c := &p.ch[i]
		if c.at.IsZero() || c.at.After(at) || at.Sub(c.at) > reach {
			f.Readings[i] = plant.Reading{Quality: plant.Bad, Reason: plant.Missing}
			continue
		}
		f.Readings[i] = c.reading
	}
	return f
}

// Snapshot is every plant now.
func (h *Hub) Snapshot() []Plant {
	h.mu.Lock()
	defer h.mu.Unlock()
	out := make([]Plant, len(h.plants))
	for i, p := range h.plants {
		out[i] = h.snapshot(p)
	}
	return out
}

func (h *Hub) snapshot(p *state) Plant {
	real := h.real()
	out := Plant{Name: p.file.Plant.Name, File: p.file, OreSource: p.source, Lot: p.lot,
		State: p.status.State, StateSince: p.status.StateSince, Steady: p.status.Steady, SteadySince: p.status.SteadySince}
	for _, e := range p.status.Standing {
		a := Alarm{Kind: string(e.Kind), Channel: e.Channel, Priority: e.Priority, Since: e.Time, Cause: e.Cause, Detail: e.Detail}
		if e.Follows != nil {
			a.Follows = []string{*e.Follows}
		}
		out.Alarms = append(out.Alarms, a)
	}
	for i := range p.ch {
		out.Channels = append(out.Channels, h.channel(p, i, real))
	}
	for id := range p.feeders {
		out.Nodes = append(out.Nodes, h.seen(h.nodes[id]))
	}
	slices.SortFunc(out.Nodes, func(a, b Node) int { return strings.Compare(a.ID, b.ID) })
	if old(out.Channels) {
		// Nothing shown as current may be old: what the watch said then holds no more.
		out.Steady, out.SteadySince = false, time.Time{}
	}
	out.Headline = headline(&out, h.now())
	return out
}

func (h *Hub) channel(p *state, i int, real time.Time) Channel {
	c := &p.ch[i]
	out := Channel{Channel: p.file.Channels[i], Reading: c.reading, At: c.at, Received: c.received}
	if u, ok := p.usual[out.Name]; ok {
		out.Usual = &u
	}
	if c.received.IsZero() {
		out.Reading = plant.Reading{Quality: plant.Bad, Reason: plant.Missing}
		return out
	}
	out.Age = max(real.Sub(c.received), 0)
	n := h.nodes[c.node]
	dead := n != nil && !n.Online
	if dead || out.Age > max(oldPeriods*c.period(), oldLeast) {
		out.Reading.Quality, out.Reading.Reason = plant.Stale, plant.TooOld
	}
	return out
}

// old reports whether no channel that ever had data has any that is current.
func old(channels []Channel) bool {
	ever := false
	for _, c := range channels {
		if c.At.IsZero() {
			continue
		}
		ever = true
		if c.Reading.Quality != plant.Stale {
			return false
		}
	}
	return ever
}

// headline is one sentence about a plant, in English (the JSON API speaks English;
// screens make their own).
func headline(p *Plant, now time.Time) string {
	say := words.English.Say
	var newest time.Time
	for _, c := range p.Channels {
		if c.At.After(newest) {
			newest = c.At
		}
	}
	zone := p.File.Location
	if zone == nil {
		zone = time.UTC
	}
	switch {
	case newest.IsZero():
		return say("now.headline.no_data")
	case old(p.Channels):
		return say("app.last_known", "time", words.English.Clock(newest, zone)) + "."
	}
	for _, a := range p.Alarms {
		if a.Priority == watch.Act {
			return say("now.headline.act", "what", words.English.Or("alarm."+a.Kind+".what", a.Kind), "age", words.English.Duration(now.Sub(a.Since)))
		}
	}
	switch {
	case p.Steady && !p.SteadySince.IsZero():
		return say("now.headline.steady", "age", words.English.Duration(now.Sub(p.SteadySince)))
	case p.State == "" || p.State == watch.StateUnknown:
		return say("now.headline.no_state")
	case p.State == watch.StateRunning && len(p.Alarms) > 0:
		return say("now.headline.not_steady", "what", words.English.Or("alarm."+p.Alarms[0].Kind+".what", p.Alarms[0].Kind))
	case p.State == watch.StateRunning:
		return say("now.headline.settling")
	}
	return say("now.headline.state", "state", words.English.Or("state."+p.State, p.State))
}

// Nodes is every node of which anything is known, in order of name.
func (h *Hub) Nodes() []Node {
	h.mu.Lock()
	defer h.mu.Unlock()
	out := make([]Node, 0, len(h.nodes))
	for _, n := range h.nodes {
		out = append(out, h.seen(n))
	}
	slices.SortFunc(out, func(a, b Node) int { return strings.Compare(a.ID, b.ID) })
	return out
}

// Subscribe gives a channel that gets a token when something changed; several
// changes may share one. It is closed when ctx ends.
func (h *Hub) Subscribe(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	h.mu.Lock()
	h.subs[c] = true
	h.mu.Unlock()
	context.AfterFunc(ctx, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		delete(h.subs, c)
		close(c)
	})
	return c
}

// changed tells the subscribers. The caller holds mu.
func (h *Hub) changed() {
	for c := range h.subs {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}
