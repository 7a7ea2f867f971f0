package modbus_test

import (
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	lib "github.com/simonvetter/modbus"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"decktrim/edge/sensor"
	"decktrim/edge/sensor/modbus"
	"decktrim/edge/sensor/simchip"
)

var numbers = []struct {
	format   string
	lowFirst bool
	value    float64
}{
	{modbus.Uint16, false, 51234}, {modbus.Int16, false, -1234},
	{modbus.Uint32, false, 3000000017}, {modbus.Uint32, true, 3000000017},
	{modbus.Int32, false, -70001}, {modbus.Int32, true, -70001},
	{modbus.Float32, false, 1.9375}, {modbus.Float32, true, -1.9375},
}

// meter is a unit with every format in both tables, ten registers apart, and bits.
func meter(t *testing.T) *simchip.Unit {
	t.Helper()
	u := simchip.NewUnit()
	for i, n := range numbers {
		for _, table := range []string{modbus.Holding, modbus.Input} {
			v := n.value
			if table == modbus.Input {
				v = math.Trunc(v / 2) // so that the tables cannot be mistaken
			}
			require.NoError(t, u.Number(table, uint16(100+10*i), n.format, n.lowFirst, func() float64 { return v }))
		}
	}
	require.NoError(t, u.Bit(modbus.Coil, 3, func() bool { return true }))
	require.NoError(t, u.Bit(modbus.Coil, 4, func() bool { return false }))
	require.NoError(t, u.Bit(modbus.Discrete, 3, func() bool { return false }))
	require.NoError(t, u.Bit(modbus.Discrete, 4, func() bool { return true }))
	return u
}

func readAll(t *testing.T, u *modbus.Unit) {
	t.Helper()
	for i, n := range numbers {
		p := modbus.Point{Table: modbus.Holding, Register: uint16(100 + 10*i), Format: n.format, LowFirst: n.lowFirst}
		v, err := u.Read(t.Context(), p)
		require.NoError(t, err)
		require.Equal(t, n.value, v.Number, "%+v", p)
		p.Table = modbus.Input
		v, err = u.Read(t.Context(), p)
		require.NoError(t, err)
		require.Equal(t, math.Trunc(n.value/2), v.Number, "%+v", p)
	}
	for _, b := range []struct {
		table string
		at    uint16
		want  float64
	}{{modbus.Coil, 3, 1}, {modbus.Coil, 4, 0}, {modbus.Discrete, 3, 0}, {modbus.Discrete, 4, 1}} {
		v, err := u.Read(t.Context(), modbus.Point{Table: b.table, Register: b.at})
		require.NoError(t, err)
		require.Equal(t, b.want, v.Number, "%+v", b)
	}
}

func unit(t *testing.T, url string, id int) (*modbus.Line, *modbus.Unit) {
	t.Helper()
	l, err := modbus.NewLine(modbus.LineOpts{URL: url, Timeout: 100 * time.Millisecond}, sensor.Wall{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	u, err := l.Unit(id)
	require.NoError(t, err)
	return l, u
}

func TestTCP(t *testing.T) {
	m := meter(t)
	s, err := simchip.Serve("127.0.0.1:0", map[byte]*simchip.Unit{7: m})
	require.NoError(t, err)
	line, u := unit(t, modbus.TCPURL(s.Addr()), 7)
	readAll(t, u)

	_, err = u.Read(t.Context(), modbus.Point{Table: modbus.Holding, Register: 9, Format: modbus.Uint16})
	require.ErrorIs(t, err, lib.ErrIllegalDataAddress, "the meter's own answer is kept")
	m.Fail(true)
	_, err = u.Read(t.Context(), modbus.Point{Table: modbus.Coil, Register: 3})
	require.ErrorIs(t, err, lib.ErrServerDeviceFailure)
	m.Fail(false)

	other, err := line.Unit(8)
	require.NoError(t, err)
	_, err = other.Read(t.Context(), modbus.Point{Table: modbus.Coil, Register: 3})
	require.ErrorIs(t, err, lib.ErrRequestTimedOut, "a unit that is not there")
	readAll(t, u)

	addr := s.Addr()
	require.NoError(t, s.Close())
	_, err = u.Read(t.Context(), modbus.Point{Table: modbus.Coil, Register: 3})
	require.Error(t, err)
	s, err = simchip.Serve(addr, map[byte]*simchip.Unit{7: m})
	require.NoError(t, err)
	require.Eventually(t, func() bool {
		_, err = u.Read(t.Context(), modbus.Point{Table: modbus.Coil, Register: 3})
		return err == nil
	}, 5*time.Second, 10*time.Millisecond, "%v", err)
	require.NoError(t, s.Close())
}

// pty opens a pair of pseudo-terminals: a serial line without wires.
func pty(t *testing.T) (master *os.File, slave string) {
	t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	require.NoError(t, err)
	require.NoError(t, unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0))
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	require.NoError(t, err)
	return os.NewFile(uintptr(fd), "ptmx"), "/dev/pts/" + strconv.Itoa(n) // non-blocking: Close ends a Read
}

// port is a USB serial port with a stable name (as in /dev/serial/by-id) that
// points at whatever number it came back under.
type port struct {
	link   string
	master *os.File
	hold   *os.File
	done   chan error
}

func (p *port) plug(t *testing.T, units map[byte]*simchip.Unit, mangle simchip.Mangle) {
	t.Helper()
	m, slave := pty(t)
	// Holding the slave end keeps the pair alive while nobody has opened it.
	hold, err := os.OpenFile(slave, os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	tio, err := unix.IoctlGetTermios(int(hold.Fd()), unix.TCGETS)
	require.NoError(t, err)
	tio.Lflag &^= unix.ICANON | unix.ECHO | unix.ISIG
	tio.Iflag, tio.Oflag = 0, 0
	require.NoError(t, unix.IoctlSetTermios(int(hold.Fd()), unix.TCSETS, tio))
	_ = os.Remove(p.link) // absent the first time
	require.NoError(t, os.Symlink(slave, p.link))
	p.master, p.hold, p.done = m, hold, make(chan error, 1)
	go func() { p.done <- simchip.ServeRTU(m, units, mangle) }()
}

func (p *port) unplug(t *testing.T) {
	t.Helper()
	require.NoError(t, os.Remove(p.link))
	require.NoError(t, p.master.Close())
	<-p.done
	p.hold.Close()
}

func TestRTU(t *testing.T) {
	p := &port{link: filepath.Join(t.TempDir(), "usb-scale")}
	p.plug(t, map[byte]*simchip.Unit{3: meter(t)}, nil)
	_, u := unit(t, modbus.SerialURL(p.link), 3)
	readAll(t, u)
	p.unplug(t)
}

// Faults E12: half lines and garbage never become a number.
func TestPartialAndMangledAnswersAreNeverNumbers(t *testing.T) {
	for name, mangle := range map[string]simchip.Mangle{
		"half":              func(f []byte) []byte { return f[:len(f)/2] },
		"one byte short":    func(f []byte) []byte { return f[:len(f)-1] },
		"one bit wrong":     func(f []byte) []byte { f[3] ^= 1; return f },
		"garbage in front":  func(f []byte) []byte { return append([]byte{0x55, 0xAA, 0x13}, f...) },
		"nothing":           func([]byte) []byte { return nil },
		"answer of another": func(f []byte) []byte { f[0]++; return f },
	} {
		t.Run(name, func(t *testing.T) {
			p := &port{link: filepath.Join(t.TempDir(), "usb-scale")}
			var bad atomic.Bool
			bad.Store(true)
			p.plug(t, map[byte]*simchip.Unit{3: meter(t)}, func(f []byte) []byte {
				if bad.Load() {
					return mangle(f)
				}
				return f
			})
			_, u := unit(t, modbus.SerialURL(p.link), 3)
			for range 3 {
				_, err := u.Read(t.Context(), modbus.Point{Table: modbus.Holding, Register: 160, Format: modbus.Float32})
				require.Error(t, err)
			}
			bad.Store(false)
			require.Eventually(t, func() bool {
				v, err := u.Read(t.Context(), modbus.Point{Table: modbus.Holding, Register: 160, Format: modbus.Float32})
				if err == nil {
					require.Equal(t, 1.9375, v.Number)
				}
				return err == nil
			}, 5*time.Second, 10*time.Millisecond)
			p.unplug(t)
		})
	}
}

// Faults E12: unplugged and back under another name, 20 times; no descriptor or
// goroutine is left behind.
func TestUnpluggedAndBackUnderAnotherName(t *testing.T) {
	p := &port{link: filepath.Join(t.TempDir(), "usb-scale")}
	units := map[byte]*simchip.Unit{3: meter(t)}
	_, u := unit(t, modbus.SerialURL(p.link), 3)
	point := modbus.Point{Table: modbus.Holding, Register: 160, Format: modbus.Float32}
	var files, routines int
	for i := range 20 {
		p.plug(t, units, nil)
		require.Eventually(t, func() bool {
			_, err := u.Read(t.Context(), point)
			return err == nil
		}, 5*time.Second, 5*time.Millisecond)
		p.unplug(t)
		_, err := u.Read(t.Context(), point)
		require.Error(t, err)
		_, err = u.Read(t.Context(), point)
		require.ErrorIs(t, err, os.ErrNotExist)
		fds, err := os.ReadDir("/proc/self/fd")
		require.NoError(t, err)
		if i == 4 {
			files, routines = len(fds), runtime.NumGoroutine()
		}
		if i > 4 {
			require.LessOrEqual(t, len(fds), files+2)
			require.LessOrEqual(t, runtime.NumGoroutine(), routines+2)
		}
	}
}

func TestNoNumberAndEndsOfTheRange(t *testing.T) {
	u := simchip.NewUnit()
	require.NoError(t, u.Number(modbus.Holding, 0, modbus.Float32, false, math.NaN))
	require.NoError(t, u.Number(modbus.Holding, 2, modbus.Uint16, false, func() float64 { return 1e9 }))
	require.NoError(t, u.Number(modbus.Holding, 3, modbus.Int16, false, func() float64 { return -1e9 }))
	require.NoError(t, u.Number(modbus.Holding, 4, modbus.Int32, false, func() float64 { return 1e12 }))
	require.NoError(t, u.Number(modbus.Holding, 6, modbus.Uint32, false, func() float64 { return 1e12 }))
	s, err := simchip.Serve("127.0.0.1:0", map[byte]*simchip.Unit{1: u})
	require.NoError(t, err)
	_, dev := unit(t, modbus.TCPURL(s.Addr()), 1)
	_, err = dev.Read(t.Context(), modbus.Point{Table: modbus.Holding, Format: modbus.Float32})
	require.ErrorIs(t, err, modbus.ErrNoNumber)
	for reg, format := range map[uint16]string{2: modbus.Uint16, 3: modbus.Int16, 4: modbus.Int32, 6: modbus.Uint32} {
		v, err := dev.Read(t.Context(), modbus.Point{Table: modbus.Holding, Register: reg, Format: format})
		require.NoError(t, err)
		require.True(t, v.Saturated, format)
	}
	require.NoError(t, s.Close())
}

func TestWhatDoesNotExist(t *testing.T) {
	for _, p := range []modbus.Point{
		{Table: "files", Format: modbus.Uint16}, {Table: modbus.Holding, Format: "float64"},
		{Table: modbus.Holding, Format: modbus.Uint32, Register: 65535},
	} {
		require.Error(t, p.Validate())
	}
	_, err := modbus.NewLine(modbus.LineOpts{URL: "tcp://127.0.0.1:502", Parity: "mark"}, sensor.Wall{})
	require.Error(t, err)
	_, err = modbus.NewLine(modbus.LineOpts{URL: "ftp://x"}, sensor.Wall{})
	require.Error(t, err)
	l, err := modbus.NewLine(modbus.LineOpts{URL: "tcp://127.0.0.1:502"}, sensor.Wall{})
	require.NoError(t, err)
	for _, id := range []int{0, 248, -1} {
		_, err = l.Unit(id)
		require.Error(t, err)
	}
}
