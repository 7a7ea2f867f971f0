package spool_test

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/spool"
	"decktrim/edge/spool/disk"
)

// frameLen is what a frame of 12 channels in full precision takes.
const frameLen = 147

func BenchmarkAppend(b *testing.B) {
	s, err := spool.Open(spool.Options{Dir: b.TempDir(), Boot: bootA})
	require.NoError(b, err)
	defer s.Close()
	payload := make([]byte, frameLen)
	b.SetBytes(frameLen)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Append(payload); err != nil {
			b.Fatal(err)
		}
	}
}

// filled is a spool of about a size, on a real disk.
func filled(b *testing.B, dir string, bytes int64) {
	s, err := spool.Open(spool.Options{Dir: dir, Boot: bootA, MaxBytes: 2 << 30})
	require.NoError(b, err)
	payload := make([]byte, frameLen)
	for i := range payload {
		payload[i] = byte(i * 7)
	}
	for s.Stats().Bytes < bytes {
		for range 1000 {
			if _, err := s.Append(payload); err != nil {
				b.Fatal(err)
			}
		}
	}
	require.NoError(b, s.Close())
}

// BenchmarkOpenFull opens a spool of 1 GiB; a second each on a slow card would do.
func BenchmarkOpenFull(b *testing.B) {
	dir := b.TempDir()
	filled(b, dir, 1<<30)
	for b.Loop() {
		s, err := spool.Open(spool.Options{Dir: dir, Boot: bootA, MaxBytes: 2 << 30})
		if err != nil {
			b.Fatal(err)
		}
		require.NoError(b, s.Close())
	}
}

// BenchmarkReadBacklog reads in batches of 100, as the uplink does.
func BenchmarkReadBacklog(b *testing.B) {
	dir := b.TempDir()
	filled(b, dir, 32<<20)
	s, err := spool.Open(spool.Options{Dir: dir, Boot: bootA, MaxBytes: 2 << 30})
	require.NoError(b, err)
	defer s.Close()
	from := uint64(1)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		rs, err := s.Read(from, 100)
		if err != nil {
			b.Fatal(err)
		}
		n += len(rs)
		if from += 100; from > s.Last() {
			from = 1
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "records/s")
}

// TestAppendDoesNotWaitForTheCard: a sync that takes for ever holds up neither
// appending nor reading nor confirming.
func TestAppendDoesNotWaitForTheCard(t *testing.T) {
	m := disk.NewModel()
	slow := &slowDisk{FS: m, gate: make(chan struct{}), waiting: make(chan struct{}, 1)}
	s, err := spool.Open(spool.Options{FS: slow, Boot: bootA, SegmentBytes: 4096})
	require.NoError(t, err)
	for s.Stats().Bytes < 16<<10 {
		appendN(t, s, 1) // so that the sync must also begin a new segment
	}
	slow.on()
	done := make(chan error, 1)
	go func() { done <- s.Sync() }()
	select {
	case <-slow.waiting:
	case err := <-done:
		t.Fatalf("Sync came back without syncing: %v", err)
	}
	appendN(t, s, 50)
	require.NotEmpty(t, readAll(t, s))
	require.NoError(t, s.Ack(10))
	_ = s.Stats()
	close(slow.gate)
	require.NoError(t, <-done)
	require.NoError(t, s.Sync())
	require.Equal(t, s.Last(), s.Stats().Synced)
}

// slowDisk holds every sync until its gate is closed.
type slowDisk struct {
	disk.FS
	mu      sync.Mutex
	slow    bool
	gate    chan struct{}
	waiting chan struct{}
}

func (d *slowDisk) on() { d.mu.Lock(); d.slow = true; d.mu.Unlock() }

func (d *slowDisk) wrap(f disk.File, err error) (disk.File, error) {
	if err != nil {
		return nil, err
	}
	return slowFile{f, d}, nil
}

func (d *slowDisk) Create(name string) (disk.File, error) { return d.wrap(d.FS.Create(name)) }
func (d *slowDisk) Open(name string) (disk.File, error)   { return d.wrap(d.FS.Open(name)) }

type slowFile struct {
	disk.File
	d *slowDisk
}

func (f slowFile) Sync() error {
	f.d.mu.Lock()
	slow := f.d.slow
	f.d.mu.Unlock()
	if slow {
		select {
		case f.d.waiting <- struct{}{}:
		default:
		}
		<-f.d.gate
	}
	return f.File.Sync()
}

// TestDue: a sync falls due when the oldest record that is neither durable nor
// confirmed is SyncEvery old, so that nothing older is at risk, as many records as
// may be go together, and the card is left alone while the server confirms.
func TestDue(t *testing.T) {
	now := time.Unix(0, 0)
	s, err := spool.Open(spool.Options{FS: disk.NewModel(), Boot: bootA, SyncEvery: 2 * time.Second, Now: func() time.Time { return now }})
	require.NoError(t, err)
	due := func() bool { d, _ := s.Due(); return d }
	require.False(t, due(), "nothing there")
	for range 10 {
		for range 2 {
			appendN(t, s, 1)
			require.False(t, due())
			now = now.Add(time.Second)
		}
		appendN(t, s, 1)
		require.True(t, due(), "the first of the three is 2 s old")
		require.NoError(t, s.Sync())
		require.False(t, due())
		now = now.Add(time.Second)
	}
	for range 100 {
		appendN(t, s, 1)
		require.NoError(t, s.Ack(s.Last()))
		now = now.Add(time.Second)
		require.False(t, due(), "the server has it")
	}
	appendN(t, s, 1)
	d, in := s.Due()
	require.False(t, d)
	require.InDelta(t, 2, in.Seconds(), 0.1)
	now = now.Add(in)
	require.True(t, due(), "no confirmation came, and no other record")
}
