package gpioline

import (
	"encoding/binary"
	"os"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"
)

var _ gpio.PinIO = (*Line)(nil)

// Request numbers as the kernel's header gives them (from memory): a structure of
// the wrong size would change them.
func TestSizesAndRequestNumbers(t *testing.T) {
	require.EqualValues(t, 68, unsafe.Sizeof(chipInfo{}))
	require.EqualValues(t, 256, unsafe.Sizeof(lineInfo{}))
	require.EqualValues(t, 272, unsafe.Sizeof(lineConfig{}))
	require.EqualValues(t, 592, unsafe.Sizeof(lineRequest{}))
	require.Equal(t, uintptr(0x8044B401), getChipInfo)
	require.Equal(t, uintptr(0xC100B405), getLineInfo)
	require.Equal(t, uintptr(0xC250B407), getLine)
	require.Equal(t, uintptr(0xC010B40E), getValues)
	require.Equal(t, uintptr(0xC010B40F), setValues)
}

func event(mono int64, seq uint32) []byte {
	b := make([]byte, eventSize)
	binary.NativeEndian.PutUint64(b[0:], uint64(mono))
	binary.NativeEndian.PutUint32(b[8:], 1)
	binary.NativeEndian.PutUint32(b[20:], seq)
	return b
}

// Edges come through a pipe as they come from the kernel; a hole in the line's
// sequence numbers is counted, also where the counter wraps.
func TestEdgesAndHoles(t *testing.T) {
	r, w, err := os.Pipe()
	require.NoError(t, err)
	defer w.Close()
	l := &Line{chip: &Chip{path: "/dev/gpiochip0"}, name: "17", file: r}
	var mono unix.Timespec
	require.NoError(t, unix.ClockGettime(unix.CLOCK_MONOTONIC, &mono))
	_, ok, err := l.ReadEdge(time.Millisecond)
	require.NoError(t, err)
	require.False(t, ok)
	for _, tc := range []struct {
		seq  uint32
		lost int
	}{{4294967290, 0}, {4294967291, 0}, {4294967294, 2}, {1, 2}, {2, 0}} {
		_, err = w.Write(event(mono.Nano()-int64(time.Second), tc.seq))
		require.NoError(t, err)
		e, ok, err := l.ReadEdge(time.Second)
		require.NoError(t, err)
		require.True(t, ok)
		require.Equal(t, tc.lost, e.Lost, "%d", tc.seq)
		require.InDelta(t, 1, time.Since(e.At).Seconds(), 0.5)
	}
	require.NoError(t, l.Halt())
	_, _, err = l.ReadEdge(time.Millisecond)
	require.ErrorContains(t, err, "not set up")
}

func TestWhatIsNoChip(t *testing.T) {
	_, err := Open("/dev/null")
	require.ErrorContains(t, err, "no GPIO chip")
	_, err = Open("/dev/gpiochip-absent")
	require.ErrorContains(t, err, "cannot be opened")
}

func TestLineNames(t *testing.T) {
	c := &Chip{path: "/dev/gpiochip0", lines: []string{"", "GPIO17", "5"}}
	for name, want := range map[string]int{"GPIO17": 1, "0": 0, "5": 2} {
		l, err := c.Line(name)
		require.NoError(t, err)
		require.Equal(t, want, l.Number())
	}
	for _, name := range []string{"GPIO18", "3", "-1", "x"} {
		_, err := c.Line(name)
		require.Error(t, err)
	}
}
