package sim

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Event is an upset or a change of the plant, begun or ended: truth for tests. Kind
// is one of Upsets, "plant state", "ore change" or "jaw".
type Event struct {
	Time   time.Time
	Kind   string
	Begun  bool // false: ended
	Detail string
}

// Upset is something going wrong on purpose. Zero For and Size mean the usual;
// UpsetHelp says what Size measures.
type Upset struct {
	Kind string        // one of Upsets; underscores and hyphens count as spaces
	For  time.Duration // until it is put right
	Size float64
}

const (
	surge = iota
	bridging
	twoDumps
	wetFines
	feedHunting
	jawStopped
	binEmpty
	binFull
	beltStopped
	choke
	blinding
	tornScreen
	hammerBroken
	millWaterLoss
	washWaterLoss
	waterSag
	pumpStopped
	tableStopped
	strokeChanged
	strokeLength
	flooding
	sandedUp
	classifierStopped
	concentrateFull
	pondHigh
	pondLow
	upsetCount
)

// upsetKinds says of each upset its name, how long and how large it usually is and
// what its size measures. Durations in s; 0: it ends by itself or with its cause.
var upsetKinds = [upsetCount]struct {
	name  string
	usual float64
	size  float64
	help  string
}{
	surge:             {"surge", 45, 1.9, "feed rises to Size times what it was, in most cases after a fall"},
	bridging:          {"bridging", 150, 0.3, "feed falls to Size times what it was, then is released as a slug"},
	twoDumps:          {"two dumps", 40, 1.6, "two buckets within half a minute push the feed to Size times"},
	wetFines:          {"wet fines", 60, 1.7, "a dump of wet fines runs through: feed rises to Size times"},
	feedHunting:       {"feed hunting", 2400, 0.10, "the operator swings the drive by Size and twice that"},
	jawStopped:        {"jaw stopped", 900, 1, "the jaw stands for a stuck lump"},
	binEmpty:          {"bin empty", 10800, 1, "nothing fills the bin until For is over"},
	binFull:           {"bin full", 1800, 1, "the jaw goes on filling a full bin"},
	beltStopped:       {"belt stopped", 180, 1, "the belt stands while the feeder drives"},
	choke:             {"choke", 240, 0.45, "the mill passes Size of its nominal feed"},
	blinding:          {"blinding", 2700, 0.45, "the screen blinds to Size in For, then is hosed down"},
	tornScreen:        {"torn screen", 7200, 1, "P80 doubles until the screen is changed"},
	hammerBroken:      {"hammer broken", 7200, 4, "the imbalance of the mill's shaft grows Size times"},
	millWaterLoss:     {"mill water loss", 480, 0.7, "Size of the mill water is lost"},
	washWaterLoss:     {"wash water loss", 480, 0.7, "Size of the wash water is lost"},
	waterSag:          {"water sag", 240, 1, "somebody hoses: all flows sag"},
	pumpStopped:       {"pump stopped", 240, 1, "the return pump stands"},
	tableStopped:      {"table stopped", 300, 1, "the table stands while pulp runs on"},
	strokeChanged:     {"stroke changed", 1800, -0.15, "strokes per minute change by the fraction Size"},
	strokeLength:      {"stroke length changed", 1800, -0.20, "the stroke changes by the fraction Size"},
	flooding:          {"flooding", 600, 1, "so much wash water that the film strips the riffles"},
	sandedUp:          {"sanded up", 0, 1, "a bank of sand lies on the deck until it is rinsed off"},
	classifierStopped: {"classifier stopped", 1500, 1, "the spiral stands"},
	concentrateFull:   {"concentrate bin full", 1800, 1, "a person tips concentrate in and nobody empties the bin"},
	pondHigh:          {"pond high", 3600, 0, "Size L/min of rain and runoff; usual: over the freeboard in 25 min"},
	pondLow:           {"pond low", 3600, 0, "no make-up and a leak of Size L/min"},
}

// Upsets names the upsets that Inject knows.
func Upsets() []string {
	names := make([]string, upsetCount)
	for i, u := range upsetKinds {
		names[i] = u.name
	}
	return names
}

// UpsetHelp says in one sentence what an upset is and what its size measures.
func UpsetHelp(kind string) (string, error) {
	i, err := upsetIndex(kind)
	if err != nil {
		return "", err
	}
	return upsetKinds[i].help, nil
}

var wordBreaks = strings.NewReplacer("_", " ", "-", " ")

func upsetIndex(kind string) (int, error) {
	want := strings.ToLower(wordBreaks.Replace(kind))
	want = strings.TrimPrefix(want, "mill ")
	for i, u := range upsetKinds {
		if strings.TrimPrefix(u.name, "mill ") == want {
			return i, nil
		}
	}
	return 0, unknown("upset", kind, Upsets())
}

type upsetState struct {
	on      bool
	started float64 // s
	until   float64 // s; +Inf: until its cause is gone
	size    float64
	at      float64 // s: its second phase begins
	low     float64 // feed in the fall before a surge
	kept    float64 // what stood before
}

// Inject forces an upset now. One that is already on begins anew.
func (m *Mill) Inject(u Upset) error {
	i, err := upsetIndex(u.Kind)
	if err != nil {
		return err
	}
	if math.IsNaN(u.Size) || math.IsInf(u.Size, 0) || u.For < 0 {
		return fmt.Errorf("upset %s: size %v for %s is no upset: give a finite size and a time from 0 up", u.Kind, u.Size, u.For)
	}
	if m.upsets[i].on {
		m.end(i, "begun anew")
	}
	m.begin(i, u.For.Seconds(), u.Size, "forced")
	return nil
}

// Clear puts an upset right.
func (m *Mill) Clear(kind string) error {
	i, err := upsetIndex(kind)
	if err != nil {
		return err
	}
	m.end(i, "put right")
	return nil
}

func (m *Mill) tell(kind string, begun bool, detail string) {
	if !m.quiet {
		m.events = append(m.events, Event{m.Now(), kind, begun, detail})
	}
}

// Events are the upsets begun and ended since the last call.
func (m *Mill) Events() []Event {
	out := m.events
	m.events = nil
	return out
}

// begin starts an upset for so many seconds (0: the usual).
func (m *Mill) begin(kind int, seconds, size float64, detail string) {
	u := &m.upsets[kind]
	k := upsetKinds[kind]
	if seconds <= 0 {
		seconds = k.usual
	}
	if size == 0 {
		size = k.size
	}
	*u = upsetState{on: true, started: m.seconds, until: m.seconds + seconds, size: size, at: m.seconds}
	if seconds == 0 {
		u.until = math.Inf(1)
	}
	d := &m.decks[0]
	w := &m.water
	switch kind {
	case surge:
		if detail == "forced" || m.rng.Float64() < 0.6 { // the fall that warns of it
			u.at += 40 + 60*m.rng.Float64()
			u.low = 0.25 + 0.3*m.rng.Float64()
			u.until += u.at - m.seconds
		}
	case twoDumps:
		m.fill(m.feeder.dump, true)
		u.at += 20
		u.until = u.at + 40
	case wetFines:
		m.fill(m.feeder.dump, true)
	case binEmpty:
		m.feeder.blocked = true
	case jawStopped:
		m.feeder.jawRest = seconds
	case tornScreen:
		m.grinder.torn = true
		m.sizedP80 = 0
	case hammerBroken:
		m.hammer *= u.size
	case waterSag:
		w.hose = seconds
	case strokeChanged, strokeLength:
		m.disturbDecks(120)
	case flooding:
		u.kept = m.set.wash
		need := (13 - d.feedWater/DeckScale(d.areaM2, m.sizedP80, m.base.P80)) / 0.06
		m.set.wash = max(1.5*m.set.wash, need)
	case sandedUp:
		d.bank = true
	case choke:
		if detail == "forced" {
			m.grinder.forced = u.size
		} else {
			u.until = math.Inf(1) // until the operator has cleared it
		}
	case concentrateFull:
		b := &m.bins[Concentrate1]
		u.kept = max(0, 0.97*b.capacity-b.weight())
	case pondHigh:
		if u.size == 0 {
			u.size = max(5, (w.top-w.freeboard+0.05-w.level())*w.area*1000/25)
		}
	case pondLow:
		if u.size == 0 {
			u.size = w.level() * w.area * 1000 * 0.8 / 40
		}
	}
	m.tell(k.name, true, detail)
}

// end puts an upset right; nothing happens if it is not on.
func (m *Mill) end(kind int, detail string) {
	u := &m.upsets[kind]
	if !u.on {
		return
	}
	u.on = false
	switch kind {
	case surge, twoDumps, wetFines:
		m.feeder.push = 1
	case bridging:
		m.feeder.bridge = 1.6 + 0.8*m.rng.Float64()
		m.feeder.released = true
		m.tell(upsetKinds[surge].name, true, "what had bridged comes as a slug")
	case binEmpty:
		m.feeder.blocked = false
	case choke:
		m.grinder.forced = 0
		m.operator.holdFeed = m.grinder.hold.solids > 0.3*m.grinder.choke
		if m.operator.holdFeed {
			m.operator.bogFor = 1
		}
	case blinding:
		m.grinder.hosed = 60
	case tornScreen:
		m.grinder.torn = false
		m.sizedP80 = 0
	case hammerBroken:
		m.hammer = 1
	case strokeChanged, strokeLength:
		m.disturbDecks(120)
	case flooding:
		m.set.wash = u.kept
	case concentrateFull:
		m.bins[Concentrate1].empty(m)
	}
	m.tell(upsetKinds[kind].name, false, detail)
}

// stepUpsets lets the upsets run for a second.
func (m *Mill) stepUpsets() {
	f := &m.feeder
	f.push = 1
	for kind := range m.upsets {
		u := &m.upsets[kind]
		if !u.on {
			continue
		}
		if m.seconds >= u.until {
			m.end(kind, "over")
			continue
		}
		switch kind {
		case surge:
			switch {
			case m.seconds < u.at:
				f.push *= ease(1, u.low, (m.seconds-u.started)/10)
			case u.until-m.seconds < 15:
				f.push *= ease(u.size, 1, 1-(u.until-m.seconds)/15)
			default:
				f.push *= ease(orElse(u.low, 1), u.size, (m.seconds-u.at)/4)
			}
		case twoDumps:
			if m.seconds == u.at {
				m.fill(f.dump, true)
			}
			if m.seconds >= u.at {
				f.push *= ease(u.size, 1, (m.seconds-u.at)/40)
			}
		case wetFines:
			f.push *= ease(u.size, 1, (m.seconds-u.started-10)/50)
		case blinding:
			m.grinder.blind = min(0.6, m.grinder.blind+u.size/(u.until-u.started))
		case concentrateFull:
			if u.kept > 0 {
				m.tipConcentrate(u)
			}
		case binFull:
			if f.byJaw && f.bin.wet() < 1.02*f.capacity {
				m.fill(f.jawRate*2/3.6, false)
			}
		}
	}
	if m.upsets[bridging].on {
		u := &m.upsets[bridging]
		lag(&f.bridge, u.size, 7)
	} else {
		lag(&f.bridge, 1, 25)
		if f.released && f.bridge < 1.15 {
			f.released = false
			m.tell(upsetKinds[surge].name, false, "the slug is through the feeder")
		}
	}
}

// ease goes from a to b while x goes from 0 to 1.
func ease(a, b, x float64) float64 {
	x = max(0, min(1, x))
	return a + (b-a)*x
}

// tipConcentrate lets a person tip earlier concentrate into the first bin, some 30 s
// long; it counts as coming in.
func (m *Mill) tipConcentrate(u *upsetState) {
	b := &m.bins[Concentrate1]
	kg := min(u.kept, b.capacity/30)
	u.kept -= kg
	shown, wet := 1.0, 0.0
	if b.tank > 0 {
		shown = 1 - 1/3.8
	} else {
		wet = binMoisture * kg
		kg -= wet
	}
	solids := kg / shown
	grade := 200.0
	if b.content.solids > 0 {
		grade = 1000 * b.content.gold / b.content.solids
	}
	in := product{solids, solids * grade / 1000, solids / 3.8}
	b.content.add(in)
	b.water += wet
	m.books.in.add(stock{solids: in.solids, gold: in.gold, water: wet})
}

// script is what a scenario lets happen.
type script struct {
	normal      bool
	fromStopped bool
	every       bool // all upsets in turn
	only        int  // one upset, or -1
	nextSurge   float64
	turn        int
}

const (
	scenarioNormal = ""
	scenarioSteady = "steady"
	scenarioShift  = "shift"
	scenarioAll    = "all upsets"
)

// Scenarios names the known scenarios: "" is normal running with a surge now and
// then, "steady" is running with nothing wrong, "shift" starts stopped, runs for
// ten hours with an ore change and stops, "all upsets" has every upset in turn, 40 min
// apart; and each upset's name, once after 30 min of steady running.
func Scenarios() []string {
	return append([]string{scenarioNormal, scenarioSteady, scenarioShift, scenarioAll}, Upsets()...)
}

func (s *script) choose(name string) error {
	*s = script{only: -1}
	switch name {
	case scenarioNormal, "normal":
		s.normal = true
	case scenarioSteady:
	case scenarioShift:
		s.normal, s.fromStopped = true, true
	case scenarioAll:
		s.every = true
	default:
		i, err := upsetIndex(name)
		if err != nil {
			return unknown("scenario", name, append([]string{`"" (normal running)`}, Scenarios()[1:]...))
		}
		s.only = i
	}
	return nil
}

// step lets the scenario's second pass.
func (s *script) step(m *Mill) {
	t := m.seconds
	if s.only >= 0 && t == 1800 {
		m.begin(s.only, 0, 0, "forced")
	}
	if s.every && t >= 1800 && math.Mod(t-1800, 2400) == 0 {
		m.begin(s.turn%upsetCount, 1200, 0, "forced")
		s.turn++
	}
	if s.fromStopped {
		switch t {
		case 300:
			m.StartUp()
		case 5 * 3600:
			// The next of the sources; its name is known, so no error can come.
			for i := range m.sources {
				if m.sources[i].Name == m.oldOre.Name {
					_ = m.ChangeOre(m.sources[(i+1)%len(m.sources)].Name)
					break
				}
			}
		case 10*3600 + 300:
			m.ShutDown()
		}
	}
	if !s.normal || m.mode != running {
		return
	}
	if s.nextSurge == 0 {
		s.nextSurge = t + 600 + 1800*m.rng.Float64()
	}
	f := &m.feeder
	calm := !m.upsets[bridging].on && !m.upsets[surge].on && f.bridge < 1.1
	if t >= s.nextSurge && calm {
		size := 1.3 + 0.9*m.rng.Float64()
		if m.rng.Float64() < 0.35 {
			m.begin(bridging, 40+120*m.rng.Float64(), 0.2+0.3*m.rng.Float64(), "the bin has bridged; its release comes as a slug")
		} else {
			m.begin(surge, 20+60*m.rng.Float64(), size, "")
		}
		s.nextSurge = t + 1200 + 2400*m.rng.Float64()
		return
	}
	w := 0.0
	if wet := f.bin.wet(); wet > 0 {
		w = f.bin.water / wet
	}
	perSecond := min(1.0/1800, (w/0.05)*(w/0.05)*(1+2*m.base.Slimes)/5400)
	if calm && m.rng.Float64() < perSecond {
		m.begin(bridging, -120*math.Log(1-m.rng.Float64())+30, 0.1+0.4*m.rng.Float64(), "wet fines have bridged over the outlet")
	}
	if f.stuck > 0.2 && m.rng.Float64() < 1.0/900 {
		f.stuck /= 3
		f.shed = 20 + 60*m.rng.Float64()
	}
	if f.jawOn && f.jawRest <= 0 && m.rng.Float64() < 1.0/(4*3600) {
		m.begin(jawStopped, 300+1500*m.rng.Float64(), 0, "a lump is stuck in the jaw")
	}
	if m.water.hose <= 0 && m.rng.Float64() < 1.0/7200 {
		m.begin(waterSag, 60+180*m.rng.Float64(), 0, "somebody hoses the floor")
	}
}
