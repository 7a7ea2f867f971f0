package wire

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// NodeID names an edge node. Group and node together are unique in a plant.
type NodeID struct{ Group, Node string }

func (id NodeID) String() string { return id.Group + "/" + id.Node }

// HostConfig sets the patience of a Host. Zeros take the defaults named.
type HostConfig struct {
	Reorder     time.Duration // how long a missing sequence number is waited for; 2 s
	OrderEvery  time.Duration // shortest time between two rebirth orders to one node; 5 s
	OrderAtMost time.Duration // to which that time doubles while faults go on; 60 s
	MaxNodes    int           // nodes remembered; 1024
	MaxDevices  int           // devices remembered of one node; 256
}

// Host is what a host application knows of the edge nodes, by the rules of
// Sparkplug 3.0. It is pure: messages and the time go in, events and orders come
// out. It is not safe for use by several goroutines at once.
//
// Every message of NBIRTH, NDATA, NDEATH, DBIRTH, DDATA and DDEATH goes to Receive,
// but for retained ones, which are never Sparkplug's (only STATE is retained).
// Tick must be called when Next says so. Data is handed on in the order in which it
// came, not held back for a missing number: each reading has its own time.
type Host struct {
	cfg   HostConfig
	nodes map[NodeID]*hostNode
}

type hostNode struct {
	id       NodeID
	seen     time.Time // of the last message
	born     bool
	bdSeq    uint64
	hasBdSeq bool
	aliases  map[uint64]definedAs
	metrics  map[string]DataType
	devices  map[string]*hostDevice
	spool    *Spool

	next     uint8     // sequence number expected
	missing  [256]bool // numbers passed over and not yet come
	missed   int       // how many of them
	deadline time.Time // when the missing are given up; zero: none missing

	orderFrom time.Time     // no order before
	orderWait time.Duration // between orders, doubling
	wanted    string        // why an order waits; empty: none does
}

type hostDevice struct {
	born    bool
	metrics map[string]DataType
}

type definedAs struct{ device, name string }

// NewHost is a host that knows no node yet.
func NewHost(cfg HostConfig) *Host {
	if cfg.Reorder <= 0 {
		cfg.Reorder = 2 * time.Second
	}
	if cfg.OrderEvery <= 0 {
		cfg.OrderEvery = 5 * time.Second
	}
	if cfg.OrderAtMost < cfg.OrderEvery {
		cfg.OrderAtMost = max(time.Minute, cfg.OrderEvery)
	}
	if cfg.MaxNodes <= 0 {
		cfg.MaxNodes = 1024
	}
	if cfg.MaxDevices <= 0 {
		cfg.MaxDevices = 256
	}
	return &Host{cfg: cfg, nodes: map[NodeID]*hostNode{}}
}

// Event is what comes out of a Host: *Birth, *Data, *Death, *RebirthOrder or
// *Problem.
type Event interface{ event() }

// Birth says that a node (Device empty) or a device is there, and what it will
// send. Metrics hold definition and present value of each metric, in the order of
// the payload; a metric whose value could not be read is null and has its Err.
// Values of a node with a Spool come again as records; those of others do not.
type Birth struct {
	Node       NodeID
	Device     string
	BdSeq      uint64
	NewSession bool      // false: the same connection said it again
	At         time.Time // when received
	Sent       uint64    // ms, by the node's clock; 0: not said
	Spool      *Spool    // nil: none declared
	Metrics    []Metric
}

// Spool is what a birth says of a node's spool; all 0 but Stream while it is empty.
type Spool struct {
	Stream              string
	Oldest, Last, Acked uint64
}

// Data is readings of a node or device, each with its name, its type as declared,
// its own time and a value or null. Metrics that could not be read, those of the
// spool and bdSeq are not among them.
type Data struct {
	Node    NodeID
	Device  string
	At      time.Time // when received
	Sent    uint64    // ms, by the node's clock; 0: not said
	Record  *Record   // nil: not from a spool
	Metrics []Metric
}

// Record is the place of a Data in its node's spool.
type Record struct {
	Stream string
	Seq    uint64
	Oldest uint64 // oldest record that the node still holds, as far as it has said
	// Numbers that will never come, up to the one below Seq, or to Seq itself if its
	// readings could not be read any more; both 0: none.
	GapFrom, GapTo uint64
}

// Death says that a node and all its Devices, or one Device, are gone and their
// values stale. At is the host's own time, for a device the payload's.
type Death struct {
	Node    NodeID
	Device  string
	Devices []string // of a node's death: devices that went with it
	BdSeq   uint64
	At      time.Time
	Cause   DeathCause
}

// DeathCause says how a death was learned.
type DeathCause string

const (
	Said       DeathCause = "said"            // NDEATH or DDEATH, by the node itself or as its will
	Superseded DeathCause = "superseded"      // a birth ended the session before it
	HostAway   DeathCause = "host-connection" // the host lost the broker, so nothing is known
)

// RebirthOrder asks for an NCMD with RebirthCommand to be sent to a node.
type RebirthOrder struct {
	Node NodeID
	Why  string
}

// Problem is something a node did against the rules, to be counted by Kind and
// logged sparingly.
type Problem struct {
	Node   NodeID
	Device string
	Kind   ProblemKind
	Metric string
	Detail string
}

// ProblemKind is what is counted.
type ProblemKind string

const (
	BadPayload    ProblemKind = "bad-payload"    // nothing of it can be read
	BadMetric     ProblemKind = "bad-metric"     // one value cannot be used
	BadBirth      ProblemKind = "bad-birth"      // a birth lacks what it must have
	NoBirth       ProblemKind = "no-birth"       // data or a device's death before the birth
	UnknownMetric ProblemKind = "unknown-metric" // not in the birth
	SeqMissing    ProblemKind = "seq-missing"    // a message carries no sequence number
	SeqRepeated   ProblemKind = "seq-repeated"   // a number that was there before
	SeqGap        ProblemKind = "seq-gap"        // numbers did not come in time
	OldDeath      ProblemKind = "old-death"      // a death of a session before this one; ignored
	TooMany       ProblemKind = "too-many"       // more nodes or devices than are remembered
)

func (*Birth) event()        {}
func (*Data) event()         {}
func (*Death) event()        {}
func (*RebirthOrder) event() {}
func (*Problem) event()      {}

func (p *Problem) Error() string {
	who := p.Node.String()
	if p.Device != "" {
		who += "/" + p.Device
	}
	if p.Metric != "" {
		return fmt.Sprintf("%s: %s: metric %q: %s", who, p.Kind, p.Metric, p.Detail)
	}
	return fmt.Sprintf("%s: %s: %s", who, p.Kind, p.Detail)
}

// Receive takes one message. Commands and STATE are none of its business and give
// no event.
func (h *Host) Receive(t Topic, payload []byte, now time.Time) []Event {
	switch t.Kind {
	case NBIRTH, NDATA, NDEATH, DBIRTH, DDATA, DDEATH:
	default:
		return nil
	}
	var out []Event
	n := h.node(NodeID{t.Group, t.Node}, now)
	if n == nil {
		return append(out, &Problem{NodeID{t.Group, t.Node}, t.Device, TooMany, "",
			fmt.Sprintf("%d nodes are known already", h.cfg.MaxNodes)})
	}
	n.seen = now
	p, err := Decode(payload)
	if err != nil {
		out = append(out, &Problem{n.id, t.Device, BadPayload, "", err.Error()})
		if t.Kind != NDEATH {
			out = h.order(n, now, "a payload could not be read", out)
		}
		return out
	}
	if t.Kind != NBIRTH && t.Kind != NDEATH {
		if !n.born {
			out = append(out, &Problem{n.id, t.Device, NoBirth, "", string(t.Kind) + " before the birth"})
			return h.order(n, now, "its birth was not seen", out)
		}
		out = h.sequence(n, t, p, now, out)
	}
	switch t.Kind {
	case NBIRTH:
		return h.nodeBirth(n, p, now, out)
	case DBIRTH:
		return h.deviceBirth(n, t.Device, p, now, out)
	case NDEATH:
		return h.nodeDeath(n, p, now, out)
	case DDEATH:
		return h.deviceDeath(n, t.Device, p, now, out)
	default:
		return h.data(n, t.Device, p, now, out)
	}
}

// node finds or makes the memory of a node; nil if there is no room.
func (h *Host) node(id NodeID, now time.Time) *hostNode {
	if n := h.nodes[id]; n != nil {
		return n
	}
	if len(h.nodes) >= h.cfg.MaxNodes {
		var oldest *hostNode // of those that are not there anyway
		for _, n := range h.nodes {
			if !n.born && (oldest == nil || n.seen.Before(oldest.seen)) {
				oldest = n
			}
		}
		if oldest == nil {
			return nil
		}
		delete(h.nodes, oldest.id)
	}
	n := &hostNode{id: id, seen: now}
	h.nodes[id] = n
	return n
}

// nodeBirth replaces everything known of the node. Devices stay away until their
// own birth.
func (h *Host) nodeBirth(n *hostNode, p *Payload, now time.Time, out []Event) []Event {
	bdSeq, hasBdSeq := uint64(0), false
	for i := range p.Metrics {
		if p.Metrics[i].Name == MetricBdSeq {
			bdSeq, hasBdSeq = wholeNumber(p.Metrics[i].Value)
		}
	}
	if !hasBdSeq {
		out = append(out, &Problem{n.id, "", BadBirth, MetricBdSeq, "missing or not a number: no death can be told from an older one"})
	}
	newSession := !n.born || !hasBdSeq || !n.hasBdSeq || bdSeq != n.bdSeq
	if n.born {
		if newSession {
			out = append(out, &Death{Node: n.id, Devices: n.bornDevices(), BdSeq: n.bdSeq, At: now, Cause: Superseded})
		} else {
			for _, d := range n.bornDevices() {
				out = append(out, &Death{Node: n.id, Device: d, BdSeq: n.bdSeq, At: now, Cause: Superseded})
			}
		}
	}
	n.born, n.bdSeq, n.hasBdSeq = true, bdSeq, hasBdSeq
	n.aliases, n.devices, n.spool = map[uint64]definedAs{}, map[string]*hostDevice{}, nil
	n.missing, n.missed, n.deadline, n.wanted = [256]bool{}, 0, time.Time{}, ""
	n.next = 1
	switch {
	case !p.HasSeq:
		out = append(out, &Problem{n.id, "", SeqMissing, "", "a birth without a sequence number is taken as 0"})
	case p.Seq > 255:
		out = append(out, &Problem{n.id, "", BadBirth, "", fmt.Sprintf("sequence number %d is above 255", p.Seq)})
	case p.Seq != 0:
		out = append(out, &Problem{n.id, "", BadBirth, "", fmt.Sprintf("sequence number %d where 0 must stand", p.Seq)})
		n.next = uint8(p.Seq) + 1
	}
	n.metrics, out = n.define("", p, out)
	for i := range p.Metrics {
		n.noteSpool(&p.Metrics[i])
	}
	var spool *Spool
	if n.spool != nil {
		copied := *n.spool
		spool = &copied
	}
	return append(out, &Birth{Node: n.id, BdSeq: bdSeq, NewSession: newSession, At: now,
		Sent: p.Timestamp, Spool: spool, Metrics: p.Metrics})
}

func (h *Host) deviceBirth(n *hostNode, device string, p *Payload, now time.Time, out []Event) []Event {
	d := n.devices[device]
	if d == nil {
		if len(n.devices) >= h.cfg.MaxDevices {
			return append(out, &Problem{n.id, device, TooMany, "",
				fmt.Sprintf("%d devices of this node are known already", h.cfg.MaxDevices)})
		}
		d = &hostDevice{}
		n.devices[device] = d
	}
	newSession := !d.born
	for alias, as := range n.aliases {
		if as.device == device {
			delete(n.aliases, alias)
		}
	}
	d.born = true
	d.metrics, out = n.define(device, p, out)
	return append(out, &Birth{Node: n.id, Device: device, BdSeq: n.bdSeq, NewSession: newSession, At: now,
		Sent: p.Timestamp, Metrics: p.Metrics})
}

// define reads the definitions of a birth into a new table, and drops from the
// payload the metrics that define nothing.
func (n *hostNode) define(device string, p *Payload, out []Event) (map[string]DataType, []Event) {
	metrics := make(map[string]DataType, len(p.Metrics))
	kept := p.Metrics[:0]
	for _, m := range p.Metrics {
		bad := func(detail string) {
			out = append(out, &Problem{n.id, device, BadBirth, m.Name, detail})
		}
		if m.Name == "" {
			bad("a metric has no name that can be read")
			continue
		}
		if m.Type == TypeUnknown {
			bad("a birth must say the type")
			continue
		}
		if _, twice := metrics[m.Name]; twice {
			bad("it is declared twice")
			continue
		}
		metrics[m.Name] = m.Type
		if m.HasAlias {
			if _, taken := n.aliases[m.Alias]; taken {
				bad(fmt.Sprintf("alias %d is given twice, so it means nothing", m.Alias))
				n.aliases[m.Alias] = definedAs{}
			} else {
				n.aliases[m.Alias] = definedAs{device, m.Name}
			}
		}
		if m.Timestamp == 0 {
			m.Timestamp = p.Timestamp
		}
		if m.Timestamp == 0 || m.Timestamp > MaxTimestamp {
			bad("its time is missing or beyond the year 9999")
			m.Timestamp, m.Value, m.Null = 0, nil, true
		}
		if m.Err != nil {
			bad(m.Err.Error())
			m.Value, m.Null = nil, true
		}
		kept = append(kept, m)
	}
	p.Metrics = kept
	return metrics, out
}

// nodeDeath ends the session, if the death belongs to it.
func (h *Host) nodeDeath(n *hostNode, p *Payload, now time.Time, out []Event) []Event {
	bdSeq, said := uint64(0), false
	for i := range p.Metrics {
		if p.Metrics[i].Name == MetricBdSeq {
			p.Metrics[i].Resolve(TypeInt64)
			bdSeq, said = wholeNumber(p.Metrics[i].Value)
		}
	}
	if n.born && n.hasBdSeq && (!said || bdSeq != n.bdSeq) {
		return append(out, &Problem{n.id, "", OldDeath, "", fmt.Sprintf("death with bdSeq %d in session %d", bdSeq, n.bdSeq)})
	}
	if !n.born {
		return out
	}
	out = append(out, &Death{Node: n.id, Devices: n.bornDevices(), BdSeq: n.bdSeq, At: now, Cause: Said})
	n.bury()
	return out
}

func (n *hostNode) bury() {
	n.born, n.devices, n.aliases, n.metrics = false, nil, nil, nil
	n.missed, n.missing, n.deadline = 0, [256]bool{}, time.Time{}
}

func (n *hostNode) bornDevices() []string {
	var names []string
	for name, d := range n.devices {
		if d.born {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func (h *Host) deviceDeath(n *hostNode, device string, p *Payload, now time.Time, out []Event) []Event {
	d := n.devices[device]
	if d == nil || !d.born {
		return out
	}
	d.born = false
	at := now
	if p.Timestamp != 0 && p.Timestamp <= MaxTimestamp {
		at = time.UnixMilli(int64(p.Timestamp)).UTC()
	}
	return append(out, &Death{Node: n.id, Device: device, BdSeq: n.bdSeq, At: at, Cause: Said})
}

// data resolves names and types of the metrics and hands them on.
func (h *Host) data(n *hostNode, device string, p *Payload, now time.Time, out []Event) []Event {
	metrics := n.metrics
	if device != "" {
		d := n.devices[device]
		if d == nil || !d.born {
			out = append(out, &Problem{n.id, device, NoBirth, "", "DDATA before the device's birth"})
			return h.order(n, now, "the birth of device "+device+" was not seen", out)
		}
		metrics = d.metrics
	}
	data := &Data{Node: n.id, Device: device, At: now, Sent: p.Timestamp}
	var rec Record
	why := ""
	for _, m := range p.Metrics {
		problem := func(kind ProblemKind, detail string) {
			out = append(out, &Problem{n.id, device, kind, m.Name, detail})
		}
		if m.HasAlias && m.Name == "" {
			as := n.aliases[m.Alias]
			if as.name == "" || as.device != device {
				problem(UnknownMetric, fmt.Sprintf("alias %d is not in the birth", m.Alias))
				why = "it sent a metric that is not in its birth"
				continue
			}
			m.Name = as.name
		}
		declared, known := metrics[m.Name]
		if !known && m.Name != "" {
			// Its value is still good if it says all about itself, and is kept.
			problem(UnknownMetric, "not in the birth")
			why = "it sent a metric that is not in its birth"
			declared = m.Type
		}
		if m.Name == "" || declared == TypeUnknown {
			problem(BadMetric, "neither a name nor an alias that can be read, or no type")
			continue
		}
		m.Resolve(declared)
		if m.Type != declared && !(m.Type.whole() && declared.whole()) {
			problem(BadMetric, fmt.Sprintf("type %d, declared %d", m.Type, declared))
			why = "it sent a metric of another type than in its birth"
			continue
		}
		if m.Err != nil {
			problem(BadMetric, m.Err.Error())
			if !m.Null {
				continue
			}
		}
		if device == "" && h.spoolMetric(n, &rec, &m) {
			continue
		}
		if m.Timestamp == 0 {
			m.Timestamp = p.Timestamp
		}
		if m.Timestamp == 0 || m.Timestamp > MaxTimestamp {
			problem(BadMetric, "its time is missing or beyond the year 9999")
			continue
		}
		data.Metrics = append(data.Metrics, m)
	}
	if why != "" {
		out = h.order(n, now, why, out)
	}
	if rec.Seq != 0 && n.spool != nil && n.spool.Stream != "" {
		rec.Stream, rec.Oldest = n.spool.Stream, n.spool.Oldest
		if rec.GapFrom == 0 || rec.GapTo < rec.GapFrom {
			rec.GapFrom, rec.GapTo = 0, 0
		}
		data.Record = &rec
	}
	if data.Record == nil && len(data.Metrics) == 0 {
		return out
	}
	return append(out, data)
}

// spoolMetric takes in a metric of the spool's contract; false: it is another.
func (h *Host) spoolMetric(n *hostNode, rec *Record, m *Metric) bool {
	v, _ := wholeNumber(m.Value)
	switch m.Name {
	case MetricLast:
		rec.Seq = v
	case MetricGapFrom:
		rec.GapFrom = v
	case MetricGapTo:
		rec.GapTo = v
	case MetricStream, MetricOldest, MetricAcked:
	case MetricBdSeq:
		return true
	default:
		return false
	}
	n.noteSpool(m)
	return true
}

// noteSpool keeps what a metric says of the node's spool.
func (n *hostNode) noteSpool(m *Metric) {
	s := n.spool
	if s == nil {
		s = &Spool{}
	}
	v, number := wholeNumber(m.Value)
	switch m.Name {
	case MetricStream:
		text, ok := m.Value.(string)
		if !ok || text == "" || len(text) > 64 {
			return
		}
		if s.Stream != "" && s.Stream != text {
			*s = Spool{} // numbers of another spool mean nothing here
		}
		s.Stream = text
	case MetricOldest:
		if number {
			s.Oldest = max(s.Oldest, v)
		}
	case MetricLast:
		if number {
			s.Last = max(s.Last, v)
		}
	case MetricAcked:
		if number {
			s.Acked = max(s.Acked, v)
		}
	default:
		return
	}
	n.spool = s
}

// sequence follows the one-byte counter of a node. A gap starts the reorder time;
// if the missing do not come within it, Tick orders a rebirth.
func (h *Host) sequence(n *hostNode, t Topic, p *Payload, now time.Time, out []Event) []Event {
	if !p.HasSeq || p.Seq > 255 {
		return append(out, &Problem{n.id, t.Device, SeqMissing, "", string(t.Kind) + " without a sequence number from 0 to 255"})
	}
	seq := uint8(p.Seq)
	ahead := seq - n.next // modulo 256
	switch {
	case n.missing[seq]:
		n.missing[seq] = false
		if n.missed--; n.missed == 0 {
			n.deadline = time.Time{}
		}
	case ahead < 128:
		for ; n.next != seq; n.next++ {
			if !n.missing[n.next] {
				n.missing[n.next] = true
				n.missed++
			}
		}
		n.next++
		if n.missed > 0 && n.deadline.IsZero() {
			n.deadline = now.Add(h.cfg.Reorder)
		}
	default:
		out = append(out, &Problem{n.id, t.Device, SeqRepeated, "", fmt.Sprintf("number %d where %d was due", seq, n.next)})
		out = h.order(n, now, "its sequence numbers went back", out)
		n.next = seq + 1
	}
	return out
}

// order emits a rebirth order, or keeps it until the next one is allowed.
func (h *Host) order(n *hostNode, now time.Time, why string, out []Event) []Event {
	if now.Before(n.orderFrom) {
		if n.wanted == "" {
			n.wanted = why
		}
		return out
	}
	if n.orderWait == 0 || now.Sub(n.orderFrom) > h.cfg.OrderAtMost {
		n.orderWait = h.cfg.OrderEvery // quiet for long enough: patience starts anew
	} else {
		n.orderWait = min(2*n.orderWait, h.cfg.OrderAtMost)
	}
	n.orderFrom = now.Add(n.orderWait)
	n.wanted = ""
	return append(out, &RebirthOrder{n.id, why})
}

// Ask wants the birth of a node that is known from before, at the given time: a
// host that starts late spreads these over some seconds. A birth that comes first
// makes it void.
func (h *Host) Ask(id NodeID, at time.Time) {
	n := h.node(id, at)
	if n == nil || n.born {
		return
	}
	n.wanted = "the host has started"
	if n.orderFrom.Before(at) {
		n.orderFrom = at
	}
}

// Next is when Tick has something to do; false: not before the next message.
func (h *Host) Next() (time.Time, bool) {
	var next time.Time
	sooner := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	for _, n := range h.nodes {
		if !n.deadline.IsZero() {
			sooner(n.deadline)
		}
		if n.wanted != "" {
			sooner(n.orderFrom)
		}
	}
	return next, !next.IsZero()
}

// Tick does what is due: gives up missing numbers and emits orders that waited.
func (h *Host) Tick(now time.Time) []Event {
	var out []Event
	for _, id := range h.Nodes() {
		n := h.nodes[id]
		if !n.deadline.IsZero() && !now.Before(n.deadline) {
			out = append(out, &Problem{n.id, "", SeqGap, "",
				fmt.Sprintf("%d messages did not come within %v", n.missed, h.cfg.Reorder)})
			n.missing, n.missed, n.deadline = [256]bool{}, 0, time.Time{}
			out = h.order(n, now, "messages are missing", out)
		}
		if n.wanted != "" && !now.Before(n.orderFrom) {
			out = h.order(n, now, n.wanted, out)
		}
	}
	return out
}

// Disconnected says that the host itself lost the broker: every node and device is
// stale until it is born again.
func (h *Host) Disconnected(now time.Time) []Event {
	var out []Event
	for _, id := range h.Nodes() {
		n := h.nodes[id]
		n.wanted = ""
		if n.born {
			out = append(out, &Death{Node: id, Devices: n.bornDevices(), BdSeq: n.bdSeq, At: now, Cause: HostAway})
			n.bury()
		}
	}
	return out
}

// Nodes lists the nodes of which anything was heard or asked, in order of name.
func (h *Host) Nodes() []NodeID {
	ids := make([]NodeID, 0, len(h.nodes))
	for id := range h.nodes {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b NodeID) int { return strings.Compare(a.String(), b.String()) })
	return ids
}

// Online reports whether a node is born, and when it was last heard of.
func (h *Host) Online(id NodeID) (online bool, seen time.Time) {
	if n := h.nodes[id]; n != nil {
		return n.born, n.seen
	}
	return false, time.Time{}
}

// Forget drops all that is known of a node, for instance when it is revoked.
func (h *Host) Forget(id NodeID) { delete(h.nodes, id) }

// whole reports whether a type is a whole number; their mixture (bdSeq as Int64
// or UInt64) is common and does no harm.
func (t DataType) whole() bool { return t >= TypeInt8 && t <= TypeUInt64 }

// wholeNumber reads a whole number that is not negative.
func wholeNumber(v any) (uint64, bool) {
	switch v := v.(type) {
	case int64:
		return uint64(max(v, 0)), v >= 0
	case uint64:
		return min(v, math.MaxInt64), v <= math.MaxInt64
	}
	return 0, false
}

// RebirthCommand is the payload of an NCMD that orders a node to send its birth
// again (QoS 0, not retained).
func RebirthCommand(now time.Time) *Payload {
	ms := uint64(now.UnixMilli())
	return &Payload{Timestamp: ms, Metrics: []Metric{
		{Name: MetricRebirth, Timestamp: ms, Type: TypeBoolean, Value: true},
	}}
}

// Confirmation is the payload of an NCMD that says 'stored up to upTo': every
// record of the stream up to and with this number is durably stored, or known to
// be lost and booked so (QoS 0, not retained).
func Confirmation(stream string, upTo uint64, now time.Time) *Payload {
	ms := uint64(now.UnixMilli())
	return &Payload{Timestamp: ms, Metrics: []Metric{
		{Name: MetricStream, Timestamp: ms, Type: TypeString, Transient: true, Value: stream},
		{Name: MetricAcked, Timestamp: ms, Type: TypeInt64, Transient: true, Value: int64(min(upTo, math.MaxInt64))},
	}}
}

// HostSession is the STATE of a host over one connection to the broker.
type HostSession struct {
	ID    string
	since uint64
}

// NewHostSession begins a connection; now goes into its will and its birth alike.
func NewHostSession(id string, now time.Time) *HostSession {
	return &HostSession{ID: id, since: uint64(now.UnixMilli())}
}

// Topic is the host's STATE topic: for the will and for all that follows, QoS 1,
// retained; and the first to be subscribed.
func (s *HostSession) Topic() Topic { return Topic{Kind: STATE, Node: s.ID} }

// Will is what the broker shall say if the host is cut off.
func (s *HostSession) Will() []byte { return State{false, s.since}.JSON() }

// Online is the host's birth, after the subscriptions and before anything else.
func (s *HostSession) Online() []byte { return State{true, s.since}.JSON() }

// Offline is what the host says before it leaves.
func (s *HostSession) Offline(now time.Time) []byte {
	return State{false, uint64(now.UnixMilli())}.JSON()
}

// Received looks at a message on the host's own STATE topic and reports whether
// Online must be published again: an older will has overwritten it.
func (s *HostSession) Received(payload []byte) (again bool) {
	st, err := ParseState(payload)
	return err != nil || !st.Online
}
