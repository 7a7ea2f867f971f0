package horn

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"

	"decktrim/edge/sensor/simchip"
)

var quiet = slog.New(slog.DiscardHandler)

func outputs(t *testing.T, button gpio.PinIn, activeLow bool) (h *Horn, horn, beacon *simchip.OutPin) {
	t.Helper()
	horn, beacon = simchip.NewOutPin("GPIO22"), simchip.NewOutPin("GPIO27")
	h, err := New(horn, beacon, button, activeLow, quiet)
	require.NoError(t, err)
	return h, horn, beacon
}

func TestActSoundsLookLights(t *testing.T) {
	for _, low := range []bool{false, true} {
		h, horn, beacon := outputs(t, nil, low)
		for _, tc := range []struct{ act, look, sound, light bool }{
			{false, false, false, false}, {false, true, false, true}, {true, false, true, true}, {true, true, true, true}, {false, false, false, false},
		} {
			require.NoError(t, h.Set(tc.act, tc.look))
			require.Equal(t, tc.sound != low, bool(horn.Level()), "%+v", tc)
			require.Equal(t, tc.light != low, bool(beacon.Level()), "%+v", tc)
		}
	}
}

func TestSilenceStopsTheSoundUntilTheNextActAlarm(t *testing.T) {
	h, horn, beacon := outputs(t, nil, false)
	now := time.Time{}
	require.NoError(t, h.Alarms(now, 1, 0))
	require.NoError(t, h.Silence())
	require.Equal(t, gpio.Low, horn.Level())
	require.Equal(t, gpio.High, beacon.Level(), "the light stays")
	require.NoError(t, h.Alarms(now, 1, 3))
	require.Equal(t, gpio.Low, horn.Level(), "a look alarm does not sound")
	require.NoError(t, h.Alarms(now, 2, 3))
	require.Equal(t, gpio.High, horn.Level(), "a new act alarm does")
	require.NoError(t, h.Silence())
	require.NoError(t, h.Alarms(now, 0, 0))
	require.NoError(t, h.Alarms(now, 1, 0))
	require.Equal(t, gpio.High, horn.Level())
}

func TestAFailedOutputIsAnErrorAndTheOtherIsStillSet(t *testing.T) {
	h, horn, beacon := outputs(t, nil, false)
	gone := errors.New("no such device")
	horn.Fail(gone)
	require.ErrorIs(t, h.Set(true, false), gone)
	require.Equal(t, gpio.High, beacon.Level())
	require.ErrorIs(t, h.Test(t.Context(), time.Hour), gone)
}

func TestRunTriesAgainAndMindsTheButton(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := simchip.NewFreeClock(time.Now())
		var up atomic.Bool
		up.Store(true)
		button := simchip.NewContactPin("GPIO24", clock, func(time.Time) bool { return up.Load() })
		h, horn, beacon := outputs(t, button, false)
		var log bytes.Buffer
		h.log = slog.New(slog.NewTextHandler(&log, nil))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- h.Run(ctx) }()
		wait := func(d time.Duration) { time.Sleep(d); synctest.Wait() }

		horn.Fail(errors.New("no such device"))
		require.Error(t, h.Set(true, false))
		wait(10 * time.Second)
		horn.Fail(nil)
		wait(1100 * time.Millisecond)
		require.Equal(t, gpio.High, horn.Level(), "put right without being asked")
		require.Equal(t, 1, strings.Count(log.String(), "does not obey"), "said once: %s", &log)
		require.Contains(t, log.String(), "obeys again")

		up.Store(false)
		wait(20 * time.Millisecond)
		up.Store(true)
		wait(time.Second)
		require.Equal(t, gpio.High, horn.Level(), "a knock is no press")
		up.Store(false)
		wait(150 * time.Millisecond)
		require.Equal(t, gpio.Low, horn.Level())
		require.Equal(t, gpio.High, beacon.Level())
		cancel()
		require.NoError(t, <-done)
	})
}

func TestTestSoundsBothAndGoesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h, horn, beacon := outputs(t, nil, false)
		require.NoError(t, h.Set(false, true))
		done := make(chan error)
		go func() { done <- h.Test(t.Context(), 2*time.Second) }()
		time.Sleep(time.Second)
		require.Equal(t, gpio.High, horn.Level())
		require.NoError(t, <-done)
		require.Equal(t, gpio.Low, horn.Level())
		require.Equal(t, gpio.High, beacon.Level())
		require.NoError(t, h.Close())
		require.Equal(t, gpio.Low, beacon.Level())
	})
}

func TestConfig(t *testing.T) {
	require.False(t, Config{}.Given())
	var log bytes.Buffer
	h, err := Open(Config{Kind: "simulated"}, slog.New(slog.NewTextHandler(&log, nil)))
	require.NoError(t, err)
	require.NoError(t, h.Set(true, false))
	require.NoError(t, h.Set(true, false))
	require.Equal(t, 2, strings.Count(log.String(), "simulated output"), "horn and beacon, once: %s", &log)
	require.NoError(t, h.Close())
	for _, c := range []Config{{Kind: "spi"}, {Horn: "22"}, {Path: "/dev/gpiochip-absent", Horn: "22", Beacon: "27"}} {
		_, err := Open(c, nil)
		require.ErrorContains(t, err, "[horn]")
	}
}
