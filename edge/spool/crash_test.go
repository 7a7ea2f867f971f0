package spool_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/spool"
	"decktrim/edge/spool/disk"
)

// life is what the outside world knows of a spool: what was published under which
// number, what a Sync has promised, what the server has confirmed.
type life struct {
	published map[uint64]string
	dying     map[uint64]string // being appended when it died: may be held, need not
	promised  map[uint64]bool   // durable by the word of Sync
	acked     uint64
	lives     int
}

func newLife() *life {
	return &life{published: map[uint64]string{}, dying: map[uint64]string{}, promised: map[uint64]bool{}}
}

// small is a spool whose every mechanism is at work within a few hundred records.
func small(fs disk.FS, boot string) spool.Options {
	tick := time.Unix(0, 0)
	return spool.Options{
		FS: fs, Boot: boot, MaxBytes: 20 << 10, SegmentBytes: 4 << 10, Ceiling: 32, CursorEvery: 20 * time.Second,
		Now: func() time.Time { tick = tick.Add(time.Second); return tick },
	}
}

// use appends, syncs and confirms by a fixed script until something fails.
func (l *life) use(m *disk.Model, s *spool.Spool, records int) error {
	l.lives++
	var fresh []uint64
	for i := range records {
		payload := fmt.Sprintf("life %d record %d %0*d", l.lives, i, i%29+1, i)
		seq, err := s.Append([]byte(payload))
		if err != nil {
			return err
		}
		if m.Off() { // it died inside Append: the number was not published
			l.dying[seq] = payload
			return disk.ErrPower
		}
		if old, used := l.published[seq]; used {
			return fmt.Errorf("number %d was given to %q and now to %q", seq, old, payload)
		}
		l.published[seq] = payload
		fresh = append(fresh, seq)
		if i%5 == 4 {
			if err := s.Sync(); err != nil {
				return err
			}
			l.promise(fresh...)
		}
		if i%40 == 39 && i < 120 {
			if err := s.Ack(seq - 20); err != nil {
				return err
			}
			l.acked = seq - 20
		}
	}
	return nil
}

func (l *life) promise(seqs ...uint64) {
	for _, n := range seqs {
		l.promised[n] = true
	}
}

// check holds the spool to its promises.
func (l *life) check(t testing.TB, s *spool.Spool) {
	t.Helper()
	held := map[uint64]string{}
	all := readAll(t, s) // holes without a gap fail there
	for _, r := range all {
		held[r.Seq] = string(r.Payload)
		if l.published[r.Seq] == "" && l.dying[r.Seq] != "" {
			l.published[r.Seq] = l.dying[r.Seq]
		}
		if l.published[r.Seq] != string(r.Payload) {
			t.Fatalf("record %d is %q, put in was %q", r.Seq, r.Payload, l.published[r.Seq])
		}
	}
	if len(all) > 0 {
		require.Equal(t, all[0].Seq, s.Oldest())
	}
	dropped := uint64(0)
	for n := range l.promised {
		if _, ok := held[n]; ok || n <= l.acked {
			continue
		}
		if n >= s.Oldest() {
			t.Fatalf("record %d was synced and is gone", n)
		}
		dropped++
	}
	require.LessOrEqual(t, dropped, s.Stats().Dropped, "lost without being counted")
}

// TestPowerCutAtEveryOperation cuts the power in every single operation of a script
// that takes the spool through filling, rotation, confirmation and dropping, leaves
// the disk in several states each time, and holds what opens then to the promises.
func TestPowerCutAtEveryOperation(t *testing.T) {
	const records = 300
	whole := disk.NewModel()
	s, err := spool.Open(small(whole, bootA))
	require.NoError(t, err)
	l := newLife()
	require.NoError(t, l.use(whole, s, records))
	require.NoError(t, s.Close())
	require.Greater(t, s.Stats().Dropped, uint64(0), "the script must fill the spool")
	ops := whole.Ops()
	require.Greater(t, ops, 500)
	t.Logf("%d operations, %d cursors", ops, s.Stats().CursorWrites)

	for cut := 1; cut <= ops; cut++ {
		for state, chance := range []float64{0, 1, 0.5, 0.5, 0.9} {
			at := fmt.Sprintf("power cut in operation %d, state %d", cut, state)
			rng := rand.New(rand.NewPCG(uint64(cut), uint64(state)))
			m := disk.NewModel()
			m.Fault = func(op disk.Op) error {
				if op.N == cut {
					return disk.ErrPower
				}
				return nil
			}
			l := newLife()
			if s, err := spool.Open(small(m, bootA)); err == nil {
				if err = l.use(m, s, records); err == nil {
					err = s.Close()
				}
				require.ErrorIs(t, err, disk.ErrPower, at)
			}
			// A second cut while the spool recovers from the first.
			m = m.Crash(rng, chance)
			again := 1 + rng.IntN(25)
			m.Fault = func(op disk.Op) error {
				if op.N == again {
					return disk.ErrPower
				}
				return nil
			}
			if s, err := spool.Open(small(m, bootB)); err == nil {
				err = l.use(m, s, 12)
				require.True(t, err == nil || errors.Is(err, disk.ErrPower), "%s: %v", at, err)
			} else {
				require.ErrorIs(t, err, disk.ErrPower, at)
			}
			m = m.Crash(rng, chance)
			s, err := spool.Open(small(m, "boot-c"))
			require.NoError(t, err, at)
			l.check(t, s)
			require.NoError(t, l.use(m, s, 12), at)
			l.check(t, s)
			require.NoError(t, s.Close(), at)
			if t.Failed() {
				t.Fatal(at)
			}
		}
	}
}

// TestKillAtEveryOperation kills the program instead: nothing appended may be lost
// and no number skipped. Then it goes on, syncs, and the power goes.
func TestKillAtEveryOperation(t *testing.T) {
	const records = 150
	for cut := 1; ; cut++ {
		at := fmt.Sprintf("killed in operation %d", cut)
		m := disk.NewModel()
		m.Fault = func(op disk.Op) error {
			if op.N == cut {
				return disk.ErrPower
			}
			return nil
		}
		l := newLife()
		s, err := spool.Open(small(m, bootA))
		if err == nil {
			err = l.use(m, s, records)
		}
		if err == nil {
			require.Greater(t, cut, 250)
			return
		}
		require.ErrorIs(t, err, disk.ErrPower, at)
		m = m.Kill()
		s, err = spool.Open(small(m, bootA))
		require.NoError(t, err, at)
		require.Zero(t, s.Recovery().GapFrom, at)
		require.Zero(t, s.Recovery().TornBytes, at)
		last := uint64(len(l.published))
		// The operation in which it was killed may have been the last record's write.
		require.Contains(t, []uint64{last, last + uint64(len(l.dying))}, s.Last(), at)
		for n := range l.published { // a killed program loses nothing
			l.promise(n)
		}
		l.check(t, s)
		for range 3 {
			seq, err := s.Append([]byte("after the kill"))
			require.NoError(t, err, at)
			l.published[seq] = "after the kill"
			l.promise(seq)
		}
		require.NoError(t, s.Sync(), at)
		s, err = spool.Open(small(m.Crash(rand.New(rand.NewPCG(1, 1)), 0), bootB))
		require.NoError(t, err, at)
		l.check(t, s)
	}
}

// TestOneFaultAtEveryOperation makes every single operation fail once, in each way
// a disk fails. The program goes on; nothing that was appended may be lost then, and
// what a later Sync promised must outlive a power cut.
func TestOneFaultAtEveryOperation(t *testing.T) {
	const records = 120
	for _, fault := range []error{syscall.EIO, syscall.ENOSPC} {
		for at := 1; ; at++ {
			name := fmt.Sprintf("%v in operation %d", fault, at)
			m := disk.NewModel()
			s, err := spool.Open(small(m, bootA))
			require.NoError(t, err)
			l := newLife()
			from := m.Ops()
			hit := false
			m.Fault = func(op disk.Op) error {
				if op.N == from+at {
					hit = true
					return fault
				}
				return nil
			}
			l.lives++
			for i := range records {
				payload := fmt.Sprintf("record %d", i)
				seq, err := s.Append([]byte(payload))
				require.NoError(t, err, name)
				require.Empty(t, l.published[seq], name)
				l.published[seq] = payload
				l.promise(seq) // to be kept at last: the fault passes
				if i%5 == 4 {
					_ = s.Sync() // may be the one that fails
				}
			}
			if !hit {
				require.Greater(t, at, 150)
				break
			}
			require.NoError(t, s.Sync(), "%s: the fault has passed", name)
			require.Zero(t, s.Stats().Unsaved, name)
			require.Empty(t, s.Stats().LastError, name)
			l.check(t, s)
			m = m.Crash(rand.New(rand.NewPCG(1, 1)), 0)
			s, err = spool.Open(small(m, bootB))
			require.NoError(t, err, name)
			l.check(t, s)
			require.NoError(t, l.use(m, s, 12), name)
		}
	}
}

// TestFailedSyncIsNotTrusted: after a failed sync the kernel has forgotten the
// bytes and the next sync of the same file would report success. The records must
// be written again, elsewhere.
func TestFailedSyncIsNotTrusted(t *testing.T) {
	m := disk.NewModel()
	s, err := spool.Open(small(m, bootA))
	require.NoError(t, err)
	appendN(t, s, 5)
	var synced []string
	m.Fault = func(op disk.Op) error {
		if op.Kind == "sync" && op.Name != "cursor.new" {
			synced = append(synced, op.Name)
			if len(synced) == 1 {
				return syscall.EIO
			}
		}
		return nil
	}
	require.ErrorIs(t, s.Sync(), syscall.EIO)
	require.Equal(t, 5, s.Stats().Unsaved)
	require.NoError(t, s.Sync())
	require.Len(t, synced, 2)
	require.NotEqual(t, synced[0], synced[1], "the same file was synced again")
	s, err = spool.Open(small(m.Crash(rand.New(rand.NewPCG(1, 1)), 0), bootB))
	require.NoError(t, err)
	require.Len(t, readAll(t, s), 5)
}

// TestReadOnlyCard: the card takes no write for an hour at one record a second.
// All is held, sent live, and saved once the card is back.
func TestReadOnlyCard(t *testing.T) {
	m := disk.NewModel()
	s, err := spool.Open(spool.Options{FS: m, Boot: bootA})
	require.NoError(t, err)
	appendN(t, s, 100)
	require.NoError(t, s.Sync())
	var readOnly atomic.Bool
	readOnly.Store(true)
	m.Fault = func(op disk.Op) error {
		switch op.Kind {
		case "write", "create", "rename", "remove", "truncate", "sync", "syncdir":
			if readOnly.Load() {
				return syscall.EROFS
			}
		}
		return nil
	}
	for range 3600 {
		appendN(t, s, 1)
		if s.Last()%60 == 0 {
			require.ErrorIs(t, s.Sync(), syscall.EROFS)
		}
	}
	require.Equal(t, 3600, s.Stats().Unsaved)
	require.NotEmpty(t, s.Stats().LastError)
	due, _ := s.Due()
	require.True(t, due)
	rs, err := s.Read(3700, 1)
	require.NoError(t, err)
	require.Equal(t, body(3700), rs[0].Payload, "live goes on from memory")
	readOnly.Store(false)
	require.NoError(t, s.Sync())
	require.Zero(t, s.Stats().Unsaved)
	s, err = spool.Open(spool.Options{FS: m.Crash(rand.New(rand.NewPCG(1, 1)), 0), Boot: bootB})
	require.NoError(t, err)
	require.Len(t, readAll(t, s), 3700)
}

// TestNumbersStopAtTheCeiling: with a disk that refuses for good, numbers end where
// the durable ceiling is, and what cannot be taken is refused and counted.
func TestNumbersStopAtTheCeiling(t *testing.T) {
	m := disk.NewModel()
	o := small(m, bootA)
	s, err := spool.Open(o)
	require.NoError(t, err)
	m.Fault = func(op disk.Op) error {
		if op.Kind == "write" {
			return syscall.EIO
		}
		return nil
	}
	appendN(t, s, int(o.Ceiling))
	_, err = s.Append(body(1))
	require.ErrorIs(t, err, spool.ErrRefused)
	require.ErrorIs(t, err, syscall.EIO, "and says why")
	require.EqualValues(t, 1, s.Stats().Refused)
	m.Fault = nil
	seq, err := s.Append(body(o.Ceiling + 1))
	require.NoError(t, err)
	require.Equal(t, o.Ceiling+1, seq)
	require.Len(t, readAll(t, s), int(o.Ceiling)+1)
}

// TestKilledWhileInMemoryOnly: numbers were given to records that never reached the
// disk; the next program must not give them again although no power was lost.
func TestKilledWhileInMemoryOnly(t *testing.T) {
	m := disk.NewModel()
	s, err := spool.Open(small(m, bootA))
	require.NoError(t, err)
	appendN(t, s, 5)
	m.Fault = func(op disk.Op) error {
		if op.Kind == "write" && op.Name != "cursor.new" {
			return syscall.EIO
		}
		return nil
	}
	appendN(t, s, 3)
	require.Error(t, s.Sync())
	appendN(t, s, 3)
	last := s.Last()
	s, err = spool.Open(small(m.Kill(), bootA))
	require.NoError(t, err)
	seq, err := s.Append([]byte("new"))
	require.NoError(t, err)
	require.Greater(t, seq, last)
	rs, err := s.Read(seq, 1)
	require.NoError(t, err)
	require.EqualValues(t, 6, rs[0].GapFrom)
	require.Equal(t, seq-1, rs[0].GapTo)
}

// TestGapAfterPowerCut: the gap names exactly the numbers that will never come, the
// same way each time the record is read, also after it has been sealed and confirmed.
func TestGapAfterPowerCut(t *testing.T) {
	m := disk.NewModel()
	o := small(m, bootA)
	s, err := spool.Open(o)
	require.NoError(t, err)
	appendN(t, s, 10)
	require.NoError(t, s.Sync())
	appendN(t, s, 7) // published, lost
	o.FS, o.Boot = m.Crash(rand.New(rand.NewPCG(1, 1)), 0), bootB
	s, err = spool.Open(o)
	require.NoError(t, err)
	require.Equal(t, "power cut", s.Recovery().How)
	require.EqualValues(t, 11, s.Recovery().GapFrom)
	first := s.Recovery().GapTo + 1
	require.GreaterOrEqual(t, first, uint64(18))
	require.NoError(t, s.Ack(14), "the server has some of what the card lost")
	for range 3 {
		appendN(t, s, 60)
		rs, err := s.Read(11, 1)
		require.NoError(t, err)
		require.Equal(t, spool.Record{Seq: first, GapFrom: 11, GapTo: first - 1, Payload: body(first)}, rs[0])
		require.NoError(t, s.Close())
		s, err = spool.Open(o)
		require.NoError(t, err)
	}
}

// TestCardThatLies: its syncs do nothing. The promises about power cuts are void,
// but the spool opens, and what it hands out is what was put in.
func TestCardThatLies(t *testing.T) {
	for seed := range uint64(40) {
		m := disk.NewModel()
		m.Lies = true
		s, err := spool.Open(small(m, bootA))
		require.NoError(t, err)
		l := newLife()
		require.NoError(t, l.use(m, s, 200))
		m = m.Crash(rand.New(rand.NewPCG(seed, 1)), float64(seed%4)/3)
		s, err = spool.Open(small(m, bootB))
		require.NoError(t, err, "seed %d", seed)
		for _, r := range readAll(t, s) {
			require.Equal(t, l.published[r.Seq], string(r.Payload))
		}
	}
}

// TestStartsDoNotAddUp: being killed at every start makes the next start no worse.
func TestStartsDoNotAddUp(t *testing.T) {
	m := disk.NewModel()
	var first int64
	for i := range 200 {
		s, err := spool.Open(spool.Options{FS: m, Boot: bootA})
		require.NoError(t, err)
		appendN(t, s, 1)
		if i == 0 {
			first = s.Stats().Bytes
		}
		require.LessOrEqual(t, s.Stats().Bytes-first, int64(4096*i))
		if i%2 == 0 {
			require.NoError(t, s.Sync())
		}
		m = m.Kill()
	}
	s, err := spool.Open(spool.Options{FS: m, Boot: bootA})
	require.NoError(t, err)
	require.Len(t, readAll(t, s), 200)
}

// TestCleanCloseOutlivesThePower: after Close nothing is left to lose.
func TestCleanCloseOutlivesThePower(t *testing.T) {
	m := disk.NewModel()
	s, err := spool.Open(small(m, bootA))
	require.NoError(t, err)
	appendN(t, s, 20)
	require.NoError(t, s.Ack(9))
	require.NoError(t, s.Close())
	s, err = spool.Open(small(m.Crash(rand.New(rand.NewPCG(1, 1)), 0), bootB))
	require.NoError(t, err)
	require.Equal(t, "clean", s.Recovery().How)
	require.EqualValues(t, 9, s.Acked())
	require.EqualValues(t, 20, s.Last())
	require.Len(t, readAll(t, s), 20)
}
