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
	Location    *time.Location
	State       string // stopped, water on, filling, running, emptying, wash-down, ore change; empty: not known
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
}

// Backlog is how many frames the node holds that the server has not stored.
func (n Node) Backlog() int64 { return max(n.Last-n.Acked, 0) }
