package store

import (
	"context"
	"fmt"
)

// SetAside moves what a second board with a node's name sent under a boot id into a
// stream of its own, named after both, which no figure of the node is made of. Their
// numbers in the node's stream are open again, so that the node's own records with
// them are stored, and are not confirmed before. It tells how many frames it moved.
// Frames of hours that are sealed already stay.
func (s *Store) SetAside(ctx context.Context, node, stream, boot string) (moved int, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p, id := s.w.streams[streamID{s.w.nodes[node], stream}], s.w.boots[boot]
	if p == nil || id == 0 {
		return 0, nil
	}
	var touched map[bucketKey]bool
	err = s.w.transact(ctx, func() error {
		ctx := context.WithoutCancel(ctx)
		rows, err := looseRows(ctx, s.w.conn, "SELECT seq, ts, boot, layout, gap_from, gap_to, body FROM frame WHERE stream = ? AND boot = ? ORDER BY seq", p.id, id)
		if err != nil || len(rows) == 0 {
			return err
		}
		to, err := s.w.stream(ctx, node, stream+" second board "+boot)
		if err != nil {
			return err
		}
		moved, touched = len(rows), map[bucketKey]bool{}
		for i := range rows {
			touched[bucketKey{p.node, minuteSpan, floor(rows[i].ts, minuteSpan)}] = true
		}
		for k := range touched {
			if _, err := s.w.insertDirty.ExecContext(ctx, k.node, k.span, k.t); err != nil {
				return err
			}
		}
		for _, x := range []struct {
			query string
			args  []any
		}{
			{"UPDATE OR REPLACE frame SET stream = ? WHERE stream = ? AND boot = ?", []any{to.id, p.id, id}},
			{"UPDATE stream SET aside = 1 WHERE id = ?", []any{to.id}},
			{"UPDATE stream SET acked = min(acked, ?) WHERE id = ?", []any{rows[0].seq - 1, p.id}},
		} {
			if _, err := s.w.conn.ExecContext(ctx, x.query, x.args...); err != nil {
				return err
			}
		}
		return nil
	})
	if err == nil && moved > 0 {
		err = s.w.load() // what is remembered of both streams
	}
	if err != nil {
		return 0, fmt.Errorf("readings of a second board are not set aside: %w", err)
	}
	return moved, nil
}
