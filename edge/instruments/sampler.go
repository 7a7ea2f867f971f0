package instruments

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"decktrim/edge/validity"
	"decktrim/internal/plant"
)

const (
	// framesWaiting is how many frames a slow consumer may leave lying, ten minutes
	// at one a second; then the oldest is given up, counted and logged.
	framesWaiting = 600
	// graceToEnd is how long Run waits at its end for devices that hang.
	graceToEnd = 3 * time.Second
	// lateAtMost is how many periods the sampler catches up one by one; if it is
	// later than that (the host slept) it goes on from now.
	lateAtMost = 60
)

// Run measures until ctx ends and calls emit with a frame each period, always from
// one goroutine and in order of time. A slow emit never blocks measuring. Run
// returns when every frame has been emitted and every device halted; devices that
// hang in their bus are named in the error.
func (s *Set) Run(ctx context.Context, emit func(plant.Frame)) error {
	work, stop := context.WithCancel(ctx)
	defer stop()
	var keepers sync.WaitGroup
	for _, b := range s.buses {
		if b.reset != nil {
			keepers.Go(func() { b.keep(work, s.log) })
		}
	}
	ended := make(chan *device, len(s.devices))
	for _, d := range s.devices {
		go func() {
			d.run(work, s.log)
			ended <- d
		}()
	}
	q := newQueue(framesWaiting)
	var out sync.WaitGroup
	out.Go(func() {
		for f, ok := q.take(); ok; f, ok = q.take() {
			emit(f)
		}
	})

	s.sample(ctx, q)

	stop()
	left := slices.Clone(s.devices)
	deadline := time.NewTimer(graceToEnd)
	defer deadline.Stop()
	for waiting := true; waiting && len(left) > 0; {
		select {
		case d := <-ended:
			left = slices.DeleteFunc(left, func(x *device) bool { return x == d })
		case <-deadline.C:
			waiting = false
		}
	}
	q.end()
	out.Wait()
	if len(left) > 0 {
		// A keeper may be held by the same bus: it is not waited for either.
		var names []string
		for _, d := range left {
			names = append(names, d.driver.String())
		}
		return fmt.Errorf("instruments: %s still held by the bus", strings.Join(names, ", "))
	}
	keepers.Wait()
	return nil
}

// sample makes a frame each period. Periods are counted on Go's monotonic clock, so
// a step of the board's clock neither stalls nor hurries them; the frame's time is
// what the plant clock showed at its instant.
func (s *Set) sample(ctx context.Context, q *queue) {
	real := time.Duration(float64(s.opts.Period) / s.opts.Speed)
	// A frame of a simulated board may come late, but not half done: on a busy
	// machine it waits for its chips. At the wall's own pace it keeps its second.
	patience := real * 4 / 5
	if s.opts.Speed > 1 {
		patience = max(patience, time.Second)
	}
	begun := time.Now()
	timer := time.NewTimer(real)
	defer timer.Stop()
	for k := 1; ; k++ {
		due := begun.Add(time.Duration(k) * real)
		timer.Reset(max(0, time.Until(due)))
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		late := time.Since(due)
		if n := int(late / real); n > lateAtMost {
			s.log.Warn("sampling was held up", "periods_missed", n)
			k += n
			due = begun.Add(time.Duration(k) * real)
			late = time.Since(due)
		}
		lag := time.Duration(float64(late) * s.opts.Speed)
		at := s.opts.Now().Add(-lag)
		mono := s.opts.Mono() - lag
		s.await(ctx, at, patience)
		q.put(s.frame(at, due, mono), func(lost int) {
			s.log.Warn("frames were given up: whoever takes them is too slow", "lost", lost)
		})
	}
}

// await waits until the simulated devices have lived up to a time: they follow the
// plant clock in grains of some milliseconds, and a frame should hold what was
// there at its instant. As long as they come nearer, however slowly on a busy
// machine, they are waited for. One that stands still for the whole patience (its
// bus hangs) costs it once; after that it is left out until it has caught up. Real
// devices are not waited for.
func (s *Set) await(ctx context.Context, at time.Time, patience time.Duration) {
	if s.feed == nil {
		return
	}
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	seen := make([]time.Time, len(s.devices))
	for i, d := range s.devices {
		seen[i] = d.clock.Now()
	}
	for {
		behind := false
		for _, d := range s.devices {
			switch {
			case d.real:
			case !d.clock.Now().Before(at):
				d.leftOut = false
			case !d.leftOut:
				behind = true
			}
		}
		if !behind {
			return
		}
		select {
		case <-s.news:
		case <-deadline.C:
			for i, d := range s.devices {
				now := d.clock.Now()
				d.leftOut = !d.real && now.Before(at) && now.Equal(seen[i])
				seen[i] = now
			}
			deadline.Reset(patience)
		case <-ctx.Done():
			return
		}
	}
}

// frame reads every channel at one instant: at by the plant clock, due by the wall.
func (s *Set) frame(at, due time.Time, mono time.Duration) plant.Frame {
	f := plant.Frame{
		Time: at.UTC(), ClockSet: s.opts.ClockSet(), Boot: s.opts.Boot, Mono: mono,
		Readings: make([]plant.Reading, len(s.fields)),
	}
	inputs := make([]validity.Input, len(s.fields))
	for i, fd := range s.fields {
		if fd == nil || fd.slot == nil {
			f.Readings[i] = plant.Reading{Quality: plant.Bad, Reason: plant.Missing}
			continue
		}
		inputs[i] = s.input(fd, at, due)
	}
	live := s.lineRuns(inputs)
	for i, fd := range s.fields {
		if fd == nil || fd.slot == nil {
			continue
		}
		inputs[i].Live = live
		f.Readings[i] = fd.checker.Check(at, inputs[i])
	}
	for i, fd := range s.fields {
		if fd != nil && fd.compute != nil {
			f.Readings[i] = fd.compute(s, f.Readings)
		}
	}
	return f
}

// input turns what a device last said into what is judged.
func (s *Set) input(fd *field, at, due time.Time) validity.Input {
	m := fd.slot.get()
	d := fd.device
	in := validity.Input{At: at, Fault: m.fault, MA: m.mA}
	if m.at.IsZero() {
		in.Fault = plant.NotReady
	} else if !d.real { // simulated: its times are the plant clock's
		in.At = at.Add(-max(0, at.Sub(m.at)))
	} else { // ages are taken on the wall's monotonic clock: the board's may step
		in.At = at.Add(-max(0, due.Sub(m.at)))
	}
	old := time.Duration(agedPeriods * float64(max(s.opts.Period, d.cycle)))
	if m.at.IsZero() || at.Sub(in.At) > old {
		if d.hungFor() > max(time.Duration(float64(old)/s.opts.Speed), time.Second) {
			in.Fault = plant.NoAnswer
			d.bus.askReset()
			return in
		}
	}
	if m.has && !fd.read.line.Known() {
		in.Fault = plant.Uncalibrated
	} else if m.has {
		in.Value, in.Has = fd.read.line.Value(m.x)
	}
	return in
}

// agedPeriods: after so many periods without a reading a hung device is lost.
const agedPeriods = 3

// lineRuns: the mill draws more than half of its idling current, or more than a
// fifth of the range where that is not known; without a mill current, the table
// runs; without either nobody knows, and constancy is not held against anything.
func (s *Set) lineRuns(in []validity.Input) bool {
	for i, fd := range s.fields {
		if fd == nil || fd.read.ch.Role != plant.MillCurrent || !in[i].Has {
			continue
		}
		limit := s.opts.Plant.Mill.IdleCurrent / 2
		if limit == 0 {
			limit = fd.read.ch.Range[1] / 5
		}
		return in[i].Value > limit
	}
	for i, fd := range s.fields {
		if fd != nil && fd.read.ch.Role == plant.TableRunning && in[i].Has {
			return in[i].Value > 0.5
		}
	}
	return false
}

// addComputed gives a channel that has no instrument its rule.
func (s *Set) addComputed(r *reading, all []*reading) error {
	fd := &field{read: r}
	s.fields[r.index] = fd
	if r.cfg.Chip == chipTyped {
		v := plant.Reading{Value: *r.cfg.Value, Has: true, Quality: plant.Good}
		fd.compute = func(*Set, []plant.Reading) plant.Reading { return v }
		return nil
	}
	find := func(role plant.Role) int {
		i := slices.IndexFunc(all, func(o *reading) bool { return o.ch.Role == role && o.bus != nil })
		if i < 0 {
			return -1
		}
		return all[i].index
	}
	load, speed := find(plant.BeltLoad), find(plant.BeltSpeed)
	strokes, jaw := find(plant.TableStrokeRate), find(plant.JawCurrent)
	switch {
	case r.ch.Role == plant.FeedRate && load >= 0 && speed >= 0:
		rate, err := beltRate(s.opts.Plant.Channels[load].Unit, s.opts.Plant.Channels[speed].Unit, r.ch.Unit)
		if err != nil {
			return fmt.Errorf("%s: %w", r.where, err)
		}
		fd.compute = func(_ *Set, now []plant.Reading) plant.Reading {
			return combine(func(x []float64) float64 { return rate(x[0], x[1]) }, now[load], now[speed])
		}
	case r.ch.Role == plant.TableRunning && strokes >= 0:
		fd.compute = above(strokes, 0.1*s.opts.Plant.Channels[strokes].Range[1])
	case r.ch.Role == plant.JawRunning && jaw >= 0:
		fd.compute = above(jaw, 0.1*s.opts.Plant.Channels[jaw].Range[1])
	case s.feed != nil:
		// What a controller or a person would send, of the simulated mill.
		fd.compute = func(s *Set, _ []plant.Reading) plant.Reading {
			v, ok := s.feed.signal(r.index, r.ch, s.opts.Now())
			if !ok {
				return plant.Reading{Quality: plant.Bad, Reason: plant.Missing}
			}
			return plant.Reading{Value: v, Has: true, Quality: plant.Good}
		}
	default:
		return fmt.Errorf("%s: there is no rule that computes this channel here: feed_rate needs belt_load and belt_speed, table_running table_stroke_rate, jaw_running jaw_current", r.where)
	}
	return nil
}

// above is a running contact seen from a measured channel.
func above(i int, limit float64) func(*Set, []plant.Reading) plant.Reading {
	return func(_ *Set, now []plant.Reading) plant.Reading {
		return combine(func(x []float64) float64 {
			if x[0] > limit {
				return 1
			}
			return 0
		}, now[i])
	}
}

// combine computes a value that is as good as the worst of what it is made of.
func combine(f func([]float64) float64, from ...plant.Reading) plant.Reading {
	out := plant.Reading{Has: true, Quality: plant.Good}
	x := make([]float64, len(from))
	for i, r := range from {
		if !r.Has {
			return plant.Reading{Quality: plant.Bad, Reason: r.Reason}
		}
		if r.Quality != plant.Good && (out.Quality == plant.Good || r.Quality == plant.Bad) {
			out.Quality, out.Reason = r.Quality, r.Reason
		}
		x[i] = r.Value
	}
	out.Value = f(x)
	return out
}

// beltRate is feed = 3.6 q v, in t/h of kg/m and m/s (check value BS-01).
func beltRate(loadUnit, speedUnit, unit string) (func(load, speed float64) float64, error) {
	if loadUnit != "kg/m" || speedUnit != "m/s" || unit != "t/h" {
		return nil, errors.New("feed rate is computed from belt load in kg/m and belt speed in m/s, in t/h: change the units in the plant file")
	}
	return func(load, speed float64) float64 { return 3.6 * load * speed }, nil
}

// queue is the frames that wait for the consumer, bounded; when it is full the
// oldest goes.
type queue struct {
	mu    sync.Mutex
	some  *sync.Cond
	limit int
	items []plant.Frame
	lost  int
	over  bool
}

func newQueue(limit int) *queue {
	q := &queue{limit: limit}
	q.some = sync.NewCond(&q.mu)
	return q
}

// put never waits. told is called at the first frame lost and at every tenfold.
func (q *queue) put(f plant.Frame, told func(lost int)) {
	q.mu.Lock()
	lost := 0
	if len(q.items) == q.limit {
		q.items = q.items[1:]
		q.lost++
		lost = q.lost
	}
	q.items = append(q.items, f)
	q.some.Signal()
	q.mu.Unlock()
	for n := 1; n <= lost; n *= 10 {
		if n == lost {
			told(lost)
		}
	}
}

// take waits for the next frame; false when the queue has ended and is empty.
func (q *queue) take() (plant.Frame, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for len(q.items) == 0 && !q.over {
		q.some.Wait()
	}
	if len(q.items) == 0 {
		return plant.Frame{}, false
	}
	f := q.items[0]
	q.items = q.items[1:]
	return f, true
}

func (q *queue) end() {
	q.mu.Lock()
	q.over = true
	q.mu.Unlock()
	q.some.Broadcast()
}
