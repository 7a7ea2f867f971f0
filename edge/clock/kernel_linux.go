package clock

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// SinceBoot is the kernel's time since the boot, sleep included.
func SinceBoot() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		return sinceStart() // kernels before 2.6.39
	}
	return time.Duration(ts.Nano())
}

// BootID is the kernel's name for this boot; empty if it does not say.
func BootID() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// Synchronised reports whether the kernel has been told by a time service that its
// clock is right (adjtimex(2): the flag STA_UNSYNC is not set).
func Synchronised() bool {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0
}
