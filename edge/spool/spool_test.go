package spool_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/edge/spool"
)

const bootA, bootB = "boot-a", "boot-b"

// body is the payload that record n has in every test, so that a record can be
// checked by its number alone.
func body(n uint64) []byte { return fmt.Appendf(nil, "record %d %0*d", n, int(n%37)+1, n*7919) }

func appendN(t testing.TB, s *spool.Spool, n int) {
	t.Helper()
	for range n {
		want := s.Last() + 1
		seq, err := s.Append(body(want))
		require.NoError(t, err)
		require.Equal(t, want, seq)
	}
}

// readAll reads everything held and checks order, content and that each gap lies
// exactly below its record.
func readAll(t testing.TB, s *spool.Spool) []spool.Record {
	t.Helper()
	var all []spool.Record
	from := uint64(1)
	for {
		rs, err := s.Read(from, 7)
		require.NoError(t, err)
		if len(rs) == 0 {
			return all
		}
		for _, r := range rs {
			prev := from - 1
			if len(all) > 0 {
				prev = all[len(all)-1].Seq
			}
			// Plain comparisons: this runs a million times.
			switch {
			case r.Seq < from:
				t.Fatalf("record %d, asked from %d", r.Seq, from)
			case r.GapFrom > 0 && (r.GapTo != r.Seq-1 || r.GapFrom > r.GapTo):
				t.Fatalf("record %d with gap %d to %d", r.Seq, r.GapFrom, r.GapTo)
			case len(all) > 0 && r.GapFrom > 0 && r.GapFrom != prev+1:
				t.Fatalf("record %d behind %d with gap from %d", r.Seq, prev, r.GapFrom)
			case len(all) > 0 && r.GapFrom == 0 && r.Seq != prev+1:
				t.Fatalf("a hole that no gap names between %d and %d", prev, r.Seq)
			}
			all = append(all, r)
			from = r.Seq + 1
		}
	}
}

func TestAppendReadAck(t *testing.T) {
	s, err := spool.Open(spool.Options{Dir: t.TempDir(), Boot: bootA})
	require.NoError(t, err)
	require.EqualValues(t, 1, s.Oldest())
	require.EqualValues(t, 0, s.Last())
	appendN(t, s, 10)
	require.NoError(t, s.Sync())
	appendN(t, s, 10)
	all := readAll(t, s)
	require.Len(t, all, 20)
	for i, r := range all {
		require.Equal(t, spool.Record{Seq: uint64(i + 1), Payload: body(uint64(i + 1))}, r)
	}
	require.NoError(t, s.Ack(7))
	require.NoError(t, s.Ack(3), "not rising: ignored")
	require.EqualValues(t, 7, s.Acked())
	require.Error(t, s.Ack(21), "never given out")
	require.EqualValues(t, 7, s.Acked())
	require.EqualValues(t, 13, s.Stats().Unsent)
	require.NoError(t, s.Close())
	_, err = s.Append(nil)
	require.ErrorIs(t, err, spool.ErrClosed)
}

func TestReopenGoesOn(t *testing.T) {
	dir := t.TempDir()
	open := func(boot string) *spool.Spool {
		s, err := spool.Open(spool.Options{Dir: dir, Boot: boot})
		require.NoError(t, err)
		return s
	}
	s := open(bootA)
	require.Equal(t, "new", s.Recovery().How)
	stream := s.Stream()
	appendN(t, s, 5)
	require.NoError(t, s.Ack(2))
	require.NoError(t, s.Close())
	s = open(bootB)
	require.Equal(t, "clean", s.Recovery().How)
	require.Equal(t, stream, s.Stream())
	require.EqualValues(t, 2, s.Acked())
	appendN(t, s, 5)
	require.Len(t, readAll(t, s), 10)
	require.NoError(t, s.Close())
}

func TestOneProgramAtATime(t *testing.T) {
	dir := t.TempDir()
	s, err := spool.Open(spool.Options{Dir: dir})
	require.NoError(t, err)
	_, err = spool.Open(spool.Options{Dir: dir})
	require.ErrorContains(t, err, "in use by another program")
	look, err := spool.Look(spool.Options{Dir: dir})
	require.NoError(t, err, "looking is allowed")
	_, err = look.Append(nil)
	require.ErrorIs(t, err, spool.ErrReadOnly)
	require.NoError(t, look.Close())
	require.NoError(t, s.Close())
	s, err = spool.Open(spool.Options{Dir: dir})
	require.NoError(t, err)
	require.NoError(t, s.Close())
}
