package spool

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"sync"
	"time"

	"github.com/google/uuid"

	"decktrim/edge/spool/disk"
)

var (
	// ErrRefused is returned by Append when the disk has refused to save for so
	// long that no number may be given out any more. The record is not kept.
	ErrRefused = errors.New("spool: the disk refuses to save and memory for unsaved records is used up")
	// ErrClosed is returned by every call after Close.
	ErrClosed = errors.New("spool: closed")
	// ErrReadOnly is returned by what would change a spool opened for looking only.
	ErrReadOnly = errors.New("spool: opened for looking only")
)

// Record is one record and its number. If GapFrom is not 0, the numbers GapFrom
// to GapTo, which lie directly below Seq, will never come: they were lost in a
// power cut, were never given out, or were damaged on the card.
type Record struct {
	Seq            uint64
	GapFrom, GapTo uint64
	Payload        []byte
}

// Options say where and how a spool keeps its records. Zero values stand for the
// defaults given.
type Options struct {
	Dir          string        // the folder; used if FS is nil
	FS           disk.FS       // default disk.Dir(Dir)
	MaxBytes     int64         // on the disk altogether; 1 GiB
	SegmentBytes int64         // of one file; MaxBytes/64, but 64 KiB to 4 MiB
	Boot         string        // the kernel's boot id; empty: never the same
	Ceiling      uint64        // how far numbers may run ahead of the last sync; 8192
	SyncEvery    time.Duration // how old an unsynced record may get, see Due; 2 s
	CursorEvery  time.Duration // how often confirmations alone are written down; 5 min
	MaxUnsaved   int           // bytes held in memory while the disk refuses; 24 MiB
	Now          func() time.Time
}

func (o *Options) setDefaults() {
	setDefault(&o.MaxBytes, 1<<30)
	setDefault(&o.SegmentBytes, min(max(o.MaxBytes/64, min(64<<10, o.MaxBytes/4)), 4<<20))
	setDefault(&o.Ceiling, 8192)
	setDefault(&o.SyncEvery, 2*time.Second)
	setDefault(&o.CursorEvery, 5*time.Minute)
	setDefault(&o.MaxUnsaved, 24<<20)
	if o.FS == nil {
		o.FS = disk.Dir(o.Dir)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
}

func setDefault[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

// pending is a record that no successful sync covers yet.
type pending struct {
	seq     uint64
	at      time.Time // when it was appended
	payload []byte
}

// Spool is one open spool. All methods may be called at the same time; Append
// never waits for a sync of the card unless the ceiling or memory is used up.
type Spool struct {
	opt  Options
	fs   disk.FS
	lock io.Closer // nil when opened for looking only

	// syncMu is held by what writes to the card beside Append: Sync and Close. It
	// is taken before mu.
	syncMu     sync.Mutex
	lastCursor time.Time
	cursorAck  uint64 // acked as the cursor on disk has it
	nextID     uint64 // of the next segment file

	readMu sync.Mutex // guards the segments' indexes and the window; taken before mu
	window window

	mu        sync.Mutex
	stream    uuid.UUID
	segs      []*segment // in order of numbers; the last is the one written to
	active    disk.File  // of the last segment; nil when there is none to write to
	broken    bool       // the active file must not be written to any more
	loose     bool       // the cursor says that numbers are in memory alone
	next      uint64     // the number the next record gets
	synced    uint64     // up to here everything is durable
	ceiling   uint64     // durable
	acked     uint64
	floor     uint64    // records below it have left
	mem       []pending // not yet synced, oldest first
	memPrev   uint64    // number held before mem[0]
	memBytes  int
	closed    bool
	badBytes  int64
	stats     Stats
	report    Recovery
	encodeBuf []byte
}

// Stats is the spool's state for screens and metrics. Counts marked (ever) run on
// over restarts; the others begin at Open.
type Stats struct {
	Stream        string
	Oldest        uint64 // lowest number held; Last+1 if none
	Last          uint64 // highest number given out
	Acked         uint64 // the server has everything up to it
	Synced        uint64 // durable up to it
	Ceiling       uint64
	Unsent        uint64 // numbers above Acked, at most as many as are held
	Bytes         int64  // on the disk
	MaxBytes      int64
	Segments      int
	Unsaved       int    // records in memory alone, because the disk refuses
	Refused       uint64 // (ever) records not taken, because memory was used up too
	Dropped       uint64 // (ever) unconfirmed records lost to a full spool
	Damaged       uint64 // numbers lost to damage on the card, as far as it was read
	TornBytes     int64  // cut off at Open
	Appended      uint64
	Syncs         uint64
	CursorWrites  uint64
	WriteErrors   uint64
	SyncErrors    uint64
	LastError     string // of the disk; empty when the last attempt went well
	LongestSync   time.Duration
	BytesWritten  int64 // handed to the kernel, fill included
	FilledWithOld bool  // more than three quarters of MaxBytes are unconfirmed
}

// Recovery says what Open found and did.
type Recovery struct {
	How            string // "new", "clean", "killed", "power cut", "damaged", "cursor lost" or "look"
	Last           uint64 // highest number found
	GapFrom, GapTo uint64 // numbers that will never come; 0: none
	TornBytes      int64
	Damaged        uint64
	SetAside       []string
	Took           time.Duration
}

// Open opens or makes the spool in a folder, repairs what a crash left, and locks
// the folder for this program. doc.go says what it does in each case.
func Open(o Options) (*Spool, error) {
	if o.FS == nil {
		if err := os.MkdirAll(o.Dir, 0o750); err != nil {
			return nil, fmt.Errorf("spool: make the folder: %w", err)
		}
	}
	o.setDefaults()
	lock, err := o.FS.Lock()
	if err != nil {
		return nil, fmt.Errorf("spool: %w", err)
	}
	s, err := open(o, lock)
	if err != nil {
		lock.Close()
		return nil, err
	}
	return s, nil
}

// Look opens a spool for looking only, also while another program writes to it.
// What it shows of confirmations may be as old as CursorEvery. The error wraps
// fs.ErrNotExist if there is no spool in the folder.
func Look(o Options) (*Spool, error) {
	o.setDefaults()
	var s *Spool
	var err error
	for range 3 { // the writer may free a segment between listing and opening it
		s, err = open(o, nil)
		if !errors.Is(err, fs.ErrNotExist) {
			break
		}
	}
	if err == nil && s.report.How == "new" {
		return nil, fmt.Errorf("spool: nothing kept here: %w", fs.ErrNotExist)
	}
	return s, err
}

func open(o Options, lock io.Closer) (*Spool, error) {
	began := o.Now()
	im, err := readImage(o.FS)
	if err != nil {
		return nil, err
	}
	s := &Spool{opt: o, fs: o.FS, lock: lock, stream: im.cur.stream, segs: im.segs, badBytes: im.badBytes, lastCursor: began}
	s.report = Recovery{Last: im.lastHeld(), TornBytes: im.torn, Damaged: im.damaged, SetAside: im.aside}
	s.stats.TornBytes = im.torn
	s.stats.Damaged = im.damaged
	s.stats.Dropped, s.stats.Refused = im.cur.dropped, im.cur.refused
	s.nextID = 1
	for _, g := range im.segs {
		s.nextID = max(s.nextID, g.id+1)
	}
	for _, name := range append(im.removed, im.aside...) {
		if id, ok := segmentID(name); ok {
			s.nextID = max(s.nextID, id+1)
		}
	}
	s.place(im)
	if lock != nil {
		if err := s.repair(im); err != nil {
			return nil, err
		}
	}
	s.report.Took = o.Now().Sub(began)
	return s, nil
}

// place decides at which number the stream goes on.
func (s *Spool) place(im *image) {
	held := im.lastHeld()
	c := im.cur
	s.acked, s.floor = c.acked, max(c.floor, 1)
	reached := held // the next number lies above it
	switch {
	case len(im.segs) == 0 && im.curState != "good":
		s.report.How = "new"
	case s.lock == nil:
		s.report.How = "look"
		reached = max(held, c.floor-min(c.floor, 1))
		if c.clean {
			reached = max(reached, c.last)
		}
	case im.curState != "good":
		s.report.How = "cursor lost"
		reserve := s.opt.Ceiling
		for _, g := range im.segs {
			reached, reserve = max(reached, g.ceiling), max(reserve, g.reserve)
		}
		reached = max(reached, held+reserve)
	case c.clean:
		s.report.How, reached = "clean", max(held, c.last)
	case c.boot != s.opt.Boot || c.boot == "":
		s.report.How, reached = "power cut", max(held, c.ceiling)
	case c.loose || im.tornTail() || im.holed:
		s.report.How, reached = "damaged", max(held, c.ceiling)
	default:
		s.report.How, reached = "killed", max(im.lastGiven(), s.floor-1)
	}
	if s.stream == uuid.Nil {
		s.stream = uuid.New()
	}
	if im.curState != "good" {
		s.floor, s.acked = 1, 0
		if g := s.oldestSegment(); g != nil {
			s.floor, s.acked = g.first, g.first-1
		} else {
			s.floor = reached + 1
			s.acked = reached
		}
	}
	s.next = reached + 1
	s.memPrev = max(held, s.floor-1)
	if s.memPrev < reached {
		s.report.GapFrom, s.report.GapTo = s.memPrev+1, reached
	}
}

func (s *Spool) oldestSegment() *segment {
	for _, g := range s.segs {
		if !g.empty() {
			return g
		}
	}
	return nil
}

// repair brings the folder to the state from which writing goes on.
func (s *Spool) repair(im *image) error {
	for _, name := range im.removed {
		if err := s.fs.Remove(name); err != nil {
			return fmt.Errorf("spool: remove %s: %w", name, err)
		}
	}
	for _, name := range im.aside {
		if err := s.fs.Rename(name, name+badTail); err != nil {
			return fmt.Errorf("spool: set %s aside: %w", name, err)
		}
	}
	// A killed program may have left its last two segments and their names
	// unsynced: they are only in the kernel's hands. Nobody else will sync them.
	for _, g := range s.segs[max(0, len(s.segs)-2):] {
		if err := s.settle(g); err != nil {
			return err
		}
	}
	s.synced = s.next - 1
	s.ceiling = s.synced + s.opt.Ceiling
	// This cursor says 'not closed cleanly' and must be durable before a number
	// is given out; its directory sync also makes the repairs above durable.
	if err := s.writeCursor(false); err != nil {
		return err
	}
	if s.active == nil {
		f, g, err := s.create(s.next)
		if err != nil {
			return err
		}
		s.active, s.segs = f, append(s.segs, g)
	}
	return nil
}

// settle syncs one of the last segments, cuts a torn tail, and keeps the very last
// one open for writing if it can go on.
func (s *Spool) settle(g *segment) error {
	f, err := s.fs.Open(g.name)
	if err != nil {
		return fmt.Errorf("spool: open segment: %w", err)
	}
	isLast := g == s.segs[len(s.segs)-1]
	goesOn := isLast && !g.done && g.headed && g.torn == 0 && g.end < s.opt.SegmentBytes && g.limit == math.MaxUint64
	if !g.done && !goesOn && !g.empty() {
		if err := s.finish(f, g); err != nil {
			f.Close()
			return err
		}
	}
	if err := f.Sync(); err != nil {
		f.Close()
		return fmt.Errorf("spool: sync %s: %w", g.name, err)
	}
	if goesOn {
		s.active = f
		return nil
	}
	if isLast && g.empty() {
		s.segs = s.segs[:len(s.segs)-1]
		f.Close()
		if err := s.fs.Remove(g.name); err != nil {
			return fmt.Errorf("spool: remove %s: %w", g.name, err)
		}
		return nil
	}
	return f.Close()
}

// finish writes a segment's footer behind its last record and cuts the rest off.
func (s *Spool) finish(f disk.File, g *segment) error {
	ft := footer{first: g.first, last: g.last, count: g.last - g.first + 1, at: place(g.end, footerLen)}
	b := ft.encode()
	// Cut first: what lies behind the end may be torn, and the footer must be the last.
	if err := f.Truncate(g.end); err != nil {
		return fmt.Errorf("spool: cut %s: %w", g.name, err)
	}
	if _, err := f.WriteAt(b, ft.at); err != nil {
		return fmt.Errorf("spool: finish %s: %w", g.name, err)
	}
	s.mu.Lock()
	g.done, g.end, g.size = true, ft.at, ft.at+int64(len(b))
	s.stats.BytesWritten += int64(len(b))
	s.mu.Unlock()
	return nil
}

// create makes a new segment file, not yet durable.
func (s *Spool) create(first uint64) (disk.File, *segment, error) {
	g := &segment{
		id: s.nextID, name: segmentName(s.nextID), first: first, last: first - 1, limit: math.MaxUint64,
		end: headerLen, headed: true, stream: s.stream, reserve: s.opt.Ceiling,
		index: []mark{{headerLen, 0}}, frontier: headerLen,
	}
	f, err := s.fs.Create(g.name)
	if err == nil || errors.Is(err, fs.ErrExist) {
		s.nextID++
	}
	if err != nil {
		return nil, nil, fmt.Errorf("spool: make a segment: %w", err)
	}
	s.mu.Lock()
	g.ceiling = s.ceiling
	s.mu.Unlock()
	h := header{stream: s.stream, id: g.id, first: first, ceiling: g.ceiling, reserve: uint32(min(s.opt.Ceiling, math.MaxUint32))}
	b := make([]byte, s.chunk())
	copy(b, h.encode())
	if _, err := f.WriteAt(b, 0); err != nil {
		f.Close()
		return nil, nil, errors.Join(fmt.Errorf("spool: begin %s: %w", g.name, err), s.fs.Remove(g.name))
	}
	g.size = int64(len(b))
	s.mu.Lock()
	s.stats.BytesWritten += g.size
	s.mu.Unlock()
	return f, g, nil
}

// chunk is by how much a segment file grows at a time.
func (s *Spool) chunk() int64 {
	return min(max(s.opt.SegmentBytes/16, blockLen), 256<<10) / blockLen * blockLen
}

// Append puts a record into the spool and returns its number. The payload is
// copied. An error means that the record was not taken and has no number.
func (s *Spool) Append(payload []byte) (uint64, error) {
	if s.lock == nil {
		return 0, ErrReadOnly
	}
	if len(payload) > MaxPayload {
		return 0, fmt.Errorf("spool: a record of %d bytes: at most %d", len(payload), MaxPayload)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return 0, ErrClosed
	}
	if !s.hasRoom(len(payload)) {
		s.mu.Unlock()
		err := s.Sync()
		s.mu.Lock()
		if s.closed {
			return 0, ErrClosed
		}
		if !s.mayHold(len(payload)) {
			s.stats.Refused++
			return 0, errors.Join(ErrRefused, err)
		}
	}
	seq := s.next
	s.next++
	s.stats.Appended++
	p := pending{seq, s.opt.Now(), append(make([]byte, 0, len(payload)), payload...)}
	s.mem = append(s.mem, p)
	s.memBytes += recordLen + len(payload)
	if !s.broken {
		s.write(p)
	}
	return seq, nil
}

// hasRoom reports whether a record may be appended without a sync first.
func (s *Spool) hasRoom(payload int) bool {
	const memory = 1 << 20 // bytes to rewrite after a failed sync, at most
	if s.next > s.ceiling {
		return false
	}
	if s.broken {
		return s.memBytes+payload+recordLen <= s.opt.MaxUnsaved
	}
	return s.memBytes < memory && s.segs[len(s.segs)-1].end < 2*s.opt.SegmentBytes
}

// mayHold reports whether a record may be appended at all.
func (s *Spool) mayHold(payload int) bool {
	return s.next <= s.ceiling && s.memBytes+payload+recordLen <= s.opt.MaxUnsaved
}

// write hands one record to the kernel. On failure the file is given up; the
// record stays in memory for the next Sync.
func (s *Spool) write(p pending) {
	if err := s.writeTo(s.active, s.segs[len(s.segs)-1], p); err != nil {
		s.broken = true
		s.stats.WriteErrors++
		s.stats.LastError = err.Error()
	}
}

func (s *Spool) writeTo(f disk.File, g *segment, p pending) error {
	s.encodeBuf = appendRecord(s.encodeBuf[:0], kindRecord, p.seq, p.payload)
	at := place(g.end, len(s.encodeBuf))
	need := at + int64(len(s.encodeBuf))
	if need > g.size {
		grow := (need - g.size + s.chunk() - 1) / s.chunk() * s.chunk()
		if _, err := f.WriteAt(make([]byte, grow), g.size); err != nil {
			return fmt.Errorf("spool: extend %s: %w", g.name, err)
		}
		g.size += grow
		s.stats.BytesWritten += grow
	}
	if _, err := f.WriteAt(s.encodeBuf, at); err != nil {
		return fmt.Errorf("spool: write %s: %w", g.name, err)
	}
	s.stats.BytesWritten += int64(len(s.encodeBuf))
	if g.empty() {
		g.first = p.seq
	}
	g.last, g.end = p.seq, need
	return nil
}

// Stream is the identity of this spool, a UUID.
func (s *Spool) Stream() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.stream.String()
}

// Oldest is the lowest number held, or the next one to be given if none is.
func (s *Spool) Oldest() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.oldest()
}

func (s *Spool) oldest() uint64 {
	if g := s.oldestSegment(); g != nil {
		return g.first
	}
	if len(s.mem) > 0 {
		return s.mem[0].seq
	}
	return s.next
}

// Last is the highest number that has been given out or will never be.
func (s *Spool) Last() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.next - 1
}

// Acked is the number up to which the server has confirmed everything.
func (s *Spool) Acked() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.acked
}

// Ack takes the server's word that everything up to a number is durable there. It
// ignores a number that is not higher than before, and refuses one that was never
// given out. It does not wait for the card: the cursor follows with a later Sync.
func (s *Spool) Ack(upTo uint64) error {
	if s.lock == nil {
		return ErrReadOnly
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if upTo >= s.next {
		return fmt.Errorf("spool: confirmation of %d, but the last number given out is %d", upTo, s.next-1)
	}
	s.acked = max(s.acked, upTo)
	return nil
}

// Recovery says what Open found.
func (s *Spool) Recovery() Recovery { return s.report }

// Stats returns a copy of the spool's state.
func (s *Spool) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.stats
	st.Stream, st.Oldest, st.Last, st.Acked = s.stream.String(), s.oldest(), s.next-1, s.acked
	st.Synced, st.Ceiling, st.MaxBytes, st.Segments = s.synced, s.ceiling, s.opt.MaxBytes, len(s.segs)
	st.Bytes = s.total()
	st.Unsent = st.Last - max(min(st.Acked, st.Last), st.Oldest-1)
	if s.broken {
		st.Unsaved = len(s.mem)
	}
	if g := s.oldestSegment(); g != nil && g.last > s.acked {
		st.FilledWithOld = st.Bytes > s.opt.MaxBytes/4*3
	}
	return st
}

// total is the bytes on the disk, the cursor counted as one block.
func (s *Spool) total() int64 {
	n := s.badBytes + blockLen
	for _, g := range s.segs {
		n += g.size
	}
	return n
}
