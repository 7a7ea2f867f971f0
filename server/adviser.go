package server

import (
	"context"
	"fmt"
	"slices"
	"time"

	"decktrim/internal/advise"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
	"decktrim/server/assess"
	"decktrim/server/live"
	"decktrim/server/web"
)

// adviser answers the screens from the ledger's runs.
type adviser struct{ *assess.Assess }

func newAdviser(plants []*plant.Plant, l assess.Ledger, hub *live.Hub, now func() time.Time) adviser {
	byName := map[string]*plant.Plant{}
	for _, p := range plants {
		byName[p.Plant.Name] = p
	}
	return adviser{&assess.Assess{Plants: byName, Ledger: l, Now: now, Standing: func(name string) assess.Standing { return standing(hub, name) }}}
}

// standing is how a plant stands now: its state, what alarms stand, and which
// readings cannot be trusted.
func standing(hub *live.Hub, name string) assess.Standing {
	var s assess.Standing
	for _, p := range hub.Snapshot() {
		if p.Name != name {
			continue
		}
		s.State, s.Steady = p.State, p.Steady
		for _, a := range p.Alarms {
			if a.Priority != "note" {
				s.Alarms = append(s.Alarms, a.Detail)
			}
		}
		inUse := []plant.Role{plant.FeedRate, plant.WashWater, plant.MillWater, plant.MillCurrent, plant.TableRunning, plant.TableStrokeRate}
		for _, c := range p.Channels {
			if !c.Reading.Usable() && slices.Contains(inUse, c.Role) {
				s.Suspect = append(s.Suspect, c.Name)
			}
		}
	}
	return s
}

func (a adviser) Advise(ctx context.Context, plantName, source string) (web.AdviceView, error) {
	return a.Assess.Advise(ctx, plantName, source)
}

func (a adviser) Surface(ctx context.Context, plantName, source, x, y string, n int) (web.SurfaceView, error) {
	m, err := a.Assess.Surface(ctx, plantName, source, x, y, n)
	if err != nil {
		return web.SurfaceView{}, err
	}
	v := web.SurfaceView{XSetting: x, YSetting: y, Mean: m.Mean, HalfWidth: m.HalfWidth, X: spread(m.X, n), Y: spread(m.Y, n)}
	v.Tried = triedPoints(m.Runs, x, y)
	at := func(settings map[string]float64) *web.XY {
		px, okX := settings[x]
		py, okY := settings[y]
		if !okX || !okY {
			return nil
		}
		return &web.XY{X: px, Y: py}
	}
	answer := m.Answer
	v.Present, v.BestKnown = at(answer.Present), at(answer.BestKnown)
	if answer.Action != advise.Hold {
		v.Suggested = at(answer.Settings)
	}
	return v, nil
}

// spread is n values from min to max of a setting.
func spread(s plant.Setting, n int) []float64 {
	values := make([]float64, n)
	for i := range values {
		values[i] = s.Min + (s.Max-s.Min)*float64(i)/float64(max(1, n-1))
	}
	return values
}

// triedPoints gathers runs at the same pair of settings, in order of first use.
func triedPoints(used []runs.Run, x, y string) []web.TriedPoint {
	var points []web.TriedPoint
	place := map[string]int{}
	for _, r := range used {
		px, okX := r.Settings[x]
		py, okY := r.Settings[y]
		if !okX || !okY || r.Recovery == nil {
			continue
		}
		key := fmt.Sprintf("%g %g", px, py)
		i, seen := place[key]
		if !seen {
			i = len(points)
			place[key] = i
			points = append(points, web.TriedPoint{XY: web.XY{X: px, Y: py}})
		}
		p := &points[i]
		p.Recovery = (p.Recovery*float64(p.Runs) + *r.Recovery) / float64(p.Runs+1)
		p.Runs++
	}
	return points
}
