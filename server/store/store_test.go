package store

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
)

const t0 = int64(1_700_000_000_000) // ms; any whole second will do

func testPlant() *plant.Plant {
	return &plant.Plant{
		Plant: plant.Identity{Name: "Larkspur mill"},
		Channels: []plant.Channel{
			{Name: "feed_rate", Role: plant.FeedRate, Unit: "t/h"},
			{Name: "mill_current", Role: plant.MillCurrent, Unit: "A"},
		},
	}
}

func open(t testing.TB, dir string) *Store {
	s, err := Open(Options{Dir: dir, Plants: []*plant.Plant{testPlant()}})
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

func frameOf(seq int64, samples int) Frame {
	f := Frame{Node: "larkspur/mill", Stream: "s-1", Seq: seq, TS: t0 + 1000*seq, Boot: "boot-1"}
	names := []string{"Belt/feed_rate", "Mill/mill_current"}
	for i := range samples {
		name := fmt.Sprintf("Table/x%d", i)
		if i < len(names) {
			name = names[i]
		}
		f.Samples = append(f.Samples, Sample{Metric: name, TS: f.TS, Value: float64(seq) + 0.25*float64(i), Quality: plant.Good})
	}
	return f
}

// BenchmarkCommit is the rate at which frames of 32 channels from 50 nodes are
// committed, 200 frames a transaction.
func BenchmarkCommit(b *testing.B) {
	s := open(b, b.TempDir())
	const frames, channels = 200, 32
	seq := int64(0)
	readings := 0
	for b.Loop() {
		batch := Batch{}
		seq++
		for i := range frames {
			if i%50 == 0 {
				seq++
			}
			f := frameOf(seq, channels)
			f.Node = fmt.Sprintf("larkspur/n%d", i%50)
			batch.Frames = append(batch.Frames, f)
		}
		_, err := s.Commit(context.Background(), batch)
		require.NoError(b, err)
		readings += frames * channels
	}
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
	start := time.Now()
	n, err := s.rollUp(context.Background(), 0)
	require.NoError(b, err)
	b.ReportMetric(time.Since(start).Seconds()/float64(max(n, 1))*1e6, "us/bucket")
}
