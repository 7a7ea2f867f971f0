package simchip

import (
	"context"
	"errors"
	"math"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"decktrim/edge/sensor"
)

// pinBase is what every simulated line has in common.
type pinBase struct{ name string }

func (p pinBase) String() string         { return p.name }
func (p pinBase) Name() string           { return p.name }
func (p pinBase) Number() int            { return -1 }
func (p pinBase) Function() string       { return "" }
func (p pinBase) Halt() error            { return nil }
func (p pinBase) Pull() gpio.Pull        { return gpio.PullNoChange }
func (p pinBase) DefaultPull() gpio.Pull { return gpio.PullNoChange }

func (p pinBase) PWM(gpio.Duty, physic.Frequency) error {
	return errors.New(p.name + ": this line has no PWM")
}

// HX711 answers like the bridge converter of that name, over its two lines Clk and
// Data. Facts: see package hx711.
type HX711 struct {
	Input func(at time.Time) float64 // mV between the inputs of channel A; nothing on B
	AVDD  float64                    // V; 0: 5
	Rate  int                        // how the RATE pin is tied: 10 or 80
	Dead  bool                       // never ready
	// Preempt holds the processor for so long in the middle of the clock pulse of
	// that number (from 0) of the next reading; then it is forgotten.
	Preempt map[int]time.Duration

	clock  *Clock
	name   string
	high   bool
	rose   time.Time
	asleep bool
	gain   int // 128, 64, 32 (channel B)
	next   time.Time
	left   int // conversions until settled
	shift  uint32
	bits   int // clocked out of the conversion being read; 0: none
	before selection
}

// selection is what was in force before the pulses past 24.
type selection struct {
	gain int
	next time.Time
	left int
}

// NewHX711 makes a chip that has just been given power.
func NewHX711(name string, clock *Clock, rate int, input func(at time.Time) float64) *HX711 {
	h := &HX711{Input: input, Rate: rate, clock: clock, name: name}
	h.powerUp()
	return h
}

func (h *HX711) powerUp() {
	h.asleep, h.gain, h.bits = false, 128, 0
	h.begin(4)
}

// begin starts conversions; the first that means something comes after settling.
func (h *HX711) begin(settle int) {
	h.left = settle
	h.next = h.clock.Now().Add(h.period())
}

func (h *HX711) period() time.Duration { return time.Second / time.Duration(h.Rate) }

// Clk is the clock line, as the processor drives it.
func (h *HX711) Clk() gpio.PinOut { return hxClk{pinBase{h.name + "-clk"}, h} }

// Data is the data line.
func (h *HX711) Data() gpio.PinIn { return hxData{pinBase{h.name + "-data"}, h} }

type hxClk struct {
	pinBase
	h *HX711
}

func (p hxClk) Out(l gpio.Level) error {
	h := p.h
	now := h.clock.Now()
	switch {
	case bool(l) && !h.high:
		h.high, h.rose = true, now
		h.rise()
		if d, ok := h.Preempt[h.bits-1]; ok {
			delete(h.Preempt, h.bits-1)
			h.clock.Advance(d)
		}
	case !bool(l) && h.high:
		h.high = false
		if now.Sub(h.rose) > 60*time.Microsecond {
			h.powerUp() // it slept, and wakes as after a reset
		}
	}
	return nil
}

// rise is a rising clock edge: the next bit comes out, or past 24 the next
// conversion's channel and gain are chosen.
func (h *HX711) rise() {
	if h.bits == 0 {
		if !h.ready() {
			return
		}
		h.shift = uint32(h.convert()) & 0xFFFFFF
	}
	h.bits++
	switch h.bits {
	case 25:
		h.before = selection{h.gain, h.next, h.left}
		h.set(128)
	case 26:
		h.set(32)
	case 27:
		h.set(64)
	}
}

// set chooses channel and gain; only a change makes the chip settle anew, and a
// further pulse may choose otherwise.
func (h *HX711) set(gain int) {
	h.gain = gain
	if gain != h.before.gain {
		h.begin(4)
		return
	}
	h.next, h.left = h.before.next, h.before.left
}

// ready: a conversion waits to be read.
func (h *HX711) ready() bool {
	if h.Dead {
		return false
	}
	if h.high && h.bits == 0 && h.clock.Now().Sub(h.rose) > 60*time.Microsecond {
		return false // asleep
	}
	return !h.clock.Now().Before(h.next)
}

func (h *HX711) convert() int32 {
	now, p := h.clock.Now(), h.period()
	n := int(now.Sub(h.next) / p)
	at := h.next.Add(time.Duration(n) * p)
	h.left = max(0, h.left-1-n)
	h.next = at.Add(p)
	avdd := h.AVDD
	if avdd == 0 {
		avdd = 5
	}
	mv := 0.0
	if h.gain != 32 {
		mv = h.Input(at)
	}
	x := mv / 1000 * float64(h.gain) / avdd * (1 << 24)
	if h.left > 0 {
		x *= 1 - math.Pow(0.5, float64(4-h.left))
	}
	return int32(math.Max(sensor.Min24, math.Min(sensor.Max24, math.Round(x))))
}

type hxData struct {
	pinBase
	h *HX711
}

func (p hxData) In(gpio.Pull, gpio.Edge) error { return nil }

func (p hxData) WaitForEdge(time.Duration) bool { return false }

func (p hxData) Read() gpio.Level {
	h := p.h
	switch {
	case h.bits == 0:
		return gpio.Level(!h.ready())
	case h.bits <= 24:
		bit := h.shift>>(24-h.bits)&1 != 0
		return gpio.Level(bit)
	}
	if !h.high && h.ready() {
		h.bits = 0
		return gpio.Low
	}
	return gpio.High
}

// PulsePin is a line on which a meter gives pulses at a rate of so many Hz.
type PulsePin struct {
	pinBase
	rate  func(at time.Time) float64
	clock *Clock

	mu    sync.Mutex
	edge  gpio.Edge
	phase float64 // of the pulse under way, 0 to 1
	lost  int     // reported with the next edge, as the kernel does after an overflow
	fail  error
}

// NewPulsePin makes a line.
func NewPulsePin(name string, clock *Clock, rate func(at time.Time) float64) *PulsePin {
	return &PulsePin{pinBase: pinBase{name}, rate: rate, clock: clock}
}

// Lose makes n edges disappear in the kernel before the next one.
func (p *PulsePin) Lose(n int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.lost += n
}

// Fail makes the line report an error until it is given nil.
func (p *PulsePin) Fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fail = err
}

// In sets the line up.
func (p *PulsePin) In(_ gpio.Pull, e gpio.Edge) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.edge = e
	return p.fail
}

// Read is the level: high in the first half of a pulse.
func (p *PulsePin) Read() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	return gpio.Level(p.phase < 0.5)
}

// WaitForEdge waits for the next rising edge, in the device's time.
func (p *PulsePin) WaitForEdge(timeout time.Duration) bool {
	_, ok, err := p.next(timeout)
	return ok && err == nil
}

// maxStep is how long the rate is taken as constant.
const maxStep = 20 * time.Millisecond

// next moves the device's time to the next edge, or by the timeout.
func (p *PulsePin) next(timeout time.Duration) (at time.Time, ok bool, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fail != nil || p.edge == gpio.NoEdge {
		return time.Time{}, false, p.fail
	}
	for timeout > 0 {
		step := min(timeout, maxStep)
		hz := math.Max(0, p.rate(p.clock.Now()))
		if need := (1 - p.phase) / hz; need <= step.Seconds() { // hz 0: need is infinite
			d := time.Duration(math.Ceil(need * float64(time.Second)))
			p.phase = 0
			return p.clock.Now().Add(d), true, p.clock.Sleep(context.Background(), d)
		}
		p.phase += hz * step.Seconds()
		timeout -= step
		if err := p.clock.Sleep(context.Background(), step); err != nil {
			return time.Time{}, false, err
		}
	}
	return time.Time{}, false, nil
}

// KernelPulsePin is a PulsePin that also tells the time of each edge, how many
// were lost, and its failures, as a line of the kernel's own interface does.
type KernelPulsePin struct{ *PulsePin }

// ReadEdge waits for the next edge, in the device's time.
func (p KernelPulsePin) ReadEdge(timeout time.Duration) (sensor.Edge, bool, error) {
	at, ok, err := p.next(timeout)
	if !ok || err != nil {
		return sensor.Edge{}, false, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	e := sensor.Edge{At: at, Lost: p.lost}
	p.lost = 0
	return e, true, nil
}

// ContactPin is a line of a running contact.
type ContactPin struct {
	pinBase
	closed func(at time.Time) bool
	clock  *Clock

	mu   sync.Mutex
	fail error
}

// NewContactPin makes a line that is high while the contact is closed.
func NewContactPin(name string, clock *Clock, closed func(at time.Time) bool) *ContactPin {
	return &ContactPin{pinBase: pinBase{name}, closed: closed, clock: clock}
}

// Fail makes the line report an error until it is given nil.
func (p *ContactPin) Fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fail = err
}

// In sets the line up.
func (p *ContactPin) In(gpio.Pull, gpio.Edge) error { return nil }

// Read is the level.
func (p *ContactPin) Read() gpio.Level { return gpio.Level(p.closed(p.clock.Now())) }

// ReadLevel is the level, with the line's error.
func (p *ContactPin) ReadLevel() (gpio.Level, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fail != nil {
		return gpio.Low, p.fail
	}
	return p.Read(), nil
}

// WaitForEdge never sees one.
func (p *ContactPin) WaitForEdge(time.Duration) bool { return false }

// OutPin is a line that something hangs on: a horn, a beacon.
type OutPin struct {
	pinBase
	mu    sync.Mutex
	level gpio.Level
	fail  error
}

// NewOutPin makes a line.
func NewOutPin(name string) *OutPin { return &OutPin{pinBase: pinBase{name}} }

// Out sets the level.
func (p *OutPin) Out(l gpio.Level) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fail != nil {
		return p.fail
	}
	p.level = l
	return nil
}

// Level is what the line was last set to.
func (p *OutPin) Level() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.level
}

// Fail makes the line report an error until it is given nil.
func (p *OutPin) Fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fail = err
}
