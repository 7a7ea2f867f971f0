package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Convert changes a value from one unit to another of the same dimension. It
// refuses an unknown unit, units of different dimensions, and NaN or infinity.
func Convert(value float64, from, to string) (float64, error) {
	f, err := find(from)
	if err != nil {
		return 0, err
	}
	t, err := find(to)
	if err != nil {
		return 0, err
	}
	if f.dim != t.dim {
		return 0, fmt.Errorf("units: %s is %s and %s is %s: no conversion", from, f.dim, to, t.dim)
	}
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, fmt.Errorf("units: %v %s is not a number that can be converted", value, from)
	}
	v := convert(value, f, t)
	if math.IsInf(v, 0) {
		return 0, fmt.Errorf("units: %v %s is too large to be given in %s", value, from, to)
	}
	return v, nil
}

func convert(value float64, from, to *unit) float64 {
	if from == to {
		return value
	}
	if from.offset == 0 && to.offset == 0 {
		return value * (from.factor / to.factor)
	}
	return (value*from.factor + from.offset - to.offset) / to.factor
}

func find(unit string) (*unit, error) {
	if u := bySymbol[unit]; u != nil {
		return u, nil
	}
	return nil, fmt.Errorf("units: %w", unknown(unit))
}

// System is a person's preset of display units.
type System int

const (
	Metric      System = iota // the stored units
	USCustomary               // short tons, lb, US gal/min, troy oz per short ton, in, ft
)

// ParseSystem reads "metric" or "us", as flags and preferences write them.
func ParseSystem(text string) (System, error) {
	switch strings.ToLower(strings.TrimSpace(text)) {
	case "", "metric", "si":
		return Metric, nil
	case "us", "us customary":
		return USCustomary, nil
	}
	return Metric, fmt.Errorf("units: %q is not a set of units: use metric or us", text)
}

func (s System) String() string {
	if s == USCustomary {
		return "us"
	}
	return "metric"
}

// DisplayUnit is the unit in which a person who chose sys sees a stored unit.
func DisplayUnit(unit string, sys System) string {
	u := bySymbol[unit]
	switch {
	case u == nil:
		return unit
	case sys == USCustomary && u.us != "":
		return u.us
	}
	return u.symbol
}

// Display turns a stored value into the preset's unit. A unit that is not in the
// table comes back as it is, so that a screen never loses a reading.
func Display(value float64, unit string, sys System) (float64, string) {
	to := DisplayUnit(unit, sys)
	f, t := bySymbol[unit], bySymbol[to]
	if f == nil || t == nil {
		return value, to
	}
	return convert(value, f, t), to
}

// Missing is what Format prints for a value that is not there.
const Missing = "–"

// Format writes a stored value for a person: converted to the preset, rounded to
// that many significant digits (at least 1), with its unit after a space (none
// before the degree sign of an angle). Never an exponent; NaN and infinity print as
// Missing.
func Format(value float64, unit string, sys System, digits int) string {
	v, u := Display(value, unit, sys)
	number := Number(v, digits)
	symbol := Symbol(u)
	switch {
	case number == Missing || symbol == "":
		return number
	case symbol == "°" || strings.HasPrefix(symbol, "/"):
		return number + symbol
	}
	return number + " " + symbol
}

// Number writes a value with that many significant digits, keeping trailing zeros
// behind the point ("2.50" for 2.5 with three) and never an exponent.
func Number(value float64, digits int) string {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return Missing
	}
	digits = min(max(digits, 1), 17)
	if value == 0 {
		return "0"
	}
	// Round first: 9.996 with three digits is 10.0, one place fewer than 9.99.
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(value, 'e', digits-1, 64), 64)
	if err != nil || rounded == 0 {
		rounded = value // at the edge of float64; print it unrounded
	}
	places := max(digits-1-int(math.Floor(math.Log10(math.Abs(rounded)))), 0)
	return strconv.FormatFloat(rounded, 'f', places, 64)
}
