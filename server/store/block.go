package store

import (
	"bytes"
	"cmp"
	"compress/flate"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"slices"
)

// A block is frames of one stream and hour as columns. Frames of a plant differ
// little from one second to the next, so that the same field of all frames, as
// differences from one to the next, compresses far better than frame by frame.
//
//	block:   CRC-32C of the rest (4 bytes, little-endian), flate of the sections
//	section: length (uvarint), bytes
//
// The sections are seq, ts, boot, layout, gap from, gap to (whole numbers, see
// appendWhole), then five for each column: heads, extras (quality, ts difference and
// reason as in a frame body), floats, ints, and the other values as in a frame body.
// A column is one metric in the order of its place in the frames' layouts; a metric
// that stands twice in a frame has two.

// row is a frame as it is stored.
type row struct {
	seq, ts, boot, layout int64
	gapFrom, gapTo        int64 // 0: none
	body                  []byte
}

// column says which metric, and the how manieth of it in one frame.
type column struct {
	metric int64
	again  int
}

type columnData struct {
	heads, extras, other []byte
	floats, ints         []uint64 // bits of the float64; of the int64
}

const blockMost = 64 << 20 // bytes of a block when unpacked: a damaged one is not followed further

var (
	errBlock   = errors.New("stored block is damaged")
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
)

// columnsOf lists the columns of each layout, and all of them in a fixed order.
func columnsOf(rows []row, layouts map[int64]layout) (byLayout map[int64][]column, all []column, err error) {
	byLayout = map[int64][]column{}
	seen := map[column]bool{}
	for i := range rows {
		id := rows[i].layout
		if _, done := byLayout[id]; done {
			continue
		}
		l, ok := layouts[id]
		if !ok {
			return nil, nil, fmt.Errorf("%w: layout %d is not known", errBlock, id)
		}
		columns, count := make([]column, len(l)), map[int64]int{}
		for j, m := range l {
			columns[j] = column{m, count[m]}
			count[m]++
			if !seen[columns[j]] {
				seen[columns[j]] = true
				all = append(all, columns[j])
			}
		}
		byLayout[id] = columns
	}
	slices.SortFunc(all, func(a, b column) int { return cmp.Or(cmp.Compare(a.metric, b.metric), cmp.Compare(a.again, b.again)) })
	return byLayout, all, nil
}

// encodeBlock packs rows, which are sorted by number.
func encodeBlock(rows []row, layouts map[int64]layout) ([]byte, error) {
	byLayout, all, err := columnsOf(rows, layouts)
	if err != nil {
		return nil, err
	}
	data := map[column]*columnData{}
	for _, c := range all {
		data[c] = &columnData{}
	}
	for i := range rows {
		c := cursor{rows[i].body, rows[i].ts}
		for _, key := range byLayout[rows[i].layout] {
			if err := data[key].split(&c); err != nil {
				return nil, fmt.Errorf("number %d: %w", rows[i].seq, err)
			}
		}
		if len(c.b) > 0 {
			return nil, fmt.Errorf("number %d: %w", rows[i].seq, errFrameBody)
		}
	}
	var plain []byte
	section := func(b []byte) { plain = appendText(plain, b) }
	for _, field := range rowFields {
		v := make([]uint64, len(rows))
		for i := range rows {
			v[i] = uint64(*field(&rows[i]))
		}
		section(appendWhole(nil, v))
	}
	for _, key := range all {
		d := data[key]
		section(d.heads)
		section(d.extras)
		section(appendFloats(nil, d.floats))
		section(appendWhole(nil, d.ints))
		section(d.other)
	}
	return squeeze(plain)
}

// squeeze compresses and adds the sum by which damage is found.
func squeeze(plain []byte) ([]byte, error) {
	out := bytes.NewBuffer(make([]byte, 4, 4+len(plain)/4))
	z, err := flate.NewWriter(out, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(plain); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	b := out.Bytes()
	binary.LittleEndian.PutUint32(b, crc32.Checksum(b[4:], castagnoli))
	return b, nil
}

// unsqueeze undoes squeeze.
func unsqueeze(b []byte) ([]byte, error) {
	if len(b) < 4 || binary.LittleEndian.Uint32(b) != crc32.Checksum(b[4:], castagnoli) {
		return nil, errBlock
	}
	z := flate.NewReader(bytes.NewReader(b[4:]))
	plain, err := io.ReadAll(io.LimitReader(z, blockMost+1))
	if err != nil || len(plain) > blockMost {
		return nil, errBlock
	}
	return plain, nil
}

var rowFields = []func(*row) *int64{
	func(r *row) *int64 { return &r.seq },
	func(r *row) *int64 { return &r.ts },
	func(r *row) *int64 { return &r.boot },
	func(r *row) *int64 { return &r.layout },
	func(r *row) *int64 { return &r.gapFrom },
	func(r *row) *int64 { return &r.gapTo },
}

// split takes the next value of a frame body into its column.
func (d *columnData) split(c *cursor) error {
	before := c.b
	var p packed
	if err := c.next(&p); err != nil {
		return err
	}
	taken := before[:len(before)-len(c.b)]
	d.heads = append(d.heads, taken[0])
	extras, err := sizeOfExtras(taken[0], taken[1:])
	if err != nil {
		return err
	}
	d.extras = append(d.extras, taken[1:1+extras]...)
	switch p.kind {
	case kindFloat:
		d.floats = append(d.floats, math.Float64bits(p.num))
	case kindInt:
		d.ints = append(d.ints, p.bits)
	default:
		d.other = append(d.other, taken[1+extras:]...)
	}
	return nil
}

// sizeOfExtras is how many bytes stand between a head and its value; b follows the head.
func sizeOfExtras(head byte, b []byte) (int, error) {
	c := cursor{b: b}
	if head&qualityMask == qualityOther {
		if _, err := c.varint(); err != nil {
			return 0, err
		}
	}
	if head&flagTS != 0 {
		if _, err := c.varint(); err != nil {
			return 0, err
		}
	}
	if head&flagReason != 0 {
		if _, err := c.take(); err != nil {
			return 0, err
		}
	}
	return len(b) - len(c.b), nil
}

// decodeBlock unpacks a block into the rows it was made of.
func decodeBlock(b []byte, layouts map[int64]layout) ([]row, error) {
	plain, err := unsqueeze(b)
	if err != nil {
		return nil, err
	}
	c := cursor{b: plain}
	var rows []row
	for i, field := range rowFields {
		s, err := c.take()
		if err != nil {
			return nil, errBlock
		}
		v, err := decodeWhole(s)
		if err != nil || i > 0 && len(v) != len(rows) {
			return nil, errBlock
		}
		if i == 0 {
			rows = make([]row, len(v))
		}
		for j := range v {
			*field(&rows[j]) = int64(v[j])
		}
	}
	byLayout, all, err := columnsOf(rows, layouts)
	if err != nil {
		return nil, err
	}
	data := make(map[column]*columnData, len(all))
	for _, key := range all {
		d := &columnData{}
		data[key] = d
		var floats, ints []byte
		for _, s := range []*[]byte{&d.heads, &d.extras, &floats, &ints, &d.other} {
			if *s, err = c.take(); err != nil {
				return nil, errBlock
			}
		}
		if d.floats, err = decodeFloats(floats); err != nil {
			return nil, err
		}
		if d.ints, err = decodeWhole(ints); err != nil {
			return nil, err
		}
	}
	columns := map[int64][]*columnData{}
	for id, keys := range byLayout {
		for _, key := range keys {
			columns[id] = append(columns[id], data[key])
		}
	}
	bodies := make([]byte, 0, 2*len(plain))
	starts := make([]int, len(rows)+1)
	for i := range rows {
		starts[i] = len(bodies)
		for _, d := range columns[rows[i].layout] {
			if bodies, err = d.join(bodies); err != nil {
				return nil, err
			}
		}
	}
	starts[len(rows)] = len(bodies)
	for i := range rows {
		rows[i].body = bodies[starts[i]:starts[i+1]:starts[i+1]]
	}
	return rows, nil
}

// join puts the next value of a column back into a frame body.
func (d *columnData) join(dst []byte) ([]byte, error) {
	if len(d.heads) == 0 {
		return nil, errBlock
	}
	head := d.heads[0]
	d.heads = d.heads[1:]
	dst = append(dst, head)
	n, err := sizeOfExtras(head, d.extras)
	if err != nil {
		return nil, errBlock
	}
	dst, d.extras = append(dst, d.extras[:n]...), d.extras[n:]
	switch head & 7 {
	case kindFloat:
		if len(d.floats) == 0 {
			return nil, errBlock
		}
		dst, d.floats = binary.LittleEndian.AppendUint64(dst, d.floats[0]), d.floats[1:]
	case kindInt:
		if len(d.ints) == 0 {
			return nil, errBlock
		}
		dst, d.ints = binary.AppendVarint(dst, int64(d.ints[0])), d.ints[1:]
	case kindUint, kindString, kindBytes:
		c := cursor{b: d.other}
		if head&7 == kindUint {
			_, err = c.uvarint()
		} else {
			_, err = c.take()
		}
		if err != nil {
			return nil, errBlock
		}
		n = len(d.other) - len(c.b)
		dst, d.other = append(dst, d.other[:n]...), d.other[n:]
	}
	return dst, nil
}

// appendWhole packs whole numbers: how many, then the differences from one to the
// next (zigzag), as planes: the lowest byte of all, then the next one, as many as the
// greatest needs.
func appendWhole(dst []byte, v []uint64) []byte {
	diffs := make([]uint64, len(v))
	before := uint64(0)
	for i, x := range v {
		d := int64(x - before)
		diffs[i] = uint64(d)<<1 ^ uint64(d>>63)
		before = x
	}
	return appendPlanes(dst, diffs)
}

func decodeWhole(b []byte) ([]uint64, error) {
	v, err := decodePlanes(b)
	before := uint64(0)
	for i, z := range v {
		before += z>>1 ^ -(z & 1)
		v[i] = before
	}
	return v, err
}

func appendPlanes(dst []byte, v []uint64) []byte {
	all := uint64(0)
	for _, x := range v {
		all |= x
	}
	width := 0
	for ; all > 0; all >>= 8 {
		width++
	}
	dst = append(binary.AppendUvarint(dst, uint64(len(v))), byte(width))
	for p := range width {
		for _, x := range v {
			dst = append(dst, byte(x>>(8*p)))
		}
	}
	return dst
}

func decodePlanes(b []byte) ([]uint64, error) {
	c := cursor{b: b}
	n, err := c.uvarint()
	if err != nil || len(c.b) == 0 || n > blockMost/8 {
		return nil, errBlock
	}
	width := int(c.b[0])
	c.b = c.b[1:]
	if width > 8 || uint64(len(c.b)) != n*uint64(width) {
		return nil, errBlock
	}
	v := make([]uint64, n)
	for p := range width {
		for i, x := range c.b[:n] {
			v[i] |= uint64(x) << (8 * p)
		}
		c.b = c.b[n:]
	}
	return v, nil
}

// How a column of floats is packed. Every way gives back each bit.
const (
	floatsDecimal = 0  // 0 to 9: whole numbers of 10^-k, for readings rounded to k decimals
	floatsBits    = 16 // the bits, each exclusive-or the ones before, as planes
	floatsListed  = 17 // the different values in order (as bits), then each one's place
	decimalMost   = 6
)

var powersOfTen = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9}

// appendFloats packs float64 bits in the way that suits them: a reading rounded to
// some decimals, one of a converter's few codes, or any.
func appendFloats(dst []byte, v []uint64) []byte {
	for k := range decimalMost + 1 {
		if whole, ok := decimals(v, k); ok {
			return appendWhole(append(dst, byte(floatsDecimal+k)), whole)
		}
	}
	list := slices.Clone(v)
	slices.SortFunc(list, func(a, b uint64) int {
		return cmp.Or(cmp.Compare(math.Float64frombits(a), math.Float64frombits(b)), cmp.Compare(a, b))
	})
	list = slices.Compact(list)
	if len(list) > len(v)/4 {
		return appendPlanes(append(dst, floatsBits), exclusiveOr(v))
	}
	place := make(map[uint64]uint64, len(list))
	for i, x := range list {
		place[x] = uint64(i)
	}
	places := make([]uint64, len(v))
	for i, x := range v {
		places[i] = place[x]
	}
	dst = appendText(append(dst, floatsListed), appendPlanes(nil, exclusiveOr(list)))
	return appendWhole(dst, places)
}

// decimals gives floats as whole numbers of 10^-k, if each is one exactly.
func decimals(v []uint64, k int) ([]uint64, bool) {
	const most = 1 << 53
	out := make([]uint64, len(v))
	for i, bits := range v {
		n := math.Round(math.Float64frombits(bits) * powersOfTen[k])
		if !(math.Abs(n) < most) {
			return nil, false
		}
		whole := int64(n) // also of -0, which is then seen to differ
		if math.Float64bits(float64(whole)/powersOfTen[k]) != bits {
			return nil, false
		}
		out[i] = uint64(whole)
	}
	return out, true
}

func exclusiveOr(v []uint64) []uint64 {
	out := make([]uint64, len(v))
	before := uint64(0)
	for i, x := range v {
		out[i] = x ^ before
		before = x
	}
	return out
}

func decodeFloats(b []byte) ([]uint64, error) {
	if len(b) == 0 {
		return nil, errBlock
	}
	way, rest := b[0], b[1:]
	undo := func(v []uint64) {
		for i := 1; i < len(v); i++ {
			v[i] ^= v[i-1]
		}
	}
	switch {
	case way <= 9:
		v, err := decodeWhole(rest)
		for i, n := range v {
			v[i] = math.Float64bits(float64(int64(n)) / powersOfTen[way])
		}
		return v, err
	case way == floatsBits:
		v, err := decodePlanes(rest)
		undo(v)
		return v, err
	case way == floatsListed:
		c := cursor{b: rest}
		s, err := c.take()
		if err != nil {
			return nil, errBlock
		}
		list, err := decodePlanes(s)
		if err != nil {
			return nil, err
		}
		undo(list)
		v, err := decodeWhole(c.b)
		for i, n := range v {
			if n >= uint64(len(list)) {
				return nil, errBlock
			}
			v[i] = list[n]
		}
		return v, err
	}
	return nil, errBlock
}
