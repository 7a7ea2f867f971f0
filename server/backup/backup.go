// Package backup writes a server's data folder into one archive while the server
// runs, and makes a data folder from an archive again. Keys, certificates and the
// access token are never in one.
//
// A file bears its final name only when it is whole: it is written under .decktrim-backup
// in the target folder, synced, read again from the disk and compared, and then
// renamed, and the folder synced.
package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"filippo.io/age"
	"golang.org/x/sys/unix"

	"decktrim/server/backup/archive"
	"decktrim/server/store"
)

// Options of Run.
type Options struct {
	Data       string          // the data folder; a server may be running in it
	Configs    []string        // server file and plant files
	To         string          // folder for the archive; it must exist
	Compress   bool            // gzip
	Recipients []age.Recipient // none: not encrypted
	Rate       int64           // bytes/s of the databases read at most; 0: no limit
	Version    string
	Now        func() time.Time                     // nil: time.Now
	Progress   func(step string, done, total int64) // bytes; nil: none
}

// reserve stays free in the data folder, so that a backup never stops the server
// from storing.
const reserve = 256 * mib

// Run makes a backup, checks it, and notes in the data folder how it went. An archive
// stands under its final name only if Run returns without error.
func Run(ctx context.Context, o Options) (Record, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Progress == nil {
		o.Progress = func(string, int64, int64) {}
	}
	r, err := run(ctx, o)
	if err == nil {
		return r, r.save(o.Data)
	}
	old, oldErr := ReadRecord(o.Data)
	if oldErr != nil {
		return r, errors.Join(err, oldErr)
	}
	old.Failed, old.Why = o.Now().UTC(), err.Error()
	if _, statErr := os.Stat(o.Data); statErr == nil {
		err = errors.Join(err, old.save(o.Data))
	}
	return r, err
}

func run(ctx context.Context, o Options) (_ Record, err error) {
	if info, err := os.Stat(o.To); err != nil || !info.IsDir() {
		return Record{}, fmt.Errorf("%s is not there or no folder; is the disk for backups mounted?", o.To)
	}
	work, leave, err := takeWork(o.To)
	if err != nil {
		return Record{}, err
	}
	defer func() { err = errors.Join(err, leave()) }()
	plain := work
	if len(o.Recipients) > 0 {
		// What is not encrypted never touches the target.
		inner, leaveInner, err := takeWork(o.Data)
		if err != nil {
			return Record{}, err
		}
		defer func() { err = errors.Join(err, leaveInner()) }()
		plain = inner
	}
	m, err := o.copyAll(ctx, plain)
	if err != nil {
		return Record{}, err
	}
	part := filepath.Join(work, "archive")
	sum, err := o.pack(ctx, m, plain, part)
	if err != nil {
		return Record{}, fmt.Errorf("the archive cannot be written to %s: %w", o.To, err)
	}
	if err := o.verify(ctx, part, sum, m); err != nil {
		return Record{}, err
	}
	name := "decktrim-" + m.Made.Format("20060102T150405.000Z") + ".tar"
	if o.Compress {
		name += ".gz"
	}
	if len(o.Recipients) > 0 {
		name += ".age"
	}
	r := Record{Verified: o.Now().UTC(), Made: m.Made, File: filepath.Join(o.To, name), SHA256: hex.EncodeToString(sum)}
	info, err := os.Stat(part)
	if err != nil {
		return Record{}, err
	}
	r.Bytes = info.Size()
	if _, err := os.Lstat(r.File); !errors.Is(err, os.ErrNotExist) {
		return Record{}, fmt.Errorf("%s is there already", r.File)
	}
	if err := os.Rename(part, r.File); err != nil {
		return Record{}, fmt.Errorf("the archive cannot be given its name: %w", err)
	}
	return r, syncDir(o.To)
}

// copyAll copies the databases into the work folder and checks each copy.
func (o *Options) copyAll(ctx context.Context, work string) (m archive.Manifest, err error) {
	m = archive.Manifest{Format: archive.Format, Decktrim: o.Version}
	snap, err := store.Pin(ctx, o.Data)
	if err != nil {
		return m, err
	}
	defer func() { err = errors.Join(err, snap.Close()) }()
	m.Made = o.Now().UTC()
	total := int64(0)
	for _, name := range snap.Names() {
		n, err := snap.Bytes(ctx, name)
		if err != nil {
			return m, err
		}
		total += n
	}
	// Copies and archive together; an archive is at most about as large as what is in it.
	need := total
	if len(o.Recipients) > 0 {
		if err := needRoom(o.Data, total+reserve, "copying the databases"); err != nil {
			return m, err
		}
	} else {
		need *= 2
	}
	if o.Compress {
		need = need * 3 / 4 // readings shrink to a third or so; a full disk is an error all the same
	}
	same, err := sameDisk(o.Data, o.To)
	if err != nil {
		return m, err
	}
	if same {
		need += reserve
	}
	if err := needRoom(o.To, need, "the backup"); err != nil {
		return m, err
	}
	for _, name := range snap.Names() {
		to := filepath.Join(work, name)
		if err := snap.Copy(ctx, name, to, o.Rate, func(done, total int64) { o.Progress("copying "+name, done, total) }); err != nil {
			return m, err
		}
		o.Progress("checking "+name, 0, 0)
		facts, err := store.CheckCopy(ctx, to)
		if err != nil {
			return m, fmt.Errorf("the copy is not good: %w", err)
		}
		f := archive.File{Name: name, Schema: facts.Schema, Rows: facts.Rows}
		if f.Size, f.SHA256, err = sumOf(ctx, to); err != nil {
			return m, err
		}
		m.Files = append(m.Files, f)
	}
	used := map[string]bool{archive.ManifestName: true}
	for _, from := range o.Configs {
		base := filepath.Base(from)
		name := base
		for i := 2; used[name]; i++ {
			name = strconv.Itoa(i) + "-" + base
		}
		used[name] = true
		text, err := os.ReadFile(from)
		if err != nil {
			return m, fmt.Errorf("the configuration cannot be read: %w", err)
		}
		to := filepath.Join(work, archive.ConfigFolder, name)
		if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
			return m, err
		}
		if err := os.WriteFile(to, text, 0o600); err != nil {
			return m, err
		}
		sum := sha256.Sum256(text)
		m.Files = append(m.Files, archive.File{Name: archive.ConfigFolder + name, Size: int64(len(text)), SHA256: hex.EncodeToString(sum[:]), From: from})
	}
	return m, m.Check()
}

// pack writes the archive and gives the SHA-256 of what it wrote.
func (o *Options) pack(ctx context.Context, m archive.Manifest, work, part string) ([]byte, error) {
	sum := sha256.New()
	done := int64(0)
	err := create(part, func(w io.Writer) error {
		return archive.Write(io.MultiWriter(w, sum), m, o.Compress, o.Recipients, func(f archive.File) (io.ReadCloser, error) {
			r, err := os.Open(filepath.Join(work, filepath.FromSlash(f.Name)))
			if err != nil {
				return nil, err
			}
			return &tracked{ReadCloser: r, ctx: ctx, tell: func(n int) {
				done += int64(n)
				o.Progress("packing", done, m.Bytes())
			}}, nil
		})
	})
	return sum.Sum(nil), err
}

// verify reads the archive again, from the disk as far as the system allows, and
// compares. One that is not encrypted is also taken apart as restore would; for one
// that is, the key is elsewhere, and that the bytes are those which were written must do.
func (o *Options) verify(ctx context.Context, part string, want []byte, m archive.Manifest) error {
	f, err := os.Open(part)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED); err != nil && !errors.Is(err, unix.EINVAL) {
		return fmt.Errorf("the archive cannot be read again: %w", err)
	}
	info, err := f.Stat()
	if err != nil {
		return err
	}
	done := int64(0)
	r := io.Reader(&tracked{ReadCloser: f, ctx: ctx, tell: func(n int) {
		done += int64(n)
		o.Progress("reading again", done, info.Size())
	}})
	sum := sha256.New()
	r = io.TeeReader(r, sum)
	if len(o.Recipients) == 0 {
		_, err = archive.Read(r, nil, func(archive.Manifest) error { return nil }, func(_ archive.File, body io.Reader) error {
			_, err := io.Copy(io.Discard, body)
			return err
		})
		if err != nil {
			return fmt.Errorf("the archive, read again, is not good: %w", err)
		}
	}
	if _, err := io.Copy(io.Discard, r); err != nil {
		return fmt.Errorf("the archive cannot be read again: %w", err)
	}
	if !equal(sum, want) {
		return errors.New("the archive, read again, is not what was written; the disk for backups is not to be trusted")
	}
	return nil
}

func equal(h hash.Hash, want []byte) bool { return string(h.Sum(nil)) == string(want) }

func sumOf(ctx context.Context, path string) (int64, string, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	sum := sha256.New()
	n, err := io.Copy(sum, &tracked{ReadCloser: f, ctx: ctx, tell: func(int) {}})
	return n, hex.EncodeToString(sum.Sum(nil)), err
}

// tracked tells what was read, and ends with its context.
type tracked struct {
	io.ReadCloser
	ctx  context.Context
	tell func(n int)
}

func (t *tracked) Read(p []byte) (int, error) {
	if err := t.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := t.ReadCloser.Read(p)
	t.tell(n)
	return n, err
}
