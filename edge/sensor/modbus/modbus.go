// Package modbus reads scales, meters and drives that speak Modbus, over a serial
// line (RTU) or TCP. The protocol itself is github.com/simonvetter/modbus; this
// package adds what a mill needs around it: a line shared by several units, a
// lost port that is opened again, numbers checked before they are believed.
//
// Source: Modbus application protocol V1.1b3 (function codes 1 to 4, from memory);
// registers are counted from 0 as on the wire, not from 40001.
package modbus

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"math"
	"strings"
	"sync"
	"time"

	lib "github.com/simonvetter/modbus"

	"decktrim/edge/sensor"
)

// Tables of a unit.
const (
	Holding  = "holding"  // function 3
	Input    = "input"    // function 4
	Coil     = "coil"     // function 1
	Discrete = "discrete" // function 2
)

// Formats of a number in registers; each register is big-endian.
const (
	Uint16  = "uint16"
	Int16   = "int16"
	Uint32  = "uint32"
	Int32   = "int32"
	Float32 = "float32"
)

// Point is one number of a unit.
type Point struct {
	Table    string
	Register uint16
	Format   string
	LowFirst bool // two-register numbers: the low word stands first
}

// Validate says what is wrong with a point, if anything.
func (p Point) Validate() error {
	switch p.Table {
	case Holding, Input:
		if p.words() == 0 {
			return fmt.Errorf("modbus: there is no format %q: use uint16, int16, uint32, int32 or float32", p.Format)
		}
		if int(p.Register)+p.words() > 1<<16 {
			return fmt.Errorf("modbus: register %d and the one after it reach past 65535", p.Register)
		}
	case Coil, Discrete:
	default:
		return fmt.Errorf("modbus: there is no table %q: use holding, input, coil or discrete", p.Table)
	}
	return nil
}

func (p Point) words() int {
	switch p.Format {
	case Uint16, Int16:
		return 1
	case Uint32, Int32, Float32:
		return 2
	}
	return 0
}

// Value is what a point read.
type Value struct {
	Number    float64
	Saturated bool // the code with which devices say 'no value' or 'beyond the range'
	At        time.Time
}

// quiet takes the library's log lines: all they say is in the errors it returns.
var quiet = log.New(io.Discard, "", 0)

// ErrNoNumber: a float that is infinite or not a number.
var ErrNoNumber = errors.New("the registers hold no number")

// LineOpts is how a line is opened.
type LineOpts struct {
	// URL is rtu:///dev/serial/by-id/..., tcp://host:502 or rtuovertcp://host:port.
	// A serial port is best named by its by-id link: after being unplugged it may
	// come back under another number.
	URL      string
	Baud     uint   // RTU; 0: 19200
	Parity   string // even (the standard's default), none, odd
	StopBits uint   // 0: 1 with a parity bit, 2 without
	Timeout  time.Duration
}

// Line is one serial line or TCP connection, shared by its units. It opens itself
// when needed and closes itself after a failure, so that a port that went away is
// found again by its name.
type Line struct {
	conf  lib.ClientConfiguration
	clock sensor.Clock

	mu     sync.Mutex
	client *lib.ModbusClient
	unit   uint8
}

// NewLine prepares a line; nothing is opened.
func NewLine(o LineOpts, clock sensor.Clock) (*Line, error) {
	conf := lib.ClientConfiguration{URL: o.URL, Timeout: o.Timeout, Speed: o.Baud, DataBits: 8, StopBits: o.StopBits, Logger: quiet}
	if conf.Timeout == 0 {
		conf.Timeout = 300 * time.Millisecond
	}
	if conf.Speed == 0 {
		conf.Speed = 19200
	}
	switch o.Parity {
	case "", "even":
		conf.Parity = lib.PARITY_EVEN
	case "odd":
		conf.Parity = lib.PARITY_ODD
	case "none":
		conf.Parity = lib.PARITY_NONE
	default:
		return nil, fmt.Errorf("modbus: there is no parity %q: use even, odd or none", o.Parity)
	}
	if conf.StopBits == 0 {
		conf.StopBits = 1
		if conf.Parity == lib.PARITY_NONE {
			conf.StopBits = 2
		}
	}
	if _, err := lib.NewClient(&conf); err != nil { // checks the URL
		return nil, fmt.Errorf("modbus: %q is no address of a line: use tcp://host:port or rtu:///dev/...: %w", o.URL, err)
	}
	return &Line{conf: conf, clock: clock}, nil
}

func (l *Line) String() string { return l.conf.URL }

// connect opens the line if it is not open. The caller holds mu.
func (l *Line) connect() error {
	if l.client != nil {
		return nil
	}
	c, err := lib.NewClient(&l.conf)
	if err != nil {
		return err
	}
	if err := c.Open(); err != nil {
		return err
	}
	l.client, l.unit = c, 0
	return nil
}

// drop closes the line after a failure; the next read opens it again.
func (l *Line) drop() error {
	if l.client == nil {
		return nil
	}
	c := l.client
	l.client = nil
	return c.Close()
}

// Close waits for a read in progress and closes the line.
func (l *Line) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.drop()
}

// Unit is one device on a line.
type Unit struct {
	line *Line
	id   uint8
}

// Unit names a device of the line, 1 to 247.
func (l *Line) Unit(id int) (*Unit, error) {
	if id < 1 || id > 247 {
		return nil, fmt.Errorf("modbus: there is no unit %d: use 1 to 247", id)
	}
	return &Unit{line: l, id: uint8(id)}, nil
}

func (u *Unit) String() string { return fmt.Sprintf("modbus unit %d on %s", u.id, u.line) }

// Read reads one point.
func (u *Unit) Read(ctx context.Context, p Point) (Value, error) {
	v, err := u.read(ctx, p)
	if err != nil {
		return Value{}, fmt.Errorf("%v: %s %d: %w", u, p.Table, p.Register, err)
	}
	return v, nil
}

func (u *Unit) read(ctx context.Context, p Point) (Value, error) {
	if err := p.Validate(); err != nil {
		return Value{}, err
	}
	l := u.line
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return Value{}, err
	}
	if err := l.connect(); err != nil {
		return Value{}, fmt.Errorf("open: %w", err)
	}
	if l.unit != u.id {
		if err := l.client.SetUnitId(u.id); err != nil {
			return Value{}, err
		}
		l.unit = u.id
	}
	v, err := u.ask(p)
	if err != nil {
		if !Answered(err) {
			// The port or the connection may be gone: start afresh next time.
			return Value{}, errors.Join(err, l.drop())
		}
		return Value{}, err
	}
	v.At = l.clock.Now()
	return v, nil
}

func (u *Unit) ask(p Point) (Value, error) {
	c := u.line.client
	switch p.Table {
	case Coil, Discrete:
		read := c.ReadCoil
		if p.Table == Discrete {
			read = c.ReadDiscreteInput
		}
		on, err := read(p.Register)
		if on {
			return Value{Number: 1}, err
		}
		return Value{}, err
	}
	kind := lib.HOLDING_REGISTER
	if p.Table == Input {
		kind = lib.INPUT_REGISTER
	}
	regs, err := c.ReadRegisters(p.Register, uint16(p.words()), kind)
	if err != nil {
		return Value{}, err
	}
	return decode(regs, p)
}

// decode turns registers into a number. Largest and smallest codes are what most
// devices send for 'no value' or 'overload' (common practice): they are flagged.
func decode(regs []uint16, p Point) (Value, error) {
	if len(regs) != p.words() {
		return Value{}, fmt.Errorf("%d registers came, %d were asked for", len(regs), p.words())
	}
	var u uint32
	if len(regs) == 1 {
		u = uint32(regs[0])
	} else if p.LowFirst {
		u = uint32(regs[1])<<16 | uint32(regs[0])
	} else {
		u = uint32(regs[0])<<16 | uint32(regs[1])
	}
	switch p.Format {
	case Uint16:
		return Value{Number: float64(u), Saturated: u == math.MaxUint16}, nil
	case Int16:
		i := int16(u)
		return Value{Number: float64(i), Saturated: i == math.MaxInt16 || i == math.MinInt16}, nil
	case Uint32:
		return Value{Number: float64(u), Saturated: u == math.MaxUint32}, nil
	case Int32:
		i := int32(u)
		return Value{Number: float64(i), Saturated: i == math.MaxInt32 || i == math.MinInt32}, nil
	}
	f := float64(math.Float32frombits(u))
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return Value{}, ErrNoNumber
	}
	return Value{Number: f}, nil
}

// Answered reports whether the unit itself sent the error (an exception): then the
// line is sound. A bad checksum or a half frame is dropped with the line's buffer.
func Answered(err error) bool {
	for _, e := range []error{
		lib.ErrIllegalFunction, lib.ErrIllegalDataAddress, lib.ErrIllegalDataValue,
		lib.ErrServerDeviceFailure, lib.ErrAcknowledge, lib.ErrServerDeviceBusy,
		lib.ErrMemoryParityError, lib.ErrGWPathUnavailable, lib.ErrGWTargetFailedToRespond,
		ErrNoNumber,
	} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// SerialURL turns a device path into the line's URL.
func SerialURL(path string) string {
	if strings.Contains(path, "://") {
		return path
	}
	return "rtu://" + path
}

// TCPURL turns host:port into the line's URL.
func TCPURL(hostPort string) string {
	if strings.Contains(hostPort, "://") {
		return hostPort
	}
	return "tcp://" + hostPort
}
