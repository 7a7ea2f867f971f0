package server

import (
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/wire"
)

const patience = 10 * time.Second // for anything to happen; passed only on failure

// board is a node over a real MQTT client, with a spool's numbers but no spool.
type board struct {
	t       testing.TB
	client  paho.Client
	id      wire.NodeID
	stream  string
	mu      sync.Mutex
	seq     uint64
	acks    []int64
	told    int64 // what the birth says was confirmed
	rebirth int
	more    []wire.Metric // declared beside the two channels
}

func connectTo(t testing.TB, address, clientID string, will func(*paho.ClientOptions)) (paho.Client, error) {
	o := paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID(clientID).SetCleanSession(true).
		SetKeepAlive(20 * time.Second).SetAutoReconnect(false).SetConnectTimeout(5 * time.Second).SetProtocolVersion(4)
	if will != nil {
		will(o)
	}
	c := paho.NewClient(o)
	tok := c.Connect()
	require.True(t, tok.WaitTimeout(patience))
	if tok.Error() == nil {
		t.Cleanup(func() { c.Disconnect(50) })
	}
	return c, tok.Error()
}

func newBoard(t testing.TB, address string, id wire.NodeID, stream string) *board {
	b := &board{t: t, id: id, stream: stream}
	death := wire.Payload{Timestamp: now(), Metrics: []wire.Metric{{Name: wire.MetricBdSeq, Timestamp: now(), Type: wire.TypeInt64, Value: int64(0)}}}
	c, err := connectTo(t, address, "board "+id.String(), func(o *paho.ClientOptions) {
		o.SetBinaryWill(b.topic(wire.NDEATH, "").String(), death.Append(nil), 1, false)
	})
	require.NoError(t, err)
	b.client = c
	tok := c.Subscribe(b.topic(wire.NCMD, "").String(), 1, func(_ paho.Client, m paho.Message) {
		p, err := wire.Decode(m.Payload())
		require.NoError(t, err)
		b.mu.Lock()
		defer b.mu.Unlock()
		stream := ""
		for _, x := range p.Metrics {
			switch x.Name {
			case wire.MetricStream:
				stream = x.Value.(string)
			case wire.MetricAcked:
				if stream == b.stream {
					b.acks = append(b.acks, x.Value.(int64))
				}
			case wire.MetricRebirth:
				b.rebirth++
			}
		}
	})
	require.True(t, tok.WaitTimeout(patience))
	require.NoError(t, tok.Error())
	return b
}

func now() uint64 { return uint64(time.Now().UnixMilli()) }

func (b *board) topic(k wire.Kind, device string) wire.Topic {
	return wire.Topic{Group: b.id.Group, Kind: k, Node: b.id.Node, Device: device}
}

func (b *board) send(k wire.Kind, device string, metrics ...wire.Metric) {
	b.mu.Lock()
	if k == wire.NBIRTH {
		b.seq = 0
	}
	p := wire.Payload{Timestamp: now(), HasSeq: true, Seq: b.seq % 256, Metrics: metrics}
	b.seq++
	b.mu.Unlock()
	tok := b.client.Publish(b.topic(k, device).String(), 0, false, p.Append(nil))
	require.True(b.t, tok.WaitTimeout(patience))
	require.NoError(b.t, tok.Error())
}

func double(name string, ts uint64, v float64) wire.Metric {
	return wire.Metric{Name: name, Timestamp: ts, Type: wire.TypeDouble, Value: v}
}

func spoolInt(name string, v int64) wire.Metric {
	return wire.Metric{Name: name, Timestamp: now(), Type: wire.TypeInt64, Transient: true, Value: v, Null: v == 0}
}

func (b *board) birth(oldest, last int64) {
	ts := now()
	m := []wire.Metric{
		{Name: wire.MetricBdSeq, Timestamp: ts, Type: wire.TypeInt64, Value: int64(0)},
		{Name: wire.MetricRebirth, Timestamp: ts, Type: wire.TypeBoolean, Value: false},
		double("Belt/feed_rate", ts, 1.5), double("Mill/mill_current", ts, 30),
	}
	m = append(m, b.more...)
	if b.stream != "" {
		m = append(m, wire.Metric{Name: wire.MetricStream, Timestamp: ts, Type: wire.TypeString, Transient: true, Value: b.stream},
			spoolInt(wire.MetricOldest, oldest), spoolInt(wire.MetricLast, last), spoolInt(wire.MetricAcked, b.told),
			spoolInt(wire.MetricGapFrom, 0), spoolInt(wire.MetricGapTo, 0))
	}
	for i := range m {
		m[i].Null = m[i].Value == nil || m[i].Null
		if m[i].Null {
			m[i].Value = nil
		}
	}
	b.send(wire.NBIRTH, "", m...)
}

// frameTime is when record seq was measured.
func frameTime(seq int64) uint64 { return 1_767_600_000_000 + 1000*uint64(seq) }

func (b *board) record(seq int64, more ...wire.Metric) {
	m := []wire.Metric{double("Belt/feed_rate", frameTime(seq), float64(seq)), double("Mill/mill_current", frameTime(seq), float64(seq)+0.5)}
	for i := range m {
		m[i].Historical = true
	}
	b.send(wire.NDATA, "", append(append(m, spoolInt(wire.MetricLast, seq)), more...)...)
}

func (b *board) acked() int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.acks) == 0 {
		return -1
	}
	return b.acks[len(b.acks)-1]
}

func (b *board) waitAcked(n int64) {
	b.t.Helper()
	require.Eventually(b.t, func() bool { return b.acked() == n }, patience, 10*time.Millisecond, "confirmed up to %d", n)
}

func testPlantFile() *plant.Plant {
	return &plant.Plant{
		Plant: plant.Identity{Name: "Larkspur mill", Timezone: "America/Boise"}, Location: time.UTC,
		Channels: []plant.Channel{
			{Name: "feed_rate", Role: plant.FeedRate, Unit: "t/h", Range: [2]float64{0, 4}, Signal: plant.Loop420},
			{Name: "mill_current", Role: plant.MillCurrent, Unit: "A", Range: [2]float64{0, 60}, Signal: plant.CurrentTransformer},
		},
	}
}

func testConfig(t testing.TB) Config {
	c := DefaultConfig()
	c.Server.Listen, c.MQTT.Listen = "127.0.0.1:0", "127.0.0.1:0"
	c.Server.Data = t.TempDir()
	c.MQTT.AcceptUnknownNodes = true
	c.Plants = []*plant.Plant{testPlantFile()}
	return c
}

// running is a server under test; stop ends it and waits.
type running struct {
	*Server
	stop func()
}

func start(t testing.TB, c Config, change ...func(*Options)) running {
	o := Options{Config: c, Version: "test", Log: slog.New(slog.NewTextHandler(t.Output(), nil))}
	for _, f := range change {
		f(&o)
	}
	s, err := New(o)
	require.NoError(t, err)
	return run(t, s)
}

func run(t testing.TB, s *Server) running {
	ctx, cancel := contextOf(t)
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	var once sync.Once
	stop := func() {
		once.Do(func() {
			cancel()
			require.NoError(t, <-done)
		})
	}
	t.Cleanup(stop)
	require.Eventually(t, s.broker.Connected, patience, 5*time.Millisecond)
	return running{s, stop}
}

// mosquitto starts the real broker on a free port.
func mosquitto(t testing.TB) (address string) {
	address = freeAddress(t)
	mosquittoAt(t, address)
	return address
}

func freeAddress(t testing.TB) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

func mosquittoAt(t testing.TB, address string) (kill func()) {
	const program = "/usr/sbin/mosquitto"
	_, err := os.Stat(program)
	require.NoError(t, err, "this test needs mosquitto (Debian package mosquitto)")
	_, port, err := net.SplitHostPort(address)
	require.NoError(t, err)
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	require.NoError(t, os.WriteFile(conf, fmt.Appendf(nil, "listener %s 127.0.0.1\nallow_anonymous true\npersistence false\n", port), 0o600))
	cmd := exec.Command(program, "-c", conf)
	require.NoError(t, cmd.Start())
	kill = sync.OnceFunc(func() {
		cmd.Process.Kill()
		cmd.Wait() // killed: its error says so
	})
	t.Cleanup(kill)
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", address)
		if err != nil {
			return false
		}
		c.Close()
		return true
	}, patience, 10*time.Millisecond)
	return kill
}
