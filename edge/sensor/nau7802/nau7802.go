// Package nau7802 drives the Nuvoton NAU7802, a 24-bit bridge converter on I2C
// for load cells.
//
// Sources: register numbers, bits, rates, gains and the six conversions to
// discard are those of the Linux kernel driver drivers/iio/adc/nau7802.c (seen;
// check values NA-01 to NA-07). From memory of the data sheet, not seen: the
// reset and power-up order, CALS and CAL_ERR in CTRL2, the revision register with
// 1111 in its low half, and the chopper setting 0x30 in ADC_CTRL.
//
// The absolute scale is uncertain by a factor of two (NA-07): calibrate with a
// known mass and do not rest on volts.
package nau7802

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"

	"decktrim/edge/sensor"
)

// Address is the chip's only I2C address (NA-01). Several on one board need a bus
// each, or a multiplexer.
const Address = 0x2A

// Registers (NA-01).
const (
	regPUCtrl   = 0x00
	regCtrl1    = 0x01
	regCtrl2    = 0x02
	regADCOut   = 0x12 // B2, B1, B0: most significant byte first
	regADCCtrl  = 0x15
	regRevision = 0x1F // from memory
)

// PU_CTRL bits (NA-02).
const (
	puRegisterReset = 1 << 0
	puDigital       = 1 << 1
	puAnalog        = 1 << 2
	puReady         = 1 << 3
	puCycleStart    = 1 << 4
	puConversion    = 1 << 5 // a conversion is ready
	puInnerSupply   = 1 << 7 // AVDD from the inner LDO
)

// CTRL2 bits; CALS and CAL_ERR from memory.
const (
	ctrl2Calibrate = 1 << 2
	ctrl2CalError  = 1 << 3
	ctrl2Channel2  = 1 << 7
)

// discard is how many conversions after a channel or gain change mean nothing (NA-06).
const discard = 6

// rates maps conversions per second to the code in CTRL2 bits 6..4 (NA-03).
var rates = map[int]byte{10: 0, 20: 1, 40: 2, 80: 3, 320: 7}

// Opts is how the chip is set.
type Opts struct {
	Channel int // 1 or 2
	Gain    int // 1, 2, 4 ... 128
	Rate    int // conversions per second: 10, 20, 40, 80, 320
	LDO     int // mV of the inner supply, 2400 to 4500 in steps of 300; 0: supplied from outside
}

// DefaultOpts suits a load cell beside a shaking machine: 80 conversions per
// second leave its frequencies where the filter takes them out.
var DefaultOpts = Opts{Channel: 1, Gain: 128, Rate: 80, LDO: 3000}

// words are the register values that the options come to.
type words struct{ puCtrl, ctrl1, ctrl2 byte }

func (o Opts) words() (words, error) {
	w := words{puCtrl: puDigital | puAnalog | puCycleStart}
	switch o.Channel {
	case 1:
	case 2:
		w.ctrl2 |= ctrl2Channel2
	default:
		return w, fmt.Errorf("nau7802: there is no channel %d: use 1 or 2", o.Channel)
	}
	code := -1
	for i := range 8 {
		if o.Gain == 1<<i {
			code = i
		}
	}
	if code < 0 {
		return w, fmt.Errorf("nau7802: there is no gain %d: use 1, 2, 4, 8, 16, 32, 64 or 128", o.Gain)
	}
	w.ctrl1 |= byte(code)
	rate, ok := rates[o.Rate]
	if !ok {
		return w, fmt.Errorf("nau7802: there is no rate of %d per second: use 10, 20, 40, 80 or 320", o.Rate)
	}
	w.ctrl2 |= rate << 4
	if o.LDO != 0 {
		if o.LDO < 2400 || o.LDO > 4500 || (4500-o.LDO)%300 != 0 {
			return w, fmt.Errorf("nau7802: there is no inner supply of %d mV: use 2400 to 4500 in steps of 300", o.LDO)
		}
		w.ctrl1 |= byte((4500-o.LDO)/300) << 3 // NA-04
		w.puCtrl |= puInnerSupply
	}
	return w, nil
}

// Validate says what is wrong with the options, if anything.
func (o Opts) Validate() error { _, err := o.words(); return err }

// VoltsPerCount is the chip's nominal step at its input, as the kernel driver
// scales it: reference over gain over 2^23 (NA-07, uncertain by a factor of two).
// ReferenceMV is the LDO, or the outer supply.
func VoltsPerCount(referenceMV float64, gain int) float64 {
	return referenceMV / 1000 / float64(gain) / (1 << 23)
}

// Dev is one chip. Methods may be called from several goroutines.
type Dev struct {
	conn  i2c.Dev
	clock sensor.Clock
	opts  Opts
	words words

	mu       sync.Mutex
	ready    bool
	last     time.Time // of the last conversion; zero: none since Init
	Revision byte      // of the chip, after Init
}

// New prepares a driver; nothing is sent.
func New(bus i2c.Bus, address uint16, opts Opts, clock sensor.Clock) (*Dev, error) {
	w, err := opts.words()
	if err != nil {
		return nil, err
	}
	return &Dev{conn: i2c.Dev{Bus: bus, Addr: address}, clock: clock, opts: opts, words: w}, nil
}

func (d *Dev) String() string { return fmt.Sprintf("nau7802 0x%02x", d.conn.Addr) }

// Period is the nominal time of one conversion.
func (d *Dev) Period() time.Duration { return time.Second / time.Duration(d.opts.Rate) }

// Init resets the chip, sets it up, has it calibrate its own offset and throws
// away the conversions that mean nothing. It takes up to about 2 s.
func (d *Dev) Init(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.ready = false
	if err := d.powerUp(ctx); err != nil {
		return fmt.Errorf("%v: power-up: %w", d, err)
	}
	if err := d.calibrate(ctx); err != nil {
		return fmt.Errorf("%v: offset calibration: %w", d, err)
	}
	d.ready, d.last = true, time.Time{}
	for range discard {
		if _, err := d.read(ctx); err != nil {
			d.ready = false
			return fmt.Errorf("%v: first conversions: %w", d, err)
		}
	}
	return nil
}

func (d *Dev) powerUp(ctx context.Context) error {
	if err := d.write(regPUCtrl, puRegisterReset); err != nil {
		return err
	}
	if err := d.clock.Sleep(ctx, time.Millisecond); err != nil {
		return err
	}
	if err := d.write(regPUCtrl, puDigital); err != nil {
		return err
	}
	// At least 200 us until the digital part is up (NA-06).
	err := d.poll(ctx, 200*time.Microsecond, 20*time.Millisecond, func() (bool, error) {
		b, err := d.readByte(regPUCtrl)
		return b&puReady != 0, err
	})
	if err != nil {
		return err
	}
	rev, err := d.readByte(regRevision)
	if err != nil {
		return err
	}
	if rev&0x0F != 0x0F {
		return fmt.Errorf("%w: revision register reads 0x%02x, its low half should be 0xf", sensor.ErrWrongChip, rev)
	}
	d.Revision = rev
	for _, w := range []struct{ reg, value byte }{
		{regPUCtrl, d.words.puCtrl &^ puCycleStart},
		{regCtrl1, d.words.ctrl1},
		{regCtrl2, d.words.ctrl2},
		{regADCCtrl, 0x30},
		{regPUCtrl, d.words.puCtrl},
	} {
		if err := d.write(w.reg, w.value); err != nil {
			return err
		}
	}
	return nil
}

func (d *Dev) calibrate(ctx context.Context) error {
	if err := d.write(regCtrl2, d.words.ctrl2|ctrl2Calibrate); err != nil {
		return err
	}
	var ctrl2 byte
	err := d.poll(ctx, d.Period(), 10*d.Period()+time.Second, func() (done bool, err error) {
		ctrl2, err = d.readByte(regCtrl2)
		return ctrl2&ctrl2Calibrate == 0, err
	})
	if err != nil {
		return err
	}
	if ctrl2&ctrl2CalError != 0 {
		return errors.New("the chip reports CAL_ERR: look at the bridge's wiring and supply")
	}
	return nil
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
		return c, fmt.Errorf("%v: %w", d, err)
	}
	return c, nil
}

func (d *Dev) read(ctx context.Context) (sensor.Conversion, error) {
	first := time.Duration(0)
	if !d.last.IsZero() {
		// Do not ask before nine tenths of the conversion time have gone: the
		// chip's own clock is good to a few percent.
		first = d.Period()*9/10 - d.clock.Now().Sub(d.last)
	}
	err := d.poll(ctx, first, 3*d.Period()+20*time.Millisecond, func() (bool, error) {
		b, err := d.readByte(regPUCtrl)
		if err == nil && b&(puDigital|puAnalog|puCycleStart) != puDigital|puAnalog|puCycleStart {
			d.ready = false
			return false, fmt.Errorf("%w: PU_CTRL reads 0x%02x", sensor.ErrReset, b)
		}
		return b&puConversion != 0, err
	})
	if err != nil {
		return sensor.Conversion{}, err
	}
	var b [3]byte
	if err := d.conn.Tx([]byte{regADCOut}, b[:]); err != nil {
		return sensor.Conversion{}, err
	}
	d.last = d.clock.Now()
	code := sensor.SignExtend24(uint32(b[0])<<16 | uint32(b[1])<<8 | uint32(b[2]))
	return sensor.Conversion{
		Code:      code,
		Saturated: code >= sensor.Max24 || code <= sensor.Min24,
		At:        d.last,
	}, nil
}

// poll asks until done, first after a delay, then ten times a conversion, for at
// most bound.
func (d *Dev) poll(ctx context.Context, delay, bound time.Duration, done func() (bool, error)) error {
	start := d.clock.Now()
	if err := d.clock.Sleep(ctx, delay); err != nil {
		return err
	}
	pause := max(d.Period()/10, 200*time.Microsecond)
	for {
		ok, err := done()
		if err != nil || ok {
			return err
		}
		if d.clock.Now().Sub(start) > bound+max(delay, 0) {
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
	if err := d.write(regPUCtrl, 0); err != nil {
		return fmt.Errorf("%v: power down: %w", d, err)
	}
	return nil
}

func (d *Dev) write(reg, value byte) error { return d.conn.Tx([]byte{reg, value}, nil) }

func (d *Dev) readByte(reg byte) (byte, error) {
	var b [1]byte
	err := d.conn.Tx([]byte{reg}, b[:])
	return b[0], err
}
