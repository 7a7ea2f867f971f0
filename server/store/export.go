package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"decktrim/internal/plant"
)

// Filter says which readings to export.
type Filter struct {
	Node string    // GROUP/NODE; empty: all
	From time.Time // zero: from the first
	To   time.Time // exclusive; zero: to the last
}

// ExportRow is one stored reading as the node sent it.
type ExportRow struct {
	Node    string // GROUP/NODE
	Device  string // empty: the node's own
	Metric  string
	TS      int64 // ms since 1970
	Value   any   // nil, float64, int64, uint64, bool, string or []byte
	Quality plant.Quality
	Reason  plant.Reason
	Stream  string // empty: not from a spool
	Seq     int64  // 0: not from a spool
	Boot    string
}

// Export visits the stored readings: by node, then those of each stream in order of
// their number, then those outside spools by metric and time. It sees one state of
// the store, whatever is written meanwhile.
func (s *Store) Export(ctx context.Context, f Filter, visit func(ExportRow) error) error {
	from, to := int64(-1<<62), int64(1<<62)
	if !f.From.IsZero() {
		from = f.From.UnixMilli()
	}
	if !f.To.IsZero() {
		to = f.To.UnixMilli()
	}
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("the readings cannot be read: %w", err)
	}
	defer tx.Rollback()
	nodes, err := namesByID(ctx, tx, "SELECT id, name, '' FROM node WHERE ?1 = '' OR name = ?1 ORDER BY name", f.Node)
	if err != nil {
		return err
	}
	var damaged error
	for _, n := range nodes {
		err := exportNode(ctx, tx, n, from, to, visit)
		if errors.Is(err, errBlock) {
			damaged = errors.Join(damaged, err)
		} else if err != nil {
			return err
		}
	}
	return damaged
}

type named struct {
	id           int64
	name, device string
}

func namesByID(ctx context.Context, q querier, query string, args ...any) ([]named, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("the readings cannot be read: %w", err)
	}
	defer rows.Close()
	var out []named
	for rows.Next() {
		var n named
		if err := rows.Scan(&n.id, &n.name, &n.device); err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, rows.Err()
}

func exportNode(ctx context.Context, q querier, node named, from, to int64, visit func(ExportRow) error) error {
	list, err := namesByID(ctx, q, "SELECT id, name, device FROM metric WHERE node = ? ORDER BY device, name", node.id)
	if err != nil {
		return err
	}
	metrics := map[int64]named{}
	for _, m := range list {
		metrics[m.id] = m
	}
	streams, err := namesByID(ctx, q, "SELECT id, name, '' FROM stream WHERE node = ? ORDER BY id", node.id)
	if err != nil {
		return err
	}
	var damaged error // told when all the rest has been visited
	for _, st := range streams {
		err := exportStream(ctx, q, node.name, st, metrics, from, to, visit)
		if errors.Is(err, errBlock) {
			damaged = errors.Join(damaged, fmt.Errorf("%s: %w; the rest was written out", node.name, err))
		} else if err != nil {
			return err
		}
	}
	for _, m := range list {
		err := readings(ctx, q, node.id, m.id, from, to, func(_ int64, p *packed) error {
			return visit(ExportRow{Node: node.name, Device: m.device, Metric: m.name, TS: p.ts, Value: p.value(), Quality: p.quality})
		})
		if err != nil {
			return err
		}
	}
	return damaged
}

func exportStream(ctx context.Context, q querier, node string, stream named, metrics map[int64]named, from, to int64, visit func(ExportRow) error) error {
	boots := map[int64]string{}
	list, err := namesByID(ctx, q, "SELECT id, name, '' FROM boot")
	if err != nil {
		return err
	}
	for _, b := range list {
		boots[b.id] = b.name
	}
	out := ExportRow{Node: node, Stream: stream.name}
	return streamRows(ctx, q, stream.id, 0, func(r *row, lay layout) error {
		c := cursor{r.body, r.ts}
		var p packed
		out.Seq, out.Boot = r.seq, boots[r.boot]
		for _, m := range lay {
			if err := c.next(&p); err != nil {
				return fmt.Errorf("%s stream %s number %d: %w", node, stream.name, r.seq, err)
			}
			if p.ts < from || p.ts >= to {
				continue
			}
			out.Device, out.Metric = metrics[m].device, metrics[m].name
			out.TS, out.Value, out.Quality, out.Reason = p.ts, p.value(), p.quality, plant.Reason(p.reason)
			if err := visit(out); err != nil {
				return err
			}
		}
		return nil
	})
}
