package web

import (
	"context"
	"log/slog"
	"net/http"
	"time"

	"decktrim/internal/advise"
	"decktrim/internal/ledger"
	"decktrim/internal/plant"
)

// Deps is what the screens need from the rest of the server. Live, History,
// Ledger and Now must be given; a nil Adviser or System is said on its screen.
type Deps struct {
	Live     Live
	History  History
	Ledger   Ledger
	Adviser  Adviser
	System   System
	Now      func() time.Time           // the plant's clock, UTC; the demo runs it faster
	Who      func(*http.Request) string // who is signed in; nil: nobody is
	Invented bool                       // the plant's data is invented: say so on every screen
	Version  string
	Log      *slog.Logger // nil: discarded
}

// Live is the newest state of every plant.
type Live interface {
	// Snapshot is the state now. The caller may keep it; it does not change.
	Snapshot() []PlantNow
	// Subscribe gets a token when something changed; several changes may share
	// one. The channel is closed when ctx ends.
	Subscribe(ctx context.Context) <-chan struct{}
}

// PlantNow is one plant at one instant.
type PlantNow struct {
	Plant       *plant.Plant
	State       string    // stopped, water on, filling, running, emptying, wash-down, ore change; empty: cannot be told
	StateSince  time.Time // zero: not known
	Steady      bool
	SteadySince time.Time    // zero: not known
	Channels    []ChannelNow // in any order; a channel of the plant that is absent has no data
	Alarms      []Alarm      // standing now, oldest first
	OreSource   string       // on the belt; empty: not known
	Lot         string
	Silent      []string // nodes that should send and do not
}

// ChannelNow is the newest reading of a channel, in the channel's unit.
type ChannelNow struct {
	Name    string
	Reading plant.Reading
	At      time.Time     // when measured; zero: never
	Usual   *Usual        // as far as learned; nil: nothing is learned yet
	Learned time.Duration // steady running on this ore that Usual stands on; shown as usual from 4 h
}

// Usual is the usual range of a channel for this ore and feed, in the channel's
// unit, as the watch has learned it.
type Usual struct{ Low, High float64 }

// Alarm is one standing alarm.
type Alarm struct {
	Kind     string // one of the watch's kinds, for example feed_surge
	Channel  string // empty: none
	Priority string // act, look, note
	Since    time.Time
	Cause    string   // in words, as the watch gives it; may be empty
	Detail   string   // figures, as the watch gives them; may be empty
	Follows  []string // kinds that follow from it
}

// Point is a stretch of a channel: one reading or many, in the channel's unit.
// Count is how many good readings it stands for; 0 marks a gap, which lasts until
// the next point.
type Point struct {
	At                    time.Time // when it starts, UTC
	Mean, Least, Greatest float64
	Count                 int
}

// History is the stored readings. Range gives at most maxPoints points of
// from <= At < to in order of time.
type History interface {
	Range(ctx context.Context, plantName, channel string, from, to time.Time, maxPoints int) ([]Point, error)
}

// Ledger is what people entered and decided. Corrected entries do not appear.
type Ledger interface {
	OreSources(ctx context.Context, plantName string) ([]ledger.OreSource, error)
	Lots(ctx context.Context, plantName string) ([]ledger.Lot, error)
	Runs(ctx context.Context, plantName string) ([]ledger.Run, error)
	// Entries gives the entries of the kinds that hold now, in order of commitment;
	// no kinds: all.
	Entries(ctx context.Context, plantName string, kinds ...ledger.Kind) ([]ledger.Entry, error)
	AppendEntries(ctx context.Context, entries ...ledger.Entry) error
}

// Adviser works out advice for one ore source from the ledger's runs.
type Adviser interface {
	Advise(ctx context.Context, plantName, source string) (AdviceView, error)
	// Surface is the expected recovery over two settings on an n by n grid
	// between their limits, the other settings at present.
	Surface(ctx context.Context, plantName, source, xSetting, ySetting string, n int) (SurfaceView, error)
}

// AdviceView is one answer, as `advise --format json` prints it.
type AdviceView = advise.Answer

// SurfaceView is expected recovery (percent) over two settings. Mean[j][i] and
// HalfWidth[j][i] (points, half of the 95 % interval) belong to Y[j] and X[i].
type SurfaceView struct {
	XSetting, YSetting            string
	X, Y                          []float64 // grid values, rising, in the settings' units
	Mean, HalfWidth               [][]float64
	Tried                         []TriedPoint
	Present, BestKnown, Suggested *XY // nil: none to show
}

type XY struct{ X, Y float64 }

// TriedPoint is a pair of settings at which runs were sampled.
type TriedPoint struct {
	XY
	Runs     int
	Recovery float64 // mean, percent
}

// System is the state of the system itself.
type System interface {
	Health(ctx context.Context) (SystemView, error)
}

// SystemView is what the System screen shows.
type SystemView struct {
	Nodes  []NodeView
	Stores []StoreView
	Parts  []PartVersion
	Backup time.Time // last checked backup; zero: none
	Uptime time.Duration

	BackupFailed time.Time // when the last try failed; zero: it did not
	BackupWhy    string
}

// NodeView is one board. Negative counts are not known.
type NodeView struct {
	ID          string // GROUP/NODE
	Online      bool
	LastSeen    time.Time // zero: never
	Stream      string
	Acked, Last int64 // sequence numbers: stored up to, last in the node's spool
	Oldest      int64
	Lost        int64         // frames the node had to give up
	ClockSet    bool          // the node knows the time
	ClockOff    time.Duration // node minus server
	Twin        bool          // a second board says that it is this node; it is refused
}

// Backlog is how many frames the server has not stored yet.
func (n NodeView) Backlog() int64 {
	if n.Last < 0 || n.Acked < 0 {
		return -1
	}
	return max(n.Last-n.Acked, 0)
}

// StoreView is one store on disk. Negative counts are not known.
type StoreView struct {
	Name     string
	Bytes    int64
	Readings int64
	FreeDisk int64 // bytes
}

type PartVersion struct{ Name, Version string }
