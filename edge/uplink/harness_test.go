package uplink

import (
	"context"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/stretchr/testify/require"

	"decktrim/edge/frames"
	"decktrim/edge/spool"
	"decktrim/internal/plant"
	"decktrim/internal/wire"
)

// TestMain lets more tests run at once than there are processors: they wait for
// brokers and timers more than they work.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", "12"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

// patient is how long a test waits for something that must happen.
const patient = 15 * time.Second

const (
	group = "larkspur"
	node  = "mill"
)

// broker is a real broker of a test.
type broker interface {
	addr() string
}

// mosquitto is Debian's, run as a process of its own.
type mosquitto struct {
	t      *testing.T
	port   int
	config string
	cmd    *exec.Cmd
}

func startMosquitto(t *testing.T, more ...string) *mosquitto {
	t.Helper()
	m := &mosquitto{t: t, port: freePort(t)}
	dir := t.TempDir()
	m.config = filepath.Join(dir, "mosquitto.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\nallow_anonymous true\npersistence false\nlog_type error\n", m.port)
	for _, line := range more {
		text += line + "\n"
	}
	if os.Geteuid() == 0 {
		text += "user root\n"
	}
	require.NoError(t, os.WriteFile(m.config, []byte(text), 0o600))
	m.start()
	t.Cleanup(m.kill)
	return m
}

func (m *mosquitto) addr() string { return fmt.Sprintf("127.0.0.1:%d", m.port) }

func (m *mosquitto) start() {
	path := "/usr/sbin/mosquitto"
	if found, err := exec.LookPath("mosquitto"); err == nil {
		path = found
	}
	m.cmd = exec.Command(path, "-c", m.config)
	require.NoError(m.t, m.cmd.Start(), "these tests need the real mosquitto: apt-get install mosquitto")
	require.Eventually(m.t, func() bool {
		c, err := net.Dial("tcp", m.addr())
		if err == nil {
			c.Close()
		}
		return err == nil
	}, patient, 10*time.Millisecond)
}

func (m *mosquitto) kill() {
	m.signal(syscall.SIGKILL)
	m.cmd.Wait()
}

func (m *mosquitto) signal(s os.Signal) { m.cmd.Process.Signal(s) }

func freePort(t *testing.T) int {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// allowAll lets everybody in.
type allowAll struct{ mochi.HookBase }

func (allowAll) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (allowAll) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (allowAll) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

// mochiBroker runs inside the test.
type mochiBroker struct {
	server *mochi.Server
	at     string
}

func startMochi(t *testing.T, hooks ...mochi.Hook) *mochiBroker {
	t.Helper()
	s := mochi.New(&mochi.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if len(hooks) == 0 {
		hooks = []mochi.Hook{new(allowAll)}
	}
	for _, h := range hooks {
		require.NoError(t, s.AddHook(h, nil))
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, s.AddListener(listeners.NewNet("t", l)))
	require.NoError(t, s.Serve())
	t.Cleanup(func() {
		time.Sleep(50 * time.Millisecond) // its Close races with a connection that is just being accepted
		s.Close()
	})
	return &mochiBroker{s, l.Addr().String()}
}

func (m *mochiBroker) addr() string { return m.at }

// onBrokers runs a test on both brokers.
func onBrokers(t *testing.T, test func(t *testing.T, b broker)) {
	t.Parallel()
	t.Run("mosquitto", func(t *testing.T) { t.Parallel(); test(t, startMosquitto(t)) })
	t.Run("mochi", func(t *testing.T) { t.Parallel(); test(t, startMochi(t)) })
}

// seen is a message as the host saw it.
type seen struct {
	topic    wire.Topic
	qos      byte
	retained bool
	payload  *wire.Payload
	raw      []byte
}

// host is a server for tests: it reads what nodes say by the rules of wire.Host,
// stores records by number, and confirms.
type host struct {
	t       *testing.T
	client  paho.Client
	session *wire.Host

	mu       sync.Mutex
	confirm  bool                  // send confirmations
	deaf     func(seq uint64) bool // records that are lost before they are stored
	all      []seen
	events   []wire.Event
	stream   string
	stored   map[uint64]*wire.Data
	times    map[uint64]int // how often a record came
	order    []uint64       // in which records came
	lostUpTo map[uint64]bool
	acked    uint64
}

func startHost(t *testing.T, address string, confirm bool) *host {
	t.Helper()
	h := &host{t: t, session: wire.NewHost(wire.HostConfig{OrderEvery: 100 * time.Millisecond, OrderAtMost: 200 * time.Millisecond}), confirm: confirm,
		stored: map[uint64]*wire.Data{}, times: map[uint64]int{}, lostUpTo: map[uint64]bool{}}
	h.connect(address)
	t.Cleanup(func() { h.client.Disconnect(0) })
	return h
}

func (h *host) connect(address string) {
	o := paho.NewClientOptions().AddBroker("tcp://" + address).SetClientID("decktrim").SetOrderMatters(true).
		SetAutoReconnect(true).SetMaxReconnectInterval(100 * time.Millisecond).SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).
		SetWriteTimeout(500 * time.Millisecond)
	o.SetConnectionLostHandler(func(paho.Client, error) {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.session.Disconnected(time.Now())
	})
	listening := make(chan struct{}, 100)
	o.SetOnConnectHandler(func(c paho.Client) {
		c.Subscribe(wire.Namespace+"/#", 1, func(_ paho.Client, m paho.Message) { h.receive(m) }).WaitTimeout(patient)
		listening <- struct{}{}
	})
	h.client = paho.NewClient(o)
	require.True(h.t, h.client.Connect().WaitTimeout(patient))
	<-listening
}

func (h *host) receive(m paho.Message) {
	topic, err := wire.ParseTopic(m.Topic())
	if err != nil {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	p, _ := wire.Decode(m.Payload())
	h.all = append(h.all, seen{topic, m.Qos(), m.Retained(), p, m.Payload()})
	for _, e := range h.session.Receive(topic, m.Payload(), time.Now()) {
		h.events = append(h.events, e)
		switch e := e.(type) {
		case *wire.Birth:
			if e.Spool != nil {
				h.stream = e.Spool.Stream
				h.sendConfirmation()
			}
		case *wire.Data:
			if e.Record == nil || h.deaf != nil && h.deaf(e.Record.Seq) {
				continue
			}
			h.stored[e.Record.Seq] = e
			h.times[e.Record.Seq]++
			h.order = append(h.order, e.Record.Seq)
			for n := e.Record.GapFrom; n != 0 && n <= e.Record.GapTo; n++ {
				h.lostUpTo[n] = true
			}
			h.sendConfirmation()
		case *wire.RebirthOrder:
			h.send(wire.RebirthCommand(time.Now()))
		}
	}
}

// sendConfirmation moves the mark over what is stored or lost, and says where it is.
func (h *host) sendConfirmation() {
	if !h.confirm {
		return
	}
	for h.stored[h.acked+1] != nil || h.lostUpTo[h.acked+1] {
		h.acked++
	}
	h.send(wire.Confirmation(h.stream, h.acked, time.Now()))
}

func (h *host) send(p *wire.Payload) {
	h.client.Publish(wire.Topic{Group: group, Kind: wire.NCMD, Node: node}.String(), 0, false, p.Append(nil))
}

// messages returns what came of some kinds, in order.
func (h *host) messages(kinds ...wire.Kind) []seen {
	h.mu.Lock()
	defer h.mu.Unlock()
	var out []seen
	for _, s := range h.all {
		if slices.Contains(kinds, s.topic.Kind) {
			out = append(out, s)
		}
	}
	return out
}

func (h *host) count(k wire.Kind) int { return len(h.messages(k)) }

func (h *host) has(from, to uint64) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	for n := from; n <= to; n++ {
		if h.stored[n] == nil && !h.lostUpTo[n] {
			return false
		}
	}
	return true
}

func (h *host) repeats() map[uint64]int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return maps.Clone(h.times)
}

// board is a node under test: a real spool and an uplink over it.
type board struct {
	t     *testing.T
	spool *spool.Spool
	up    *Uplink
	cfg   Config
	stop  context.CancelFunc
	done  chan error
	n     float64
}

func testChannels() []plant.Channel {
	return []plant.Channel{
		{Name: "feed_rate", Role: plant.FeedRate, Unit: "t/h"},
		{Name: "mill_current", Role: plant.MillCurrent, Unit: "A"},
	}
}

func newBoard(t *testing.T, address string, change ...func(*Config)) *board {
	t.Helper()
	s, err := spool.Open(spool.Options{Dir: t.TempDir(), Boot: "boot-1", MaxBytes: 8 << 20})
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	b := &board{t: t, spool: s, cfg: Config{
		Group: group, Node: node, URL: "tcp://" + address, Channels: testChannels(), Version: "test", Boot: "boot-1",
		StateDir: t.TempDir(), KeepAlive: 5 * time.Second, PingTimeout: time.Second, Connect: 2 * time.Second, Write: 2 * time.Second,
		UserTimeout: 2 * time.Second, RetryFirst: 20 * time.Millisecond, RetryMost: 200 * time.Millisecond, Stable: time.Second,
		Resend: time.Second, BacklogWait: 100 * time.Millisecond, BacklogRate: 2000, Drain: time.Second, HoldUndated: time.Millisecond,
	}}
	for _, c := range change {
		c(&b.cfg)
	}
	return b
}

func (b *board) start() {
	b.t.Helper()
	var err error
	b.up, err = New(b.cfg, b.spool, slog.New(slog.NewTextHandler(io.Discard, nil)))
	require.NoError(b.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	b.stop, b.done = cancel, make(chan error, 1)
	go func() { b.done <- b.up.Run(ctx) }()
	b.t.Cleanup(b.end)
}

// end stops the uplink; more than once does no harm.
func (b *board) end() {
	if b.stop == nil {
		return
	}
	b.stop()
	select {
	case err := <-b.done:
		require.NoError(b.t, err)
	case <-time.After(patient):
		b.t.Error("Run did not return")
	}
	b.stop = nil
}

func (b *board) frame() plant.Frame {
	b.n++
	return plant.Frame{Time: time.Now().UTC(), ClockSet: true, Boot: "boot-1", Mono: time.Duration(b.n) * time.Second,
		Readings: []plant.Reading{{Value: b.n, Has: true, Quality: plant.Good}, {Reason: plant.LoopFault}}}
}

func (b *board) names() []string {
	var names []string
	for _, c := range b.cfg.Channels {
		names = append(names, c.Name)
	}
	return names
}

// append puts n frames into the spool, the last of which has the number returned.
func (b *board) append(n int) (last uint64) {
	b.t.Helper()
	for range n {
		var err error
		last, err = b.spool.Append(frames.Append(nil, frames.LayoutOf(b.names()), b.frame()))
		require.NoError(b.t, err)
		if b.up != nil {
			b.up.Notify()
		}
	}
	return last
}

// tell writes down how things stand, for a test that fails.
func (b *board) tell(h *host) {
	if !b.t.Failed() {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	var missing []uint64
	for n := uint64(1); n <= b.spool.Last(); n++ {
		if h.stored[n] == nil {
			missing = append(missing, n)
		}
	}
	kinds := map[string]int{}
	for _, e := range h.events {
		if p, ok := e.(*wire.Problem); ok {
			kinds[string(p.Kind)]++
		} else {
			kinds[fmt.Sprintf("%T", e)]++
		}
	}
	b.t.Logf("node: %+v", b.up.Status())
	b.t.Logf("host: connected %t, acked %d, missing %d: %v, events %v", h.client.IsConnectionOpen(), h.acked, len(missing), missing[:min(len(missing), 20)], kinds)
}

func (b *board) connected() bool { return b.up.Status().Connected }

func eventually(t *testing.T, what string, f func() bool) {
	t.Helper()
	require.Eventually(t, f, patient, 5*time.Millisecond, what)
}

// proxy stands between node and broker and can be made to misbehave.
type proxy struct {
	listener net.Listener
	mu       sync.Mutex
	frozen   bool
	conns    []net.Conn
	accepted int
}

func startProxy(t *testing.T, to string) *proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &proxy{listener: l}
	t.Cleanup(func() { l.Close(); p.cut() })
	go func() {
		for {
			in, err := l.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				continue
			}
			p.mu.Lock()
			p.conns = append(p.conns, in, out)
			p.accepted++
			p.mu.Unlock()
			go p.pump(in, out)
			go p.pump(out, in)
		}
	}()
	return p
}

// pump forwards until the connection ends; what comes while frozen is swallowed,
// as by a link that is gone without a word.
func (p *proxy) pump(from, to net.Conn) {
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		p.mu.Lock()
		frozen := p.frozen
		p.mu.Unlock()
		if err != nil {
			if !frozen {
				to.Close()
			}
			return
		}
		if !frozen {
			if _, err := to.Write(buf[:n]); err != nil {
				from.Close()
				return
			}
		}
	}
}

func (p *proxy) freeze(yes bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.frozen = yes
}

// cut resets all connections.
func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		if tcp, ok := c.(*net.TCPConn); ok {
			tcp.SetLinger(0)
		}
		c.Close()
	}
	p.conns = nil
}

func (p *proxy) addr() string { return p.listener.Addr().String() }
