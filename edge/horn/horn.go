// Package horn sounds the horn and lights the beacon at the plant. They are the
// alarm itself, driven by the board with no network and no server; a message to a
// telephone is only a report.
//
// An alarm of priority act sounds the horn and lights the beacon, one of priority
// look lights the beacon. The silence button stops the sound, not the light and not
// the alarm; a new act alarm sounds again. A failed output is an error, is tried
// again every second, and is never taken for granted.
package horn

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"decktrim/edge/sensor"
	"decktrim/edge/sensor/gpioline"
)

// Config is the [horn] table of edge.toml. Without pins there is no horn; kind
// simulated only logs.
type Config struct {
	Kind      string `toml:"kind"`       // gpio (default where a pin is given) or simulated
	Path      string `toml:"path"`       // /dev/gpiochip0
	Horn      string `toml:"horn"`       // line of the horn's relay
	Beacon    string `toml:"beacon"`     // line of the beacon's relay
	Silence   string `toml:"silence"`    // line of the silence button, to ground; optional
	ActiveLow bool   `toml:"active_low"` // the relays pull in on a low line
}

// Given reports whether the table says anything.
func (c Config) Given() bool { return c != Config{} }

// Horn is the two outputs.
type Horn struct {
	horn, beacon gpio.PinOut
	silence      gpio.PinIn // nil: no button
	on           gpio.Level
	log          *slog.Logger
	close        func() error

	mu       sync.Mutex
	act      bool
	look     bool
	count    int // act alarms standing
	silenced bool
	testing  bool
}

// Open takes the lines and sets them off.
func Open(c Config, log *slog.Logger) (*Horn, error) {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	switch c.Kind {
	case "simulated":
		return New(newLogPin("horn", log), newLogPin("beacon", log), nil, false, log)
	case "", "gpio":
	default:
		return nil, fmt.Errorf("[horn]: there is no kind %q: use gpio or simulated", c.Kind)
	}
	if c.Path == "" || c.Horn == "" || c.Beacon == "" {
		return nil, errors.New("[horn]: path, horn and beacon must be given: the chip and the lines of both relays")
	}
	chip, err := gpioline.Open(c.Path)
	if err != nil {
		return nil, fmt.Errorf("[horn]: %w", err)
	}
	h, err := open(c, chip, log)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("[horn]: %w", err), chip.Close())
	}
	h.close = chip.Close
	return h, nil
}

func open(c Config, chip *gpioline.Chip, log *slog.Logger) (*Horn, error) {
	horn, err := chip.Line(c.Horn)
	if err != nil {
		return nil, err
	}
	beacon, err := chip.Line(c.Beacon)
	if err != nil {
		return nil, err
	}
	var silence gpio.PinIn
	if c.Silence != "" {
		if silence, err = chip.Line(c.Silence); err != nil {
			return nil, err
		}
	}
	return New(horn, beacon, silence, c.ActiveLow, log)
}

// New sets two outputs off. The silence button may be nil; log may not.
func New(horn, beacon gpio.PinOut, silence gpio.PinIn, activeLow bool, log *slog.Logger) (*Horn, error) {
	h := &Horn{horn: horn, beacon: beacon, silence: silence, on: gpio.Level(!activeLow), log: log}
	if silence != nil {
		if err := silence.In(gpio.PullUp, gpio.NoEdge); err != nil {
			return nil, fmt.Errorf("silence button: %w", err)
		}
	}
	return h, h.Set(false, false)
}

// Set says whether an act alarm and whether a look alarm stands. Both outputs are
// set even if one fails.
func (h *Horn) Set(act, look bool) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if act && !h.act {
		h.silenced = false
	}
	h.act, h.look = act, look
	return h.drive()
}

// Alarms says how many alarms of each priority stand: one more act alarm than
// before sounds again, whatever was silenced.
func (h *Horn) Alarms(_ time.Time, act, look int) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if act > h.count {
		h.silenced = false
	}
	h.count, h.act, h.look = act, act > 0, look > 0
	return h.drive()
}

// Silence stops the sound until the next act alarm.
func (h *Horn) Silence() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.silenced = true
	return h.drive()
}

// drive sets both outputs to what they should be. The caller holds mu.
func (h *Horn) drive() error {
	sound := h.testing || h.act && !h.silenced
	light := h.testing || h.act || h.look
	var errs []error
	for _, o := range []struct {
		name string
		pin  gpio.PinOut
		on   bool
	}{{"horn", h.horn, sound}, {"beacon", h.beacon, light}} {
		if err := o.pin.Out(gpio.Level(o.on) == h.on); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", o.name, err))
		}
	}
	return errors.Join(errs...)
}

// Test sounds and lights both for d, as on the start-up list, then goes back to
// what stands. It is for a person who listens: the board cannot hear its horn.
func (h *Horn) Test(ctx context.Context, d time.Duration) error {
	set := func(on bool) error {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.testing = on
		return h.drive()
	}
	err := set(true)
	if err == nil {
		err = sensor.Wall{}.Sleep(ctx, d)
	}
	return errors.Join(err, set(false))
}

const (
	lookAtButton = 50 * time.Millisecond
	driveAgain   = time.Second
)

// Run minds the silence button and sets the outputs anew every second, so that one
// that failed, or that something else has changed, is put right. It ends with ctx.
func (h *Horn) Run(ctx context.Context) error {
	tick := time.NewTicker(lookAtButton)
	defer tick.Stop()
	again := time.Now()
	pressed := false
	said := "" // what was logged and still holds
	for {
		var now time.Time
		select {
		case <-ctx.Done():
			return nil
		case now = <-tick.C:
		}
		err := h.button(&pressed)
		if now.Sub(again) < driveAgain && err == nil {
			continue
		}
		again = now
		h.mu.Lock()
		err = errors.Join(err, h.drive())
		h.mu.Unlock()
		switch {
		case err == nil && said != "":
			h.log.Info("the horn obeys again")
			said = ""
		case err != nil && err.Error() != said:
			h.log.Error("the horn does not obey", "error", err)
			said = err.Error()
		}
	}
}

// button silences when the button goes down; it must be seen down twice.
func (h *Horn) button(pressed *bool) error {
	if h.silence == nil {
		return nil
	}
	level, err := sensor.ReadPin(h.silence)
	if err != nil {
		return fmt.Errorf("silence button: %w", err)
	}
	down := level == gpio.Low
	if down && *pressed {
		return h.Silence()
	}
	*pressed = down
	return nil
}

// Close sets both outputs off and gives the lines back.
func (h *Horn) Close() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.act, h.look, h.count, h.testing = false, false, 0, false
	err := h.drive()
	if h.close != nil {
		err = errors.Join(err, h.close())
		h.close = nil
	}
	return err
}
