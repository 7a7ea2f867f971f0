// Package hx711 drives the Avia HX711, a 24-bit bridge converter read over two
// GPIO lines that the processor clocks itself.
//
// Sources: code range, pulses per reading and rates as in the Linux kernel driver
// drivers/iio/adc/hx711.c and the data sheet's page 5 (seen; check values LC-02 to
// LC-12). The settling time of four conversions, 400 ms at 10 per second, is from
// memory (LC-13); where sources differ the longer is waited.
//
// The hazard of this chip: if the clock line stays high for more than 60 us the
// chip powers down, and it comes back as after a reset, on channel A with gain
// 128. A program that loses the processor in the middle of a pulse does just
// that. Each pulse is timed; a reading with a pulse over 50 us is thrown away and
// reported as a reset.
package hx711

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"decktrim/edge/sensor"
)

// Timing (LC-12).
const (
	maxHigh    = 50 * time.Microsecond // longest clock pulse the data sheet allows
	powerDown  = 60 * time.Microsecond // longer than this and the chip sleeps
	settleAt10 = 400 * time.Millisecond
	settleAt80 = 100 * time.Millisecond // LC-13: sources say 50 or 100
	discard    = 1                      // one more is thrown away: it may have begun before settling
)

// Opts is how the chip is set.
type Opts struct {
	Input string // "A" or "B"
	Gain  int    // A: 128 or 64; B: 32
	Rate  int    // 10 or 80 per second: how the board ties the RATE pin
}

// DefaultOpts is channel A, gain 128, 80 conversions per second: ten per second
// would fold the table's strokes into the readings.
var DefaultOpts = Opts{Input: "A", Gain: 128, Rate: 80}

// pulses is how many clock pulses a reading takes; the number past 24 sets
// channel and gain of the next conversion (LC-11).
func (o Opts) pulses() (int, error) {
	switch {
	case o.Input == "A" && o.Gain == 128:
		return 25, nil
	case o.Input == "B" && o.Gain == 32:
		return 26, nil
	case o.Input == "A" && o.Gain == 64:
		return 27, nil
	}
	return 0, fmt.Errorf("hx711: there is no input %q with gain %d: use A with 128 or 64, or B with 32", o.Input, o.Gain)
}

// Validate says what is wrong with the options, if anything.
func (o Opts) Validate() error {
	if o.Rate != 10 && o.Rate != 80 {
		return fmt.Errorf("hx711: there is no rate of %d per second: use 10 or 80, as the board ties the RATE pin", o.Rate)
	}
	_, err := o.pulses()
	return err
}

// VoltsPerCount is the chip's step at its input: AVDD over gain over 2^24 (LC-02).
func VoltsPerCount(avddV float64, gain int) float64 { return avddV / float64(gain) / (1 << 24) }

// Dev is one chip. Methods may be called from several goroutines.
type Dev struct {
	clk   gpio.PinOut
	data  gpio.PinIn
	opts  Opts
	n     int
	clock sensor.Clock

	mu    sync.Mutex
	ready bool
	last  time.Time
}

// New prepares a driver; no line is touched.
func New(clk gpio.PinOut, data gpio.PinIn, opts Opts, clock sensor.Clock) (*Dev, error) {
	if err := opts.Validate(); err != nil {
		return nil, err
	}
	n, err := opts.pulses()
	if err != nil {
		return nil, err
	}
	return &Dev{clk: clk, data: data, opts: opts, n: n, clock: clock}, nil
}

func (d *Dev) String() string { return fmt.Sprintf("hx711 %s/%s", d.clk.Name(), d.data.Name()) }

// Period is the nominal time of one conversion.
func (d *Dev) Period() time.Duration { return time.Second / time.Duration(d.opts.Rate) }

// Init powers the chip down and up again, selects channel and gain, and waits
// until it has settled.
func (d *Dev) Init(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ready = false
	if err := d.init(ctx); err != nil {
		return fmt.Errorf("%v: power-up: %w", d, err)
	}
	d.ready = true
	return nil
}

func (d *Dev) init(ctx context.Context) error {
	if err := d.data.In(gpio.PullNoChange, gpio.NoEdge); err != nil {
		return err
	}
	if err := d.clk.Out(gpio.High); err != nil {
		return err
	}
	if err := d.clock.Sleep(ctx, 10*powerDown); err != nil {
		return err
	}
	if err := d.clk.Out(gpio.Low); err != nil {
		return err
	}
	if err := d.settle(ctx); err != nil {
		return err
	}
	// This reading still has the channel and gain of a reset; its pulses choose ours.
	if _, err := d.read(ctx); err != nil {
		return err
	}
	if err := d.settle(ctx); err != nil {
		return err
	}
	for range discard {
		if _, err := d.read(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (d *Dev) settle(ctx context.Context) error {
	d.last = time.Time{}
	if d.opts.Rate == 10 {
		return d.clock.Sleep(ctx, settleAt10)
	}
	return d.clock.Sleep(ctx, settleAt80)
}

// Read waits for the next conversion, at most three conversion times, and returns
// it. ErrReset means that Init is needed.
func (d *Dev) Read(ctx context.Context) (sensor.Conversion, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.ready {
		return sensor.Conversion{}, fmt.Errorf("%v: %w: not initialised", d, sensor.ErrReset)
	}
	c, err := d.read(ctx)
	if err != nil {
		if errors.Is(err, sensor.ErrReset) {
			d.ready = false
		}
		return sensor.Conversion{}, fmt.Errorf("%v: %w", d, err)
	}
	return c, nil
}

func (d *Dev) read(ctx context.Context) (sensor.Conversion, error) {
	if err := d.waitReady(ctx); err != nil {
		return sensor.Conversion{}, err
	}
	var raw uint32
	var longest time.Duration
	for i := range d.n {
		high := d.clock.Now()
		if err := d.clk.Out(gpio.High); err != nil {
			return sensor.Conversion{}, err
		}
		if err := d.clk.Out(gpio.Low); err != nil {
			return sensor.Conversion{}, err
		}
		longest = max(longest, d.clock.Now().Sub(high))
		if i < 24 {
			// The bit was put out at the rising edge and stays until the next one;
			// reading it after the falling edge keeps the pulse short.
			level, err := sensor.ReadPin(d.data)
			if err != nil {
				return sensor.Conversion{}, err
			}
			raw <<= 1
			if level == gpio.High {
				raw |= 1
			}
		}
	}
	d.last = d.clock.Now()
	if longest > maxHigh {
		return sensor.Conversion{}, fmt.Errorf("%w: the clock line was high for %v, over %v", sensor.ErrReset, longest, maxHigh)
	}
	// After the last pulse the line stands high until the next conversion is ready.
	level, err := sensor.ReadPin(d.data)
	if err != nil {
		return sensor.Conversion{}, err
	}
	if level == gpio.Low {
		return sensor.Conversion{}, fmt.Errorf("%w: the data line stays low after a reading: look at its wire", sensor.ErrWrongChip)
	}
	code := sensor.SignExtend24(raw)
	return sensor.Conversion{
		Code:      code,
		Saturated: code >= sensor.Max24 || code <= sensor.Min24,
		At:        d.last,
	}, nil
}

// waitReady waits for the data line to fall.
func (d *Dev) waitReady(ctx context.Context) error {
	start := d.clock.Now()
	if !d.last.IsZero() {
		if err := d.clock.Sleep(ctx, d.Period()*9/10-start.Sub(d.last)); err != nil {
			return err
		}
	}
	pause := max(d.Period()/20, 200*time.Microsecond)
	for {
		level, err := sensor.ReadPin(d.data)
		if err != nil {
			return err
		}
		if level == gpio.Low {
			return nil
		}
		if d.clock.Now().Sub(start) > 4*d.Period()+20*time.Millisecond {
			return sensor.ErrNotReady
		}
		if err := d.clock.Sleep(ctx, pause); err != nil {
			return err
		}
	}
}

// Halt waits for a read in progress, then powers the chip down.
func (d *Dev) Halt() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ready = false
	if err := d.clk.Out(gpio.High); err != nil {
		return fmt.Errorf("%v: power down: %w", d, err)
	}
	return nil
}
