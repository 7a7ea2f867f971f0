package simchip

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"sync"
)

// Modbus exception codes (application protocol V1.1b3, from memory).
const (
	exIllegalFunction = 1
	exIllegalAddress  = 2
	exDeviceFailure   = 4
)

// Unit is one simulated Modbus device. Registers that are not there answer with an
// exception, as a real meter does.
type Unit struct {
	mu       sync.Mutex
	holding  map[uint16]func() uint16
	input    map[uint16]func() uint16
	coil     map[uint16]func() bool
	discrete map[uint16]func() bool
	failure  bool
}

// NewUnit makes a device with no registers.
func NewUnit() *Unit {
	return &Unit{
		holding: map[uint16]func() uint16{}, input: map[uint16]func() uint16{},
		coil: map[uint16]func() bool{}, discrete: map[uint16]func() bool{},
	}
}

// Number puts a number into a table ("holding" or "input") in one of the formats
// of package modbus; what the format cannot hold is cut off at its ends.
func (u *Unit) Number(table string, register uint16, format string, lowFirst bool, value func() float64) error {
	regs := map[string]map[uint16]func() uint16{"holding": u.holding, "input": u.input}[table]
	if regs == nil {
		return fmt.Errorf("simchip: a number cannot stand in table %q", table)
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	clamp := func(lo, hi float64) float64 { return math.Max(lo, math.Min(hi, math.Round(value()))) }
	var whole func() uint32
	switch format {
	case "uint16":
		regs[register] = func() uint16 { return uint16(clamp(0, math.MaxUint16)) }
		return nil
	case "int16":
		regs[register] = func() uint16 { return uint16(int16(clamp(math.MinInt16, math.MaxInt16))) }
		return nil
	case "uint32":
		whole = func() uint32 { return uint32(clamp(0, math.MaxUint32)) }
	case "int32":
		whole = func() uint32 { return uint32(int32(clamp(math.MinInt32, math.MaxInt32))) }
	case "float32":
		whole = func() uint32 { return math.Float32bits(float32(value())) }
	default:
		return fmt.Errorf("simchip: there is no format %q", format)
	}
	high, low := register, register+1
	if lowFirst {
		high, low = low, high
	}
	regs[high] = func() uint16 { return uint16(whole() >> 16) }
	regs[low] = func() uint16 { return uint16(whole()) }
	return nil
}

// Bit puts a bit into a table ("coil" or "discrete").
func (u *Unit) Bit(table string, address uint16, on func() bool) error {
	bits := map[string]map[uint16]func() bool{"coil": u.coil, "discrete": u.discrete}[table]
	if bits == nil {
		return fmt.Errorf("simchip: a bit cannot stand in table %q", table)
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	bits[address] = on
	return nil
}

// Fail makes the device answer every question with 'device failure'.
func (u *Unit) Fail(on bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.failure = on
}

// answer turns a request (function code and data) into a response.
func (u *Unit) answer(pdu []byte) []byte {
	u.mu.Lock()
	defer u.mu.Unlock()
	exception := func(code byte) []byte { return []byte{pdu[0] | 0x80, code} }
	if u.failure {
		return exception(exDeviceFailure)
	}
	if len(pdu) != 5 || pdu[0] < 1 || pdu[0] > 4 {
		return exception(exIllegalFunction)
	}
	first := binary.BigEndian.Uint16(pdu[1:])
	n := int(binary.BigEndian.Uint16(pdu[3:]))
	switch pdu[0] {
	case 1, 2:
		table := u.coil
		if pdu[0] == 2 {
			table = u.discrete
		}
		if n < 1 || n > 2000 {
			return exception(exIllegalAddress)
		}
		out := make([]byte, 2+(n+7)/8)
		out[0], out[1] = pdu[0], byte((n+7)/8)
		for i := range n {
			on, ok := table[first+uint16(i)]
			if !ok {
				return exception(exIllegalAddress)
			}
			if on() {
				out[2+i/8] |= 1 << (i % 8)
			}
		}
		return out
	default:
		table := u.holding
		if pdu[0] == 4 {
			table = u.input
		}
		if n < 1 || n > 125 {
			return exception(exIllegalAddress)
		}
		out := []byte{pdu[0], byte(2 * n)}
		for i := range n {
			value, ok := table[first+uint16(i)]
			if !ok {
				return exception(exIllegalAddress)
			}
			out = binary.BigEndian.AppendUint16(out, value())
		}
		return out
	}
}

// Server answers Modbus TCP for several units. Close stops it and waits.
type Server struct {
	units    map[byte]*Unit
	listener net.Listener
	wg       sync.WaitGroup

	mu     sync.Mutex
	conns  map[net.Conn]bool
	closed bool
	first  error
}

// Serve listens on an address ("127.0.0.1:0") and answers for the units.
func Serve(address string, units map[byte]*Unit) (*Server, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("simchip: %w", err)
	}
	s := &Server{units: units, listener: l, conns: map[net.Conn]bool{}}
	s.wg.Go(s.accept)
	return s, nil
}

// Addr is where the server listens.
func (s *Server) Addr() string { return s.listener.Addr().String() }

func (s *Server) accept() {
	for {
		c, err := s.listener.Accept()
		if err != nil {
			s.note(err)
			return
		}
		s.mu.Lock()
		if s.closed {
			s.mu.Unlock()
			c.Close()
			return
		}
		s.conns[c] = true
		s.mu.Unlock()
		s.wg.Go(func() {
			err := s.talk(c)
			s.mu.Lock()
			delete(s.conns, c)
			s.mu.Unlock()
			c.Close()
			if errors.Is(err, errProtocol) { // else the client went away
				s.note(err)
			}
		})
	}
}

// errProtocol: what came is no Modbus TCP.
var errProtocol = errors.New("a request that is no Modbus TCP")

func (s *Server) note(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.first == nil && !s.closed && err != nil {
		s.first = err
	}
}

// talk answers one connection: MBAP header (transaction, protocol 0, length, unit),
// then the request.
func (s *Server) talk(c net.Conn) error {
	var header [7]byte
	for {
		if _, err := io.ReadFull(c, header[:]); err != nil {
			return err
		}
		n := int(binary.BigEndian.Uint16(header[4:]))
		if binary.BigEndian.Uint16(header[2:]) != 0 || n < 2 || n > 254 {
			return fmt.Errorf("simchip: %w: header % x", errProtocol, header)
		}
		pdu := make([]byte, n-1)
		if _, err := io.ReadFull(c, pdu); err != nil {
			return err
		}
		u, ok := s.units[header[6]]
		if !ok {
			continue // a unit that is not there says nothing
		}
		answer := u.answer(pdu)
		out := append([]byte{}, header[:]...)
		binary.BigEndian.PutUint16(out[4:], uint16(len(answer)+1))
		if _, err := c.Write(append(out, answer...)); err != nil {
			return err
		}
	}
}

// Close stops the server, waits for it, and returns the first failure it had that
// was not a client going away.
func (s *Server) Close() error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true
	err := s.first
	for c := range s.conns {
		c.Close()
	}
	s.mu.Unlock()
	s.listener.Close()
	s.wg.Wait()
	return err
}

// Mangle changes an answer on its way out: cut short, garbage, nothing.
type Mangle func(frame []byte) []byte

// ServeRTU answers Modbus RTU requests on a line until it ends: unit, request, CRC
// low byte first. Requests of functions 1 to 4 are eight bytes long.
func ServeRTU(line io.ReadWriter, units map[byte]*Unit, mangle Mangle) error {
	var frame [8]byte
	for {
		if _, err := io.ReadFull(line, frame[:]); err != nil {
			return err
		}
		if crc16(frame[:6]) != binary.LittleEndian.Uint16(frame[6:]) {
			continue
		}
		u, ok := units[frame[0]]
		if !ok {
			continue
		}
		out := append([]byte{frame[0]}, u.answer(frame[1:6])...)
		out = binary.LittleEndian.AppendUint16(out, crc16(out))
		if mangle != nil {
			out = mangle(out)
		}
		if _, err := line.Write(out); err != nil {
			return err
		}
	}
}

// crc16 is the check of Modbus RTU: polynomial 0xA001 (reflected 0x8005), start
// 0xFFFF (Modbus over serial line V1.02, from memory; its test vector is in the
// package's test).
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, x := range b {
		crc ^= uint16(x)
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}
