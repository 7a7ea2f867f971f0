package instruments

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"decktrim/edge/filter"
	"decktrim/edge/sensor"
	"decktrim/edge/sensor/ads1115"
	"decktrim/edge/sensor/modbus"
	"decktrim/edge/sensor/pulse"
	"decktrim/internal/plant"
)

// measurement is the newest thing a device says about one channel: a queue of
// length one, in which the newest wins.
type measurement struct {
	at    time.Time // by the device's clock; zero: nothing yet
	x     float64   // signal unit of the channel's line
	has   bool
	mA    float64 // of a loop
	fault plant.Reason
}

type slot struct {
	mu sync.Mutex
	m  measurement
}

func (s *slot) put(m measurement) {
	s.mu.Lock()
	s.m = m
	s.mu.Unlock()
}

func (s *slot) get() measurement {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.m
}

// driver is one device as its goroutine works it.
type driver interface {
	Init(ctx context.Context) error
	// Step takes the next readings, waiting for them no longer than bounded by the
	// device's own rates, and puts them into the slots.
	Step(ctx context.Context) error
	Halt() error
	String() string
}

// Life of a device that fails.
const (
	triesToLost  = 3 // failures in a row, and it is lost and set up anew
	firstBackOff = 500 * time.Millisecond
	longBackOff  = 4 * time.Second // back within 5 s of returning
)

// device is a driver with its goroutine's state.
type device struct {
	driver driver
	clock  sensor.Clock
	real   bool     // else simulated: its times are the plant clock's
	bus    *openBus // nil: none that could be reset
	slots  []*slot
	reads  []*reading
	cycle  time.Duration // until each channel has been read once
	stir   func()        // tells the sampler that something new is there

	leftOut bool // simulated and hanging: the sampler does not wait for it; the sampler's own

	mu    sync.Mutex
	since time.Time // the step under way began then; zero: none
}

// run works the device until ctx ends, then halts it.
func (d *device) run(ctx context.Context, log *slog.Logger) {
	failures, lost := 0, true // a device begins like a lost one: to be set up
	backOff := firstBackOff
	said := ""
	for ctx.Err() == nil {
		d.begin()
		var err error
		if lost {
			err = d.driver.Init(ctx)
		}
		if err == nil {
			lost = false
			err = d.driver.Step(ctx)
		}
		d.end()
		if ctx.Err() != nil {
			break
		}
		if err == nil {
			if said != "" {
				log.Info("device answers again", "device", d.driver.String(), "after_failures", failures)
				said = ""
			}
			failures, backOff = 0, firstBackOff
			d.stir()
			continue
		}
		failures++
		if said != err.Error() {
			log.Warn("device does not answer", "device", d.driver.String(), "error", err)
			said = err.Error()
		}
		d.fail(err)
		if errors.Is(err, sensor.ErrReset) {
			lost = true
		}
		if failures >= triesToLost {
			lost = true
			d.bus.askReset()
		}
		if d.clock.Sleep(ctx, backOff) == nil && failures >= triesToLost {
			backOff = min(2*backOff, longBackOff)
		}
	}
	if err := d.driver.Halt(); err != nil {
		log.Warn("device could not be halted", "device", d.driver.String(), "error", err)
	}
}

// fail tells every channel of the device what went wrong. Nothing is held over.
func (d *device) fail(err error) {
	why := plant.NoAnswer
	if errors.Is(err, sensor.ErrNotReady) {
		why = plant.NotReady
	}
	at := d.clock.Now()
	for _, s := range d.slots {
		s.put(measurement{at: at, fault: why})
	}
	d.stir()
}

func (d *device) begin() {
	d.mu.Lock()
	d.since = time.Now()
	d.mu.Unlock()
}

func (d *device) end() {
	d.mu.Lock()
	d.since = time.Time{}
	d.mu.Unlock()
}

// hungFor is how long of the wall the step under way has taken.
func (d *device) hungFor() time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.since.IsZero() {
		return 0
	}
	return time.Since(d.since)
}

// converter is a bridge converter of either kind.
type converter interface {
	Init(ctx context.Context) error
	Read(ctx context.Context) (sensor.Conversion, error)
	Halt() error
	Period() time.Duration
	String() string
}

// bridge reads a load cell: each conversion goes through the filter that takes the
// shaking out (package filter says which and why).
type bridge struct {
	converter
	low       *filter.LowPass
	slot      *slot
	last      time.Time
	saturated time.Time // a conversion at an end of the range, still in the window
}

// stopHz is where the filter's stop band begins: below the slowest table's strokes
// (200 a minute, 3.3 Hz), so that their slip does not matter.
const stopHz = 3.0

func newBridge(c converter, s *slot, still bool) (*bridge, error) {
	bands := filter.MillAndTable()
	if still {
		bands = nil
	}
	low, err := filter.NewLowPass(1/c.Period().Seconds(), stopHz, bands)
	if err != nil {
		return nil, fmt.Errorf("%v: %w; or say still = true if no machine shakes this cell", c, err)
	}
	return &bridge{converter: c, low: low, slot: s}, nil
}

func (b *bridge) Init(ctx context.Context) error {
	b.low.Reset()
	b.last = time.Time{}
	return b.converter.Init(ctx)
}

func (b *bridge) Step(ctx context.Context) error {
	c, err := b.Read(ctx)
	if err != nil {
		return err
	}
	if !b.last.IsZero() && c.At.Sub(b.last) > 4*b.Period() {
		b.low.Reset() // conversions are missing: begin anew rather than bend the filter
	}
	b.last = c.At
	if c.Saturated {
		b.saturated = c.At
	}
	b.low.Push(float64(c.Code))
	m := measurement{at: c.At}
	switch v, full := b.low.Value(); {
	case !b.saturated.IsZero() && c.At.Sub(b.saturated).Seconds() < 3/stopHz:
		m.x, m.has, m.fault = float64(c.Code), true, plant.Saturated
	case !full:
		m.fault = plant.NotReady
	default:
		m.x, m.has = v, true
	}
	b.slot.put(m)
	return nil
}

// analog reads the inputs of one ADS1115, one after another, each in a burst that
// mains hum and a generator's waves fall out of.
type analog struct {
	dev    *ads1115.Dev
	inputs []analogInput
	next   int
	buf    []sensor.Conversion
	volts  []float64
}

type analogInput struct {
	opts ads1115.Opts
	wave bool    // rms of the wave; else the mean
	ohm  float64 // of a loop's shunt; 0: volts stay volts
	slot *slot
}

// burst is how long one input is listened to: 5 waves of 50 Hz, or 10 for an rms,
// which are 6 and 12 of 60 Hz.
func (i analogInput) burst() time.Duration {
	if i.wave {
		return 200 * time.Millisecond
	}
	return 100 * time.Millisecond
}

func (a *analog) Init(context.Context) error { return nil }
func (a *analog) Halt() error                { return a.dev.Halt() }
func (a *analog) String() string             { return a.dev.String() }

func (a *analog) Step(ctx context.Context) error {
	in := a.inputs[a.next]
	a.next = (a.next + 1) % len(a.inputs)
	n := int(in.burst().Seconds() * float64(in.opts.Rate))
	n = max(n, 8)
	for len(a.buf) < n {
		a.buf = append(a.buf, sensor.Conversion{})
	}
	got, err := a.dev.Burst(ctx, in.opts, a.buf[:n])
	if err != nil {
		return err
	}
	m := measurement{at: got[len(got)-1].At, has: true}
	a.volts = a.volts[:0]
	for _, c := range got {
		if c.Saturated {
			m.fault = plant.Saturated
		}
		a.volts = append(a.volts, float64(c.Code)*ads1115.VoltsPerCount(in.opts.FullScale))
	}
	reduce := filter.Mean
	if in.wave {
		reduce = filter.RMS
	}
	if m.x, err = reduce(a.volts); err != nil {
		return fmt.Errorf("%v: %w", a.dev, err)
	}
	if in.ohm > 0 {
		m.x = 1000 * m.x / in.ohm
		m.mA = m.x
	}
	in.slot.put(m)
	return nil
}

// meter counts pulses and gives their rate once a period.
type meter struct {
	*pulse.Counter
	slot   *slot
	clock  sensor.Clock
	period time.Duration
	taken  time.Time
	warn   func(lost int)
}

func (m *meter) Init(ctx context.Context) error {
	m.taken = m.clock.Now()
	return m.Counter.Init(ctx)
}

func (m *meter) Step(ctx context.Context) error {
	if err := m.Listen(ctx); err != nil {
		return err
	}
	if m.clock.Now().Sub(m.taken) < m.period-pulse.Slice/2 {
		return nil
	}
	c := m.Take()
	m.taken = c.At
	out := measurement{at: c.At, x: c.Hz, has: c.Known}
	switch {
	case c.Impossible:
		out.fault = plant.Impossible
	case !c.Known:
		out.fault = plant.NotReady
	}
	if c.Lost > 0 {
		m.warn(c.Lost)
	}
	m.slot.put(out)
	return nil
}

// switched is a running contact.
type switched struct {
	*pulse.Contact
	slot  *slot
	clock sensor.Clock
	every time.Duration
}

func (s *switched) Step(ctx context.Context) error {
	on, err := s.Read(ctx)
	switch {
	case errors.Is(err, pulse.ErrBouncing):
		s.slot.put(measurement{at: s.clock.Now(), fault: plant.NotReady})
	case err != nil:
		return err
	default:
		m := measurement{at: s.clock.Now(), has: true}
		if on {
			m.x = 1
		}
		s.slot.put(m)
	}
	return s.clock.Sleep(ctx, s.every)
}

// polled is one Modbus unit.
type polled struct {
	unit   *modbus.Unit
	points []polledPoint
	clock  sensor.Clock
	every  time.Duration
	next   time.Time
}

type polledPoint struct {
	point modbus.Point
	slot  *slot
}

func (p *polled) Init(context.Context) error { p.next = p.clock.Now(); return nil }
func (p *polled) Halt() error                { return nil } // the line is closed with its bus
func (p *polled) String() string             { return p.unit.String() }

// Step polls every point of the unit. An answer that says 'no such register' or
// 'no number' is that point's fault alone; a line that fails ends the round.
func (p *polled) Step(ctx context.Context) error {
	var first error
	answers := 0
	for _, pt := range p.points {
		v, err := p.unit.Read(ctx, pt.point)
		at := p.clock.Now()
		switch {
		case err != nil && !modbus.Answered(err):
			return err
		case err != nil:
			pt.slot.put(measurement{at: at, fault: plant.NoAnswer})
			if first == nil {
				first = err
			}
		case v.Saturated:
			answers++
			pt.slot.put(measurement{at: at, x: v.Number, has: true, fault: plant.Saturated})
		default:
			answers++
			pt.slot.put(measurement{at: at, x: v.Number, has: true})
		}
	}
	if answers == 0 && first != nil {
		return first
	}
	p.next = p.next.Add(p.every)
	now := p.clock.Now()
	if p.next.Before(now) {
		p.next = now
	}
	return p.clock.Sleep(ctx, p.next.Sub(now))
}
