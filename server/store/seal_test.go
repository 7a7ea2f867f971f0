package store

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
)

func sealAll(t testing.TB, s *Store) {
	_, err := s.rollUp(context.Background(), 0)
	require.NoError(t, err)
	for {
		n, err := s.seal(context.Background(), 0, time.Hour)
		require.NoError(t, err)
		if n == 0 {
			break
		}
	}
	require.NoError(t, s.pack(context.Background(), 0))
	require.NoError(t, s.giveBack(context.Background()))
}

func looseCount(t testing.TB, s *Store) int64 {
	n, err := numbers(context.Background(), s.read, "SELECT count(*) FROM frame")
	require.NoError(t, err)
	return n[0]
}

// wild is a frame with every kind of value, in a changing layout.
func wild(r *rand.Rand, seq, ts int64) Frame {
	f := Frame{Node: "larkspur/mill", Stream: "s-1", Seq: seq, TS: ts, Boot: fmt.Sprint("boot-", r.IntN(2))}
	if r.IntN(50) == 0 {
		f.GapFrom, f.GapTo = seq, seq
	}
	values := []any{nil, math.Round(r.NormFloat64()*100) / 100, r.NormFloat64(), math.Copysign(0, -1), math.MaxFloat64, float64(r.IntN(4)) / 3,
		int64(r.Uint64()), r.Uint64(), true, false, "wash water", []byte{1, 2}, math.NaN()}
	for i := range 8 {
		if r.IntN(9) == 0 {
			continue
		}
		v := values[r.IntN(len(values))]
		if i < 2 {
			v = math.Round(r.NormFloat64()*100) / 100
		}
		s := Sample{Metric: fmt.Sprintf("m%d", i%6), TS: f.TS, Value: v, Quality: plant.Good} // two stand twice
		switch r.IntN(8) {
		case 0:
			s.Quality, s.Reason = plant.Bad, plant.LoopFault
		case 1:
			s.TS += int64(r.IntN(1000))
		case 2:
			s.Quality = 7
		}
		f.Samples = append(f.Samples, s)
	}
	return f
}

// TestSealingChangesNothingThatIsRead: the same history, in any order of arrival and
// sealed at any time, gives the same export, the same ranges and the same progress.
func TestSealingChangesNothingThatIsRead(t *testing.T) {
	for seed := range uint64(2) {
		r := rand.New(rand.NewPCG(seed, 1))
		var frames []Frame
		for seq := int64(1); seq <= 600; seq++ {
			frames = append(frames, wild(r, seq, t0+seq*20_000+int64(r.IntN(3))*7_200_000)) // hours overlap in their numbers
		}
		frames = slices.DeleteFunc(frames, func(f Frame) bool { return f.Seq == 300 }) // a hole
		plain, dir := open(t, t.TempDir()), t.TempDir()
		sealed := open(t, dir)
		r.Shuffle(len(frames), func(i, j int) {
			if max(i, j)-min(i, j) < 200 {
				frames[i], frames[j] = frames[j], frames[i]
			}
		})
		for i, part := range slices.Collect(slices.Chunk(frames, 60)) {
			b := Batch{Frames: slices.Concat(part, frames[:min(i*60, 20)])} // some again
			want, got := commit(t, plain, b), commit(t, sealed, b)
			require.Equal(t, want, got)
			if r.IntN(2) == 0 {
				sealAll(t, sealed)
			}
			if i == 6 { // what is remembered is read anew
				require.NoError(t, sealed.Close())
				sealed = open(t, dir)
			}
		}
		compare := func() {
			require.Equal(t, exported(t, plain), exported(t, sealed), "seed %d", seed)
			require.Equal(t, plain.ProgressOf("larkspur/mill", "s-1"), sealed.ProgressOf("larkspur/mill", "s-1"))
			for _, x := range [][2]int64{{0, 12 * 3600}, {1800, 5000}, {7000, 7300}} {
				from, to := time.UnixMilli(t0+x[0]*1000), time.UnixMilli(t0+x[1]*1000)
				for _, s := range []*Store{plain, sealed} {
					s.plants["Larkspur mill"] = &plant.Plant{Channels: []plant.Channel{{Name: "m0", Metric: "m0"}}}
				}
				for _, points := range []int{10, 30, 300, 10000} {
					want, err := plain.Range(context.Background(), "Larkspur mill", "m0", from, to, points)
					require.NoError(t, err)
					got, err := sealed.Range(context.Background(), "Larkspur mill", "m0", from, to, points)
					require.NoError(t, err)
					require.Equal(t, want, got)
				}
				want, err := plain.Frames(context.Background(), "Larkspur mill", from, to)
				require.NoError(t, err)
				got, err := sealed.Frames(context.Background(), "Larkspur mill", from, to)
				require.NoError(t, err)
				require.Equal(t, want, got)
			}
		}
		for _, s := range []*Store{plain, sealed} {
			_, err := s.rollUp(context.Background(), 0)
			require.NoError(t, err)
		}
		compare()
		sealAll(t, sealed)
		compare()
		require.Zero(t, looseCount(t, sealed))
		require.NoError(t, sealed.Close())
		sealed = open(t, dir)
		compare()
		require.Empty(t, sealed.w.loose)
		require.Empty(t, sealed.w.minutes)
	}
}

// TestPresentHourStaysLoose: only whole past hours are sealed, those that rest and are
// rolled up.
func TestPresentHourStaysLoose(t *testing.T) {
	s := open(t, t.TempDir())
	now := t0 + hourSpan + 10_000
	s.now = func() time.Time { return time.UnixMilli(now) }
	var b Batch
	for seq := int64(3590); seq < 3610; seq++ {
		b.Frames = append(b.Frames, frameOf(seq, 2))
	}
	commit(t, s, b)
	n, err := s.seal(context.Background(), 0, time.Hour)
	require.NoError(t, err)
	require.Zero(t, n, "not rolled up yet")
	sealAll(t, s)
	require.Equal(t, int64(10), looseCount(t, s))
	n, err = s.seal(context.Background(), sealRest, time.Hour)
	require.NoError(t, err)
	require.Zero(t, n)
	now += hourSpan
	sealAll(t, s)
	require.Zero(t, looseCount(t, s))
	require.Len(t, exported(t, s), 40)
}

// TestSpaceIsGivenBack: what a day of one node takes after sealing, in the files.
// Twelve channels of a usual plant: rounded to 2 or 3 decimals, or codes of a
// converter turned into a value, with noise.
func TestSpaceIsGivenBack(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	r := rand.New(rand.NewPCG(1, 2))
	const hours, channels = 4, 12
	for h := range int64(hours) {
		var b Batch
		for i := range int64(3600) {
			f := Frame{Node: "a/b", Stream: "u", Seq: h*3600 + i + 1, TS: t0 + (h*3600+i)*1000, Boot: "boot"}
			for c := range channels {
				v := 2 + math.Round(1000*(0.3*math.Sin(float64(i)/200)+0.01*r.NormFloat64()))/1000
				if c%3 == 0 {
					v = 0.0123*math.Round(20*r.NormFloat64()) + 17.77
				}
				f.Samples = append(f.Samples, Sample{Metric: fmt.Sprintf("x%d", c), TS: f.TS, Value: v, Quality: plant.Good})
			}
			b.Frames = append(b.Frames, f)
		}
		commit(t, s, b)
	}
	require.NoError(t, s.checkpoint(context.Background()))
	before, err := sizeOf(dir, readingsFile)
	require.NoError(t, err)
	sealAll(t, s)
	require.NoError(t, s.Close())
	info, err := os.Stat(filepath.Join(dir, readingsFile))
	require.NoError(t, err)
	each := float64(info.Size()) / (hours * 3600 * channels)
	t.Logf("%.2f bytes a reading, %.2f before", each, float64(before)/(hours*3600*channels))
	require.Less(t, each, 2.2) // of which 1 is noise that nothing compresses, and a third the pages of a small file
}

// TestStoreOfBeforeSealing: a file of the first schema opens, keeps what it has, and
// can shrink.
func TestStoreOfBeforeSealing(t *testing.T) {
	dir := t.TempDir()
	db, err := sql.Open("sqlite3", dsn(filepath.Join(dir, readingsFile), "journal_mode(WAL)"))
	require.NoError(t, err)
	text, err := schemas.ReadFile("schema/readings-0001.sql")
	require.NoError(t, err)
	for _, q := range []string{string(text), "PRAGMA user_version = 1", "INSERT INTO node VALUES (1, 'a/b')", "INSERT INTO stream VALUES (1, 1, 'u', 1, 1, 1)",
		"INSERT INTO layout VALUES (1, x'')", fmt.Sprintf("INSERT INTO frame VALUES (1, 1, %d, 0, 1, 1, 1, x'')", t0)} {
		_, err := db.Exec(q)
		require.NoError(t, err)
	}
	require.NoError(t, db.Close())
	s := open(t, dir)
	mode, err := numbers(context.Background(), s.w.conn, "PRAGMA auto_vacuum")
	require.NoError(t, err)
	require.Equal(t, []int64{2}, mode)
	require.Equal(t, Progress{Acked: 1, Oldest: 1, Last: 1}, s.ProgressOf("a/b", "u"))
	sealAll(t, s)
	require.Zero(t, looseCount(t, s))
}

// TestFlippedBitIsFound: a damaged block is an error, never another number.
func TestFlippedBitIsFound(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	layouts := map[int64]layout{1: {1, 2, 1}}
	var rows []row
	for i := range int64(30) {
		x := row{seq: i, ts: t0 + i, layout: 1}
		for range 3 {
			var err error
			x.body, err = appendSample(x.body, &Sample{TS: t0 + i, Value: r.NormFloat64(), Quality: plant.Good}, t0+i)
			require.NoError(t, err)
		}
		rows = append(rows, x)
	}
	b, err := encodeBlock(rows, layouts)
	require.NoError(t, err)
	got, err := decodeBlock(b, layouts)
	require.NoError(t, err)
	require.Equal(t, rows, got)
	for i := range 8 * len(b) {
		c := bytes.Clone(b)
		c[i/8] ^= 1 << (i % 8)
		_, err := decodeBlock(c, layouts)
		require.ErrorIs(t, err, errBlock)
	}
	for n := range len(b) {
		_, err := decodeBlock(b[:n], layouts)
		require.ErrorIs(t, err, errBlock)
	}
}

func FuzzFloats(f *testing.F) {
	f.Add([]byte("12345678abcdefgh12345678"))
	f.Add(make([]byte, 80))
	f.Fuzz(func(t *testing.T, b []byte) {
		var v []uint64
		for ; len(b) >= 8; b = b[8:] {
			bits := uint64(0)
			for _, x := range b[:8] {
				bits = bits<<8 | uint64(x)
			}
			if math.IsNaN(math.Float64frombits(bits)) {
				bits = math.Float64bits(float64(b[0]) / 100) // never stored; and some that are rounded
			}
			v = append(v, bits)
		}
		got, err := decodeFloats(appendFloats(nil, slices.Clone(v)))
		require.NoError(t, err)
		require.True(t, slices.Equal(v, got))
		decodeFloats(b)
	})
}

// TestLogIsCutWhenNothingIsWritten: after a burst and silence the write-ahead log does
// not keep its greatest size.
func TestLogIsCutWhenNothingIsWritten(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	for i := range int64(20) {
		var b Batch
		for j := range int64(500) {
			b.Frames = append(b.Frames, frameOf(1+i*500+j, 12))
		}
		commit(t, s, b)
	}
	size := func() int64 {
		info, err := os.Stat(filepath.Join(dir, readingsFile+"-wal"))
		require.NoError(t, err)
		return info.Size()
	}
	require.Greater(t, size(), int64(2*walRest))
	for range 2 {
		require.NoError(t, s.checkpoint(context.Background()))
	}
	require.LessOrEqual(t, size(), int64(walRest))
}

// TestMeanStaysWithinItsReadings: figures near the greatest number must not become
// infinite, which no JSON can hold.
func TestMeanStaysWithinItsReadings(t *testing.T) {
	a := newAggregate()
	for _, v := range []float64{math.MaxFloat64, math.MaxFloat64, 1} {
		a.note(v, true, plant.Good)
	}
	require.LessOrEqual(t, a.mean(), math.MaxFloat64)
	b := newAggregate()
	for range 2 {
		b.note(-math.MaxFloat64, true, plant.Good)
	}
	a.merge(*b)
	require.Zero(t, a.mean())
}

// TestDamagedBlockIsPassedOver: one damaged hour stops neither the start nor the rest,
// and is told.
func TestDamagedBlockIsPassedOver(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	var b Batch
	for seq := int64(1); seq <= 200; seq++ {
		f := frameOf(seq, 2)
		f.TS = t0 + seq*60_000
		b.Frames = append(b.Frames, f)
	}
	b.Frames = slices.Delete(b.Frames, 9, 10) // number 10 is open, so nothing above is confirmed
	commit(t, s, b)
	sealAll(t, s)
	_, err := s.w.conn.ExecContext(context.Background(), "UPDATE block SET body = zeroblob(100) WHERE t = ?", t0+hourSpan)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	s = open(t, dir)
	seen := map[int64]bool{}
	err = s.Export(context.Background(), Filter{}, func(r ExportRow) error { seen[r.Seq] = true; return nil })
	require.ErrorIs(t, err, errBlock)
	require.ErrorContains(t, err, "larkspur/mill")
	require.True(t, seen[59] && !seen[60] && !seen[119] && seen[120])
	_, err = s.Range(context.Background(), "Larkspur mill", "feed_rate", time.UnixMilli(t0), time.UnixMilli(t0+4*hourSpan), 100)
	require.NoError(t, err)
	c := commit(t, s, b) // sent again: what was damaged is stored anew
	require.False(t, c.NewFrames[0])
	require.True(t, c.NewFrames[100])
	sealAll(t, s)
	require.Zero(t, looseCount(t, s))
	clear(seen)
	require.ErrorIs(t, s.Export(context.Background(), Filter{}, func(r ExportRow) error { seen[r.Seq] = true; return nil }), errBlock)
	require.Len(t, seen, 199)
}
