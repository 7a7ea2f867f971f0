// Package calib turns what a driver read into an engineering value, and keeps the
// record of how that was found out. It is pure: no clock, no file; the caller
// gives the time and writes the bytes.
//
// One straight line serves every instrument:
//
//	value = (x - zero) * span - tare
//
// with x in the signal's own unit: counts of a bridge converter, mA of a loop, Hz
// of a pulse input, V (rms) of a current transformer, the number itself of a
// meter on a bus. Value and tare are in the channel's unit, span in channel unit
// per signal unit.
package calib

import (
	"fmt"
	"math"
	"time"
)

// Line is the straight line from signal to value. The zero Line is no
// calibration: Known reports false.
type Line struct {
	Zero float64 `toml:"zero"` // signal unit, the reading that means an empty instrument
	Span float64 `toml:"span"` // channel unit per signal unit; 0: not calibrated
	Tare float64 `toml:"tare"` // channel unit, taken off at the end (a bin's own weight)
}

// Known reports whether the line is a calibration at all.
func (l Line) Known() bool { return l.Span != 0 && finite(l.Zero, l.Span, l.Tare) }

// Value is the engineering value of a signal, in the channel's unit. It is false
// if the line is unknown or the signal is no number.
func (l Line) Value(x float64) (float64, bool) {
	if !l.Known() || !finite(x) {
		return 0, false
	}
	v := (x-l.Zero)*l.Span - l.Tare
	return v, finite(v)
}

// Signal is the inverse of Value: what an instrument with this line would give.
func (l Line) Signal(value float64) (float64, bool) {
	if !l.Known() || !finite(value) {
		return 0, false
	}
	x := (value+l.Tare)/l.Span + l.Zero
	return x, finite(x)
}

func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

// Point is one pair of a calibration: what the driver read when the value was known.
type Point struct {
	Signal  float64 `toml:"signal"`            // signal unit, mean over Seconds
	Value   float64 `toml:"value"`             // channel unit (for a K-factor: litres or metres)
	Seconds float64 `toml:"seconds,omitempty"` // how long it was watched
	Scatter float64 `toml:"scatter,omitempty"` // standard deviation of the signal meanwhile, signal unit
}

// Methods of a record.
const (
	MethodTare    = "tare"     // the empty instrument reads nothing
	MethodSpan    = "span"     // known weights or a known current
	MethodKFactor = "k-factor" // pulses per litre or per metre
	MethodZero    = "zero"     // the signal of no load
	MethodMaker   = "maker"    // from the maker's papers, nothing measured
)

// Record is one calibration: who did what, when, with what, and what came of it.
// Records are only ever added; the last one of a file is in force.
type Record struct {
	Method   string    `toml:"method"`
	By       string    `toml:"by"` // role or initials
	At       time.Time `toml:"at"`
	Line     Line      `toml:"line"`
	KFactor  float64   `toml:"k_factor,omitempty"` // pulses per litre or per metre
	Points   []Point   `toml:"point,omitempty"`
	Residual float64   `toml:"residual"`         // largest distance of a point from the line, channel unit
	Reason   string    `toml:"reason,omitempty"` // why a check that failed was set aside
	Note     string    `toml:"note,omitempty"`
}

// File is the calibration history of one channel, oldest record first.
type File struct {
	Format  int      `toml:"format"` // 1
	Channel string   `toml:"channel"`
	Unit    string   `toml:"unit"`
	Records []Record `toml:"record"`
}

// Current is the line in force.
func (f File) Current() (Record, bool) {
	if len(f.Records) == 0 {
		return Record{}, false
	}
	return f.Records[len(f.Records)-1], true
}

// Loop is the line of a 4-20 mA loop over a span: value = lo + (mA-4)/16 (hi-lo)
// (check values MA-01, MA-02).
func Loop(lo, hi float64) (Line, error) {
	if !finite(lo, hi) || lo == hi {
		return Line{}, fmt.Errorf("calib: a loop's range must be two different numbers, not %v and %v", lo, hi)
	}
	return Line{Zero: 4, Span: (hi - lo) / 16, Tare: -lo}, nil
}
