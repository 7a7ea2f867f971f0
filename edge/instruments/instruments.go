package instruments

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"decktrim/edge/sensor"
	"decktrim/edge/sensor/ads1115"
	"decktrim/edge/sensor/hx711"
	"decktrim/edge/sensor/modbus"
	"decktrim/edge/sensor/nau7802"
	"decktrim/edge/sensor/pulse"
	"decktrim/edge/sensor/simchip"
	"decktrim/edge/validity"
	"decktrim/internal/plant"
	"decktrim/internal/sim"
)

// Set is the instruments of one board. Open, then Run once, then Close.
type Set struct {
	opts    Options
	log     *slog.Logger
	begun   time.Time // of the wall, at Open
	devices []*device
	buses   []*openBus
	sims    map[string]*simBus
	feed    *feed
	fields  []*field      // by channel of the plant file; nil: not of this board
	news    chan struct{} // length 1: some slot has something new
}

// field is one channel of the frame.
type field struct {
	read    *reading
	slot    *slot   // nil: computed or typed
	device  *device // of the slot
	checker *validity.Checker
	compute func(s *Set, now []plant.Reading) plant.Reading // nil: measured
}

// Open checks the tables, opens the buses and builds the drivers; no goroutine
// runs yet but a simulated meter's. If it fails nothing is left open.
func Open(opts Options) (*Set, error) {
	if opts.Plant == nil {
		return nil, errors.New("instruments: a plant file is needed")
	}
	if opts.Period == 0 {
		opts.Period = time.Second
	}
	if opts.Period < 10*time.Millisecond || opts.Period > time.Minute {
		return nil, fmt.Errorf("instruments: a period of %v must lie between 10 ms and 1 minute", opts.Period)
	}
	if opts.Speed == 0 {
		opts.Speed = 1
	}
	if !(opts.Speed > 0) || opts.Speed > 1000 {
		return nil, fmt.Errorf("instruments: a speed of %v must lie above 0 and not above 1000", opts.Speed)
	}
	s := &Set{
		opts: opts, log: opts.Log, begun: time.Now(), sims: map[string]*simBus{},
		fields: make([]*field, len(opts.Plant.Channels)), news: make(chan struct{}, 1),
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	elapsed := func() time.Duration { return time.Duration(s.opts.Speed * float64(time.Since(s.begun))) }
	if s.opts.Now == nil {
		s.opts.Now = func() time.Time { return s.begun.Add(elapsed()) }
	}
	if s.opts.Mono == nil {
		s.opts.Mono = elapsed
	}
	if s.opts.ClockSet == nil {
		s.opts.ClockSet = func() bool { return true }
	}
	if err := s.open(); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

func (s *Set) open() error {
	reads, err := resolve(&s.opts)
	if err != nil {
		return err
	}
	open := map[string]*openBus{}
	for i := range s.opts.Buses {
		conf := s.opts.Buses[i]
		if conf.Kind == busSimulated {
			if err := s.simulate(conf); err != nil {
				return err
			}
			continue
		}
		b, err := openBusOf(conf)
		if err != nil {
			return err
		}
		s.buses = append(s.buses, b)
		open[conf.Name] = b
	}
	for _, r := range reads {
		if s.feed != nil && (r.bus == nil || r.bus.Kind == busSimulated) {
			s.feed.insts[r.index] = sim.NewInstrument(r.ch, s.seed()+uint64(r.index))
		}
	}
	// Sensors of one chip share its device.
	var keys []string
	groups := map[string][]*reading{}
	for _, r := range reads {
		if r.bus == nil {
			if err := s.addComputed(r, reads); err != nil {
				return err
			}
			continue
		}
		k := r.key()
		if groups[k] == nil {
			keys = append(keys, k)
		}
		groups[k] = append(groups[k], r)
	}
	for _, k := range keys {
		g := groups[k]
		if len(g) > 1 && g[0].cfg.Chip != chipADS1115 && g[0].cfg.Chip != chipModbus {
			return fmt.Errorf("%s: the same %s already gives channel %s", g[1].where, g[0].cfg.Chip, g[0].ch.Name)
		}
		if g[0].bus.Kind == busSimulated {
			err = s.addSimulated(s.sims[g[0].bus.Name], g)
		} else {
			err = s.addReal(open[g[0].bus.Name], g)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", g[0].where, err)
		}
	}
	return nil
}

// seed is the first simulated bus's.
func (s *Set) seed() uint64 {
	for _, b := range s.opts.Buses {
		if b.Kind == busSimulated {
			return b.Seed
		}
	}
	return 0
}

// key is the same for readings of one chip.
func (r *reading) key() string {
	c := r.cfg
	switch c.Chip {
	case chipHX711:
		return strings.Join([]string{c.Bus, c.Chip, c.ClockPin, c.DataPin}, "\x00")
	case chipPulse, chipContact:
		return strings.Join([]string{c.Bus, "pin", c.Pin}, "\x00")
	case chipNAU7802:
		if r.bus.Kind == busSimulated {
			// Their address is fixed: each simulated one has a segment of its own.
			return strings.Join([]string{c.Bus, c.Chip, r.ch.Name}, "\x00")
		}
	}
	return fmt.Sprintf("%s\x00%s\x00%d", c.Bus, c.Chip, c.Address)
}

// simulate prepares a simulated bus; all of them show one mill.
func (s *Set) simulate(conf BusConfig) error {
	if s.feed == nil {
		now := s.opts.Now()
		m := s.opts.Mill
		if m == nil {
			var err error
			if m, err = newMill(&s.opts, conf, now); err != nil {
				return err
			}
		}
		s.feed = newFeed(m, now)
	}
	for name, v := range conf.Hold {
		i := s.opts.Plant.ChannelIndex(name)
		if i < 0 {
			return fmt.Errorf("bus %q: hold names channel %q, which the plant file does not have", conf.Name, name)
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("bus %q: hold gives channel %s no number: write one in %s", conf.Name, name, s.opts.Plant.Channels[i].Unit)
		}
		s.feed.held[i] = v
	}
	s.sims[conf.Name] = &simBus{units: map[byte]*simchip.Unit{}, segs: map[string]*simchip.Bus{}}
	return nil
}

// add registers a device with its channels.
func (s *Set) add(drv driver, clock sensor.Clock, real bool, bus *openBus, cycle time.Duration, slots []*slot, reads []*reading) {
	d := &device{driver: drv, clock: clock, real: real, bus: bus, slots: slots, reads: reads, cycle: cycle, stir: func() {
		select {
		case s.news <- struct{}{}:
		default:
		}
	}}
	s.devices = append(s.devices, d)
	for i, r := range reads {
		l := validity.For(r.ch, max(s.opts.Period, cycle))
		l.Loop = l.Loop && r.cfg.Chip == chipADS1115
		s.fields[r.index] = &field{read: r, slot: slots[i], device: d, checker: validity.New(l)}
	}
}

// maxHz is the most a meter can deliver.
func (r *reading) maxHz() float64 {
	if r.cfg.MaxHz != 0 {
		return r.cfg.MaxHz
	}
	if x, ok := truthLine(r).Signal(r.ch.Range[1]); ok && x > 0 {
		return 1.5 * x
	}
	return 1000
}

// contactEvery is how often a running contact is looked at.
const contactEvery = 200 * time.Millisecond

// build makes the driver of one chip on whatever bus.
func (s *Set) build(g []*reading, slots []*slot, w wires) (driver, time.Duration, error) {
	r := g[0]
	switch r.cfg.Chip {
	case chipNAU7802:
		dev, err := nau7802.New(w.i2c, uint16(r.cfg.Address), r.cfg.nau7802(), w.clock)
		if err != nil {
			return nil, 0, err
		}
		b, err := newBridge(dev, slots[0], r.cfg.Still)
		return b, dev.Period(), err
	case chipHX711:
		dev, err := hx711.New(w.clk, w.in, r.cfg.hx711(), w.clock)
		if err != nil {
			return nil, 0, err
		}
		b, err := newBridge(dev, slots[0], r.cfg.Still)
		return b, dev.Period(), err
	case chipADS1115:
		dev, err := ads1115.New(w.i2c, uint16(r.cfg.Address), w.clock)
		if err != nil {
			return nil, 0, err
		}
		a := &analog{dev: dev}
		var cycle time.Duration
		for i, r := range g {
			o, err := r.cfg.ads1115()
			if err != nil {
				return nil, 0, err
			}
			in := analogInput{opts: o, slot: slots[i], wave: r.transformer() && r.cfg.Wave == "ac"}
			if !r.transformer() {
				in.ohm = r.cfg.Ohm
			}
			a.inputs = append(a.inputs, in)
			// A conversion started, asked for and read takes about a tenth longer
			// than its rate, and the chip's own clock may be 10 % slow.
			cycle += in.burst() * 5 / 4
		}
		return a, cycle, nil
	case chipPulse:
		c, err := pulse.New(w.in, pulse.Opts{MaxHz: r.maxHz()}, w.clock)
		if err != nil {
			return nil, 0, err
		}
		warn := func(lost int) {
			s.log.Warn("edges were lost: the count is short", "channel", r.ch.Name, "lost", lost)
		}
		period := max(s.opts.Period, pulse.Slice)
		return &meter{Counter: c, slot: slots[0], clock: w.clock, period: period, warn: warn}, period, nil
	case chipContact:
		c := pulse.NewContact(w.in, r.cfg.Invert, w.clock)
		every := min(s.opts.Period/2, contactEvery)
		return &switched{Contact: c, slot: slots[0], clock: w.clock, every: every}, every, nil
	case chipModbus:
		u, err := w.line.Unit(r.cfg.Address)
		if err != nil {
			return nil, 0, err
		}
		p := &polled{unit: u, clock: w.clock, every: s.opts.Period}
		for i, r := range g {
			p.points = append(p.points, polledPoint{r.cfg.point(), slots[i]})
		}
		return p, s.opts.Period, nil
	}
	return nil, 0, fmt.Errorf("chip %q has no driver", r.cfg.Chip)
}

func (s *Set) addReal(b *openBus, g []*reading) error {
	w := wires{clock: sensor.Wall{}, i2c: b.i2c, line: b.line}
	pin := func(name string) (gpio.PinIO, error) { return b.chip.Line(name) }
	var err error
	switch g[0].cfg.Chip {
	case chipHX711:
		if w.clk, err = pin(g[0].cfg.ClockPin); err == nil {
			w.in, err = pin(g[0].cfg.DataPin)
		}
	case chipPulse, chipContact:
		w.in, err = pin(g[0].cfg.Pin)
	}
	if err != nil {
		return err
	}
	slots := newSlots(g)
	drv, cycle, err := s.build(g, slots, w)
	if err != nil {
		return err
	}
	s.add(drv, w.clock, true, b, cycle, slots, g)
	return nil
}

func newSlots(g []*reading) []*slot {
	out := make([]*slot, len(g))
	for i := range out {
		out[i] = &slot{}
	}
	return out
}

// addSimulated builds the simulated chip, and on it the very driver of a real one.
func (s *Set) addSimulated(b *simBus, g []*reading) error {
	r := g[0]
	clock := simchip.NewClock(s.opts.Now, s.opts.Speed)
	w := wires{clock: clock}
	held := &openBus{conf: BusConfig{Name: r.bus.Name}, ask: make(chan struct{}, 1)}
	switch r.cfg.Chip {
	case chipNAU7802, chipADS1115:
		seg := simchip.NewBus(r.bus.Name + " " + r.cfg.Chip)
		w.i2c = seg
		held.reset = seg.Reset
		s.buses = append(s.buses, held)
		b.segs[r.ch.Name] = seg
		for _, r := range g {
			b.segs[r.ch.Name] = seg
		}
		if r.cfg.Chip == chipADS1115 {
			if err := s.simADS(seg, clock, g); err != nil {
				return err
			}
			break
		}
		chip := simchip.NewNAU7802(clock, s.millivolts(r, truthLine(r), r.voltsPerCount()))
		answers := func() bool { return s.feed.answers(r.index, clock.Now()) }
		if err := seg.Attach(uint16(r.cfg.Address), mutedChip{chip, answers}); err != nil {
			return err
		}
	case chipHX711:
		chip := simchip.NewHX711(r.ch.Name, clock, r.cfg.Rate, s.millivolts(r, truthLine(r), r.voltsPerCount()))
		w.clk, w.in = chip.Clk(), chip.Data()
	case chipPulse:
		line := truthLine(r)
		w.in = simchip.KernelPulsePin{PulsePin: simchip.NewPulsePin(r.cfg.Pin, clock, func(at time.Time) float64 {
			hz, _ := line.Signal(s.feed.observe(r.index, r.ch, at))
			return hz
		})}
	case chipContact:
		w.in = simchip.NewContactPin(r.cfg.Pin, clock, func(at time.Time) bool {
			return s.feed.observe(r.index, r.ch, at) > 0.5 != r.cfg.Invert
		})
	case chipModbus:
		for _, r := range g {
			if err := b.simMeter(s, r, clock); err != nil {
				return err
			}
		}
		if b.server == nil {
			var err error
			// The units are looked up when asked, so more may be added.
			if b.server, err = simchip.Serve("127.0.0.1:0", b.units); err != nil {
				return err
			}
		}
		line, err := modbus.NewLine(modbus.LineOpts{URL: modbus.TCPURL(b.server.Addr()), Timeout: 2 * time.Second}, clock)
		if err != nil {
			return err
		}
		held.close = append(held.close, line.Close)
		s.buses = append(s.buses, held)
		w.line = line
	}
	slots := newSlots(g)
	drv, cycle, err := s.build(g, slots, w)
	if err != nil {
		return err
	}
	s.add(drv, clock, false, held, cycle, slots, g)
	return nil
}

// Measured reports whether this board has an instrument for a channel of the plant
// file, by its place there.
func (s *Set) Measured(channel int) bool { return s.fields[channel] != nil }

// Close closes the buses. Call it after Run has returned.
func (s *Set) Close() error {
	var errs []error
	for i := len(s.buses) - 1; i >= 0; i-- {
		errs = append(errs, s.buses[i].Close())
	}
	s.buses = nil
	for _, b := range s.sims {
		if b.server != nil {
			errs = append(errs, b.server.Close())
		}
	}
	return errors.Join(errs...)
}

// ProbeResult is what one device said.
type ProbeResult struct {
	Bus      string
	Device   string // chip and address
	Channels []string
	Err      error         // nil: it answers
	Detail   string        // what the channels read, in their units
	Took     time.Duration // until the answer
}

// probeTime is how long a device may take to be set up and to fill its filter once.
const probeTime = 8 * time.Second

// Probe asks every device: it is set up and read until each of its channels has a
// value, for at most 8 s, and halted again. Not while Run runs.
func (s *Set) Probe(ctx context.Context) []ProbeResult {
	out := make([]ProbeResult, len(s.devices))
	var wg sync.WaitGroup
	for i, d := range s.devices {
		p := &out[i]
		p.Bus, p.Device = d.reads[0].cfg.Bus, d.driver.String()
		for _, r := range d.reads {
			p.Channels = append(p.Channels, r.ch.Name)
		}
		wg.Go(func() { s.probe(ctx, d, p) })
	}
	wg.Wait()
	return out
}

func (s *Set) probe(ctx context.Context, d *device, p *ProbeResult) {
	ctx, cancel := context.WithTimeout(ctx, probeTime)
	defer cancel()
	begun := time.Now()
	done := make(chan error, 1)
	go func() { // a hung bus must not hang the probe
		err := d.driver.Init(ctx)
		for err == nil && !d.allRead() {
			err = d.driver.Step(ctx)
		}
		done <- errors.Join(err, d.driver.Halt())
	}()
	select {
	case p.Err = <-done:
	case <-time.After(probeTime + time.Second):
		p.Err = fmt.Errorf("%v: the bus hangs", d.driver)
	}
	p.Took = time.Since(begun)
	if errors.Is(p.Err, context.DeadlineExceeded) {
		p.Err = fmt.Errorf("%v: no reading within %v", d.driver, probeTime)
	}
	if p.Err != nil {
		return
	}
	var said []string
	for i, r := range d.reads {
		m := d.slots[i].get()
		switch v, ok := r.line.Value(m.x); {
		case m.fault != "":
			said = append(said, fmt.Sprintf("%s: %s", r.ch.Name, m.fault))
		case !ok:
			said = append(said, fmt.Sprintf("%s: signal %.6g, not calibrated", r.ch.Name, m.x))
		default:
			said = append(said, fmt.Sprintf("%s: %.4g %s", r.ch.Name, v, r.ch.Unit))
		}
	}
	p.Detail = strings.Join(said, "; ")
}

func (d *device) allRead() bool {
	return !slices.ContainsFunc(d.slots, func(s *slot) bool {
		m := s.get()
		return m.at.IsZero() || m.fault == plant.NotReady
	})
}

// SignalStat is what a channel's signal did while it was watched.
type SignalStat struct {
	Mean, SD float64 // signal unit of the channel's line
	Count    int     // readings
	Seconds  float64 // of the device's clock
}

// Watch reads one channel's raw signal until ctx ends or for so long, for
// calibration. Not while Run runs.
func (s *Set) Watch(ctx context.Context, channel string, long time.Duration) (SignalStat, error) {
	i := s.opts.Plant.ChannelIndex(channel)
	if i < 0 || s.fields[i] == nil || s.fields[i].slot == nil {
		return SignalStat{}, fmt.Errorf("channel %q has no instrument on this board that could be watched", channel)
	}
	f := s.fields[i]
	d := f.device
	if err := d.driver.Init(ctx); err != nil {
		return SignalStat{}, errors.Join(err, d.driver.Halt())
	}
	stat, err := watch(ctx, d, f.slot, long)
	return stat, errors.Join(err, d.driver.Halt())
}

func watch(ctx context.Context, d *device, sl *slot, long time.Duration) (SignalStat, error) {
	var st SignalStat
	var begun, last time.Time
	var sum, squares, first float64
	for ctx.Err() == nil && (begun.IsZero() || last.Sub(begun) < long) {
		if err := d.driver.Step(ctx); err != nil {
			if ctx.Err() != nil {
				break
			}
			return st, err
		}
		m := sl.get()
		if m.at.IsZero() || m.at.Equal(last) || m.fault == plant.NotReady {
			continue
		}
		if m.fault != "" {
			return st, fmt.Errorf("%v: the signal is %s: nothing can be calibrated with it", d.driver, m.fault)
		}
		if begun.IsZero() {
			begun, first = m.at, m.x
		}
		last = m.at
		st.Count++
		sum += m.x - first // about the first, so that large counts lose nothing
		squares += (m.x - first) * (m.x - first)
	}
	if st.Count == 0 {
		return st, fmt.Errorf("%v: no reading came while it was watched", d.driver)
	}
	n := float64(st.Count)
	st.Mean = first + sum/n
	st.SD = math.Sqrt(math.Max(0, squares/n-(sum/n)*(sum/n)))
	st.Seconds = last.Sub(begun).Seconds()
	return st, nil
}

// CountPulses counts a channel's pulses until ctx ends, for a flow check. Not while
// Run runs.
func (s *Set) CountPulses(ctx context.Context, channel string) (pulses int, seconds float64, err error) {
	i := s.opts.Plant.ChannelIndex(channel)
	if i < 0 || s.fields[i] == nil || s.fields[i].slot == nil {
		return 0, 0, fmt.Errorf("channel %q has no instrument on this board that could be counted", channel)
	}
	d := s.fields[i].device
	m, ok := d.driver.(*meter)
	if !ok {
		return 0, 0, fmt.Errorf("channel %q is read by %v, which gives no pulses: it has no K-factor", channel, d.driver)
	}
	if err := m.Init(ctx); err != nil {
		return 0, 0, err
	}
	begun := d.clock.Now()
	for err == nil && ctx.Err() == nil {
		err = m.Listen(ctx)
	}
	if ctx.Err() != nil {
		err = nil // that is how a count ends
	}
	seconds = d.clock.Now().Sub(begun).Seconds()
	c := m.Take()
	switch {
	case err != nil:
	case c.Impossible:
		err = fmt.Errorf("%v: more pulses than the meter can give: look for a loose wire", m)
	case c.Lost > 0:
		err = fmt.Errorf("%v: %d pulses were lost while counting: count again", m, c.Lost)
	}
	return c.Pulses, seconds, errors.Join(err, m.Halt())
}
