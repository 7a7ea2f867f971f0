//go:build !linux

package uplink

import (
	"net"
	"time"
)

// tune does nothing where the kernel has no such options; the write limit and the
// keep-alive remain.
func tune(*net.TCPConn, time.Duration) error { return nil }
