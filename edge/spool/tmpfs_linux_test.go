package spool_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"decktrim/edge/spool"
)

// TestFullTmpfs fills a real file system of 8 MiB to the last byte, then gives it
// room. It needs root for the mount; without, TestDiskFull has the same on a model.
func TestFullTmpfs(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Log("not root: TestDiskFull stands for this")
		return
	}
	dir := t.TempDir()
	require.NoError(t, unix.Mount("tmpfs", dir, "tmpfs", 0, "size=8m"))
	defer func() { require.NoError(t, unix.Unmount(dir, unix.MNT_DETACH)) }()
	ballast := filepath.Join(dir, "ballast")
	require.NoError(t, os.WriteFile(ballast, make([]byte, 5<<20), 0o600))

	s, err := spool.Open(spool.Options{Dir: filepath.Join(dir, "spool"), Boot: bootA, SegmentBytes: 256 << 10})
	require.NoError(t, err)
	payload := make([]byte, 150)
	failed := 0
	for range 600 {
		for range 100 {
			_, err := s.Append(payload)
			require.NoError(t, err)
		}
		if s.Sync() != nil {
			failed++
		}
	}
	st := s.Stats()
	require.Greater(t, st.Dropped, uint64(0), "the disk was full")
	require.Equal(t, st.Oldest-1, st.Dropped)
	require.LessOrEqual(t, failed, 5, "freeing space is part of the same Sync")
	require.NoError(t, os.Remove(ballast))
	for range 50 {
		for range 100 {
			_, err := s.Append(payload)
			require.NoError(t, err)
		}
		require.NoError(t, s.Sync())
	}
	require.Equal(t, st.Dropped, s.Stats().Dropped)
	require.Zero(t, s.Stats().Unsaved)
	require.NoError(t, s.Close())
	s, err = spool.Open(spool.Options{Dir: filepath.Join(dir, "spool"), Boot: bootA})
	require.NoError(t, err)
	n := uint64(0)
	for from := s.Oldest(); from <= s.Last(); {
		rs, err := s.Read(from, 2000)
		require.NoError(t, err)
		require.NotEmpty(t, rs)
		n += uint64(len(rs))
		from = rs[len(rs)-1].Seq + 1
		for _, r := range rs {
			require.Zero(t, r.GapFrom)
		}
	}
	require.Equal(t, s.Last()-s.Oldest()+1, n)
	require.NoError(t, s.Close())
}
