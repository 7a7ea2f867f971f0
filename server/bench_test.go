package server

import (
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/wire"
)

// BenchmarkLatency is the time from a board's publish call to the reading standing in
// the store (Range sees it): one board of 32 channels on the embedded broker, nothing
// else to do.
func BenchmarkLatency(b *testing.B) {
	s := start(b, testConfig(b), func(o *Options) { o.Log = nil })
	board := newBoard(b, s.MQTTAddr(), wire.NodeID{Group: "larkspur", Node: "mill"}, "s")
	board.more = channels(30, 0)
	board.birth(1, 0)
	board.waitAcked(0)
	frames := &s.ingest.Counters.Frames
	var took []time.Duration
	seq := int64(0)
	for b.Loop() {
		seq++
		time.Sleep(2 * time.Millisecond) // a board does not send without pause
		began := time.Now()
		board.record(seq, channels(30, seq)...)
		for frames.Load() < seq { // counted when committed, so that a query sees it
			time.Sleep(50 * time.Microsecond)
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
	b.ReportMetric(0, "ns/op")
}

func channels(n int, seq int64) (list []wire.Metric) {
	for i := range n {
		list = append(list, double(fmt.Sprintf("Table/x%d", i), frameTime(seq), float64(seq)+float64(i)/8))
	}
	return list
}

// BenchmarkThroughput is readings a second through broker, ingest and store: 20
// boards of 32 channels that send as fast as they can.
func BenchmarkThroughput(b *testing.B) {
	s := start(b, testConfig(b), func(o *Options) { o.Log = nil })
	const boards, each = 20, 200
	var all []*board
	for i := range boards {
		x := newBoard(b, s.MQTTAddr(), wire.NodeID{Group: "larkspur", Node: fmt.Sprintf("n%d", i)}, "s")
		x.more = channels(30, 0)
		x.birth(1, 0)
		all = append(all, x)
	}
	sent := int64(0)
	for b.Loop() {
		var wg sync.WaitGroup
		for _, x := range all {
			wg.Go(func() {
				for seq := sent + 1; seq <= sent+each; seq++ {
					x.record(seq, channels(30, seq)...)
				}
			})
		}
		wg.Wait()
		sent += each
		require.Eventually(b, func() bool { return s.ingest.Counters.Frames.Load() == boards*sent }, time.Minute, time.Millisecond)
	}
	b.ReportMetric(float64(boards*sent*32)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(boards*sent)/float64(s.ingest.Counters.Commits.Load()), "frames/commit")
}
