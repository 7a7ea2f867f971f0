package simchip

import (
	"math"
	"time"

	"decktrim/edge/sensor"
)

// ADS1115 answers like the four-input converter of that name. Facts: see package
// ads1115.
type ADS1115 struct {
	Input [4]func(at time.Time) float64 // V at each input against ground; nil: 0
	// ClockError is the chip's own clock: 0.1 makes it 10 % slow, the worst that
	// check value AD-07 allows.
	ClockError float64

	clock  sensor.Clock
	config uint16
	result int16
	limits [2]uint16
	ptr    byte
	done   time.Time // end of the running single conversion; zero: none
}

// NewADS1115 makes a chip that has just been given power.
func NewADS1115(clock sensor.Clock) *ADS1115 {
	c := &ADS1115{clock: clock}
	c.BrownOut()
	return c
}

// BrownOut is a dip of the supply: registers are as after power-up (AD-10).
func (c *ADS1115) BrownOut() {
	c.config, c.limits, c.result, c.done = 0x8583, [2]uint16{0x8000, 0x7FFF}, 0, time.Time{}
}

func (c *ADS1115) period() time.Duration {
	sps := [8]float64{8, 16, 32, 64, 128, 250, 475, 860}[c.config>>5&7]
	return time.Duration((1 + c.ClockError) / sps * float64(time.Second))
}

// Tx: the first byte written is the register, two more write it, most significant first.
func (c *ADS1115) Tx(w, r []byte) error {
	now := c.clock.Now()
	if !c.done.IsZero() && !now.Before(c.done) {
		c.result = c.convert(c.done)
		c.done = time.Time{}
	}
	if len(w) > 0 {
		c.ptr = w[0] & 3
	}
	if len(w) >= 3 {
		v := uint16(w[1])<<8 | uint16(w[2])
		switch c.ptr {
		case 1:
			c.config = v | 0x8000
			if v&0x8000 != 0 && v&0x0100 != 0 {
				c.done = now.Add(c.period())
			}
		case 2, 3:
			c.limits[c.ptr-2] = v
		}
	}
	var v uint16
	switch c.ptr {
	case 0:
		if c.config&0x0100 == 0 { // continuous
			c.result = c.convert(now)
		}
		v = uint16(c.result)
	case 1:
		v = c.config
		if !c.done.IsZero() {
			v &^= 0x8000
		}
	default:
		v = c.limits[c.ptr-2]
	}
	for i := range r {
		r[i] = byte(v >> (8 * (1 - i&1)))
	}
	return nil
}

func (c *ADS1115) convert(at time.Time) int16 {
	in := func(i int) float64 {
		if c.Input[i] == nil {
			return 0
		}
		return c.Input[i](at)
	}
	var volts float64
	switch m := int(c.config >> 12 & 7); m {
	case 0:
		volts = in(0) - in(1)
	case 1, 2, 3:
		volts = in(m-1) - in(3)
	default:
		volts = in(m - 4)
	}
	fullScale := [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[c.config>>9&7]
	x := math.Round(volts / fullScale * (1 << 15))
	return int16(math.Max(-1<<15, math.Min(1<<15-1, x)))
}
