package watch

import (
	"math"
	"slices"
	"time"

	"decktrim/internal/plant"
)

// What shows only in how a quantity moves: a feed that swings, a mill that draws more
// or less for the same feed. Figures are common practice and our judgement, tried on
// simulated plants.
const (
	swingsToHunt   = 4                // crossings from one side to the other
	huntWindow     = 10 * time.Minute // within which they must come
	leastSwing     = 0.08             // of the feed
	swingSpreads   = 3.0              // and so many usual spreads
	loadBin        = 10 * time.Second
	loadBins       = 30   // kept: five minutes
	millLag        = 20.0 // s, lag of the mill's current behind the feed
	learnLoad      = 8 * time.Minute
	blindRise      = 0.12 // of the current for the same feed, since the mill ran clean
	tornDrop       = 0.03 // of the same, in seconds
	tornDropMost   = 0.20 // a larger one is no hole in a screen
	floodedAt      = 1.6  // times the usual water
	quietFeed      = 0.15 // a feed so near its level explains the current well
	quietFeedSince = 30 * time.Second
)

// hunt remembers when the feed crossed from well above usual to well below, and back.
type hunt struct {
	side   int
	times  []time.Time
	spread float64 // of the feed in quiet running
}

// follow keeps the spread of the feed in quiet running: over an hour, so that swings do
// not hide themselves.
func (h *hunt) follow(c *channel, dt float64) {
	const tau = 3600.0
	if c.learned < armedAfter.Seconds() || h.spread == 0 {
		h.spread = c.spread
		return
	}
	h.spread += (c.spread - h.spread) * dt / tau
}

// hunting is true while the feed swings: one event with a count and a period, and not
// one surge a swing.
func (w *Watch) hunting(c *channel, deviation float64, running bool, now time.Time) bool {
	h := &w.swings
	if !running {
		*h = hunt{spread: h.spread}
	}
	h.times = slices.DeleteFunc(h.times, func(t time.Time) bool { return now.Sub(t) > huntWindow })
	side := h.side
	h.follow(c, w.step)
	if swing := max(leastSwing, swingSpreads*h.spread/c.level); deviation > swing {
		side = 1
	} else if deviation < -swing {
		side = -1
	}
	if side != h.side {
		if h.side != 0 {
			h.times = append(h.times, now)
		}
		h.side = side
	}
	n := len(h.times)
	swings := n >= swingsToHunt
	period := time.Duration(0)
	if n > 1 {
		period = 2 * h.times[n-1].Sub(h.times[0]) / time.Duration(n-1)
	}
	// It is over when the next swings have not come.
	over := n == 0 || now.Sub(h.times[n-1]) > max(huntWindow/4, 2*period)
	w.judge(FeedHunting, c.Name, Look, swings && !over, over, 0, 0, "feed swings",
		"The feed has swung up and down %d times, about every %.0f s. Look at the feeder's drive and what controls it.", (n+1)/2, period.Seconds())
	if over {
		h.times = nil
	}
	return w.isStanding(FeedHunting, c.Name)
}

// load is what the mill draws for the same feed.
type load struct {
	lagged       float64 // feed as the mill has it
	seconds      float64 // since the lag has followed
	quietSince   time.Time
	runningSince time.Time
	sum          float64
	count        int
	binAt        time.Time
	bins         []float64 // means of loadBin each, newest last
	clean        float64   // what it drew when this spell of running began
	cleanSeconds float64
	wander       float64 // usual distance of one minute from the one before
	blind        bool
	before       float64 // torn screen: what it drew before the drop
}

// millLoad takes the feed out of the current and looks at what is left: a slow rise
// since the start is a screen going blind, a small drop in seconds that stays is a hole
// in it. While the feed moves nothing is learned and nothing new is said.
func (w *Watch) millLoad(c *channel, now time.Time, dt float64) {
	l := &w.load
	feed, have := w.role(plant.FeedRate)
	if w.state != StateRunning {
		*l = load{}
		w.judge(ScreenBlinding, c.Name, Look, false, true, 0, 0, "", "%s", "")
		w.judge(ScreenTorn, c.Name, Note, false, true, 0, 0, "", "%s", "")
		return
	}
	if !have || feed.level <= 0 || feed.learned < 120 || c.level <= 0 {
		return
	}
	if l.seconds == 0 {
		l.lagged, l.runningSince, l.binAt = feed.fast, now, now
	}
	l.lagged += (feed.fast - l.lagged) * (1 - math.Exp(-dt/millLag))
	l.seconds += dt
	if math.Abs(feed.fast-feed.level) > quietFeed*feed.level || w.setpointMoved(now) {
		l.quietSince = time.Time{}
	} else if l.quietSince.IsZero() {
		l.quietSince = now
	}
	choking := w.isStanding(MillChoke, c.Name)
	if choking {
		l.bins, l.quietSince = nil, time.Time{} // the way back from a choke is no hole in the screen
	}
	if l.quietSince.IsZero() || now.Sub(l.quietSince) < quietFeedSince {
		l.sum, l.count, l.binAt = 0, 0, now
		return
	}
	slope := (c.level - w.plant.Mill.IdleCurrent) / feed.level // A per t/h; without an idle current all of it is taken as load
	if w.plant.Mill.IdleCurrent == 0 {
		slope /= 2
	}
	l.sum += c.reading.Value - slope*(l.lagged-feed.level)
	l.count++
	if now.Sub(l.binAt) < loadBin {
		return
	}
	l.bins = append(l.bins, l.sum/float64(l.count))
	l.sum, l.count, l.binAt = 0, 0, now
	if len(l.bins) > loadBins {
		l.bins = l.bins[1:]
	}
	n := len(l.bins)
	if n < loadBins {
		return
	}
	minute := mean(l.bins[n-6:])
	earlier := mean(l.bins[n-24 : n-9])
	step := (minute - earlier) / earlier
	if l.cleanSeconds < learnLoad.Seconds() {
		l.cleanSeconds += loadBin.Seconds()
		l.clean += (minute - l.clean) * loadBin.Seconds() / l.cleanSeconds
		l.wander += (math.Abs(step) - l.wander) * loadBin.Seconds() / l.cleanSeconds
		return
	}
	rise := (minute - l.clean) / l.clean
	fresh := (minute - l.bins[0]) / l.clean // of it, in the last minutes
	least := max(blindRise, 6*l.wander)
	w.judge(ScreenBlinding, c.Name, Look, rise > least && fresh < rise/2, rise < least/2, time.Minute, time.Minute, "mill current rises slowly for the same feed",
		"The mill draws %.0f %% more than at the start for the same feed. The screen may be going blind: look at it with the mill stopped and locked out.", 100*rise)
	blind := w.isStanding(ScreenBlinding, c.Name)
	if l.blind && !blind {
		l.bins = nil // the drop was the cleaning of the screen
	}
	if l.blind = blind; blind || l.bins == nil {
		return
	}
	if w.isStanding(ScreenTorn, c.Name) {
		back := minute > (l.before+earlier)/2 && minute > l.before*(1-tornDrop/2)
		w.judge(ScreenTorn, c.Name, Note, false, back, 0, time.Minute, "", "%s", "")
		return
	}
	dropped := -step > max(tornDrop, 6*l.wander) && -step < tornDropMost && l.bins[n-1] < earlier
	if dropped {
		l.before = earlier
	}
	w.judge(ScreenTorn, c.Name, Note, dropped, !dropped, 30*time.Second, time.Minute, "mill current dropped a little for the same feed",
		"The mill draws %.0f %% less than a minute ago for the same feed. Worth a look at the screen, with the mill stopped and locked out.", -100*step)
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

func (w *Watch) setpointMoved(now time.Time) bool { return now.Before(w.holdFeed) }

// floods: far more water than usual, by a valve left open or a float that hangs.
func (w *Watch) floods(now time.Time) {
	running := w.state == StateRunning
	for _, role := range []plant.Role{plant.WashWater, plant.MillWater} {
		c, ok := w.role(role)
		if !ok || c.learned < 120 || !w.armed(now) || c.level <= 0 {
			continue
		}
		if sp, have := w.waterSetpoint(c); have && sp > c.level*1.1 {
			continue // somebody wants it so
		}
		far := c.fast > floodedAt*c.level && c.fast-c.level > spreadsToRaise*c.spread
		w.judge(Flooding, c.Name, Look, running && far, c.fast < (1+floodedAt)/2*c.level || !running, 10*time.Second, 20*time.Second, "more water than usual",
			"%s is %.0f of usually %.0f %s. The deck floods: look at the valve.", c.Name, c.fast, c.level, c.Unit)
	}
}

func (w *Watch) waterSetpoint(c *channel) (float64, bool) {
	role := plant.WashWaterSetpoint
	if c.Role == plant.MillWater {
		role = plant.MillWaterSetpoint
	}
	if i := w.plant.ChannelIndex(c.Setpoint); i >= 0 && w.channels[i].usable {
		return w.channels[i].reading.Value, true
	}
	sp, ok := w.role(role)
	if !ok {
		return 0, false
	}
	return sp.reading.Value, true
}

// upset is true while an alarm that is no fault of its sensor stands on a channel: what
// is usual is not learned from it then, or the upset would become the usual.
func (w *Watch) upset(channel string) bool {
	for _, e := range w.standing {
		if e.raised && e.Channel == channel && e.Kind != SensorFault {
			return true
		}
	}
	return false
}
