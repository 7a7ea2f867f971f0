package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"decktrim/internal/plant"
)

// Sample is one value of one metric as the node sent it.
type Sample struct {
	Device  string // empty: the node's own metric
	Metric  string
	TS      int64 // ms since 1970, when measured
	Value   any   // nil (null), float64, int64, uint64, bool, string or []byte
	Quality plant.Quality
	Reason  plant.Reason
}

// The body of a frame is, for each metric of its layout, a head byte and what the
// head announces: quality (varint) if other, ts difference (zigzag varint, ms) if
// late, reason (length, text) if given, then the value.
//
//	head: bits 0-2 kind, bits 3-4 quality code, bit 5 ts differs, bit 6 reason follows
const (
	kindNull   = 0
	kindFloat  = 1 // 8 bytes, IEEE 754, little-endian
	kindInt    = 2 // zigzag varint
	kindUint   = 3 // varint
	kindFalse  = 4
	kindTrue   = 5
	kindString = 6 // length, text
	kindBytes  = 7 // length, bytes

	kindBirth = 16 // beside the kind, in table reading: said in a birth

	qualityGood  = 0 << 3
	qualityBad   = 1 << 3
	qualityStale = 2 << 3
	qualityOther = 3 << 3
	qualityMask  = 3 << 3

	flagTS     = 1 << 5
	flagReason = 1 << 6
)

var errFrameBody = errors.New("stored frame is damaged")

// kindOf tells how a value is kept; ok is false for a type that is not one of Sample's.
func kindOf(v any) (kind byte, ok bool) {
	switch v := v.(type) {
	case nil:
		return kindNull, true
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return kindNull, true // no number was there; NaN never leaves a package
		}
		return kindFloat, true
	case int64:
		return kindInt, true
	case uint64:
		return kindUint, true
	case bool:
		if v {
			return kindTrue, true
		}
		return kindFalse, true
	case string:
		return kindString, true
	case []byte:
		return kindBytes, true
	}
	return 0, false
}

func appendSample(dst []byte, s *Sample, frameTS int64) ([]byte, error) {
	head, ok := kindOf(s.Value)
	if !ok {
		return dst, fmt.Errorf("metric %q: a value of type %T cannot be stored", s.Metric, s.Value)
	}
	kind := head
	switch s.Quality {
	case plant.Good:
		head |= qualityGood
	case plant.Bad:
		head |= qualityBad
	case plant.Stale:
		head |= qualityStale
	default:
		head |= qualityOther
	}
	if s.TS != frameTS {
		head |= flagTS
	}
	if s.Reason != "" {
		head |= flagReason
	}
	dst = append(dst, head)
	if head&qualityMask == qualityOther {
		dst = binary.AppendVarint(dst, int64(s.Quality))
	}
	if head&flagTS != 0 {
		dst = binary.AppendVarint(dst, s.TS-frameTS)
	}
	if head&flagReason != 0 {
		dst = appendText(dst, string(s.Reason))
	}
	switch kind {
	case kindFloat:
		dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(s.Value.(float64)))
	case kindInt:
		dst = binary.AppendVarint(dst, s.Value.(int64))
	case kindUint:
		dst = binary.AppendUvarint(dst, s.Value.(uint64))
	case kindString:
		dst = appendText(dst, s.Value.(string))
	case kindBytes:
		dst = appendText(dst, s.Value.([]byte))
	}
	return dst, nil
}

func appendText[T ~string | ~[]byte](dst []byte, s T) []byte {
	return append(binary.AppendUvarint(dst, uint64(len(s))), s...)
}

// packed is one value of a body. Text shares the body's memory.
type packed struct {
	kind    byte
	quality plant.Quality
	ts      int64
	reason  []byte
	num     float64 // kindFloat
	bits    uint64  // kindInt (as int64), kindUint
	text    []byte  // kindString, kindBytes
}

// cursor walks a body.
type cursor struct {
	b  []byte
	ts int64 // of the frame
}

func (c *cursor) uvarint() (uint64, error) {
	v, n := binary.Uvarint(c.b)
	if n <= 0 {
		return 0, errFrameBody
	}
	c.b = c.b[n:]
	return v, nil
}

func (c *cursor) varint() (int64, error) {
	v, n := binary.Varint(c.b)
	if n <= 0 {
		return 0, errFrameBody
	}
	c.b = c.b[n:]
	return v, nil
}

func (c *cursor) take() ([]byte, error) {
	n, err := c.uvarint()
	if err != nil || n > uint64(len(c.b)) {
		return nil, errFrameBody
	}
	t := c.b[:n]
	c.b = c.b[n:]
	return t, nil
}

func (c *cursor) next(p *packed) (err error) {
	if len(c.b) == 0 {
		return errFrameBody
	}
	head := c.b[0]
	c.b = c.b[1:]
	*p = packed{kind: head & 7, ts: c.ts}
	switch head & qualityMask {
	case qualityGood:
		p.quality = plant.Good
	case qualityBad:
		p.quality = plant.Bad
	case qualityStale:
		p.quality = plant.Stale
	default:
		q, err := c.varint()
		if err != nil {
			return err
		}
		p.quality = plant.Quality(q)
	}
	if head&flagTS != 0 {
		d, err := c.varint()
		if err != nil {
			return err
		}
		p.ts += d
	}
	if head&flagReason != 0 {
		if p.reason, err = c.take(); err != nil {
			return err
		}
	}
	switch p.kind {
	case kindFloat:
		if len(c.b) < 8 {
			return errFrameBody
		}
		p.num = math.Float64frombits(binary.LittleEndian.Uint64(c.b))
		c.b = c.b[8:]
	case kindInt:
		v, err := c.varint()
		if err != nil {
			return err
		}
		p.bits = uint64(v)
	case kindUint:
		if p.bits, err = c.uvarint(); err != nil {
			return err
		}
	case kindString, kindBytes:
		if p.text, err = c.take(); err != nil {
			return err
		}
	}
	return nil
}

// value is the value as the node sent it.
func (p *packed) value() any {
	switch p.kind {
	case kindFloat:
		return p.num
	case kindInt:
		return int64(p.bits)
	case kindUint:
		return p.bits
	case kindFalse:
		return false
	case kindTrue:
		return true
	case kindString:
		return string(p.text)
	case kindBytes:
		return append([]byte(nil), p.text...)
	}
	return nil
}

// number is the value as a number, a contact as 0 or 1; ok is false for the rest.
func (p *packed) number() (v float64, ok bool) {
	switch p.kind {
	case kindFloat:
		return p.num, true
	case kindInt:
		return float64(int64(p.bits)), true
	case kindUint:
		return float64(p.bits), true
	case kindFalse:
		return 0, true
	case kindTrue:
		return 1, true
	}
	return 0, false
}

// layout is the metrics of a frame in the order of its body.
type layout []int64

func appendLayout(dst []byte, metric int64) []byte {
	return binary.AppendUvarint(dst, uint64(metric))
}

func decodeLayout(b []byte) (layout, error) {
	var l layout
	for len(b) > 0 {
		v, n := binary.Uvarint(b)
		if n <= 0 {
			return nil, errFrameBody
		}
		l, b = append(l, int64(v)), b[n:]
	}
	return l, nil
}
