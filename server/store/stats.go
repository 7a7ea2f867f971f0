package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// Stats is the size of the store and the progress of each stream.
type Stats struct {
	ReadingsBytes int64 // readings.db with its log
	LedgerBytes   int64
	FreeBytes     int64 // on the disk that holds them
	Streams       []StreamStats
	DirtyBuckets  int // roll-ups still to be made
}

// StreamStats is one spool's stream as the server has it.
type StreamStats struct {
	Node, Stream string
	Progress
	Backlog int64 // numbers heard of that are not stored yet
	Current bool  // the node's newest stream
}

// Stats reads sizes from the disk and progress from memory; it does not count rows.
func (s *Store) Stats(ctx context.Context) (Stats, error) {
	var st Stats
	var err error
	if st.ReadingsBytes, err = sizeOf(s.dir, readingsFile); err != nil {
		return st, err
	}
	if st.LedgerBytes, err = sizeOf(s.dir, ledgerFile); err != nil {
		return st, err
	}
	var fsStat unix.Statfs_t
	if err := unix.Statfs(s.dir, &fsStat); err != nil {
		return st, fmt.Errorf("%s: free space cannot be read: %w", s.dir, err)
	}
	st.FreeBytes = int64(fsStat.Bavail) * int64(fsStat.Bsize)
	s.mu.Lock()
	defer s.mu.Unlock()
	st.DirtyBuckets = len(s.w.dirty)
	names := map[int64]string{}
	for name, id := range s.w.nodes {
		names[id] = name
	}
	newest := map[int64]int64{} // stream id by node id
	for _, p := range s.w.streams {
		if !p.aside {
			newest[p.node] = max(newest[p.node], p.id)
		}
	}
	for k, p := range s.w.streams {
		if p.aside {
			continue // no board will go on with it
		}
		st.Streams = append(st.Streams, StreamStats{
			Node: names[k.node], Stream: k.name,
			Progress: p.public(),
			Backlog:  p.last - p.acked - p.above.count(),
			Current:  newest[p.node] == p.id,
		})
	}
	slices.SortFunc(st.Streams, func(a, b StreamStats) int {
		return strings.Compare(a.Node+"/"+a.Stream, b.Node+"/"+b.Stream)
	})
	return st, nil
}

func sizeOf(dir, name string) (int64, error) {
	var sum int64
	for _, suffix := range []string{"", "-wal"} {
		info, err := os.Stat(filepath.Join(dir, name+suffix))
		switch {
		case err == nil:
			sum += info.Size()
		case !errors.Is(err, fs.ErrNotExist):
			return 0, err
		}
	}
	return sum, nil
}
