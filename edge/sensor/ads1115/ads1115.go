// Package ads1115 drives the Texas Instruments ADS1115, a 16-bit converter with
// four inputs on I2C, for 4-20 mA loops over a shunt and for current transformers
// over a burden.
//
// Sources: registers, bit places, ranges, rates and addresses as in the Linux
// kernel driver drivers/iio/adc/ti-ads1015.c and the ADS1115-Q1 data sheet's page
// 18 (seen; check values AD-01 to AD-16).
//
// Every reading is a single conversion that is started, asked for by its ready
// bit and only then read: the chip's clock is good to 10 % only (AD-07), so
// waiting a nominal time is not enough.
package ads1115

import (
	"context"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"

	"decktrim/edge/sensor"
)

// Addresses by what the ADDR pin is tied to (AD-08).
const (
	AddressGND = 0x48
	AddressVDD = 0x49
	AddressSDA = 0x4A
	AddressSCL = 0x4B
)

// Registers (AD-09).
const (
	regConversion = 0
	regConfig     = 1
)

// Config register (AD-10).
const (
	bitStart       = 1 << 15 // written: start; read: not converting
	shiftMux       = 12
	shiftPGA       = 9
	bitSingle      = 1 << 8
	shiftRate      = 5
	comparatorOff  = 3
	settingsBits   = 0x7FFF
	attemptsAtMost = 50
)

// Mux is an input or a pair of inputs, as the config register numbers them.
type Mux byte

// Inputs. A pair is measured as the first less the second.
const (
	AIN0minusAIN1 Mux = iota
	AIN0minusAIN3
	AIN1minusAIN3
	AIN2minusAIN3
	AIN0
	AIN1
	AIN2
	AIN3
)

var muxNames = [8]string{"0-1", "0-3", "1-3", "2-3", "0", "1", "2", "3"}

func (m Mux) String() string { return muxNames[m&7] }

// ParseMux reads an input as board files write it: 0 to 3, or 0-1, 0-3, 1-3, 2-3.
func ParseMux(s string) (Mux, error) {
	for i, n := range muxNames {
		if n == s {
			return Mux(i), nil
		}
	}
	return 0, fmt.Errorf("ads1115: there is no input %q: use 0, 1, 2, 3, 0-1, 0-3, 1-3 or 2-3", s)
}

// fullScales in mV by range code (AD-01 to AD-06; 6 and 7 repeat 5).
var fullScales = [6]int{6144, 4096, 2048, 1024, 512, 256}

// rates in conversions per second by code (AD-07).
var rates = [8]int{8, 16, 32, 64, 128, 250, 475, 860}

// Opts is how one reading is taken.
type Opts struct {
	Input     Mux
	FullScale int // mV: 6144, 4096, 2048, 1024, 512, 256
	Rate      int // conversions per second: 8 ... 860
}

// Word is the config word that starts one conversion.
func (o Opts) Word() (uint16, error) {
	pga, rate := -1, -1
	for i, fs := range fullScales {
		if fs == o.FullScale {
			pga = i
		}
	}
	for i, r := range rates {
		if r == o.Rate {
			rate = i
		}
	}
	switch {
	case o.Input > AIN3:
		return 0, fmt.Errorf("ads1115: there is no input %d", o.Input)
	case pga < 0:
		return 0, fmt.Errorf("ads1115: there is no range of %d mV: use 6144, 4096, 2048, 1024, 512 or 256", o.FullScale)
	case rate < 0:
		return 0, fmt.Errorf("ads1115: there is no rate of %d per second: use 8, 16, 32, 64, 128, 250, 475 or 860", o.Rate)
	}
	return bitStart | uint16(o.Input)<<shiftMux | uint16(pga)<<shiftPGA | bitSingle | uint16(rate)<<shiftRate | comparatorOff, nil
}

// VoltsPerCount is the step of a range given in mV (AD-01 to AD-06).
func VoltsPerCount(fullScaleMV int) float64 { return float64(fullScaleMV) / 1000 / (1 << 15) }

// Dev is one chip. Methods may be called from several goroutines.
type Dev struct {
	conn  i2c.Dev
	clock sensor.Clock
	mu    sync.Mutex
}

// New prepares a driver; nothing is sent.
func New(bus i2c.Bus, address uint16, clock sensor.Clock) (*Dev, error) {
	if address < AddressGND || address > AddressSCL {
		return nil, fmt.Errorf("ads1115: 0x%02x is none of its addresses: use 0x48 to 0x4b", address)
	}
	return &Dev{conn: i2c.Dev{Bus: bus, Addr: address}, clock: clock}, nil
}

func (d *Dev) String() string { return fmt.Sprintf("ads1115 0x%02x", d.conn.Addr) }

// Read takes one conversion.
func (d *Dev) Read(ctx context.Context, o Opts) (sensor.Conversion, error) {
	one, err := d.Burst(ctx, o, make([]sensor.Conversion, 1))
	if err != nil {
		return sensor.Conversion{}, err
	}
	return one[0], nil
}

// Burst fills dst with conversions one after another, as fast as the rate allows.
// It returns the part of dst that was filled, all of it unless there is an error.
func (d *Dev) Burst(ctx context.Context, o Opts, dst []sensor.Conversion) ([]sensor.Conversion, error) {
	word, err := o.Word()
	if err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for i := range dst {
		if dst[i], err = d.single(ctx, word, o.Rate); err != nil {
			return dst[:i], fmt.Errorf("%v: input %v: %w", d, o.Input, err)
		}
	}
	return dst, nil
}

func (d *Dev) single(ctx context.Context, word uint16, rate int) (sensor.Conversion, error) {
	if err := d.conn.Tx([]byte{regConfig, byte(word >> 8), byte(word)}, nil); err != nil {
		return sensor.Conversion{}, err
	}
	nominal := time.Second / time.Duration(rate)
	begun := d.clock.Now()
	if err := d.clock.Sleep(ctx, nominal*9/10); err != nil {
		return sensor.Conversion{}, err
	}
	var b [2]byte
	for range attemptsAtMost {
		if err := d.conn.Tx([]byte{regConfig}, b[:]); err != nil {
			return sensor.Conversion{}, err
		}
		have := uint16(b[0])<<8 | uint16(b[1])
		if have&settingsBits != word&settingsBits {
			return sensor.Conversion{}, fmt.Errorf("%w: its config reads 0x%04x after 0x%04x was written", sensor.ErrReset, have, word)
		}
		if have&bitStart != 0 {
			if err := d.conn.Tx([]byte{regConversion}, b[:]); err != nil {
				return sensor.Conversion{}, err
			}
			code := int16(uint16(b[0])<<8 | uint16(b[1]))
			return sensor.Conversion{
				Code:      int32(code),
				Saturated: code == 1<<15-1 || code == -1<<15,
				At:        d.clock.Now(),
			}, nil
		}
		if d.clock.Now().Sub(begun) > nominal*2+5*time.Millisecond {
			break
		}
		if err := d.clock.Sleep(ctx, max(nominal/20, 50*time.Microsecond)); err != nil {
			return sensor.Conversion{}, err
		}
	}
	return sensor.Conversion{}, sensor.ErrNotReady
}

// Halt waits for a read in progress. The chip powers itself down after each
// single conversion, so there is nothing to send.
func (d *Dev) Halt() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return nil
}
