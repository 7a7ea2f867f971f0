package uplink

import (
	"fmt"
	"net"
	"time"

	"golang.org/x/sys/unix"
)

// How many bytes may wait in the kernel: sendBuffer altogether, unsentLimit of these
// not yet on their way. Little, so that a live reading is not queued behind a minute
// of backlog on a slow link, and a write that has to wait for room does not wait for
// long: the kernel wakes it when a third of what is queued has gone.
const (
	sendBuffer  = 32 << 10
	unsentLimit = 8 << 10
)

// tune tells the kernel to give the connection up when the peer has not confirmed
// what was sent for the given time, instead of after a quarter of an hour.
func tune(conn *net.TCPConn, userTimeout time.Duration) error {
	if err := conn.SetWriteBuffer(sendBuffer); err != nil {
		return fmt.Errorf("socket: %w", err)
	}
	raw, err := conn.SyscallConn()
	if err != nil {
		return fmt.Errorf("socket: %w", err)
	}
	var failed error
	err = raw.Control(func(fd uintptr) {
		failed = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(userTimeout.Milliseconds()))
		if failed == nil {
			failed = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_NOTSENT_LOWAT, unsentLimit)
		}
	})
	if err == nil {
		err = failed
	}
	if err != nil {
		return fmt.Errorf("socket options: %w", err)
	}
	return nil
}
