// Package pulse counts the pulses of flow meters, belt tachometers and stroke
// sensors on a GPIO line, and reads running contacts.
//
// The rate is found by timing whole pulses (so many pulses between two edges), not
// by counting in a fixed second: at 60 pulses a litre, counting for 1 s would read
// in steps of 1 L/min (check values FL-01 to FL-04; plant physics of flow meters).
//
// A loose wire or a missing pull-up gives a storm of edges. What no meter can
// deliver is marked impossible, never enters a total, and costs a bounded amount
// of processor: once a slice of time has had more edges than the meter's maximum,
// the rest of the slice is not listened to.
package pulse

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"decktrim/edge/sensor"
)

// Slice is the time within which edges are counted before the storm check.
const Slice = 100 * time.Millisecond

// burst is how many edges beyond the maximum rate a slice may have: the kernel
// hands over what queued up while the program did not run.
const burst = 4

// edgeReader is a line that knows the time of each edge and how many were lost,
// which gpio.PinIn cannot say. It returns false if none came within the timeout.
type edgeReader interface {
	ReadEdge(timeout time.Duration) (sensor.Edge, bool, error)
}

// Count is what happened since the last Take.
type Count struct {
	At         time.Time
	Pulses     int     // believed
	Hz         float64 // 0 when none came for so long that the flow must be below the meter's start
	Known      bool    // false until a rate can be told: two edges, or long enough without
	Impossible bool    // more edges than the meter can give: count and rate are not to be used
	Lost       int     // edges lost by the kernel: the total is at least this much short
}

// Opts is what is known of the meter.
type Opts struct {
	MaxHz  float64       // the most it can deliver; beyond is impossible
	Silent time.Duration // so long without a pulse is a rate of zero; 0: 3 s
}

// Counter counts one line. Count runs in one goroutine; Take may be called from another.
type Counter struct {
	pin   gpio.PinIn
	opts  Opts
	clock sensor.Clock

	mu sync.Mutex
	counting
}

// counting is what Init begins anew.
type counting struct {
	armed    bool
	pulses   int
	lost     int
	storm    bool
	begun    time.Time // when listening began
	prevEdge time.Time // last edge of the window before
	lastEdge time.Time
	lastHz   float64
}

// New prepares a counter; the line is not touched.
func New(pin gpio.PinIn, opts Opts, clock sensor.Clock) (*Counter, error) {
	if !(opts.MaxHz > 0) || math.IsInf(opts.MaxHz, 0) {
		return nil, fmt.Errorf("pulse %s: the highest rate the meter can give must be a number of Hz above 0, not %v", pin.Name(), opts.MaxHz)
	}
	if opts.Silent == 0 {
		opts.Silent = 3 * time.Second
	}
	return &Counter{pin: pin, opts: opts, clock: clock}, nil
}

func (c *Counter) String() string { return "pulse " + c.pin.Name() }

// Init begins to listen for rising edges.
func (c *Counter) Init(context.Context) error {
	if err := c.pin.In(gpio.PullUp, gpio.RisingEdge); err != nil {
		return fmt.Errorf("%v: %w", c, err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.counting = counting{armed: true, begun: c.clock.Now()}
	return nil
}

// Listen counts for one slice.
func (c *Counter) Listen(ctx context.Context) error {
	c.mu.Lock()
	armed := c.armed
	c.mu.Unlock()
	if !armed {
		return fmt.Errorf("%v: not initialised", c)
	}
	end := c.clock.Now().Add(Slice)
	allowed := int(c.opts.MaxHz*Slice.Seconds()) + burst
	for n := 0; ; {
		left := end.Sub(c.clock.Now())
		if left <= 0 || ctx.Err() != nil {
			return ctx.Err()
		}
		e, ok, err := c.wait(left)
		if err != nil {
			return fmt.Errorf("%v: %w", c, err)
		}
		if !ok {
			continue // no edge; the loop ends with the slice
		}
		n += 1 + e.Lost
		if n > allowed {
			c.mu.Lock()
			c.storm, c.lastEdge = true, e.At
			c.mu.Unlock()
			return c.clock.Sleep(ctx, end.Sub(c.clock.Now()))
		}
		c.mu.Lock()
		if c.lastEdge.IsZero() {
			c.prevEdge = e.At // rates count from the first edge seen
		} else {
			c.pulses++
		}
		c.lost += e.Lost
		c.lastEdge = e.At
		c.mu.Unlock()
	}
}

func (c *Counter) wait(timeout time.Duration) (sensor.Edge, bool, error) {
	if r, ok := c.pin.(edgeReader); ok {
		return r.ReadEdge(timeout)
	}
	if !c.pin.WaitForEdge(timeout) {
		return sensor.Edge{}, false, nil
	}
	return sensor.Edge{At: c.clock.Now()}, true, nil
}

// Take returns what was counted up to now and begins anew.
func (c *Counter) Take() Count {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.clock.Now()
	out := Count{At: now, Lost: c.lost, Impossible: c.storm}
	pulses := c.pulses
	c.pulses, c.lost = 0, 0
	if c.storm {
		// Nothing of this window is believed, and timing begins again after it.
		c.storm, c.lastHz = false, 0
		c.prevEdge, c.lastEdge, c.begun = time.Time{}, time.Time{}, now
		return out
	}
	out.Pulses = pulses
	span := c.lastEdge.Sub(c.prevEdge)
	silence := now.Sub(c.begun)
	if !c.lastEdge.IsZero() {
		silence = now.Sub(c.lastEdge)
	}
	switch {
	case pulses > 0 && span > 0:
		c.lastHz = float64(pulses+out.Lost) / span.Seconds()
		c.prevEdge = c.lastEdge
		out.Hz, out.Known = c.lastHz, true
	case silence >= c.opts.Silent:
		c.lastHz = 0
		out.Hz, out.Known = 0, true
	case c.lastHz > 0 && silence > 0:
		// No edge in this window: the rate is at most one pulse in the silence so far.
		out.Hz, out.Known = math.Min(c.lastHz, 1/silence.Seconds()), true
	}
	if out.Hz > c.opts.MaxHz {
		out.Impossible, out.Pulses = true, 0
	}
	return out
}

// Halt stops listening.
func (c *Counter) Halt() error {
	c.mu.Lock()
	c.armed = false
	c.mu.Unlock()
	err := c.pin.In(gpio.PullNoChange, gpio.NoEdge)
	if h := c.pin.Halt(); err == nil {
		err = h
	}
	if err != nil {
		return fmt.Errorf("%v: %w", c, err)
	}
	return nil
}

// Contact is a running contact on a line: closed or open, with a little patience
// against bounce.
type Contact struct {
	pin    gpio.PinIn
	invert bool
	clock  sensor.Clock
}

// NewContact prepares a contact; invert: a low line means running.
func NewContact(pin gpio.PinIn, invert bool, clock sensor.Clock) *Contact {
	return &Contact{pin: pin, invert: invert, clock: clock}
}

func (c *Contact) String() string { return "contact " + c.pin.Name() }

// ErrBouncing: three readings 5 ms apart did not agree.
var ErrBouncing = errors.New("the contact bounces")

// Init sets the line up; the pull-up makes an open wire read as an open contact.
func (c *Contact) Init(context.Context) error {
	if err := c.pin.In(gpio.PullUp, gpio.NoEdge); err != nil {
		return fmt.Errorf("%v: %w", c, err)
	}
	return nil
}

// Read returns true for running. Three readings 5 ms apart must agree.
func (c *Contact) Read(ctx context.Context) (bool, error) {
	first, err := sensor.ReadPin(c.pin)
	if err != nil {
		return false, fmt.Errorf("%v: %w", c, err)
	}
	for range 2 {
		if err := c.clock.Sleep(ctx, 5*time.Millisecond); err != nil {
			return false, err
		}
		again, err := sensor.ReadPin(c.pin)
		if err != nil {
			return false, fmt.Errorf("%v: %w", c, err)
		}
		if again != first {
			return false, fmt.Errorf("%v: %w", c, ErrBouncing)
		}
	}
	return bool(first) != c.invert, nil
}

// Halt releases the line.
func (c *Contact) Halt() error { return c.pin.Halt() }
