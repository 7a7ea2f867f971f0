package spool

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/google/uuid"

	"decktrim/edge/spool/disk"
)

const (
	cursorName  = "cursor"
	cursorNew   = cursorName + disk.NewSuffix
	segmentTail = ".seg"
	badTail     = ".bad"

	windowLen = 256 << 10 // bytes read at once
	blockLen  = 4096      // what a card reads and writes at least
	markEvery = 64 << 10  // bytes between two marks of a segment's index
)

// segment is one file of records. Its fields are guarded by Spool.mu, but for
// index, frontier and seen, which are Spool.readMu's.
type segment struct {
	id    uint64
	name  string
	size  int64 // length of the file
	end   int64 // where the records end
	first uint64
	last  uint64 // of the records that count here; below first: there are none
	limit uint64 // numbers above it are held by a later segment
	done  bool   // ends in a good footer
	named bool   // its name is durable

	index    []mark // in order; the first is the beginning
	frontier int64  // read up to here at least once
	torn     int64  // bytes behind the end when it was opened
	ceiling  uint64 // from the header
	reserve  uint64
	stream   uuid.UUID
	headed   bool // the header was good
}

func (g *segment) empty() bool { return g.last < g.first }

// mark says that the record at offset at, or the first after it, follows prev.
type mark struct {
	at   int64
	prev uint64 // 0: no record before it in this segment
}

func segmentName(id uint64) string { return fmt.Sprintf("%016d%s", id, segmentTail) }

func segmentID(name string) (uint64, bool) {
	digits, ok := strings.CutSuffix(name, segmentTail)
	if !ok || len(digits) != 16 {
		return 0, false
	}
	var id uint64
	for _, c := range []byte(digits) {
		if c < '0' || c > '9' {
			return 0, false
		}
		id = id*10 + uint64(c-'0')
	}
	return id, id > 0
}

// window reads a file piece by piece. What the card cannot read counts as zeros,
// so that one bad block costs the records in it and no others.
type window struct {
	file disk.File
	to   int64 // end of what may be read
	buf  []byte
	at   int64 // offset of buf[0]
	have int
}

// bytes returns what there is from offset at on, at least min(need, all that is left).
func (w *window) bytes(at int64, need int) []byte {
	if left := w.to - at; int64(need) > left {
		need = int(max(left, 0))
	}
	if at >= w.at && at+int64(need) <= w.at+int64(w.have) {
		return w.buf[at-w.at : w.have]
	}
	n := int(min(windowLen, max(w.to-at, 0)))
	if cap(w.buf) < n {
		w.buf = make([]byte, n)
	}
	w.buf = w.buf[:cap(w.buf)]
	w.at, w.have = at, n
	got, err := w.file.ReadAt(w.buf[:n], at)
	if err != nil && !errors.Is(err, io.EOF) {
		for b := 0; b < n; b += blockLen {
			piece := w.buf[b:min(b+blockLen, n)]
			if _, err := w.file.ReadAt(piece, at+int64(b)); err != nil {
				clear(piece)
			}
		}
	} else {
		clear(w.buf[got:n])
	}
	return w.buf[:n]
}

// scanned is what a scan found beside the records it visited.
type scanned struct {
	end     int64  // behind the last good record
	prev    uint64 // the last good record's number
	torn    int64  // bytes behind the end that are not zero, up to the last of them
	damaged uint64 // numbers missing where bad bytes lay
}

// scan visits the good records of the window's file between two offsets. prev is the number
// before the first, 0 if not known. missing is how many numbers are lost to bad
// bytes directly before a record. A false from visit ends the scan.
func scan(w *window, from, to int64, prev uint64, visit func(at int64, seq uint64, payload []byte, missing uint64) bool) scanned {
	w.to = to
	s := scanned{end: from, prev: prev}
	bad := false // bytes that are no record since the last good record
	for at := from; at < to; {
		b := w.bytes(at, recordLen+MaxPayload)
		kind, seq, payload, ok := parseRecord(b)
		if ok && kind == kindFooter {
			break
		}
		if ok && seq > s.prev {
			missing := uint64(0)
			// Zeros up to the border of a block, for want of room, are no damage.
			room := s.torn == 0 && at%blockLen == 0 && at == place(s.end, recordLen+len(payload))
			if bad && !room && s.prev > 0 {
				missing = seq - s.prev - 1
			}
			if !visit(at, seq, payload, missing) {
				s.torn = 0
				return s
			}
			s.damaged += missing
			at += int64(recordLen + len(payload))
			s.end, s.prev, s.torn, bad = at, seq, 0, false
			continue
		}
		// Not a record: go to the next byte that could begin one. Zeros up to the end
		// of the file are fill; anything else is torn or damaged.
		bad = true
		skip := bytes.IndexByte(b[1:], recordMark) + 1
		if skip == 0 {
			skip = len(b)
		}
		if n := lastNonZero(b[:skip]); n >= 0 {
			s.torn = at + int64(n) + 1 - s.end
		}
		at += int64(skip)
	}
	return s
}

func lastNonZero(b []byte) int {
	for i := len(b) - 1; i >= 0; i-- {
		if b[i] != 0 {
			return i
		}
	}
	return -1
}

// load reads one segment's ends, and all of it if it has no good footer.
func load(fs disk.FS, name string, id uint64) (*segment, scanned, error) {
	g := &segment{id: id, name: name, limit: math.MaxUint64, named: true}
	f, err := fs.OpenRead(name)
	if err != nil {
		return nil, scanned{}, fmt.Errorf("spool: open segment: %w", err)
	}
	defer f.Close()
	if g.size, err = f.Size(); err != nil {
		return nil, scanned{}, fmt.Errorf("spool: length of %s: %w", name, err)
	}
	head := make([]byte, min(headerLen, g.size))
	if _, err := f.ReadAt(head, 0); err != nil {
		clear(head) // unreadable is as damaged
	}
	h, err := decodeHeader(head, name)
	var newer *NewerVersionError
	if errors.As(err, &newer) {
		return nil, scanned{}, err
	}
	if err == nil {
		g.headed, g.stream, g.first, g.ceiling, g.reserve = true, h.stream, h.first, h.ceiling, uint64(h.reserve)
	}
	if g.size >= headerLen+footerLen {
		b := make([]byte, footerLen)
		if _, err := f.ReadAt(b, g.size-footerLen); err == nil {
			if ft, ok := decodeFooter(b, g.size); ok {
				g.first, g.last, g.end, g.done = ft.first, ft.last, ft.at, true
				g.index, g.frontier = []mark{{headerLen, 0}}, headerLen
				return g, scanned{end: ft.at, prev: ft.last}, nil
			}
		}
	}
	return g, g.read(f), nil
}

// read scans the whole segment, no further than its limit.
func (g *segment) read(f disk.File) scanned {
	g.index = []mark{{headerLen, 0}}
	first := uint64(0)
	var before uint64
	s := scan(&window{file: f}, headerLen, g.size, 0, func(at int64, seq uint64, _ []byte, _ uint64) bool {
		if seq > g.limit {
			return false
		}
		if first == 0 {
			first = seq
		}
		if at-g.index[len(g.index)-1].at >= markEvery {
			g.index = append(g.index, mark{at, before})
		}
		before = seq
		return true
	})
	g.end, g.frontier, g.torn = s.end, s.end, s.torn
	if first > 0 {
		if g.headed && first > g.first && s.damaged == 0 && g.first > 0 {
			s.damaged = first - g.first // the first records themselves are damaged
		}
		g.first, g.last = first, s.prev
	} else {
		g.first, g.last = max(g.first, 1), max(g.first, 1)-1
	}
	return s
}

// image is what a directory holds, as read, before anything is changed.
type image struct {
	cur      cursor
	curState string // "good", "gone" or "damaged"
	segs     []*segment
	torn     int64 // bytes behind last records
	damaged  uint64
	removed  []string // files without meaning any more
	aside    []string // files in which nothing can be read
	holed    bool     // a whole segment cannot be read
	badBytes int64    // lying in files set aside
}

// lastHeld is the highest number held, 0 if none.
func (im *image) lastHeld() uint64 {
	for i := len(im.segs) - 1; i >= 0; i-- {
		if !im.segs[i].empty() {
			return im.segs[i].last
		}
	}
	return 0
}

// lastGiven is the highest number that the segments tell of: held, or below the
// first of a segment.
func (im *image) lastGiven() uint64 {
	last := im.lastHeld()
	for _, g := range im.segs {
		if g.headed {
			last = max(last, g.first-min(g.first, 1))
		}
	}
	return last
}

// tornTail reports whether bytes that are no record lie where the log ends.
func (im *image) tornTail() bool {
	for i := len(im.segs) - 1; i >= 0; i-- {
		if g := im.segs[i]; g.torn > 0 || !g.empty() {
			return g.torn > 0
		}
	}
	return false
}

func readImage(fs disk.FS) (*image, error) {
	names, err := fs.List()
	if err != nil {
		return nil, fmt.Errorf("spool: list the folder: %w", err)
	}
	im := &image{curState: "gone"}
	for _, name := range names {
		switch id, isSegment := segmentID(name); {
		case name == cursorName:
			if err := im.readCursor(fs); err != nil {
				return nil, err
			}
		case name == cursorNew:
			im.removed = append(im.removed, name)
		case strings.HasSuffix(name, badTail):
			if f, err := fs.OpenRead(name); err == nil {
				n, _ := f.Size() // a length that cannot be had counts as nothing
				im.badBytes += n
				f.Close()
			}
		case isSegment:
			g, s, err := load(fs, name, id)
			if err != nil {
				return nil, err
			}
			im.torn += s.torn
			im.damaged += s.damaged
			switch {
			case !g.empty() || g.headed:
				im.segs = append(im.segs, g)
			case s.torn == 0 && onlyZeros(fs, name): // its bytes never reached the card
				im.removed = append(im.removed, name)
				im.holed = im.holed || g.size > 0
			default:
				im.aside = append(im.aside, name)
				im.holed = true
			}
		}
	}
	if err := im.sortOut(fs); err != nil {
		return nil, err
	}
	return im, nil
}

func (im *image) readCursor(fs disk.FS) error {
	im.curState = "damaged"
	f, err := fs.OpenRead(cursorName)
	if err != nil {
		return fmt.Errorf("spool: open cursor: %w", err)
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil || size > 4096 {
		return nil
	}
	b := make([]byte, size)
	if _, err := f.ReadAt(b, 0); err != nil && !errors.Is(err, io.EOF) {
		return nil
	}
	c, err := decodeCursor(b, cursorName)
	var newer *NewerVersionError
	if errors.As(err, &newer) {
		return err
	}
	if err == nil {
		im.cur, im.curState = c, "good"
	}
	return nil
}

func onlyZeros(fs disk.FS, name string) bool {
	f, err := fs.OpenRead(name)
	if err != nil {
		return false
	}
	defer f.Close()
	b := make([]byte, headerLen)
	n, err := f.ReadAt(b, 0)
	return (err == nil || errors.Is(err, io.EOF)) && lastNonZero(b[:n]) < 0
}

// sortOut finds the stream, drops segments of another one, and settles which of
// two segments counts where both hold the same numbers.
func (im *image) sortOut(fs disk.FS) error {
	if im.curState != "good" {
		for _, g := range im.segs {
			if g.headed {
				im.cur.stream = g.stream
			}
		}
	}
	kept := im.segs[:0]
	for _, g := range im.segs {
		switch {
		case g.headed && im.cur.stream != uuid.Nil && g.stream != im.cur.stream:
			im.aside = append(im.aside, g.name)
		case !g.empty() && g.last < im.cur.floor:
			im.removed = append(im.removed, g.name)
		default:
			kept = append(kept, g)
		}
	}
	im.segs = kept
	low := uint64(math.MaxUint64)
	for i := len(im.segs) - 1; i >= 0; i-- {
		g := im.segs[i]
		if g.empty() {
			continue
		}
		g.limit = low - 1
		if g.first > g.limit {
			g.last = g.first - 1
		} else if g.last > g.limit {
			f, err := fs.OpenRead(g.name)
			if err != nil {
				return fmt.Errorf("spool: open segment: %w", err)
			}
			g.read(f)
			f.Close()
		}
		low = min(low, g.first)
	}
	kept = im.segs[:0]
	for i, g := range im.segs {
		if g.empty() && i < len(im.segs)-1 {
			im.removed = append(im.removed, g.name)
			continue
		}
		kept = append(kept, g)
	}
	im.segs = kept
	return nil
}
