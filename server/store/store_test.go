package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

const t0 = int64(1_699_999_200_000) // ms; a whole hour

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
	// No test here cuts the power, so none need wait for the disk.
	_, timed := t.(*testing.B)
	s, err := Open(Options{Dir: dir, Plants: []*plant.Plant{testPlant()}, NoSync: !timed})
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

func commit(t testing.TB, s *Store, b Batch) Committed {
	c, err := s.Commit(context.Background(), b)
	require.NoError(t, err)
	return c
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

func exported(t testing.TB, s *Store) []ExportRow {
	var rows []ExportRow
	require.NoError(t, s.Export(context.Background(), Filter{}, func(r ExportRow) error {
		rows = append(rows, r)
		return nil
	}))
	return rows
}

func TestValuesComeBackAsTheyWereSent(t *testing.T) {
	s := open(t, t.TempDir())
	values := []any{nil, 2.5, math.Copysign(0, -1), 1e300, int64(math.MinInt64), int64(math.MaxInt64), uint64(math.MaxUint64), true, false, "", "wash water", []byte{0, 1}}
	f := Frame{Node: "a/b", Stream: "u", Seq: 1, TS: t0, Boot: "boot"}
	var readings []Reading
	for i, v := range values {
		smp := Sample{Metric: fmt.Sprintf("m%02d", i), TS: t0 + int64(i%3), Value: v, Quality: plant.Good}
		switch i % 4 {
		case 1:
			smp.Quality, smp.Reason = plant.Bad, plant.LoopFault
		case 2:
			smp.Quality = plant.Stale
		case 3:
			smp.Quality = 77
		}
		f.Samples = append(f.Samples, smp)
		smp.Device = "d"
		smp.Reason = ""
		readings = append(readings, Reading{Node: "a/b", Sample: smp})
	}
	commit(t, s, Batch{Frames: []Frame{f}, Readings: readings})
	rows := exported(t, s)
	require.Len(t, rows, 2*len(values))
	for i, r := range rows[:len(values)] {
		x := f.Samples[i]
		require.Equal(t, ExportRow{"a/b", "", x.Metric, x.TS, x.Value, x.Quality, x.Reason, "u", 1, "boot"}, r)
	}
	for i, r := range rows[len(values):] {
		x := readings[i]
		require.Equal(t, ExportRow{Node: "a/b", Device: "d", Metric: x.Metric, TS: x.TS, Value: x.Value, Quality: x.Quality}, r)
	}
}

func TestNaNIsStoredAsNoValue(t *testing.T) {
	s := open(t, t.TempDir())
	commit(t, s, Batch{Readings: []Reading{{Node: "a/b", Sample: Sample{Metric: "m", TS: 1, Value: math.NaN()}}}})
	require.Nil(t, exported(t, s)[0].Value)
}

func TestProgress(t *testing.T) {
	gap := func(seq, from, to int64) Frame {
		return Frame{Node: "larkspur/mill", Stream: "s-1", Seq: seq, TS: t0 + 1000*seq, GapFrom: from, GapTo: to}
	}
	told := func(oldest, last int64) Told {
		return Told{Node: "larkspur/mill", Stream: "s-1", Oldest: oldest, Last: last}
	}
	tests := []struct {
		name string
		in   []Batch
		want Progress
	}{
		{"in order", []Batch{{Frames: []Frame{frameOf(1, 1), frameOf(2, 1)}}}, Progress{Acked: 2, Last: 2}},
		{"never past a hole", []Batch{{Frames: []Frame{frameOf(1, 1), frameOf(3, 1)}}}, Progress{Acked: 1, Last: 3}},
		{"hole filled later", []Batch{{Frames: []Frame{frameOf(3, 1), frameOf(1, 1)}}, {Frames: []Frame{frameOf(2, 1)}}}, Progress{Acked: 3, Last: 3}},
		{"hole below the oldest is lost", []Batch{{Frames: []Frame{frameOf(1, 1), frameOf(5, 1)}, Told: []Told{told(5, 0)}}}, Progress{Acked: 5, Oldest: 5, Last: 5, Lost: 3}},
		{"hole above the oldest is waited for", []Batch{{Frames: []Frame{frameOf(1, 1), frameOf(5, 1)}, Told: []Told{told(3, 9)}}}, Progress{Acked: 2, Oldest: 3, Last: 9, Lost: 1}},
		{"gap record", []Batch{{Frames: []Frame{frameOf(1, 1), gap(10, 2, 9)}}}, Progress{Acked: 10, Last: 10, Lost: 8}},
		{"first of all a record without readings", []Batch{{Frames: []Frame{gap(10, 1, 9)}}}, Progress{Acked: 10, Last: 10, Lost: 9}},
		{"gap record keeps what came", []Batch{{Frames: []Frame{frameOf(1, 1), frameOf(3, 1), gap(10, 2, 9)}}}, Progress{Acked: 10, Last: 10, Lost: 7}},
		{"lost one comes after all", []Batch{{Frames: []Frame{frameOf(1, 1), gap(10, 2, 9)}}, {Frames: []Frame{frameOf(4, 1)}}}, Progress{Acked: 10, Last: 10, Lost: 7}},
		{"a gap never covers its own number or above", []Batch{{Frames: []Frame{frameOf(1, 1), gap(3, 2, 1<<50)}}}, Progress{Acked: 3, Last: 3, Lost: 1}},
		{"first heard in the middle", []Batch{{Told: []Told{told(501, 600)}}}, Progress{Acked: 500, Oldest: 501, Last: 600, Lost: 500}},
		{"lost by a restore, and by the node after it", []Batch{{Frames: []Frame{frameOf(1, 1)}},
			{Told: []Told{{Node: "larkspur/mill", Stream: "s-1", Oldest: 9, Last: 12, Acked: 6}}}},
			Progress{Acked: 8, Oldest: 9, Last: 12, Lost: 7, LostByRestore: 5}},
		{"what a restore lost comes after all", []Batch{
			{Told: []Told{{Node: "larkspur/mill", Stream: "s-1", Oldest: 9, Last: 9, Acked: 8}}}, {Frames: []Frame{frameOf(4, 1), frameOf(9, 1)}}},
			Progress{Acked: 9, Oldest: 9, Last: 9, Lost: 7, LostByRestore: 7}},
		{"an older word of the oldest changes nothing", []Batch{{Told: []Told{told(501, 600)}}, {Told: []Told{told(300, 400)}}}, Progress{Acked: 500, Oldest: 501, Last: 600, Lost: 500}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir)
			var c Committed
			for _, b := range tt.in {
				c = commit(t, s, b)
			}
			require.Equal(t, tt.want, c.Progress[StreamKey{"larkspur/mill", "s-1"}])
			require.NoError(t, s.Close())
			require.Equal(t, tt.want, open(t, dir).ProgressOf("larkspur/mill", "s-1"), "after opening again")
		})
	}
}

func TestSpansAgainstASet(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	for range 300 {
		var s spans
		model := map[int64]bool{}
		for range 40 {
			e := span{r.Int64N(60), 0}
			e.last = e.first + r.Int64N(10)
			if r.IntN(3) == 0 {
				s.remove(e)
			} else {
				s.add(e)
			}
			for n := e.first; n <= e.last; n++ {
				delete(model, n)
			}
			if len(s) > 0 && s.has(e.first) {
				for n := e.first; n <= e.last; n++ {
					model[n] = true
				}
			}
			require.EqualValues(t, len(model), s.count())
			open := map[int64]bool{}
			for _, m := range s.missing(span{0, 80}) {
				for n := m.first; n <= m.last; n++ {
					open[n] = true
				}
			}
			for n := int64(0); n <= 80; n++ {
				require.Equal(t, model[n], s.has(n), "%d in %v", n, s)
				require.Equal(t, !model[n], open[n])
			}
			for i := 1; i < len(s); i++ {
				require.Greater(t, s[i].first, s[i-1].last+1)
			}
		}
	}
}

// state is everything that must not depend on the order of arrival.
func state(t testing.TB, s *Store) (rows []ExportRow, progress Progress, rolled map[string]string) {
	_, err := s.rollUp(context.Background(), 0)
	require.NoError(t, err)
	rolled = map[string]string{}
	for _, table := range []string{"minute", "hour"} {
		q, err := s.read.Query("SELECT m.name, m.device, x.t, x.n, x.mean, x.least, x.most, x.worst FROM " + table + " AS x JOIN metric AS m ON m.id = x.metric")
		require.NoError(t, err)
		for q.Next() {
			var name, device string
			var at, n, worst int64
			var mean, least, most float64
			require.NoError(t, q.Scan(&name, &device, &at, &n, &mean, &least, &most, &worst))
			rolled[fmt.Sprint(table, name, device, at)] = fmt.Sprint(n, mean, least, most, worst)
		}
		require.NoError(t, q.Err())
		require.NoError(t, q.Close())
	}
	return exported(t, s), s.ProgressOf("larkspur/mill", "s-1"), rolled
}

// TestOrderOfArrivalChangesNothing delivers one history of a board in many ways:
// doubled, reordered, replayed from the middle, with roll-ups made in between and the
// store closed and opened again.
func TestOrderOfArrivalChangesNothing(t *testing.T) {
	for seed := range uint64(6) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 3))
			var history []Batch
			for seq := int64(1); seq <= 150; seq++ {
				f := frameOf(seq, 3)
				f.TS = t0 + seq*30_000 // 75 minutes: several minutes and hours
				for i := range f.Samples {
					f.Samples[i].TS = f.TS
					f.Samples[i].Value = r.NormFloat64()
					if r.IntN(10) == 0 {
						f.Samples[i].Value, f.Samples[i].Quality = nil, plant.Bad
					}
				}
				if seq == 60 {
					f.GapFrom, f.GapTo = 50, 59 // 50 to 59 were never durable, yet some had been sent
				}
				if seq >= 50 && seq < 55 {
					continue
				}
				history = append(history, Batch{Frames: []Frame{f}})
				reading := Reading{Node: "larkspur/mill", Sample: Sample{Device: "radio", Metric: "t", TS: f.TS, Value: r.Float64(), Quality: plant.Good}}
				history = append(history, Batch{Readings: []Reading{reading}})
			}
			history = append(history, Batch{Told: []Told{{Node: "larkspur/mill", Stream: "s-1", Oldest: 20, Last: 150}}})

			orderly := open(t, t.TempDir())
			for _, b := range history {
				commit(t, orderly, b)
			}
			wantRows, wantProgress, wantRolled := state(t, orderly)
			require.EqualValues(t, 150, wantProgress.Acked)
			require.EqualValues(t, 5, wantProgress.Lost)

			dir := t.TempDir()
			s := open(t, dir)
			mixed := slices.Clone(history)
			for range len(history) {
				mixed = append(mixed, history[r.IntN(len(history))])
			}
			r.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
			mixed = append(mixed, history[len(history)/2:]...) // a replay
			for len(mixed) > 0 {
				var b Batch
				for range 1 + r.IntN(9) {
					if len(mixed) > 0 {
						b.Frames = append(b.Frames, mixed[0].Frames...)
						b.Readings = append(b.Readings, mixed[0].Readings...)
						b.Told = append(b.Told, mixed[0].Told...)
						mixed = mixed[1:]
					}
				}
				commit(t, s, b)
				switch r.IntN(25) {
				case 0:
					_, err := s.rollUp(context.Background(), 0)
					require.NoError(t, err)
				case 1:
					require.NoError(t, s.Close())
					s = open(t, dir)
				}
			}
			rows, progress, rolled := state(t, s)
			require.Equal(t, wantRows, rows)
			require.Equal(t, wantProgress, progress)
			require.Equal(t, wantRolled, rolled)
		})
	}
}

func TestBirthValueYieldsToData(t *testing.T) {
	for _, birthFirst := range []bool{true, false} {
		s := open(t, t.TempDir())
		birth := Reading{Node: "a/b", Birth: true, Sample: Sample{Metric: "m", TS: t0, Value: 1.0, Quality: plant.Good}}
		data := Reading{Node: "a/b", Sample: Sample{Metric: "m", TS: t0, Value: 2.0, Quality: plant.Good}}
		order := []Reading{data, birth, birth}
		if birthFirst {
			order = []Reading{birth, data, birth}
		}
		for _, r := range order {
			commit(t, s, Batch{Readings: []Reading{r}})
		}
		rows := exported(t, s)
		require.Len(t, rows, 1)
		require.Equal(t, 2.0, rows[0].Value)
	}
}

func TestRange(t *testing.T) {
	dir := t.TempDir()
	now := time.UnixMilli(t0).Add(26 * time.Hour).UTC()
	s, err := Open(Options{Dir: dir, Plants: []*plant.Plant{testPlant()}, Now: func() time.Time { return now }})
	require.NoError(t, err)
	defer s.Close()
	// 26 hours at 10 s, value = hours since t0; nothing in the fourth hour.
	var b Batch
	for i := range int64(26 * 360) {
		f := frameOf(i+1, 1)
		f.TS = t0 + i*10_000
		f.Samples[0].TS, f.Samples[0].Value = f.TS, float64(i)/360
		if i/360 == 3 {
			f.Samples = nil
		}
		b.Frames = append(b.Frames, f)
	}
	commit(t, s, b)
	at := func(h float64) time.Time { return time.UnixMilli(t0 + int64(h*3.6e6)).UTC() }
	check := func(t *testing.T, from, to float64, points int) []Point {
		list, err := s.Range(context.Background(), "Larkspur mill", "feed_rate", at(from), at(to), points)
		require.NoError(t, err)
		require.NotEmpty(t, list)
		require.LessOrEqual(t, len(list), points)
		n, gaps := 0, 0
		var last time.Time
		for _, p := range list {
			require.True(t, p.T.After(last), "in order of time")
			last = p.T
			if n += p.N; p.N == 0 {
				gaps++
				continue
			}
			require.LessOrEqual(t, p.Min, p.Mean)
			require.LessOrEqual(t, p.Mean, p.Max)
			require.GreaterOrEqual(t, p.Mean, from-1e-9)
			require.Less(t, p.Mean, to)
		}
		if from <= 3 && to >= 4 {
			require.Equal(t, 1, gaps, "the hour without readings is a gap")
		}
		return list
	}
	for _, rolled := range []string{"before the roll-up", "after it"} {
		t.Run(rolled, func(t *testing.T) {
			raw := check(t, 0, 1, 1000)
			require.Equal(t, 1.0/360, raw[1].Mean-raw[0].Mean)
			check(t, 0, 1, 20)
			minutes := check(t, 0, 24, 2000) // 43 s a point: minutes
			require.Equal(t, 6, minutes[0].N)
			require.InDelta(t, 2.5/360, minutes[0].Mean, 1e-12)
			hours := check(t, 0, 26, 30) // 52 min a point: hours
			require.Equal(t, 360, hours[0].N)
			require.InDelta(t, 179.5/360, hours[0].Mean, 1e-12)
			require.Equal(t, 0.0, hours[0].Min)
			require.Equal(t, 359.0/360, hours[0].Max)
		})
		_, err := s.rollUp(context.Background(), 0)
		require.NoError(t, err)
		st, err := s.Stats(context.Background())
		require.NoError(t, err)
		require.Zero(t, st.DirtyBuckets)
	}
	_, err = s.Range(context.Background(), "Larkspur mill", "wash", at(0), at(1), 10)
	require.ErrorContains(t, err, `no channel "wash"`)
	empty, err := s.Range(context.Background(), "Larkspur mill", "mill_current", at(0), at(1), 10)
	require.NoError(t, err)
	require.Empty(t, empty)
}

func TestFrames(t *testing.T) {
	s := open(t, t.TempDir())
	commit(t, s, Batch{Frames: []Frame{frameOf(1, 2), frameOf(2, 1)}})
	fs, err := s.Frames(context.Background(), "Larkspur mill", time.UnixMilli(t0), time.UnixMilli(t0+10_000))
	require.NoError(t, err)
	require.Len(t, fs, 2)
	require.Equal(t, []plant.Reading{{Value: 1, Has: true, Quality: plant.Good}, {Value: 1.25, Has: true, Quality: plant.Good}}, fs[0].Readings)
	require.Equal(t, plant.Reading{Quality: plant.Bad, Reason: plant.Missing}, fs[1].Readings[1])
}

func entryOf(id string, body any) ledger.Entry {
	b, err := json.Marshal(body)
	if err != nil {
		panic(err)
	}
	return ledger.Entry{ID: id, Plant: "Larkspur mill", Kind: ledger.KindRun, At: time.UnixMilli(t0).UTC(), By: "metallurgist", Body: b}
}

func TestLedger(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s := open(t, dir)
	recovery := 71.2
	a := entryOf("a", ledger.Run{Run: runs.Run{ID: "41", OreSource: "Dunlin Lode", Settings: map[string]float64{"wash_water": 45}}})
	require.NoError(t, s.AppendEntries(ctx, a))
	require.NoError(t, s.AppendEntries(ctx, a), "sent twice is one entry")

	correction := entryOf("b", ledger.Run{Run: runs.Run{ID: "41", OreSource: "Dunlin Lode", Recovery: &recovery}})
	correction.Replaces, correction.Why = "a", "assays came back"
	require.NoError(t, s.AppendEntries(ctx, correction))

	list, err := s.Runs(ctx, "Larkspur mill")
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Equal(t, recovery, *list[0].Recovery)

	for _, id := range []string{"a", "b"} {
		history, err := s.EntryHistory(ctx, id)
		require.NoError(t, err)
		require.Len(t, history, 2)
		require.Equal(t, "a", history[0].ID)
		require.Equal(t, "assays came back", history[1].Why)
		require.Greater(t, history[1].Seq, history[0].Seq)
	}

	refused := map[string]ledger.Entry{
		"another entry with ID":  entryOf("a", ledger.Run{}),
		"not in the ledger":      {ID: "c", Plant: "Larkspur mill", Kind: ledger.KindRun, At: a.At, Body: a.Body, Replaces: "nobody"},
		"corrected already by b": {ID: "c", Plant: "Larkspur mill", Kind: ledger.KindRun, At: a.At, Body: a.Body, Replaces: "a"},
		"another plant or kind":  {ID: "c", Plant: "Larkspur mill", Kind: ledger.KindLot, At: a.At, Body: a.Body, Replaces: "b"},
		"not JSON":               {ID: "c", Plant: "Larkspur mill", Kind: ledger.KindRun, At: a.At, Body: json.RawMessage("{")},
		"no ID":                  {Plant: "Larkspur mill", Kind: ledger.KindRun, At: a.At, Body: a.Body},
		"no time":                {ID: "c", Plant: "Larkspur mill", Kind: ledger.KindRun, Body: a.Body},
	}
	for text, e := range refused {
		err := s.AppendEntries(ctx, entryOf("x", ledger.Run{}), e)
		require.ErrorIs(t, err, ErrEntry)
		require.ErrorContains(t, err, text)
	}
	all, err := s.Entries(ctx, "Larkspur mill")
	require.NoError(t, err)
	require.Len(t, all, 1, "a refused set leaves nothing behind")

	for _, q := range []string{"UPDATE entry SET why = 'x'", "DELETE FROM entry"} {
		_, err := s.ledger.Exec(q)
		require.ErrorContains(t, err, "append-only")
	}
	require.NoError(t, s.Close())
	again, err := open(t, dir).Entries(ctx, "Larkspur mill", ledger.KindRun, ledger.KindLot)
	require.NoError(t, err)
	require.Equal(t, all, again)
}

func TestExportFilterAndState(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	other := frameOf(1, 1)
	other.Node = "larkspur/pond"
	commit(t, s, Batch{Frames: []Frame{frameOf(1, 2), frameOf(2, 2), frameOf(3, 2), other}})

	while, err := OpenForExport(dir)
	require.NoError(t, err)
	defer while.Close()
	count := func(f Filter) (n int) {
		require.NoError(t, while.Export(context.Background(), f, func(ExportRow) error { n++; return nil }))
		return n
	}
	require.Equal(t, 7, count(Filter{}), "while the server has it open")
	require.Equal(t, 6, count(Filter{Node: "larkspur/mill"}))
	require.Equal(t, 0, count(Filter{Node: "larkspur/none"}))
	require.Equal(t, 2, count(Filter{Node: "larkspur/mill", From: time.UnixMilli(t0 + 2000), To: time.UnixMilli(t0 + 3000)}))
	commit(t, s, Batch{Frames: []Frame{frameOf(4, 2)}})
	require.Equal(t, 9, count(Filter{}))
	require.NoError(t, s.Close())
	require.Equal(t, 9, count(Filter{}), "after it has stopped")

	_, err = OpenForExport(t.TempDir())
	require.ErrorContains(t, err, "no readings are stored there")
}

func TestNewerStoreIsRefused(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, open(t, dir).Close())
	db, err := sql.Open("sqlite3", filepath.Join(dir, readingsFile))
	require.NoError(t, err)
	_, err = db.Exec("PRAGMA user_version = 99")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	_, err = Open(Options{Dir: dir})
	require.ErrorContains(t, err, "newer decktrim")
	_, err = OpenForExport(dir)
	require.ErrorContains(t, err, "schema 99")
}

func TestFailedCommitLeavesNothing(t *testing.T) {
	s := open(t, t.TempDir())
	commit(t, s, Batch{Frames: []Frame{frameOf(1, 2)}})
	bad := frameOf(2, 2)
	bad.Samples[1].Value = struct{}{}
	_, err := s.Commit(context.Background(), Batch{Frames: []Frame{frameOf(3, 2), bad}})
	require.Error(t, err)
	require.Equal(t, Progress{Acked: 1, Last: 1}, s.ProgressOf("larkspur/mill", "s-1"))
	c := commit(t, s, Batch{Frames: []Frame{frameOf(2, 2), frameOf(3, 2)}})
	require.Equal(t, []bool{true, true}, c.NewFrames)
	require.Len(t, exported(t, s), 6)
}

func TestDiskFull(t *testing.T) {
	s := open(t, t.TempDir())
	commit(t, s, Batch{Frames: []Frame{frameOf(1, 2)}})
	var pages int
	require.NoError(t, s.w.conn.QueryRowContext(context.Background(), "PRAGMA page_count").Scan(&pages))
	limit := func(n int) {
		_, err := s.w.conn.ExecContext(context.Background(), fmt.Sprintf("PRAGMA max_page_count = %d", n))
		require.NoError(t, err)
	}
	limit(pages)
	big := Batch{}
	for seq := int64(2); seq < 2000; seq++ {
		big.Frames = append(big.Frames, frameOf(seq, 20))
	}
	_, err := s.Commit(context.Background(), big)
	require.ErrorContains(t, err, "full")
	require.Equal(t, Progress{Acked: 1, Last: 1}, s.ProgressOf("larkspur/mill", "s-1"), "not acked, so the board keeps it")
	require.Len(t, exported(t, s), 2, "what is there can be read")
	limit(1 << 30)
	commit(t, s, big)
	require.EqualValues(t, 1999, s.ProgressOf("larkspur/mill", "s-1").Acked)
}

// FuzzFrameBody: a damaged body is found or gives some values, and never a crash.
func FuzzFrameBody(f *testing.F) {
	var body []byte
	for _, s := range []Sample{{TS: 5, Value: 2.5, Quality: plant.Good}, {TS: 9, Value: "text", Quality: 7, Reason: "r"}, {Value: int64(-3)}} {
		var err error
		body, err = appendSample(body, &s, 5)
		require.NoError(f, err)
	}
	f.Add(body)
	f.Fuzz(func(t *testing.T, b []byte) {
		c := cursor{b, 5}
		var p packed
		for c.next(&p) == nil {
			p.value()
			p.number()
		}
		if l, err := decodeLayout(b); err == nil {
			require.LessOrEqual(t, len(l), len(b))
		}
	})
}

func TestSchemaFilesAreNumberedWithoutHoles(t *testing.T) {
	for _, kind := range []string{"readings", "ledger"} {
		files, err := migrations(kind)
		require.NoError(t, err)
		for i, f := range files {
			require.Equal(t, fmt.Sprintf("schema/%s-%04d.sql", kind, i+1), f)
		}
	}
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, readingsFile), []byte(strings.Repeat("not a database ", 1000)), 0o600))
	_, err := Open(Options{Dir: dir})
	require.ErrorContains(t, err, readingsFile)
	require.NotContains(t, err.Error(), "\n")
}

// BenchmarkCommit is the rate at which frames of 32 channels from 50 nodes are
// committed, 200 frames a transaction.
func BenchmarkCommit(b *testing.B) {
	s := open(b, b.TempDir())
	const frames, channels = 200, 32
	seqs := map[string]int64{}
	readings := 0
	for b.Loop() {
		batch := Batch{}
		for i := range frames {
			node := fmt.Sprintf("larkspur/n%d", i%50)
			seqs[node]++
			f := frameOf(seqs[node], channels)
			f.Node = node
			batch.Frames = append(batch.Frames, f)
		}
		c := commit(b, s, batch)
		require.NotContains(b, c.NewFrames, false)
		readings += frames * channels
	}
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
	st, err := s.Stats(context.Background())
	require.NoError(b, err)
	b.ReportMetric(float64(st.ReadingsBytes)/float64(readings), "bytes/reading")
	start := time.Now()
	n, err := s.rollUp(context.Background(), 0)
	require.NoError(b, err)
	b.ReportMetric(time.Since(start).Seconds()/float64(max(n, 1))*1e6, "us/bucket")
}

// BenchmarkLastHour reads the last hour of one of 32 channels at 1 Hz.
func BenchmarkLastHour(b *testing.B) {
	s := open(b, b.TempDir())
	batch := Batch{}
	for seq := range int64(3600) {
		batch.Frames = append(batch.Frames, frameOf(seq+1, 32))
	}
	commit(b, s, batch)
	from := time.UnixMilli(t0)
	for b.Loop() {
		points, err := s.Range(context.Background(), "Larkspur mill", "feed_rate", from, from.Add(time.Hour+time.Second), 600)
		require.NoError(b, err)
		require.NotEmpty(b, points)
	}
}
