// Package frames is the compact form in which frames lie in the board's spool. Each
// stands for itself: it can be read without any other. Values come back exactly as
// they went in.
//
// # Layout, version 1
//
//	1        version
//	1        flags: bit 0 clock set, bit 1 boot id is a UUID (16 bytes), bit 2 no time at all
//	4        layout: checksum of the channel names, little-endian; 0: not said
//	varint   time, s since 1970 (absent with bit 2)
//	uvarint  and ns (absent with bit 2)
//	uvarint  ns since boot
//	16 or uvarint length and bytes: the boot id
//	uvarint  number of readings, and for each:
//	1        bits 0-1 form of the value, 2-3 quality, 4 a reason follows, 5-7 decimals
//	         form 0: no value; 1: varint, to be divided by 10^decimals; 2: float32; 3: float64
//	         quality 0 good, 1 bad, 2 stale, 3: a varint with the number follows
//	...      the value; quality if 3; the reason: one byte from reasonCodes, or 0 and
//	         uvarint length and bytes
//
// A value in form 1 is used only where it gives back the very same float64; most
// readings of a converter with few digits shrink to two or three bytes that way.
package frames

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"github.com/google/uuid"

	"decktrim/internal/plant"
)

// Version is the first byte of every frame this package writes.
const Version = 1

const (
	flagClockSet = 1 << iota
	flagUUID
	flagNoTime
)

const (
	formNone = iota
	formDecimal
	formFloat32
	formFloat64
)

// maxReadings bounds what a damaged or foreign frame can make Decode allocate.
const maxReadings = 4096

// ErrDamaged says that bytes are not a frame.
var ErrDamaged = errors.New("frames: not a frame, or damaged")

// NewerVersionError says that a frame was written by a later version of this program.
type NewerVersionError int

func (v NewerVersionError) Error() string {
	return fmt.Sprintf("frames: written by a newer version of this program (format %d; this one knows %d): install the newer version", int(v), Version)
}

// reasonCodes are the reasons that take one byte; the byte is the place in the list
// plus 1. The list may only grow at its end.
var reasonCodes = []plant.Reason{
	plant.NoAnswer, plant.NotReady, plant.Saturated, plant.LoopFault, plant.LoopUncertain, plant.OutOfRange, plant.TooFast,
	plant.Stuck, plant.Spike, plant.TooOld, plant.Missing, plant.Impossible, plant.Uncalibrated,
}

// Layout is a name for a list of channels in their order. A frame carries it so that
// readings kept over a change of the plant file are not taken for other channels.
type Layout uint32

// LayoutOf computes the layout of a channel list.
func LayoutOf(names []string) Layout {
	sum := crc32.New(crc32.MakeTable(crc32.Castagnoli))
	for _, n := range names {
		sum.Write([]byte(n))
		sum.Write([]byte{0})
	}
	return Layout(max(sum.Sum32(), 1))
}

// Encode is Append without a layout.
func Encode(f plant.Frame) []byte { return Append(nil, 0, f) }

// Append appends the frame to dst. A reading whose value is NaN or infinite becomes
// one without a value, bad, for the reason plant.Impossible: one broken channel must
// not cost the frame.
func Append(dst []byte, layout Layout, f plant.Frame) []byte {
	flags := byte(0)
	if f.ClockSet {
		flags |= flagClockSet
	}
	id, err := uuid.Parse(f.Boot)
	isUUID := err == nil && id.String() == f.Boot
	if isUUID {
		flags |= flagUUID
	}
	if f.Time.IsZero() {
		flags |= flagNoTime
	}
	dst = append(dst, Version, flags)
	dst = binary.LittleEndian.AppendUint32(dst, uint32(layout))
	if !f.Time.IsZero() {
		dst = binary.AppendVarint(dst, f.Time.Unix())
		dst = binary.AppendUvarint(dst, uint64(f.Time.Nanosecond()))
	}
	dst = binary.AppendUvarint(dst, uint64(max(f.Mono, 0)))
	if isUUID {
		dst = append(dst, id[:]...)
	} else {
		dst = appendString(dst, f.Boot)
	}
	dst = binary.AppendUvarint(dst, uint64(len(f.Readings)))
	for _, r := range f.Readings {
		dst = appendReading(dst, r)
	}
	return dst
}

func appendString(dst []byte, s string) []byte {
	return append(binary.AppendUvarint(dst, uint64(len(s))), s...)
}

func appendReading(dst []byte, r plant.Reading) []byte {
	if r.Has && (math.IsNaN(r.Value) || math.IsInf(r.Value, 0)) {
		r = plant.Reading{Quality: plant.Bad, Reason: plant.Impossible}
	}
	at := len(dst)
	dst = append(dst, 0)
	tag := byte(formNone)
	if r.Has {
		tag, dst = appendValue(dst, r.Value)
	}
	switch r.Quality {
	case plant.Good:
	case plant.Bad:
		tag |= 1 << 2
	case plant.Stale:
		tag |= 2 << 2
	default:
		tag |= 3 << 2
		dst = binary.AppendVarint(dst, int64(r.Quality))
	}
	if r.Reason != "" {
		tag |= 1 << 4
		dst = appendReason(dst, r.Reason)
	}
	dst[at] = tag
	return dst
}

func appendReason(dst []byte, reason plant.Reason) []byte {
	for i, known := range reasonCodes {
		if reason == known {
			return append(dst, byte(i+1))
		}
	}
	return appendString(append(dst, 0), string(reason))
}

var powersOfTen = [8]float64{1, 10, 100, 1e3, 1e4, 1e5, 1e6, 1e7}

// appendValue takes the shortest form that gives back the same bits.
func appendValue(dst []byte, v float64) (tag byte, out []byte) {
	same := func(w float64) bool { return math.Float64bits(w) == math.Float64bits(v) }
	for digits, scale := range powersOfTen {
		m := math.Round(v * scale)
		if math.Abs(m) >= 1<<48 { // 7 bytes and more: float64 is as short
			break
		}
		if same(float64(int64(m)) / scale) {
			return formDecimal | byte(digits)<<5, binary.AppendVarint(dst, int64(m))
		}
	}
	if f := float32(v); same(float64(f)) {
		return formFloat32, binary.LittleEndian.AppendUint32(dst, math.Float32bits(f))
	}
	return formFloat64, binary.LittleEndian.AppendUint64(dst, math.Float64bits(v))
}

// Decode is DecodeLayout without the layout.
func Decode(b []byte) (plant.Frame, error) {
	f, _, err := DecodeLayout(b)
	return f, err
}

// DecodeLayout reads one whole frame and the layout of its readings. It returns
// ErrDamaged for what is not a frame and NewerVersionError for one of a later
// version.
func DecodeLayout(b []byte) (plant.Frame, Layout, error) {
	if len(b) == 0 {
		return plant.Frame{}, 0, ErrDamaged
	}
	if b[0] > Version {
		return plant.Frame{}, 0, NewerVersionError(b[0])
	}
	r := reader{b: b}
	r.byte()
	flags := r.byte()
	layout := Layout(r.uint32())
	f := plant.Frame{ClockSet: flags&flagClockSet != 0}
	if flags&flagNoTime == 0 {
		s, ns := r.varint(), r.uvarint()
		if ns >= 1e9 {
			r.bad = true
		}
		f.Time = time.Unix(s, int64(ns)).UTC()
	}
	f.Mono = time.Duration(r.uvarint())
	if f.Mono < 0 {
		r.bad = true
	}
	if flags&flagUUID != 0 {
		var id uuid.UUID
		copy(id[:], r.take(len(id)))
		f.Boot = id.String()
	} else {
		f.Boot = r.string()
	}
	n := r.uvarint()
	if n > maxReadings || n > uint64(len(r.b)) { // a reading takes a byte at least
		r.bad = true
	}
	if r.bad || b[0] != Version {
		return plant.Frame{}, 0, ErrDamaged
	}
	f.Readings = make([]plant.Reading, n)
	for i := range f.Readings {
		f.Readings[i] = r.reading()
	}
	if r.bad || len(r.b) != 0 {
		return plant.Frame{}, 0, ErrDamaged
	}
	return f, layout, nil
}

// reader takes pieces off the front of b. After the first that is not there it is
// bad and gives zeros.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) take(n int) []byte {
	if r.bad || n > len(r.b) {
		r.bad = true
		return nil
	}
	p := r.b[:n]
	r.b = r.b[n:]
	return p
}

func (r *reader) byte() byte {
	if p := r.take(1); p != nil {
		return p[0]
	}
	return 0
}

func (r *reader) uint32() uint32 {
	if p := r.take(4); p != nil {
		return binary.LittleEndian.Uint32(p)
	}
	return 0
}

func (r *reader) uint64() uint64 {
	if p := r.take(8); p != nil {
		return binary.LittleEndian.Uint64(p)
	}
	return 0
}

func (r *reader) varint() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.bad = true
		return 0
	}
	r.take(n)
	return v
}

func (r *reader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.bad = true
		return 0
	}
	r.take(n)
	return v
}

func (r *reader) string() string {
	n := r.uvarint()
	if n > uint64(len(r.b)) {
		r.bad = true
		return ""
	}
	return string(r.take(int(n)))
}

func (r *reader) reading() plant.Reading {
	tag := r.byte()
	var out plant.Reading
	switch tag & 3 {
	case formDecimal:
		out.Has, out.Value = true, float64(r.varint())/powersOfTen[tag>>5]
	case formFloat32:
		out.Has, out.Value = true, float64(math.Float32frombits(r.uint32()))
	case formFloat64:
		out.Has, out.Value = true, math.Float64frombits(r.uint64())
	}
	if math.IsNaN(out.Value) || math.IsInf(out.Value, 0) {
		r.bad = true // Append writes none
	}
	switch tag >> 2 & 3 {
	case 0:
		out.Quality = plant.Good
	case 1:
		out.Quality = plant.Bad
	case 2:
		out.Quality = plant.Stale
	case 3:
		out.Quality = plant.Quality(r.varint())
	}
	if tag&(1<<4) != 0 {
		if code := int(r.byte()); code == 0 {
			out.Reason = plant.Reason(r.string())
		} else if code <= len(reasonCodes) {
			out.Reason = reasonCodes[code-1]
		} else {
			r.bad = true
		}
	}
	if r.bad {
		return plant.Reading{}
	}
	return out
}
