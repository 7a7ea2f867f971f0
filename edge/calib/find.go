package calib

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Limits on a flow check that a person can set aside only with a reason. Common
// practice for a bucket and a stopwatch: starting and stopping costs about half a
// second, which is 5 % of 10 s.
const (
	ShortestCheck  = 10.0 // s
	LargestScatter = 0.05 // (largest - least) / mean of the K-factors found
)

var (
	// ErrShort: a flow check too short to mean anything.
	ErrShort = errors.New("the check is too short")
	// ErrScatter: the checks do not agree.
	ErrScatter = errors.New("the checks do not agree")
	// ErrNumber: a figure is no number, or makes no line.
	ErrNumber = errors.New("no line goes through these figures")
)

// Tare makes the present signal read nothing: the empty bin's own weight goes.
func Tare(l Line, signal float64) (Line, error) {
	if !l.Known() {
		return l, fmt.Errorf("calib: %w: the channel has no span yet, calibrate that first", ErrNumber)
	}
	if !finite(signal) {
		return l, fmt.Errorf("calib: %w: signal %v", ErrNumber, signal)
	}
	l.Tare = (signal - l.Zero) * l.Span
	return l, nil
}

// Zero makes the present signal the instrument's zero; the tare goes with it.
func Zero(l Line, signal float64) (Line, error) {
	if !l.Known() || !finite(signal) {
		return l, fmt.Errorf("calib: %w: signal %v, span %v", ErrNumber, signal, l.Span)
	}
	l.Zero, l.Tare = signal, 0
	return l, nil
}

// Span finds the line through known values by least squares, and the largest
// distance of a point from it, in the channel's unit. With one point the zero
// stays where it is. The tare becomes nothing: a known value is the whole value.
func Span(l Line, points []Point) (Line, float64, error) {
	for _, p := range points {
		if !finite(p.Signal, p.Value) {
			return l, 0, fmt.Errorf("calib: %w: point %v, %v", ErrNumber, p.Signal, p.Value)
		}
	}
	out := Line{}
	switch len(points) {
	case 0:
		return l, 0, fmt.Errorf("calib: %w: there is no point", ErrNumber)
	case 1:
		p := points[0]
		if p.Signal == l.Zero || p.Value == 0 {
			return l, 0, fmt.Errorf("calib: %w: the load at signal %v does not move it from its zero", ErrNumber, p.Signal)
		}
		out = Line{Zero: l.Zero, Span: p.Value / (p.Signal - l.Zero)}
	default:
		var mx, my float64
		for _, p := range points {
			mx += p.Signal / float64(len(points))
			my += p.Value / float64(len(points))
		}
		var sxx, sxy float64
		for _, p := range points {
			sxx += (p.Signal - mx) * (p.Signal - mx)
			sxy += (p.Signal - mx) * (p.Value - my)
		}
		out.Span = sxy / sxx
		out.Zero = mx - my/out.Span
	}
	if !out.Known() {
		return l, 0, fmt.Errorf("calib: %w: signal and value do not rise together", ErrNumber)
	}
	worst := 0.0
	for _, p := range points {
		v, ok := out.Value(p.Signal)
		if !ok {
			return l, 0, fmt.Errorf("calib: %w", ErrNumber)
		}
		worst = math.Max(worst, math.Abs(v-p.Value))
	}
	return out, worst, nil
}

// FlowCheck is one filling of a bucket, or one measured length of belt: pulses
// counted while a known quantity (litres, metres, strokes) went past.
type FlowCheck struct {
	Pulses   float64
	Quantity float64
	Seconds  float64
}

// KFactor is pulses per litre (metre, stroke) from one or more checks: all pulses
// over all quantity. Scatter is the spread of the single factors over their mean.
// A check shorter than 10 s and checks that differ by more than 5 % are refused
// unless a reason is given.
func KFactor(checks []FlowCheck, reason string) (k, scatter float64, err error) {
	if len(checks) == 0 {
		return 0, 0, fmt.Errorf("calib: %w: there is no check", ErrNumber)
	}
	var pulses, quantity float64
	var single []float64
	for i, c := range checks {
		if !finite(c.Pulses, c.Quantity, c.Seconds) || c.Pulses <= 0 || c.Quantity <= 0 || c.Seconds <= 0 {
			return 0, 0, fmt.Errorf("calib: %w: check %d has %v pulses, %v and %v s; all must be above 0", ErrNumber, i+1, c.Pulses, c.Quantity, c.Seconds)
		}
		if c.Seconds < ShortestCheck && reason == "" {
			return 0, 0, fmt.Errorf("calib: %w: check %d took %.3g s; fill for at least %g s, or give a reason", ErrShort, i+1, c.Seconds, ShortestCheck)
		}
		pulses += c.Pulses
		quantity += c.Quantity
		single = append(single, c.Pulses/c.Quantity)
	}
	k = pulses / quantity
	if !finite(k) || k == 0 {
		return 0, 0, fmt.Errorf("calib: %w: %v pulses over %v", ErrNumber, pulses, quantity)
	}
	scatter = (slices.Max(single) - slices.Min(single)) / k
	if scatter > LargestScatter && reason == "" {
		return 0, 0, fmt.Errorf("calib: %w: they differ by %.1f %%, more than %g %%; repeat the odd one, or give a reason", ErrScatter, 100*scatter, 100*LargestScatter)
	}
	return k, scatter, nil
}

// Corrected is the K-factor after a check in the meter's own reading: it showed so
// much when so much truly passed (check value FL-05).
func Corrected(k, indicated, truly float64) (float64, error) {
	out := k * indicated / truly
	if !finite(k, indicated, truly, out) || out <= 0 {
		return 0, fmt.Errorf("calib: %w: K %v, indicated %v, true %v", ErrNumber, k, indicated, truly)
	}
	return out, nil
}

// perSecond is how many of a channel's unit one litre, metre or stroke a second is.
var perSecond = map[string]float64{
	"L/min": 60, "L/s": 1, "m3/h": 3.6, // litres
	"m/s": 1, "m/min": 60, // metres
	"1/min": 60, "Hz": 1, // strokes, turns
}

// PulseLine is the line of a pulse input: Hz over pulses per litre, metre or stroke
// in the channel's unit (check values FL-01, FL-04).
func PulseLine(k float64, unit string) (Line, error) {
	f, ok := perSecond[unit]
	if !ok {
		return Line{}, fmt.Errorf("calib: pulses cannot be turned into %q: use L/min, L/s, m3/h, m/s, m/min, 1/min or Hz", unit)
	}
	if !finite(k) || k <= 0 {
		return Line{}, fmt.Errorf("calib: %w: %v pulses per litre, metre or stroke", ErrNumber, k)
	}
	return Line{Span: f / k}, nil
}

// TransformerLine is the line of a current transformer: V (rms) over the burden
// times the ratio gives A on the primary (check values CT-01, CT-03).
func TransformerLine(ratio, ohm float64) (Line, error) {
	if !finite(ratio, ohm) || ratio <= 0 || ohm <= 0 {
		return Line{}, fmt.Errorf("calib: %w: ratio %v, burden %v ohm", ErrNumber, ratio, ohm)
	}
	return Line{Span: ratio / ohm}, nil
}
