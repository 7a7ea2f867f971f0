package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/sim"
	"decktrim/server/store"
)

// What the demo invents: the history of lots and runs, and the readings of the hours
// before it was started. All of it is made by the simulator and its sampling model,
// none of it is written down anywhere.

// inventLedger gives the ledger its sources, lots and runs, once: a ledger that has
// ore sources is left alone, and fresh is false.
func inventLedger(ctx context.Context, s *store.Store, p *plant.Plant, seed uint64, end time.Time) (fresh bool, err error) {
	have, err := s.OreSources(ctx, p.Plant.Name)
	if err != nil || len(have) > 0 {
		return false, err
	}
	h, err := sim.MakeHistory(p, seed, end)
	if err != nil {
		return false, err
	}
	var entries []ledger.Entry
	add := func(kind ledger.Kind, id string, at time.Time, body any) error {
		b, err := json.Marshal(body)
		if err != nil {
			return fmt.Errorf("invented %s %s: %w", kind, id, err)
		}
		entries = append(entries, ledger.Entry{
			ID:    uuid.NewSHA1(uuid.NameSpaceOID, fmt.Appendf(nil, "%d/%s/%s", seed, kind, id)).String(),
			Plant: p.Plant.Name, Kind: kind, At: at, By: "demo (invented)", Body: b,
		})
		return nil
	}
	for _, o := range h.Sources {
		if err := add(ledger.KindOreSource, o.Name, end.AddDate(-1, 0, 0), o); err != nil {
			return false, err
		}
	}
	for _, l := range h.Lots {
		if err := add(ledger.KindLot, l.ID, l.Received, l); err != nil {
			return false, err
		}
	}
	for _, r := range h.Runs {
		if err := add(ledger.KindRun, r.ID, r.Start, r); err != nil {
			return false, err
		}
	}
	return true, s.AppendEntries(ctx, entries...)
}

// standsAt is where the newest run left the plant: its ore and settings.
func standsAt(ctx context.Context, s *store.Store, plantName string) (source string, settings map[string]float64, err error) {
	all, err := s.Runs(ctx, plantName)
	if err != nil {
		return "", nil, err
	}
	var last ledger.Run
	for _, r := range all {
		if !r.Start.Before(last.Start) {
			last = r
		}
	}
	return last.OreSource, last.Settings, nil
}

// inventReadings stores what the board would have read while the mill runs up to
// end, one frame a second, as a spool of its own.
func inventReadings(ctx context.Context, s *store.Store, m *sim.Mill, p *plant.Plant, node string, seed uint64, end time.Time) error {
	instruments := make([]*sim.Instrument, len(p.Channels))
	for i, c := range p.Channels {
		instruments[i] = sim.NewInstrument(c, seed+uint64(i))
	}
	stream := uuid.NewSHA1(uuid.NameSpaceOID, fmt.Appendf(nil, "readings/%d/%d", seed, end.UnixNano())).String()
	const together = 2000 // frames a transaction
	var batch store.Batch
	for seq := int64(1); m.Now().Before(end); seq++ {
		m.Step()
		at := m.Now()
		f := store.Frame{Node: node, Stream: stream, Seq: seq, TS: at.UnixMilli(), Samples: make([]store.Sample, len(p.Channels))}
		for i, c := range p.Channels {
			f.Samples[i] = store.Sample{Metric: c.MetricName(), TS: f.TS, Quality: plant.Bad, Reason: plant.Missing}
			if truth, ok := m.Signal(c.Role); ok && instruments[i].Answers(at) {
				f.Samples[i] = store.Sample{Metric: c.MetricName(), TS: f.TS, Quality: plant.Good, Value: instruments[i].Observe(truth, at, m)}
			}
		}
		batch.Frames = append(batch.Frames, f)
		if len(batch.Frames) == together || !at.Before(end) {
			if _, err := s.Commit(ctx, batch); err != nil {
				return err
			}
			batch.Frames = batch.Frames[:0]
		}
	}
	return nil
}
