package uplink

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"decktrim/edge/frames"
	"decktrim/edge/spool"
	"decktrim/internal/plant"
	"decktrim/internal/wire"
)

const (
	liveBatch  = 50  // records read at once
	liveLag    = 100 // new records above which the older ones wait for the backlog
	queued     = 64  // commands that may wait; above that the oldest are dropped
	poll       = time.Second
	backlogLot = 100 * time.Millisecond // of the backlog's rate is sent between two looks at what is live
	longestLot = 500 * time.Millisecond // of backlog on a slow link, before live is looked at again
	// A slow link gives the backlog at most 7 of 10 parts of its time.
	backlogShare = 0.7
)

// errMute says that a broker was reached but did not answer in time.
var errMute = errors.New("the broker does not answer")

// errHostAway ends a session because the primary host left.
var errHostAway = errors.New("the primary host is away")

// session is one connection, from dial to loss. Its methods run in Run's goroutine.
type session struct {
	u        *Uplink
	conn     net.Conn
	client   paho.Client
	commands chan []byte
	states   chan []byte
	lost     chan error

	live     uint64    // records up to here were sent, or are in todo
	todo     spans     // the backlog of this pass
	next     time.Time // no backlog before
	stuck    time.Time // since when no confirmation has moved the mark though records are out
	patience time.Duration
	greeted  bool         // a confirmation came since the last birth
	behind   bool         // the server has less than it confirmed before (restored from a backup)
	host     uint64       // how far it has then
	newest   *plant.Frame // for births
}

// connection dials, and lives as long as the connection does. born: it came as far
// as a birth.
func (u *Uplink) connection(ctx context.Context) (born bool, err error) {
	u.update(func(s *Status) { s.Attempts++ })
	conn, err := u.dial(ctx)
	if err != nil {
		return false, err
	}
	s := &session{u: u, conn: conn, commands: make(chan []byte, queued), states: make(chan []byte, queued),
		lost: make(chan error, 1), patience: u.cfg.Resend}
	u.edge.Begin(u.raiseBdSeq())
	u.primary.Begin()
	s.client = paho.NewClient(s.options())
	defer s.abandon()
	if err := s.wait(ctx, "CONNECT", u.cfg.Connect, s.client.Connect); err != nil {
		return false, err
	}
	if err := s.subscribe(ctx); err != nil {
		return false, err
	}
	if err := s.awaitPrimary(ctx); err != nil {
		return false, s.leaveAfter(ctx, err)
	}
	if err := s.birth(); err != nil {
		return false, err
	}
	now := u.cfg.Now()
	u.update(func(st *Status) { st.Connected, st.Since = true, now; st.Connects++ })
	u.log.Info("link to the server is up", "broker", u.target.address, "unconfirmed", u.Status().Backlog)
	s.begin(now)
	return true, s.leaveAfter(ctx, s.loop(ctx))
}

func (s *session) options() *paho.ClientOptions {
	u := s.u
	o := paho.NewClientOptions()
	o.AddBroker("tcp://" + u.target.address) // never dialled: the socket is ready
	o.SetClientID(u.cfg.Group + "/" + u.cfg.Node)
	o.SetProtocolVersion(4)
	o.SetCleanSession(true)
	o.SetAutoReconnect(false)
	o.SetConnectRetry(false)
	o.SetOrderMatters(true)
	o.SetKeepAlive(u.cfg.KeepAlive)
	o.SetPingTimeout(u.cfg.PingTimeout)
	o.SetConnectTimeout(2 * u.cfg.Connect) // the limit of wait comes first
	o.SetWriteTimeout(u.cfg.Write)
	o.SetBinaryWill(u.edge.Topic(wire.NDEATH).String(), u.edge.Will(u.cfg.Now()), 1, false)
	o.SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return s.conn, nil })
	o.SetConnectionLostHandler(func(_ paho.Client, err error) {
		select {
		case s.lost <- err:
		default:
		}
	})
	return o
}

// wait runs a call of the client and waits for its token, within a limit. When the
// limit passes the connection is given up, so whatever the call still does is over
// once the socket is closed.
func (s *session) wait(ctx context.Context, what string, limit time.Duration, call func() paho.Token) error {
	done := make(chan error, 1)
	go func() {
		t := call()
		t.Wait()
		done <- t.Error()
	}()
	t := time.NewTimer(limit)
	defer t.Stop()
	select {
	case err := <-done:
		if err != nil {
			return fmt.Errorf("%s: %w", what, lostError(err))
		}
		return nil
	case err := <-s.lost:
		return lostError(err)
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return fmt.Errorf("%w to %s within %v", errMute, what, limit)
	}
}

func lostError(err error) error {
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return fmt.Errorf("%w: it took no more bytes", errMute)
	}
	return fmt.Errorf("the connection broke: %w", err)
}

// abandon closes the socket first, so that nothing the client still says can cancel
// the will, and then lets the client wind up.
func (s *session) abandon() {
	s.conn.Close()
	go s.client.Disconnect(0)
}

// subscribe asks for the node's commands, and the primary host's STATE, and checks
// what the broker granted.
func (s *session) subscribe(ctx context.Context) error {
	take := func(queue chan []byte) paho.MessageHandler {
		return func(_ paho.Client, m paho.Message) {
			if m.Retained() && queue == s.commands {
				return // a command is of the moment; a kept one would be obeyed at every connection
			}
			b := append([]byte{}, m.Payload()...)
			for range 2 {
				select {
				case queue <- b:
					return
				default: // full: the newest counts, since a confirmation holds all before it
				}
				select {
				case <-queue:
				default:
				}
			}
		}
	}
	topics := map[string]chan []byte{s.u.edge.Topic(wire.NCMD).String(): s.commands}
	if s.u.cfg.PrimaryHost != "" {
		topics[wire.Topic{Kind: wire.STATE, Node: s.u.cfg.PrimaryHost}.String()] = s.states
	}
	for topic, queue := range topics {
		var token *paho.SubscribeToken
		err := s.wait(ctx, "SUBSCRIBE", s.u.cfg.Connect, func() paho.Token {
			t := s.client.Subscribe(topic, 1, take(queue))
			token, _ = t.(*paho.SubscribeToken)
			return t
		})
		if err != nil {
			return err
		}
		if code, ok := token.Result()[topic]; !ok || code > 1 {
			return fmt.Errorf("the broker refuses the subscription to %s (code %d): check its access list", topic, code)
		}
	}
	return nil
}

// awaitPrimary waits for the primary host, if there is one to wait for.
func (s *session) awaitPrimary(ctx context.Context) error {
	for s.u.cfg.PrimaryHost != "" && !s.u.primary.Online {
		select {
		case <-ctx.Done():
			return nil // loop sees it
		case err := <-s.lost:
			return lostError(err)
		case b := <-s.states:
			s.state(b)
		}
	}
	return nil
}

func (s *session) state(b []byte) {
	st, err := wire.ParseState(b)
	if err != nil {
		s.u.once("a STATE message of the primary host was ignored", "why", err)
		return
	}
	s.u.primary.Received(st)
}

// publish hands one message to the broker's socket.
func (s *session) publish(kind wire.Kind, qos byte, payload []byte) error {
	return s.wait(context.Background(), string(kind), s.u.cfg.Write, func() paho.Token {
		return s.client.Publish(s.u.edge.Topic(kind).String(), qos, false, payload)
	})
}

func (s *session) spoolState() wire.Spool {
	sp := s.u.spool
	return wire.Spool{Stream: sp.Stream(), Oldest: sp.Oldest(), Last: sp.Last(), Acked: sp.Acked()}
}

// birth publishes the NBIRTH with the newest readings there are.
func (s *session) birth() error {
	if s.newest == nil {
		s.lookForNewest()
	}
	if err := s.publish(wire.NBIRTH, 0, s.u.edge.Birth(s.u.cfg.Now(), s.newest, s.spoolState())); err != nil {
		return err
	}
	s.greeted = false
	s.u.update(func(st *Status) { st.Births++ })
	return nil
}

// acked is the number up to which this server has everything that can still be had.
func (s *session) acked() uint64 {
	if s.behind {
		return max(s.host, s.u.spool.Oldest()-1)
	}
	return s.u.spool.Acked()
}

// fell follows a server that has less than it confirmed before. It counts only as the
// answer to a birth, and moves no mark of the spool: what is still held goes again.
func (s *session) fell(to uint64, now time.Time) {
	switch {
	case !s.greeted:
		s.behind, s.host, s.todo = true, to, nil
		s.todo.add(s.acked()+1, s.live)
		s.u.log.Warn("the server has an older copy of its store; it gets again what is still held here",
			"stored", to, "confirmed_before", s.u.spool.Acked(), "held_from", s.u.spool.Oldest())
	case s.behind && to > s.host:
		s.host = to
		s.todo.dropBelow(to + 1)
	default:
		return
	}
	s.stuck, s.patience = now, s.u.cfg.Resend
}

// lookForNewest reads the last record of the spool, and takes its readings for the
// present ones if they are of this boot and of the last minute.
func (s *session) lookForNewest() {
	records, err := s.u.spool.Read(s.u.spool.Last(), 1)
	if err != nil || len(records) == 0 {
		return // the birth then says that nothing is known yet
	}
	f, ok := s.frame(records[0])
	if ok && f.Boot == s.u.cfg.Boot && s.u.cfg.Now().Sub(f.Time).Abs() < time.Minute {
		s.newest = &f
	}
}

// begin sets out what this connection has to send: what is appended from now on at
// once, all that is unconfirmed as backlog.
func (s *session) begin(now time.Time) {
	s.live = s.u.spool.Last()
	s.todo.add(s.u.spool.Acked()+1, s.live)
	s.next = now.Add(s.u.cfg.BacklogWait)
	s.stuck = now
}

// loop sends and listens until the connection or ctx ends.
func (s *session) loop(ctx context.Context) error {
	for {
		if s.u.cfg.PrimaryHost != "" && !s.u.primary.Online {
			return errHostAway
		}
		select {
		case <-ctx.Done():
			return nil
		case err := <-s.lost:
			return lostError(err)
		case b := <-s.commands:
			s.command(b)
			continue
		case b := <-s.states:
			s.state(b)
			continue
		default:
		}
		pause, err := s.step()
		if err != nil {
			return err
		}
		if pause <= 0 {
			continue
		}
		timer := time.NewTimer(pause)
		select {
		case <-timer.C:
		case <-s.u.notify:
		case b := <-s.commands:
			s.command(b)
		case b := <-s.states:
			s.state(b)
		case err := <-s.lost:
			timer.Stop()
			return lostError(err)
		case <-ctx.Done():
		}
		timer.Stop()
	}
}

// step does the most urgent thing: an ordered birth, what is live, some backlog. It
// returns how long there is nothing to do.
func (s *session) step() (pause time.Duration, err error) {
	now := s.u.cfg.Now()
	if due, wait := s.u.edge.BirthDue(now); due {
		if wait > 0 {
			return wait, nil // no data before it
		}
		return 0, s.birth()
	}
	sent, err := s.sendLive(now)
	if sent > 0 || err != nil {
		return 0, err
	}
	s.resendIfDue(now)
	return s.sendBacklog(now)
}

// command obeys 'stored up to' and 'send your birth again', and nothing else.
func (s *session) command(b []byte) {
	u := s.u
	now := u.cfg.Now()
	c := u.edge.Command(b, s.spoolState())
	for _, why := range c.Ignored {
		u.once("a command was ignored", "why", why)
	}
	if c.Confirms && !u.confirmed {
		u.confirmed = true
		s.stuck = now
	}
	switch {
	case c.Fell:
		s.fell(c.FellTo, now)
	case c.Confirms:
		s.behind = false
	}
	if c.Confirms && !s.greeted {
		s.greeted = true
		s.next = now // the server has said where it stands: no need to wait longer
	}
	if c.UpTo > 0 {
		if err := u.spool.Ack(c.UpTo); err != nil {
			u.once("the spool did not take a confirmation", "why", err)
			return
		}
		s.stuck, s.patience = now, u.cfg.Resend
		s.todo.dropBelow(c.UpTo + 1)
	}
	if c.Rebirth {
		s.patience = u.cfg.Resend // the server may have been away: do not wait for long
	}
	u.update(func(st *Status) {
		st.Ignored += uint64(len(c.Ignored))
		st.Confirmed = u.confirmed
		if c.UpTo > 0 {
			st.Confirmations++
		}
	})
}

// sendLive sends what was appended since. If much was, only the newest goes at
// once and the rest joins the backlog.
func (s *session) sendLive(now time.Time) (sent int, err error) {
	last := s.u.spool.Last()
	if last <= s.live {
		return 0, nil
	}
	if last-s.live > liveLag {
		s.todo.add(s.live+1, last-liveLag)
		s.live = last - liveLag
	}
	records, err := s.u.spool.Read(s.live+1, liveBatch)
	if err != nil {
		s.u.trouble("the spool cannot be read", err)
		return 0, nil
	}
	for _, r := range records {
		f, ok := s.frame(r)
		if ok && s.held(&f, now) {
			s.todo.add(s.live+1, r.Seq)
			s.live = r.Seq
			continue
		}
		if s.acked() >= s.live { // nothing was out before this one
			s.stuck = now
		}
		if err := s.send(r, f, ok, false); err != nil {
			return sent, err
		}
		s.live = r.Seq
		sent++
	}
	return sent, nil
}

// sendBacklog sends a lot of what is unconfirmed from before, at a limited rate and
// not too far ahead of the confirmation.
func (s *session) sendBacklog(now time.Time) (pause time.Duration, err error) {
	u := s.u
	s.todo.dropBelow(s.acked() + 1)
	s.todo.dropBelow(u.spool.Oldest())
	if len(s.todo) == 0 {
		return poll, nil
	}
	if wait := s.next.Sub(now); wait > 0 {
		return min(wait, poll), nil
	}
	lot := max(1, u.cfg.BacklogRate*int(backlogLot)/int(time.Second))
	if u.confirmed {
		ahead := s.todo[0].from - 1 - min(s.acked(), s.todo[0].from-1)
		if ahead >= uint64(u.cfg.InFlight) {
			return poll, nil // a confirmation wakes the loop
		}
		lot = min(lot, u.cfg.InFlight-int(ahead))
	}
	first := s.todo[0]
	records, err := u.spool.Read(first.from, lot)
	if err != nil {
		u.trouble("the spool cannot be read", err)
		return poll, nil
	}
	if len(records) == 0 {
		s.todo = nil // what is not held will be named as a gap by the next record
		return 0, nil
	}
	began := time.Now()
	sent := 0
	for _, r := range records {
		if r.Seq > first.to {
			s.todo.dropBelow(first.to + 1)
			break
		}
		f, ok := s.frame(r)
		if ok && s.held(&f, now) {
			s.next = now.Add(poll)
			return poll, nil
		}
		if err := s.send(r, f, ok, true); err != nil {
			return 0, err
		}
		sent++
		s.todo.dropBelow(r.Seq + 1)
		if time.Since(began) > longestLot {
			break
		}
	}
	if len(s.todo) == 0 {
		s.stuck = now // the pass is over: from here the confirmation is waited for
	}
	took := time.Since(began)
	rest := max(time.Duration(sent)*time.Second/time.Duration(u.cfg.BacklogRate)-took,
		time.Duration(float64(took)*(1/backlogShare-1)))
	s.next = now.Add(took + rest)
	return min(rest, poll), nil
}

// resendIfDue starts a new pass over what is unconfirmed, if a server that has
// confirmed before has been silent for too long. One that never confirms gets no
// second pass on a connection.
func (s *session) resendIfDue(now time.Time) {
	u := s.u
	acked := s.acked()
	blocked := len(s.todo) > 0 && s.todo[0].from > acked+uint64(u.cfg.InFlight)
	if !u.confirmed || acked >= s.live || len(s.todo) > 0 && !blocked || now.Sub(s.stuck) < s.patience {
		return
	}
	s.todo = nil
	s.todo.add(acked+1, s.live)
	s.stuck = now
	s.patience = min(2*s.patience, u.cfg.ResendMost)
}

// held reports whether a frame should wait because its time may yet become known.
func (s *session) held(f *plant.Frame, now time.Time) bool {
	return !f.ClockSet && f.Boot == s.u.cfg.Boot && now.Sub(s.u.start) < s.u.cfg.HoldUndated
}

// send publishes one record. One that could not be read (ok false) says that its
// own number will never come, so that the server can pass it.
func (s *session) send(r spool.Record, f plant.Frame, ok, historical bool) error {
	u := s.u
	out := wire.EdgeRecord{Seq: r.Seq, GapFrom: r.GapFrom, GapTo: r.GapTo, Historical: historical, Oldest: u.spool.Oldest()}
	if ok {
		out.Frame = &f
		if !historical {
			s.newest = &f
		}
	} else {
		if out.GapFrom == 0 {
			out.GapFrom = r.Seq
		}
		out.GapTo = r.Seq
		u.update(func(st *Status) { st.Unreadable++ })
	}
	if err := s.publish(wire.NDATA, 0, u.edge.Data(u.cfg.Now(), out)); err != nil {
		return err
	}
	u.update(func(st *Status) {
		st.Sent++
		if historical {
			st.Historical++
		}
	})
	return nil
}

// frame reads a record: dated as well as is known now, its readings in the order of
// the present channels.
func (s *session) frame(r spool.Record) (plant.Frame, bool) {
	u := s.u
	f, layout, err := frames.DecodeLayout(r.Payload)
	if err != nil {
		u.once("a kept record cannot be read and is sent as a gap", "why", err)
		return plant.Frame{}, false
	}
	if layout == 0 && len(f.Readings) == len(u.cfg.Channels) {
		layout = u.layout
	}
	if layout != u.layout {
		places, known := u.layouts[layout]
		if !known || len(places) != len(f.Readings) {
			u.once("a kept record is of channels that are not known any more and is sent as a gap", "layout", layout)
			return plant.Frame{}, false
		}
		f.Readings = s.rearranged(f.Readings, places)
	}
	if !f.ClockSet {
		u.cfg.Redate(&f)
	}
	if f.Time.IsZero() {
		f.Time = u.cfg.Now() // a guess, and marked as one: the clock was not set
	}
	return f, true
}

// rearranged puts readings of an earlier channel list into their places in ours.
func (s *session) rearranged(old []plant.Reading, places []int) []plant.Reading {
	now := make([]plant.Reading, len(s.u.cfg.Channels))
	for i := range now {
		now[i].Reason = plant.Missing
	}
	dropped := uint64(0)
	for i, at := range places {
		if at >= 0 {
			now[at] = old[i]
		} else if old[i].Has {
			dropped++
		}
	}
	if dropped > 0 {
		s.u.once("kept readings of channels that the plant file has no more are not sent", "first_count", dropped)
		s.u.update(func(st *Status) { st.Dropped += dropped })
	}
	return now
}

// leaveAfter ends the session in the way its end asks for: with a word if we leave
// by ourselves, without one if the link broke, so that the will is sent.
func (s *session) leaveAfter(ctx context.Context, err error) error {
	if ctx.Err() == nil && !errors.Is(err, errHostAway) {
		return err
	}
	u := s.u
	if err == nil {
		deadline := time.Now().Add(u.cfg.Drain)
		for time.Now().Before(deadline) {
			sent, failed := s.sendLive(u.cfg.Now())
			if failed != nil {
				return failed
			}
			if sent == 0 {
				break
			}
		}
	}
	if failed := s.publish(wire.NDEATH, 1, u.edge.Death(u.cfg.Now())); failed != nil {
		return errors.Join(err, failed)
	}
	done := make(chan struct{})
	go func() {
		s.client.Disconnect(250)
		close(done)
	}()
	select {
	case <-done:
	case <-time.After(u.cfg.Write):
	}
	now := u.cfg.Now()
	u.update(func(st *Status) { st.Connected, st.Since = false, now })
	return err
}
