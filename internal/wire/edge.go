package wire

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"decktrim/internal/plant"
	"decktrim/internal/units"
)

// Names of the metrics in which a node speaks of itself. All are declared in the
// birth; data repeats them only when they have changed.
const (
	MetricBoot     = "Node/Boot"      // String, the kernel's boot id under which the readings were taken
	MetricClockSet = "Node/Clock Set" // Boolean; false: the times of the readings are a guess
	MetricMono     = "Node/Mono"      // Int64, ms since that boot; with every record whose clock was not set
	MetricVersion  = "Node/Version"   // String, of the board's program
)

// BirthSpacing is the shortest time between two births on one connection: orders
// that come within it are merged into one.
const BirthSpacing = time.Second

// EdgeConfig is what a node says of itself.
type EdgeConfig struct {
	Group, Node string
	Channels    []plant.Channel // in the order of the frames' readings
	Version     string          // of the program
	Boot        string          // the kernel's boot id now
	Aliases     bool            // data by number instead of name: about half the bytes
	OmitTypes   bool            // data without datatypes: two bytes a value less, but simple decoders lose values
}

// Edge is the Sparkplug session of an edge node without devices: what it must say
// next. It is pure and belongs to the one goroutine that owns the connection, so
// that the order of its numbers is the order on the wire.
//
// On each connection: Begin, Will into the CONNECT, Birth once subscribed, then
// Data; Command for each NCMD; BirthDue before each Data; Death before leaving.
type Edge struct {
	cfg   EdgeConfig
	names []string // of the channels' metrics
	units []string // UCUM

	bdSeq     uint8
	seq       uint8 // of the next message
	born      bool
	lastBirth time.Time
	ordered   bool // a birth is ordered

	// What data has last said, so that only changes are said again.
	quality []plant.Quality
	boot    string
	clock   clockState
	oldest  uint64
}

// clockState is what was last said of the clock.
type clockState byte

const (
	clockUnsaid clockState = iota
	clockIsSet
	clockNotSet
)

func clockOf(f *plant.Frame) clockState {
	if f.ClockSet {
		return clockIsSet
	}
	return clockNotSet
}

// EdgeRecord is one record of the spool on its way out.
type EdgeRecord struct {
	Seq        uint64
	Frame      *plant.Frame // nil: it cannot be read, and stands in the gap itself
	GapFrom    uint64       // numbers that will never come; 0: none
	GapTo      uint64
	Historical bool   // not to be taken for the present
	Oldest     uint64 // oldest record still held
}

// NewEdge checks the configuration. The errors are for people: they name what is
// wrong in the plant or board file.
func NewEdge(cfg EdgeConfig) (*Edge, error) {
	if !ValidID(cfg.Group) || cfg.Group == string(STATE) {
		return nil, fmt.Errorf("the node's group %q is not legal: use a to z, 0 to 9 and the hyphen", cfg.Group)
	}
	if !ValidID(cfg.Node) {
		return nil, fmt.Errorf("the node's id %q is not legal: use a to z, 0 to 9 and the hyphen", cfg.Node)
	}
	e := &Edge{cfg: cfg, quality: make([]plant.Quality, len(cfg.Channels))}
	taken := map[string]string{}
	for _, name := range ownMetrics() {
		taken[strings.ToLower(name)] = "the node itself"
	}
	for _, c := range cfg.Channels {
		name := c.MetricName()
		if name == "" || len(name) > MaxText || !cleanText(name) {
			return nil, fmt.Errorf("channel %q: the metric name %q is not legal", c.Name, name)
		}
		if by, twice := taken[strings.ToLower(name)]; twice { // equal but for case is discouraged too
			return nil, fmt.Errorf("channel %q: the metric name %q is taken by %s; give it another with metric = \"...\"", c.Name, name, by)
		}
		taken[strings.ToLower(name)] = fmt.Sprintf("channel %q", c.Name)
		e.names = append(e.names, name)
		e.units = append(e.units, cmp.Or(units.UCUM(c.Unit), c.Unit))
	}
	// Neither a birth nor a record can be split, so the largest of each must fit.
	worst := plant.Frame{Time: time.UnixMilli(MaxTimestamp), Boot: strings.Repeat("x", 36), Readings: make([]plant.Reading, len(cfg.Channels))}
	for i := range worst.Readings {
		worst.Readings[i] = plant.Reading{Value: 1, Has: true, Reason: plant.LoopUncertain}
	}
	birth := e.Birth(worst.Time, &worst, Spool{Stream: strings.Repeat("x", 36), Oldest: math.MaxInt64, Last: math.MaxInt64, Acked: math.MaxInt64})
	if len(birth) > MaxSent {
		return nil, fmt.Errorf("%d channels make a birth of %d bytes, above the limit of %d: divide them among several nodes", len(cfg.Channels), len(birth), MaxSent)
	}
	e.Begin(0)
	return e, nil
}

// ownMetrics names the metrics that every node declares beside its channels.
func ownMetrics() []string {
	return []string{MetricBdSeq, MetricRebirth, MetricStream, MetricOldest, MetricLast, MetricAcked,
		MetricGapFrom, MetricGapTo, MetricBoot, MetricClockSet, MetricMono, MetricVersion}
}

// NextBdSeq is the birth-death number after prev: 0 to 255 and round again.
func NextBdSeq(prev uint8) uint8 { return prev + 1 }

// Topic is the node's topic of a kind.
func (e *Edge) Topic(k Kind) Topic { return Topic{Group: e.cfg.Group, Kind: k, Node: e.cfg.Node} }

// Begin starts a new connection under a birth-death number that has been raised by
// one since the last CONNECT and stored.
func (e *Edge) Begin(bdSeq uint8) {
	e.bdSeq, e.born, e.ordered, e.lastBirth = bdSeq, false, false, time.Time{}
	for i := range e.quality {
		e.quality[i] = plant.Good // what a host takes a metric to be that says nothing
	}
}

// Will is the payload of the NDEATH that goes into the CONNECT (QoS 1, not
// retained): bdSeq alone, no sequence number.
func (e *Edge) Will(now time.Time) []byte { return e.Death(now) }

// Death is the payload of the NDEATH that is published before a DISCONNECT, which
// cancels the will.
func (e *Edge) Death(now time.Time) []byte {
	ms := millis(now)
	p := Payload{Timestamp: ms, Metrics: []Metric{{Name: MetricBdSeq, Timestamp: ms, Type: TypeInt64, Value: int64(e.bdSeq)}}}
	return p.Append(nil)
}

// Birth is the NBIRTH: sequence number 0, every metric with name, type, time and
// value or null. f is the newest frame; nil if there is none.
func (e *Edge) Birth(now time.Time, f *plant.Frame, s Spool) []byte {
	ms := millis(now)
	p := Payload{Timestamp: ms, HasSeq: true, Seq: 0}
	e.seq, e.born, e.ordered, e.lastBirth = 1, true, false, now
	e.oldest = s.Oldest

	at := ms
	e.boot, e.clock = e.cfg.Boot, clockUnsaid
	clock := Metric{Name: MetricClockSet, Timestamp: ms, Type: TypeBoolean, Null: true}
	mono := Metric{Name: MetricMono, Type: TypeInt64, Timestamp: ms, Transient: true, Null: true}
	if f != nil {
		at = millis(f.Time)
		e.boot, e.clock = f.Boot, clockOf(f)
		clock.Null, clock.Value = false, f.ClockSet
		if !f.ClockSet {
			mono.Null, mono.Value = false, f.Mono.Milliseconds()
		}
	}
	for i := range e.names {
		var r plant.Reading
		if f != nil && i < len(f.Readings) {
			r = f.Readings[i]
		} else {
			r.Reason = plant.Missing
		}
		m := Metric{Name: e.names[i], Timestamp: at, Type: TypeDouble}
		if e.units[i] != "" {
			m.Properties = append(m.Properties, Property{Key: PropertyUnit, Type: TypeString, Value: e.units[i]})
		}
		e.setReading(&m, i, r)
		e.alias(&m, i)
		p.Metrics = append(p.Metrics, m)
	}
	number := func(name string, v uint64, known bool) Metric {
		m := Metric{Name: name, Timestamp: ms, Type: TypeInt64, Transient: true, Null: !known}
		if known {
			m.Value = int64(min(v, math.MaxInt64))
		}
		return m
	}
	boot := Metric{Name: MetricBoot, Timestamp: ms, Type: TypeString, Null: e.boot == ""}
	if e.boot != "" {
		boot.Value = e.boot
	}
	p.Metrics = append(p.Metrics,
		Metric{Name: MetricBdSeq, Timestamp: ms, Type: TypeInt64, Value: int64(e.bdSeq)},
		Metric{Name: MetricRebirth, Timestamp: ms, Type: TypeBoolean, Value: false},
		Metric{Name: MetricStream, Timestamp: ms, Type: TypeString, Transient: true, Value: s.Stream},
		number(MetricOldest, s.Oldest, true),
		number(MetricLast, s.Last, true),
		number(MetricAcked, s.Acked, true),
		number(MetricGapFrom, 0, false),
		number(MetricGapTo, 0, false),
		boot,
		clock,
		mono,
		Metric{Name: MetricVersion, Timestamp: ms, Type: TypeString, Value: e.cfg.Version},
	)
	inOrderOfTime(p.Metrics)
	return p.Append(nil)
}

// Data is the NDATA of one record. It must not be called before Birth, nor while
// BirthDue is true.
func (e *Edge) Data(now time.Time, r EdgeRecord) []byte {
	ms := millis(now)
	p := Payload{Timestamp: ms, HasSeq: true, Seq: uint64(e.seq)}
	e.seq++ // 255 is followed by 0
	add := func(m Metric) {
		if e.cfg.OmitTypes {
			m.omitType()
		}
		p.Metrics = append(p.Metrics, m)
	}
	if f := r.Frame; f != nil {
		at := millis(f.Time)
		for i := range min(len(e.names), len(f.Readings)) {
			m := Metric{Name: e.names[i], Timestamp: at, Type: TypeDouble, Historical: r.Historical}
			e.setReading(&m, i, f.Readings[i])
			if e.alias(&m, i) {
				m.Name = ""
			}
			add(m)
		}
		if f.Boot != e.boot && f.Boot != "" {
			e.boot = f.Boot
			add(Metric{Name: MetricBoot, Timestamp: at, Type: TypeString, Historical: r.Historical, Value: f.Boot})
		}
		if c := clockOf(f); c != e.clock {
			e.clock = c
			add(Metric{Name: MetricClockSet, Timestamp: at, Type: TypeBoolean, Historical: r.Historical, Value: f.ClockSet})
		}
		if !f.ClockSet {
			add(Metric{Name: MetricMono, Timestamp: at, Type: TypeInt64, Historical: r.Historical, Transient: true, Value: f.Mono.Milliseconds()})
		}
	}
	number := func(name string, v uint64) {
		add(Metric{Name: name, Timestamp: ms, Type: TypeInt64, Transient: true, Value: int64(min(v, math.MaxInt64))})
	}
	number(MetricLast, r.Seq)
	if r.GapFrom != 0 {
		number(MetricGapFrom, r.GapFrom)
		number(MetricGapTo, r.GapTo)
	}
	if r.Oldest > e.oldest {
		e.oldest = r.Oldest
		number(MetricOldest, r.Oldest)
	}
	inOrderOfTime(p.Metrics)
	return p.Append(nil)
}

// setReading puts a reading into a metric: a bad reading without a value is null,
// never 0. Quality is said when it is not good, and once when it is good again.
func (e *Edge) setReading(m *Metric, i int, r plant.Reading) {
	has := r.Has && finite(r.Value)
	q := r.Quality
	if !has && q == plant.Good {
		q, r.Reason = plant.Bad, cmp.Or(r.Reason, plant.Missing)
	}
	if has {
		m.Value = r.Value
	} else {
		m.Null = true
	}
	if q != plant.Good || e.quality[i] != plant.Good {
		m.Properties = append(m.Properties, Property{Key: PropertyQuality, Type: TypeInt32, Value: int64(q)})
	}
	if q != plant.Good && r.Reason != "" {
		m.Properties = append(m.Properties, Property{Key: PropertyReason, Type: TypeString, Value: string(r.Reason)})
	}
	e.quality[i] = q
}

// alias gives channel i its number, if aliases are used. The node's own metrics
// have none: those a host writes must be written by name.
func (e *Edge) alias(m *Metric, i int) bool {
	if e.cfg.Aliases {
		m.Alias, m.HasAlias = uint64(i)+1, true
	}
	return e.cfg.Aliases
}

// inOrderOfTime sorts by time, equal times as they stand: metrics of one payload
// that are not historical must be in order.
func inOrderOfTime(ms []Metric) {
	slices.SortStableFunc(ms, func(a, b Metric) int { return cmp.Compare(a.Timestamp, b.Timestamp) })
}

// millis is a time on the wire. 0 would mean absent, so nothing is before 1.
func millis(t time.Time) uint64 { return uint64(min(max(t.UnixMilli(), 1), MaxTimestamp)) }

// Command is what an NCMD means to the node. There are these two and no others.
type Command struct {
	Rebirth  bool     // send your birth again
	Confirms bool     // the host confirms this spool, risen or not
	UpTo     uint64   // stored up to; 0: nothing new
	Fell     bool     // the host says less than it confirmed before: an older copy of its store was restored
	FellTo   uint64   // what it says then
	Ignored  []string // what was not obeyed and why, for the log
}

// Command reads the payload of an NCMD. An order of a birth is also noted for
// BirthDue. s is the spool as it stands.
func (e *Edge) Command(payload []byte, s Spool) Command {
	var c Command
	p, err := Decode(payload)
	if err != nil {
		return Command{Ignored: []string{err.Error()}}
	}
	ignore := func(m *Metric, why string) {
		c.Ignored = append(c.Ignored, fmt.Sprintf("metric %.80q: %s", m.Name, why))
	}
	var stream *string
	var acked *uint64
	for i := range p.Metrics {
		m := &p.Metrics[i]
		switch m.Name {
		case MetricRebirth:
			m.Resolve(TypeBoolean)
			if yes, ok := m.Value.(bool); ok && yes && m.Type == TypeBoolean {
				c.Rebirth = true
			} else {
				ignore(m, "not the Boolean true")
			}
		case MetricStream:
			m.Resolve(TypeString)
			if text, ok := m.Value.(string); ok {
				stream = &text
			} else {
				ignore(m, "not a text")
			}
		case MetricAcked:
			m.Resolve(TypeInt64)
			if n, ok := wholeNumber(m.Value); ok && m.Value != nil {
				acked = &n
			} else {
				ignore(m, "not a whole number")
			}
		default:
			ignore(m, "no command")
		}
	}
	if stream != nil || acked != nil {
		why := confirmation(stream, acked, s)
		switch {
		case why != nil:
			c.Ignored = append(c.Ignored, why.Error())
		default:
			c.Confirms = true
			switch {
			case *acked > s.Acked:
				c.UpTo = *acked
			case *acked < s.Acked:
				c.Fell, c.FellTo = true, *acked
			}
		}
	}
	e.ordered = e.ordered || c.Rebirth && e.born
	return c
}

// confirmation says why a confirmation is not to be believed.
func confirmation(stream *string, acked *uint64, s Spool) error {
	switch {
	case stream == nil || acked == nil:
		return errors.New("a confirmation needs the stream and the number together")
	case *stream != s.Stream:
		return fmt.Errorf("a confirmation for another stream, %.80q", *stream)
	case *acked > s.Last:
		return fmt.Errorf("a confirmation up to %d, above the last number %d", *acked, s.Last)
	}
	return nil
}

// BirthDue says that a birth is ordered, so that no data may go out, and how long
// to wait before sending it: orders in a burst are merged into one birth a second.
func (e *Edge) BirthDue(now time.Time) (due bool, wait time.Duration) {
	if !e.ordered {
		return false, 0
	}
	// A clock that was set back must not put the birth off.
	return true, min(max(0, e.lastBirth.Add(BirthSpacing).Sub(now)), BirthSpacing)
}

// BdSeq is the birth-death number of this connection.
func (e *Edge) BdSeq() uint8 { return e.bdSeq }

// PrimaryHost follows the STATE of the host a node is told to wait for. The zero
// value has seen nothing; it outlives connections, Begin starts each.
type PrimaryHost struct {
	Online bool
	last   uint64 // newest time seen
}

// Begin starts a connection: the host counts as away until its STATE says else.
func (p *PrimaryHost) Begin() { p.Online = false }

// Received takes a STATE. One that is older than the newest seen is ignored,
// whichever way it points.
func (p *PrimaryHost) Received(s State) {
	if s.Timestamp >= p.last {
		p.Online, p.last = s.Online, s.Timestamp
	}
}
