package spool

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	"github.com/google/uuid"
)

const (
	version       = 1
	commonLen     = 16
	headerLen     = 64
	recordLen     = 16 // before the payload
	footerPayload = 24
	footerLen     = recordLen + footerPayload
	cursorLen     = 96 // before the boot id

	recordMark = 0xA5
	kindRecord = 1
	kindFooter = 2

	// MaxPayload is the longest record that Append takes, in bytes.
	MaxPayload = 1<<16 - 1
)

const (
	segmentMagic = "DTSPOOL\n"
	cursorMagic  = "DTCURSR\n"
)

var (
	le         = binary.LittleEndian
	castagnoli = crc32.MakeTable(crc32.Castagnoli)

	errDamaged = errors.New("damaged")
)

// NewerVersionError says that a file was written by a later version of this
// program, which alone knows how to read it.
type NewerVersionError struct {
	File    string
	Version int
}

func (e *NewerVersionError) Error() string {
	return fmt.Sprintf("spool: %s was written by a newer version of this program (format %d; this one knows %d): "+
		"install the newer version, or give [spool] dir an empty folder", e.File, e.Version, version)
}

// putCommon fills the 16 bytes that every file begins with.
func putCommon(b []byte, magic string, length int) {
	copy(b, magic)
	le.PutUint16(b[8:], version)
	le.PutUint16(b[10:], uint16(length))
	le.PutUint32(b[12:], crc32.Checksum(b[:12], castagnoli))
}

// checkCommon checks the first 16 bytes of a file.
func checkCommon(b []byte, magic, name string) error {
	if len(b) < commonLen || string(b[:8]) != magic || crc32.Checksum(b[:12], castagnoli) != le.Uint32(b[12:]) {
		return errDamaged
	}
	if v := le.Uint16(b[8:]); v > version {
		return &NewerVersionError{name, int(v)}
	}
	return nil
}

// header is a segment's first bytes.
type header struct {
	stream  uuid.UUID
	id      uint64
	first   uint64
	ceiling uint64
	reserve uint32
}

func (h header) encode() []byte {
	b := make([]byte, headerLen)
	putCommon(b, segmentMagic, headerLen)
	copy(b[16:], h.stream[:])
	le.PutUint64(b[32:], h.id)
	le.PutUint64(b[40:], h.first)
	le.PutUint64(b[48:], h.ceiling)
	le.PutUint32(b[56:], h.reserve)
	le.PutUint32(b[60:], crc32.Checksum(b[:60], castagnoli))
	return b
}

func decodeHeader(b []byte, name string) (header, error) {
	if err := checkCommon(b, segmentMagic, name); err != nil {
		return header{}, err
	}
	if len(b) < headerLen || crc32.Checksum(b[:60], castagnoli) != le.Uint32(b[60:]) {
		return header{}, errDamaged
	}
	h := header{id: le.Uint64(b[32:]), first: le.Uint64(b[40:]), ceiling: le.Uint64(b[48:]), reserve: le.Uint32(b[56:])}
	copy(h.stream[:], b[16:])
	return h, nil
}

// place is where n bytes go that follow end: no record crosses the border of a block
// if it fits into one. A program killed while it writes has written whole blocks,
// and a card tears between blocks, so such a record is there or not.
func place(end int64, n int) int64 {
	next := (end + blockLen - 1) / blockLen * blockLen
	if n <= blockLen && end+int64(n) > next {
		return next
	}
	return end
}

// appendRecord appends one framed record to dst.
func appendRecord(dst []byte, kind byte, seq uint64, payload []byte) []byte {
	at := len(dst)
	dst = append(dst, recordMark, kind, 0, 0)
	le.PutUint16(dst[at+2:], uint16(len(payload)))
	dst = le.AppendUint64(dst, seq)
	sum := crc32.Update(crc32.Checksum(dst[at:], castagnoli), castagnoli, payload)
	dst = le.AppendUint32(dst, sum)
	return append(dst, payload...)
}

// parseRecord reads the record at the beginning of b. Payload aliases b.
func parseRecord(b []byte) (kind byte, seq uint64, payload []byte, ok bool) {
	if len(b) < recordLen || b[0] != recordMark || (b[1] != kindRecord && b[1] != kindFooter) {
		return 0, 0, nil, false
	}
	n := int(le.Uint16(b[2:]))
	if len(b) < recordLen+n {
		return 0, 0, nil, false
	}
	payload = b[recordLen : recordLen+n : recordLen+n]
	if crc32.Update(crc32.Checksum(b[:12], castagnoli), castagnoli, payload) != le.Uint32(b[12:]) {
		return 0, 0, nil, false
	}
	return b[1], le.Uint64(b[4:]), payload, true
}

// footer ends a finished segment.
type footer struct {
	first, last, count uint64
	at                 int64 // where the footer begins
}

func (f footer) encode() []byte {
	var p [footerPayload]byte
	le.PutUint64(p[0:], f.first)
	le.PutUint64(p[8:], f.count)
	le.PutUint64(p[16:], uint64(f.at))
	return appendRecord(nil, kindFooter, f.last, p[:])
}

func decodeFooter(b []byte, size int64) (footer, bool) {
	kind, last, p, ok := parseRecord(b)
	if !ok || kind != kindFooter || len(p) != footerPayload || len(b) != footerLen {
		return footer{}, false
	}
	f := footer{first: le.Uint64(p[0:]), last: last, count: le.Uint64(p[8:]), at: int64(le.Uint64(p[16:]))}
	return f, f.at == size-footerLen
}

// cursor is what the spool knows of itself beside its records.
type cursor struct {
	stream  uuid.UUID
	clean   bool
	loose   bool // numbers were given out that are in memory alone
	ceiling uint64
	acked   uint64
	floor   uint64
	last    uint64
	dropped uint64
	refused uint64
	boot    string
}

func (c cursor) encode() []byte {
	b := make([]byte, cursorLen, cursorLen+len(c.boot))
	putCommon(b, cursorMagic, cursorLen+len(c.boot))
	copy(b[16:], c.stream[:])
	if c.clean {
		b[32] = 1
	}
	if c.loose {
		b[32] |= 2
	}
	for i, v := range []uint64{c.ceiling, c.acked, c.floor, c.last, c.dropped, c.refused} {
		le.PutUint64(b[40+8*i:], v)
	}
	le.PutUint16(b[88:], uint16(len(c.boot)))
	sum := crc32.Update(crc32.Checksum(b[:92], castagnoli), castagnoli, []byte(c.boot))
	le.PutUint32(b[92:], sum)
	return append(b, c.boot...)
}

func decodeCursor(b []byte, name string) (cursor, error) {
	if err := checkCommon(b, cursorMagic, name); err != nil {
		return cursor{}, err
	}
	if len(b) < cursorLen || len(b) != cursorLen+int(le.Uint16(b[88:])) {
		return cursor{}, errDamaged
	}
	sum := crc32.Update(crc32.Checksum(b[:92], castagnoli), castagnoli, b[cursorLen:])
	if sum != le.Uint32(b[92:]) {
		return cursor{}, errDamaged
	}
	c := cursor{
		clean: b[32]&1 != 0, loose: b[32]&2 != 0, ceiling: le.Uint64(b[40:]), acked: le.Uint64(b[48:]), floor: le.Uint64(b[56:]),
		last: le.Uint64(b[64:]), dropped: le.Uint64(b[72:]), refused: le.Uint64(b[80:]),
		boot: string(b[cursorLen:]),
	}
	copy(c.stream[:], b[16:])
	return c, nil
}
