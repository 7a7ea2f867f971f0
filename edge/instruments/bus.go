package instruments

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/host/v3/sysfs"

	"decktrim/edge/sensor"
	"decktrim/edge/sensor/gpioline"
	"decktrim/edge/sensor/modbus"
)

// resetPause: a bus is reset at most so often; more would only hide what is wrong.
const resetPause = time.Minute

// openBus is one bus that is open, of whatever kind.
type openBus struct {
	conf  BusConfig
	i2c   i2c.Bus
	line  *modbus.Line
	chip  *gpioline.Chip
	reset func() error
	close []func() error

	ask chan struct{} // length 1: a reset is wanted
}

// openBusOf opens a real bus. Serial lines and TCP connections open themselves at the
// first reading: a port that is not plugged in yet is no reason not to start.
func openBusOf(conf BusConfig) (*openBus, error) {
	b := &openBus{conf: conf, ask: make(chan struct{}, 1)}
	where := fmt.Sprintf("bus %q", conf.Name)
	var err error
	switch conf.Kind {
	case busI2C:
		n, e := strconv.Atoi(strings.TrimPrefix(filepath.Base(conf.Path), "i2c-"))
		if e != nil {
			return nil, fmt.Errorf("%s: path %q is no I2C bus: write /dev/i2c-1 or the like", where, conf.Path)
		}
		s := &swappable{open: func() (i2c.BusCloser, error) { return sysfs.NewI2C(n) }}
		if err = s.reopen(); err != nil {
			return nil, fmt.Errorf("%s: %s cannot be opened: %w; is I2C switched on, and may this user read it?", where, conf.Path, err)
		}
		b.i2c = s
		b.close = append(b.close, s.Close)
		b.reset = func() error { return errors.Join(pulseLow(conf.ResetPin), s.reopen()) }
	case busGPIO:
		if b.chip, err = gpioline.Open(conf.Path); err != nil {
			return nil, fmt.Errorf("%s: %w", where, err)
		}
		b.close = append(b.close, b.chip.Close)
	case busSerial, busModbusTCP:
		url := modbus.SerialURL(conf.Path)
		if conf.Kind == busModbusTCP {
			url = modbus.TCPURL(conf.Path)
		}
		b.line, err = modbus.NewLine(modbus.LineOpts{URL: url, Baud: conf.Baud, Parity: conf.Parity, StopBits: conf.StopBits}, sensor.Wall{})
		if err != nil {
			return nil, fmt.Errorf("%s: %w", where, err)
		}
		b.close = append(b.close, b.line.Close)
	case busSPI:
		return nil, fmt.Errorf("%s: no chip that is known here speaks SPI: use i2c, gpio, serial or modbus-tcp", where)
	}
	return b, nil
}

// pulseLow pulls a line low for 10 ms: it resets a bus multiplexer or switches the
// supply of its chips. The pin is chip and line, "/dev/gpiochip0:17".
func pulseLow(pin string) error {
	if pin == "" {
		return nil
	}
	path, name, ok := strings.Cut(pin, ":")
	if !ok {
		return fmt.Errorf("reset pin %q: write it as /dev/gpiochip0:17", pin)
	}
	chip, err := gpioline.Open(path)
	if err != nil {
		return err
	}
	line, err := chip.Line(name)
	if err == nil {
		err = line.Out(gpio.Low)
	}
	if err == nil {
		time.Sleep(10 * time.Millisecond)
		err = line.Out(gpio.High)
	}
	return errors.Join(err, chip.Close())
}

// wires are what a driver is connected to: of these, what its chip needs.
type wires struct {
	clock sensor.Clock
	i2c   i2c.Bus
	line  *modbus.Line
	clk   gpio.PinOut
	in    gpio.PinIn
}

// askReset asks for the bus to be reset, if it can be. It never waits.
func (b *openBus) askReset() {
	if b == nil || b.reset == nil {
		return
	}
	select {
	case b.ask <- struct{}{}:
	default:
	}
}

// keep resets the bus when asked, at most once a minute, until ctx ends.
func (b *openBus) keep(ctx context.Context, log *slog.Logger) {
	var last time.Time
	for {
		select {
		case <-ctx.Done():
			return
		case <-b.ask:
		}
		if !last.IsZero() && time.Since(last) < resetPause {
			continue
		}
		last = time.Now()
		log.Warn("bus is reset", "bus", b.conf.Name)
		if err := b.reset(); err != nil {
			log.Warn("bus could not be reset", "bus", b.conf.Name, "error", err)
		}
	}
}

func (b *openBus) Close() error {
	var errs []error
	for i := len(b.close) - 1; i >= 0; i-- {
		errs = append(errs, b.close[i]())
	}
	b.close = nil
	return errors.Join(errs...)
}

// swappable is an I2C bus that can be opened anew while a transaction hangs in the
// old one. The old one is closed once nothing is in it any more.
type swappable struct {
	open func() (i2c.BusCloser, error)

	mu     sync.Mutex
	bus    i2c.BusCloser
	inside map[i2c.BusCloser]int
	closed bool
}

func (s *swappable) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bus == nil {
		return "i2c"
	}
	return s.bus.String()
}

// reopen opens the bus anew. While a transaction still hangs in an earlier one
// nothing is opened: descriptors must not pile up.
func (s *swappable) reopen() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for b := range s.inside {
		if b != s.bus {
			return errors.New("the bus opened before is still held by a transaction")
		}
	}
	fresh, err := s.open()
	if err != nil {
		return err
	}
	old := s.bus
	s.bus = fresh
	if s.inside == nil {
		s.inside = map[i2c.BusCloser]int{}
	}
	if old != nil && s.inside[old] == 0 {
		return old.Close()
	}
	return nil
}

func (s *swappable) Tx(addr uint16, w, r []byte) error {
	s.mu.Lock()
	b := s.bus
	if s.closed {
		s.mu.Unlock()
		return errors.New("the bus is closed")
	}
	s.inside[b]++
	s.mu.Unlock()
	err := b.Tx(addr, w, r)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.inside[b]--; s.inside[b] == 0 {
		delete(s.inside, b)
		if b != s.bus || s.closed {
			err = errors.Join(err, b.Close())
		}
	}
	return err
}

func (s *swappable) SetSpeed(f physic.Frequency) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bus.SetSpeed(f)
}

// Close closes the bus, or leaves that to the transaction that is still in it.
func (s *swappable) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	if s.inside[s.bus] > 0 {
		return nil
	}
	return s.bus.Close()
}
