// Package plant holds the nouns of the mill: the plant file with its channels,
// settings and limits, and readings with their quality. It knows no clock, file
// or network; the plant file is parsed from bytes that a caller has read.
package plant

import "time"

// Plant is one plant file (plant.toml), checked. Shapes and units are those of
// the file; see the field comments.
type Plant struct {
	File string `toml:"-"` // name used in error messages

	Plant      Identity    `toml:"plant"`
	Settings   []Setting   `toml:"setting"`
	Objective  Objective   `toml:"objective"`
	OreSources []OreSource `toml:"ore_source"`
	Value      *Value      `toml:"value"`
	Channels   []Channel   `toml:"channel"`
	Mill       MillFacts   `toml:"mill"`
	Bin        BinFacts    `toml:"bin"`
	Water      WaterFacts  `toml:"water"`
	Table      TableFacts  `toml:"table"`
	Watch      WatchFacts  `toml:"watch"`
	Stations   []Station   `toml:"station"`
	Alarms     []Alarm     `toml:"alarm"`
	Products   []Product   `toml:"product"`
	Pond       PondFacts   `toml:"pond"`
	Sampling   Sampling    `toml:"sampling"`
	Site       *Site       `toml:"site"`

	Location *time.Location `toml:"-"` // of Plant.Timezone
}

// Identity names the plant and its working time.
type Identity struct {
	Name     string   `toml:"name"`
	Timezone string   `toml:"timezone"` // IANA name; shifts and days follow it
	Shifts   []string `toml:"shifts"`   // "HH:MM" starts, in the plant's zone
}

// Setting is what a person can change, and within what. All figures in Unit.
type Setting struct {
	Name        string   `toml:"name"`
	Unit        string   `toml:"unit"`
	Min         float64  `toml:"min"`           // never advised outside
	Max         float64  `toml:"max"`           // never advised outside
	MaxMove     float64  `toml:"max_move"`      // largest lasting change advised at once; absent: a tenth of the range, at least Resolution
	MaxMoveTest *float64 `toml:"max_move_test"` // largest change for a test; absent: MaxMove
	Resolution  float64  `toml:"resolution"`    // smallest change that can be set, counted from Min; 0: continuous
	Present     *float64 `toml:"present"`       // where it stands before the first run
}

// Objective is what advice seeks and within what limits.
type Objective struct {
	Maximise              string   `toml:"maximise"`                // recovery, concentrate_grade, separation_efficiency, value
	MinRecovery           *float64 `toml:"min_recovery"`            // percent
	ProductsCounted       []string `toml:"products_counted"`        // what recovery counts
	MinConcentrateGrade   *float64 `toml:"min_concentrate_grade"`   // counted products together, in GradeUnit
	GradeUnit             string   `toml:"grade_unit"`              // g/t, %, oz/short ton
	MaxMassPull           *float64 `toml:"max_mass_pull"`           // fraction of feed
	MaxSettingsChanged    int      `toml:"max_settings_changed"`    // 0: no limit
	RecoveryDropTolerated float64  `toml:"recovery_drop_tolerated"` // percentage points below the standing recovery
	RiskTolerated         float64  `toml:"risk_tolerated"`          // largest chance of a larger drop, 0..1
}

// OreSource is one mine, claim or customer an ore comes from.
type OreSource struct {
	Name                 string   `toml:"name"`
	MinConcentrateGrade  *float64 `toml:"min_concentrate_grade"` // in place of the objective's
	OwnerConsentsToTests *bool    `toml:"owner_consents_to_tests"`
	TonnesLeft           *float64 `toml:"tonnes_left"` // t
	HeadGrade            *float64 `toml:"head_grade"`  // in the objective's grade unit
}

// Value is what a gram and an assay are worth, for deciding whether a test pays.
type Value struct {
	MetalPrice   float64 `toml:"metal_price"` // money per g of metal
	AssayCost    float64 `toml:"assay_cost"`  // money per assay
	AssaysPerRun int     `toml:"assays_per_run"`
}

// Channel is one reading.
type Channel struct {
	Name     string     `toml:"name"`
	Role     Role       `toml:"role"`
	Unit     string     `toml:"unit"`
	Range    [2]float64 `toml:"range"`    // the instrument's span, in Unit
	Signal   Signal     `toml:"signal"`   // which validity checks apply
	Setpoint string     `toml:"setpoint"` // the channel that says what it was set to
	Metric   string     `toml:"metric"`   // name on the wire; empty: Channel.MetricName
	Node     string     `toml:"node"`     // GROUP/NODE that sends it; empty: any node of the plant
}

// Signal is the kind of instrument behind a channel.
type Signal string

const (
	Loop420            Signal = "4-20mA"
	Bridge             Signal = "bridge"
	Pulse              Signal = "pulse"
	CurrentTransformer Signal = "current-transformer"
	Bus                Signal = "bus"
	Computed           Signal = "computed"
	Typed              Signal = "typed"
)

// MillFacts, BinFacts, WaterFacts and TableFacts are optional facts that a watch
// may use before it has learned its own. A zero means not given.
type MillFacts struct {
	NominalFeed  float64 `toml:"nominal_feed"`  // t/h
	IdleCurrent  float64 `toml:"idle_current"`  // A
	RatedCurrent float64 `toml:"rated_current"` // A
	Voltage      float64 `toml:"voltage"`       // V line to line; 0: assumed 400 V, and said so
	Slot         float64 `toml:"slot"`          // mm, screen slot
	Drive        string  `toml:"drive"`         // "electric" (default) or "engine"
}

type BinFacts struct {
	Capacity float64 `toml:"capacity"`  // kg
	FilledBy string  `toml:"filled_by"` // jaw, loader, both
	Dump     float64 `toml:"dump"`      // kg, a loader bucket
}

type WaterFacts struct {
	NominalMill float64 `toml:"nominal_mill"` // L/min
	NominalWash float64 `toml:"nominal_wash"` // L/min per table
}

type TableFacts struct {
	Decks        int     `toml:"decks"`
	DeckArea     float64 `toml:"deck_area"`     // m2 each
	SplitterRule string  `toml:"splitter_rule"` // fixed, visible_line
}

type WatchFacts struct {
	SmallestSurge     float64 `toml:"smallest_surge"`       // fraction of feed worth a person's attention
	FalseAlarmsPerDay float64 `toml:"false_alarms_per_day"` // budget for the whole plant
}

// Station is a place in the line, in process order, for the strip on Now.
type Station struct {
	Name     string   `toml:"name"`
	Channels []string `toml:"channels"`
}

// Alarm is a limit a person has set on a channel, in the channel's unit.
type Alarm struct {
	Channel  string   `toml:"channel"`
	Low      *float64 `toml:"low"`
	High     *float64 `toml:"high"`
	Deadband float64  `toml:"deadband"`
	Delay    float64  `toml:"delay"`    // s
	Priority string   `toml:"priority"` // act, look, note
	Text     string   `toml:"text"`     // what to do
}

// Product is one product bin.
type Product struct {
	Name     string  `toml:"name"`
	Capacity float64 `toml:"capacity"` // kg; 0: the top of its channel's range
	Bin      string  `toml:"bin"`      // "drained" (default) or "under water"
}

type PondFacts struct {
	Freeboard float64 `toml:"freeboard"` // m below the top of the level channel's range; 0: 0.3
	Area      float64 `toml:"area"`      // m2
	Volume    float64 `toml:"volume"`    // m3
}

// Sampling is what is usually taken and how.
type Sampling struct {
	TailingsKg     float64 `toml:"tailings_kg"`     // kg a sample
	Increments     int     `toml:"increments"`      // cuts a sample
	PreparationRSD float64 `toml:"preparation_rsd"` // fraction
	AssayRSD       float64 `toml:"assay_rsd"`       // fraction
}

// ChannelByRole returns the first channel of a role.
func (p *Plant) ChannelByRole(r Role) (Channel, bool) {
	for _, c := range p.Channels {
		if c.Role == r {
			return c, true
		}
	}
	return Channel{}, false
}

// ChannelIndex returns the place of a channel in Channels, or -1.
func (p *Plant) ChannelIndex(name string) int {
	for i, c := range p.Channels {
		if c.Name == name {
			return i
		}
	}
	return -1
}
