package uplink

import (
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"

	"decktrim/edge/frames"
	"decktrim/internal/plant"
	"decktrim/internal/wire"
)

func metricValue(p *wire.Payload, name string) any {
	for _, m := range p.Metrics {
		if m.Name == name {
			return m.Value
		}
	}
	return nil
}

// TestBirthThenDataThenDeath reads a whole session off the wire.
func TestBirthThenDataThenDeath(t *testing.T) {
	onBrokers(t, func(t *testing.T, br broker) {
		h := startHost(t, br.addr(), true)
		b := newBoard(t, br.addr(), func(c *Config) { c.Resend = time.Minute })
		b.start()
		eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == 1 })
		last := b.append(300)
		eventually(t, "all records", func() bool { return h.has(1, last) })
		eventually(t, "all confirmed", func() bool { return b.up.Status().Acked == last })
		b.end()
		eventually(t, "death", func() bool { return h.count(wire.NDEATH) == 1 })
		time.Sleep(100 * time.Millisecond)

		all := h.messages(wire.NBIRTH, wire.NDATA, wire.NDEATH)
		require.Equal(t, wire.NBIRTH, all[0].topic.Kind, "no data before the birth")
		require.Equal(t, wire.NDEATH, all[len(all)-1].topic.Kind, "the DISCONNECT cancels the will: one death")
		bdSeq := metricValue(all[0].payload, wire.MetricBdSeq)
		require.Equal(t, bdSeq, metricValue(all[len(all)-1].payload, wire.MetricBdSeq))
		require.False(t, all[len(all)-1].payload.HasSeq)
		for i, m := range all[:len(all)-1] {
			require.Equal(t, byte(0), m.qos)
			require.False(t, m.retained)
			require.Equal(t, uint64(i%256), m.payload.Seq)
			require.NotZero(t, m.payload.Timestamp)
			require.LessOrEqual(t, len(m.raw), wire.MaxSent)
		}
		for n := uint64(1); n <= last; n++ {
			require.Equal(t, 1, h.repeats()[n], "confirmed in time, so sent once")
			require.Equal(t, float64(n), h.stored[n].Metrics[0].Value)
			require.True(t, h.stored[n].Metrics[1].Null)
		}
		for _, e := range h.events {
			_, bad := e.(*wire.Problem)
			require.False(t, bad, "%v", e)
		}
	})
}

// TestBdSeqGoesOnOverRestarts: each CONNECT has the next number, from disk.
func TestBdSeqGoesOnOverRestarts(t *testing.T) {
	t.Parallel()
	br := startMochi(t)
	h := startHost(t, br.addr(), true)
	b := newBoard(t, br.addr())
	require.NoError(t, os.WriteFile(filepath.Join(b.cfg.StateDir, bdSeqFile), []byte("253\n"), 0o600))
	for i, want := range []int64{254, 255, 0, 1} {
		b.start()
		eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == i+1 })
		require.Equal(t, want, metricValue(h.messages(wire.NBIRTH)[i].payload, wire.MetricBdSeq))
		b.end()
		eventually(t, "death", func() bool { return h.count(wire.NDEATH) == i+1 })
		require.Equal(t, want, metricValue(h.messages(wire.NDEATH)[i].payload, wire.MetricBdSeq))
	}
	require.NoError(t, os.WriteFile(filepath.Join(b.cfg.StateDir, bdSeqFile), []byte("rubbish"), 0o600))
	b.start()
	eventually(t, "a damaged file stops nothing", b.connected)
}

func TestFirstBdSeqIsZero(t *testing.T) {
	t.Parallel()
	br := startMochi(t)
	b := newBoard(t, br.addr())
	b.start()
	eventually(t, "connected", b.connected)
	require.Zero(t, b.up.Status().BdSeq)
}

// TestWillWhenTheLinkIsCut: the broker speaks the will of the old session, the new
// one has the next number.
func TestWillWhenTheLinkIsCut(t *testing.T) {
	onBrokers(t, func(t *testing.T, br broker) {
		h := startHost(t, br.addr(), true)
		p := startProxy(t, br.addr())
		b := newBoard(t, p.addr())
		b.start()
		for i := range 3 {
			eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == i+1 && b.connected() })
			p.cut()
			eventually(t, "will", func() bool { return h.count(wire.NDEATH) == i+1 })
			require.Equal(t, int64(i), metricValue(h.messages(wire.NBIRTH)[i].payload, wire.MetricBdSeq))
			require.Equal(t, int64(i), metricValue(h.messages(wire.NDEATH)[i].payload, wire.MetricBdSeq))
		}
	})
}

// TestRebirth: a burst of orders gives one birth, a second after the last one,
// with the same bdSeq and sequence numbers from 0.
func TestRebirth(t *testing.T) {
	onBrokers(t, func(t *testing.T, br broker) {
		h := startHost(t, br.addr(), true)
		b := newBoard(t, br.addr())
		b.start()
		eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == 1 })
		b.append(3)
		for range 30 {
			h.send(wire.RebirthCommand(time.Now()))
		}
		eventually(t, "second birth", func() bool { return h.count(wire.NBIRTH) == 2 })
		last := b.append(3)
		eventually(t, "data goes on", func() bool { return h.has(1, last) })
		time.Sleep(wire.BirthSpacing + 200*time.Millisecond)
		births := h.messages(wire.NBIRTH)
		require.LessOrEqual(t, len(births), 3, "30 orders")
		require.Equal(t, metricValue(births[0].payload, wire.MetricBdSeq), metricValue(births[1].payload, wire.MetricBdSeq))
		require.Zero(t, births[1].payload.Seq)
		require.NotNil(t, metricValue(births[1].payload, "Belt/feed_rate"), "with the value of now")
		require.Zero(t, h.count(wire.NDEATH))
	})
}

// TestCommandsThatAreNotObeyed: nothing but the two commands has any effect.
func TestCommandsThatAreNotObeyed(t *testing.T) {
	t.Parallel()
	br := startMochi(t)
	h := startHost(t, br.addr(), false)
	b := newBoard(t, br.addr())
	b.start()
	eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == 1 })
	last := b.append(5)
	eventually(t, "sent", func() bool { return h.has(1, last) })
	value := func(name string, typ wire.DataType, v any) *wire.Payload {
		return &wire.Payload{Timestamp: 1, Metrics: []wire.Metric{{Name: name, Type: typ, Value: v}}}
	}
	orders := []*wire.Payload{
		wire.Confirmation(b.spool.Stream(), 1e9, time.Now()),
		wire.Confirmation("another", 3, time.Now()),
		value(wire.MetricAcked, wire.TypeInt64, int64(3)),
		value(wire.MetricRebirth, wire.TypeBoolean, false),
		value("Belt/feed_rate", wire.TypeDouble, 1.0),
		value("Node Control/Reboot", wire.TypeBoolean, true),
		{Body: []byte("x"), Metrics: []wire.Metric{{Name: "x", Type: wire.TypeString, Value: "y"}}},
	}
	for _, o := range orders {
		h.send(o)
	}
	h.client.Publish("spBv1.0/larkspur/NCMD/mill", 0, false, []byte("rubbish"))
	eventually(t, "all looked at", func() bool { return b.up.Status().Ignored == uint64(len(orders)+1) })
	require.Zero(t, b.spool.Acked())
	require.Equal(t, 1, h.count(wire.NBIRTH))
	h.send(wire.Confirmation(b.spool.Stream(), 3, time.Now()))
	eventually(t, "a true one is", func() bool { return b.spool.Acked() == 3 })
	h.send(wire.Confirmation(b.spool.Stream(), 2, time.Now()))
	time.Sleep(100 * time.Millisecond)
	require.EqualValues(t, 3, b.spool.Acked(), "it never goes back")
}

// TestBacklogIsHistoricalAndLiveGoesFirst starts with records from before.
func TestBacklogIsHistoricalAndLiveGoesFirst(t *testing.T) {
	onBrokers(t, func(t *testing.T, br broker) {
		h := startHost(t, br.addr(), true)
		b := newBoard(t, br.addr(), func(c *Config) { c.BacklogRate, c.InFlight, c.Resend = 1000, 300, time.Minute })
		old := b.append(1000)
		b.start()
		eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == 1 })
		eventually(t, "some of the backlog", func() bool { return h.has(1, 100) })
		live := b.append(1)
		began := time.Now()
		eventually(t, "live at once", func() bool { return h.has(live, live) })
		require.Less(t, time.Since(began), time.Second)
		require.False(t, h.has(1, old), "the backlog is paced, so the live record overtook it")
		eventually(t, "all", func() bool { return h.has(1, live) })
		eventually(t, "all confirmed", func() bool { return b.up.Status().Backlog == 0 })
		h.mu.Lock()
		defer h.mu.Unlock()
		for n := uint64(1); n <= live; n++ {
			require.Equal(t, n <= old, h.stored[n].Metrics[0].Historical, n)
			require.Equal(t, 1, h.times[n])
		}
	})
}

// TestSentAgainUntilStored: the host loses records on the way in; it has confirmed
// before, so they come again by themselves.
func TestSentAgainUntilStored(t *testing.T) {
	t.Parallel()
	br := startMochi(t)
	h := startHost(t, br.addr(), true)
	lost := 0
	h.deaf = func(seq uint64) bool {
		if seq >= 20 && seq < 40 && lost < 20 {
			lost++
			return true
		}
		return false
	}
	b := newBoard(t, br.addr(), func(c *Config) { c.Resend = 300 * time.Millisecond })
	b.start()
	eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == 1 })
	last := b.append(60)
	eventually(t, "all confirmed", func() bool { return b.up.Status().Acked == last })
	require.Equal(t, 20, lost)
	require.Equal(t, 1, h.repeats()[5], "what was confirmed does not come again")
	h.mu.Lock()
	defer h.mu.Unlock()
	require.True(t, h.stored[25].Metrics[0].Historical)
}

// TestHostThatNeverConfirms gets each record once a connection.
func TestHostThatNeverConfirms(t *testing.T) {
	t.Parallel()
	br := startMochi(t)
	h := startHost(t, br.addr(), false)
	p := startProxy(t, br.addr())
	b := newBoard(t, p.addr(), func(c *Config) { c.Resend, c.InFlight = 50*time.Millisecond, 10 })
	b.append(100)
	b.start()
	eventually(t, "backlog", func() bool { return h.has(1, 100) })
	b.append(10)
	eventually(t, "live", func() bool { return h.has(1, 110) })
	time.Sleep(300 * time.Millisecond)
	for n, times := range h.repeats() {
		require.Equal(t, 1, times, n)
	}
	p.cut()
	eventually(t, "again on the next connection", func() bool {
		r := h.repeats()
		for n := uint64(1); n <= 110; n++ {
			if r[n] != 2 {
				return false
			}
		}
		return true
	})
	require.EqualValues(t, 110, b.up.Status().Backlog, "nothing is forgotten")
}

// TestServerRestoredFromABackup: a server that has forgotten what it confirmed gets it
// again, once, even if a record of the refill is lost on its way.
func TestServerRestoredFromABackup(t *testing.T) {
	t.Parallel()
	br := startMochi(t)
	h := startHost(t, br.addr(), true)
	b := newBoard(t, br.addr(), func(c *Config) { c.InFlight = 20 })
	b.append(100)
	b.start()
	t.Cleanup(func() { b.tell(h) })
	eventually(t, "stored", func() bool { return h.has(1, 100) && b.spool.Acked() == 100 })

	h.mu.Lock()
	h.acked = 40
	lost := false
	h.deaf = func(seq uint64) bool {
		first := seq == 60 && !lost
		lost = lost || first
		return first
	}
	for n := range h.stored {
		if n > 40 {
			delete(h.stored, n)
		}
	}
	clear(h.times)
	// Not the answer to a birth: it might be old, and changes nothing.
	h.sendConfirmation()
	h.mu.Unlock()
	b.append(1)
	eventually(t, "live goes on", func() bool { return h.has(101, 101) })
	require.Len(t, h.repeats(), 1)

	h.mu.Lock()
	h.send(wire.RebirthCommand(time.Now()))
	h.mu.Unlock()
	eventually(t, "all again", func() bool { return h.has(1, 101) })
	last := b.append(10)
	eventually(t, "confirmed as before", func() bool { return b.spool.Acked() == last })
	for n := range h.repeats() {
		require.Greater(t, n, uint64(40), "what the copy holds is not sent again")
	}
}

// TestBrokerKilledAndStartedAgain: the broker dies with messages in hand, twice;
// nothing is lost.
func TestBrokerKilledAndStartedAgain(t *testing.T) {
	t.Parallel()
	br := startMosquitto(t)
	h := startHost(t, br.addr(), true)
	b := newBoard(t, br.addr(), func(c *Config) { c.Resend = 300 * time.Millisecond })
	b.start()
	defer b.tell(h)
	var last uint64
	for range 2 {
		eventually(t, "connected", b.connected)
		last = b.append(200)
		br.kill()
		last = b.append(200)
		eventually(t, "noticed", func() bool { return !b.connected() })
		require.NotEmpty(t, b.up.Status().LastError)
		br.start()
	}
	last = b.append(50)
	eventually(t, "all stored", func() bool { return h.has(1, last) })
	eventually(t, "all confirmed", func() bool { return b.up.Status().Acked == last })
}

// TestHalfOpenLink: the peer vanishes without a word; our own timers notice.
func TestHalfOpenLink(t *testing.T) {
	t.Parallel()
	br := startMosquitto(t)
	h := startHost(t, br.addr(), true)
	p := startProxy(t, br.addr())
	b := newBoard(t, p.addr(), func(c *Config) { c.KeepAlive = time.Second })
	b.start()
	eventually(t, "connected", b.connected)
	b.append(5)
	eventually(t, "first records", func() bool { return h.has(1, 5) })
	p.freeze(true)
	began := time.Now()
	b.append(5)
	eventually(t, "noticed", func() bool { return !b.connected() })
	require.Less(t, time.Since(began), 2*b.cfg.KeepAlive+3*b.cfg.PingTimeout)
	last := b.append(5)
	p.freeze(false)
	eventually(t, "all stored", func() bool { return h.has(1, last) })
	require.Greater(t, h.count(wire.NBIRTH), 1)
}

// TestStoppedBroker: a broker that is stopped takes bytes and answers nothing. No
// call waits without a limit, and the link is back soon after it goes on.
func TestStoppedBroker(t *testing.T) {
	t.Parallel()
	br := startMosquitto(t)
	h := startHost(t, br.addr(), true)
	b := newBoard(t, br.addr(), func(c *Config) { c.KeepAlive, c.Connect = time.Second, 500*time.Millisecond })
	b.start()
	eventually(t, "connected", b.connected)
	br.signal(syscall.SIGSTOP)
	b.append(2000)
	eventually(t, "noticed", func() bool { return !b.connected() })
	eventually(t, "and tried again", func() bool { return b.up.Status().Attempts >= 3 })
	require.Contains(t, b.up.Status().LastError, "does not answer")
	br.signal(syscall.SIGCONT)
	began := time.Now()
	last := b.append(1)
	eventually(t, "back", b.connected)
	require.Less(t, time.Since(began), 5*time.Second)
	eventually(t, "all stored", func() bool { return h.has(1, last) })

	br.signal(syscall.SIGSTOP)
	began = time.Now()
	b.append(1)
	b.end()
	require.Less(t, time.Since(began), b.cfg.Drain+3*b.cfg.Write+time.Second, "it ends though nobody listens")
	br.signal(syscall.SIGCONT)
}

// TestRetainedCommand: an order that a broker keeps is not obeyed at each connection.
func TestRetainedCommand(t *testing.T) {
	t.Parallel()
	br := startMosquitto(t)
	h := startHost(t, br.addr(), true)
	h.client.Publish("spBv1.0/larkspur/NCMD/mill", 1, true, wire.RebirthCommand(time.Now()).Append(nil)).WaitTimeout(patient)
	b := newBoard(t, br.addr())
	b.start()
	eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == 1 })
	time.Sleep(wire.BirthSpacing + 200*time.Millisecond)
	require.Equal(t, 1, h.count(wire.NBIRTH))
}

// TestFlappingLink: every connection makes progress, however short.
func TestFlappingLink(t *testing.T) {
	t.Parallel()
	br := startMosquitto(t)
	h := startHost(t, br.addr(), true)
	p := startProxy(t, br.addr())
	b := newBoard(t, p.addr(), func(c *Config) { c.BacklogRate, c.InFlight = 500, 100 })
	last := b.append(500)
	b.start()
	left := uint64(500)
	for left > 0 {
		eventually(t, "progress", func() bool { return b.up.Status().Backlog < left })
		p.cut()
		left = b.up.Status().Backlog
		eventually(t, "noticed", func() bool { return !b.connected() || left == 0 })
	}
	require.True(t, h.has(1, last))
	require.Greater(t, b.up.Status().Connects, uint64(2), "it did flap")
}

// denyNCMD refuses the subscription to commands.
type denyNCMD struct{ allowAll }

func (denyNCMD) OnACLCheck(_ *mochi.Client, topic string, write bool) bool {
	return write || topic != "spBv1.0/larkspur/NCMD/mill"
}

// TestRefusedSubscription: a node that could not hear 'stored up to' is not born.
func TestRefusedSubscription(t *testing.T) {
	t.Parallel()
	br := startMochi(t, new(denyNCMD))
	b := newBoard(t, br.addr())
	b.start()
	eventually(t, "told", func() bool { return b.up.Status().Attempts > 2 })
	require.Contains(t, b.up.Status().LastError, "NCMD/mill")
	require.Zero(t, b.up.Status().Births)
}

// connects notes what the node's CONNECT asks for.
type connects struct {
	allowAll
	got chan packets.Packet
}

func (c *connects) Provides(b byte) bool {
	return c.allowAll.Provides(b) || b == mochi.OnConnect || b == mochi.OnSubscribed
}

func (c *connects) OnConnect(_ *mochi.Client, pk packets.Packet) error {
	c.got <- pk
	return nil
}

func (c *connects) OnSubscribed(_ *mochi.Client, pk packets.Packet, _ []byte) { c.got <- pk }

// TestConnectPacket: clean session, the will, the client id, and the subscription.
func TestConnectPacket(t *testing.T) {
	t.Parallel()
	hook := &connects{got: make(chan packets.Packet, 10)}
	br := startMochi(t, hook)
	b := newBoard(t, br.addr(), func(c *Config) { c.KeepAlive = 20 * time.Second })
	b.start()
	pk := <-hook.got
	require.Equal(t, byte(4), pk.ProtocolVersion)
	require.True(t, pk.Connect.Clean)
	require.Equal(t, "larkspur/mill", pk.Connect.ClientIdentifier)
	require.Equal(t, uint16(20), pk.Connect.Keepalive)
	require.True(t, pk.Connect.WillFlag)
	require.Equal(t, "spBv1.0/larkspur/NDEATH/mill", pk.Connect.WillTopic)
	require.Equal(t, byte(1), pk.Connect.WillQos)
	require.False(t, pk.Connect.WillRetain)
	will, err := wire.Decode(pk.Connect.WillPayload)
	require.NoError(t, err)
	require.False(t, will.HasSeq)
	require.Len(t, will.Metrics, 1)
	require.Equal(t, int64(0), metricValue(will, wire.MetricBdSeq))

	pk = <-hook.got
	require.Len(t, pk.Filters, 1)
	require.Equal(t, "spBv1.0/larkspur/NCMD/mill", pk.Filters[0].Filter)
	require.Equal(t, byte(1), pk.Filters[0].Qos)
}

// TestPrimaryHost: with one set, nothing is published while it is away.
func TestPrimaryHost(t *testing.T) {
	t.Parallel()
	br := startMosquitto(t)
	h := startHost(t, br.addr(), true)
	b := newBoard(t, br.addr(), func(c *Config) { c.PrimaryHost = "decktrim" })
	state := func(online bool, at uint64) {
		h.client.Publish("spBv1.0/STATE/decktrim", 1, true, wire.State{Online: online, Timestamp: at}.JSON()).WaitTimeout(patient)
	}
	state(false, 100)
	last := b.append(3)
	b.start()
	time.Sleep(300 * time.Millisecond)
	require.Zero(t, h.count(wire.NBIRTH))
	state(true, 50) // older than the last one seen
	time.Sleep(200 * time.Millisecond)
	require.Zero(t, h.count(wire.NBIRTH))
	state(true, 200)
	eventually(t, "birth", func() bool { return h.count(wire.NBIRTH) == 1 })
	eventually(t, "records", func() bool { return h.has(1, last) })
	state(false, 150) // an old will
	time.Sleep(200 * time.Millisecond)
	require.Zero(t, h.count(wire.NDEATH))
	state(false, 200)
	eventually(t, "death", func() bool { return h.count(wire.NDEATH) == 1 })
	require.Equal(t, 1, h.count(wire.NBIRTH))
	state(true, 300)
	eventually(t, "second birth", func() bool { return h.count(wire.NBIRTH) == 2 })
	require.NotEqual(t, metricValue(h.messages(wire.NBIRTH)[0].payload, wire.MetricBdSeq),
		metricValue(h.messages(wire.NBIRTH)[1].payload, wire.MetricBdSeq))
}

// TestKeptRecordsOverAChangeOfChannels: readings find their channel by name.
func TestKeptRecordsOverAChangeOfChannels(t *testing.T) {
	t.Parallel()
	br := startMochi(t)
	h := startHost(t, br.addr(), true)
	b := newBoard(t, br.addr())
	b.start()
	eventually(t, "connected", b.connected)
	b.end() // the channel list is known from here on
	b.append(3)
	unknown := b.frame()
	_, err := b.spool.Append(frames.Append(nil, 12345, unknown)) // 4
	require.NoError(t, err)
	_, err = b.spool.Append([]byte("no frame")) // 5
	require.NoError(t, err)
	b.cfg.Channels = []plant.Channel{{Name: "pump", Role: plant.PumpRunning, Unit: "1"}, testChannels()[0]}
	b.start()
	eventually(t, "all", func() bool { return h.has(1, 5) })
	eventually(t, "all confirmed", func() bool { return b.up.Status().Acked == 5 })
	h.mu.Lock()
	defer h.mu.Unlock()
	require.Equal(t, "Belt/feed_rate", h.stored[2].Metrics[1].Name)
	require.Equal(t, 2.0, h.stored[2].Metrics[1].Value)
	require.Equal(t, "Pond/pump", h.stored[2].Metrics[0].Name)
	require.True(t, h.stored[2].Metrics[0].Null)
	for _, n := range []uint64{4, 5} {
		require.Empty(t, h.stored[n].Metrics)
		require.Equal(t, wire.Record{Stream: b.spool.Stream(), Seq: n, Oldest: 1, GapFrom: n, GapTo: n}, *h.stored[n].Record)
	}
	require.EqualValues(t, 2, b.up.Status().Unreadable)
}

// TestUndatedRecordsWait for the clock, and are sent with their true time.
func TestUndatedRecordsWait(t *testing.T) {
	t.Parallel()
	br := startMochi(t)
	h := startHost(t, br.addr(), true)
	known := make(chan time.Duration, 1)
	var offset time.Duration
	b := newBoard(t, br.addr(), func(c *Config) {
		c.HoldUndated = time.Minute
		c.Redate = func(f *plant.Frame) {
			select {
			case offset = <-known:
			default:
			}
			if offset != 0 && f.Boot == "boot-1" {
				f.ClockSet, f.Time = true, time.UnixMilli(0).UTC().Add(offset+f.Mono)
			}
		}
	})
	add := func(boot string) uint64 {
		f := b.frame()
		f.ClockSet, f.Boot, f.Time = false, boot, time.Unix(86400, 0)
		n, err := b.spool.Append(frames.Append(nil, frames.LayoutOf(b.names()), f))
		require.NoError(t, err)
		if b.up != nil {
			b.up.Notify()
		}
		return n
	}
	add("boot-0") // of a boot that is over: its time will never be known
	b.start()
	eventually(t, "connected", b.connected)
	eventually(t, "sent as it is", func() bool { return h.has(1, 1) })
	add("boot-1")
	add("boot-1")
	time.Sleep(300 * time.Millisecond)
	require.False(t, h.has(2, 2))
	known <- 400 * 24 * time.Hour
	dated := b.append(1)
	eventually(t, "all", func() bool { return h.has(1, dated) })
	h.mu.Lock()
	defer h.mu.Unlock()
	at := func(n uint64) uint64 { return h.stored[n].Metrics[0].Timestamp }
	require.EqualValues(t, 86400_000, at(1))
	require.EqualValues(t, 400*86400_000+2000, at(2), "offset and time since boot")
	require.EqualValues(t, 400*86400_000+3000, at(3))
	require.Contains(t, names(h.stored[1]), wire.MetricMono)
	require.NotContains(t, names(h.stored[2]), wire.MetricMono)
}

func names(d *wire.Data) []string {
	var out []string
	for _, m := range d.Metrics {
		out = append(out, m.Name)
	}
	return out
}

// TestNothingPilesUp: many lost connections leave no goroutines behind.
func TestNothingPilesUp(t *testing.T) {
	br := startMochi(t)
	p := startProxy(t, br.addr())
	b := newBoard(t, p.addr(), func(c *Config) { c.RetryFirst, c.RetryMost = time.Millisecond, time.Millisecond })
	b.start()
	eventually(t, "connected", b.connected)
	before := runtime.NumGoroutine()
	for i := range 25 {
		p.cut()
		eventually(t, "again", func() bool { return b.up.Status().Connects > uint64(i)+1 && b.connected() })
	}
	eventually(t, "no more goroutines than before", func() bool { return runtime.NumGoroutine() <= before+5 })
}

func TestNewRefuses(t *testing.T) {
	for name, change := range map[string]func(*Config){
		"no url":             func(c *Config) { c.URL = "" },
		"url without scheme": func(c *Config) { c.URL = "127.0.0.1:1883" },
		"unknown scheme":     func(c *Config) { c.URL = "http://127.0.0.1" },
		"ssl without files":  func(c *Config) { c.URL = "ssl://127.0.0.1" },
		"illegal id":         func(c *Config) { c.Node = "a/b" },
		"illegal host":       func(c *Config) { c.PrimaryHost = "a#" },
		"names twice":        func(c *Config) { c.Channels = append(testChannels(), testChannels()...) },
	} {
		b := newBoard(t, "127.0.0.1:1", change)
		_, err := New(b.cfg, b.spool, slog.New(slog.NewTextHandler(io.Discard, nil)))
		require.Error(t, err, name)
	}
}

func TestParseURL(t *testing.T) {
	for text, want := range map[string]target{
		"tcp://10.0.0.1:1884":   {"10.0.0.1:1884", "10.0.0.1", false},
		"tcp://broker":          {"broker:1883", "broker", false},
		"ssl://broker":          {"broker:8883", "broker", true},
		"mqtts://[fd00::1]:900": {"[fd00::1]:900", "fd00::1", true},
	} {
		got, err := parseURL(text)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
}

func TestBackoff(t *testing.T) {
	b := backoff{first: time.Second, most: time.Minute, mute: 15 * time.Second}
	s := time.Second
	for _, want := range []time.Duration{1 * s, 2 * s, 4 * s, 8 * s, 16 * s, 32 * s, 60 * s, 60 * s} {
		require.Equal(t, want, b.next(0, false))
	}
	require.Equal(t, 30*s, b.next(1, false), "jitter shortens by up to half")
	require.Equal(t, 15*s, b.next(0, true), "a mute broker is asked sooner")
	b.reset()
	require.Equal(t, s, b.next(0, false))
}

func TestSpans(t *testing.T) {
	var s spans
	s.add(5, 4)
	require.Empty(t, s)
	s.add(1, 10)
	s.add(11, 12)
	s.add(20, 30)
	require.Equal(t, spans{{1, 12}, {20, 30}}, s)
	s.dropBelow(5)
	require.Equal(t, spans{{5, 12}, {20, 30}}, s)
	s.dropBelow(13)
	require.Equal(t, spans{{20, 30}}, s)
	s.dropBelow(31)
	require.Empty(t, s)
}
