package ingest

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/wire"
	"decktrim/server/broker"
	"decktrim/server/live"
	"decktrim/server/store"
)

var start = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

// line is ingest with a real store and hub; commands are kept.
type line struct {
	*Ingest
	t     *testing.T
	store *store.Store
	hub   *live.Hub
	now   time.Time
	sent  []wire.Metric
	seq   map[string]uint64
	full  bool // the disk
}

type hubOnly struct{ *live.Hub }

func (l *line) Publish(topic wire.Topic, payload []byte) {
	require.Equal(l.t, wire.NCMD, topic.Kind)
	p, err := wire.Decode(payload)
	require.NoError(l.t, err)
	l.sent = append(l.sent, p.Metrics...)
}

func (l *line) Commit(ctx context.Context, b store.Batch) (store.Committed, error) {
	if l.full {
		return store.Committed{}, errors.New("database or disk is full")
	}
	return l.store.Commit(ctx, b)
}

func (l *line) ProgressOf(node, stream string) store.Progress {
	return l.store.ProgressOf(node, stream)
}

func (l *line) SetAside(ctx context.Context, node, stream, boot string) (int, error) {
	return l.store.SetAside(ctx, node, stream, boot)
}

func newLine(t *testing.T) *line {
	s, err := store.Open(store.Options{Dir: t.TempDir(), NoSync: true})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	l := &line{t: t, store: s, now: start, seq: map[string]uint64{}}
	l.hub = live.NewHub(live.Options{Now: func() time.Time { return l.now }, Real: func() time.Time { return l.now }})
	l.Ingest = New(Options{Store: l, Commands: l, Live: hubOnly{l.hub}, May: func(wire.NodeID) bool { return true }})
	return l
}

func (l *line) send(kind wire.Kind, metrics ...wire.Metric) {
	for i := range metrics {
		metrics[i].Timestamp = uint64(l.now.UnixMilli())
	}
	if kind == wire.NBIRTH {
		l.seq["mill"] = 0
	}
	p := wire.Payload{Timestamp: uint64(l.now.UnixMilli()), Metrics: metrics, Seq: l.seq["mill"], HasSeq: true}
	l.seq["mill"] = (l.seq["mill"] + 1) % 256
	l.receive(item{Message: broker.Message{Topic: wire.Topic{Group: "larkspur", Kind: kind, Node: "mill"}, Payload: p.Append(nil), Received: l.now}})
	l.commit(context.Background())
	l.confirm(l.now)
}

func number(name string, v int64) wire.Metric {
	return wire.Metric{Name: name, Type: wire.TypeInt64, Value: v, Transient: true}
}

func word(name, v string) wire.Metric {
	return wire.Metric{Name: name, Type: wire.TypeString, Value: v}
}

func (l *line) birth(stream, boot string) {
	l.send(wire.NBIRTH, number(wire.MetricBdSeq, 0), word(wire.MetricStream, stream), word(wire.MetricBoot, boot),
		number(wire.MetricLast, 0), number(wire.MetricOldest, 0), number(wire.MetricGapFrom, 0), number(wire.MetricGapTo, 0),
		wire.Metric{Name: "Belt/feed_rate", Type: wire.TypeDouble, Value: 1.0})
}

func (l *line) record(seq int64, v float64, more ...wire.Metric) {
	l.send(wire.NDATA, append([]wire.Metric{number(wire.MetricLast, seq), {Name: "Belt/feed_rate", Type: wire.TypeDouble, Value: v}}, more...)...)
}

// confirmed takes the confirmations sent so far.
func (l *line) confirmed() (upTo []int64) {
	for _, m := range l.sent {
		if m.Name == wire.MetricAcked {
			upTo = append(upTo, m.Value.(int64))
		}
	}
	l.sent = nil
	return upTo
}

func (l *line) stored() (values []float64) {
	require.NoError(l.t, l.store.Export(context.Background(), store.Filter{}, func(r store.ExportRow) error {
		if v, ok := r.Value.(float64); ok && r.Quality == plant.Good {
			values = append(values, v)
		}
		return nil
	}))
	return values
}

func (l *line) byStream() map[string][]float64 {
	out := map[string][]float64{}
	require.NoError(l.t, l.store.Export(context.Background(), store.Filter{}, func(r store.ExportRow) error {
		if v, ok := r.Value.(float64); ok {
			out[r.Stream] = append(out[r.Stream], v)
		}
		return nil
	}))
	return out
}

func (l *line) second() {
	l.now = l.now.Add(time.Second)
	l.confirm(l.now)
}

func TestConfirmations(t *testing.T) {
	l := newLine(t)
	l.birth("s-1", "boot-a")
	require.Equal(t, []int64{0}, l.confirmed(), "once after a birth, at once")
	l.record(1, 1)
	l.record(2, 2)
	require.Empty(t, l.confirmed(), "at most each second")
	l.second()
	require.Equal(t, []int64{2}, l.confirmed())
	l.second()
	require.Empty(t, l.confirmed(), "nothing new")
	l.record(4, 4)
	l.second()
	require.Equal(t, []int64{2}, l.confirmed(), "never past a hole")
	l.record(3, 3)
	l.record(3, 3)
	l.second()
	require.Equal(t, []int64{4, 4}, l.confirmed(), "a repeat is confirmed as well: the node may not have heard")
	l.record(9, 9, number(wire.MetricGapFrom, 5), number(wire.MetricGapTo, 8))
	l.second()
	require.Equal(t, []int64{9}, l.confirmed())
	l.record(20, 20, number(wire.MetricOldest, 20))
	l.second()
	require.Equal(t, []int64{20}, l.confirmed())
	require.Equal(t, []float64{1, 2, 3, 4, 9, 20}, l.stored())
}

func TestNothingIsConfirmedThatIsNotStored(t *testing.T) {
	l := newLine(t)
	l.birth("s-1", "boot-a")
	l.record(1, 1)
	l.second()
	l.confirmed()
	l.full = true
	l.record(2, 2)
	require.True(t, l.Failing())
	l.second()
	for _, n := range l.confirmed() {
		require.Equal(t, int64(1), n)
	}
	l.full = false
	l.record(3, 3)
	l.second()
	require.Equal(t, []int64{1}, l.confirmed())
	l.record(2, 2)
	l.second()
	require.Equal(t, []int64{3}, l.confirmed())
	require.False(t, l.Failing())
	require.Equal(t, []float64{1, 2, 3}, l.stored())
}

// TestSecondBoardIsRefused: a copied card. Two boards with one name, by turns.
func TestSecondBoardIsRefused(t *testing.T) {
	for name, streams := range map[string][2]string{"a copied card": {"s-1", "s-1"}, "a name given twice": {"s-1", "s-2"}} {
		t.Run(name, func(t *testing.T) {
			l := newLine(t)
			note := func() string { return l.hub.Nodes()[0].Note() }
			l.birth(streams[0], "boot-a")
			l.record(1, 1)
			l.birth(streams[0], "boot-a") // asked for: no second board
			l.birth(streams[1], "boot-b") // started anew, as far as anybody can tell
			l.record(2, 222)
			l.record(3, 333)
			require.Empty(t, note())
			l.confirmed()
			l.birth(streams[0], "boot-a")
			require.NotEmpty(t, note())
			require.Equal(t, []int64{1}, l.confirmed(), "number 2 is open again: the first board's own was not stored")
			l.record(2, 2)
			l.second()
			l.confirmed()
			l.birth(streams[1], "boot-b")
			l.record(3, 333)
			l.second()
			require.Empty(t, l.confirmed(), "the second board gets no word")
			l.birth(streams[0], "boot-a")
			l.record(3, 3)
			l.second()
			require.Equal(t, int64(3), l.store.ProgressOf("larkspur/mill", streams[0]).Acked)
			aside := streams[1] + " second board boot-b"
			require.Equal(t, map[string][]float64{streams[0]: {1, 2, 3}, aside: {222, 333}}, l.byStream(), "nothing mixed, nothing lost")
			st, err := l.store.Stats(context.Background())
			require.NoError(t, err)
			for _, x := range st.Streams {
				require.NotEqual(t, aside, x.Stream)
			}
			l.now = l.now.Add(twinWithin + time.Second)
			require.Empty(t, note(), "the second board is gone")
			l.birth(streams[1], "boot-c")
			l.record(4, 4)
			l.second()
			require.Contains(t, l.stored(), 4.0, "a board that was started anew is taken")
		})
	}
}

func TestBoardsThatStartAnewAreNotTwins(t *testing.T) {
	var b boards
	at := start
	admit := func(x board) bool {
		may, second := b.admit(x, at)
		return may && second == nil
	}
	for _, x := range []board{{"a", "s"}, {"b", "s"}, {"c", "s"}, {"c", "s"}, {}, {"d", "s2"}} {
		at = at.Add(time.Second)
		require.True(t, admit(x))
	}
	require.False(t, b.twin(at))
	at = at.Add(time.Hour)
	require.True(t, admit(board{"a", "s"}), "a swap by hand")
	require.False(t, b.twin(at))
	for range 100 { // bounded
		at = at.Add(time.Second)
		require.True(t, admit(board{at.String(), "s"}))
	}
	require.LessOrEqual(t, len(b.seen), boardsMost)
}
