// Package watch looks at each frame as it comes and says what is off, since when
// and what first. It is a pure machine: state and frame in, events out, so the
// board, the server and a replay of a file give the same events. It works on the
// time of the readings, never on the time of the program.
//
// It checks validity, holds limits with delays and dead bands against a slowly learned
// level (limits.go), and looks at how feed and mill current move (patterns.go). Which
// checks and delays: NAMUR NE 43 for loops, the rest common practice; each stands beside
// its constant.
package watch

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"decktrim/internal/plant"
)

// Kind is what an event is about. No other kinds exist.
type Kind string

const (
	FeedSurge         Kind = "feed_surge"
	FeedLoss          Kind = "feed_loss"
	FeedHunting       Kind = "feed_hunting"
	MillChoke         Kind = "mill_choke"
	ScreenBlinding    Kind = "screen_blinding"
	ScreenTorn        Kind = "screen_torn"
	WaterLoss         Kind = "water_loss"
	Flooding          Kind = "flooding"
	TableStopped      Kind = "table_stopped"
	StrokeChanged     Kind = "stroke_changed"
	PumpStopped       Kind = "pump_stopped"
	ClassifierStopped Kind = "classifier_stopped"
	BeltStopped       Kind = "belt_stopped"
	BinLow            Kind = "bin_low"
	BinFull           Kind = "bin_full"
	ConcentrateFull   Kind = "concentrate_full"
	PondLow           Kind = "pond_low"
	PondHigh          Kind = "pond_high"
	SensorFault       Kind = "sensor_fault"
	ClockFault        Kind = "clock_fault"
	NodeSilent        Kind = "node_silent"
	PlantState        Kind = "plant_state" // no alarm: the plant's state has changed
)

// Priorities, from urgent to calm.
const (
	Act  = "act"
	Look = "look"
	Note = "note"
)

// Event is one raise or clear of one episode, or a change of the plant's state.
type Event struct {
	Time       time.Time
	Kind       Kind
	Channel    string // "" where the event belongs to no single channel
	State      string // raised, cleared
	Priority   string
	Cause      string
	Follows    *string // kind of the event this one follows from; nil: a first cause
	Detail     string
	PlantState string // only with Kind PlantState
}

// MarshalJSON writes the event as a line of `replay --format jsonl`.
func (e Event) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Time       string  `json:"time"`
		Kind       Kind    `json:"kind"`
		Channel    *string `json:"channel"`
		State      string  `json:"state"`
		Priority   string  `json:"priority"`
		Cause      string  `json:"cause"`
		Follows    *string `json:"follows"`
		Detail     string  `json:"detail"`
		PlantState string  `json:"plant_state,omitempty"`
	}{e.Time.UTC().Format("2006-01-02T15:04:05.999Z07:00"), e.Kind, orNil(e.Channel), e.State, e.Priority, e.Cause, e.Follows, e.Detail, e.PlantState})
}

func orNil(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// Plant states, told from signals.
const (
	StateUnknown  = "not known"
	StateStopped  = "stopped"
	StateWaterOn  = "water on"
	StateFilling  = "filling"
	StateRunning  = "running"
	StateEmptying = "emptying"
	StateWashDown = "wash-down"
)

// Delays and limits. Common practice unless a source stands beside them.
const (
	armedAfter     = 10 * time.Minute // learning ends at the latest
	silentAfter    = 5 * time.Second  // no frame for so long, or five periods: the node is silent
	missingAfter   = 5 * time.Second  // no value for so long: fault
	faultHold      = 4 * time.Second  // NAMUR NE 43: a failure signal must last so long (public summaries)
	disorderLimit  = 5                // doubled, late or disordered frames a minute
	disorderQuiet  = time.Minute
	stuckLeast     = 60  // equal readings in a row while the mill runs
	stuckRatio     = 6   // and so many times the longest run seen while learning
	levelSeconds   = 900 // slow level follows with this time constant
	fastSeconds    = 5   // what is compared with the level
	rebaseAfter    = 20 * time.Minute
	spreadsToRaise = 5.0 // distances from usual, in units of usual spread
	ne43Low        = (4.0 - 3.6) / 16
	ne43High       = (21.0 - 20.0) / 16
)

// channel is what the watch knows of one channel.
type channel struct {
	plant.Channel
	reading    plant.Reading
	usable     bool
	faultSince time.Time
	faultCause string
	faulty     bool // a sensor fault stands

	last    [3]float64 // for the median of three: one odd reading is not believed
	lastN   int
	fast    float64 // mean of the last seconds
	level   float64 // slow level: usual
	spread  float64 // usual distance of fast from level
	learned float64 // seconds of learning so far
	same    int     // equal readings in a row
	longest int     // most equal readings in a row while learning
	present float64
	odd     time.Time // since when far from the level
}

// Watch holds the state of one plant's watch.
type Watch struct {
	plant    *plant.Plant
	channels []channel
	byRole   map[plant.Role]int

	first, last time.Time
	period      time.Duration
	disorder    []time.Time
	standing    map[string]*episode
	state       string
	stateSince  time.Time
	candidate   string
	candSince   time.Time
	feedSteady  time.Time
	steadySince time.Time
	setpoint    float64
	holdFeed    time.Time
	swings      hunt
	load        load
	step        float64 // s since the last frame, as far as it counts
	out         []Event
}

type episode struct {
	Event
	condSince  time.Time // condition true since (before the raise)
	clearSince time.Time
	raised     bool
}

// New makes the watch of a plant.
func New(p *plant.Plant) *Watch {
	w := &Watch{plant: p, byRole: map[plant.Role]int{}, standing: map[string]*episode{}, period: time.Second, state: StateUnknown}
	for i, c := range p.Channels {
		w.channels = append(w.channels, channel{Channel: c})
		if _, have := w.byRole[c.Role]; !have && c.Role != "" {
			w.byRole[c.Role] = i
		}
	}
	return w
}

// Status is what a screen shows of the watch.
type Status struct {
	State       string
	StateSince  time.Time
	Steady      bool
	SteadySince time.Time // zero while not steady
	Standing    []Event   // raised and not cleared, most urgent first, then oldest first
	LearnedFor  time.Duration
}

// Usual is the learned range of a channel: its level, give or take two spreads.
// ok is false before the channel has been learned for ten minutes of running.
func (w *Watch) Usual(name string) (low, high float64, learned time.Duration, ok bool) {
	i := w.plant.ChannelIndex(name)
	if i < 0 {
		return 0, 0, 0, false
	}
	c := &w.channels[i]
	learned = time.Duration(c.learned * float64(time.Second))
	return c.level - 2*c.spread, c.level + 2*c.spread, learned, learned >= armedAfter
}

// Status reports the present state.
func (w *Watch) Status() Status {
	s := Status{State: w.state, StateSince: w.stateSince, SteadySince: w.steadySince, Steady: !w.steadySince.IsZero()}
	for _, e := range w.standing {
		if e.raised {
			s.Standing = append(s.Standing, e.Event)
		}
	}
	slices.SortFunc(s.Standing, func(a, b Event) int {
		if d := rank(a.Priority) - rank(b.Priority); d != 0 {
			return d
		}
		if d := a.Time.Compare(b.Time); d != 0 {
			return d
		}
		return compareKeys(a, b)
	})
	if i, ok := w.byRole[plant.FeedRate]; ok {
		s.LearnedFor = time.Duration(w.channels[i].learned * float64(time.Second))
	}
	return s
}

func compareKeys(a, b Event) int {
	ka, kb := string(a.Kind)+a.Channel, string(b.Kind)+b.Channel
	switch {
	case ka < kb:
		return -1
	case ka > kb:
		return 1
	}
	return 0
}

func rank(priority string) int { return slices.Index([]string{Act, Look, Note}, priority) }

// Observe takes the next frame and returns what happened. A frame whose time is not
// after the last one is counted and not used: order and doubles are a matter of the
// clock, and no jump may reset or fire a detector.
func (w *Watch) Observe(f plant.Frame) []Event {
	w.out = nil
	if len(f.Readings) != len(w.channels) {
		panic("watch: frame and plant file have different numbers of channels")
	}
	if w.first.IsZero() {
		if !slices.ContainsFunc(f.Readings, func(r plant.Reading) bool { return r.Has }) {
			return nil
		}
		w.first, w.last = f.Time, f.Time.Add(-w.period)
		w.stateSince = f.Time
	}
	if !f.Time.After(w.last) {
		w.disorder = append(w.disorder, w.last)
		w.clock(w.last)
		return w.out
	}
	w.Silence(f.Time)
	dt := f.Time.Sub(w.last)
	if dt < w.period {
		w.period = max(dt, 100*time.Millisecond)
	}
	gap := dt > w.silence()
	w.last = f.Time
	w.clock(f.Time)

	empty := !slices.ContainsFunc(f.Readings, func(r plant.Reading) bool { return r.Has })
	w.judge(NodeSilent, "", Look, empty, !empty, silentAfter, 0, "no readings", "Nothing has been read from the board. See whether it has power and its cables.")
	step := min(dt.Seconds(), silentAfter.Seconds())
	w.step = step
	for i := range w.channels {
		w.validate(&w.channels[i], f.Readings[i], f.Time, empty)
		w.learn(&w.channels[i], step, gap)
	}
	w.tellState(f.Time)
	w.limits(f.Time)
	w.tellSteady(f.Time)
	return w.out
}

// Silence tells what comes of silence up to now: a node that has sent nothing is
// reported at the moment it was due. Live callers call it each second.
func (w *Watch) Silence(now time.Time) []Event {
	if w.first.IsZero() {
		return nil
	}
	before := len(w.out)
	if due := w.last.Add(w.silence()); now.After(due) {
		if e := w.episode(episodeKey(NodeSilent, ""), NodeSilent, ""); !e.raised {
			w.raise(e, due, Look, "no frames", fmt.Sprintf("Nothing has come since %s. See whether the board has power and its link.", w.last.UTC().Format("15:04:05")))
		}
	}
	return w.out[before:]
}

func (w *Watch) silence() time.Duration { return max(silentAfter, 5*w.period) }

// clock raises clock_fault for a stretch of doubled, late or disordered frames.
func (w *Watch) clock(now time.Time) {
	w.disorder = slices.DeleteFunc(w.disorder, func(t time.Time) bool { return now.Sub(t) > disorderQuiet })
	many := len(w.disorder) > disorderLimit
	w.judge(ClockFault, "", Note, many, len(w.disorder) == 0, 0, 0, "times doubled, late or out of order",
		"%d frames in a minute came doubled, late or out of order. See to the board's clock.", len(w.disorder))
}

// validate decides whether a reading may be used, and raises sensor_fault.
func (w *Watch) validate(c *channel, r plant.Reading, now time.Time, empty bool) {
	c.reading = r
	cause := ""
	hold := faultHold
	switch lo, hi := c.Range[0], c.Range[1]; {
	case empty: // the node is silent, which says it all
	case !r.Has && (r.Reason == "" || r.Reason == plant.Missing):
		cause, hold = string(plant.Missing), missingAfter
	case r.Quality != plant.Good && r.Reason != "":
		cause = string(r.Reason)
	case c.Signal == plant.Loop420 && r.Value <= lo-ne43Low*(hi-lo), c.Signal == plant.Loop420 && r.Value >= hi+ne43High*(hi-lo):
		cause = string(plant.LoopFault)
	case r.Value < lo-0.1*(hi-lo), r.Value > hi+0.1*(hi-lo) && c.Signal != plant.Pulse, r.Value > hi+(hi-lo):
		// A pulse meter counts on above its span: that is the plant, not the wire.
		cause = string(plant.OutOfRange)
	}
	if r.Has && cause == "" {
		if r.Value == c.present && c.lastN > 0 {
			c.same++
		} else {
			c.same = 1
		}
		c.present = r.Value
		if c.learned < armedAfter.Seconds() {
			c.longest = max(c.longest, c.same)
		} else if c.canStick() && r.Value != c.Range[0] && w.state == StateRunning && c.same > max(stuckLeast, stuckRatio*c.longest) {
			cause, hold = string(plant.Stuck), 0
		}
	}
	c.usable = r.Has && r.Quality == plant.Good && cause == ""
	if cause == "" {
		c.faultSince = time.Time{}
	} else if c.faultSince.IsZero() || c.faultCause != cause {
		c.faultSince, c.faultCause = now, cause
	}
	bad := cause != "" && now.Sub(c.faultSince) >= hold
	priority := Note
	if c.Role == plant.WashWater || c.Role == plant.TableRunning || c.Role == plant.FeedRate || c.Role == plant.MillCurrent {
		priority = Look // an Act alarm is blind without it: someone must watch by eye
	}
	w.judge(SensorFault, c.Name, priority, bad, cause == "", 0, 10*time.Second, cause, faultWords(cause), c.Name)
	c.faulty = w.isStanding(SensorFault, c.Name)
}

func (c *channel) canStick() bool {
	return c.Unit != "1" && c.Signal != plant.Typed && c.Signal != plant.Computed &&
		c.Role != plant.FeedSetpoint && c.Role != plant.FeederDrive && c.Role != plant.MillWaterSetpoint && c.Role != plant.WashWaterSetpoint
}

// faultWords is the sentence for a cause, to be completed with the channel's name.
func faultWords(cause string) string {
	say, ok := faultSays[cause]
	if !ok {
		say = "is suspect"
	}
	return "%s " + say + ". Look at the sensor and its wiring; what depends on it is not watched meanwhile."
}

var faultSays = map[string]string{
	string(plant.Missing):       "gives no value",
	string(plant.NoAnswer):      "does not answer",
	string(plant.NotReady):      "gives no new value",
	string(plant.Saturated):     "is at the end of its converter's range",
	string(plant.LoopFault):     "signals a fault or a broken wire (4-20 mA loop)",
	string(plant.LoopUncertain): "is just outside its 4-20 mA range",
	string(plant.OutOfRange):    "is outside its range",
	string(plant.TooFast):       "changes faster than it can",
	string(plant.Stuck):         "repeats the same value exactly",
	string(plant.Spike):         "jumps for single readings",
	string(plant.TooOld):        "has not been refreshed",
	string(plant.Impossible):    "counts more than the meter can deliver",
	string(plant.Uncalibrated):  "has no calibration",
}

// learn follows the level and spread of a channel. It learns while the plant runs,
// stops while the reading is odd, and lets no single reading pull it far.
func (w *Watch) learn(c *channel, dt float64, gap bool) {
	if !c.usable {
		return
	}
	c.last[c.lastN%3] = c.reading.Value
	c.lastN++
	m := c.reading.Value
	if c.lastN >= 3 {
		m = median3(c.last)
	}
	if c.lastN == 1 || gap {
		c.fast = m
	} else {
		c.fast += (m - c.fast) * (1 - math.Exp(-dt/fastSeconds))
	}
	if (c.Role != "" && c.Role != plant.BinWeight && w.state != StateRunning) || w.upset(c.Name) {
		return
	}
	if c.learned == 0 {
		c.level, c.spread = c.fast, 0
	}
	// The level is a running mean at first and follows slowly later.
	tau := min(c.learned+dt, levelSeconds)
	d := c.fast - c.level
	limit := math.Inf(1)
	if c.learned > 120 && c.spread > 0 {
		limit = 3 * c.spread
	}
	clipped := max(-limit, min(limit, d))
	c.level += clipped * dt / tau
	c.spread += (math.Abs(clipped)*1.2533 - c.spread) * dt / tau // mean distance to s.d. of a normal: sqrt(pi/2)
	c.learned += dt
}

func median3(v [3]float64) float64 {
	a, b, c := v[0], v[1], v[2]
	return max(min(a, b), min(max(a, b), c))
}

func (w *Watch) role(r plant.Role) (*channel, bool) {
	i, ok := w.byRole[r]
	if !ok || !w.channels[i].usable || w.channels[i].lastN == 0 {
		return nil, false
	}
	return &w.channels[i], true
}

func (w *Watch) armed(now time.Time) bool { return now.Sub(w.first) >= armedAfter }

// driving reports whether the feeder is told to move: above 2 % of its drive's span.
func (w *Watch) driving() (on, known bool) {
	c, ok := w.role(plant.FeederDrive)
	if !ok {
		return false, false
	}
	return c.reading.Value > c.Range[0]+0.02*(c.Range[1]-c.Range[0]), true
}

// nominalFeed is what the feed is compared with to tell the plant's state.
func (w *Watch) nominalFeed() float64 {
	if w.plant.Mill.NominalFeed > 0 {
		return w.plant.Mill.NominalFeed
	}
	if i, ok := w.byRole[plant.FeedRate]; ok {
		return w.channels[i].Range[1] / 2
	}
	return 0
}

// tellState tells the plant's state from signals, at least two of them where there
// are two, so that one dead scale does not stop the plant on paper.
func (w *Watch) tellState(now time.Time) {
	feed, haveFeed := w.role(plant.FeedRate)
	driving, haveDrive := w.driving()
	current, haveCurrent := w.role(plant.MillCurrent)
	nominal := w.nominalFeed()
	idle := w.plant.Mill.IdleCurrent
	if idle == 0 && haveCurrent {
		idle = 0.2 * current.Range[1]
	}

	feedOn, feedFull, known := false, false, false
	if haveFeed {
		known = true
		feedOn = feed.fast > 0.05*nominal
		feedFull = feed.fast > 0.5*nominal
	} else if haveDrive {
		known = true
		feedOn, feedFull = driving, driving
	} else if haveCurrent {
		known = true
		feedOn = current.fast > 1.2*idle
		feedFull = feedOn
	}
	if !known {
		w.enter(StateUnknown, now, 0)
		return
	}
	if haveFeed && !feedOn && driving && haveCurrent && current.fast > 1.3*idle {
		feedOn, feedFull = true, true // drive on and mill under load: the scale is wrong, not the plant stopped
	}
	water, usualWater, haveWater := w.water()
	waterOn := haveWater && water > 0.2*usualWater
	millOn := haveCurrent && current.fast > 0.5*idle

	switch {
	case feedOn && feedFull && w.state == StateRunning:
		w.enter(StateRunning, now, 0)
	case feedOn && feedFull:
		if w.state != StateFilling && w.state != StateEmptying {
			w.enter(StateFilling, now, 10*time.Second)
			w.feedSteady = now
			break
		}
		if w.feedSteady.IsZero() {
			w.feedSteady = now
		}
		if now.Sub(w.feedSteady) >= 3*time.Minute {
			w.enter(StateRunning, now, 0)
		}
	case feedOn:
		w.feedSteady = time.Time{}
		if w.state != StateRunning {
			w.enter(StateFilling, now, 10*time.Second)
		} else {
			w.enter(StateFilling, now, 5*time.Minute) // a bridged feeder is a fault while running, not another state
		}
	case w.state == StateRunning || w.state == StateFilling:
		w.feedSteady = time.Time{}
		planned := haveDrive && !driving
		delay := 2 * time.Minute
		if planned || !millOn && !waterOn {
			delay = 20 * time.Second
		}
		if millOn || waterOn {
			w.enter(StateEmptying, now, delay)
		} else {
			w.enter(StateStopped, now, 30*time.Second)
		}
	case haveWater && water > 1.3*usualWater:
		w.enter(StateWashDown, now, 2*time.Minute)
	case waterOn && w.state == StateEmptying:
		w.enter(StateWaterOn, now, 15*time.Minute)
	case waterOn:
		w.enter(StateWaterOn, now, 60*time.Second)
	default:
		w.enter(StateStopped, now, 30*time.Second)
	}
}

// water is the total of mill and wash water with what is usual for it, in L/min.
func (w *Watch) water() (now, usual float64, ok bool) {
	decks := float64(max(1, w.plant.Table.Decks))
	for _, part := range []struct {
		role    plant.Role
		nominal float64
	}{{plant.MillWater, w.plant.Water.NominalMill}, {plant.WashWater, w.plant.Water.NominalWash * decks}} {
		c, have := w.role(part.role)
		if !have {
			continue
		}
		if part.nominal == 0 {
			part.nominal = c.Range[1] / 2
		}
		now, usual, ok = now+c.fast, usual+part.nominal, true
	}
	return now, usual, ok
}

// enter moves to a state once it has been told for so long.
func (w *Watch) enter(state string, now time.Time, after time.Duration) {
	if state == w.state {
		w.candidate = ""
		return
	}
	if w.candidate != state {
		w.candidate, w.candSince = state, now
	}
	if now.Sub(w.candSince) < after {
		return
	}
	w.state, w.stateSince, w.candidate = state, now, ""
	w.out = append(w.out, Event{Time: now, Kind: PlantState, State: "raised", Priority: Note, PlantState: state, Detail: "The plant is now: " + state + "."})
}

func (w *Watch) tellSteady(now time.Time) {
	upset := w.state != StateRunning
	for _, e := range w.standing {
		if e.raised && e.Priority != Note {
			upset = true
		}
	}
	switch {
	case upset:
		w.steadySince = time.Time{}
	case w.steadySince.IsZero():
		w.steadySince = now
	}
}

// episodeKey keeps at most one episode of a kind on a channel.
func episodeKey(kind Kind, channel string) string { return string(kind) + "\x00" + channel }

func (w *Watch) isStanding(kind Kind, channel string) bool {
	e := w.standing[episodeKey(kind, channel)]
	return e != nil && e.raised
}

func (w *Watch) raise(e *episode, at time.Time, priority, cause, detail string) {
	e.raised, e.clearSince = true, time.Time{}
	e.Time, e.State, e.Priority, e.Cause, e.Detail = at, "raised", priority, cause, detail
	w.out = append(w.out, e.Event)
}

func (w *Watch) episode(key string, kind Kind, channel string) *episode {
	e := w.standing[key]
	if e == nil {
		e = &episode{Event: Event{Kind: kind, Channel: channel}}
		w.standing[key] = e
	}
	return e
}

// worsen raises a standing episode again, once, because it has become more urgent.
func (w *Watch) worsen(kind Kind, channel, priority, format string, args ...any) {
	e := w.standing[episodeKey(kind, channel)]
	if e == nil || !e.raised || rank(e.Priority) <= rank(priority) {
		return
	}
	e.Priority, e.Detail = priority, fmt.Sprintf(format, args...)
	again := e.Event
	again.Time = w.last
	w.out = append(w.out, again)
}

// judge raises an event when its condition has held for on, and clears it when the
// opposite has held for off. cond and calm may both be false: the dead band.
func (w *Watch) judge(kind Kind, channel, priority string, cond, calm bool, on, off time.Duration, cause, format string, args ...any) {
	w.judgeAs(episodeKey(kind, channel), kind, channel, priority, cond, calm, on, off, cause, format, args...)
}

// judgeAs is judge for an episode with a key of its own.
func (w *Watch) judgeAs(key string, kind Kind, channel, priority string, cond, calm bool, on, off time.Duration, cause, format string, args ...any) {
	if _, known := w.standing[key]; !known && !cond {
		return
	}
	e, now := w.episode(key, kind, channel), w.last
	switch {
	case !e.raised && cond:
		if e.condSince.IsZero() {
			e.condSince = now
		}
		if now.Sub(e.condSince) >= on {
			w.raise(e, now, priority, cause, fmt.Sprintf(format, args...))
		}
	case !e.raised:
		e.condSince = time.Time{}
	case calm:
		if e.clearSince.IsZero() {
			e.clearSince = now
		}
		if now.Sub(e.clearSince) >= off {
			e.raised, e.condSince = false, time.Time{}
			cleared := e.Event
			cleared.Time, cleared.State = now, "cleared"
			w.out = append(w.out, cleared)
		}
	default:
		e.clearSince = time.Time{}
	}
}
