package server

import (
	"context"
	"time"

	"decktrim/internal/watch"
	"decktrim/server/backup"
	"decktrim/server/ingest"
	"decktrim/server/live"
	"decktrim/server/store"
	"decktrim/server/web"
)

// What the screens ask, in their words.

type webLive struct{ hub *live.Hub }

func (l webLive) Subscribe(ctx context.Context) <-chan struct{} { return l.hub.Subscribe(ctx) }

func (l webLive) Snapshot() []web.PlantNow {
	var out []web.PlantNow
	for _, p := range l.hub.Snapshot() {
		n := web.PlantNow{Plant: p.File, State: p.State, StateSince: p.StateSince, Steady: p.Steady, SteadySince: p.SteadySince,
			OreSource: p.OreSource, Lot: p.Lot}
		if n.State == watch.StateUnknown {
			n.State = ""
		}
		for _, c := range p.Channels {
			cn := web.ChannelNow{Name: c.Name, Reading: c.Reading, At: c.At}
			if c.Usual != nil {
				cn.Usual, cn.Learned = &web.Usual{Low: c.Usual.Low, High: c.Usual.High}, c.Usual.Learned
			}
			n.Channels = append(n.Channels, cn)
		}
		for _, a := range p.Alarms {
			n.Alarms = append(n.Alarms, web.Alarm{Kind: a.Kind, Channel: a.Channel, Priority: a.Priority, Since: a.Since, Cause: a.Cause, Detail: a.Detail, Follows: a.Follows})
		}
		for _, d := range p.Nodes {
			if !d.Online {
				n.Silent = append(n.Silent, d.ID)
			}
		}
		out = append(out, n)
	}
	return out
}

type webHistory struct{ *store.Store }

func (h webHistory) Range(ctx context.Context, plantName, channel string, from, to time.Time, maxPoints int) ([]web.Point, error) {
	points, err := h.Store.Range(ctx, plantName, channel, from, to, maxPoints)
	out := make([]web.Point, len(points))
	for i, p := range points {
		out[i] = web.Point{At: p.T, Mean: p.Mean, Least: p.Min, Greatest: p.Max, Count: p.N}
	}
	return out, err
}

// notingLedger is the ledger; what is entered shows at once in what is on the belt.
type notingLedger struct {
	*store.Store
	s *Server
}

func (l notingLedger) AppendEntries(ctx context.Context, entries ...entry) error {
	if err := l.Store.AppendEntries(ctx, entries...); err != nil {
		return err
	}
	return l.s.noteOre(ctx)
}

type webSystem struct{ s *Server }

func (w webSystem) Health(ctx context.Context) (web.SystemView, error) {
	st, err := w.s.store.Stats(ctx)
	if err != nil {
		return web.SystemView{}, err
	}
	v := web.SystemView{
		Stores: []web.StoreView{
			{Name: "readings", Bytes: st.ReadingsBytes, Readings: -1, FreeDisk: st.FreeBytes},
			{Name: "ledger", Bytes: st.LedgerBytes, Readings: -1, FreeDisk: st.FreeBytes},
		},
		Parts:  []web.PartVersion{{Name: "decktrim", Version: w.s.o.Version}},
		Uptime: time.Since(w.s.started),
	}
	r, err := backup.ReadRecord(w.s.o.Config.Server.Data)
	if err != nil {
		return web.SystemView{}, err
	}
	v.Backup, v.BackupFailed, v.BackupWhy = r.Verified, r.Failed, r.Why
	for _, n := range w.s.hub.Nodes() {
		v.Nodes = append(v.Nodes, web.NodeView{ID: n.ID, Online: n.Online, LastSeen: n.LastHeard, Stream: n.Stream,
			Acked: n.Acked, Last: n.Last, Oldest: n.Oldest, Lost: n.Lost, ClockSet: n.ClockSet, ClockOff: n.ClockOff, Twin: !n.Twin.IsZero()})
	}
	return v, nil
}

// both tells the hub and then the watcher.
type both struct {
	*live.Hub
	watch interface{ Values(live.Values) }
}

func (b both) Values(v live.Values) {
	b.Hub.Values(v)
	b.watch.Values(v)
}

var _ ingest.Live = both{}
