package flowtest

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge"
	"decktrim/internal/plant"
	"decktrim/server"
)

// BenchmarkSensorToQueryable measures how long a frame takes from the moment that the
// instruments have read it until it is committed and can be asked for: watch, spool,
// paho, the embedded broker over TCP, ingest and SQLite, in one process. It reports
// the median and the 99th percentile. (Before that moment a frame on simulated chips
// waits up to 25 ms for the chips' own clocks; a real bus is not waited for.)
func BenchmarkSensorToQueryable(b *testing.B) {
	dir := b.TempDir()
	text, err := os.ReadFile(filepath.Join("..", "..", "firmware-config", "plants", "larkspur-plant.toml"))
	require.NoError(b, err)
	p, err := plant.Parse("plant.toml", text)
	require.NoError(b, err)
	c := server.DefaultConfig()
	c.Server.Listen, c.MQTT.Listen, c.Server.Data = "127.0.0.1:0", "127.0.0.1:0", filepath.Join(dir, "data")
	c.MQTT.Groups, c.MQTT.Nodes, c.Plants = []string{"larkspur"}, []string{"larkspur/mill"}, []*plant.Plant{p}
	s, err := server.New(server.Options{Config: c})
	require.NoError(b, err)
	conf := "[node]\nid = \"mill\"\ngroup = \"larkspur\"\nplant = \"plant.toml\"\n[mqtt]\nurl = \"tcp://" + s.MQTTAddr() +
		"\"\n[spool]\ndir = \"spool\"\n[sample]\nperiod = \"100ms\"\n[[bus]]\nname = \"main\"\nkind = \"simulated\"\n"
	require.NoError(b, os.WriteFile(filepath.Join(dir, "plant.toml"), text, 0o600))
	require.NoError(b, os.WriteFile(filepath.Join(dir, "edge.toml"), []byte(conf), 0o600))
	ec, err := edge.LoadConfig(filepath.Join(dir, "edge.toml"))
	require.NoError(b, err)
	var read sync.Map // frame's time to the moment it was read
	board, err := edge.New(ec, edge.Options{OnFrame: func(f plant.Frame) { read.Store(f.Time.UnixMilli(), time.Now()) }})
	require.NoError(b, err)

	ctx, stop := context.WithCancel(context.WithoutCancel(b.Context()))
	ended := make(chan error, 2)
	go func() { ended <- s.Run(ctx) }()
	go func() { ended <- board.Run(ctx) }()
	news := s.Hub().Subscribe(ctx)
	var took []time.Duration
	var last time.Time
	next := func() {
		for range news {
			at := s.Hub().Snapshot()[0].Channels[0].At
			if since, ok := read.LoadAndDelete(at.UnixMilli()); ok && at.After(last) {
				took, last = append(took, time.Since(since.(time.Time))), at
				return
			}
		}
	}
	for range 20 { // connecting, first births
		next()
	}
	took = took[:0]
	for b.Loop() {
		next()
	}
	b.StopTimer()
	stop()
	require.NoError(b, <-ended)
	require.NoError(b, <-ended)
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
	b.ReportMetric(0, "ns/op") // the pace of the board, not a cost
}
