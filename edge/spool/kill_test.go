package spool_test

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/spool"
)

// The child of TestSIGKILL: it appends as fast as it can, syncs now and then, and
// says each number on standard output once Append has returned, as if published.
func TestMain(m *testing.M) {
	if dir := os.Getenv("SPOOL_TEST_CHILD"); dir != "" {
		if err := child(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

func child(dir string) error {
	s, err := spool.Open(spool.Options{Dir: dir, Boot: bootA, SegmentBytes: 64 << 10})
	if err != nil {
		return err
	}
	if s.Recovery().GapFrom != 0 {
		return fmt.Errorf("a gap after a kill: %+v", s.Recovery())
	}
	for {
		seq, err := s.Append(body(s.Last() + 1))
		if err != nil {
			return err
		}
		fmt.Println(seq)
		if seq%200 == 0 {
			if err := s.Sync(); err != nil {
				return err
			}
		}
	}
}

// TestSIGKILL kills a real program on a real disk again and again: every number it
// has said is held, once, with the right content and without a gap.
func TestSIGKILL(t *testing.T) {
	dir := t.TempDir()
	seed := uint64(time.Now().UnixNano())
	if s := os.Getenv("SPOOL_TEST_SEED"); s != "" {
		var err error
		seed, err = strconv.ParseUint(s, 10, 64)
		require.NoError(t, err)
	}
	t.Logf("SPOOL_TEST_SEED=%d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	said := uint64(0)
	for range 15 {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "SPOOL_TEST_CHILD="+dir)
		var stderr strings.Builder
		cmd.Stderr = &stderr
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		sc := bufio.NewScanner(out)
		for left := 1 + rng.IntN(3000); left > 0 && sc.Scan(); left-- {
			n, err := strconv.ParseUint(sc.Text(), 10, 64)
			require.NoError(t, err)
			require.Greater(t, n, said)
			said = n
		}
		require.NoError(t, cmd.Process.Kill(), stderr.String())
		for sc.Scan() { // said before it died
			if n, err := strconv.ParseUint(sc.Text(), 10, 64); err == nil {
				said = max(said, n)
			}
		}
		require.Error(t, cmd.Wait())
		require.Empty(t, stderr.String())
	}
	s, err := spool.Open(spool.Options{Dir: dir, Boot: bootA, SegmentBytes: 64 << 10})
	require.NoError(t, err)
	require.GreaterOrEqual(t, s.Last(), said)
	next := uint64(1)
	for next <= s.Last() {
		rs, err := s.Read(next, 1000)
		require.NoError(t, err)
		require.NotEmpty(t, rs)
		for _, r := range rs {
			require.Equal(t, next, r.Seq)
			require.Zero(t, r.GapFrom)
			require.Equal(t, string(body(next)), string(r.Payload))
			next++
		}
	}
	require.Zero(t, s.Stats().Damaged)
	t.Logf("%d records, %d bytes", s.Last(), s.Stats().Bytes)
	require.NoError(t, s.Close())
}
