package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"time"

	"decktrim/internal/plant"
)

// Point is a stretch of a channel in the channel's unit: one reading or many. N is
// how many good readings it stands for; N == 0 marks a gap, which lasts until the
// next point.
type Point struct {
	T              time.Time // start of the stretch, UTC
	Mean, Min, Max float64
	N              int
	Quality        plant.Quality // the worst in the stretch
}

const (
	rawSpan   = 2 * time.Hour    // up to here readings are read one by one
	rawPoint  = 10 * time.Second // or if a point stands for less than this
	hourPoint = 30 * time.Minute // from here hours are read
	gapLeast  = 5 * time.Second  // readings further apart than this and than
	gapOf     = 3                // so many of their usual distances leave a gap
)

// piece is a reading, a minute or an hour of a channel.
type piece struct {
	t int64
	aggregate
}

// Range gives at most maxPoints points of a channel with from <= T < to in order of
// time. It reads frames, minutes or hours, whichever is enough for the points asked
// for, and is right for buckets that are not rolled up yet. An unknown plant or
// channel is an error; a channel without readings has no points.
func (s *Store) Range(ctx context.Context, plantName, channel string, from, to time.Time, maxPoints int) ([]Point, error) {
	p := s.plants[plantName]
	if p == nil {
		return nil, fmt.Errorf("there is no plant %q", plantName)
	}
	i := p.ChannelIndex(channel)
	if i < 0 {
		return nil, fmt.Errorf("plant %q has no channel %q", plantName, channel)
	}
	maxPoints = max(maxPoints, 2)
	a, b := from.UnixMilli(), to.UnixMilli()
	if b <= a {
		return nil, nil
	}
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("the readings cannot be read: %w", err)
	}
	defer tx.Rollback()
	metrics, err := metricsOf(ctx, tx, p.Channels[i])
	if err != nil {
		return nil, fmt.Errorf("the readings cannot be read: %w", err)
	}
	width := to.Sub(from) / time.Duration(maxPoints)
	var pieces []piece
	gap := int64(0)
	switch {
	case to.Sub(from) <= rawSpan || width < rawPoint:
		pieces, err = rawPieces(ctx, tx, metrics, a, b)
		gap = usualGap(pieces)
	case width < hourPoint:
		pieces, err = rolledPieces(ctx, tx, metrics, minuteSpan, a, b)
		gap = minuteSpan
	default:
		pieces, err = rolledPieces(ctx, tx, metrics, hourSpan, a, b)
		gap = hourSpan
	}
	if err != nil {
		return nil, fmt.Errorf("the readings cannot be read: %w", err)
	}
	return thin(pieces, a, b, maxPoints, gap), nil
}

// source is a metric that a channel is read from.
type source struct{ metric, node int64 }

func metricsOf(ctx context.Context, q querier, c plant.Channel) ([]source, error) {
	rows, err := q.QueryContext(ctx, `SELECT m.id, m.node FROM metric AS m JOIN node AS n ON n.id = m.node
		WHERE m.name = ?1 AND m.device = '' AND (?2 = '' OR n.name = ?2) ORDER BY m.id`, c.MetricName(), c.Node)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []source
	for rows.Next() {
		var s source
		if err := rows.Scan(&s.metric, &s.node); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}

// rawPieces reads the readings of from <= ts < to one by one.
func rawPieces(ctx context.Context, q querier, sources []source, from, to int64) ([]piece, error) {
	var out []piece
	for _, src := range sources {
		keep := func(p *packed) {
			a := newAggregate()
			v, ok := p.number()
			a.note(v, ok, p.quality)
			out = append(out, piece{p.ts, *a})
		}
		err := frames(ctx, q, src.node, from, to, func(l layout, c cursor) error {
			last := len(l) - 1
			for last >= 0 && l[last] != src.metric {
				last--
			}
			var p packed
			for _, m := range l[:last+1] {
				if err := c.next(&p); err != nil {
					return err
				}
				if m == src.metric {
					keep(&p)
				}
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
		err = readings(ctx, q, src.node, src.metric, from, to, func(_ int64, p *packed) error {
			keep(p)
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	slices.SortStableFunc(out, func(a, b piece) int { return compare(a.t, b.t) })
	return out, nil
}

func compare(a, b int64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// rolledPieces reads whole buckets whose start lies in from <= t < to. Those that
// are not rolled up yet are worked out from what they are made of.
func rolledPieces(ctx context.Context, q querier, sources []source, span, from, to int64) ([]piece, error) {
	merged := map[int64]*aggregate{}
	for _, src := range sources {
		open, err := dirtyBuckets(ctx, q, src.node, span, floor(from, span), to)
		if err != nil {
			return nil, err
		}
		if err := rolled(ctx, q, src, span, from, to, func(p piece) {
			if !open[p.t] {
				mergeInto(merged, p.t, p.aggregate)
			}
		}); err != nil {
			return nil, err
		}
		for t := range open {
			if t < from || t >= to {
				continue
			}
			a, err := fresh(ctx, q, src, span, t)
			if err != nil {
				return nil, err
			}
			mergeInto(merged, t, a)
		}
	}
	out := make([]piece, 0, len(merged))
	for _, t := range sortedKeys(merged) {
		out = append(out, piece{t, *merged[t]})
	}
	return out, nil
}

func mergeInto(m map[int64]*aggregate, t int64, a aggregate) {
	if m[t] == nil {
		m[t] = newAggregate()
	}
	m[t].merge(a)
}

// fresh works out a bucket of one metric that is not rolled up yet.
func fresh(ctx context.Context, q querier, src source, span, t int64) (aggregate, error) {
	var pieces []piece
	var err error
	if span == minuteSpan {
		pieces, err = rawPieces(ctx, q, []source{src}, t, t+span)
	} else {
		pieces, err = rolledPieces(ctx, q, []source{src}, minuteSpan, t, t+span)
	}
	a := newAggregate()
	for _, p := range pieces {
		a.merge(p.aggregate)
	}
	return *a, err
}

// dirtyBuckets lists the buckets of a node in from <= t < to that are not rolled up
// yet, themselves or, for hours, in one of their minutes.
func dirtyBuckets(ctx context.Context, q querier, node, span, from, to int64) (map[int64]bool, error) {
	rows, err := q.QueryContext(ctx, "SELECT t FROM dirty WHERE node = ? AND span <= ? AND t >= ? AND t < ?", node, span, from, to)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[int64]bool{}
	for rows.Next() {
		var t int64
		if err := rows.Scan(&t); err != nil {
			return nil, err
		}
		out[floor(t, span)] = true
	}
	return out, rows.Err()
}

func rolled(ctx context.Context, q querier, src source, span, from, to int64, visit func(piece)) error {
	if span == minuteSpan {
		list, err := minutes(ctx, q, src.node, src.metric, from, to)
		for _, m := range list[src.metric] {
			visit(m.piece())
		}
		return err
	}
	rows, err := q.QueryContext(ctx, "SELECT t, n, mean, least, most, worst FROM hour WHERE metric = ? AND t >= ? AND t < ? ORDER BY t", src.metric, from, to)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var p piece
		var mean float64
		var worst int64
		if err := rows.Scan(&p.t, &p.n, &mean, &p.least, &p.most, &worst); err != nil {
			return err
		}
		p.sum, p.worst = mean*float64(p.n), plant.Quality(worst)
		visit(p)
	}
	return rows.Err()
}

// usualGap is the distance in ms above which readings leave a gap.
func usualGap(pieces []piece) int64 {
	steps := make([]int64, 0, len(pieces))
	for i := 1; i < len(pieces); i++ {
		steps = append(steps, pieces[i].t-pieces[i-1].t)
	}
	least := int64(gapLeast / time.Millisecond)
	if len(steps) == 0 {
		return least
	}
	slices.Sort(steps)
	return max(least, gapOf*steps[len(steps)/2])
}

// thin merges pieces into at most maxPoints points and puts a gap where good
// readings are further apart than gap milliseconds.
func thin(pieces []piece, from, to int64, maxPoints int, gap int64) []Point {
	gaps, before := 0, int64(math.MaxInt64)
	for _, p := range pieces {
		if p.n > 0 {
			if before != math.MaxInt64 && p.t-before > gap {
				gaps++
			}
			before = p.t
		}
	}
	width := int64(1)
	if len(pieces)+gaps > maxPoints {
		// A gap needs an empty stretch before it, so gaps are fewer than points.
		limit := max(maxPoints-min(gaps, maxPoints/2), 1)
		width = int64(math.Ceil(float64(to-from) / float64(limit)))
	}
	var out []Point
	var at int64
	var now aggregate
	var last int64 // time of the last good piece
	flush := func() {
		if now.n == 0 {
			return
		}
		out = append(out, Point{time.UnixMilli(at).UTC(), now.mean(), now.least, now.most, int(now.n), now.worst})
	}
	for _, p := range pieces {
		slot := from + (p.t-from)/width*width
		if width == 1 {
			slot = p.t
		}
		if slot != at || now.n == 0 {
			flush()
			if p.n > 0 && len(out) > 0 && p.t-last > max(gap, width) {
				out = append(out, Point{T: time.UnixMilli(last + max(gap, width)).UTC(), Quality: plant.Bad})
			}
			at, now = slot, *newAggregate()
		}
		now.merge(p.aggregate)
		if p.n > 0 {
			last = p.t
		}
	}
	flush()
	return out
}

// Frames gives a plant's stored readings with from <= time < to as frames, one for
// each second in which anything was measured, in order of time. A channel measured
// twice in a second has its last reading.
func (s *Store) Frames(ctx context.Context, plantName string, from, to time.Time) ([]plant.Frame, error) {
	p := s.plants[plantName]
	if p == nil {
		return nil, fmt.Errorf("there is no plant %q", plantName)
	}
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("the readings cannot be read: %w", err)
	}
	defer tx.Rollback()
	byTime := map[int64]*plant.Frame{}
	for i, c := range p.Channels {
		metrics, err := metricsOf(ctx, tx, c)
		if err != nil {
			return nil, fmt.Errorf("the readings cannot be read: %w", err)
		}
		pieces, err := rawPieces(ctx, tx, metrics, from.UnixMilli(), to.UnixMilli())
		if err != nil {
			return nil, fmt.Errorf("the readings cannot be read: %w", err)
		}
		for _, x := range pieces {
			t := floor(x.t, 1000)
			f := byTime[t]
			if f == nil {
				f = &plant.Frame{Time: time.UnixMilli(t).UTC(), ClockSet: true, Readings: make([]plant.Reading, len(p.Channels))}
				for j := range f.Readings {
					f.Readings[j] = plant.Reading{Quality: plant.Bad, Reason: plant.Missing}
				}
				byTime[t] = f
			}
			f.Readings[i] = plant.Reading{Value: x.mean(), Has: x.n > 0, Quality: x.worst}
		}
	}
	out := make([]plant.Frame, 0, len(byTime))
	for _, t := range sortedKeys(byTime) {
		out = append(out, *byTime[t])
	}
	return out, nil
}
