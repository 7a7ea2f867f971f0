package spool_test

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/edge/spool"
	"decktrim/edge/spool/disk"
)

// store is a small spool of three segments as a killed program leaves it: two
// finished, the last with fill behind its records.
func store(t *testing.T) (files map[string][]byte, last uint64) {
	m := disk.NewModel()
	o := spool.Options{FS: m, Boot: bootA, SegmentBytes: 250, Ceiling: 100}
	s, err := spool.Open(o)
	require.NoError(t, err)
	for range 8 {
		for range 3 {
			_, err := s.Append(tiny(s.Last() + 1))
			require.NoError(t, err)
		}
		require.NoError(t, s.Sync())
	}
	names, err := m.List()
	require.NoError(t, err)
	files = map[string][]byte{}
	for _, n := range names {
		files[n] = m.Bytes(n)
	}
	require.Len(t, files, 4)
	return files, s.Last()
}

func tiny(n uint64) []byte { return fmt.Appendf(nil, "record %03d", n) }

const tinyLen = 16 + 10 // of a tiny record in the file

func openStore(files map[string][]byte, boot string) (*spool.Spool, *disk.Model, error) {
	m := disk.NewModel()
	for n, b := range files {
		m.Put(n, b)
	}
	s, err := spool.Open(spool.Options{FS: m, Boot: boot, SegmentBytes: 250, Ceiling: 100})
	return s, m, err
}

// with is the store with one file changed.
func with(files map[string][]byte, name string, content []byte) map[string][]byte {
	out := map[string][]byte{}
	for n, b := range files {
		out[n] = b
	}
	out[name] = content
	return out
}

// heldOf checks content and gaps and returns how many of the first last are there.
func heldOf(t *testing.T, s *spool.Spool, last uint64) (n uint64) {
	t.Helper()
	for _, r := range readAll(t, s) {
		if r.Seq <= last {
			require.Equal(t, string(tiny(r.Seq)), string(r.Payload))
			n++
		}
	}
	return n
}

// TestEveryBitFlipped: each bit of the store in turn. At most one record may be
// lost, it must be counted and named as a gap, and no number may be used again.
func TestEveryBitFlipped(t *testing.T) {
	files, last := store(t)
	for name, content := range files {
		end := len(strings.TrimRight(string(content), "\x00")) + 64
		for bit := range min(end, len(content)) * 8 {
			flipped := append([]byte(nil), content...)
			flipped[bit/8] ^= 1 << (bit % 8)
			at := fmt.Sprintf("%s, byte %d, bit %d", name, bit/8, bit%8)
			s, _, err := openStore(with(files, name, flipped), bootA)
			require.NoError(t, err, at)
			seq, err := s.Append([]byte("next"))
			require.NoError(t, err, at)
			require.Greater(t, seq, last, at)
			held := heldOf(t, s, last)
			if held < last-1 {
				t.Fatalf("%s: %d of %d records held", at, held, last)
			}
			if held < last && s.Stats().Damaged == 0 && s.Stats().TornBytes == 0 {
				t.Fatalf("%s: a record is gone and nothing is counted", at)
			}
		}
	}
}

// TestCutAtEveryByte: each file in turn ends early, as after a power cut. What lies
// whole before the cut is held, and so is all in the other files.
func TestCutAtEveryByte(t *testing.T) {
	files, last := store(t)
	for name, content := range files {
		for n := range min(len(content), 400) {
			at := fmt.Sprintf("%s cut to %d bytes", name, n)
			s, _, err := openStore(with(files, name, content[:n:n]), bootB)
			require.NoError(t, err, at)
			seq, err := s.Append([]byte("next"))
			require.NoError(t, err, at)
			require.Greater(t, seq, last, at)
			lost := uint64(0)
			if name != "cursor" {
				records := strings.Count(string(content), "record ")
				whole := min(max(0, n-64)/tinyLen, records)
				lost = uint64(records - whole)
			}
			require.Equal(t, last-lost, heldOf(t, s, last), at)
		}
	}
}

// TestDamages is the table of the states that doc.go lists, and some more.
func TestDamages(t *testing.T) {
	files, last := store(t)
	const seg1, seg2, seg3 = "0000000000000001.seg", "0000000000000002.seg", "0000000000000003.seg"
	records := func(name string) uint64 { return uint64(strings.Count(string(files[name]), "record ")) }
	zero := func(name string, from, to int) []byte {
		b := append([]byte(nil), files[name]...)
		clear(b[from:to])
		return b
	}
	for _, tc := range []struct {
		name  string
		files map[string][]byte
		boot  string
		how   string
		lost  uint64
		aside int
		check func(t *testing.T, s *spool.Spool)
	}{
		{name: "nothing wrong, killed", files: files, boot: bootA, how: "killed"},
		{name: "nothing wrong, power cut", files: files, boot: bootB, how: "power cut"},
		{name: "boot id not known", files: files, boot: "", how: "power cut"},
		{name: "cursor gone", files: func() map[string][]byte { m := with(files, "x", nil); delete(m, "cursor"); delete(m, "x"); return m }(),
			boot: bootA, how: "cursor lost"},
		{name: "cursor empty", files: with(files, "cursor", nil), boot: bootA, how: "cursor lost"},
		{name: "a cursor half written", files: with(files, "cursor.new", []byte("DT")), boot: bootA, how: "killed"},
		{name: "header unreadable", files: with(files, seg2, zero(seg2, 0, 64)), boot: bootA, how: "killed"},
		{name: "headers and cursor unreadable", files: map[string][]byte{"cursor": nil, seg1: zero(seg1, 0, 64), seg2: zero(seg2, 0, 64), seg3: zero(seg3, 0, 64)},
			boot: bootA, how: "cursor lost"},
		{name: "two records wiped", files: with(files, seg2, zero(seg2, 64+tinyLen, 64+3*tinyLen)), boot: bootA, how: "killed", lost: 2,
			check: func(t *testing.T, s *spool.Spool) { require.EqualValues(t, 2, s.Stats().Damaged) }},
		{name: "first records of a finished segment wiped", files: with(files, seg2, zero(seg2, 64, 64+2*tinyLen)), boot: bootA, how: "killed", lost: 2},
		{name: "last record of a finished segment wiped", files: with(files, seg2, zero(seg2, 64+8*tinyLen, 64+9*tinyLen)), boot: bootA, how: "killed", lost: 1,
			check: func(t *testing.T, s *spool.Spool) { require.EqualValues(t, 1, s.Stats().Damaged) }},
		{name: "first records of the last segment wiped", files: with(files, seg3, zero(seg3, 64, 64+2*tinyLen)), boot: bootA, how: "killed", lost: 2},
		{name: "a segment gone", files: func() map[string][]byte { m := with(files, seg2, nil); delete(m, seg2); return m }(),
			boot: bootA, how: "killed", lost: records(seg2)},
		{name: "the last segment gone", files: func() map[string][]byte { m := with(files, seg3, nil); delete(m, seg3); return m }(),
			boot: bootB, how: "power cut", lost: records(seg3)},
		{name: "a segment empty", files: with(files, seg2, nil), boot: bootA, how: "killed", lost: records(seg2)},
		{name: "a segment of garbage", files: with(files, seg2, garbage(3000)), boot: bootA, how: "damaged", lost: records(seg2), aside: 1},
		{name: "garbage before and behind", files: with(files, seg2, append(append(garbage(700), files[seg2]...), garbage(900)...)), boot: bootA, how: "killed"},
		{name: "a strange file", files: with(files, "notes.txt", []byte("hello")), boot: bootA, how: "killed"},
		{name: "a strange segment", files: with(files, "12.seg", []byte("hello")), boot: bootA, how: "killed"},
		{name: "all zero", files: map[string][]byte{"cursor": files["cursor"], seg3: make([]byte, 4096)}, boot: bootA, how: "damaged", lost: last},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s, m, err := openStore(tc.files, tc.boot)
			require.NoError(t, err)
			require.Equal(t, tc.how, s.Recovery().How)
			seq, err := s.Append([]byte("next"))
			require.NoError(t, err)
			require.Greater(t, seq, last)
			require.Equal(t, last-tc.lost, heldOf(t, s, last))
			require.Len(t, s.Recovery().SetAside, tc.aside)
			if tc.check != nil {
				tc.check(t, s)
			}
			require.NoError(t, s.Close())
			names, err := m.List()
			require.NoError(t, err)
			bad := 0
			for _, n := range names {
				if strings.HasSuffix(n, ".bad") {
					bad++
				}
			}
			require.Equal(t, tc.aside, bad, "set aside, not deleted")
			// It opens again, and now in order.
			s, err = spool.Open(spool.Options{FS: m, Boot: bootB, SegmentBytes: 250, Ceiling: 100})
			require.NoError(t, err)
			require.Equal(t, "clean", s.Recovery().How)
			require.Equal(t, last-tc.lost, heldOf(t, s, last))
		})
	}
}

func garbage(n int) []byte {
	rng := rand.New(rand.NewPCG(3, 4))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}

// TestNewerVersionIsRefused: a file of a later format is left alone and the words
// say what to do, even if the layout behind the first 16 bytes is quite another.
func TestNewerVersionIsRefused(t *testing.T) {
	files, _ := store(t)
	for _, name := range []string{"cursor", "0000000000000002.seg"} {
		b := append([]byte(nil), files[name][:16]...)
		binary.LittleEndian.PutUint16(b[8:], 2)
		binary.LittleEndian.PutUint32(b[12:], crc32.Checksum(b[:12], crc32.MakeTable(crc32.Castagnoli)))
		changed := with(files, name, append(b, "quite another layout"...))
		_, m, err := openStore(changed, bootA)
		var newer *spool.NewerVersionError
		require.ErrorAs(t, err, &newer)
		require.Equal(t, 2, newer.Version)
		require.ErrorContains(t, err, "install the newer version")
		for n, b := range changed {
			require.Equal(t, b, m.Bytes(n), "%s must not be touched", n)
		}
	}
}

// TestAnotherSpoolsSegment: a file that belongs to another stream is set aside.
func TestAnotherSpoolsSegment(t *testing.T) {
	files, last := store(t)
	other, _ := store(t)
	s, _, err := openStore(with(files, "0000000000000009.seg", other["0000000000000001.seg"]), bootA)
	require.NoError(t, err)
	require.Equal(t, []string{"0000000000000009.seg"}, s.Recovery().SetAside)
	require.Equal(t, last, heldOf(t, s, last))
}

// TestBadBlock: a block that the card cannot read costs the records in it.
func TestBadBlock(t *testing.T) {
	m := disk.NewModel()
	o := spool.Options{FS: m, Boot: bootA, SegmentBytes: 64 << 10}
	s, err := spool.Open(o)
	require.NoError(t, err)
	for range 1500 {
		appendN(t, s, 1)
		if s.Last()%100 == 0 {
			require.NoError(t, s.Sync())
		}
	}
	require.NoError(t, s.Sync())
	require.NoError(t, s.Close())
	bad := &badBlock{FS: m, at: 8192}
	o.FS = bad
	s, err = spool.Open(o)
	require.NoError(t, err)
	n := len(readAll(t, s))
	require.Less(t, n, 1500)
	require.Greater(t, n, 1500-2*4096/30)
	require.Equal(t, uint64(1500-n), s.Stats().Damaged)
	require.Len(t, readAll(t, s), n)
	require.Equal(t, uint64(1500-n), s.Stats().Damaged, "counted once")
}

// badBlock is a disk whose first segment has one unreadable block.
type badBlock struct {
	disk.FS
	at int64
}

func (b *badBlock) OpenRead(name string) (disk.File, error) {
	f, err := b.FS.OpenRead(name)
	if err == nil && name == "0000000000000001.seg" {
		f = badFile{f, b.at}
	}
	return f, err
}

type badFile struct {
	disk.File
	at int64
}

func (f badFile) ReadAt(p []byte, at int64) (int, error) {
	if at < f.at+4096 && at+int64(len(p)) > f.at {
		return 0, syscall.EIO
	}
	return f.File.ReadAt(p, at)
}

// TestFullSpoolDropsOldest: confirmed segments go first and without loss; then the
// oldest unconfirmed ones, counted, and Oldest rises.
func TestFullSpoolDropsOldest(t *testing.T) {
	m := disk.NewModel()
	s, err := spool.Open(spool.Options{FS: m, Boot: bootA, MaxBytes: 128 << 10, SegmentBytes: 8 << 10})
	require.NoError(t, err)
	fill := func(n int) {
		for range n {
			appendN(t, s, 10)
			require.NoError(t, s.Sync())
			require.NoError(t, s.Ack(max(s.Acked(), min(s.Last(), 1500))))
			require.LessOrEqual(t, s.Stats().Bytes, int64(128<<10+8<<10))
		}
	}
	fill(150)
	require.EqualValues(t, 1500, s.Acked())
	for s.Oldest() < 1000 {
		fill(1)
	}
	require.Zero(t, s.Stats().Dropped, "only confirmed records have left")
	fill(400)
	st := s.Stats()
	require.Greater(t, st.Oldest, uint64(1501))
	require.Equal(t, st.Oldest-1501, st.Dropped)
	all := readAll(t, s)
	require.Equal(t, st.Oldest, all[0].Seq)
	require.Zero(t, all[0].GapFrom, "below Oldest is no gap: it is said by Oldest itself")
	require.Equal(t, st.Last, all[len(all)-1].Seq)
	require.NoError(t, s.Close())
	s, err = spool.Open(spool.Options{FS: m, Boot: bootA, MaxBytes: 128 << 10, SegmentBytes: 8 << 10})
	require.NoError(t, err)
	require.Equal(t, st.Dropped, s.Stats().Dropped, "the count outlives the program")
	require.Equal(t, st.Oldest, s.Oldest())
}

// TestDiskFull: the disk itself is full before MaxBytes is reached. Saving goes on
// at the cost of the oldest, and nothing is lost once there is room.
func TestDiskFull(t *testing.T) {
	m := disk.NewModel()
	m.Space = 100 << 10
	s, err := spool.Open(spool.Options{FS: m, Boot: bootA, SegmentBytes: 8 << 10})
	require.NoError(t, err)
	for range 500 {
		appendN(t, s, 10)
		_ = s.Sync() // may fail while the disk is full; the next one frees more
	}
	for range 20 {
		if err = s.Sync(); err == nil {
			break
		}
	}
	require.NoError(t, err)
	st := s.Stats()
	require.Zero(t, st.Unsaved)
	require.Greater(t, st.Dropped, uint64(0))
	require.Equal(t, st.Oldest-1, st.Dropped)
	require.Equal(t, int(st.Last-st.Oldest+1), len(readAll(t, s)))
	m.Space = 0
	appendN(t, s, 1000)
	require.NoError(t, s.Sync())
	require.Equal(t, st.Dropped, s.Stats().Dropped, "no more is dropped when there is room")
}

// TestReadFromAnywhere compares Read with what was appended, from every start and
// across segments, the memory and the index.
func TestReadFromAnywhere(t *testing.T) {
	m := disk.NewModel()
	o := spool.Options{FS: m, Boot: bootA, SegmentBytes: 200 << 10}
	s, err := spool.Open(o)
	require.NoError(t, err)
	for i := range 6000 {
		appendN(t, s, 1)
		if i%500 == 499 && i < 5800 {
			require.NoError(t, s.Sync())
		}
	}
	for range 2 {
		rng := rand.New(rand.NewPCG(1, 1))
		for range 300 {
			from, limit := rng.Uint64N(6002), rng.IntN(50)
			rs, err := s.Read(from, limit)
			require.NoError(t, err)
			start := max(from, 1)
			require.Len(t, rs, int(min(uint64(limit), 6001-start)))
			for i, r := range rs {
				require.Equal(t, spool.Record{Seq: start + uint64(i), Payload: body(start + uint64(i))}, r)
			}
		}
		require.NoError(t, s.Close())
		s, err = spool.Open(o)
		require.NoError(t, err)
	}
}
