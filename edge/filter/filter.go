// Package filter takes the shaking of the mill and the table out of what load
// cells read, and turns the wave of a current transformer into its rms. It is
// pure: numbers in, numbers out.
//
// # Which filter, and why
//
// A load cell beside a mill sees the shaft (1000 to 1800 rpm, 16.7 to 30 Hz, and
// twice that) and the table's strokes (200 to 360 a minute, 3.3 to 6 Hz). The
// frames go out once a second, and a frequency f sampled at fs shows at
// |f - k fs|: 24.2 Hz looked at 12 times a second is a slow wave of 0.2 Hz, which
// looks like a feed surge and is none (check value AL-01). So
//
//  1. the converter runs at 80 conversions a second, where neither shaft nor twice
//     the shaft folds below 20 Hz;
//  2. its readings go through a finite impulse response filter with a Blackman
//     window, whose first zero is put at the lowest disturbing frequency: with the
//     usual 3 Hz (180 strokes a minute) it is 1 s long, everything from 3 Hz up is
//     damped by more than 58 dB (under 0.13 %), so vibration of 3 % of span
//     leaves under 0.004 %, whatever the exact frequency: mains slip and a changed
//     stroke need no retuning, as notches or an average over whole strokes would;
//  3. only then is a value taken for the frame.
//
// The price is a constant delay of half the window, 0.5 s, small beside the 14 s
// of a belt. What cannot be filtered is said by Fold: a disturbance that the
// converter's own rate folds into the pass band.
package filter

import (
	"errors"
	"fmt"
	"math"
)

// Alias is the frequency at which f shows when it is sampled at fs, in the unit of
// both: |f - k fs| for the nearest k, 0 to fs/2.
func Alias(f, fs float64) float64 {
	return math.Abs(f - fs*math.Round(f/fs))
}

// Band is a range of disturbing frequencies, in Hz.
type Band struct {
	Name   string
	Lo, Hi float64
}

// MillAndTable are the bands that shake a small mill's load cells: the shaft and
// its second harmonic, the table's strokes (plant physics of load cells: assumed
// ranges for hammer mills and tables of this size).
func MillAndTable() []Band {
	return []Band{
		{"table strokes", 200.0 / 60, 360.0 / 60},
		{"mill shaft", 1000.0 / 60, 1800.0 / 60},
		{"twice the mill shaft", 2000.0 / 60, 3600.0 / 60},
	}
}

// Fold is the lowest frequency at which any of a band shows when it is sampled at
// fs; 0 if the band holds a whole multiple of fs.
func (b Band) Fold(fs float64) float64 {
	if math.Floor(b.Hi/fs) > math.Floor(b.Lo/fs) || math.Mod(b.Lo, fs) == 0 {
		return 0
	}
	return math.Min(Alias(b.Lo, fs), Alias(b.Hi, fs))
}

// LowPass is a finite impulse response filter with a Blackman window.
type LowPass struct {
	fs   float64
	taps []float64
	ring []float64
	at   int
	n    int
}

// NewLowPass makes a filter for readings at fs whose first zero lies at stop, both
// in Hz. Bands that fs folds below stop are an error: no filter can take them out
// afterwards.
func NewLowPass(fs, stop float64, bands []Band) (*LowPass, error) {
	if !(fs > 0) || !(stop > 0) || math.IsInf(fs, 0) || math.IsInf(stop, 0) {
		return nil, fmt.Errorf("filter: rate %v and stop %v must be frequencies above 0", fs, stop)
	}
	if stop > fs/2 {
		return nil, fmt.Errorf("filter: a converter at %g per second cannot tell anything from %g Hz up: use a higher rate", fs, fs/2)
	}
	for _, b := range bands {
		if f := b.Fold(fs); f < stop {
			return nil, fmt.Errorf("filter: at %g conversions per second %s (%.3g to %.3g Hz) shows at %.2g Hz, where no filter can tell it from the feed: use another rate", fs, b.Name, b.Lo, b.Hi, f)
		}
	}
	// The window's spectrum has its first zero at 3/length (Blackman; any text on
	// signal processing). The ends of the window are zero and not kept.
	n := int(math.Ceil(3*fs/stop)) - 1
	taps := make([]float64, max(n, 1))
	sum := 0.0
	for i := range taps {
		x := 2 * math.Pi * float64(i+1) / float64(n+1)
		taps[i] = 0.42 - 0.5*math.Cos(x) + 0.08*math.Cos(2*x)
		sum += taps[i]
	}
	for i := range taps {
		taps[i] /= sum
	}
	return &LowPass{fs: fs, taps: taps, ring: make([]float64, len(taps))}, nil
}

// Push takes the next reading. What is no number is not taken.
func (l *LowPass) Push(x float64) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return
	}
	l.ring[l.at] = x
	l.at = (l.at + 1) % len(l.ring)
	l.n = min(l.n+1, len(l.ring))
}

// Reset forgets all readings: after a gap the filter begins anew.
func (l *LowPass) Reset() { l.n, l.at = 0, 0 }

// Value is the filtered reading; false until the window is full.
func (l *LowPass) Value() (float64, bool) {
	if l.n < len(l.ring) {
		return 0, false
	}
	sum := 0.0
	for i, t := range l.taps {
		j := l.at + i
		if j >= len(l.ring) {
			j -= len(l.ring)
		}
		sum += t * l.ring[j]
	}
	return sum, true
}

// Gain is what is left of a wave of frequency f, 0 to 1, f in Hz at the input.
func (l *LowPass) Gain(f float64) float64 {
	var re, im float64
	for i, t := range l.taps {
		w := 2 * math.Pi * f / l.fs * float64(i)
		re += t * math.Cos(w)
		im += t * math.Sin(w)
	}
	return math.Hypot(re, im)
}

// Delay is by how much the value lags the readings, in seconds.
func (l *LowPass) Delay() float64 { return float64(len(l.taps)-1) / 2 / l.fs }

// ErrFew: too few readings.
var ErrFew = errors.New("filter: at least 8 readings are needed")

// Mean is the average of a burst, weighted by a Hann window, so that mains hum
// that does not fit the burst in whole waves still falls out.
func Mean(xs []float64) (float64, error) {
	if len(xs) < 8 {
		return 0, ErrFew
	}
	sum, weight := 0.0, 0.0
	for i, x := range xs {
		w := hann(i, len(xs))
		sum += w * x
		weight += w
	}
	m := sum / weight
	if math.IsNaN(m) || math.IsInf(m, 0) {
		return 0, errors.New("filter: a reading is no number")
	}
	return m, nil
}

// RMS is the root of the mean square of a burst about its own mean (the burden of
// a current transformer is biased to half the supply), weighted by a Hann window:
// a generator's 48 to 62 Hz need not fit the burst in whole waves. Unit as given.
func RMS(xs []float64) (float64, error) {
	mean, err := Mean(xs)
	if err != nil {
		return 0, err
	}
	sum, weight := 0.0, 0.0
	for i, x := range xs {
		w := hann(i, len(xs))
		sum += w * (x - mean) * (x - mean)
		weight += w
	}
	r := math.Sqrt(sum / weight)
	if math.IsInf(r, 0) {
		return 0, errors.New("filter: a reading is no number")
	}
	return r, nil
}

// hann is a periodic Hann window: bursts of whole waves come out exact.
func hann(i, n int) float64 { return 1 - math.Cos(2*math.Pi*float64(i)/float64(n)) }
