package backup

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// workName is the folder in which a backup is made, beside the finished ones.
const workName = ".decktrim-backup"

// takeWork makes the work folder in dir, empty and for this program alone. What a
// killed backup has left there goes away.
func takeWork(dir string) (path string, leave func() error, err error) {
	path = filepath.Join(dir, workName)
	leave, err = takeFolder(path)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return "", nil, fmt.Errorf("another backup is being written to %s; wait until it is done", dir)
	}
	return path, leave, err
}

// takeFolder makes a folder, locks it and empties it; leave removes it. A folder that
// is there and was not made by takeFolder is refused.
func takeFolder(path string) (leave func() error, err error) {
	made := os.Mkdir(path, 0o700)
	if made != nil && !errors.Is(made, os.ErrExist) {
		return nil, fmt.Errorf("%s cannot be written to: %w", filepath.Dir(path), made)
	}
	if made != nil {
		entries, err := os.ReadDir(path)
		if err != nil {
			return nil, err
		}
		if _, err := os.Lstat(filepath.Join(path, "lock")); err != nil && len(entries) > 0 {
			return nil, fmt.Errorf("%s is in the way; move it elsewhere", path)
		}
	}
	lock, err := os.OpenFile(filepath.Join(path, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be written to: %w", filepath.Dir(path), err)
	}
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	if err := clear(path); err != nil {
		return nil, errors.Join(err, lock.Close())
	}
	return func() error { return errors.Join(os.RemoveAll(path), lock.Close()) }, nil
}

// clear empties a taken folder but for its lock.
func clear(path string) error {
	entries, err := os.ReadDir(path)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if e.Name() == "lock" {
			continue
		}
		if err := os.RemoveAll(filepath.Join(path, e.Name())); err != nil {
			return err
		}
	}
	return nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// writeSynced writes a small file and syncs it.
func writeSynced(path string, text []byte) error {
	return create(path, func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

// create makes a file, has it written, and syncs it.
func create(path string, fill func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	err = fill(f)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// free is the room on the disk that holds dir, in bytes.
func free(dir string) (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, fmt.Errorf("%s: free space cannot be read: %w", dir, err)
	}
	return int64(st.Bavail) * int64(st.Bsize), nil
}

// sameDisk reports whether two folders lie on one file system.
func sameDisk(a, b string) (bool, error) {
	var x, y unix.Stat_t
	if err := errors.Join(unix.Stat(a, &x), unix.Stat(b, &y)); err != nil {
		return false, fmt.Errorf("%s or %s cannot be looked at: %w", a, b, err)
	}
	return x.Dev == y.Dev, nil
}

const mib = 1 << 20

func needRoom(dir string, need int64, what string) error {
	have, err := free(dir)
	if err == nil && have < need {
		err = fmt.Errorf("%s: %d MiB are free and %s needs %d; make room or choose another folder", dir, have/mib, what, (need+mib-1)/mib)
	}
	return err
}
