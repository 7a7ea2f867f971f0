package instruments

import (
	"fmt"
	"math"
	"sync"
	"time"

	"decktrim/edge/calib"
	"decktrim/edge/sensor/ads1115"
	"decktrim/edge/sensor/hx711"
	"decktrim/edge/sensor/modbus"
	"decktrim/edge/sensor/nau7802"
	"decktrim/edge/sensor/simchip"
	"decktrim/internal/plant"
	"decktrim/internal/sim"
)

// feed is the simulated mill as the simulated chips see it: one mill, one
// instrument a channel, stepped along as the chips ask for later times.
type feed struct {
	mu     sync.Mutex
	mill   *sim.Mill
	offset time.Duration // mill time less plant time
	insts  map[int]*sim.Instrument
	last   map[int]observation
	held   map[int]float64 // inputs held at a value
}

type observation struct {
	at    time.Time
	value float64
}

// hold is how long an instrument's value is taken as constant: short beside the
// shaking (60 Hz is 17 ms a wave) and the load cells' 12.5 ms, long beside what an
// ADS1115 asks for in a burst.
const hold = 2 * time.Millisecond

func newFeed(m *sim.Mill, now time.Time) *feed {
	return &feed{mill: m, offset: m.Now().Sub(now), insts: map[int]*sim.Instrument{}, last: map[int]observation{}, held: map[int]float64{}}
}

// follow steps the mill up to a plant time. The caller holds mu.
func (f *feed) follow(at time.Time) {
	for at.Add(f.offset).Sub(f.mill.Now()) >= time.Second {
		f.mill.Step()
	}
}

// observe is what arrives at the instrument of a channel, in the channel's unit.
func (f *feed) observe(i int, ch plant.Channel, at time.Time) float64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	if o, ok := f.last[i]; ok && at.Sub(o.at) < hold {
		return o.value
	}
	f.follow(at)
	v, held := f.held[i]
	if !held {
		truth, _ := f.mill.Signal(ch.Role) // what the plant does not have reads nothing
		v = f.insts[i].Observe(truth, at, f.mill)
	}
	f.last[i] = observation{at, v}
	return v
}

// signal is what a person or a controller would type in for a channel.
func (f *feed) signal(i int, ch plant.Channel, at time.Time) (float64, bool) {
	f.mu.Lock()
	_, ok := f.mill.Signal(ch.Role)
	f.mu.Unlock()
	if !ok {
		return 0, false
	}
	return f.observe(i, ch, at), true
}

// answers: the device of a channel answers at all.
func (f *feed) answers(i int, at time.Time) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.insts[i].Answers(at)
}

// simBus is the simulated counterpart of openBus: segments and pins for every
// chip, and one Modbus server.
type simBus struct {
	units  map[byte]*simchip.Unit
	server *simchip.Server
	segs   map[string]*simchip.Bus // of I2C, by device
}

// mutedChip is a chip behind an instrument that may not answer.
type mutedChip struct {
	simchip.Chip
	answers func() bool
}

func (m mutedChip) Tx(w, r []byte) error {
	if !m.answers() {
		return simchip.ErrNoAcknowledge
	}
	return m.Chip.Tx(w, r)
}

// millivolts is what the bridge of a channel gives for its observed value.
func (s *Set) millivolts(r *reading, line calib.Line, voltsPerCount float64) func(time.Time) float64 {
	return func(at time.Time) float64 {
		x, ok := line.Signal(s.feed.observe(r.index, r.ch, at))
		if !ok {
			return 0
		}
		return x * voltsPerCount * 1000
	}
}

// truthLine is the line by which a simulated instrument turns its value into a
// signal: the one it is calibrated with, or a usual one where it is not.
func truthLine(r *reading) calib.Line {
	if r.line.Known() {
		return r.line
	}
	switch r.cfg.Chip {
	case chipNAU7802:
		return *bridgeLine(r.ch.Range[1], 3, 0.6, r.voltsPerCount())
	case chipHX711:
		return *bridgeLine(r.ch.Range[1], 5, 1, r.voltsPerCount())
	case chipPulse:
		if l, err := calib.PulseLine(usualK(r.ch), r.ch.Unit); err == nil {
			return l
		}
	}
	return calib.Line{Span: 1}
}

func (r *reading) voltsPerCount() float64 {
	if r.cfg.Chip == chipNAU7802 {
		ref := float64(r.cfg.LDO)
		if r.cfg.LDO < 0 {
			ref = 3300
		}
		return nau7802.VoltsPerCount(ref, r.cfg.Gain)
	}
	return hx711.VoltsPerCount(5, r.cfg.Gain)
}

// simADS puts the inputs of one simulated converter on a segment.
func (s *Set) simADS(seg *simchip.Bus, clock *simchip.Clock, group []*reading) error {
	chip := simchip.NewADS1115(clock)
	for _, r := range group {
		o, err := r.cfg.ads1115()
		if err != nil {
			return err
		}
		line := truthLine(r)
		input := func(at time.Time) float64 {
			if !s.feed.answers(r.index, at) {
				return 0 // a transmitter that is gone drives no current
			}
			x, ok := line.Signal(s.feed.observe(r.index, r.ch, at))
			if !ok {
				return 0
			}
			switch {
			case !r.transformer():
				return math.Max(0, x) / 1000 * r.cfg.Ohm // mA through the shunt; a loop gives none below 0
			case r.cfg.Wave == "dc":
				return x
			}
			const mains, bias = 50, 1.65 // Hz, V
			return bias + math.Sqrt2*x*math.Sin(2*math.Pi*mains*float64(at.UnixNano()%int64(time.Second))/1e9)
		}
		if o.Input < ads1115.AIN0 {
			// A pair: the whole signal on its first input, the second at ground.
			chip.Input[[]int{0, 0, 1, 2}[o.Input]] = input
			continue
		}
		chip.Input[o.Input-ads1115.AIN0] = input
	}
	return seg.Attach(uint16(group[0].cfg.Address), chip)
}

// simMeter puts a Modbus register or bit of a channel into its unit.
func (b *simBus) simMeter(s *Set, r *reading, clock *simchip.Clock) error {
	u := b.units[byte(r.cfg.Address)]
	if u == nil {
		u = simchip.NewUnit()
		b.units[byte(r.cfg.Address)] = u
	}
	line := truthLine(r)
	value := func() float64 {
		at := clock.Now()
		if !s.feed.answers(r.index, at) {
			return math.NaN()
		}
		x, _ := line.Signal(s.feed.observe(r.index, r.ch, at))
		return x
	}
	p := r.cfg.point()
	if p.Table == modbus.Coil || p.Table == modbus.Discrete {
		return u.Bit(p.Table, p.Register, func() bool { return value() > 0.5 })
	}
	return u.Number(p.Table, p.Register, p.Format, p.LowFirst, value)
}

// newMill makes the mill of a simulated bus that was given none.
func newMill(o *Options, b BusConfig, now time.Time) (*sim.Mill, error) {
	m, err := sim.New(sim.Config{Plant: o.Plant, Seed: b.Seed, Source: b.Source, Start: now, Scenario: b.Scenario})
	if err != nil {
		return nil, fmt.Errorf("bus %q: %w", b.Name, err)
	}
	return m, nil
}

// Mill gives the simulated mill to f, while no chip steps it. False if nothing here
// is simulated.
func (s *Set) Mill(f func(*sim.Mill)) bool {
	if s.feed == nil {
		return false
	}
	s.feed.mu.Lock()
	defer s.feed.mu.Unlock()
	f(s.feed.mill)
	return true
}

// Instrument gives a channel's simulated instrument to f, for faults on purpose.
// False if that channel is not simulated.
func (s *Set) Instrument(channel string, f func(*sim.Instrument)) bool {
	if s.feed == nil {
		return false
	}
	s.feed.mu.Lock()
	defer s.feed.mu.Unlock()
	inst, ok := s.feed.insts[s.opts.Plant.ChannelIndex(channel)]
	if ok {
		f(inst)
	}
	return ok
}
