package spool_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/spool"
	"decktrim/edge/spool/disk"
)

// wear counts the blocks of 4096 bytes that syncs bring to the card: each block that
// was written since the last sync counts whole. What a file system adds for its own
// books is not in it.
type wear struct {
	disk.FS
	bytes int64
}

type wearFile struct {
	disk.File
	w     *wear
	dirty map[int64]bool
}

func (w *wear) wrap(f disk.File, err error) (disk.File, error) {
	if err != nil {
		return nil, err
	}
	return &wearFile{f, w, map[int64]bool{}}, nil
}

func (w *wear) Create(name string) (disk.File, error) { return w.wrap(w.FS.Create(name)) }
func (w *wear) Open(name string) (disk.File, error)   { return w.wrap(w.FS.Open(name)) }

func (f *wearFile) WriteAt(p []byte, at int64) (int, error) {
	for b := at / 4096; b <= (at+int64(len(p))-1)/4096; b++ {
		f.dirty[b] = true
	}
	return f.File.WriteAt(p, at)
}

func (f *wearFile) Sync() error {
	f.w.bytes += int64(len(f.dirty)) * 4096
	clear(f.dirty)
	return f.File.Sync()
}

// TestCardWear is E21: at the reference load, 12 channels at 1 Hz, at most 150 MB a
// day go to the card while no server confirms, and far less while one does.
func TestCardWear(t *testing.T) {
	for _, tc := range []struct {
		name     string
		confirms bool
		most     float64 // MB a day
	}{{"no server", false, 150}, {"server confirms", true, 45}} {
		t.Run(tc.name, func(t *testing.T) {
			w := &wear{FS: disk.NewModel()}
			now := time.Unix(0, 0)
			s, err := spool.Open(spool.Options{FS: w, Boot: bootA, Now: func() time.Time { return now }})
			require.NoError(t, err)
			const hours = 6
			last := now
			for range hours * 3600 {
				n, err := s.Append(make([]byte, frameLen))
				require.NoError(t, err)
				if tc.confirms {
					require.NoError(t, s.Ack(n-min(n, 1)))
				}
				if due, _ := s.Due(); due || now.Sub(last) >= time.Minute {
					require.NoError(t, s.Sync())
					last = now
				}
				now = now.Add(time.Second)
			}
			perDay := float64(w.bytes) / hours * 24 / 1e6
			t.Logf("%.0f MB a day in %d syncs and %d cursors", perDay, s.Stats().Syncs*24/hours, s.Stats().CursorWrites*24/hours)
			require.Less(t, perDay, tc.most)
		})
	}
}
