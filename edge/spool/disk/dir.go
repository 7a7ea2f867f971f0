package disk

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sort"
)

// lockName is the file whose lock stands for the directory.
const lockName = "lock"

type dir struct{ path string }

// Dir is the real directory at path.
func Dir(path string) FS { return dir{path} }

func (d dir) List() ([]string, error) {
	entries, err := os.ReadDir(d.path)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		if e.Type().IsRegular() && e.Name() != lockName {
			names = append(names, e.Name())
		}
	}
	sort.Strings(names)
	return names, nil
}

func (d dir) Create(name string) (File, error) {
	return d.open(name, os.O_RDWR|os.O_CREATE|os.O_EXCL)
}
func (d dir) Open(name string) (File, error)     { return d.open(name, os.O_RDWR) }
func (d dir) OpenRead(name string) (File, error) { return d.open(name, os.O_RDONLY) }

func (d dir) open(name string, flag int) (File, error) {
	f, err := os.OpenFile(filepath.Join(d.path, name), flag, 0o640)
	if err != nil {
		return nil, err
	}
	return file{f}, nil
}

func (d dir) Rename(from, to string) error {
	return os.Rename(filepath.Join(d.path, from), filepath.Join(d.path, to))
}

func (d dir) Remove(name string) error { return os.Remove(filepath.Join(d.path, name)) }

func (d dir) SyncDir() error { return syncDir(d.path) }

func (d dir) Lock() (io.Closer, error) {
	f, err := os.OpenFile(filepath.Join(d.path, lockName), os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, err
	}
	if err := lockFile(f); err != nil {
		f.Close()
		return nil, fmt.Errorf("%s is in use by another program: %w", d.path, err)
	}
	return f, nil
}

type file struct{ *os.File }

func (f file) Sync() error { return syncData(f.File) }

func (f file) Size() (int64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return info.Size(), nil
}
