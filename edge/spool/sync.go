package spool

import (
	"errors"
	"fmt"
	"sort"
	"syscall"
	"time"

	"decktrim/edge/spool/disk"
)

// Sync makes everything appended so far durable and, when due, raises the ceiling,
// writes the cursor, begins a new segment and frees space. After a failed write or
// sync it begins a new segment and writes there again what memory still holds.
//
// An error means that the records since the last good Sync are not durable; they
// stay in memory and the next Sync tries again.
func (s *Spool) Sync() error {
	if s.lock == nil {
		return ErrReadOnly
	}
	s.syncMu.Lock()
	defer s.syncMu.Unlock()
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	if closed {
		return ErrClosed
	}
	return s.sync()
}

func (s *Spool) sync() error {
	err := s.commit()
	if isFull(err) {
		// Give space back and try once more.
		if freed, ferr := s.freeOne(); ferr == nil && freed {
			err = s.commit()
		}
	}
	if err == nil {
		err = s.writeCursorIfDue()
	}
	s.mu.Lock()
	s.stats.LastError = ""
	if err != nil {
		s.stats.LastError = err.Error()
	}
	mark := s.broken && !s.loose
	s.mu.Unlock()
	if mark {
		// Numbers now run on in memory alone. Should the program be killed, the next
		// one must know; a disk that refuses this too has been reported already.
		_ = s.writeCursor(false)
	}
	return err
}

func isFull(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// commit makes the records durable, in a new segment if need be.
func (s *Spool) commit() error {
	s.mu.Lock()
	upTo, broken := s.next-1, s.broken
	nothing := len(s.mem) == 0 && !broken
	full := s.segs[len(s.segs)-1].end >= s.opt.SegmentBytes
	s.mu.Unlock()
	if nothing && !full {
		return nil
	}
	if broken {
		if err := s.rewrite(); err != nil {
			return err
		}
	} else if full {
		if err := s.rotate(); err != nil {
			return err
		}
	}
	s.mu.Lock()
	f, g := s.active, s.segs[len(s.segs)-1]
	s.mu.Unlock()
	if err := s.syncFile(f, g); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.synced = max(s.synced, upTo)
	s.forget(s.synced)
	return nil
}

// forget drops from memory what is durable.
func (s *Spool) forget(upTo uint64) {
	n := 0
	for n < len(s.mem) && s.mem[n].seq <= upTo {
		s.memPrev = s.mem[n].seq
		s.memBytes -= recordLen + len(s.mem[n].payload)
		n++
	}
	if n == 0 {
		return
	}
	s.mem = s.mem[n:]
	if len(s.mem) == 0 {
		s.mem = nil // let the old array go
	}
}

// syncFile syncs a segment and, the first time, its name. After a failure the
// segment is not written to or synced again.
func (s *Spool) syncFile(f disk.File, g *segment) error {
	began := s.opt.Now()
	err := f.Sync()
	if err == nil && !g.named {
		err = s.fs.SyncDir()
	}
	took := s.opt.Now().Sub(began)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.Syncs++
	s.stats.LongestSync = max(s.stats.LongestSync, took)
	if err != nil {
		s.stats.SyncErrors++
		s.broken = true
		return fmt.Errorf("spool: sync %s: %w", g.name, err)
	}
	g.named = true
	return nil
}

// rotate begins a new segment and finishes the old one. Appending goes on in the
// new one at once; the old one's last records become durable here.
func (s *Spool) rotate() error {
	if err := s.makeRoom(s.opt.SegmentBytes); err != nil {
		return err
	}
	s.mu.Lock()
	first := s.next
	s.mu.Unlock()
	f, g, err := s.create(first)
	if err != nil {
		return err
	}
	s.mu.Lock()
	oldFile, old := s.active, s.segs[len(s.segs)-1]
	if s.broken { // an Append failed meanwhile: its record must go into the rewrite
		s.mu.Unlock()
		f.Close()
		return errors.Join(errors.New("spool: a write failed"), s.fs.Remove(g.name))
	}
	s.active, s.segs = f, append(s.segs, g)
	s.mu.Unlock()
	finishErr := s.finish(oldFile, old) // without its footer it is read through at opening; no harm
	err = s.syncFile(oldFile, old)
	oldFile.Close()
	if err == nil && finishErr != nil {
		s.mu.Lock()
		s.stats.WriteErrors++
		s.stats.LastError = finishErr.Error()
		s.mu.Unlock()
	}
	return err
}

// rewrite begins a new segment with what memory holds unsynced, in place of one
// that failed.
func (s *Spool) rewrite() error {
	s.mu.Lock()
	first := s.next
	if len(s.mem) > 0 {
		first = s.mem[0].seq
	}
	s.mu.Unlock()
	f, g, err := s.create(first)
	if err != nil {
		return err
	}
	s.mu.Lock()
	for _, p := range s.mem {
		if err = s.writeTo(f, g, p); err != nil {
			s.stats.WriteErrors++
			s.mu.Unlock()
			f.Close()
			return errors.Join(err, s.fs.Remove(g.name))
		}
	}
	oldFile := s.active
	kept, gone := s.supersede(first)
	s.segs, s.active, s.broken = append(kept, g), f, false
	s.mu.Unlock()
	oldFile.Close()
	// The segments in gone held nothing but what stands in the new one.
	for _, old := range gone {
		if err := s.fs.Remove(old.name); err != nil {
			return fmt.Errorf("spool: remove %s: %w", old.name, err)
		}
	}
	return nil
}

// supersede takes the numbers from first on away from the present segments.
func (s *Spool) supersede(first uint64) (kept, gone []*segment) {
	for _, g := range s.segs {
		if g.last >= first || g.first >= first {
			g.limit = first - 1
			g.last = min(g.last, s.memPrev)
		}
		if g.empty() {
			gone = append(gone, g)
		} else {
			kept = append(kept, g)
		}
	}
	return kept, gone
}

// makeRoom frees segments until need more bytes fit into MaxBytes.
func (s *Spool) makeRoom(need int64) error {
	for {
		s.mu.Lock()
		fits := s.total()+need <= s.opt.MaxBytes
		s.mu.Unlock()
		if fits {
			return nil
		}
		if freed, err := s.freeOne(); err != nil || !freed {
			return err
		}
	}
}

// freeOne deletes the oldest segment, confirmed or not, but never the one being
// written. What was not confirmed is counted as dropped. The cursor says so first.
func (s *Spool) freeOne() (bool, error) {
	s.mu.Lock()
	if len(s.segs) < 2 {
		s.mu.Unlock()
		return false, nil
	}
	g := s.segs[0]
	if g.last > s.acked {
		s.stats.Dropped += g.last - max(s.acked, g.first-1)
	}
	s.floor = g.last + 1
	s.segs = s.segs[1:]
	s.mu.Unlock()
	// On a full card even the cursor may not fit before the segment is gone. Then
	// the segment goes first: at worst the numbers in it are resent or reported
	// as a gap after a power cut at this very moment.
	cursorErr := s.writeCursor(false)
	if err := s.fs.Remove(g.name); err != nil {
		return false, fmt.Errorf("spool: remove %s: %w", g.name, err)
	}
	if cursorErr != nil {
		return true, s.writeCursor(false)
	}
	return true, nil
}

// writeCursorIfDue raises the ceiling when a quarter of the reserve is used, and
// writes confirmations down now and then.
func (s *Spool) writeCursorIfDue() error {
	s.mu.Lock()
	raise := s.synced+s.opt.Ceiling >= s.ceiling+max(s.opt.Ceiling/4, 1)
	acked, unmark := s.acked, s.loose
	s.mu.Unlock()
	late := acked != s.cursorAck && s.opt.Now().Sub(s.lastCursor) >= s.opt.CursorEvery
	if !raise && !late && !unmark {
		return nil
	}
	return s.writeCursor(false)
}

// writeCursor replaces the cursor; when it returns without error the new one is
// durable, with a ceiling a whole reserve above what is synced.
func (s *Spool) writeCursor(clean bool) error {
	s.mu.Lock()
	c := cursor{
		stream: s.stream, clean: clean, loose: s.broken, ceiling: max(s.ceiling, s.synced+s.opt.Ceiling), acked: s.acked, floor: s.floor,
		last: s.next - 1, dropped: s.stats.Dropped, refused: s.stats.Refused, boot: s.opt.Boot,
	}
	s.mu.Unlock()
	if err := disk.Replace(s.fs, cursorName, c.encode()); err != nil {
		return fmt.Errorf("spool: write the cursor: %w", err)
	}
	s.lastCursor, s.cursorAck = s.opt.Now(), c.acked
	s.mu.Lock()
	s.ceiling, s.loose = c.ceiling, c.loose
	s.stats.CursorWrites++
	s.stats.BytesWritten += int64(cursorLen + len(c.boot))
	s.mu.Unlock()
	return nil
}

// Due reports whether a Sync is due for the promise that a power cut costs at most
// the readings of the last SyncEvery: the oldest record that is neither durable here
// nor confirmed by the server is that old, or as good as. If not, in is how long to
// wait before asking again; ask also after each Append. Asked so, records come to the
// card as many at a time as the promise allows, and while the server confirms, the
// card is left alone.
func (s *Spool) Due() (due bool, in time.Duration) {
	slack := s.opt.SyncEvery / 40 // the record that makes it due is to be in the Sync
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken {
		return true, 0
	}
	i := sort.Search(len(s.mem), func(i int) bool { return s.mem[i].seq > s.acked })
	if i == len(s.mem) {
		return false, s.opt.SyncEvery
	}
	age := s.opt.Now().Sub(s.mem[i].at)
	return age >= s.opt.SyncEvery-slack, s.opt.SyncEvery + slack - age
}

// Close syncs, marks the spool as closed cleanly, and lets the folder go.
func (s *Spool) Close() error {
	if s.lock == nil {
		return nil
	}
	s.syncMu.Lock()
	defer s.syncMu.Unlock()
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true // nothing is appended any more
	s.mu.Unlock()
	err := s.sync()
	if err == nil {
		err = s.writeCursor(true)
	}
	if s.active != nil {
		if cerr := s.active.Close(); err == nil {
			err = cerr
		}
	}
	return errors.Join(err, s.lock.Close())
}
