package simchip

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// The check of Modbus RTU against a frame that every text on it shows: unit 1,
// read holding register 0, two of them: C4 0B on the wire, low byte first (from
// memory).
func TestCRC16(t *testing.T) {
	require.Equal(t, uint16(0x0BC4), crc16([]byte{1, 3, 0, 0, 0, 2}))
}

func TestClockFollowsThePlantAndNeverMissesAnything(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now()
		plant := func() time.Time { return begin.Add(20 * time.Since(begin)) }
		c := NewClock(plant, 20)
		for range 1000 { // 1000 conversions of 12.5 ms: 12.5 s of the plant
			require.NoError(t, c.Sleep(context.Background(), 12500*time.Microsecond))
		}
		require.Equal(t, begin.Add(12500*time.Millisecond), c.Now())
		require.InDelta(t, 0.625, time.Since(begin).Seconds(), 0.02, "a twentieth of it passed")
	})
}

func TestClockSkipsWhatTheHostSleptThrough(t *testing.T) {
	at := time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)
	now := at
	c := NewClock(func() time.Time { return now }, 1)
	now = at.Add(time.Hour)
	require.NoError(t, c.Sleep(context.Background(), time.Second))
	require.Equal(t, now, c.Now())
}

func TestClockStopsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		at := time.Now()
		c := NewClock(func() time.Time { return at }, 1) // a plant that stands still
		require.ErrorIs(t, c.Sleep(ctx, time.Minute), context.DeadlineExceeded)
	})
}

func TestBus(t *testing.T) {
	b := NewBus("sim")
	clock := NewFreeClock(time.Time{})
	require.NoError(t, b.Attach(0x48, NewADS1115(clock)))
	require.Error(t, b.Attach(0x48, NewADS1115(clock)), "an address is taken once")
	require.NoError(t, b.Tx(0x48, []byte{1}, make([]byte, 2)))
	require.ErrorIs(t, b.Tx(0x2A, []byte{0}, nil), ErrNoAcknowledge)
	b.Fail(2, ErrBusTimeout)
	require.ErrorIs(t, b.Tx(0x48, []byte{1}, nil), ErrBusTimeout)
	require.ErrorIs(t, b.Tx(0x48, []byte{1}, nil), ErrBusTimeout)
	require.NoError(t, b.Tx(0x48, []byte{1}, nil))
	synctest.Test(t, func(t *testing.T) {
		b.Hang()
		done := make(chan error)
		go func() { done <- b.Tx(0x48, []byte{1}, nil) }()
		synctest.Wait()
		b.Release()
		require.ErrorIs(t, <-done, ErrBusTimeout)
	})
	require.NoError(t, b.Tx(0x48, []byte{1}, nil))
}
