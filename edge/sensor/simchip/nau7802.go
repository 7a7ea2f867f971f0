package simchip

import (
	"math"
	"time"

	"decktrim/edge/sensor"
)

// NAU7802 answers like the bridge converter of that name. Facts: see package
// nau7802; it settles over the conversions after a change, of which the kernel
// driver discards six.
type NAU7802 struct {
	Input      func(at time.Time) float64 // mV between the inputs
	Excitation float64                    // mV, reference when the inner supply is off; 0: 3300
	Dead       bool                       // powered, but never finishes a conversion
	CalFails   bool                       // reports CAL_ERR
	Revision   byte                       // 0: 0x0F

	clock  sensor.Clock
	regs   [0x20]byte
	ptr    byte
	up     time.Time // when the digital part was switched on
	next   time.Time // when the running conversion ends
	calEnd time.Time
	left   int // conversions until settled
	code   int32
}

// NewNAU7802 makes a chip that has just been given power.
func NewNAU7802(clock sensor.Clock, input func(at time.Time) float64) *NAU7802 {
	c := &NAU7802{Input: input, clock: clock}
	c.reset()
	return c
}

func (c *NAU7802) reset() {
	c.regs = [0x20]byte{}
	c.next, c.calEnd = time.Time{}, time.Time{}
}

// BrownOut is a dip of the supply: all registers are as after power-up.
func (c *NAU7802) BrownOut() { c.reset() }

const (
	nauPUCtrl, nauCtrl1, nauCtrl2 = 0x00, 0x01, 0x02
	nauB2, nauB1, nauB0           = 0x12, 0x13, 0x14
	nauRevision                   = 0x1F
)

// Tx: the first byte written sets the register pointer; writing and reading then
// step it.
func (c *NAU7802) Tx(w, r []byte) error {
	c.run()
	if len(w) > 0 {
		c.ptr = w[0]
		for _, b := range w[1:] {
			c.write(c.ptr, b)
			c.ptr++
		}
	}
	for i := range r {
		r[i] = c.read(c.ptr)
		c.ptr++
	}
	return nil
}

func (c *NAU7802) period() time.Duration {
	sps := [8]int{10, 20, 40, 80, 10, 10, 10, 320}[c.regs[nauCtrl2]>>4&7]
	return time.Second / time.Duration(sps)
}

// converting: digital and analog part on, cycle started, no reset.
func (c *NAU7802) converting() bool {
	return c.regs[nauPUCtrl]&0x17 == 0x16 && !c.Dead
}

// run lives through the time since the last transaction.
func (c *NAU7802) run() {
	now := c.clock.Now()
	if c.regs[nauPUCtrl]&0x03 == 0x02 && now.Sub(c.up) >= 200*time.Microsecond {
		c.regs[nauPUCtrl] |= 1 << 3
	}
	if !c.calEnd.IsZero() && !now.Before(c.calEnd) {
		c.regs[nauCtrl2] &^= 1 << 2
		if c.CalFails {
			c.regs[nauCtrl2] |= 1 << 3
		}
		c.calEnd = time.Time{}
		c.next, c.left = now.Add(c.period()), 6
	}
	if !c.converting() || c.next.IsZero() || !c.calEnd.IsZero() || now.Before(c.next) {
		return
	}
	// Only the latest conversion can still be read; those between are lost.
	p := c.period()
	missed := int(now.Sub(c.next) / p)
	at := c.next.Add(time.Duration(missed) * p)
	c.left = max(0, c.left-1-missed)
	c.next = at.Add(p)
	c.regs[nauPUCtrl] |= 1 << 5
	c.code = c.convert(at)
}

func (c *NAU7802) convert(at time.Time) int32 {
	ref := c.Excitation
	if ref == 0 {
		ref = 3300
	}
	if c.regs[nauPUCtrl]&(1<<7) != 0 {
		ref = 4500 - 300*float64(c.regs[nauCtrl1]>>3&7)
	}
	gain := float64(int(1) << (c.regs[nauCtrl1] & 7))
	mv := 0.0
	if c.regs[nauCtrl2]&(1<<7) == 0 { // nothing is wired to channel 2
		mv = c.Input(at)
	}
	x := mv * gain / ref * (1 << 23)
	if c.left > 0 {
		x *= 1 - math.Pow(0.5, float64(6-c.left)) // still settling
	}
	return int32(math.Max(sensor.Min24, math.Min(sensor.Max24, math.Round(x))))
}

func (c *NAU7802) write(reg, v byte) {
	now := c.clock.Now()
	switch reg {
	case nauPUCtrl:
		old := c.regs[nauPUCtrl]
		if v&1 != 0 { // register reset holds everything at its start
			c.reset()
			c.regs[nauPUCtrl] = 1
			return
		}
		keep := old & (1<<3 | 1<<5)
		c.regs[nauPUCtrl] = v&^(1<<3|1<<5) | keep
		if v&2 != 0 && old&2 == 0 {
			c.up = now
		}
		if v&2 == 0 {
			c.regs[nauPUCtrl] &^= 1<<3 | 1<<5
		}
		if c.converting() && old&0x17 != 0x16 {
			c.next, c.left = now.Add(c.period()), 6
		}
	case nauCtrl2:
		c.regs[nauCtrl2] = v &^ (1 << 3)
		if v&(1<<2) != 0 && c.converting() {
			c.calEnd = now.Add(6 * c.period())
		}
		c.next, c.left = now.Add(c.period()), 6
		c.regs[nauPUCtrl] &^= 1 << 5
	case nauCtrl1:
		c.regs[nauCtrl1] = v
		c.left = 6
	case nauB2, nauB1, nauB0, nauRevision: // read only
	default:
		if int(reg) < len(c.regs) {
			c.regs[reg] = v
		}
	}
}

func (c *NAU7802) read(reg byte) byte {
	switch reg {
	case nauB2:
		return byte(c.code >> 16)
	case nauB1:
		return byte(c.code >> 8)
	case nauB0:
		c.regs[nauPUCtrl] &^= 1 << 5
		return byte(c.code)
	case nauRevision:
		if c.Revision == 0 {
			return 0x0F
		}
		return c.Revision
	}
	if int(reg) < len(c.regs) {
		return c.regs[reg]
	}
	return 0
}
