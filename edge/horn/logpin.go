package horn

import (
	"errors"
	"log/slog"
	"sync"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// logPin is the output of a board without a horn: what it would do is logged, once
// a change.
type logPin struct {
	name string
	log  *slog.Logger
	last *lastLevel
}

type lastLevel struct {
	mu    sync.Mutex
	level gpio.Level
}

func newLogPin(name string, log *slog.Logger) logPin {
	return logPin{name: name, log: log, last: &lastLevel{}}
}

func (p logPin) Out(l gpio.Level) error {
	p.last.mu.Lock()
	defer p.last.mu.Unlock()
	if l != p.last.level {
		p.log.Info("simulated output", "output", p.name, "on", bool(l))
	}
	p.last.level = l
	return nil
}

func (p logPin) PWM(gpio.Duty, physic.Frequency) error {
	return errors.New(p.name + ": a simulated output has no PWM")
}
func (p logPin) String() string   { return p.name }
func (p logPin) Name() string     { return p.name }
func (p logPin) Number() int      { return -1 }
func (p logPin) Function() string { return "" }
func (p logPin) Halt() error      { return nil }
