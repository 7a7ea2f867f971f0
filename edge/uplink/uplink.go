// Package uplink carries the records of the board's spool to the server: Sparkplug B
// over MQTT 3.1.1, live readings first, what was missed after them, and each record
// again until the server itself has said that it is stored.
//
// One goroutine (Run) owns the connection, the sequence numbers and the order of
// what is sent. The paho client never reconnects by itself, since it would repeat
// an old will; every wait on it has a limit, after which the socket is closed.
package uplink

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"os"
	"sync"
	"time"

	"decktrim/edge/frames"
	"decktrim/edge/spool"
	"decktrim/internal/plant"
	"decktrim/internal/wire"
)

// Spool is what the uplink needs of the spool (edge/spool has it). Read returns
// held records with numbers from on, in order.
type Spool interface {
	Stream() string
	Oldest() uint64
	Last() uint64
	Acked() uint64
	Ack(upTo uint64) error
	Read(from uint64, limit int) ([]spool.Record, error)
}

// Config says who the node is, where its broker is, and how patient it is. Zeros
// of times and counts take the defaults named.
type Config struct {
	Group, Node string
	URL         string           // tcp://host:port, or ssl://host:port with CA, Cert and Key
	CA          string           // file with the certificates of the site's authority
	Cert, Key   string           // files of the node's own certificate; read anew for each connection
	TLSTime     func() time.Time // the time certificates are judged by; time.Now

	Channels  []plant.Channel // in the order of the frames' readings
	Version   string          // of the program
	Boot      string          // the kernel's boot id now
	StateDir  string          // for the birth-death number and the known channel lists
	Aliases   bool            // data by number: for a metered or slow link
	OmitTypes bool            // data without datatypes

	// PrimaryHost is the id of a host without which nothing is published; empty
	// (usual): publish whoever listens. The spool needs no such host to be safe.
	PrimaryHost string

	// Redate gives a frame its true time, if its clock was not set when it was
	// taken and the time is known by now. Nil: never known.
	Redate func(*plant.Frame)
	// HoldUndated is for how long after the start records of this boot are held
	// back because their time may yet become known; 2 min. After that they are sent
	// with their guessed time and marked so.
	HoldUndated time.Duration

	KeepAlive   time.Duration // 20 s, whole seconds
	PingTimeout time.Duration // wait for the answer to a ping; 5 s
	Connect     time.Duration // limit of dialling, of CONNECT and of SUBSCRIBE, each; 10 s
	Write       time.Duration // limit of one write; 8 s
	UserTimeout time.Duration // how long the kernel waits for the peer's receipt; 15 s
	RetryFirst  time.Duration // wait after a connection failed; doubles from 1 s
	RetryMost   time.Duration // to 60 s
	RetryMute   time.Duration // the most after a broker that was reached but silent; 15 s
	Stable      time.Duration // a connection that lived so long resets the waits; 30 s
	Resend      time.Duration // send again if no confirmation came for so long; 30 s
	ResendMost  time.Duration // to which that wait doubles while none comes; 5 min
	BacklogWait time.Duration // for the first confirmation before the backlog begins; 2 s
	BacklogRate int           // records a second sent again; 200
	InFlight    int           // records sent again ahead of the confirmation; 2000
	Drain       time.Duration // limit of sending what is new when Run ends; 5 s

	Now    func() time.Time // time.Now
	Jitter func() float64   // from 0 to 1; random
}

func (c *Config) setDefaults() {
	c.TLSTime = orFunc(c.TLSTime, time.Now)
	c.Now = orFunc(c.Now, time.Now)
	if c.Redate == nil {
		c.Redate = func(*plant.Frame) {}
	}
	if c.Jitter == nil {
		c.Jitter = rand.Float64
	}
	for _, d := range []struct {
		value *time.Duration
		def   time.Duration
	}{
		{&c.HoldUndated, 2 * time.Minute}, {&c.KeepAlive, 20 * time.Second}, {&c.PingTimeout, 5 * time.Second},
		{&c.Connect, 10 * time.Second}, {&c.Write, 8 * time.Second}, {&c.UserTimeout, 15 * time.Second},
		{&c.RetryFirst, time.Second}, {&c.RetryMost, time.Minute}, {&c.RetryMute, 15 * time.Second},
		{&c.Stable, 30 * time.Second}, {&c.Resend, 30 * time.Second}, {&c.ResendMost, 5 * time.Minute},
		{&c.BacklogWait, 2 * time.Second}, {&c.Drain, 5 * time.Second},
	} {
		*d.value = cmp.Or(*d.value, d.def)
	}
	c.BacklogRate = cmp.Or(c.BacklogRate, 200)
	c.InFlight = cmp.Or(c.InFlight, 2000)
}

func orFunc(f, otherwise func() time.Time) func() time.Time {
	if f == nil {
		return otherwise
	}
	return f
}

// Status is the state of the link for screens and metrics. Counts begin at New.
type Status struct {
	Connected     bool      // born on the broker
	Since         time.Time // of that, or of its loss
	BdSeq         uint8
	Confirmed     bool // the server has confirmed this spool at least once
	Acked, Last   uint64
	Backlog       uint64 // numbers not confirmed
	Attempts      uint64 // connections tried
	Connects      uint64 // connections born
	Births        uint64
	Sent          uint64 // records
	Historical    uint64 // of these, not live
	Confirmations uint64 // that moved the mark
	Ignored       uint64 // commands not obeyed
	Unreadable    uint64 // records of the spool that could not be read; sent as a gap
	Dropped       uint64 // readings of channels that the plant file has no more
	LastError     string // of the link; stays after it is well again
	LastErrorAt   time.Time
}

// Uplink is one node's link to the server.
type Uplink struct {
	cfg     Config
	target  target
	spool   Spool
	log     *slog.Logger
	edge    *wire.Edge
	layout  frames.Layout
	layouts map[frames.Layout][]int // old channel lists: place of each reading in ours, or -1
	notify  chan struct{}
	start   time.Time

	said      map[string]bool // log lines that were written once
	confirmed bool            // a server has confirmed this stream since the start, or before
	primary   wire.PrimaryHost
	attempted bool // a CONNECT was begun since the start, so status.BdSeq counts

	mu     sync.Mutex
	status Status
}

// New checks the configuration and reads what is kept in StateDir. Its errors are
// for people: they name what is wrong in the board's file.
func New(cfg Config, s Spool, log *slog.Logger) (*Uplink, error) {
	cfg.setDefaults()
	target, err := parseURL(cfg.URL)
	if err != nil {
		return nil, err
	}
	edge, err := wire.NewEdge(wire.EdgeConfig{Group: cfg.Group, Node: cfg.Node, Channels: cfg.Channels,
		Version: cfg.Version, Boot: cfg.Boot, Aliases: cfg.Aliases, OmitTypes: cfg.OmitTypes})
	if err != nil {
		return nil, err
	}
	if cfg.PrimaryHost != "" && !wire.ValidID(cfg.PrimaryHost) {
		return nil, fmt.Errorf("the primary host's id %q is not legal", cfg.PrimaryHost)
	}
	u := &Uplink{cfg: cfg, target: target, spool: s, log: log, edge: edge, notify: make(chan struct{}, 1),
		start: cfg.Now(), said: map[string]bool{}, confirmed: s.Acked() > 0}
	if target.tls {
		if _, err := u.tlsConfig(); err != nil {
			return nil, err
		}
	}
	if err := os.MkdirAll(cfg.StateDir, 0o700); err != nil {
		return nil, fmt.Errorf("the state folder cannot be made: %w", err)
	}
	if err := u.knowLayouts(); err != nil {
		return nil, err
	}
	u.status.Since, u.status.Confirmed = u.start, u.confirmed
	return u, nil
}

// Notify says that a record was appended. It never waits.
func (u *Uplink) Notify() {
	select {
	case u.notify <- struct{}{}:
	default: // the loop is going to look anyway
	}
}

// Status is the state of the link now.
func (u *Uplink) Status() Status {
	u.mu.Lock()
	defer u.mu.Unlock()
	s := u.status
	s.Acked, s.Last = u.spool.Acked(), u.spool.Last()
	s.Backlog = s.Last - min(s.Acked, s.Last)
	return s
}

func (u *Uplink) update(change func(*Status)) {
	u.mu.Lock()
	defer u.mu.Unlock()
	change(&u.status)
}

// Run keeps the link up until ctx ends. Then it sends what is new, says NDEATH and
// disconnects, all within bounds, and returns nil. It must not be called twice.
func (u *Uplink) Run(ctx context.Context) error {
	b := backoff{first: u.cfg.RetryFirst, most: u.cfg.RetryMost, mute: u.cfg.RetryMute}
	for ctx.Err() == nil {
		began := u.cfg.Now()
		born, err := u.connection(ctx)
		if ctx.Err() != nil {
			return nil
		}
		u.lost(err)
		lived := u.cfg.Now().Sub(began)
		if born && lived >= u.cfg.Stable {
			b.reset()
		}
		sleep(ctx, b.next(u.cfg.Jitter(), errors.Is(err, errMute)))
	}
	return nil
}

// lost notes the end of a connection. The same trouble is logged once, not at each
// attempt.
func (u *Uplink) lost(err error) {
	if err == nil {
		return
	}
	text := err.Error()
	now := u.cfg.Now()
	var news bool
	u.update(func(s *Status) {
		news = s.Connected || s.LastError != text
		if s.Connected {
			s.Connected, s.Since = false, now
		}
		s.LastError, s.LastErrorAt = text, now
	})
	if news {
		u.log.Warn("link to the server is down", "why", text, "unconfirmed", u.Status().Backlog)
	}
}

// once logs a line the first time only, and forgets none of a bounded number.
func (u *Uplink) once(text string, args ...any) {
	const most = 200
	key := text + fmt.Sprint(args...)
	if u.said[key] || len(u.said) >= most {
		return
	}
	u.said[key] = true
	u.log.Warn(text, args...)
}

// trouble notes a fault of our own side: logged once, shown in Status.
func (u *Uplink) trouble(what string, err error) {
	u.once(what, "why", err)
	u.update(func(s *Status) { s.LastError, s.LastErrorAt = what+": "+err.Error(), u.cfg.Now() })
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// target is where the broker is.
type target struct {
	address string // host:port
	host    string // for the certificate
	tls     bool
}

func parseURL(text string) (target, error) {
	u, err := url.Parse(text)
	if err != nil || u.Hostname() == "" {
		return target{}, fmt.Errorf("mqtt url %q is not an address: write tcp://host:1883, or ssl://host:8883", text)
	}
	t := target{host: u.Hostname()}
	port := "1883"
	switch u.Scheme {
	case "tcp", "mqtt":
	case "ssl", "tls", "mqtts":
		t.tls, port = true, "8883"
	default:
		return target{}, fmt.Errorf("mqtt url %q: %q is not known here: write tcp:// or ssl://", text, u.Scheme)
	}
	t.address = joinHostPort(t.host, cmp.Or(u.Port(), port))
	return t, nil
}
