package instruments

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"

	"decktrim/edge/sensor/simchip"
)

// closable is a simulated bus that knows whether it has been closed.
type closable struct {
	*simchip.Bus
	closed int
}

func (c *closable) Close() error { c.closed++; return nil }

// A bus is opened anew while a transaction hangs in it: the new one works at once,
// the old one is closed when its transaction comes back, and while it has not,
// nothing more is opened.
func TestABusIsReopenedUnderAHungTransaction(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var opened []*closable
		s := &swappable{open: func() (i2c.BusCloser, error) {
			b := &closable{Bus: simchip.NewBus("i2c-1")}
			require.NoError(t, b.Attach(0x48, simchip.NewADS1115(simchip.NewFreeClock(time.Now()))))
			opened = append(opened, b)
			return b, nil
		}}
		require.NoError(t, s.reopen())
		ask := func() error { return s.Tx(0x48, []byte{1}, make([]byte, 2)) }
		require.NoError(t, ask())
		opened[0].Hang()
		back := make(chan error)
		go func() { back <- ask() }()
		synctest.Wait()
		require.NoError(t, s.reopen())
		require.NoError(t, ask(), "the new one works")
		require.ErrorContains(t, s.reopen(), "still held")
		require.Len(t, opened, 2)
		require.Zero(t, opened[0].closed)
		opened[0].Release()
		require.ErrorIs(t, <-back, simchip.ErrBusTimeout)
		require.Equal(t, 1, opened[0].closed)
		require.NoError(t, s.reopen())
		require.Equal(t, 1, opened[1].closed, "nothing was in it")
		require.NoError(t, s.Close())
		require.NoError(t, s.Close())
		require.Equal(t, 1, opened[2].closed)
		require.Error(t, ask())
	})
}

// Faults E13: however often it is asked, a bus is reset once a minute.
func TestAResetOnceAMinute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		resets := 0
		b := &openBus{ask: make(chan struct{}, 1), reset: func() error { resets++; return errors.New("no such pin") }}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { b.keep(ctx, slog.New(slog.DiscardHandler)); close(done) }()
		for range 60 * 60 { // an hour
			b.askReset()
			time.Sleep(time.Second)
		}
		cancel()
		<-done
		require.Equal(t, 60, resets)
	})
	(*openBus)(nil).askReset() // a device without a bus asks in vain
}
