package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"decktrim/internal/plant"
)

// A roll-up is made anew from what is stored whenever something came into its
// bucket, in the order of time and number. So late, doubled and disordered frames
// leave exactly the figures that orderly ones would have left.

const (
	rollEvery   = time.Second // how often buckets are looked through
	rollRest    = time.Second // real time for which a bucket was left alone before it is rolled up
	rollAtOnce  = 16          // buckets a transaction, so that ingest waits little
	checkpoints = 5 * time.Second
	walRest     = 1 << 20  // bytes to which the write-ahead log is cut when it begins anew
	walMost     = 16 << 20 // bytes of the write-ahead log, above which the writer waits for its checkpoint
)

// aggregate is the roll-up of one metric in one bucket.
type aggregate struct {
	n           int64
	sum         float64 // of a minute's readings; of an hour: mean times n
	least, most float64
	worst       plant.Quality
}

// worse orders qualities: good, then stale, then the rest, then bad.
func worse(a, b plant.Quality) plant.Quality {
	rank := func(q plant.Quality) int {
		switch q {
		case plant.Good:
			return 0
		case plant.Stale:
			return 1
		case plant.Bad:
			return 3
		}
		return 2
	}
	if rank(b) > rank(a) {
		return b
	}
	return a
}

func newAggregate() *aggregate { return &aggregate{worst: plant.Good} }

// note takes one reading in. Only good numbers count; the rest shows in worst.
func (a *aggregate) note(v float64, ok bool, q plant.Quality) {
	if !ok && q == plant.Good {
		q = plant.Bad // no number was there
	}
	a.worst = worse(a.worst, q)
	if !ok || q != plant.Good {
		return
	}
	a.merge(aggregate{1, v, v, v, q})
}

func (a *aggregate) merge(b aggregate) {
	a.worst = worse(a.worst, b.worst)
	if b.n == 0 {
		return
	}
	if a.n == 0 {
		a.least, a.most = b.least, b.most
	}
	a.least, a.most = min(a.least, b.least), max(a.most, b.most)
	a.n += b.n
	a.sum += b.sum
}

func (a *aggregate) mean() float64 {
	switch {
	case a.n == 0:
		return 0
	case math.IsNaN(a.sum): // two sums beyond all numbers, one above and one below
		return a.least/2 + a.most/2
	}
	return min(max(a.sum/float64(a.n), a.least), a.most) // also if the sum is beyond all numbers
}

// Run keeps roll-ups and the write-ahead log in order until ctx ends.
func (s *Store) Run(ctx context.Context) error {
	roll, check := time.NewTicker(rollEvery), time.NewTicker(checkpoints)
	defer roll.Stop()
	defer check.Stop()
	failed := ""
	for {
		var err error
		select {
		case <-ctx.Done():
			return nil
		case <-roll.C:
			if _, err = s.RollUp(ctx); err == nil {
				err = s.tidy(ctx)
			}
		case <-check.C:
			err = s.checkpoint(ctx)
		}
		if err != nil && ctx.Err() == nil && err.Error() != failed {
			failed = err.Error()
			s.log.Error("store upkeep failed", "error", err)
		}
		if err == nil {
			failed = ""
		}
	}
}

// checkpoint moves the write-ahead logs into their files. The writer is not held up
// unless its log has grown so far that it must come to an end, or unless nothing was
// written since the last time: then the log is cut at once.
func (s *Store) checkpoint(ctx context.Context) error {
	info, err := os.Stat(filepath.Join(s.dir, readingsFile+"-wal"))
	if err != nil {
		return fmt.Errorf("checkpoint: %w", err)
	}
	s.mu.Lock()
	quiet := s.w.commits == s.checked
	s.checked = s.w.commits
	if info.Size() > walMost || quiet && info.Size() > walRest {
		defer s.mu.Unlock()
	} else {
		s.mu.Unlock()
	}
	for _, db := range []*sql.DB{s.read, s.ledger} {
		if _, err := db.ExecContext(ctx, "PRAGMA wal_checkpoint(PASSIVE)"); err != nil {
			return fmt.Errorf("checkpoint: %w", err)
		}
	}
	if quiet && info.Size() > walRest {
		return s.w.probe(ctx) // the next transaction begins the log anew, and so cuts it
	}
	return nil
}

// RollUp makes the roll-ups of the buckets that are over and at rest, and tells how
// many it made.
func (s *Store) RollUp(ctx context.Context) (made int, err error) {
	return s.rollUp(ctx, rollRest)
}

func (s *Store) rollUp(ctx context.Context, rest time.Duration) (made int, err error) {
	for {
		n, err := s.rollSome(ctx, rest)
		made += n
		if err != nil || n == 0 {
			return made, err
		}
	}
}

// rollSome makes at most rollAtOnce roll-ups in one transaction. An hour waits for
// its minutes.
func (s *Store) rollSome(ctx context.Context, rest time.Duration) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now, real := s.now().UnixMilli(), time.Now()
	var due []bucketKey
	waiting := map[bucketKey]bool{} // hours with minutes that are still dirty
	for k := range s.w.dirty {
		if k.span == minuteSpan {
			waiting[bucketKey{k.node, hourSpan, floor(k.t, hourSpan)}] = true
		}
	}
	for k, at := range s.w.dirty {
		if k.t+k.span <= now && real.Sub(at) >= rest && !waiting[k] {
			due = append(due, k)
		}
	}
	if len(due) == 0 {
		return 0, nil
	}
	slices.SortFunc(due, func(a, b bucketKey) int {
		return cmp.Or(cmp.Compare(a.node, b.node), cmp.Compare(a.t, b.t), cmp.Compare(a.span, b.span))
	})
	due = due[:min(len(due), rollAtOnce)]
	err := s.w.transact(ctx, func() error {
		for _, k := range due {
			if err := s.w.roll(context.WithoutCancel(ctx), k); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	return len(due), nil
}

func (w *writer) roll(ctx context.Context, k bucketKey) error {
	table := "hour"
	aggregates := aggregatesOfHour
	if k.span == minuteSpan {
		table, aggregates = "minute", aggregatesOfMinute
	}
	metrics, err := aggregates(ctx, w.conn, k.node, k.t)
	if err != nil {
		return err
	}
	put, err := w.conn.PrepareContext(ctx, "INSERT OR REPLACE INTO "+table+" (metric, t, n, mean, least, most, worst) VALUES (?,?,?,?,?,?,?)")
	if err != nil {
		return err
	}
	defer put.Close()
	for _, m := range sortedKeys(metrics) {
		a := metrics[m]
		if _, err := put.ExecContext(ctx, m, k.t, a.n, a.mean(), a.least, a.most, int64(a.worst)); err != nil {
			return err
		}
	}
	if _, err := w.conn.ExecContext(ctx, "DELETE FROM dirty WHERE node = ? AND span = ? AND t = ?", k.node, k.span, k.t); err != nil {
		return err
	}
	delete(w.dirty, k)
	if k.span == minuteSpan {
		hour := bucketKey{k.node, hourSpan, floor(k.t, hourSpan)}
		w.minutes[hour] = time.Now()
		return w.soil(ctx, hour, time.Now())
	}
	return nil
}

func sortedKeys[V any](m map[int64]V) []int64 {
	keys := make([]int64, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// querier is a database, a connection or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// aggregatesOfMinute works out every metric of a node in the minute from t.
func aggregatesOfMinute(ctx context.Context, q querier, node, t int64) (map[int64]*aggregate, error) {
	out := map[int64]*aggregate{}
	of := func(m int64) *aggregate {
		a := out[m]
		if a == nil {
			a = newAggregate()
			out[m] = a
		}
		return a
	}
	err := frames(ctx, q, node, t, t+minuteSpan, func(l layout, c cursor) error {
		var p packed
		for _, m := range l {
			if err := c.next(&p); err != nil {
				return err
			}
			if p.kind == kindString || p.kind == kindBytes {
				continue
			}
			v, ok := p.number()
			of(m).note(v, ok, p.quality)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	err = readings(ctx, q, node, 0, t, t+minuteSpan, func(m int64, p *packed) error {
		if p.kind != kindString && p.kind != kindBytes {
			v, ok := p.number()
			of(m).note(v, ok, p.quality)
		}
		return nil
	})
	return out, err
}

// aggregatesOfHour works out every metric of a node in the hour from t out of its
// minutes.
func aggregatesOfHour(ctx context.Context, q querier, node, t int64) (map[int64]*aggregate, error) {
	list, err := minutes(ctx, q, node, 0, t, t+hourSpan)
	if err != nil {
		return nil, err
	}
	out := map[int64]*aggregate{}
	for m, of := range list {
		out[m] = newAggregate()
		for i := range of {
			out[m].merge(of[i].piece().aggregate)
		}
	}
	return out, nil
}

// frames visits the frames of a node with from <= ts < to, sealed or not, in order of
// time and number within each of its streams. It must see one state of the store: q
// is a transaction, or the writer's connection.
func frames(ctx context.Context, q querier, node, from, to int64, visit func(layout, cursor) error) error {
	streams, err := numbers(ctx, q, "SELECT id FROM stream WHERE node = ? AND aside = 0 ORDER BY id", node)
	if err != nil {
		return err
	}
	for _, stream := range streams {
		sealed, err := numbers(ctx, q, "SELECT DISTINCT t FROM block WHERE stream = ? AND t > ? AND t < ? ORDER BY t", stream, from-hourSpan, to)
		if err != nil {
			return err
		}
		at := from
		for _, t := range sealed {
			if t > at {
				if err := looseFrames(ctx, q, stream, at, t, visit); err != nil {
					return err
				}
			}
			if err := hourFrames(ctx, q, stream, t, max(from, t), min(to, t+hourSpan), visit); err != nil {
				return err
			}
			at = t + hourSpan
		}
		if at < to {
			if err := looseFrames(ctx, q, stream, at, to, visit); err != nil {
				return err
			}
		}
	}
	return nil
}

// looseFrames visits frames of a stream that are not sealed.
func looseFrames(ctx context.Context, q querier, stream, from, to int64, visit func(layout, cursor) error) error {
	rows, err := q.QueryContext(ctx, `SELECT f.ts, l.body, f.body FROM frame AS f JOIN layout AS l ON l.id = f.layout
		WHERE f.stream = ? AND f.ts >= ? AND f.ts < ? ORDER BY f.ts, f.seq`, stream, from, to)
	if err != nil {
		return err
	}
	defer rows.Close()
	var ts int64
	var form, body sql.RawBytes
	var lastForm []byte
	var lay layout
	for rows.Next() {
		if err := rows.Scan(&ts, &form, &body); err != nil {
			return err
		}
		if lay == nil || !slices.Equal(lastForm, form) {
			if lay, err = decodeLayout(form); err != nil {
				return err
			}
			lastForm = append(lastForm[:0], form...)
		}
		if err := visit(lay, cursor{body, ts}); err != nil {
			return err
		}
	}
	return rows.Err()
}

// readings visits the readings outside frames with from <= ts < to, in order of
// time within each metric: of one metric, or of all of a node if metric is 0.
func readings(ctx context.Context, q querier, node, metric, from, to int64, visit func(metric int64, p *packed) error) error {
	query := `SELECT r.metric, r.ts, r.quality, r.value, r.kind FROM metric AS m CROSS JOIN reading AS r ON r.metric = m.id
		WHERE m.node = ? AND r.ts >= ? AND r.ts < ? ORDER BY r.metric, r.ts`
	args := []any{node, from, to}
	if metric != 0 {
		query = `SELECT metric, ts, quality, value, kind FROM reading WHERE metric = ? AND ts >= ? AND ts < ? ORDER BY ts`
		args[0] = metric
	}
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var m int64
		p, err := scanReading(rows, &m)
		if err != nil {
			return err
		}
		if err := visit(m, &p); err != nil {
			return err
		}
	}
	return rows.Err()
}

// scanReading reads metric, ts, quality, value and kind of a row of reading, after
// what more there is to scan.
func scanReading(rows *sql.Rows, metric *int64, before ...any) (packed, error) {
	var p packed
	var quality, kind int64
	var value any
	if err := rows.Scan(append(before, metric, &p.ts, &quality, &value, &kind)...); err != nil {
		return p, err
	}
	p.quality, p.kind = plant.Quality(quality), byte(kind)&^kindBirth
	switch v := value.(type) {
	case float64:
		p.num = v
	case int64:
		p.bits = uint64(v)
		if p.kind == kindFloat {
			p.num = float64(v)
		}
	case string:
		p.text = []byte(v)
	case []byte:
		p.text = v
	}
	return p, nil
}
