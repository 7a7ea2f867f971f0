package store

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"decktrim/internal/plant"
)

// minuteOf is the roll-up of one minute of a metric as it is stored.
type minuteOf struct {
	t, n, worst       int64
	mean, least, most float64
}

func (m minuteOf) piece() piece {
	return piece{m.t, aggregate{m.n, m.mean * float64(m.n), m.least, m.most, plant.Quality(m.worst)}}
}

// encodeMinutes packs the minutes of metrics: for each its id (uvarint) and a section,
// see appendMinutes.
func encodeMinutes(of map[int64][]minuteOf) ([]byte, error) {
	var plain []byte
	for _, metric := range sortedKeys(of) {
		plain = appendText(binary.AppendUvarint(plain, uint64(metric)), appendMinutes(nil, of[metric]))
	}
	return squeeze(plain)
}

// decodeMinutes gives the minutes of one metric to visit, or of all if metric is 0.
func decodeMinutes(b []byte, metric int64, visit func(metric int64, m minuteOf)) error {
	plain, err := unsqueeze(b)
	if err != nil {
		return err
	}
	for c := (cursor{b: plain}); len(c.b) > 0; {
		id, err := c.uvarint()
		if err != nil {
			return errBlock
		}
		s, err := c.take()
		if err != nil {
			return errBlock
		}
		if metric != 0 && int64(id) != metric {
			continue
		}
		list, err := minutesIn(s)
		if err != nil {
			return err
		}
		for _, m := range list {
			visit(int64(id), m)
		}
	}
	return nil
}

// appendMinutes packs minutes as columns: t, n, worst, mean, least, most.
func appendMinutes(plain []byte, list []minuteOf) []byte {
	for _, field := range minuteFields {
		v := make([]uint64, len(list))
		for i := range list {
			v[i] = uint64(*field(&list[i]))
		}
		plain = appendText(plain, appendWhole(nil, v))
	}
	for _, field := range minuteFigures {
		v := make([]uint64, len(list))
		for i := range list {
			v[i] = math.Float64bits(*field(&list[i]))
		}
		plain = appendText(plain, appendFloats(nil, v))
	}
	return plain
}

func minutesIn(b []byte) ([]minuteOf, error) {
	c := cursor{b: b}
	var list []minuteOf
	for i, field := range minuteFields {
		s, err := c.take()
		if err != nil {
			return nil, errBlock
		}
		v, err := decodeWhole(s)
		if err != nil || i > 0 && len(v) != len(list) {
			return nil, errBlock
		}
		if i == 0 {
			list = make([]minuteOf, len(v))
		}
		for j := range v {
			*field(&list[j]) = int64(v[j])
		}
	}
	for _, field := range minuteFigures {
		s, err := c.take()
		if err != nil {
			return nil, errBlock
		}
		v, err := decodeFloats(s)
		if err != nil || len(v) != len(list) {
			return nil, errBlock
		}
		for j := range v {
			*field(&list[j]) = math.Float64frombits(v[j])
		}
	}
	return list, nil
}

var (
	minuteFields = []func(*minuteOf) *int64{
		func(m *minuteOf) *int64 { return &m.t },
		func(m *minuteOf) *int64 { return &m.n },
		func(m *minuteOf) *int64 { return &m.worst },
	}
	minuteFigures = []func(*minuteOf) *float64{
		func(m *minuteOf) *float64 { return &m.mean },
		func(m *minuteOf) *float64 { return &m.least },
		func(m *minuteOf) *float64 { return &m.most },
	}
)

// minutes reads the roll-ups of a node's minutes with from <= t < to, of one metric, or
// of all if metric is 0: by metric, each in order of time.
func minutes(ctx context.Context, q querier, node, metric, from, to int64) (map[int64][]minuteOf, error) {
	where, id := "metric = ?", metric
	if metric == 0 {
		where, id = "metric IN (SELECT id FROM metric WHERE node = ?)", node
	}
	out := map[int64][]minuteOf{}
	rows, err := q.QueryContext(ctx, "SELECT metric, t, n, mean, least, most, worst FROM minute WHERE "+where+" AND t >= ? AND t < ? ORDER BY metric, t", id, from, to)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var of int64
		var m minuteOf
		if err := rows.Scan(&of, &m.t, &m.n, &m.mean, &m.least, &m.most, &m.worst); err != nil {
			return nil, err
		}
		out[of] = append(out[of], m)
	}
	if err := rows.Err(); err != nil {
		return nil, err
	}
	bodies, err := q.QueryContext(ctx, "SELECT body FROM packed WHERE node = ? AND t > ? AND t < ?", node, from-hourSpan, to)
	if err != nil {
		return nil, err
	}
	defer bodies.Close()
	anew := map[int64]bool{} // metrics with packed minutes
	for bodies.Next() {
		var body []byte
		if err := bodies.Scan(&body); err != nil {
			return nil, err
		}
		if err := decodeMinutes(body, metric, func(of int64, m minuteOf) {
			anew[of] = true
			if m.t >= from && m.t < to {
				out[of] = append(out[of], m) // behind one of the same time that was made anew
			}
		}); err != nil && !errors.Is(err, errBlock) { // damaged: a gap, rather than nothing at all
			return nil, fmt.Errorf("minutes of node %d: %w", node, err)
		}
	}
	for of := range anew {
		slices.SortStableFunc(out[of], func(a, b minuteOf) int { return cmp.Compare(a.t, b.t) })
		out[of] = slices.CompactFunc(out[of], func(a, b minuteOf) bool { return a.t == b.t })
	}
	return out, bodies.Err()
}

// pack packs the minutes of whole past hours that are rolled up and at rest.
func (s *Store) pack(ctx context.Context, rest time.Duration) error {
	for {
		s.mu.Lock()
		k, found := s.packable(rest)
		var err error
		if found {
			err = s.w.transact(ctx, func() error { return s.w.pack(context.WithoutCancel(ctx), k) })
		}
		if err == nil && found {
			delete(s.w.minutes, k)
		}
		s.mu.Unlock()
		if err != nil || !found || ctx.Err() != nil {
			return err
		}
	}
}

func (s *Store) packable(rest time.Duration) (bucketKey, bool) {
	now, real := s.now().UnixMilli(), time.Now()
	dirty := map[bucketKey]bool{}
	for k := range s.w.dirty {
		dirty[bucketKey{k.node, hourSpan, floor(k.t, hourSpan)}] = true
	}
	for k, at := range s.w.minutes {
		if k.t+hourSpan <= now && real.Sub(at) >= rest && !dirty[k] {
			return k, true
		}
	}
	return bucketKey{}, false
}

func (w *writer) pack(ctx context.Context, k bucketKey) error {
	list, err := minutes(ctx, w.conn, k.node, 0, k.t, k.t+hourSpan)
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return nil
	}
	body, err := encodeMinutes(list)
	if err != nil {
		return err
	}
	if _, err := w.conn.ExecContext(ctx, "INSERT OR REPLACE INTO packed (node, t, body) VALUES (?,?,?)", k.node, k.t, body); err != nil {
		return err
	}
	_, err = w.conn.ExecContext(ctx, "DELETE FROM minute WHERE metric IN (SELECT id FROM metric WHERE node = ?) AND t >= ? AND t < ?", k.node, k.t, k.t+hourSpan)
	return err
}
