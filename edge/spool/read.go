package spool

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
)

// Read returns up to limit held records with numbers from on, in order. It skips
// what is damaged or gone; the record after such numbers names them as its gap. No
// records and no error: there is none at or above from.
func (s *Spool) Read(from uint64, limit int) ([]Record, error) {
	s.readMu.Lock()
	defer s.readMu.Unlock()
	var out []Record
	s.mu.Lock()
	segs := make([]*segment, len(s.segs))
	views := make([]segment, len(s.segs)) // copies, so that Append may go on
	for i, g := range s.segs {
		segs[i], views[i] = g, *g
	}
	mem, prev := s.mem, s.floor-1
	memPrev := s.memPrev
	s.mu.Unlock()
	inMem := uint64(math.MaxUint64)
	if len(mem) > 0 { // what memory has need not be read from the card
		inMem = mem[0].seq
		for i := range views {
			if views[i].last >= inMem {
				views[i].last = memPrev
			}
		}
	}
	for i := range views {
		v := &views[i]
		if v.empty() {
			continue
		}
		if v.last < from {
			prev = v.last
			continue
		}
		if len(out) >= limit {
			return out, nil
		}
		var err error
		out, prev, err = s.readSegment(segs[i], v, from, min(v.limit, inMem-1), limit, prev, out)
		if err != nil {
			return out, err
		}
	}
	for _, p := range mem {
		if len(out) >= limit {
			break
		}
		if p.seq >= from {
			out = append(out, record(p.seq, prev, p.payload))
		}
		prev = p.seq
	}
	return out, nil
}

func record(seq, prev uint64, payload []byte) Record {
	r := Record{Seq: seq, Payload: append(make([]byte, 0, len(payload)), payload...)}
	if seq > prev+1 {
		r.GapFrom, r.GapTo = prev+1, seq-1
	}
	return r
}

// readSegment appends a segment's records from number from to number to. prev is
// the number held before the segment; the last number read is returned.
func (s *Spool) readSegment(g, v *segment, from, to uint64, limit int, prev uint64, out []Record) ([]Record, uint64, error) {
	f, err := s.fs.OpenRead(v.name)
	if errors.Is(err, fs.ErrNotExist) {
		return out, max(prev, v.last), nil // freed meanwhile; Oldest has risen
	}
	if err != nil {
		return out, prev, fmt.Errorf("spool: read: %w", err)
	}
	defer f.Close()
	at, before := int64(headerLen), uint64(0)
	for _, m := range g.index {
		if m.prev != 0 && m.prev < from {
			at, before = m.at, m.prev
		}
	}
	known := g.frontier
	prev = max(prev, before)
	last := before
	full := false
	s.window.file, s.window.at, s.window.have = f, 0, 0
	sc := scan(&s.window, at, v.end, before, func(at int64, seq uint64, payload []byte, missing uint64) bool {
		if seq > to {
			return false
		}
		if full = len(out) >= limit; full {
			return false
		}
		if at > known {
			if m := g.index[len(g.index)-1]; at-m.at >= markEvery {
				g.index = append(g.index, mark{at, last})
			}
			if last == 0 && seq > v.first {
				missing = seq - v.first // the segment's first records are damaged
			}
			s.countDamage(missing)
			g.frontier = at
		}
		if seq >= from {
			out = append(out, record(seq, prev, payload))
		}
		prev, last = seq, seq
		return true
	})
	if !full && sc.end > known && v.done && last < min(v.last, to) {
		s.countDamage(min(v.last, to) - last) // the end of a finished segment is damaged
		g.frontier = v.end
	}
	return out, prev, nil
}

func (s *Spool) countDamage(n uint64) {
	s.mu.Lock()
	s.stats.Damaged += n
	s.mu.Unlock()
}
