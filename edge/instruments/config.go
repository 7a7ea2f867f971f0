// Package instruments reads the bus and sensor tables of edge.toml, builds the
// drivers, runs one goroutine per device and makes a plant.Frame each period.
package instruments

import (
	"log/slog"
	"time"

	"decktrim/edge/calib"
	"decktrim/internal/plant"
	"decktrim/internal/sim"
)

// BusConfig is one [[bus]] table of edge.toml.
type BusConfig struct {
	Name string `toml:"name"`
	Kind string `toml:"kind"` // simulated | i2c | spi | serial | gpio | modbus-tcp
	Path string `toml:"path"` // /dev/i2c-1, /dev/serial/by-id/..., gpiochip0, host:port

	// Serial lines (Modbus RTU).
	Baud     uint   `toml:"baud"`      // 0: 19200
	Parity   string `toml:"parity"`    // even (default), none, odd
	StopBits uint   `toml:"stop_bits"` // 0: 1 with a parity bit, else 2

	// An I2C bus that can be freed: this GPIO line is pulled low for 10 ms.
	ResetPin string `toml:"reset_pin"`

	// A simulated bus.
	Seed     uint64 `toml:"seed"`
	Scenario string `toml:"scenario"`
	Source   string `toml:"source"` // ore source
	// Hold keeps the physical input of a channel at a value, in the channel's unit:
	// for trying the line out from chip to screen.
	Hold map[string]float64 `toml:"hold"`
}

// SensorConfig is one [[sensor]] table of edge.toml: one channel on one chip.
// Fields that a chip does not have are errors.
type SensorConfig struct {
	Channel string `toml:"channel"`
	Bus     string `toml:"bus"`
	Chip    string `toml:"chip"`    // nau7802 | hx711 | ads1115 | pulse | contact | modbus | computed | typed
	Address int    `toml:"address"` // I2C address or Modbus unit; 0: the chip's usual one
	Input   string `toml:"input"`   // nau7802, hx711: 1, 2 or A, B; ads1115: 0..3 or 0-1, 0-3, 1-3, 2-3

	Gain int `toml:"gain"` // nau7802 1..128, hx711 32, 64, 128; 0: the chip's usual one
	Rate int `toml:"rate"` // conversions per second; 0: the usual one
	LDO  int `toml:"ldo"`  // nau7802: mV of the inner supply; 0: 3000; -1: an outer supply

	ClockPin string `toml:"clock_pin"` // hx711
	DataPin  string `toml:"data_pin"`  // hx711
	Pin      string `toml:"pin"`       // pulse, contact
	Invert   bool   `toml:"invert"`    // contact: low means running

	FullScale int     `toml:"full_scale"` // ads1115: mV; 0: 4096
	Ohm       float64 `toml:"ohm"`        // shunt of a loop (0: 150) or burden of a transformer (0: 33)
	Ratio     float64 `toml:"ratio"`      // current transformer, primary over secondary with its turns (0: 2000)
	Wave      string  `toml:"wave"`       // current transformer: ac (default), the wave itself; dc, already rectified

	PulsesPer float64 `toml:"pulses_per"` // pulse: pulses per litre, metre or stroke
	MaxHz     float64 `toml:"max_hz"`     // pulse: what the meter can deliver at most; 0: 1.5 times the top of the range

	Register  int     `toml:"register"`   // modbus: address from 0
	Table     string  `toml:"table"`      // modbus: holding (default), input, coil, discrete
	Format    string  `toml:"format"`     // modbus: uint16 (default), int16, uint32, int32, float32
	WordOrder string  `toml:"word_order"` // modbus: high-first (default), low-first
	Scale     float64 `toml:"scale"`      // modbus: channel unit per step; 0: 1

	Value *float64 `toml:"value"` // typed: the value itself

	// Still: no machine shakes this load cell, so it may be read slowly.
	Still bool `toml:"still"`

	Calibration     *calib.Line `toml:"calibration"`      // inline
	CalibrationFile string      `toml:"calibration_file"` // beside edge.toml; written by 'calibrate'
}

// Options is all Open needs.
type Options struct {
	Plant   *plant.Plant
	Buses   []BusConfig
	Sensors []SensorConfig
	Dir     string        // where relative calibration files lie; empty: the working directory
	Period  time.Duration // 0: 1 s
	// Now is the plant clock. In a demo it runs Speed times as fast as the wall;
	// nil: the wall clock at Open, then Speed times as fast.
	Now      func() time.Time
	Boot     string
	Mono     func() time.Duration // since boot; nil: since Open
	ClockSet func() bool          // nil: always
	Log      *slog.Logger         // nil: nowhere
	Mill     *sim.Mill            // shared by a demo; nil: made from seed and scenario
	Speed    float64              // plant seconds per second of the wall; 0: 1
}
