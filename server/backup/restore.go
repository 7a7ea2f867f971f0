package backup

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"syscall"

	"filippo.io/age"

	"decktrim/server/backup/archive"
	"decktrim/server/store"
)

// Refusal is an error in what was given: the archive, the key or a folder.
type Refusal struct{ err error }

func (r *Refusal) Error() string { return r.err.Error() }
func (r *Refusal) Unwrap() error { return r.err }

func refusef(f string, args ...any) error { return &Refusal{fmt.Errorf(f, args...)} }

// RestoreOptions of Restore.
type RestoreOptions struct {
	From     string // the archive
	To       string // the data folder to be; it must be empty or not there
	Keys     []age.Identity
	Progress func(step string, done, total int64) // bytes; nil: none
}

// Restore makes a data folder from an archive. Everything is checked in a folder
// beside it, which gets its name only when all is right; else nothing is left. The
// copies of the configuration lie in its folder config.
func Restore(ctx context.Context, o RestoreOptions) (_ archive.Manifest, err error) {
	if o.Progress == nil {
		o.Progress = func(string, int64, int64) {}
	}
	to, err := filepath.Abs(o.To)
	if err != nil {
		return archive.Manifest{}, err
	}
	was, err := emptyOrAbsent(to)
	if err != nil {
		return archive.Manifest{}, err
	}
	f, err := os.Open(o.From)
	if err != nil {
		return archive.Manifest{}, refusef("the archive cannot be opened: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return archive.Manifest{}, err
	}
	if !info.Mode().IsRegular() {
		return archive.Manifest{}, refusef("%s is not a file; give one archive", o.From)
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		return archive.Manifest{}, fmt.Errorf("the folder cannot be made: %w", err)
	}
	// The lock lies beside the folder that is filled, which must hold data alone.
	work := to + ".restoring"
	leave, err := takeFolder(work)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return archive.Manifest{}, fmt.Errorf("another restore to %s is at work; wait until it is done", o.To)
	}
	if err != nil {
		return archive.Manifest{}, err
	}
	defer func() { err = errors.Join(err, leave()) }()
	fresh := filepath.Join(work, "data")
	if err := os.MkdirAll(filepath.Join(fresh, archive.ConfigFolder), 0o700); err != nil {
		return archive.Manifest{}, err
	}
	m, err := o.unpack(ctx, f, info.Size(), fresh)
	if err != nil {
		return m, err
	}
	if err := o.check(ctx, m, fresh); err != nil {
		return m, err
	}
	if err := finish(m, fresh, was); err != nil {
		return m, err
	}
	// Over an empty folder a rename is allowed; over one that has filled since it is not.
	if err := os.Rename(fresh, to); err != nil {
		if errors.Is(err, syscall.EBUSY) || errors.Is(err, syscall.EXDEV) {
			return m, refusef("%s is where a disk is mounted; give a folder inside it, for example %s", o.To, filepath.Join(o.To, "data"))
		}
		return m, fmt.Errorf("the restored folder cannot be given its name: %w", err)
	}
	return m, syncDir(filepath.Dir(to))
}

// emptyOrAbsent gives the folder's facts if it is there.
func emptyOrAbsent(dir string) (os.FileInfo, error) {
	info, err := os.Stat(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, refusef("%s cannot be looked at: %w", dir, err)
	}
	if !info.IsDir() {
		return nil, refusef("%s is not a folder", dir)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, refusef("%s cannot be looked at: %w", dir, err)
	}
	if len(entries) > 0 {
		return nil, refusef("%s is not empty, and nothing is ever restored over something; give a new folder", dir)
	}
	return info, nil
}

func (o *RestoreOptions) unpack(ctx context.Context, f *os.File, size int64, fresh string) (archive.Manifest, error) {
	done := int64(0)
	r := &tracked{ReadCloser: f, ctx: ctx, tell: func(n int) {
		done += int64(n)
		o.Progress("unpacking", done, size)
	}}
	var ours error // what failed on this machine is not the archive's fault
	m, err := archive.Read(r, o.Keys, func(m archive.Manifest) error {
		for i := range m.Files {
			if e := &m.Files[i]; e.Database() {
				if err := store.KnownSchema(e.Name, e.Schema); err != nil {
					return err
				}
			}
		}
		ours = needRoom(fresh, m.Bytes(), "the restored folder")
		return ours
	}, func(e archive.File, body io.Reader) error {
		err := create(filepath.Join(fresh, filepath.FromSlash(e.Name)), func(w io.Writer) error {
			_, err := io.Copy(w, body)
			return err
		})
		if d := (*archive.Damage)(nil); err != nil && !errors.As(err, &d) {
			ours = fmt.Errorf("%s cannot be written: %w", e.Name, err)
			return ours
		}
		return err
	})
	switch {
	case ctx.Err() != nil:
		return m, fmt.Errorf("the restore was stopped: %w", ctx.Err())
	case ours != nil:
		return m, ours
	case err != nil:
		return m, refusef("%s cannot be restored: %w; nothing was changed", o.From, err)
	}
	return m, nil
}

// check opens each database as the server will.
func (o *RestoreOptions) check(ctx context.Context, m archive.Manifest, fresh string) error {
	for i := range m.Files {
		e := &m.Files[i]
		if !e.Database() {
			continue
		}
		o.Progress("checking "+e.Name, 0, 0)
		facts, err := store.CheckCopy(ctx, filepath.Join(fresh, e.Name))
		if err != nil {
			return refusef("%s cannot be restored: %w; nothing was changed", o.From, err)
		}
		if facts.Schema != e.Schema || !maps.Equal(facts.Rows, e.Rows) {
			return refusef("%s cannot be restored: %s holds other rows than the manifest says; nothing was changed", o.From, e.Name)
		}
	}
	return nil
}

// finish keeps the manifest beside the configuration, gives everything to the owner
// of the folder whose place it takes, and syncs the folders.
func finish(m archive.Manifest, fresh string, was os.FileInfo) error {
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	if err := writeSynced(filepath.Join(fresh, archive.ConfigFolder, archive.ManifestName), append(text, '\n')); err != nil {
		return err
	}
	if was != nil {
		st, ok := was.Sys().(*syscall.Stat_t)
		if ok && os.Geteuid() == 0 {
			err := filepath.WalkDir(fresh, func(path string, _ os.DirEntry, err error) error {
				if err != nil {
					return err
				}
				return os.Lchown(path, int(st.Uid), int(st.Gid))
			})
			if err != nil {
				return fmt.Errorf("the restored files cannot be given to the folder's owner: %w", err)
			}
		}
	}
	return errors.Join(syncDir(filepath.Join(fresh, archive.ConfigFolder)), syncDir(fresh))
}
