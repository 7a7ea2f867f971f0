package backup

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"filippo.io/age"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"decktrim/internal/ledger"
	"decktrim/internal/plant"
	"decktrim/server/backup/archive"
	"decktrim/server/store"
)

// TestMain is also the program that the kill test starts: a backup as slow as told.
func TestMain(m *testing.M) {
	if data := os.Getenv("DECKTRIM_TEST_BACKUP"); data != "" {
		_, err := Run(context.Background(), Options{Data: data, To: os.Getenv("DECKTRIM_TEST_TO"), Compress: true, Rate: 4 << 20})
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// frames are numbered records of twelve channels.
func frames(from, n int64) []store.Frame {
	out := make([]store.Frame, n)
	r := rand.New(rand.NewPCG(1, uint64(from)))
	for i := range out {
		seq := from + int64(i)
		f := store.Frame{Node: "larkspur/mill", Stream: "s-1", Seq: seq, TS: 1_767_600_000_000 + 1000*seq}
		for c := range 12 {
			f.Samples = append(f.Samples, store.Sample{Metric: fmt.Sprintf("Mill/c%d", c), TS: f.TS, Value: 30 + r.Float64(), Quality: plant.Good})
		}
		out[i] = f
	}
	return out
}

// filled is an open store with n frames and an entry.
func filled(t testing.TB, n int64) (*store.Store, string) {
	data := t.TempDir()
	s, err := store.Open(store.Options{Dir: data})
	require.NoError(t, err)
	t.Cleanup(func() { s.Close() })
	for from := int64(1); from <= n; from += 500 {
		_, err := s.Commit(t.Context(), store.Batch{Frames: frames(from, min(500, n-from+1))})
		require.NoError(t, err)
	}
	require.NoError(t, s.AppendEntries(t.Context(), ledger.Entry{ID: "e-1", Plant: "Larkspur mill", Kind: ledger.KindOreSource,
		At: time.Unix(1_767_600_000, 0), By: "owner", Body: json.RawMessage(`{"name":"Dunlin Lode"}`)}))
	return s, data
}

func names(t testing.TB, dir string) (out []string) {
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// made is a good small archive and the folder that it is of.
func made(t testing.TB, o Options) Record {
	_, o.Data = filled(t, 300)
	o.To = t.TempDir()
	r, err := Run(t.Context(), o)
	require.NoError(t, err)
	return r
}

func TestBackupAndRestore(t *testing.T) {
	key, err := age.GenerateX25519Identity()
	require.NoError(t, err)
	for _, tt := range []struct {
		name, ending string
		o            Options
		keys         []age.Identity
	}{
		{"plain", ".tar", Options{}, nil},
		{"compressed", ".tar.gz", Options{Compress: true}, nil},
		{"encrypted", ".tar.gz.age", Options{Compress: true, Recipients: []age.Recipient{key.Recipient()}}, []age.Identity{key}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, data := filled(t, 3000)
			config := filepath.Join(t.TempDir(), "server.toml")
			require.NoError(t, os.WriteFile(config, []byte("[server]\n"), 0o600))
			o := tt.o
			o.Data, o.To, o.Configs, o.Version = data, t.TempDir(), []string{config, config}, "test"
			r, err := Run(t.Context(), o)
			require.NoError(t, err)
			require.True(t, strings.HasSuffix(r.File, tt.ending), r.File)
			require.Equal(t, []string{filepath.Base(r.File)}, names(t, o.To), "nothing else is left")
			require.NotContains(t, names(t, data), workName)
			known, err := ReadRecord(data)
			require.NoError(t, err)
			require.Equal(t, r, known)
			text, err := os.ReadFile(r.File)
			require.NoError(t, err)
			if tt.keys != nil {
				require.NotContains(t, string(text), "larkspur")
			}

			// What comes after is not in it.
			_, err = s.Commit(t.Context(), store.Batch{Frames: frames(3001, 10)})
			require.NoError(t, err)
			to := filepath.Join(t.TempDir(), "new")
			m, err := Restore(t.Context(), RestoreOptions{From: r.File, To: to, Keys: tt.keys})
			require.NoError(t, err)
			require.Equal(t, int64(3000), m.Files[1].Rows["frame"]+m.Files[0].Rows["frame"])
			require.ElementsMatch(t, []string{"readings.db", "ledger.db", "config"}, names(t, to))
			require.ElementsMatch(t, []string{"server.toml", "2-server.toml", archive.ManifestName}, names(t, filepath.Join(to, "config")))
			require.Equal(t, []string{"new"}, names(t, filepath.Dir(to)))
			back, err := store.Open(store.Options{Dir: to})
			require.NoError(t, err)
			defer back.Close()
			require.Equal(t, int64(3000), back.ProgressOf("larkspur/mill", "s-1").Acked)
			entries, err := back.Entries(t.Context(), "Larkspur mill")
			require.NoError(t, err)
			require.Len(t, entries, 1)

			_, err = Restore(t.Context(), RestoreOptions{From: r.File, To: to, Keys: tt.keys})
			require.ErrorContains(t, err, "not empty")
			var refusal *Refusal
			require.ErrorAs(t, err, &refusal)
		})
	}
}

// TestWritersWaitLittle: while a slow backup runs, every commit takes less than a
// second, and the copy is one state: its frames are 1 to n without a hole.
func TestWritersWaitLittle(t *testing.T) {
	s, data := filled(t, 20_000)
	var stop atomic.Bool
	longest := make(chan time.Duration)
	go func() {
		var most time.Duration
		for seq := int64(20_001); !stop.Load(); seq++ {
			began := time.Now()
			if _, err := s.Commit(context.Background(), store.Batch{Frames: frames(seq, 1)}); err != nil {
				t.Error(err)
				break
			}
			most = max(most, time.Since(began))
		}
		longest <- most
	}()
	r, err := Run(t.Context(), Options{Data: data, To: t.TempDir(), Compress: true, Rate: 3 << 20})
	stop.Store(true)
	most := <-longest
	require.NoError(t, err)
	t.Logf("longest commit beside a backup of %d bytes: %s", r.Bytes, most)
	require.Less(t, most, time.Second)
	to := filepath.Join(t.TempDir(), "new")
	m, err := Restore(t.Context(), RestoreOptions{From: r.File, To: to})
	require.NoError(t, err)
	back, err := store.Open(store.Options{Dir: to})
	require.NoError(t, err)
	defer back.Close()
	p := back.ProgressOf("larkspur/mill", "s-1")
	require.GreaterOrEqual(t, p.Acked, int64(20_000))
	for _, f := range m.Files {
		if f.Name == "readings.db" {
			require.Equal(t, p.Acked, f.Rows["frame"], "stored is what is confirmed")
		}
	}
}

// TestKilled: a backup killed at any moment leaves no file under a final name that is
// not whole, and the next one clears up.
func TestKilled(t *testing.T) {
	_, data := filled(t, 6000)
	to := t.TempDir()
	seed := rand.Uint64()
	t.Log("seed", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	killed := 0
	for range 8 {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), "DECKTRIM_TEST_BACKUP="+data, "DECKTRIM_TEST_TO="+to)
		require.NoError(t, cmd.Start())
		time.Sleep(time.Duration(r.IntN(500)) * time.Millisecond)
		require.NoError(t, cmd.Process.Kill())
		if cmd.Wait() != nil {
			killed++
		}
		for _, name := range names(t, to) {
			if name == workName {
				continue
			}
			_, err := Restore(t.Context(), RestoreOptions{From: filepath.Join(to, name), To: filepath.Join(t.TempDir(), "new")})
			require.NoError(t, err, name)
		}
	}
	require.Positive(t, killed)
	_, err := Run(t.Context(), Options{Data: data, To: to})
	require.NoError(t, err)
	require.NotContains(t, names(t, to), workName)
}

// TestFullTarget fills a real file system. It needs root for the mount.
func TestFullTarget(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Log("not root: nothing can be mounted")
		return
	}
	_, data := filled(t, 4000)
	to := t.TempDir()
	require.NoError(t, unix.Mount("tmpfs", to, "tmpfs", 0, "size=512k"))
	defer func() { require.NoError(t, unix.Unmount(to, unix.MNT_DETACH)) }()
	good := made(t, Options{})
	_, err := Run(t.Context(), Options{Data: data, To: to})
	require.ErrorContains(t, err, "MiB are free")
	require.Empty(t, names(t, to))
	r, err := ReadRecord(data)
	require.NoError(t, err)
	require.True(t, r.Verified.IsZero())
	require.False(t, r.Failed.IsZero())

	// The room is there at first and goes while the copy is made.
	require.NoError(t, unix.Mount("tmpfs", to, "tmpfs", unix.MS_REMOUNT, "size=16m"))
	ballast := filepath.Join(to, "ballast")
	filled := false
	_, err = Run(t.Context(), Options{Data: data, To: to, Progress: func(string, int64, int64) {
		if !filled {
			filled = true
			f, err := os.Create(ballast)
			require.NoError(t, err)
			_, err = io.Copy(f, neverEnding{})
			require.ErrorIs(t, err, unix.ENOSPC)
			require.NoError(t, f.Close())
		}
	}})
	require.Error(t, err)
	require.True(t, filled)
	require.Equal(t, []string{"ballast"}, names(t, to))
	require.NoError(t, os.Remove(ballast))
	_, err = Run(t.Context(), Options{Data: data, To: to})
	require.NoError(t, err)
	r, err = ReadRecord(data)
	require.NoError(t, err)
	require.True(t, r.Failed.IsZero(), "the good one takes the bad one's place")

	// The same on the way back.
	require.NoError(t, unix.Mount("tmpfs", to, "tmpfs", unix.MS_REMOUNT, "size=16m"))
	f, err := os.Create(ballast)
	require.NoError(t, err)
	_, err = io.Copy(f, neverEnding{})
	require.ErrorIs(t, err, unix.ENOSPC)
	require.NoError(t, f.Close())
	_, err = Restore(t.Context(), RestoreOptions{From: good.File, To: filepath.Join(to, "new")})
	require.Error(t, err)
	var refusal *Refusal
	require.NotErrorAs(t, err, &refusal, "not the archive's fault")
	require.NotContains(t, names(t, to), "new")
}

type neverEnding struct{}

func (neverEnding) Read(p []byte) (int, error) { return len(p), nil }

func TestTargetMissing(t *testing.T) {
	_, data := filled(t, 1)
	_, err := Run(t.Context(), Options{Data: data, To: filepath.Join(t.TempDir(), "unplugged")})
	require.ErrorContains(t, err, "mounted")
	r, err := ReadRecord(data)
	require.NoError(t, err)
	require.Contains(t, r.Why, "mounted")
	_, err = Run(t.Context(), Options{Data: t.TempDir(), To: t.TempDir()})
	require.ErrorContains(t, err, "readings.db is not there")
}

func TestTwoAtOnce(t *testing.T) {
	_, data := filled(t, 1)
	to := t.TempDir()
	_, leave, err := takeWork(to)
	require.NoError(t, err)
	_, err = Run(t.Context(), Options{Data: data, To: to})
	require.ErrorContains(t, err, "another backup")
	require.NoError(t, leave())
	_, err = Run(t.Context(), Options{Data: data, To: to})
	require.NoError(t, err)
}

// TestDamagedDatabaseIsNotBackedUp: a page of the store is spoilt; the backup says so.
func TestDamagedDatabaseIsNotBackedUp(t *testing.T) {
	s, data := filled(t, 3000)
	require.NoError(t, s.Close())
	path := filepath.Join(data, "readings.db")
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = f.WriteAt(bytes.Repeat([]byte{0x5a}, 4096), 20*4096)
	require.NoError(t, err)
	require.NoError(t, f.Close())
	to := t.TempDir()
	_, err = Run(t.Context(), Options{Data: data, To: to})
	require.ErrorContains(t, err, "damaged")
	require.Empty(t, names(t, to))
}

// TestEveryDamageIsFound cuts and flips an archive at places spread over it.
func TestEveryDamageIsFound(t *testing.T) {
	key, err := age.GenerateX25519Identity()
	require.NoError(t, err)
	for _, tt := range []struct {
		name string
		o    Options
	}{
		{"plain", Options{}}, {"compressed", Options{Compress: true}},
		{"encrypted", Options{Recipients: []age.Recipient{key.Recipient()}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			good, err := os.ReadFile(made(t, tt.o).File)
			require.NoError(t, err)
			try := func(b []byte) error {
				_, err := archive.Read(bytes.NewReader(b), []age.Identity{key}, func(archive.Manifest) error { return nil },
					func(_ archive.File, r io.Reader) error { _, err := io.Copy(io.Discard, r); return err })
				return err
			}
			require.NoError(t, try(good))
			step := len(good)/150 + 1
			for at := 0; at < len(good); at += step {
				require.Error(t, try(good[:at]), "cut at %d", at)
			}
			require.Error(t, try(good[:len(good)-1]))
			require.Error(t, try(append(bytes.Clone(good), 'x')))
			missed := 0
			for at := 0; at < len(good); at += step {
				b := bytes.Clone(good)
				b[at] ^= 0x10
				if try(b) == nil {
					missed++ // padding and dates of the tar or gzip headers say nothing
				}
			}
			require.LessOrEqual(t, missed, 3)
		})
	}
}

func TestRestoreRefuses(t *testing.T) {
	key, err := age.GenerateX25519Identity()
	require.NoError(t, err)
	other, err := age.GenerateX25519Identity()
	require.NoError(t, err)
	locked := made(t, Options{Recipients: []age.Recipient{key.Recipient()}}).File
	plain := made(t, Options{}).File
	text, err := os.ReadFile(plain)
	require.NoError(t, err)
	make := func(change func(m *archive.Manifest)) string {
		files := map[string][]byte{}
		m, err := archive.Read(bytes.NewReader(text), nil, func(archive.Manifest) error { return nil }, func(f archive.File, r io.Reader) (err error) {
			files[f.Name], err = io.ReadAll(r)
			return err
		})
		require.NoError(t, err)
		change(&m)
		var b bytes.Buffer
		require.NoError(t, archive.Write(&b, m, false, nil, func(f archive.File) (io.ReadCloser, error) {
			return io.NopCloser(bytes.NewReader(files[f.Name][:f.Size])), nil
		}))
		path := filepath.Join(t.TempDir(), "made.tar")
		require.NoError(t, os.WriteFile(path, b.Bytes(), 0o600))
		return path
	}
	cut := filepath.Join(t.TempDir(), "cut.tar")
	require.NoError(t, os.WriteFile(cut, text[:len(text)/2], 0o600))
	words := filepath.Join(t.TempDir(), "words.tar")
	require.NoError(t, os.WriteFile(words, []byte("no archive"), 0o600))
	for _, tt := range []struct {
		name, from, want string
		keys             []age.Identity
	}{
		{"not there", "nowhere.tar", "cannot be opened", nil},
		{"a folder", t.TempDir(), "not a file", nil},
		{"no key", locked, "give the key with --identity", nil},
		{"wrong key", locked, "another key", []age.Identity{other}},
		{"cut", cut, "damaged", nil},
		{"no archive", words, "no archive of decktrim", nil},
		{"newer schema", make(func(m *archive.Manifest) {
			for i := range m.Files {
				m.Files[i].Schema = 99
			}
		}), "newer decktrim (schema 99", nil},
		{"newer format", make(func(m *archive.Manifest) { m.Format = 2 }), "newer decktrim", nil},
		{"other rows", make(func(m *archive.Manifest) { m.Files[0].Rows["entry"]++ }), "other rows", nil},
		{"other checksum", make(func(m *archive.Manifest) { m.Files[0].SHA256 = strings.Repeat("0", 64) }), "checksum of", nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			_, err := Restore(t.Context(), RestoreOptions{From: tt.from, To: filepath.Join(dir, "new"), Keys: tt.keys})
			require.ErrorContains(t, err, tt.want)
			var refusal *Refusal
			require.ErrorAs(t, err, &refusal)
			require.Empty(t, names(t, dir), "nothing half done")
		})
	}
}
