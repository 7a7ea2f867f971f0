package wire

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var mill = NodeID{"larkspur", "mill"}

func nodeTopic(k Kind) Topic { return Topic{Group: "larkspur", Kind: k, Node: "mill"} }
func deviceTopic(k Kind) Topic {
	return Topic{Group: "larkspur", Kind: k, Node: "mill", Device: "scale"}
}

func double(name string, v float64) Metric {
	return Metric{Name: name, Timestamp: uint64(t0.UnixMilli()), Type: TypeDouble, Value: v}
}

func bdSeqMetric(n int64) Metric {
	return Metric{Name: MetricBdSeq, Timestamp: uint64(t0.UnixMilli()), Type: TypeInt64, Value: n}
}

func message(seq int, ms ...Metric) []byte {
	p := Payload{Timestamp: uint64(t0.UnixMilli()), Metrics: ms}
	if seq >= 0 {
		p.Seq, p.HasSeq = uint64(seq), true
	}
	return p.Append(nil)
}

func birthOf(bdSeq int64, more ...Metric) []byte {
	return message(0, append([]Metric{bdSeqMetric(bdSeq), double("a", 1),
		{Name: MetricRebirth, Timestamp: 1, Type: TypeBoolean, Value: false}}, more...)...)
}

// said puts events into short words, for tables.
func said(events []Event) []string {
	out := []string{}
	for _, e := range events {
		switch e := e.(type) {
		case *Birth:
			out = append(out, fmt.Sprintf("birth%s new=%t", slash(e.Device), e.NewSession))
		case *Data:
			out = append(out, fmt.Sprintf("data%s %d", slash(e.Device), len(e.Metrics)))
		case *Death:
			out = append(out, fmt.Sprintf("death%s %s", slash(e.Device), e.Cause))
		case *RebirthOrder:
			out = append(out, "order")
		case *Problem:
			out = append(out, string(e.Kind))
		}
	}
	return out
}

func slash(device string) string {
	if device == "" {
		return ""
	}
	return "/" + device
}

func TestHostSession(t *testing.T) {
	type step struct {
		at    time.Duration
		topic Topic
		bytes []byte
		want  []string
	}
	withSeq := func(seq int) []byte { return message(seq, double("a", 2)) }
	death := func(bdSeq int64) []byte { return message(-1, bdSeqMetric(bdSeq)) }
	tests := []struct {
		name  string
		steps []step
	}{
		{"birth, data, death", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, nodeTopic(NDATA), withSeq(1), []string{"data 1"}},
			{0, nodeTopic(NDATA), withSeq(2), []string{"data 1"}},
			{0, nodeTopic(NDEATH), death(1), []string{"death said"}},
			{0, nodeTopic(NDEATH), death(1), []string{}}, // the will after the node's own word
			{0, nodeTopic(NDATA), withSeq(3), []string{"no-birth", "order"}},
		}},
		{"an old will after a new birth is ignored", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, nodeTopic(NBIRTH), birthOf(2), []string{"death superseded", "birth new=true"}},
			{0, nodeTopic(NDEATH), death(1), []string{"old-death"}},
			{0, nodeTopic(NDATA), withSeq(1), []string{"data 1"}},
			{0, nodeTopic(NDEATH), death(2), []string{"death said"}},
		}},
		{"bdSeq as UInt64, as older libraries send it", []step{
			{0, nodeTopic(NBIRTH), message(0, Metric{Name: MetricBdSeq, Timestamp: 1, Type: TypeUInt64, Value: uint64(4)}, double("a", 1)), []string{"birth new=true"}},
			{0, nodeTopic(NDEATH), death(4), []string{"death said"}},
		}},
		{"rebirth in the same session", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, deviceTopic(DBIRTH), message(1, double("w", 1)), []string{"birth/scale new=true"}},
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"death/scale superseded", "birth new=false"}},
			{0, deviceTopic(DDATA), message(1, double("w", 1)), []string{"no-birth", "order"}},
			{0, deviceTopic(DBIRTH), message(2, double("w", 1)), []string{"birth/scale new=true"}},
			{0, deviceTopic(DDATA), message(3, double("w", 1)), []string{"data/scale 1"}},
			{0, deviceTopic(DDEATH), message(4), []string{"death/scale said"}},
			{0, deviceTopic(DDEATH), message(5), []string{}},
			{0, nodeTopic(NDATA), withSeq(6), []string{"data 1"}}, // one counter for all
		}},
		{"a node's death takes its devices along", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, deviceTopic(DBIRTH), message(1, double("w", 1)), []string{"birth/scale new=true"}},
			{0, nodeTopic(NDEATH), death(1), []string{"death said"}},
			{0, deviceTopic(DDATA), message(2, double("w", 1)), []string{"no-birth", "order"}},
		}},
		{"late: data without a birth", []step{
			{0, nodeTopic(NDATA), withSeq(9), []string{"no-birth", "order"}},
			{0, nodeTopic(NDATA), withSeq(10), []string{"no-birth"}}, // one order is enough
			{0, deviceTopic(DDEATH), message(11), []string{"no-birth"}},
			{time.Second, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{time.Second, nodeTopic(NDATA), withSeq(1), []string{"data 1"}},
		}},
		{"255 is followed by 0", []step{
			{0, nodeTopic(NBIRTH), message(254, bdSeqMetric(1), double("a", 1)), []string{"bad-birth", "birth new=true"}},
			{0, nodeTopic(NDATA), withSeq(255), []string{"data 1"}},
			{0, nodeTopic(NDATA), withSeq(0), []string{"data 1"}},
		}},
		{"a gap that closes in time orders nothing", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, nodeTopic(NDATA), withSeq(3), []string{"data 1"}}, // handed on as it comes
			{time.Second, nodeTopic(NDATA), withSeq(2), []string{"data 1"}},
			{1900 * time.Millisecond, nodeTopic(NDATA), withSeq(1), []string{"data 1"}},
			{3 * time.Second, Topic{}, nil, []string{}},
			{3 * time.Second, nodeTopic(NDATA), withSeq(4), []string{"data 1"}},
		}},
		{"a gap that stays orders a birth after the reorder time", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, nodeTopic(NDATA), withSeq(3), []string{"data 1"}},
			{time.Second, nodeTopic(NDATA), withSeq(2), []string{"data 1"}},
			{1999 * time.Millisecond, Topic{}, nil, []string{}},
			{2 * time.Second, Topic{}, nil, []string{"seq-gap", "order"}},
			{9 * time.Second, Topic{}, nil, []string{}},
		}},
		{"a number that was there before", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, nodeTopic(NDATA), withSeq(1), []string{"data 1"}},
			{0, nodeTopic(NDATA), withSeq(1), []string{"seq-repeated", "order", "data 1"}},
		}},
		{"no number", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, nodeTopic(NDATA), withSeq(-1), []string{"seq-missing", "data 1"}},
			{0, nodeTopic(NDATA), withSeq(1), []string{"data 1"}},
		}},
		{"metrics that are not as in the birth", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, nodeTopic(NDATA), message(1, double("b", 1)), []string{"unknown-metric", "order", "data 1"}},
			{6 * time.Second, nodeTopic(NDATA), message(2, Metric{Alias: 4, HasAlias: true, Timestamp: 1, Type: TypeDouble, Value: 1.0}), []string{"unknown-metric", "order"}},
			{20 * time.Second, nodeTopic(NDATA), message(3, Metric{Name: "a", Timestamp: 1, Type: TypeBoolean, Value: true}), []string{"bad-metric", "order"}},
			{20 * time.Second, nodeTopic(NDATA), message(4, Metric{Timestamp: 1, Type: TypeDouble, Value: 1.0}), []string{"bad-metric"}},
			{20 * time.Second, nodeTopic(NDATA), message(5, Metric{Name: "a", Timestamp: MaxTimestamp + 1, Type: TypeDouble, Value: 1.0}), []string{"bad-metric"}},
		}},
		{"rubbish", []step{
			{0, nodeTopic(NBIRTH), birthOf(1), []string{"birth new=true"}},
			{0, nodeTopic(NDATA), []byte("{}"), []string{"bad-payload", "order"}},
			{0, nodeTopic(NDEATH), []byte("{}"), []string{"bad-payload"}},
			{0, nodeTopic(NDATA), withSeq(1), []string{"data 1"}},
		}},
		{"births with faults", []step{
			{0, nodeTopic(NBIRTH), message(-1, double("a", 1)), []string{"bad-birth", "seq-missing", "birth new=true"}},
			{0, nodeTopic(NBIRTH), birthOf(1, double("a", 2)), []string{"death superseded", "bad-birth", "birth new=true"}},
			{0, nodeTopic(NBIRTH), birthOf(1, Metric{Name: "b", Timestamp: 1}), []string{"bad-birth", "birth new=false"}},
			{0, nodeTopic(NBIRTH), birthOf(1, Metric{Type: TypeDouble, Timestamp: 1}), []string{"bad-birth", "birth new=false"}},
		}},
		{"commands and STATE are no business of the host machine", []step{
			{0, nodeTopic(NCMD), message(-1), []string{}},
			{0, deviceTopic(DCMD), message(-1), []string{}},
			{0, Topic{Kind: STATE, Node: "decktrim"}, []byte("{}"), []string{}},
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			h := NewHost(HostConfig{})
			for i, s := range tt.steps {
				var got []Event
				if s.topic.Kind == "" {
					got = h.Tick(after(s.at))
				} else {
					got = h.Receive(s.topic, s.bytes, after(s.at))
				}
				require.Equal(t, s.want, said(got), "step %d", i)
			}
		})
	}
}

// TestHostReadsItsOwnNode runs a node of ours against the host: the record's place
// in the spool comes through, the spool's metrics do not.
func TestHostReadsItsOwnNode(t *testing.T) {
	e := testEdge(t)
	h := NewHost(HostConfig{})
	out := h.Receive(e.Topic(NBIRTH), e.Birth(t0, testFrame(t0, good(1), good(2), good(3)), testSpool), t0)
	require.Equal(t, []string{"birth new=true"}, said(out))
	b := out[0].(*Birth)
	require.Equal(t, mill, b.Node)
	require.Equal(t, &testSpool, b.Spool)
	require.Equal(t, uint64(7), b.BdSeq)

	out = h.Receive(e.Topic(NDATA), e.Data(t0, EdgeRecord{Seq: 10, Frame: testFrame(t0, good(1), good(2), good(3)), Oldest: 5, GapFrom: 7, GapTo: 9}), t0)
	require.Equal(t, []string{"data 3"}, said(out))
	d := out[0].(*Data)
	require.Equal(t, &Record{Stream: testSpool.Stream, Seq: 10, Oldest: 5, GapFrom: 7, GapTo: 9}, d.Record)
	require.Equal(t, "Belt/feed_rate", d.Metrics[0].Name)

	out = h.Receive(e.Topic(NDEATH), e.Death(t0), t0)
	require.Equal(t, []string{"death said"}, said(out))
}

func TestAliasGivenTwiceMeansNothing(t *testing.T) {
	h := NewHost(HostConfig{})
	a := double("x", 1)
	a.Alias, a.HasAlias = 3, true
	b := double("y", 1)
	b.Alias, b.HasAlias = 3, true
	require.Equal(t, []string{"bad-birth", "birth new=true"}, said(h.Receive(nodeTopic(NBIRTH), birthOf(1, a, b), t0)))
	byAlias := Metric{Alias: 3, HasAlias: true, Timestamp: 1, Type: TypeDouble, Value: 1.0}
	require.Equal(t, []string{"unknown-metric", "order"}, said(h.Receive(nodeTopic(NDATA), message(1, byAlias), t0)))

	// A birth may give aliases new meanings; those before it are forgotten.
	c := double("z", 1)
	c.Alias, c.HasAlias = 3, true
	h.Receive(nodeTopic(NBIRTH), birthOf(1, c), t0)
	d := h.Receive(nodeTopic(NDATA), message(1, byAlias), t0)[0].(*Data)
	require.Equal(t, "z", d.Metrics[0].Name)
	// An alias of a node's metric is none of a device's.
	h.Receive(deviceTopic(DBIRTH), message(2, double("w", 1)), t0)
	require.Contains(t, said(h.Receive(deviceTopic(DDATA), message(3, byAlias), t0)), "unknown-metric")
}

// TestNotANumberIsHandedOnAsNull: a reading that is not finite is missing, which
// is said twice: as null and as a problem.
func TestNotANumberIsHandedOnAsNull(t *testing.T) {
	h := NewHost(HostConfig{})
	h.Receive(nodeTopic(NBIRTH), birthOf(1), t0)
	nan := fromHex(t, `18 01 12 10 0a0161 1801 200a 69 000000000000f87f`)
	out := h.Receive(nodeTopic(NDATA), nan, t0)
	require.Equal(t, []string{"bad-metric", "data 1"}, said(out))
	require.True(t, out[1].(*Data).Metrics[0].Null)
}

// TestRebirthOrdersAreRare: whatever a node does, orders go out at once, then at
// 5 s, 10 s, 20 s, 40 s, 60 s, 60 s; a quiet spell resets that.
func TestRebirthOrdersAreRare(t *testing.T) {
	h := NewHost(HostConfig{})
	var at []time.Duration
	step := 100 * time.Millisecond
	for d := time.Duration(0); d < 5*time.Minute; d += step {
		for _, e := range append(h.Receive(nodeTopic(NDATA), []byte{0xff}, after(d)), h.Tick(after(d))...) {
			if _, ok := e.(*RebirthOrder); ok {
				at = append(at, d)
			}
		}
	}
	s := time.Second
	require.Equal(t, []time.Duration{0, 5 * s, 15 * s, 35 * s, 75 * s, 135 * s, 195 * s, 255 * s}, at)

	quiet := after(20 * time.Minute)
	require.Contains(t, said(h.Receive(nodeTopic(NDATA), []byte{0xff}, quiet)), "order")
	require.NotContains(t, said(h.Receive(nodeTopic(NDATA), []byte{0xff}, quiet.Add(4*s))), "order")
	require.Equal(t, []string{"order"}, said(h.Tick(quiet.Add(5*s))))
}

func TestOrderThatWaitsIsVoidAfterABirth(t *testing.T) {
	h := NewHost(HostConfig{})
	h.Receive(nodeTopic(NDATA), message(1), t0)                 // ordered
	h.Receive(nodeTopic(NDATA), message(2), after(time.Second)) // waits
	due, ok := h.Next()
	require.True(t, ok)
	require.Equal(t, after(5*time.Second), due)
	h.Receive(nodeTopic(NBIRTH), birthOf(1), after(2*time.Second))
	_, ok = h.Next()
	require.False(t, ok)
	require.Empty(t, h.Tick(after(time.Minute)))
}

func TestHostStartsAndLosesTheBroker(t *testing.T) {
	h := NewHost(HostConfig{})
	h.Ask(mill, after(3*time.Second))
	h.Ask(NodeID{"larkspur", "pond"}, after(4*time.Second))
	require.Empty(t, h.Tick(after(2*time.Second)))
	h.Receive(nodeTopic(NBIRTH), birthOf(1), after(2*time.Second))
	require.Equal(t, []string{"order"}, said(h.Tick(after(5*time.Second))), "the one that was not born meanwhile")

	online, seen := h.Online(mill)
	require.True(t, online)
	require.Equal(t, after(2*time.Second), seen)
	require.Equal(t, []string{"death host-connection"}, said(h.Disconnected(after(6*time.Second))))
	require.Empty(t, h.Disconnected(after(6*time.Second)))
	online, _ = h.Online(mill)
	require.False(t, online)
	require.Equal(t, []string{"no-birth", "order"}, said(h.Receive(nodeTopic(NDATA), message(2), after(7*time.Second))))
}

func TestHostMemoryIsBounded(t *testing.T) {
	h := NewHost(HostConfig{MaxNodes: 3, MaxDevices: 2})
	for i := range 100 { // strangers push each other out
		h.Receive(Topic{Group: "g", Kind: NDATA, Node: fmt.Sprint(i)}, nil, after(time.Duration(i)))
	}
	require.Len(t, h.Nodes(), 3)
	h.Forget(NodeID{"g", "97"})
	for _, name := range []string{"a", "b", "c", "d"} {
		h.Receive(Topic{Group: "g", Kind: NBIRTH, Node: name}, birthOf(1), after(time.Hour))
	}
	require.Equal(t, []NodeID{{"g", "a"}, {"g", "b"}, {"g", "c"}}, h.Nodes(), "nodes that are there stay")
	require.Equal(t, []string{"too-many"}, said(h.Receive(Topic{Group: "g", Kind: NBIRTH, Node: "d"}, birthOf(1), t0)))
	for i := range 4 {
		out := h.Receive(Topic{Group: "g", Kind: DBIRTH, Node: "a", Device: fmt.Sprint(i)}, message(i+1, double("w", 1)), t0)
		require.Equal(t, i >= 2, said(out)[0] == "too-many")
	}
}

func TestConfirmationAndRebirthCommand(t *testing.T) {
	p := decode(t, Confirmation("s", 17, t0).Append(nil))
	require.False(t, p.HasSeq)
	require.Equal(t, uint64(t0.UnixMilli()), p.Timestamp)
	require.Equal(t, "s", metric(t, p, MetricStream).Value)
	require.Equal(t, int64(17), metric(t, p, MetricAcked).Value)
	require.Equal(t, TypeInt64, metric(t, p, MetricAcked).Type)

	p = decode(t, RebirthCommand(t0).Append(nil))
	require.False(t, p.HasSeq)
	require.NotZero(t, p.Timestamp)
	require.Len(t, p.Metrics, 1)
	require.Equal(t, true, metric(t, p, MetricRebirth).Value)
	require.Equal(t, TypeBoolean, metric(t, p, MetricRebirth).Type)
	require.Equal(t, "spBv1.0/larkspur/NCMD/mill", nodeTopic(NCMD).String())
}

func TestHostState(t *testing.T) {
	s := NewHostSession("decktrim", t0)
	require.Equal(t, "spBv1.0/STATE/decktrim", s.Topic().String())
	will, err := ParseState(s.Will())
	require.NoError(t, err)
	online, err := ParseState(s.Online())
	require.NoError(t, err)
	require.Equal(t, State{false, uint64(t0.UnixMilli())}, will)
	require.Equal(t, State{true, will.Timestamp}, online, "will and birth carry the same time")
	offline, err := ParseState(s.Offline(after(time.Hour)))
	require.NoError(t, err)
	require.Equal(t, State{false, uint64(after(time.Hour).UnixMilli())}, offline)
	require.True(t, s.Received(s.Will()), "an older will has overwritten the birth")
	require.False(t, s.Received(s.Online()))
	require.True(t, s.Received([]byte("OFFLINE")))
}

// TestHostOrderOfArrivalMeansNothing shuffles the data of one session within the
// reorder time: every reading comes out, no birth is ordered.
func TestHostOrderOfArrivalMeansNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		h := NewHost(HostConfig{})
		h.Receive(nodeTopic(NBIRTH), birthOf(1), t0)
		n := 1 + r.IntN(100)
		got := map[float64]bool{}
		for _, i := range r.Perm(n) {
			for _, e := range h.Receive(nodeTopic(NDATA), message(i+1, double("a", float64(i))), t0) {
				d, ok := e.(*Data)
				require.True(t, ok, "%v", e)
				got[d.Metrics[0].Value.(float64)] = true
			}
		}
		require.Len(t, got, n)
		require.Empty(t, h.Tick(after(time.Hour)))
	}
}

func FuzzHost(f *testing.F) {
	kinds := []Kind{NBIRTH, NDATA, NDEATH, DBIRTH, DDATA, DDEATH, NCMD, STATE}
	f.Add(uint8(0), birthOf(1), uint8(1), message(1, double("a", 2)), uint8(2), message(-1, bdSeqMetric(1)))
	f.Add(uint8(0), birthOf(1), uint8(3), message(1, double("w", 2)), uint8(4), message(2, double("w", 3)))
	f.Fuzz(func(t *testing.T, k1 uint8, b1 []byte, k2 uint8, b2 []byte, k3 uint8, b3 []byte) {
		h := NewHost(HostConfig{})
		orders := 0
		for i, m := range []struct {
			kind  uint8
			bytes []byte
		}{{k1, b1}, {k2, b2}, {k3, b3}} {
			topic := nodeTopic(kinds[int(m.kind)%len(kinds)])
			if topic.Kind.ofDevice() {
				topic.Device = "scale"
			}
			now := after(time.Duration(i) * time.Second)
			for _, e := range append(h.Receive(topic, m.bytes, now), h.Tick(now)...) {
				switch e := e.(type) {
				case *RebirthOrder:
					orders++
				case *Data:
					for _, x := range e.Metrics {
						if x.Name == "" || x.Timestamp == 0 || x.Timestamp > MaxTimestamp || (x.Value == nil) != x.Null {
							t.Fatalf("unfit metric handed on: %+v", x)
						}
					}
				}
			}
		}
		if orders > 1 {
			t.Fatalf("%d orders in 3 s", orders)
		}
	})
}
