package simchip

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/physic"
)

// Errors of the simulated bus, in the words of the kernel.
var (
	ErrNoAcknowledge = errors.New("remote I/O error: no acknowledge")
	ErrBusTimeout    = errors.New("connection timed out")
)

// Chip is a device on an I2C bus: w is written first, then r is filled.
type Chip interface {
	Tx(w, r []byte) error
}

// Bus is a simulated I2C bus with several chips. It implements i2c.Bus.
type Bus struct {
	name string

	mu     sync.Mutex // one transaction at a time, as on the wires
	chips  map[uint16]Chip
	fails  int
	err    error
	hang   time.Duration
	stuck  chan struct{} // closed to let go
	resets int
	count  int
}

// NewBus makes an empty bus.
func NewBus(name string) *Bus { return &Bus{name: name, chips: map[uint16]Chip{}} }

func (b *Bus) String() string { return b.name }

// Attach puts a chip at an address.
func (b *Bus) Attach(address uint16, c Chip) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, taken := b.chips[address]; taken {
		return fmt.Errorf("%s: two chips at address 0x%02x", b.name, address)
	}
	b.chips[address] = c
	return nil
}

// Detach takes the chip at an address away.
func (b *Bus) Detach(address uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.chips, address)
}

// Fail makes the next n transactions fail with err; n < 0: all from now on.
func (b *Bus) Fail(n int, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fails, b.err = n, err
}

// Slow makes each transaction take d of the wall (a chip stretches the clock).
func (b *Bus) Slow(d time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.hang = d
}

// Hang makes every transaction from now on block until Release or Reset.
func (b *Bus) Hang() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.stuck == nil {
		b.stuck = make(chan struct{})
	}
}

// Release ends a Hang.
func (b *Bus) Release() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.stuck != nil {
		close(b.stuck)
		b.stuck = nil
	}
}

// Reset is what a pulse on the reset line does: counted, and nothing else, so that
// a test decides whether it helps.
func (b *Bus) Reset() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.resets++
	return nil
}

// Counts are the transactions and resets so far.
func (b *Bus) Counts() (transactions, resets int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.count, b.resets
}

// Tx does one transaction.
func (b *Bus) Tx(address uint16, w, r []byte) error {
	b.mu.Lock()
	stuck, hang := b.stuck, b.hang
	b.mu.Unlock()
	if stuck != nil {
		<-stuck
		return fmt.Errorf("%s: address 0x%02x: %w", b.name, address, ErrBusTimeout)
	}
	if hang > 0 {
		time.Sleep(hang)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.count++
	if b.fails != 0 {
		if b.fails > 0 {
			b.fails--
		}
		return fmt.Errorf("%s: address 0x%02x: %w", b.name, address, b.err)
	}
	c, ok := b.chips[address]
	if !ok {
		return fmt.Errorf("%s: address 0x%02x: %w", b.name, address, ErrNoAcknowledge)
	}
	return c.Tx(w, r)
}

// SetSpeed accepts any speed.
func (b *Bus) SetSpeed(physic.Frequency) error { return nil }
