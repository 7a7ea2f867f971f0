// Package gpioline speaks to the kernel's GPIO character device (uapi v2). A Line
// is a periph gpio.PinIO, and says in addition what that interface cannot: a failed
// read, the time of each edge, and how many edges the kernel dropped.
//
// Source: the kernel's include/uapi/linux/gpio.h (structures from memory; their
// sizes are part of the request numbers, so a wrong one is refused by the kernel,
// and the test compares them).
package gpioline

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"decktrim/edge/sensor"
)

type chipInfo struct {
	name, label [32]byte
	lines       uint32
}

type lineInfo struct {
	name, consumer [32]byte
	offset         uint32
	numAttrs       uint32
	flags          uint64
	attrs          [10][16]byte
	padding        [4]uint32
}

type lineConfig struct {
	flags    uint64
	numAttrs uint32
	padding  [5]uint32
	attrs    [10][24]byte
}

type lineRequest struct {
	offsets         [64]uint32
	consumer        [32]byte
	config          lineConfig
	numLines        uint32
	eventBufferSize uint32
	padding         [5]uint32
	fd              int32
}

type lineValues struct{ bits, mask uint64 }

// eventSize is a line event: time, id, offset, sequence number, the line's own
// sequence number, six words unused.
const eventSize = 48

// Flags of a line.
const (
	flagInput  = 1 << 2
	flagOutput = 1 << 3
	flagRising = 1 << 4
	flagFall   = 1 << 5
	flagUp     = 1 << 8
	flagDown   = 1 << 9
)

// request numbers: direction, size, type 0xB4, number.
func ioc(dir, size, nr uintptr) uintptr { return dir<<30 | size<<16 | 0xB4<<8 | nr }

var (
	getChipInfo = ioc(2, unsafe.Sizeof(chipInfo{}), 0x01)
	getLineInfo = ioc(3, unsafe.Sizeof(lineInfo{}), 0x05)
	getLine     = ioc(3, unsafe.Sizeof(lineRequest{}), 0x07)
	getValues   = ioc(3, unsafe.Sizeof(lineValues{}), 0x0E)
	setValues   = ioc(3, unsafe.Sizeof(lineValues{}), 0x0F)
)

// queued is how many edges the kernel may keep for a line.
const queued = 1024

func call(fd int, request uintptr, arg unsafe.Pointer) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(arg)); errno != 0 {
		return errno
	}
	return nil
}

// Chip is an open GPIO chip.
type Chip struct {
	path  string
	file  *os.File
	lines []string // names by number

	mu   sync.Mutex
	open []*Line
}

// Open opens a chip by its path.
func Open(path string) (*Chip, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be opened: %w; does the board have it, and may this user use it?", path, err)
	}
	c := &Chip{path: path, file: os.NewFile(uintptr(fd), path)}
	var info chipInfo
	if err := call(fd, getChipInfo, unsafe.Pointer(&info)); err != nil {
		return nil, errors.Join(fmt.Errorf("%s is no GPIO chip: %w", path, err), c.file.Close())
	}
	for i := range info.lines {
		li := lineInfo{offset: i}
		if err := call(fd, getLineInfo, unsafe.Pointer(&li)); err != nil {
			return nil, errors.Join(fmt.Errorf("%s: line %d: %w", path, i, err), c.file.Close())
		}
		name, _, _ := strings.Cut(string(li.name[:]), "\x00")
		c.lines = append(c.lines, name)
	}
	return c, nil
}

// Line finds a line by its name ("GPIO17") or number ("17"). It is taken from the
// kernel when it is first set up.
func (c *Chip) Line(name string) (*Line, error) {
	number := -1
	for i, n := range c.lines {
		if n == name {
			number = i
		}
	}
	if n, err := strconv.Atoi(name); number < 0 && err == nil && n >= 0 && n < len(c.lines) {
		number = n
	}
	if number < 0 {
		return nil, fmt.Errorf("%s has no line %q: use its name or its number below %d", c.path, name, len(c.lines))
	}
	l := &Line{chip: c, name: name, number: uint32(number)}
	c.mu.Lock()
	c.open = append(c.open, l)
	c.mu.Unlock()
	return l, nil
}

// Close gives all lines back and closes the chip.
func (c *Chip) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	var errs []error
	for _, l := range c.open {
		errs = append(errs, l.release())
	}
	c.open = nil
	return errors.Join(append(errs, c.file.Close())...)
}

// Line is one line.
type Line struct {
	chip   *Chip
	name   string
	number uint32

	mu     sync.Mutex
	file   *os.File // nil: not taken
	flags  uint64
	seq    uint32 // of the last edge
	hasSeq bool
}

// Name, Number and the like are what periph asks of a pin.
func (l *Line) Name() string           { return l.name }
func (l *Line) String() string         { return l.chip.path + ":" + l.name }
func (l *Line) Number() int            { return int(l.number) }
func (l *Line) Function() string       { return "" }
func (l *Line) Pull() gpio.Pull        { return gpio.PullNoChange }
func (l *Line) DefaultPull() gpio.Pull { return gpio.PullNoChange }

// PWM is not there.
func (l *Line) PWM(gpio.Duty, physic.Frequency) error {
	return fmt.Errorf("%v: this line has no PWM", l)
}

// Halt gives the line back to the kernel.
func (l *Line) Halt() error { return l.release() }

func (l *Line) release() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.drop()
}

func (l *Line) drop() error {
	if l.file == nil {
		return nil
	}
	f := l.file
	l.file, l.hasSeq = nil, false
	return f.Close()
}

// take asks the kernel for the line with these flags. The caller holds mu.
func (l *Line) take(flags, bits uint64) error {
	if l.file != nil && l.flags == flags {
		return nil
	}
	if err := l.drop(); err != nil {
		return fmt.Errorf("%v: %w", l, err)
	}
	req := lineRequest{numLines: 1, eventBufferSize: queued}
	req.offsets[0] = l.number
	copy(req.consumer[:], "decktrim-edge")
	req.config.flags = flags
	if flags&flagOutput != 0 { // it must not flicker: the level comes with the request
		req.config.numAttrs = 1
		attr := &req.config.attrs[0]
		binary.NativeEndian.PutUint32(attr[0:], 2) // output values
		binary.NativeEndian.PutUint64(attr[8:], bits)
		binary.NativeEndian.PutUint64(attr[16:], 1)
	}
	if err := call(int(l.chip.file.Fd()), getLine, unsafe.Pointer(&req)); err != nil {
		return fmt.Errorf("%v: the line cannot be had: %w; is it in use elsewhere?", l, err)
	}
	if err := unix.SetNonblock(int(req.fd), true); err != nil {
		return errors.Join(fmt.Errorf("%v: %w", l, err), unix.Close(int(req.fd)))
	}
	l.file, l.flags = os.NewFile(uintptr(req.fd), l.String()), flags
	return nil
}

// In sets the line up as an input.
func (l *Line) In(pull gpio.Pull, edge gpio.Edge) error {
	flags := uint64(flagInput)
	switch pull {
	case gpio.PullUp:
		flags |= flagUp
	case gpio.PullDown:
		flags |= flagDown
	}
	if edge == gpio.RisingEdge || edge == gpio.BothEdges {
		flags |= flagRising
	}
	if edge == gpio.FallingEdge || edge == gpio.BothEdges {
		flags |= flagFall
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.take(flags, 0)
}

// Out sets the line up as an output and sets its level.
func (l *Line) Out(level gpio.Level) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	v := lineValues{mask: 1}
	if level {
		v.bits = 1
	}
	if l.file == nil || l.flags != flagOutput {
		return l.take(flagOutput, v.bits)
	}
	if err := l.control(setValues, &v); err != nil {
		return fmt.Errorf("%v: %w", l, err)
	}
	return nil
}

func (l *Line) control(request uintptr, v *lineValues) error {
	raw, err := l.file.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	err = raw.Control(func(fd uintptr) { inner = call(int(fd), request, unsafe.Pointer(v)) })
	return errors.Join(err, inner)
}

// ReadLevel reads the level, or says why it cannot.
func (l *Line) ReadLevel() (gpio.Level, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.file == nil {
		return gpio.Low, fmt.Errorf("%v: not set up", l)
	}
	v := lineValues{mask: 1}
	if err := l.control(getValues, &v); err != nil {
		return gpio.Low, fmt.Errorf("%v: %w", l, err)
	}
	return gpio.Level(v.bits&1 != 0), nil
}

// Read is the level, low if it cannot be read: use ReadLevel.
func (l *Line) Read() gpio.Level {
	level, _ := l.ReadLevel() // periph's interface has no room for the error
	return level
}

// ReadEdge waits for the next edge; false if none came in time.
func (l *Line) ReadEdge(timeout time.Duration) (sensor.Edge, bool, error) {
	l.mu.Lock()
	f := l.file
	l.mu.Unlock()
	if f == nil {
		return sensor.Edge{}, false, fmt.Errorf("%v: not set up", l)
	}
	if err := f.SetReadDeadline(time.Now().Add(timeout)); err != nil {
		return sensor.Edge{}, false, fmt.Errorf("%v: %w", l, err)
	}
	var b [eventSize]byte
	n, err := f.Read(b[:])
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return sensor.Edge{}, false, nil
	}
	if err != nil {
		return sensor.Edge{}, false, fmt.Errorf("%v: %w", l, err)
	}
	if n != eventSize {
		return sensor.Edge{}, false, fmt.Errorf("%v: an edge of %d bytes, %d were expected", l, n, eventSize)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	e, err := l.edge(b, time.Now())
	return e, err == nil, err
}

// edge decodes an event: its time is of the monotonic clock.
func (l *Line) edge(b [eventSize]byte, now time.Time) (sensor.Edge, error) {
	var mono unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &mono); err != nil {
		return sensor.Edge{}, fmt.Errorf("%v: %w", l, err)
	}
	ago := time.Duration(mono.Nano() - int64(binary.NativeEndian.Uint64(b[0:])))
	seq := binary.NativeEndian.Uint32(b[20:])
	e := sensor.Edge{At: now.Add(-ago)}
	if l.hasSeq {
		e.Lost = int(seq - l.seq - 1) // wraps as the kernel's counter does
	}
	l.seq, l.hasSeq = seq, true
	return e, nil
}

// WaitForEdge waits for the next edge; it is ReadEdge without its knowledge.
func (l *Line) WaitForEdge(timeout time.Duration) bool {
	if timeout < 0 {
		timeout = time.Hour
	}
	_, ok, err := l.ReadEdge(timeout)
	return ok && err == nil
}
