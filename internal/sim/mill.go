package sim

import (
	"time"

	"decktrim/internal/plant"
)

// Config says which mill to build. Plant is not changed.
type Config struct {
	Plant       *plant.Plant
	Seed        uint64
	Source      string    // ore source in the bin at the start; empty: the first of Sources
	Start       time.Time // plant time of the first step
	Scenario    string    // one of Scenarios; "" is normal running
	VarySources bool      // change the figures of the ores by up to 20 % with the seed
}

// Event is an upset or a change of the plant state, begun or ended: truth for tests.
type Event struct {
	Time   time.Time
	Kind   string // one of Upsets, or "plant state"
	Begun  bool   // false: ended
	Detail string
}

// Upset is something going wrong on purpose. Zero For and Size mean the usual.
type Upset struct {
	Kind string        // one of Upsets
	For  time.Duration // how long until it is put right
	Size float64       // its own measure, see Upsets
}

// Account is one thing that is conserved: what came in and went out since the
// start, and what is in the plant now.
type Account struct{ In, Out, Stock float64 }

// Balance is the closure of the plant: Stock - stock at the start = In - Out.
type Balance struct {
	Solids, Water Account // kg
	Gold          Account // g
}

// Mill is a simulated plant. It is not safe for use by several goroutines.
type Mill struct {
	cfg Config
	now time.Time
}

// New builds a mill.
func New(cfg Config) (*Mill, error) { return &Mill{cfg: cfg, now: cfg.Start}, nil }

// Step advances the plant by 1 s.
func (m *Mill) Step() { m.now = m.now.Add(time.Second) }

// Now is the plant time.
func (m *Mill) Now() time.Time { return m.now }

// Signal is what a perfect instrument of a role shows; false where there is none.
func (m *Mill) Signal(r plant.Role) (float64, bool) { return 0, false }

// State is the true plant state.
func (m *Mill) State() string { return "stopped" }

// Events are the upsets begun and ended since the last call.
func (m *Mill) Events() []Event { return nil }

// Set is what an operator sets.
func (m *Mill) Set(setting string, v float64) error { return nil }

// Inject forces an upset.
func (m *Mill) Inject(u Upset) error { return nil }

// Balance is the closure of solids, water and gold.
func (m *Mill) Balance() Balance { return Balance{} }

// Scenarios names the known scenarios.
func Scenarios() []string { return []string{"", "steady"} }

// Upsets names the known upsets.
func Upsets() []string { return nil }

// Instrument is one channel's instrument with its faults.
type Instrument struct{ ch plant.Channel }

// NewInstrument builds the usual instrument of a channel.
func NewInstrument(ch plant.Channel, seed uint64) *Instrument { return &Instrument{ch: ch} }

// Observe is what arrives at the chip's input, in the channel's unit.
func (i *Instrument) Observe(truth float64, at time.Time, m *Mill) float64 { return truth }

// Fault makes the instrument lie.
func (i *Instrument) Fault(kind string, args ...float64) error { return nil }
