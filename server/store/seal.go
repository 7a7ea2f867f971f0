package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Sealing moves the frames of whole past hours into blocks. A frame that comes into
// a sealed hour lies loose until it has been left alone for a while, then its hour is
// sealed anew. What is read is the same before and after.

const (
	sealRest    = 10 * time.Second // real time for which an hour was left alone before it is sealed
	sealAtOnce  = time.Second / 2  // of each second at most, so that roll-ups keep up
	blockFrames = 20000            // frames a block: an hour at 5 Hz
	freeAtOnce  = 512              // pages given back in one transaction
	freeEach    = 16               // so often a second at most: 32 MiB
)

// hourKey is an hour of a stream; t is its start.
type hourKey struct{ stream, t int64 }

// tidy seals what is due and gives free space back to the disk.
func (s *Store) tidy(ctx context.Context) error {
	n, err := s.seal(ctx, sealRest, sealAtOnce)
	if err != nil || n > 0 {
		return err
	}
	if err := s.pack(ctx, sealRest); err != nil {
		return fmt.Errorf("minutes cannot be packed: %w", err)
	}
	return s.giveBack(ctx)
}

// seal seals hours that are over, rolled up and at rest, and tells how many. It
// stops when atOnce has passed.
func (s *Store) seal(ctx context.Context, rest, atOnce time.Duration) (n int, err error) {
	began := time.Now()
	for _, k := range s.sealable(rest) {
		if ctx.Err() != nil || time.Since(began) > atOnce {
			return n, nil
		}
		if err := s.sealHour(ctx, k); err != nil {
			return n, fmt.Errorf("an hour cannot be sealed: %w", err)
		}
		n++
	}
	return n, nil
}

func (s *Store) sealable(rest time.Duration) []hourKey {
	s.mu.Lock()
	defer s.mu.Unlock()
	now, real := s.now().UnixMilli(), time.Now()
	dirty := map[hourKey]bool{} // by node
	for k := range s.w.dirty {
		dirty[hourKey{k.node, floor(k.t, hourSpan)}] = true
	}
	nodes := map[int64]int64{}
	for _, p := range s.w.streams {
		nodes[p.id] = p.node
	}
	var due []hourKey
	for k, at := range s.w.loose {
		if k.t+hourSpan <= now && real.Sub(at) >= rest && !dirty[hourKey{nodes[k.stream], k.t}] {
			due = append(due, k)
		}
	}
	slices.SortFunc(due, func(a, b hourKey) int { return cmp.Or(cmp.Compare(a.t, b.t), cmp.Compare(a.stream, b.stream)) })
	return due
}

// sealHour packs the loose frames of an hour, together with the last block of that
// hour if it has room. The packing is done beside the writer; frames that come
// meanwhile stay loose.
func (s *Store) sealHour(ctx context.Context, k hourKey) error {
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer tx.Rollback()
	layouts, err := layoutsOf(ctx, tx)
	if err != nil {
		return err
	}
	rows, err := looseRows(ctx, tx, "SELECT seq, ts, boot, layout, gap_from, gap_to, body FROM frame WHERE stream = ? AND ts >= ? AND ts < ? ORDER BY seq", k.stream, k.t, k.t+hourSpan)
	if err != nil {
		return err
	}
	loose := make([]int64, len(rows))
	for i := range rows {
		loose[i] = rows[i].seq
	}
	parts, err := numbers(ctx, tx, "SELECT part FROM block WHERE stream = ? AND t = ? ORDER BY part", k.stream, k.t)
	if err != nil {
		return err
	}
	part := int64(0)
	if len(parts) > 0 && len(rows) > 0 {
		part = parts[len(parts)-1]
		before, err := blockRows(ctx, tx, k, part, layouts)
		if err != nil && !errors.Is(err, errBlock) {
			return err
		}
		if err == nil && len(before) < blockFrames { // a damaged block is left as it is
			rows = append(rows, before...)
			slices.SortFunc(rows, func(a, b row) int { return cmp.Compare(a.seq, b.seq) })
		} else {
			part++
		}
	}
	type block struct {
		first, last int64
		frames      int
		body        []byte
	}
	var blocks []block
	for some := range slices.Chunk(rows, blockFrames) {
		body, err := encodeBlock(some, layouts)
		if err != nil {
			return err
		}
		blocks = append(blocks, block{some[0].seq, some[len(some)-1].seq, len(some), body})
	}
	if err := tx.Rollback(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	err = s.w.transact(ctx, func() error {
		ctx := context.WithoutCancel(ctx)
		for i, b := range blocks {
			if _, err := s.w.conn.ExecContext(ctx, "INSERT OR REPLACE INTO block (stream, t, part, first, last, frames, body) VALUES (?,?,?,?,?,?,?)",
				k.stream, k.t, part+int64(i), b.first, b.last, b.frames, b.body); err != nil {
				return err
			}
		}
		// Whole stretches of numbers, which other hours and later frames are not part of.
		for _, e := range stretches(loose) {
			if _, err := s.w.conn.ExecContext(ctx, "DELETE FROM frame WHERE stream = ? AND seq >= ? AND seq <= ?", k.stream, e.first, e.last); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	left, err := numbers(ctx, s.w.conn, "SELECT count(*) FROM frame WHERE stream = ? AND ts >= ? AND ts < ?", k.stream, k.t, k.t+hourSpan)
	if err == nil && left[0] == 0 {
		delete(s.w.loose, k)
	}
	return err
}

// stretches are rising numbers as spans without holes.
func stretches(rising []int64) spans {
	var out spans
	for _, n := range rising {
		if last := len(out) - 1; last >= 0 && out[last].last == n-1 {
			out[last].last = n
			continue
		}
		out = append(out, span{n, n})
	}
	return out
}

// giveBack returns free pages to the disk, some at a time.
func (s *Store) giveBack(ctx context.Context) error {
	for range freeEach {
		s.mu.Lock()
		n, err := numbers(ctx, s.w.conn, "PRAGMA freelist_count")
		if err == nil && n[0] > 0 {
			_, err = s.w.conn.ExecContext(ctx, fmt.Sprintf("PRAGMA incremental_vacuum(%d)", freeAtOnce))
		}
		s.mu.Unlock()
		if err != nil {
			return fmt.Errorf("free space is not given back: %w", err)
		}
		if n[0] <= freeAtOnce {
			return nil
		}
	}
	return nil
}

// numbers reads one column of whole numbers.
func numbers(ctx context.Context, q querier, query string, args ...any) ([]int64, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []int64
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, rows.Err()
}

func layoutsOf(ctx context.Context, q querier) (map[int64]layout, error) {
	rows, err := q.QueryContext(ctx, "SELECT id, body FROM layout")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[int64]layout{}
	for rows.Next() {
		var id int64
		var body []byte
		if err := rows.Scan(&id, &body); err != nil {
			return nil, err
		}
		if out[id], err = decodeLayout(body); err != nil {
			return nil, err
		}
	}
	return out, rows.Err()
}

// looseRows reads frames that are not sealed: seq, ts, boot, layout, gap_from, gap_to
// and body of the query.
func looseRows(ctx context.Context, q querier, query string, args ...any) ([]row, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []row
	for rows.Next() {
		var r row
		var from, to *int64
		if err := rows.Scan(&r.seq, &r.ts, &r.boot, &r.layout, &from, &to, &r.body); err != nil {
			return nil, err
		}
		if from != nil && to != nil {
			r.gapFrom, r.gapTo = *from, *to
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// blockRows reads one block.
func blockRows(ctx context.Context, q querier, k hourKey, part int64, layouts map[int64]layout) ([]row, error) {
	rows, err := q.QueryContext(ctx, "SELECT body FROM block WHERE stream = ? AND t = ? AND part = ?", k.stream, k.t, part)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var body []byte
	if rows.Next() {
		err = rows.Scan(&body)
	}
	if err = cmp.Or(err, rows.Err()); err != nil {
		return nil, err
	}
	out, err := decodeBlock(body, layouts)
	if err != nil {
		return nil, fmt.Errorf("stream %d hour from %s: %w", k.stream, time.UnixMilli(k.t).UTC().Format(time.RFC3339), err)
	}
	return out, nil
}

// hourFrames visits the frames of a sealed hour, and those that came into it since,
// with from <= ts < to in order of time and number.
func hourFrames(ctx context.Context, q querier, stream, t, from, to int64, visit func(layout, cursor) error) error {
	layouts, err := layoutsOf(ctx, q)
	if err != nil {
		return err
	}
	rows, err := looseRows(ctx, q, "SELECT seq, ts, boot, layout, gap_from, gap_to, body FROM frame WHERE stream = ? AND ts >= ? AND ts < ?", stream, from, to)
	if err != nil {
		return err
	}
	parts, err := numbers(ctx, q, "SELECT part FROM block WHERE stream = ? AND t = ? ORDER BY part", stream, t)
	if err != nil {
		return err
	}
	for _, part := range parts {
		sealed, err := blockRows(ctx, q, hourKey{stream, t}, part, layouts)
		if errors.Is(err, errBlock) {
			continue // a gap, rather than nothing at all; Export says where
		}
		if err != nil {
			return err
		}
		for i := range sealed {
			if ts := sealed[i].ts; ts >= from && ts < to {
				rows = append(rows, sealed[i])
			}
		}
	}
	slices.SortFunc(rows, func(a, b row) int { return cmp.Or(cmp.Compare(a.ts, b.ts), cmp.Compare(a.seq, b.seq)) })
	for i := range rows {
		if err := visit(layouts[rows[i].layout], cursor{rows[i].body, rows[i].ts}); err != nil {
			return err
		}
	}
	return nil
}

// streamRows visits the frames of a stream from a number on, sealed or not, in order
// of number. It holds a few blocks at a time; q must see one state of the store.
// Damaged blocks are passed over and told at the end, as errBlock.
func streamRows(ctx context.Context, q querier, stream, from int64, visit func(*row, layout) error) error {
	layouts, err := layoutsOf(ctx, q)
	if err != nil {
		return err
	}
	rows, err := q.QueryContext(ctx, "SELECT t, part, first FROM block WHERE stream = ? AND last >= ? ORDER BY first", stream, from)
	if err != nil {
		return err
	}
	defer rows.Close()
	type place struct {
		hour        hourKey
		part, first int64
	}
	var waiting []place // in order of their first number
	for rows.Next() {
		p := place{hour: hourKey{stream: stream}}
		if err := rows.Scan(&p.hour.t, &p.part, &p.first); err != nil {
			return err
		}
		waiting = append(waiting, p)
	}
	if err := rows.Err(); err != nil {
		return err
	}
	const some = 4096 // loose frames at a time
	var loose []row
	more, next := true, from
	var opened [][]row // blocks that are being read; none is empty
	var damaged error
	for {
		if len(loose) == 0 && more {
			if loose, err = looseRows(ctx, q, "SELECT seq, ts, boot, layout, gap_from, gap_to, body FROM frame WHERE stream = ? AND seq >= ? ORDER BY seq LIMIT ?", stream, next, some); err != nil {
				return err
			}
			if more = len(loose) == some; more {
				next = loose[some-1].seq + 1
			}
		}
		least, of := int64(math.MaxInt64), -2 // -1: loose
		if len(loose) > 0 {
			least, of = loose[0].seq, -1
		}
		for i := range opened {
			if opened[i][0].seq < least {
				least, of = opened[i][0].seq, i
			}
		}
		switch {
		case len(waiting) > 0 && waiting[0].first <= least:
			b, err := blockRows(ctx, q, waiting[0].hour, waiting[0].part, layouts)
			if errors.Is(err, errBlock) {
				damaged = errors.Join(damaged, err)
			} else if err != nil {
				return err
			}
			waiting = waiting[1:]
			for len(b) > 0 && b[0].seq < from {
				b = b[1:]
			}
			if len(b) > 0 {
				opened = append(opened, b)
			}
			continue
		case of == -2:
			return damaged
		case of == -1:
			err = visit(&loose[0], layouts[loose[0].layout])
			loose = loose[1:]
		default:
			err = visit(&opened[of][0], layouts[opened[of][0].layout])
			if opened[of] = opened[of][1:]; len(opened[of]) == 0 {
				opened = slices.Delete(opened, of, of+1)
			}
		}
		if err != nil {
			return err
		}
	}
}
