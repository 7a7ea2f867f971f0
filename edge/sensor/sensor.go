// Package sensor holds what the drivers have in common: the clock they wait by,
// the raw conversion they give, and the errors a caller branches on.
//
// A driver never starts a goroutine, never waits without a bound, and never hides
// a bus error: it is wrapped and returned. It speaks to periph.io/x/conn/v3
// interfaces, so a simulated chip and a real bus run the same code.
package sensor

import (
	"context"
	"errors"
	"time"

	"periph.io/x/conn/v3/gpio"
)

// Clock is what a driver waits by. On a real bus it is the wall; simulated chips
// bring their own, which runs with the plant clock.
type Clock interface {
	Now() time.Time
	// Sleep returns after d, or earlier with the context's error.
	Sleep(ctx context.Context, d time.Duration) error
}

// Wall is the clock of real devices. Its times carry Go's monotonic reading, so
// differences do not step with the board's clock.
type Wall struct{}

// Now is the time of the wall clock.
func (Wall) Now() time.Time { return time.Now() }

// Sleep waits d by the monotonic clock.
func (Wall) Sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// Conversion is one raw result of a converter.
type Conversion struct {
	Code      int32     // two's complement, as the chip gave it
	Saturated bool      // at an end of the converter's range: the input may be anything beyond
	At        time.Time // when the result was read
}

// Edge is one edge on a line, as a line reports it that knows more than gpio.PinIn
// can say.
type Edge struct {
	At   time.Time
	Lost int // edges the kernel dropped before this one
}

var (
	// ErrNotReady: the chip answers, but no conversion finished within the bound.
	ErrNotReady = errors.New("no conversion finished in time")
	// ErrReset: the chip lost its settings (power dip, clock held too long). It
	// must be initialised again before its readings mean anything.
	ErrReset = errors.New("the chip was reset meanwhile")
	// ErrWrongChip: something answers, but not the chip that should be there.
	ErrWrongChip = errors.New("another chip answers")
)

// levelReader is a pin that reports a failed read, which gpio.PinIn cannot.
type levelReader interface {
	ReadLevel() (gpio.Level, error)
}

// ReadPin reads a pin's level, with the error where the pin can tell.
func ReadPin(p gpio.PinIn) (gpio.Level, error) {
	if r, ok := p.(levelReader); ok {
		return r.ReadLevel()
	}
	return p.Read(), nil
}

// SignExtend24 turns a 24-bit two's complement code into a number (check values
// LC-03 to LC-09).
func SignExtend24(raw uint32) int32 { return int32(raw<<8) >> 8 }

// The ends of a 24-bit converter's range (check values LC-05, LC-06).
const (
	Max24 = 1<<23 - 1
	Min24 = -1 << 23
)
