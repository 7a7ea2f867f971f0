// Package clock keeps the board's time. A board without a battery clock starts with
// a wrong one and learns the time minutes later, or never. What it always has is the
// time since the boot, which never steps. So every frame carries both, and a frame
// taken before the time was known gets its true time later: the instant of the boot
// plus its time since then.
package clock

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"sync"
	"time"

	"decktrim/edge/spool/disk"
	"decktrim/internal/plant"
)

// built is the date of the build, RFC 3339, stamped by the linker:
//
//	go build -ldflags "-X decktrim/edge/clock.built=$(date -u +%Y-%m-%dT%H:%M:%SZ)"
//
// No clock that shows an earlier time can be right. Without a stamp the bound is only
// a rough one.
var built = "2024-01-01T00:00:00Z"

// Built is the date of the build, or an early bound to it.
func Built() time.Time {
	t, err := time.Parse(time.RFC3339, built)
	if err != nil {
		return time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return t
}

const (
	// stepLeast is how far wall clock and time since boot must part to be called a
	// step. The kernel slews both alike, so short of a step they keep their distance.
	stepLeast = time.Second

	stateName = "clock.json"
	keepBoots = 64 // boots whose instant is remembered; older frames have left the spool
	saveEvery = time.Hour
)

// Options say where time comes from. Zero values: the kernel's.
type Options struct {
	Wall func() time.Time
	Mono func() time.Duration // since the boot; never steps
	Boot string               // the kernel's boot id
	// Synchronised tells whether a time service has set the clock. Nil: any time not
	// before Built counts as set.
	Synchronised func() bool
	Built        time.Time
	// FS keeps the instants of past boots, so that frames of an earlier boot that
	// learned its time still get theirs. Nil: nothing is kept.
	FS disk.FS
	// NotBefore is the time of the newest frame known from earlier boots; a guess
	// lies after it. Zero: not known.
	NotBefore time.Time
}

// Clock is safe for use by several goroutines.
type Clock struct {
	opt Options

	mu      sync.Mutex
	set     bool
	epoch   time.Time // the instant of the boot, once set; before that the guess of it
	boots   []boot    // of earlier boots, and this one once set
	trusted time.Time // the latest time known to be true, this boot or before
	saved   time.Time // trusted, as it lies on the disk
	steps   int
	dirty   bool
}

type boot struct {
	Boot  string    `json:"boot"`
	Epoch time.Time `json:"epoch"`
}

type state struct {
	Boots   []boot    `json:"boots"`
	Trusted time.Time `json:"trusted"`
}

// New starts a clock. An error means that what earlier boots have left cannot be
// read; the clock works without it.
func New(o Options) (*Clock, error) {
	if o.Wall == nil {
		o.Wall = time.Now
	}
	if o.Mono == nil {
		o.Mono = SinceBoot
	}
	o.Built = cmpTime(o.Built, Built())
	c := &Clock{opt: o}
	err := c.load()
	guess := latest(o.Built, c.trusted, o.NotBefore)
	c.epoch = guess
	if i := slices.IndexFunc(c.boots, func(b boot) bool { return b.Boot == o.Boot }); i >= 0 && o.Boot != "" {
		c.set, c.epoch = true, c.boots[i].Epoch // the program was started again within a boot that knew its time
	}
	c.mu.Lock()
	c.look()
	c.mu.Unlock()
	return c, err
}

func cmpTime(t, otherwise time.Time) time.Time {
	if t.IsZero() {
		return otherwise
	}
	return t
}

func latest(ts ...time.Time) time.Time { return slices.MaxFunc(ts, time.Time.Compare) }

func (c *Clock) load() error {
	if c.opt.FS == nil {
		return nil
	}
	b, err := disk.ReadFile(c.opt.FS, stateName)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	var s state
	if err == nil {
		err = json.Unmarshal(b, &s)
	}
	if err != nil {
		return fmt.Errorf("clock: what earlier boots knew cannot be read: %w", err)
	}
	c.boots, c.trusted, c.saved = s.Boots, s.Trusted, s.Trusted
	return nil
}

// both reads the two clocks as at one instant: a program that was held up between
// the readings must not take the delay for a step. ok is false if that failed.
func (c *Clock) both() (wall time.Time, mono time.Duration, ok bool) {
	for range 5 {
		before := c.opt.Mono()
		wall = c.opt.Wall().Round(0).UTC() // Round drops Go's own monotonic part
		if mono = c.opt.Mono(); mono-before < stepLeast/4 {
			return wall, mono, true
		}
	}
	return wall, mono, false
}

// look compares the wall clock with the time since boot. The caller holds mu.
func (c *Clock) look() {
	wall, mono, ok := c.both()
	if !ok {
		return // the next look will do
	}
	good := !wall.Before(c.opt.Built) && (c.opt.Synchronised == nil || c.opt.Synchronised())
	epoch := wall.Add(-mono)
	if !good {
		return // once set, it stays set by the time since boot, whatever the wall clock does
	}
	if c.set && epoch.Sub(c.epoch).Abs() < stepLeast {
		if wall.After(c.trusted) {
			c.trusted = wall
		}
		return
	}
	if c.set {
		c.steps++
	}
	c.set, c.epoch, c.trusted, c.dirty = true, epoch, wall, true
	c.boots = slices.DeleteFunc(c.boots, func(b boot) bool { return b.Boot == c.opt.Boot })
	c.boots = append(c.boots, boot{c.opt.Boot, epoch})
	c.boots = c.boots[max(0, len(c.boots)-keepBoots):]
}

// Now is the time, and whether it is known. If not, it is a guess that lies after
// everything known from before and keeps the order within this boot.
func (c *Clock) Now() (t time.Time, set bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.look()
	return c.epoch.Add(c.opt.Mono()), c.set
}

// Time is Now without saying whether it is known.
func (c *Clock) Time() time.Time {
	t, _ := c.Now()
	return t
}

// Set reports whether the time is known.
func (c *Clock) Set() bool {
	_, set := c.Now()
	return set
}

// Mono is the time since the boot.
func (c *Clock) Mono() time.Duration { return c.opt.Mono() }

// Boot is the id of this boot.
func (c *Clock) Boot() string { return c.opt.Boot }

// Steps is how often a clock that was set has been set again by a second or more.
func (c *Clock) Steps() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.steps
}

// Redate gives a frame its true time if that is known by now: one taken before the
// clock was set, or under a time that has since been corrected. Frames of one boot
// keep their order and distances. A frame of a boot that never knew the time stays
// as it is, marked by ClockSet false.
func (c *Clock) Redate(f *plant.Frame) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.look()
	i := slices.IndexFunc(c.boots, func(b boot) bool { return b.Boot == f.Boot })
	if i < 0 || f.Boot == "" {
		return
	}
	t := c.boots[i].Epoch.Add(f.Mono)
	if !f.ClockSet || t.Sub(f.Time).Abs() >= stepLeast {
		f.Time, f.ClockSet = t.UTC(), true
	}
}

// TLSTime is the time by which certificates are judged: the clock's if it is set,
// else the latest that is known to have passed, so that a board without a battery
// clock can reach the network from which it learns the time.
func (c *Clock) TLSTime() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.look()
	t := c.epoch.Add(c.opt.Mono())
	if c.set {
		return t
	}
	return latest(t, c.opt.Wall().UTC())
}

// Save writes down what later boots need, if it is news: at once after the time
// became known or was corrected, else hourly. Call it now and then.
func (c *Clock) Save() error {
	c.mu.Lock()
	c.look()
	due := c.opt.FS != nil && (c.dirty || c.set && c.trusted.Sub(c.saved) >= saveEvery)
	s := state{Boots: slices.Clone(c.boots), Trusted: c.trusted}
	c.mu.Unlock()
	if !due {
		return nil
	}
	b, err := json.Marshal(s)
	if err == nil {
		err = disk.Replace(c.opt.FS, stateName, b)
	}
	if err != nil {
		return fmt.Errorf("clock: save: %w", err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.saved = s.Trusted
	c.dirty = !slices.Equal(s.Boots, c.boots) // changed while writing
	return nil
}
