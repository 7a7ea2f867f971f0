package broker

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"decktrim/internal/wire"
)

// ExternalConfig sets up the host's connection to a broker outside.
type ExternalConfig struct {
	URL    string      // tcp:// on loopback, else ssl://
	TLS    *tls.Config // nil: plain
	HostID string
	Groups []string // empty: all
	Log    *slog.Logger
}

const (
	keepAlive     = 20 * time.Second
	connectWait   = 10 * time.Second
	writeWait     = 5 * time.Second
	retryLeast    = time.Second
	retryMost     = 30 * time.Second // with jitter well within the minute in which all recovers by itself
	commandsQueue = 256
)

// External is the host as a client of a broker outside.
type External struct {
	cfg      ExternalConfig
	sink     Sink
	up       atomic.Bool
	commands chan command
}

type command struct {
	topic   string
	payload []byte
}

// NewExternal makes the host and starts nothing.
func NewExternal(cfg ExternalConfig, sink Sink) *External {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	return &External{cfg: cfg, sink: sink, commands: make(chan command, commandsQueue)}
}

// Run implements Broker. It connects anew whenever the connection breaks, waiting
// from 1 s up to half a minute between attempts.
func (x *External) Run(ctx context.Context) error {
	wait, failed := retryLeast, ""
	for ctx.Err() == nil {
		began := time.Now()
		err := x.session(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if time.Since(began) > retryMost {
			wait, failed = retryLeast, ""
		}
		if text := fmt.Sprint(err); text != failed { // a repeated failure is logged once
			failed = text
			x.cfg.Log.Warn("no connection to the broker; trying again", "url", x.cfg.URL, "error", err)
		}
		jitter := time.Duration(rand.Int64N(int64(wait) / 4))
		select {
		case <-ctx.Done():
		case <-time.After(wait + jitter):
		}
		wait = min(2*wait, retryMost)
	}
	return nil
}

// session is one connection: will, subscriptions, STATE online, in this order. A new
// client is made each time, since the will must carry the time of this connection.
func (x *External) session(ctx context.Context) error {
	host := wire.NewHostSession(x.cfg.HostID, time.Now())
	state := host.Topic().String()
	lost := make(chan error, 1)
	again := make(chan struct{}, 1)
	o := paho.NewClientOptions().AddBroker(x.cfg.URL).SetClientID(x.cfg.HostID).
		SetCleanSession(true).SetKeepAlive(keepAlive).SetConnectTimeout(connectWait).SetWriteTimeout(writeWait).
		SetAutoReconnect(false).SetProtocolVersion(4).SetOrderMatters(true).
		SetBinaryWill(state, host.Will(), 1, true).
		SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err })
	if x.cfg.TLS != nil {
		o.SetTLSConfig(x.cfg.TLS)
	}
	o.SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
		t, err := wire.ParseTopic(m.Topic())
		switch {
		case err != nil:
		case t.Kind == wire.STATE:
			if t.Node == x.cfg.HostID && host.Received(m.Payload()) {
				select {
				case again <- struct{}{}:
				default:
				}
			}
		case m.Retained(): // births and data are never retained
		default:
			x.sink.Deliver(Message{t, m.Payload(), time.Now()})
		}
	})
	c := paho.NewClient(o)
	if err := done(c.Connect()); err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer c.Disconnect(250)
	filters := map[string]byte{state: 1}
	for _, g := range x.cfg.Groups {
		filters[wire.Namespace+"/"+g+"/#"] = 1
	}
	if len(x.cfg.Groups) == 0 {
		filters[wire.Namespace+"/#"] = 1
	}
	sub := c.SubscribeMultiple(filters, nil).(*paho.SubscribeToken)
	if err := done(sub); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	for filter, code := range sub.Result() {
		if code > 2 {
			return fmt.Errorf("subscribe: the broker refuses %s", filter)
		}
	}
	if err := done(c.Publish(state, 1, true, host.Online())); err != nil {
		return fmt.Errorf("STATE: %w", err)
	}
	x.up.Store(true)
	defer x.up.Store(false)
	x.cfg.Log.Info("connected to the broker", "url", x.cfg.URL)
	for {
		select {
		case err := <-lost:
			x.up.Store(false)
			x.sink.Lost(time.Now())
			return fmt.Errorf("connection lost: %w", err)
		case <-again:
			if err := done(c.Publish(state, 1, true, host.Online())); err != nil {
				x.cfg.Log.Warn("STATE not repeated", "error", err)
			}
		case cmd := <-x.commands:
			c.Publish(cmd.topic, 0, false, cmd.payload)
		case <-ctx.Done():
			return done(c.Publish(state, 1, true, host.Offline(time.Now())))
		}
	}
}

// done waits for a token within the patience of a connection.
func done(t paho.Token) error {
	if !t.WaitTimeout(connectWait) {
		return fmt.Errorf("no answer within %v", connectWait)
	}
	return t.Error()
}

// Publish implements Broker.
func (x *External) Publish(topic wire.Topic, payload []byte) {
	if !x.up.Load() {
		return
	}
	select {
	case x.commands <- command{topic.String(), payload}:
	default: // repeated when needed
	}
}

// Connected implements Broker.
func (x *External) Connected() bool { return x.up.Load() }
