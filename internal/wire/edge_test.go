package wire

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
)

var t0 = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

func after(d time.Duration) time.Time { return t0.Add(d) }

func testChannels() []plant.Channel {
	return []plant.Channel{
		{Name: "feed_rate", Role: plant.FeedRate, Unit: "t/h"},
		{Name: "mill_current", Role: plant.MillCurrent, Unit: "A"},
		{Name: "pump", Role: plant.PumpRunning, Unit: "1"},
	}
}

func testEdge(t *testing.T, change ...func(*EdgeConfig)) *Edge {
	t.Helper()
	cfg := EdgeConfig{Group: "larkspur", Node: "mill", Channels: testChannels(), Version: "1.2.3"}
	for _, c := range change {
		c(&cfg)
	}
	e, err := NewEdge(cfg)
	require.NoError(t, err)
	e.Begin(7)
	return e
}

func good(v float64) plant.Reading { return plant.Reading{Value: v, Has: true, Quality: plant.Good} }

func testFrame(at time.Time, readings ...plant.Reading) *plant.Frame {
	return &plant.Frame{Time: at, ClockSet: true, Boot: "boot-1", Mono: time.Minute, Readings: readings}
}

var testSpool = Spool{Stream: "5b1f0c1e-0000-4000-8000-000000000001", Oldest: 3, Last: 9, Acked: 5}

func decode(t *testing.T, b []byte) *Payload {
	t.Helper()
	p, err := Decode(b)
	require.NoError(t, err)
	for _, m := range p.Metrics {
		require.NoError(t, m.Err, m.Name)
	}
	return p
}

func metric(t *testing.T, p *Payload, name string) Metric {
	t.Helper()
	for _, m := range p.Metrics {
		if m.Name == name {
			return m
		}
	}
	t.Fatalf("no metric %q", name)
	return Metric{}
}

func property(m Metric, key string) any {
	for _, p := range m.Properties {
		if p.Key == key {
			return p.Value
		}
	}
	return nil
}

func TestWillAndDeath(t *testing.T) {
	e := testEdge(t)
	for _, b := range [][]byte{e.Will(t0), e.Death(t0)} {
		p := decode(t, b)
		require.False(t, p.HasSeq, "a death has no sequence number")
		require.Len(t, p.Metrics, 1)
		require.Equal(t, MetricBdSeq, p.Metrics[0].Name)
		require.Equal(t, TypeInt64, p.Metrics[0].Type)
		require.Equal(t, int64(7), p.Metrics[0].Value)
	}
	require.Equal(t, "spBv1.0/larkspur/NDEATH/mill", e.Topic(NDEATH).String())
}

func TestBdSeqGoesRound(t *testing.T) {
	require.Equal(t, uint8(1), NextBdSeq(0))
	require.Equal(t, uint8(0), NextBdSeq(255))
}

func TestBirthDeclaresEverything(t *testing.T) {
	e := testEdge(t)
	f := testFrame(after(-time.Second), good(2.5), plant.Reading{Reason: plant.LoopFault}, good(1))
	p := decode(t, e.Birth(t0, f, testSpool))
	require.True(t, p.HasSeq)
	require.Zero(t, p.Seq)
	require.Equal(t, uint64(t0.UnixMilli()), p.Timestamp)

	want := map[string]struct {
		typ   DataType
		value any
	}{
		"Belt/feed_rate":    {TypeDouble, 2.5},
		"Mill/mill_current": {TypeDouble, nil},
		"Pond/pump":         {TypeDouble, 1.0},
		MetricBdSeq:         {TypeInt64, int64(7)},
		MetricRebirth:       {TypeBoolean, false},
		MetricStream:        {TypeString, testSpool.Stream},
		MetricOldest:        {TypeInt64, int64(3)},
		MetricLast:          {TypeInt64, int64(9)},
		MetricAcked:         {TypeInt64, int64(5)},
		MetricGapFrom:       {TypeInt64, nil},
		MetricGapTo:         {TypeInt64, nil},
		MetricBoot:          {TypeString, "boot-1"},
		MetricClockSet:      {TypeBoolean, true},
		MetricMono:          {TypeInt64, nil},
		MetricVersion:       {TypeString, "1.2.3"},
	}
	require.Len(t, p.Metrics, len(want))
	last := uint64(0)
	for _, m := range p.Metrics {
		w, ok := want[m.Name]
		require.True(t, ok, m.Name)
		require.Equal(t, w.typ, m.Type, m.Name)
		require.Equal(t, w.value, m.Value, m.Name)
		require.Equal(t, w.value == nil, m.Null, m.Name)
		require.GreaterOrEqual(t, m.Timestamp, max(last, 1), "in order of time")
		require.False(t, m.Historical)
		require.False(t, m.HasAlias)
		require.Equal(t, strings.HasPrefix(m.Name, "Spool/") || m.Name == MetricMono, m.Transient, m.Name)
		last = m.Timestamp
	}
	require.Equal(t, "t/h", property(metric(t, p, "Belt/feed_rate"), PropertyUnit))
	require.Nil(t, property(metric(t, p, "Belt/feed_rate"), PropertyQuality), "needed only when not good")
	bad := metric(t, p, "Mill/mill_current")
	require.Equal(t, int64(0), property(bad, PropertyQuality))
	require.Equal(t, TypeInt32, bad.Properties[1].Type)
	require.Equal(t, "loop-fault", property(bad, PropertyReason))
}

func TestBirthBeforeTheFirstFrame(t *testing.T) {
	e := testEdge(t, func(c *EdgeConfig) { c.Boot = "boot-2" })
	p := decode(t, e.Birth(t0, nil, Spool{Stream: "s"}))
	require.Equal(t, "boot-2", metric(t, p, MetricBoot).Value)
	data := decode(t, e.Data(t0, EdgeRecord{Seq: 1, Frame: testFrame(t0, good(1), good(1), good(1))}))
	require.Equal(t, true, metric(t, data, MetricClockSet).Value, "said with the first frame")
	require.Equal(t, "boot-1", metric(t, data, MetricBoot).Value)
	require.Len(t, p.Metrics, 15)
	m := metric(t, p, "Belt/feed_rate")
	require.True(t, m.Null)
	require.NotZero(t, m.Timestamp)
	require.Equal(t, int64(0), metric(t, p, MetricLast).Value, "an empty spool has given out no number")
	require.True(t, metric(t, p, MetricClockSet).Null, "not known yet")
}

func TestSequenceNumbers(t *testing.T) {
	e := testEdge(t)
	e.Birth(t0, nil, testSpool)
	for i := 1; i <= 600; i++ {
		p := decode(t, e.Data(t0, EdgeRecord{Seq: uint64(i), Frame: testFrame(t0, good(1), good(2), good(3))}))
		require.True(t, p.HasSeq)
		require.Equal(t, uint64(i%256), p.Seq)
	}
	require.Zero(t, decode(t, e.Birth(t0, nil, testSpool)).Seq)
	require.Equal(t, uint64(1), decode(t, e.Data(t0, EdgeRecord{Seq: 1})).Seq)
	require.Equal(t, int64(7), metric(t, decode(t, e.Birth(t0, nil, testSpool)), MetricBdSeq).Value, "a rebirth keeps bdSeq")
}

// TestDataQuality follows one channel through good, bad, suspect, stale and good
// again: zero is a value, missing is null, and a return to good is said once.
func TestDataQuality(t *testing.T) {
	e := testEdge(t)
	e.Birth(t0, testFrame(t0, good(1), good(1), good(1)), testSpool)
	for i, step := range []struct {
		name            string
		in              plant.Reading
		value           any
		quality, reason any
	}{
		{"good", good(0), 0.0, nil, nil},
		{"missing", plant.Reading{Reason: plant.NoAnswer}, nil, int64(0), "no-answer"},
		{"suspect", plant.Reading{Value: 9, Has: true, Reason: plant.Spike}, 9.0, int64(0), "spike"},
		{"stale", plant.Reading{Value: 9, Has: true, Quality: plant.Stale, Reason: plant.TooOld}, 9.0, int64(500), "too-old"},
		{"good again", good(2), 2.0, int64(192), nil},
		{"still good", good(3), 3.0, nil, nil},
		{"NaN", good(math.NaN()), nil, int64(0), "missing"},
		{"good without a value", plant.Reading{Quality: plant.Good}, nil, int64(0), "missing"},
	} {
		p := decode(t, e.Data(t0, EdgeRecord{Seq: uint64(10 + i), Frame: testFrame(t0, step.in, good(1), good(1))}))
		m := metric(t, p, "Belt/feed_rate")
		require.Equal(t, step.value, m.Value, step.name)
		require.Equal(t, step.value == nil, m.Null, step.name)
		require.Equal(t, step.quality, property(m, PropertyQuality), step.name)
		require.Equal(t, step.reason, property(m, PropertyReason), step.name)
		require.Equal(t, TypeDouble, m.Type)
		require.Equal(t, uint64(t0.UnixMilli()), m.Timestamp)
	}
}

func TestDataOfARecord(t *testing.T) {
	e := testEdge(t)
	e.Birth(t0, testFrame(t0, good(1), good(1), good(1)), testSpool)

	live := decode(t, e.Data(t0, EdgeRecord{Seq: 10, Frame: testFrame(t0, good(1), good(2), good(3)), Oldest: 3}))
	require.Equal(t, "boot-1", e.boot)
	require.Len(t, live.Metrics, 4, "readings and the record's number, nothing that has not changed")
	require.Equal(t, int64(10), metric(t, live, MetricLast).Value)
	require.True(t, metric(t, live, MetricLast).Transient)
	require.False(t, metric(t, live, "Belt/feed_rate").Historical)

	past := testFrame(after(-time.Hour), good(1), good(2), good(3))
	past.Boot, past.ClockSet, past.Mono = "boot-0", false, 90*time.Second
	old := decode(t, e.Data(t0, EdgeRecord{Seq: 4, Frame: past, Historical: true, Oldest: 4, GapFrom: 1, GapTo: 3}))
	for _, name := range []string{"Belt/feed_rate", "Mill/mill_current", "Pond/pump", MetricBoot, MetricClockSet, MetricMono} {
		m := metric(t, old, name)
		require.True(t, m.Historical, name)
		require.Equal(t, uint64(past.Time.UnixMilli()), m.Timestamp, "its own time")
	}
	require.Equal(t, "boot-0", metric(t, old, MetricBoot).Value)
	require.Equal(t, false, metric(t, old, MetricClockSet).Value)
	require.Equal(t, int64(90000), metric(t, old, MetricMono).Value)
	require.Equal(t, int64(1), metric(t, old, MetricGapFrom).Value)
	require.Equal(t, int64(3), metric(t, old, MetricGapTo).Value)
	require.Equal(t, int64(4), metric(t, old, MetricOldest).Value, "it has risen")

	gone := decode(t, e.Data(t0, EdgeRecord{Seq: 11, GapFrom: 11, GapTo: 11}))
	require.Len(t, gone.Metrics, 3, "a record that cannot be read says so")
	for _, p := range []*Payload{live, old, gone} {
		for _, m := range p.Metrics {
			require.NotZero(t, m.Timestamp)
			require.NotEqual(t, TypeUnknown, m.Type)
		}
	}
}

func TestAliasesAndOmittedTypes(t *testing.T) {
	e := testEdge(t, func(c *EdgeConfig) { c.Aliases, c.OmitTypes = true, true })
	frame := testFrame(t0, good(1), plant.Reading{}, good(3))
	birth := decode(t, e.Birth(t0, frame, testSpool))
	seen := map[uint64]bool{}
	for _, m := range birth.Metrics {
		require.NotEmpty(t, m.Name, "a birth has both name and alias")
		require.NotEqual(t, TypeUnknown, m.Type)
		if m.HasAlias {
			require.False(t, seen[m.Alias])
			seen[m.Alias] = true
		}
	}
	require.Len(t, seen, 3)
	require.False(t, metric(t, birth, MetricRebirth).HasAlias)
	require.False(t, metric(t, birth, MetricAcked).HasAlias)

	raw := e.Data(t0, EdgeRecord{Seq: 10, Frame: frame})
	p, err := Decode(raw)
	require.NoError(t, err)
	for _, m := range p.Metrics[:3] {
		require.Empty(t, m.Name)
		require.True(t, m.HasAlias)
		require.Equal(t, TypeUnknown, m.Type)
	}

	// The host makes the same of it as of the readable form.
	h := NewHost(HostConfig{})
	h.Receive(e.Topic(NBIRTH), birth.Append(nil), t0)
	data := h.Receive(e.Topic(NDATA), raw, t0)[0].(*Data)
	require.Equal(t, "Belt/feed_rate", data.Metrics[0].Name)
	require.Equal(t, 1.0, data.Metrics[0].Value)
	require.Equal(t, TypeDouble, data.Metrics[0].Type)
	require.True(t, data.Metrics[1].Null)
	require.Equal(t, uint64(10), data.Record.Seq)
}

func TestNewEdgeRefuses(t *testing.T) {
	many := make([]plant.Channel, 700)
	for i := range many {
		many[i] = plant.Channel{Name: strings.Repeat("c", 10) + string(rune('a'+i%26)) + strings.Repeat("d", i/26), Unit: "A"}
	}
	for name, change := range map[string]func(*EdgeConfig){
		"group with a slash":   func(c *EdgeConfig) { c.Group = "a/b" },
		"group STATE":          func(c *EdgeConfig) { c.Group = "STATE" },
		"no id":                func(c *EdgeConfig) { c.Node = "" },
		"name twice":           func(c *EdgeConfig) { c.Channels[1].Metric = "Belt/feed_rate" },
		"name but for case":    func(c *EdgeConfig) { c.Channels[1].Metric = "belt/Feed_Rate" },
		"the node's own name":  func(c *EdgeConfig) { c.Channels[1].Metric = MetricAcked },
		"name that is no text": func(c *EdgeConfig) { c.Channels[1].Metric = "a\xff" },
		"more than one birth":  func(c *EdgeConfig) { c.Channels = many },
	} {
		cfg := EdgeConfig{Group: "larkspur", Node: "mill", Channels: testChannels()}
		change(&cfg)
		_, err := NewEdge(cfg)
		require.Error(t, err, name)
	}
}

func TestCommands(t *testing.T) {
	stream := func(v string) Metric { return Metric{Name: MetricStream, Type: TypeString, Value: v} }
	acked := func(v int64) Metric { return Metric{Name: MetricAcked, Type: TypeInt64, Value: v} }
	tests := []struct {
		name    string
		metrics []Metric
		want    Command // Ignored is compared by its length
	}{
		{"rebirth", RebirthCommand(t0).Metrics, Command{Rebirth: true}},
		{"confirmation", Confirmation(testSpool.Stream, 8, t0).Metrics, Command{Confirms: true, UpTo: 8}},
		{"up to the last number", Confirmation(testSpool.Stream, 9, t0).Metrics, Command{Confirms: true, UpTo: 9}},
		{"not risen", Confirmation(testSpool.Stream, 5, t0).Metrics, Command{Confirms: true}},
		{"fallen", Confirmation(testSpool.Stream, 4, t0).Metrics, Command{Confirms: true, Fell: true, FellTo: 4}},
		{"above the last number", Confirmation(testSpool.Stream, 10, t0).Metrics, Command{Ignored: make([]string, 1)}},
		{"another stream", Confirmation("other", 8, t0).Metrics, Command{Ignored: make([]string, 1)}},
		{"stream alone", []Metric{stream(testSpool.Stream)}, Command{Ignored: make([]string, 1)}},
		{"number alone", []Metric{acked(8)}, Command{Ignored: make([]string, 1)}},
		{"negative", []Metric{stream(testSpool.Stream), acked(-1)}, Command{Ignored: make([]string, 2)}},
		{"as UInt64", []Metric{stream(testSpool.Stream), {Name: MetricAcked, Type: TypeUInt64, Value: uint64(8)}}, Command{Confirms: true, UpTo: 8}},
		{"as Double", []Metric{stream(testSpool.Stream), {Name: MetricAcked, Type: TypeDouble, Value: 8.0}}, Command{Ignored: make([]string, 2)}},
		{"rebirth false", []Metric{{Name: MetricRebirth, Type: TypeBoolean, Value: false}}, Command{Ignored: make([]string, 1)}},
		{"rebirth as a number", []Metric{{Name: MetricRebirth, Type: TypeInt64, Value: int64(1)}}, Command{Ignored: make([]string, 1)}},
		{"rebirth null", []Metric{{Name: MetricRebirth, Type: TypeBoolean, Null: true}}, Command{Ignored: make([]string, 1)}},
		{"rebirth by alias", []Metric{{Alias: 1, HasAlias: true, Type: TypeBoolean, Value: true}}, Command{Ignored: make([]string, 1)}},
		{"a reading", []Metric{{Name: "Belt/feed_rate", Type: TypeDouble, Value: 1.0}}, Command{Ignored: make([]string, 1)}},
		{"both commands and rubbish", append(append(RebirthCommand(t0).Metrics, Confirmation(testSpool.Stream, 6, t0).Metrics...), Metric{Name: "x", Type: TypeBoolean, Value: true}),
			Command{Rebirth: true, Confirms: true, UpTo: 6, Ignored: make([]string, 1)}},
		{"nothing", nil, Command{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			e := testEdge(t)
			e.Birth(t0, nil, testSpool)
			p := Payload{Timestamp: 1, Metrics: tt.metrics}
			got := e.Command(p.Append(nil), testSpool)
			require.Len(t, got.Ignored, len(tt.want.Ignored))
			got.Ignored, tt.want.Ignored = nil, nil
			require.Equal(t, tt.want, got)
			due, _ := e.BirthDue(t0)
			require.Equal(t, tt.want.Rebirth, due)
		})
	}
	require.Len(t, testEdge(t).Command([]byte("rubbish"), testSpool).Ignored, 1)
}

func TestCommandWithoutTypes(t *testing.T) {
	// 3 timestamp left out; name, then the bare value.
	e := testEdge(t)
	e.Birth(t0, nil, testSpool)
	var b []byte
	b = append(b, appendBytesField(nil, 2, append(appendBytesField(nil, 1, MetricRebirth), 0x70, 1))...)
	require.True(t, e.Command(b, testSpool).Rebirth)
}

// TestRebirthsAreMerged: a burst of orders makes one birth at once and at most one
// a second later; no data may go out while one is due.
func TestRebirthsAreMerged(t *testing.T) {
	e := testEdge(t)
	e.Birth(t0, nil, testSpool)
	order := RebirthCommand(t0).Append(nil)
	require.False(t, first(e.BirthDue(t0)))

	e.Command(order, testSpool)
	due, wait := e.BirthDue(after(300 * time.Millisecond))
	require.True(t, due)
	require.Equal(t, 700*time.Millisecond, wait, "one second after the birth before")
	for range 50 {
		e.Command(order, testSpool)
	}
	due, wait = e.BirthDue(after(time.Second))
	require.True(t, due)
	require.Zero(t, wait)
	e.Birth(after(time.Second), nil, testSpool)
	require.False(t, first(e.BirthDue(after(time.Second))), "one birth answers the whole burst")

	e.Command(order, testSpool)
	_, wait = e.BirthDue(after(-time.Hour))
	require.LessOrEqual(t, wait, BirthSpacing, "a clock that was set back does not put it off")

	e.Begin(8)
	require.False(t, first(e.BirthDue(t0)), "a new connection starts with its own birth")
}

func first(due bool, _ time.Duration) bool { return due }

func TestPrimaryHost(t *testing.T) {
	var p PrimaryHost
	for i, step := range []struct {
		in   State
		want bool
	}{
		{State{false, 10}, false},
		{State{true, 9}, false}, // older than the last one seen
		{State{true, 10}, true},
		{State{false, 9}, true}, // an old will
		{State{false, 10}, false},
		{State{true, 20}, true},
		{State{false, 30}, false},
	} {
		p.Received(step.in)
		require.Equal(t, step.want, p.Online, "step %d", i)
	}
	p.Received(State{true, 40})
	p.Begin()
	require.False(t, p.Online)
}
