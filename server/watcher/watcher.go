// Package watcher runs the watch of each plant over the readings as they come and
// tells the hub what it says.
package watcher

import (
	"context"
	"slices"
	"sync"
	"time"

	"decktrim/internal/plant"
	"decktrim/internal/watch"
	"decktrim/server/live"
)

const (
	reach    = 3 * time.Second // plant clock: a reading of another node may be this old in a frame
	together = 900 * time.Millisecond
	past     = 6 * time.Hour // of stored readings which a new watch learns from
)

// Hub is what the watcher needs of the hub.
type Hub interface {
	Frame(plantName string, at time.Time, reach time.Duration) plant.Frame
	SetWatch(plantName string, s watch.Status, usual map[string]live.Usual)
}

// History is the stored readings.
type History interface {
	Frames(ctx context.Context, plantName string, from, to time.Time) ([]plant.Frame, error)
}

// Watcher holds one watch a plant.
type Watcher struct {
	hub Hub
	now func() time.Time

	mu     sync.Mutex
	plants []*watched
}

type watched struct {
	file  *plant.Plant
	of    map[string][]int // metric: channels
	watch *watch.Watch
	nodes map[string]bool // that feed it
	last  time.Time       // of the last frame observed
}

// New makes the watches. now is the plant clock.
func New(hub Hub, plants []*plant.Plant, now func() time.Time) *Watcher {
	w := &Watcher{hub: hub, now: now}
	for _, p := range plants {
		x := &watched{file: p, of: map[string][]int{}, watch: watch.New(p), nodes: map[string]bool{}}
		for i, c := range p.Channels {
			x.of[c.MetricName()] = append(x.of[c.MetricName()], i)
		}
		w.plants = append(w.plants, x)
	}
	return w
}

// Learn lets the watches see the stored readings of the last hours, so that a
// restart of the server does not blind them.
func (w *Watcher) Learn(ctx context.Context, h History) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.now()
	for _, x := range w.plants {
		frames, err := h.Frames(ctx, x.file.Plant.Name, now.Add(-past), now)
		if err != nil {
			return err
		}
		for _, f := range frames {
			x.watch.Observe(f)
			x.last = f.Time
		}
	}
	return nil
}

// Values looks at new, current readings. Births and history are not looked at: they
// are no new instant of the plant.
func (w *Watcher) Values(v live.Values) {
	if v.Birth || !v.New || v.Device != "" {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, x := range w.plants {
		var at time.Time
		for _, s := range v.Samples {
			if s.Historical || !x.feeds(s.Metric, v.Node) {
				continue
			}
			if s.At.After(at) {
				at = s.At
			}
		}
		if at.IsZero() {
			continue
		}
		x.nodes[v.Node] = true
		// Frames of several nodes that belong together make one.
		if near := at.Sub(x.last).Abs() < together; near && len(x.nodes) > 1 {
			continue
		}
		f := w.hub.Frame(x.file.Plant.Name, at, reach)
		if f.Readings == nil {
			continue
		}
		f.Boot, f.ClockSet = v.Boot, v.ClockSet
		x.last = at
		x.watch.Observe(f)
		w.tell(x)
	}
}

func (x *watched) feeds(metric, node string) bool {
	return slices.ContainsFunc(x.of[metric], func(i int) bool {
		want := x.file.Channels[i].Node
		return want == "" || want == node
	})
}

// Run tells of silence each second until ctx ends.
func (w *Watcher) Run(ctx context.Context) error {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
			w.mu.Lock()
			for _, x := range w.plants {
				x.watch.Silence(w.now())
				w.tell(x)
			}
			w.mu.Unlock()
		}
	}
}

func (w *Watcher) tell(x *watched) {
	usual := map[string]live.Usual{}
	for _, c := range x.file.Channels {
		if low, high, learned, ok := x.watch.Usual(c.Name); ok {
			usual[c.Name] = live.Usual{Low: low, High: high, Learned: learned}
		}
	}
	w.hub.SetWatch(x.file.Plant.Name, x.watch.Status(), usual)
}
