package watcher

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/watch"
	"decktrim/server/live"
	"decktrim/server/store"
)

var start = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

func larkspur(t *testing.T) *plant.Plant {
	const name = "larkspur-plant.toml"
	text, err := os.ReadFile(filepath.Join("..", "..", "firmware-config", "plants", name))
	require.NoError(t, err)
	p, err := plant.Parse(name, text)
	require.NoError(t, err)
	return p
}

// steady is the reading of each role in quiet running.
var steady = map[plant.Role]float64{
	plant.FeedRate: 2, plant.FeedSetpoint: 2, plant.FeederDrive: 50, plant.BeltLoad: 5, plant.BeltSpeed: 0.6, plant.BinWeight: 4000,
	plant.MillCurrent: 32, plant.MillWater: 100, plant.MillWaterSetpoint: 100, plant.WashWater: 45, plant.WashWaterSetpoint: 45,
	plant.TableRunning: 1, plant.TableStrokeRate: 280, plant.ClassifierRunning: 1, plant.PumpRunning: 1, plant.PondLevel: 1.2,
}

// second is one second of readings, with a little life in them so that none is stuck.
func second(p *plant.Plant, i int) live.Values {
	at := start.Add(time.Duration(i) * time.Second)
	v := live.Values{Node: "larkspur/mill", Received: at, ClockSet: true, New: true}
	for j, c := range p.Channels {
		value, ok := steady[c.Role]
		if !ok {
			continue
		}
		if value > 1 {
			value *= 1 + 0.002*float64((i*7+j*3)%11-5)
		}
		v.Samples = append(v.Samples, live.Sample{Metric: c.MetricName(), At: at, Reading: plant.Reading{Value: value, Has: true, Quality: plant.Good}})
	}
	return v
}

func TestStateComesFromReadings(t *testing.T) {
	p := larkspur(t)
	now := start
	hub := live.NewHub(live.Options{Plants: []*plant.Plant{p}, Now: func() time.Time { return now }, Real: func() time.Time { return now }})
	w := New(hub, []*plant.Plant{p}, func() time.Time { return now })
	hub.Born("larkspur/mill", "", now)
	feed := func(v live.Values) {
		hub.Values(v)
		w.Values(v)
	}
	for i := range 1500 {
		now = start.Add(time.Duration(i) * time.Second)
		feed(second(p, i))
	}
	got := hub.Snapshot()[0]
	require.Equal(t, watch.StateRunning, got.State)
	for _, a := range got.Alarms {
		require.Equal(t, "missing", a.Cause, "only the instruments that this board does not have")
	}

	// Births, repeats and history are not looked at: none of them stops the plant.
	for name, change := range map[string]func(*live.Values){
		"birth":  func(v *live.Values) { v.Birth = true },
		"repeat": func(v *live.Values) { v.New = false },
		"history": func(v *live.Values) {
			for i := range v.Samples {
				v.Samples[i].Historical = true
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			for i := 1600; i < 1700; i++ {
				v := second(p, i)
				for j := range v.Samples {
					v.Samples[j].Reading.Value = 0
				}
				change(&v)
				w.Values(v)
			}
			require.Equal(t, watch.StateRunning, hub.Snapshot()[0].State)
		})
	}
}

func TestLearnFromTheStore(t *testing.T) {
	p := larkspur(t)
	now := start.Add(20 * time.Minute)
	s, err := store.Open(store.Options{Dir: t.TempDir(), Plants: []*plant.Plant{p}})
	require.NoError(t, err)
	defer s.Close()
	var b store.Batch
	for i := range 1200 {
		v := second(p, i)
		f := store.Frame{Node: v.Node, Stream: "s", Seq: int64(i + 1), TS: v.Received.UnixMilli()}
		for _, x := range v.Samples {
			f.Samples = append(f.Samples, store.Sample{Metric: x.Metric, TS: x.At.UnixMilli(), Value: x.Reading.Value, Quality: x.Reading.Quality})
		}
		b.Frames = append(b.Frames, f)
	}
	_, err = s.Commit(context.Background(), b)
	require.NoError(t, err)
	hub := live.NewHub(live.Options{Plants: []*plant.Plant{p}, Now: func() time.Time { return now }})
	w := New(hub, []*plant.Plant{p}, func() time.Time { return now })
	require.NoError(t, w.Learn(t.Context(), s))
	w.mu.Lock()
	w.tell(w.plants[0])
	w.mu.Unlock()
	require.Equal(t, watch.StateRunning, hub.Snapshot()[0].State)
}
