package clock_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/clock"
	"decktrim/edge/spool/disk"
	"decktrim/internal/plant"
)

var (
	buildDate = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	trueBoot  = time.Date(2026, 3, 5, 7, 0, 0, 0, time.UTC) // when the board really started
)

// board is a board whose wall clock is off by an error that can change.
type board struct {
	mono  time.Duration
	error time.Duration // wall minus true time
	sync  bool
}

func (b *board) wall() time.Time { return trueBoot.Add(b.mono + b.error) }

func (b *board) options(fs disk.FS, boot string) clock.Options {
	return clock.Options{Wall: b.wall, Mono: func() time.Duration { return b.mono }, Boot: boot, Built: buildDate, FS: fs}
}

func (b *board) frame(c *clock.Clock) plant.Frame {
	b.mono += time.Second
	t, set := c.Now()
	return plant.Frame{Time: t, ClockSet: set, Boot: c.Boot(), Mono: c.Mono()}
}

// TestStep is E9: a wrong clock at boot, then a step, forwards and backwards.
func TestStep(t *testing.T) {
	for _, tc := range []struct {
		name        string
		error, then time.Duration
		setBefore   bool
	}{
		{"1970", buildDate.Sub(trueBoot) - 56*365*24*time.Hour, 0, false},
		{"2001", -25 * 365 * 24 * time.Hour, 0, false},
		{"right from the start", 0, 0, true},
		{"an hour fast", time.Hour, 0, true},
		{"an hour slow", -time.Hour, 0, true},
		{"400 days fast, but then", 400 * 24 * time.Hour, 0, true},
		{"1970, then nearly right", -56 * 365 * 24 * time.Hour, 300 * time.Millisecond, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := &board{error: tc.error}
			c, err := clock.New(b.options(nil, "a"))
			require.NoError(t, err)
			var fs []plant.Frame
			for range 600 {
				fs = append(fs, b.frame(c))
				require.Equal(t, tc.setBefore, fs[len(fs)-1].ClockSet)
				require.False(t, fs[len(fs)-1].Time.Before(buildDate), "no time before the build")
			}
			b.error = tc.then
			for range 10 {
				fs = append(fs, b.frame(c))
				require.True(t, fs[len(fs)-1].ClockSet)
			}
			for i := range fs {
				c.Redate(&fs[i])
				require.True(t, fs[i].ClockSet)
				require.WithinDuration(t, trueBoot.Add(fs[i].Mono), fs[i].Time, time.Second, "frame %d", i)
				if i > 0 {
					require.True(t, fs[i].Time.After(fs[i-1].Time), "order never changes")
				}
			}
		})
	}
}

// TestHeldUpBetweenReadings: the program stands still for a minute between reading
// one clock and the other. That is no step.
func TestHeldUpBetweenReadings(t *testing.T) {
	b := &board{}
	o := b.options(nil, "a")
	held := false
	o.Wall = func() time.Time {
		w := b.wall()
		if held {
			held = false
			b.mono += time.Minute
		}
		return w
	}
	c, err := clock.New(o)
	require.NoError(t, err)
	for range 10 {
		held = true
		f := b.frame(c)
		require.WithinDuration(t, trueBoot.Add(f.Mono), f.Time, time.Second)
	}
	require.Zero(t, c.Steps())
}

// TestWholeBootWithoutTime is E10: the frames stay marked, in order, and between
// what came before and after.
func TestWholeBootWithoutTime(t *testing.T) {
	m := disk.NewModel()
	first := &board{}
	c, err := clock.New(first.options(m, "a"))
	require.NoError(t, err)
	before := first.frame(c)
	require.NoError(t, c.Save())
	m = m.Crash(rand.New(rand.NewPCG(1, 1)), 0)

	lost := &board{error: -30 * 365 * 24 * time.Hour}
	c, err = clock.New(lost.options(m, "b"))
	require.NoError(t, err)
	var fs []plant.Frame
	for range 100 {
		f := lost.frame(c)
		require.False(t, f.ClockSet)
		require.False(t, f.Time.Before(before.Time))
		fs = append(fs, f)
	}
	require.NoError(t, c.Save())

	third := &board{mono: 40 * time.Minute}
	o := third.options(m, "c")
	o.NotBefore = fs[99].Time
	c, err = clock.New(o)
	require.NoError(t, err)
	after := third.frame(c)
	require.True(t, after.ClockSet)
	for i := range fs {
		c.Redate(&fs[i])
		require.False(t, fs[i].ClockSet, "marked for good")
		require.True(t, fs[i].Time.Before(after.Time))
		if i > 0 {
			require.True(t, fs[i].Time.After(fs[i-1].Time))
		}
	}
}

// TestEarlierBootIsRedated: the boot learned its time, the power went before its
// early frames were sent, and the next boot sends them.
func TestEarlierBootIsRedated(t *testing.T) {
	m := disk.NewModel()
	b := &board{error: -30 * 365 * 24 * time.Hour}
	c, err := clock.New(b.options(m, "a"))
	require.NoError(t, err)
	f := b.frame(c)
	require.False(t, f.ClockSet)
	require.NoError(t, c.Save())
	b.error = 0
	b.frame(c)
	require.NoError(t, c.Save())
	later := &board{error: -40 * 365 * 24 * time.Hour}
	c, err = clock.New(later.options(m.Crash(rand.New(rand.NewPCG(1, 1)), 0), "b"))
	require.NoError(t, err)
	c.Redate(&f)
	require.True(t, f.ClockSet)
	require.WithinDuration(t, trueBoot.Add(f.Mono), f.Time, time.Second)
}

// TestRestartWithinABoot: the new program knows what the old one learned.
func TestRestartWithinABoot(t *testing.T) {
	m := disk.NewModel()
	b := &board{}
	c, err := clock.New(b.options(m, "a"))
	require.NoError(t, err)
	require.NoError(t, c.Save())
	b.error = -50 * 365 * 24 * time.Hour // the wall clock fails
	c, err = clock.New(b.options(m, "a"))
	require.NoError(t, err)
	f := b.frame(c)
	require.True(t, f.ClockSet)
	require.WithinDuration(t, trueBoot.Add(f.Mono), f.Time, time.Second)
}

func TestTimeServiceDecides(t *testing.T) {
	b := &board{error: -time.Hour} // plausible, but wrong: kept over the power cut in a file
	o := b.options(nil, "a")
	o.Synchronised = func() bool { return b.sync }
	c, err := clock.New(o)
	require.NoError(t, err)
	f := b.frame(c)
	require.False(t, f.ClockSet)
	b.error, b.sync = 0, true
	c.Redate(&f)
	require.True(t, f.ClockSet)
	require.WithinDuration(t, trueBoot.Add(f.Mono), f.Time, time.Second)
	require.Zero(t, c.Steps(), "becoming set is no step")
}

// TestTLSTime is E11: with a clock in 1970 the latest time known counts; with a
// right clock nothing else does.
func TestTLSTime(t *testing.T) {
	m := disk.NewModel()
	b := &board{}
	c, err := clock.New(b.options(m, "a"))
	require.NoError(t, err)
	require.NoError(t, c.Save())
	require.Equal(t, b.wall(), c.TLSTime())
	lost := &board{error: -56 * 365 * 24 * time.Hour}
	c, err = clock.New(lost.options(m, "b"))
	require.NoError(t, err)
	require.False(t, c.TLSTime().Before(trueBoot))
	lost.error = -10 * 24 * time.Hour // set by hand, before the last trusted time but after the build
	require.Equal(t, lost.wall(), c.TLSTime())
}

func TestDamagedStateIsSaidAndSurvived(t *testing.T) {
	m := disk.NewModel()
	m.Put("clock.json", []byte(`{"boots":[{"boot":`))
	b := &board{}
	c, err := clock.New(b.options(m, "a"))
	require.ErrorContains(t, err, "cannot be read")
	require.True(t, b.frame(c).ClockSet)
	require.NoError(t, c.Save())
	_, err = clock.New(b.options(m, "a"))
	require.NoError(t, err, "written anew")
}

func TestSavesRarely(t *testing.T) {
	m := disk.NewModel()
	b := &board{}
	c, err := clock.New(b.options(m, "a"))
	require.NoError(t, err)
	require.NoError(t, c.Save())
	before := m.Ops()
	for range 3500 {
		b.mono += time.Second
		require.NoError(t, c.Save())
	}
	require.Equal(t, before, m.Ops())
	b.mono += 2 * time.Minute
	require.NoError(t, c.Save())
	require.Greater(t, m.Ops(), before)
}

func TestKernel(t *testing.T) {
	a := clock.SinceBoot()
	require.Positive(t, a)
	require.GreaterOrEqual(t, clock.SinceBoot(), a)
	require.Equal(t, clock.BootID(), clock.BootID())
	_ = clock.Synchronised() // true or false by the machine; it must only not fail
	require.False(t, clock.Built().After(time.Now()))
}
