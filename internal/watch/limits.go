package watch

import (
	"fmt"
	"math"
	"time"

	"decktrim/internal/plant"
)

// limits holds each quantity against what is usual or against a fixed limit. What
// cannot be judged (no channel, a fault, another state) neither raises nor clears.
func (w *Watch) limits(now time.Time) {
	w.contacts(now) // before what follows from them
	w.feed(now)
	w.mill(now)
	w.waterLoss(now)
	w.floods(now)
	w.stroke(now)
	w.weights(now)
	w.pond(now)
	w.typed()
}

// usual is the level of a channel, or the plant file's figure until it is learned.
func (w *Watch) usual(c *channel, now time.Time, nominal float64) (level float64, ok bool) {
	if c.learned >= 120 && w.armed(now) {
		return c.level, true
	}
	return nominal, nominal > 0 && now.Sub(w.first) >= time.Minute
}

func (w *Watch) feed(now time.Time) {
	c, ok := w.role(plant.FeedRate)
	if !ok {
		return
	}
	if sp, have := w.feedSetpoint(c); have {
		if w.setpoint != 0 && math.Abs(sp-w.setpoint) > 0.02*math.Abs(w.setpoint) {
			// An announced change is no upset: the level goes with it, and the feed
			// has a minute to follow.
			if sp > 0 && w.setpoint > 0 {
				c.level *= sp / w.setpoint
			}
			w.holdFeed = now.Add(time.Minute)
		}
		w.setpoint = sp
	}
	level, known := w.usual(c, now, w.plant.Mill.NominalFeed)
	if !known || level <= 0 || now.Before(w.holdFeed) {
		return
	}
	deviation := (c.fast - level) / level
	least := max(w.plant.Watch.SmallestSurge, spreadsToRaise*c.spread/level)
	running := w.state == StateRunning
	planned := w.state == StateEmptying || w.state == StateStopped || w.state == StateWaterOn || w.state == StateWashDown

	priority := Look
	if deviation > 2*least {
		priority = Act // twice what counts: the deck will not take it for long
	}
	hunting := w.hunting(c, deviation, running, now)
	w.judge(FeedSurge, c.Name, priority, running && deviation > least && !hunting, hunting || deviation < least/2, 2*time.Second, 20*time.Second, "feed above usual",
		"Feed is %.0f %% above usual (%.2f against %.2f %s). Slow the feeder before the table floods.", 100*deviation, c.fast, level, c.Unit)

	cause, after := "feed below usual", 20*time.Second
	if bin, have := w.role(plant.BinWeight); have && bin.fast < 0.05*w.binCapacity(bin) {
		cause = "bin empty"
	} else if on, known := w.driving(); have && known && on {
		cause = "bridging" // ore in the bin and the feeder driving
	}
	if deviation > 0 {
		after = 0 // what was held back comes: the loss is over, and not told beside the surge
	}
	if on, have := w.driving(); have && !on {
		planned = true
	}
	if belt, have := w.role(plant.BeltSpeed); have && (w.isStanding(BeltStopped, belt.Name) || belt.reading.Value < 0.05*belt.Range[1]) {
		planned = true // told as the belt's stop
	}
	w.judge(FeedLoss, c.Name, Look, running && !planned && deviation < -0.5, deviation > -0.3 || planned, 10*time.Second, after, cause,
		"Feed is %.0f %% below usual (%.2f against %.2f %s). See whether the bin is empty or bridged.", -100*deviation, c.fast, level, c.Unit)

	// A level that stays wrong for long is the new usual.
	if math.Abs(deviation) < least {
		c.odd = now
	} else if c.odd.IsZero() {
		c.odd = now
	} else if now.Sub(c.odd) > rebaseAfter {
		c.level, c.odd = c.fast, now
	}
}

func (w *Watch) feedSetpoint(c *channel) (float64, bool) {
	if c.Setpoint == "" {
		sp, ok := w.role(plant.FeedSetpoint)
		if !ok {
			return 0, false
		}
		return sp.reading.Value, true
	}
	i := w.plant.ChannelIndex(c.Setpoint)
	if i < 0 || !w.channels[i].usable {
		return 0, false
	}
	return w.channels[i].reading.Value, true
}

// mill: current far above usual while the feed is not, or above the motor's rating.
func (w *Watch) mill(now time.Time) {
	c, ok := w.role(plant.MillCurrent)
	if !ok {
		return
	}
	rated := w.plant.Mill.RatedCurrent
	over := rated > 0 && c.fast > 1.1*rated
	rise := 0.0
	if c.learned >= 120 && w.armed(now) && c.level > 0 {
		rise = (c.fast - c.level) / c.level
	}
	feedUp := false
	if f, have := w.role(plant.FeedRate); have && f.learned >= 120 && f.level > 0 {
		feedUp = f.fast > 1.1*f.level || w.isStanding(FeedSurge, f.Name)
	}
	w.millLoad(c, now, w.step)
	least := max(0.25, spreadsToRaise*c.spread/max(c.level, 1e-9))
	if w.isStanding(ScreenBlinding, c.Name) && !over {
		feedUp = true // told as the blinding screen
	}
	if choke := w.episode(episodeKey(MillChoke, c.Name), MillChoke, c.Name); !choke.raised {
		choke.Follows = w.firstOfChoke()
	}
	w.judge(MillChoke, c.Name, Act, w.state == StateRunning && (over || rise > least && !feedUp), !over && rise < least/2, 10*time.Second, 20*time.Second, "mill current above what the feed explains",
		"Mill current is %.0f %s. Stop the feed and let the mill clear; stay clear of the mill until it is stopped and locked out.", c.fast, c.Unit)
}

// firstOfChoke names what a choke follows from: a mill without water chokes.
func (w *Watch) firstOfChoke() *string {
	first := ""
	if pump, have := w.role(plant.PumpRunning); have && w.isStanding(PumpStopped, pump.Name) {
		first = string(PumpStopped)
	} else if water, have := w.role(plant.MillWater); have && w.isStanding(WaterLoss, water.Name) {
		first = string(WaterLoss)
	}
	return orNil(first)
}

func (w *Watch) waterLoss(now time.Time) {
	decks := float64(max(1, w.plant.Table.Decks))
	wanted := w.state == StateRunning || w.state == StateFilling || w.state == StateEmptying
	for _, line := range []struct {
		role     plant.Role
		nominal  float64
		priority string
		cause    string
		words    string
	}{
		{plant.WashWater, w.plant.Water.NominalWash * decks, Act, "wash water", "Wash water is %.0f of usually %.0f %s. Stop the feed: the deck dries within a minute."},
		{plant.MillWater, w.plant.Water.NominalMill, Look, "mill water", "Mill water is %.0f of usually %.0f %s. Look at the valve and the pump; a dry mill chokes."},
	} {
		c, ok := w.role(line.role)
		if !ok {
			continue
		}
		level, known := w.usual(c, now, line.nominal)
		if !known || level <= 0 {
			continue
		}
		if pump, have := w.role(plant.PumpRunning); have && w.isStanding(PumpStopped, pump.Name) {
			// Told as the pump's stop, which becomes as urgent as what it brings.
			if wanted && c.fast < 0.6*level && line.priority == Act {
				w.worsen(PumpStopped, pump.Name, Act, line.words, c.fast, level, c.Unit)
			}
			continue
		}
		w.judge(WaterLoss, c.Name, line.priority, wanted && c.fast < 0.6*level, c.fast > 0.8*level || !wanted, 3*time.Second, 15*time.Second, line.cause,
			line.words, c.fast, level, c.Unit)
	}
}

func (w *Watch) contacts(now time.Time) {
	wanted := w.state == StateRunning || w.state == StateFilling || w.state == StateEmptying
	for _, contact := range []struct {
		role     plant.Role
		kind     Kind
		priority string
		words    string
	}{
		{plant.TableRunning, TableStopped, Act, "The table stands still while ore comes. Stop the feed."},
		{plant.PumpRunning, PumpStopped, Look, "The return pump has stopped. Stop the feed if the wash water fails: the deck dries within a minute."},
		{plant.ClassifierRunning, ClassifierStopped, Look, "The classifier spiral has stopped. Sand fills its tank in 10 to 20 minutes."},
	} {
		if c, ok := w.role(contact.role); ok {
			on := c.reading.Value >= 0.5
			w.judge(contact.kind, c.Name, contact.priority, wanted && !on, on || !wanted, 2*time.Second, 5*time.Second, "stopped", "%s", contact.words)
		}
	}
	if c, ok := w.role(plant.BeltSpeed); ok {
		still := c.fast < 0.05*c.Range[1]
		on, have := w.driving()
		driving := on || !have
		w.judge(BeltStopped, c.Name, Look, wanted && driving && still, !still || !wanted || !driving, 3*time.Second, 5*time.Second, "stopped",
			"The belt stands still while the feeder drives. Stop the feeder; lock out before anyone touches the belt.")
	}
}

// stroke: off usual by more than 5 %, the table still running.
func (w *Watch) stroke(now time.Time) {
	c, ok := w.role(plant.TableStrokeRate)
	if !ok || c.learned < 120 || !w.armed(now) || c.level <= 0 {
		return
	}
	off := math.Abs(c.fast-c.level) / c.level
	w.judge(StrokeChanged, c.Name, Look, w.state == StateRunning && off > 0.05 && c.fast > 0.2*c.level, off < 0.03, 20*time.Second, // a table that starts again takes 15 s to show its rate
		20*time.Second, "stroke rate",
		"The table makes %.0f strokes a minute, usually %.0f. Look at belt and drive with the table stopped and locked out.", c.fast, c.level)
	if _, contact := w.byRole[plant.TableRunning]; !contact {
		wanted := w.state == StateRunning || w.state == StateFilling || w.state == StateEmptying
		w.judge(TableStopped, c.Name, Act, wanted && c.fast < 0.2*c.level, c.fast > 0.5*c.level, 3*time.Second, 5*time.Second, "no strokes",
			"The table stands still while ore comes. Stop the feed.")
	}
}

func (w *Watch) binCapacity(bin *channel) float64 {
	if w.plant.Bin.Capacity > 0 {
		return w.plant.Bin.Capacity
	}
	return bin.Range[1]
}

// weights: EEMUA 191 suggests a level dead band of 2 % of range and a minute's delay
// (second hand).
func (w *Watch) weights(time.Time) {
	if c, ok := w.role(plant.BinWeight); ok {
		full := w.binCapacity(c)
		share := c.fast / full
		wanted := w.state == StateRunning || w.state == StateFilling
		w.judge(BinLow, c.Name, Look, wanted && share < 0.08, share > 0.10, 20*time.Second, 20*time.Second, "bin weight",
			"The fine-ore bin holds %.0f %s. Fill it or prepare to stop.", c.fast, c.Unit)
		w.judge(BinFull, c.Name, Look, share > 0.98, share < 0.95, 20*time.Second, 20*time.Second, "bin weight",
			"The fine-ore bin is full (%.0f %s). Stop filling it.", c.fast, c.Unit)
	}
	for _, product := range []struct {
		role plant.Role
		name string
	}{{plant.Concentrate1Weight, "concentrate_1"}, {plant.Concentrate2Weight, "concentrate_2"}, {plant.MiddlingsWeight, "middlings"}} {
		c, ok := w.role(product.role)
		if !ok {
			continue
		}
		full := c.Range[1]
		for _, p := range w.plant.Products {
			if p.Name == product.name && p.Capacity > 0 {
				full = p.Capacity
			}
		}
		share := c.fast / full
		w.judge(ConcentrateFull, c.Name, Look, share >= 0.98, share < 0.93, 20*time.Second, 20*time.Second, product.name,
			"The bin of %s is full (%.0f %s). Change it; weigh and sample what is in it.", product.name, c.fast, c.Unit)
	}
}

func (w *Watch) pond(time.Time) {
	c, ok := w.role(plant.PondLevel)
	if !ok {
		return
	}
	freeboard := w.plant.Pond.Freeboard
	if freeboard == 0 {
		freeboard = 0.3
	}
	span := c.Range[1] - c.Range[0]
	high := c.Range[1] - freeboard
	w.judge(PondHigh, c.Name, Look, c.fast > high, c.fast < high-0.02*span, time.Minute, time.Minute, "freeboard",
		"The pond is within %.2f %s of its top. Return more or take in less.", c.Range[1]-c.fast, c.Unit)
	low := c.Range[0] + 0.1*span
	w.judge(PondLow, c.Name, Look, c.fast < low, c.fast > low+0.02*span, time.Minute, time.Minute, "level",
		"The pond is almost dry (%.2f %s). Add make-up water.", c.fast, c.Unit)
}

// typed are the limits people have set in the plant file. They stand beside the
// built-in ones: each is an episode of its own.
func (w *Watch) typed() {
	for n, a := range w.plant.Alarms {
		c := &w.channels[w.plant.ChannelIndex(a.Channel)]
		if !c.usable || c.lastN == 0 {
			continue
		}
		delay := time.Duration(a.Delay * float64(time.Second))
		if a.Low != nil {
			w.judgeAs(fmt.Sprintf("low limit %d", n), Kind(plant.LimitKind(c.Role, false)), a.Channel, a.Priority, c.fast < *a.Low, c.fast > *a.Low+a.Deadband, delay, delay,
				"limit set by people", limitWords, a.Channel, c.fast, c.Unit, "below", *a.Low, a.Text)
		}
		if a.High != nil {
			w.judgeAs(fmt.Sprintf("high limit %d", n), Kind(plant.LimitKind(c.Role, true)), a.Channel, a.Priority, c.fast > *a.High, c.fast < *a.High-a.Deadband, delay, delay,
				"limit set by people", limitWords, a.Channel, c.fast, c.Unit, "above", *a.High, a.Text)
		}
	}
}

// limitWords takes channel, value, unit, side, limit, and what people wrote to do.
const limitWords = "%s is %.3g %s, %s the limit of %.3g. %s"
