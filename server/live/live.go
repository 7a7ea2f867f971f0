// Package live holds the newest value of every channel and the state of every
// plant and node, in memory, and tells subscribers when something changed. It knows
// nothing of MQTT or SQL: ingest feeds it, screens and the JSON API read it.
package live

import (
	"time"

	"decktrim/internal/plant"
)

// Plant is one plant at one instant. A snapshot belongs to its reader.
type Plant struct {
	Name        string
	File        *plant.Plant // the plant file
	State       string       // stopped, water on, filling, running, emptying, wash-down, ore change; empty: not known
	StateSince  time.Time
	Steady      bool
	SteadySince time.Time // zero: not known
	Headline    string    // one sentence: what the plant does now
	Alarms      []Alarm   // standing, oldest first
	Channels    []Channel // in the order of the plant file
	Nodes       []Node    // those that feed it
	OreSource   string    // on the belt; empty: not known
	Lot         string
}

// Channel is the newest reading of a channel. A reading that was not received for
// longer than allowed, or whose node is dead, has quality Stale and reason TooOld.
type Channel struct {
	plant.Channel
	Reading  plant.Reading
	At       time.Time     // when measured, plant clock; zero: never
	Received time.Time     // when received, real clock; zero: never
	Age      time.Duration // real time since it was received
	Usual    *Usual        // nil: not learned yet
}

// Usual is a channel's usual range as the watch has learned it, in its unit, and how
// much running it stands on.
type Usual struct {
	Low, High float64
	Learned   time.Duration
}

// Values are the readings of one message of a node, told after they were stored.
type Values struct {
	Node, Device string
	Received     time.Time // real clock
	Sent         time.Time // by the node's clock; zero: not told
	ClockSet     bool      // false: the node says that its clock is not set
	Boot         string
	Samples      []Sample
	Birth        bool // of a birth: current, but no new frame
	New          bool // was not stored before
}

// Sample is one value: current or, if Historical, of the past.
type Sample struct {
	Metric     string
	At         time.Time // when measured
	Reading    plant.Reading
	Historical bool
}

// Spool is how far a node's spool is stored.
type Spool struct {
	Stream                    string
	Acked, Last, Oldest, Lost int64
}

// Alarm is one standing alarm.
type Alarm struct {
	Kind     string // one of the watch's kinds
	Channel  string // empty: none
	Priority string // act, look, note
	Since    time.Time
	Cause    string
	Detail   string
	Follows  []string // kinds that follow from it
}

// Node is one board as the server sees it.
type Node struct {
	ID        string    // GROUP/NODE
	Online    bool      // born and not dead
	Since     time.Time // of Online, plant clock
	LastHeard time.Time // plant clock; zero: never since the server started
	Stream    string
	Acked     int64 // stored up to
	Last      int64 // last number in its spool, as far as told
	Oldest    int64
	Lost      int64 // numbers that will never come
	ClockSet  bool
	ClockOff  time.Duration // node minus server, when last heard
	Twin      time.Time     // when a second board with this id was last heard of and refused, real clock; zero: not lately
}

// Note is what a person must know of the node, in English; empty: nothing.
func (n Node) Note() string {
	if n.Twin.IsZero() {
		return ""
	}
	return "Two boards say that they are this node, as a copied card does. The second one is refused: its readings are not stored. Give it an id and a spool of its own."
}

// Backlog is how many frames the node holds that the server has not stored.
func (n Node) Backlog() int64 { return max(n.Last-n.Acked, 0) }
