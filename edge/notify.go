package edge

import (
	"context"
	"fmt"
	"net"
	"os"
	"strconv"
	"time"
)

// supervisor tells the service manager how the program is (sd_notify(3): a datagram
// of lines to the socket named in the environment). Without one it does nothing.
type supervisor struct {
	socket   string
	watchdog time.Duration // how long it may hear nothing; 0: no watchdog
}

func newSupervisor() supervisor {
	s := supervisor{socket: os.Getenv("NOTIFY_SOCKET")}
	us, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	pid := os.Getenv("WATCHDOG_PID")
	if err == nil && us > 0 && (pid == "" || pid == strconv.Itoa(os.Getpid())) {
		s.watchdog = time.Duration(us) * time.Microsecond
	}
	return s
}

// tell sends one state, for example "READY=1".
func (s supervisor) tell(state string) error {
	if s.socket == "" {
		return nil
	}
	// Go, like systemd, writes a leading @ for an abstract socket.
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: s.socket, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("edge: service manager: %w", err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte(state)); err != nil {
		return fmt.Errorf("edge: service manager: %w", err)
	}
	return nil
}

// guard sends the keep-alive for as long as everything that must move has moved
// since the last one; when something hangs it falls silent, and the manager starts
// the program again. It ends with ctx.
func (s supervisor) guard(ctx context.Context, moved func() bool, trouble func(error)) {
	if s.socket == "" || s.watchdog == 0 {
		return
	}
	keepAlive(ctx, s.watchdog/3, moved, func() {
		if err := s.tell("WATCHDOG=1"); err != nil {
			trouble(err)
		}
	})
}

func keepAlive(ctx context.Context, every time.Duration, moved func() bool, send func()) {
	t := time.NewTicker(every)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			if moved() {
				send()
			}
		}
	}
}
