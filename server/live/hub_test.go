package live

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/watch"
)

var start = time.Date(2026, 1, 5, 7, 2, 0, 0, time.UTC)

// mill is a hub under two clocks: the plant's, and the real one.
type mill struct {
	*Hub
	now, real time.Time
}

func newMill() *mill {
	m := &mill{now: start, real: start}
	p := &plant.Plant{Plant: plant.Identity{Name: "Larkspur mill"}, Location: time.UTC, Channels: []plant.Channel{
		{Name: "feed_rate", Role: plant.FeedRate}, {Name: "pond_level", Role: plant.PondLevel, Node: "larkspur/pond"}}}
	m.Hub = NewHub(Options{Plants: []*plant.Plant{p}, Now: func() time.Time { return m.now }, Real: func() time.Time { return m.real }})
	return m
}

func (m *mill) pass(d time.Duration) { m.now, m.real = m.now.Add(d), m.real.Add(d) }

func (m *mill) values(node, metric string, at time.Time, v float64, change ...func(*Values)) {
	x := Values{Node: node, Received: m.real, Sent: m.now, ClockSet: true, New: true,
		Samples: []Sample{{Metric: metric, At: at, Reading: plant.Reading{Value: v, Has: true, Quality: plant.Good}}}}
	for _, f := range change {
		f(&x)
	}
	m.Values(x)
}

func (m *mill) feed() Channel { return m.Snapshot()[0].Channels[0] }

func TestStaleness(t *testing.T) {
	m := newMill()
	require.Equal(t, plant.Reading{Quality: plant.Bad, Reason: plant.Missing}, m.feed().Reading)
	m.Born("larkspur/mill", "", m.now)
	for range 5 {
		m.values("larkspur/mill", "Belt/feed_rate", m.now, 1.9)
		m.pass(time.Second)
	}
	require.Equal(t, plant.Good, m.feed().Reading.Quality)
	m.pass(2900 * time.Millisecond)
	require.Equal(t, plant.Good, m.feed().Reading.Quality, "3.9 s old")
	m.pass(200 * time.Millisecond)
	require.Equal(t, plant.Reading{Value: 1.9, Has: true, Quality: plant.Stale, Reason: plant.TooOld}, m.feed().Reading)
	require.Equal(t, "Last known at 07:02.", m.Snapshot()[0].Headline)

	slow := newMill()
	slow.Born("larkspur/mill", "", slow.now)
	for range 3 {
		slow.values("larkspur/mill", "Belt/feed_rate", slow.now, 1.9)
		slow.pass(10 * time.Second)
	}
	slow.pass(19 * time.Second)
	require.Equal(t, plant.Good, slow.feed().Reading.Quality, "29 s old, every 10 s")
	slow.pass(2 * time.Second)
	require.Equal(t, plant.Stale, slow.feed().Reading.Quality)
}

func TestStalenessIsCountedInRealSeconds(t *testing.T) {
	m := newMill()
	m.Born("larkspur/mill", "", m.now)
	m.values("larkspur/mill", "Belt/feed_rate", m.now, 1.9)
	m.now, m.real = m.now.Add(80*time.Second), m.real.Add(4*time.Second) // a plant twenty times as fast
	require.Equal(t, plant.Good, m.feed().Reading.Quality)
}

func TestDeadNodeMakesItsReadingsStaleAtOnce(t *testing.T) {
	m := newMill()
	for _, id := range []string{"larkspur/mill", "larkspur/pond"} {
		m.Born(id, "", m.now)
	}
	m.values("larkspur/mill", "Belt/feed_rate", m.now, 1.9)
	m.values("larkspur/pond", "Pond/pond_level", m.now, 1.1)
	m.Died("larkspur/mill", "", m.now)
	p := m.Snapshot()[0]
	require.Equal(t, plant.Stale, p.Channels[0].Reading.Quality)
	require.Equal(t, plant.Good, p.Channels[1].Reading.Quality)
	require.Len(t, p.Nodes, 2)
	require.False(t, p.Nodes[0].Online)
}

func TestWhatIsCurrent(t *testing.T) {
	second := func(n int) time.Time { return start.Add(time.Duration(n) * time.Second) }
	tests := []struct {
		name string
		send func(m *mill)
		want float64
	}{
		{"newer", func(m *mill) { m.values("larkspur/mill", "Belt/feed_rate", second(2), 2) }, 2},
		{"older, late", func(m *mill) { m.values("larkspur/mill", "Belt/feed_rate", second(-9), 2) }, 1},
		{"historical", func(m *mill) {
			m.values("larkspur/mill", "Belt/feed_rate", second(2), 2, func(v *Values) { v.Samples[0].Historical = true })
		}, 1},
		{"of a device", func(m *mill) {
			m.values("larkspur/mill", "Belt/feed_rate", second(2), 2, func(v *Values) { v.Device = "d" })
		}, 1},
		{"after a clock that ran far ahead", func(m *mill) {
			m.values("larkspur/mill", "Belt/feed_rate", second(86400), 7)
			m.values("larkspur/mill", "Belt/feed_rate", second(3), 2)
		}, 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := newMill()
			m.Born("larkspur/mill", "", m.now)
			m.values("larkspur/mill", "Belt/feed_rate", second(0), 1)
			m.pass(4 * time.Second)
			tt.send(m)
			require.Equal(t, tt.want, m.feed().Reading.Value)
		})
	}
	m := newMill()
	m.Born("larkspur/mill", "", m.now)
	m.values("larkspur/mill", "Pond/pond_level", m.now, 1)
	require.True(t, m.Snapshot()[0].Channels[1].At.IsZero(), "the plant file names another node for it")
}

func TestHeadline(t *testing.T) {
	m := newMill()
	require.Equal(t, "Cannot tell: no reading has come yet.", m.Snapshot()[0].Headline)
	m.Born("larkspur/mill", "", m.now)
	m.values("larkspur/mill", "Belt/feed_rate", m.now, 1.9)
	say := func(s watch.Status) string {
		m.SetWatch("Larkspur mill", s, nil)
		return m.Snapshot()[0].Headline
	}
	require.Equal(t, "Cannot tell: no signal says whether the plant runs.", say(watch.Status{State: watch.StateUnknown}))
	require.Equal(t, "Steady for 1 h 50 min.", say(watch.Status{State: watch.StateRunning, Steady: true, SteadySince: start.Add(-110 * time.Minute)}))
	require.Equal(t, "Act: feed surge for 4 min.", say(watch.Status{State: watch.StateRunning, Standing: []watch.Event{{Kind: watch.FeedSurge, Priority: watch.Act, Time: start.Add(-4 * time.Minute)}}}))
	require.Equal(t, "The plant is stopped.", say(watch.Status{State: watch.StateStopped}))
	require.Equal(t, "Not steady yet: still settling.", say(watch.Status{State: watch.StateRunning}))
}

func TestFrame(t *testing.T) {
	m := newMill()
	m.values("larkspur/mill", "Belt/feed_rate", start, 1.9)
	m.values("larkspur/pond", "Pond/pond_level", start.Add(-4*time.Second), 1.1)
	f := m.Frame("Larkspur mill", start.Add(time.Second), 3*time.Second)
	require.True(t, f.Readings[0].Has)
	require.Equal(t, plant.Reading{Quality: plant.Bad, Reason: plant.Missing}, f.Readings[1])
}

func TestSubscribe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMill()
		ctx, cancel := context.WithCancel(t.Context())
		c := m.Subscribe(ctx)
		for range 3 {
			m.Born("larkspur/mill", "", m.now)
		}
		<-c
		select {
		case <-c:
			t.Fatal("several changes share one token")
		default:
		}
		cancel()
		synctest.Wait()
		_, open := <-c
		require.False(t, open)
		m.Born("larkspur/mill", "", m.now) // nobody listens any more
	})
}
