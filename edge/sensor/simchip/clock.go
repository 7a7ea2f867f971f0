// Package simchip simulates the chips and meters of a board at their pins and
// registers: the drivers cannot tell them from real ones, so a wrong register
// number, a wrong byte order or an impatient wait in a driver breaks a test.
//
// Each chip is fed by a function of time that gives the physical input: mV at the
// bridge, V at an input, Hz of pulses, a number in a register. What the chips do
// follows the sources named in the driver packages.
package simchip

import (
	"context"
	"sync"
	"time"
)

// Clock is the time of one simulated device and of the driver that waits for it.
//
// It runs behind the plant clock: a sleep returns at once as long as the device is
// behind, and waits in truth only when it has caught up. So no conversion is ever
// missed because the host was busy, and a plant that runs twenty times as fast as
// the wall needs no timer that is twenty times as fine.
type Clock struct {
	plant func() time.Time // nil: nothing to wait for; sleeping alone moves the clock
	speed float64          // plant seconds per second of the wall
	grain time.Duration    // of the wall: how long to wait at least, so that waking up stays cheap

	mu  sync.Mutex
	now time.Time
}

// NewClock makes a clock that follows the plant clock, which runs speed times as
// fast as the wall.
func NewClock(plant func() time.Time, speed float64) *Clock {
	// At the wall's pace 20 ms are soon enough for a frame and save wake-ups; a
	// faster plant has less of the wall between two frames.
	grain := 20 * time.Millisecond
	if speed > 2 {
		grain = 5 * time.Millisecond
	}
	return &Clock{plant: plant, speed: speed, grain: grain, now: plant()}
}

// NewFreeClock makes a clock that is moved by sleeping alone, for tests.
func NewFreeClock(start time.Time) *Clock { return &Clock{now: start} }

// Now is the device's own time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Advance moves the clock without waiting: the driver was held up for d.
func (c *Clock) Advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// far is how far a device may be behind before it is brought up without living
// through the time between (the host slept).
const far = 10 * time.Second

// Sleep moves the device by d and waits until the plant clock has got there.
func (c *Clock) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c.mu.Lock()
	if d > 0 {
		c.now = c.now.Add(d)
	}
	due := c.now
	c.mu.Unlock()
	if c.plant == nil {
		return nil
	}
	for {
		behind := c.plant().Sub(due)
		if behind >= 0 {
			if limit := max(far, time.Duration(c.speed*float64(time.Second))); behind > limit {
				c.mu.Lock()
				c.now = c.now.Add(behind)
				c.mu.Unlock()
			}
			return nil
		}
		wait := max(time.Duration(float64(-behind)/c.speed), c.grain)
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		case <-t.C:
		}
	}
}
