package broker

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"decktrim/internal/wire"
)

// EmbeddedConfig sets up the broker inside the process.
type EmbeddedConfig struct {
	Listener net.Listener // plain, on loopback only
	TLS      *tls.Config  // not nil: client certificates are asked for and name the node
	HostID   string
	// May reports whether a node may send at all. On a plain loopback listener who is
	// sending cannot be proved, so any local program may speak for an admitted node.
	May           func(wire.NodeID) bool
	ConnectWithin time.Duration // for CONNECT; 0: 10 s
	Log           *slog.Logger
}

// Limits of the listener. Figures: mqtt-security design, 50 nodes of 32 channels at
// 1 Hz with a backlog.
const (
	maxPacket      = 64 << 10
	maxClients     = 128
	connectWithin  = 10 * time.Second
	maxUnfinished  = 64 // sockets that have not said CONNECT
	keepAliveLeast = 5  // s
	keepAliveMost  = 120
	nodeRate       = 1000 // messages/s of one node over TLS; above it that node is slowed
	nodeBurst      = 2000
)

// Embedded is a broker inside the process.
type Embedded struct {
	cfg  EmbeddedConfig
	sink Sink
	mq   *mqtt.Server
	up   atomic.Bool
	host *wire.HostSession
}

// NewEmbedded makes the broker on an open listener and starts nothing.
func NewEmbedded(cfg EmbeddedConfig, sink Sink) (*Embedded, error) {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients = maxClients
	caps.MaximumPacketSize = maxPacket
	caps.MaximumInflight, caps.ReceiveMaximum = 20, 20
	caps.MaximumClientWritesPending = 1024
	caps.MaximumQos = 1
	caps.MaximumSessionExpiryInterval = 0
	caps.SharedSubAvailable, caps.TopicAliasMaximum = 0, 0
	caps.MinimumProtocolVersion = 4
	e := &Embedded{cfg: cfg, sink: sink}
	e.mq = mqtt.New(&mqtt.Options{
		Capabilities:             caps,
		InlineClient:             true,
		Logger:                   slog.New(slog.DiscardHandler), // it logs each disconnect; the hook logs what matters
		ClientNetReadBufferSize:  16 << 10,
		ClientNetWriteBufferSize: 4 << 10,
		SysTopicResendInterval:   3600,
	})
	if err := e.mq.AddHook(&hook{e: e}, nil); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	var l net.Listener = newGuard(cfg.Listener, cmp.Or(cfg.ConnectWithin, connectWithin))
	if cfg.TLS != nil {
		l = tls.NewListener(l, cfg.TLS)
	}
	if err := e.mq.AddListener(listeners.NewNet("mqtt", l)); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	return e, nil
}

// Run implements Broker.
func (e *Embedded) Run(ctx context.Context) error {
	if err := e.mq.Serve(); err != nil {
		return fmt.Errorf("broker: %w", err)
	}
	e.host = wire.NewHostSession(e.cfg.HostID, time.Now())
	state := e.host.Topic().String()
	if err := e.mq.Publish(state, e.host.Online(), true, 1); err != nil {
		return errors.Join(fmt.Errorf("broker: STATE: %w", err), e.mq.Close())
	}
	e.up.Store(true)
	<-ctx.Done()
	e.up.Store(false)
	err := e.mq.Publish(state, e.host.Offline(time.Now()), true, 1)
	time.Sleep(50 * time.Millisecond) // the STATE stands in the clients' queues; Close would throw it away
	return errors.Join(err, e.mq.Close())
}

// Publish implements Broker.
func (e *Embedded) Publish(topic wire.Topic, payload []byte) {
	if err := e.mq.Publish(topic.String(), payload, false, 0); err != nil {
		e.cfg.Log.Warn("command not sent", "topic", topic.String(), "error", err)
	}
}

// Connected implements Broker.
func (e *Embedded) Connected() bool { return e.up.Load() }

// Kick ends the connection of a client, for example of a node that was revoked.
func (e *Embedded) Kick(clientID string) {
	if cl, ok := e.mq.Clients.Get(clientID); ok {
		if err := e.mq.DisconnectClient(cl, packets.ErrNotAuthorized); err != nil && !errors.Is(err, packets.ErrNotAuthorized) {
			e.cfg.Log.Warn("client not disconnected", "client", clientID, "error", err)
		}
	}
}

// hook admits, checks access and takes messages. It is the only hook: mochi lets
// any one hook say yes.
type hook struct {
	mqtt.HookBase
	e      *Embedded
	rates  sync.Map // client id: *rate
	logged limiter
}

func (h *hook) ID() string { return "decktrim" }

func (h *hook) Provides(b byte) bool {
	return bytes.Contains([]byte{mqtt.OnConnect, mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPublish, mqtt.OnWillSent, mqtt.OnDisconnect}, []byte{b})
}

func (h *hook) refuse(cl *mqtt.Client, why string) {
	if h.logged.allow(why) {
		h.e.cfg.Log.Warn("MQTT connection refused", "client", cl.ID, "from", cl.Net.Remote, "why", why)
	}
}

func (h *hook) OnConnect(cl *mqtt.Client, pk packets.Packet) error {
	if k := pk.Connect.Keepalive; k < keepAliveLeast || k > keepAliveMost {
		h.refuse(cl, fmt.Sprintf("keep-alive of %d s; give 5 to 120", k))
		return packets.ErrNotAuthorized
	}
	return nil
}

// identity is who a certificate says a client is.
func (h *hook) identity(cl *mqtt.Client) (cn string, ok bool) {
	conn, isTLS := cl.Net.Conn.(*tls.Conn)
	if !isTLS {
		return "", false
	}
	chains := conn.ConnectionState().VerifiedChains
	if len(chains) == 0 {
		return "", false
	}
	return chains[0][0].Subject.CommonName, true
}

// access is what a client may do.
type access struct {
	local  bool        // plain loopback: speaks for any admitted node
	node   wire.NodeID // by certificate
	reader bool        // by certificate: listens only
}

const readerName = "reader"

func (h *hook) access(cl *mqtt.Client) (a access, ok bool) {
	if h.e.cfg.TLS == nil {
		return access{local: true}, true
	}
	cn, ok := h.identity(cl)
	if !ok {
		return a, false
	}
	if cn == readerName {
		return access{reader: true}, true
	}
	id, ok := ParseNode(cn)
	return access{node: id}, ok && h.e.cfg.May(id)
}

func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	a, ok := h.access(cl)
	if !ok {
		h.refuse(cl, "its certificate names no admitted node")
		return false
	}
	if cn, isTLS := h.identity(cl); isTLS && cl.ID != cn {
		h.refuse(cl, "its client id is not its certificate's name")
		return false
	}
	if pk.Connect.WillFlag {
		t, err := wire.ParseTopic(pk.Connect.WillTopic)
		if err != nil || t.Kind != wire.NDEATH || !h.mayWrite(a, t) || pk.Connect.WillRetain {
			h.refuse(cl, "its will is not the NDEATH of its own node, or is retained")
			return false
		}
	}
	return true
}

// mayWrite says what a node may publish: births, data and deaths of its own.
func (h *hook) mayWrite(a access, t wire.Topic) bool {
	switch t.Kind {
	case wire.NBIRTH, wire.NDATA, wire.NDEATH, wire.DBIRTH, wire.DDATA, wire.DDEATH:
	default:
		return false // commands and STATE are the host's
	}
	id := wire.NodeID{Group: t.Group, Node: t.Node}
	switch {
	case a.reader:
		return false
	case a.local:
		return h.e.cfg.May(id)
	}
	return id == a.node
}

// OnACLCheck gets the topic of a publish, the filter of a subscription, and the
// topic again at each delivery.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	if cl.Net.Inline {
		return true
	}
	a, ok := h.access(cl)
	if !ok {
		return false
	}
	if write {
		t, err := wire.ParseTopic(topic)
		return err == nil && h.mayWrite(a, t)
	}
	return mayRead(a, topic, h.e.cfg.HostID)
}

func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	if pk.FixedHeader.Retain {
		// Only the host retains (STATE).
		if h.logged.allow("retained") {
			h.e.cfg.Log.Warn("retained message dropped: only the host's STATE is retained", "client", cl.ID, "topic", pk.TopicName)
		}
		return pk, packets.ErrRejectPacket
	}
	if h.e.cfg.TLS != nil {
		r, _ := h.rates.LoadOrStore(cl.ID, &rate{})
		time.Sleep(r.(*rate).take(time.Now()))
	}
	h.deliver(pk)
	return pk, nil
}

// OnWillSent sees the NDEATH that the broker sends for a client that is gone.
func (h *hook) OnWillSent(_ *mqtt.Client, pk packets.Packet) { h.deliver(pk) }

func (h *hook) OnDisconnect(cl *mqtt.Client, _ error, _ bool) { h.rates.Delete(cl.ID) }

func (h *hook) deliver(pk packets.Packet) {
	t, err := wire.ParseTopic(pk.TopicName)
	if err != nil {
		return // refused by the access check before
	}
	h.e.sink.Deliver(Message{t, pk.Payload, time.Now()})
}

// rate slows one client that sends more than its share. Used by the client's own
// reading goroutine alone.
type rate struct {
	tokens float64
	last   time.Time
}

// take returns how long to wait before the next message.
func (r *rate) take(now time.Time) time.Duration {
	if r.last.IsZero() {
		r.tokens = nodeBurst
	} else {
		r.tokens = min(nodeBurst, r.tokens+now.Sub(r.last).Seconds()*nodeRate)
	}
	r.last = now
	if r.tokens--; r.tokens >= 0 {
		return 0
	}
	return time.Duration(-r.tokens / nodeRate * float64(time.Second))
}

// guard is a listener that survives failed accepts and idle sockets: a connection
// has a bounded time for its CONNECT, and only maxUnfinished may be waiting for it.
type guard struct {
	net.Listener
	within time.Duration
	slots  chan struct{}
	closed chan struct{}
	once   sync.Once
}

func newGuard(l net.Listener, within time.Duration) *guard {
	return &guard{Listener: l, within: within, slots: make(chan struct{}, maxUnfinished), closed: make(chan struct{})}
}

func (g *guard) Accept() (net.Conn, error) {
	wait := 5 * time.Millisecond
	for {
		c, err := g.Listener.Accept()
		if err == nil {
			select {
			case g.slots <- struct{}{}:
			default:
				// Full of sockets that say nothing: each has its deadline, so room comes.
				// The newest is turned away rather than held, for want of files.
				c.Close()
				continue
			}
			if err := c.SetDeadline(time.Now().Add(g.within)); err != nil {
				<-g.slots
				c.Close()
				continue
			}
			return &guarded{Conn: c, g: g}, nil
		}
		select {
		case <-g.closed:
			return nil, err
		default:
		}
		if errors.Is(err, net.ErrClosed) {
			return nil, err
		}
		time.Sleep(wait) // out of files, say: try again, with patience
		wait = min(2*wait, time.Second)
	}
}

func (g *guard) Close() error {
	g.once.Do(func() { close(g.closed) })
	return g.Listener.Close()
}

// guarded is a connection whose slot is free once the broker sets its own deadline
// (after CONNECT) or it is closed.
type guarded struct {
	net.Conn
	g    *guard
	once sync.Once
}

func (c *guarded) free() { c.once.Do(func() { <-c.g.slots }) }

func (c *guarded) SetDeadline(t time.Time) error {
	c.free()
	return c.Conn.SetDeadline(t)
}

func (c *guarded) Close() error {
	c.free()
	return c.Conn.Close()
}

// limiter lets each text through once a minute.
type limiter struct{ last sync.Map }

func (l *limiter) allow(text string) bool {
	now := time.Now()
	was, seen := l.last.Swap(text, now)
	if seen && now.Sub(was.(time.Time)) < time.Minute {
		l.last.Store(text, was)
		return false
	}
	return true
}
