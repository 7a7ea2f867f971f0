package disk

import (
	"errors"
	"io/fs"
)

// NewSuffix ends the name under which Replace writes.
const NewSuffix = ".new"

// Replace writes a whole file so that after a power cut either the old or the new
// one is there, and after a return without error the new one.
func Replace(d FS, name string, content []byte) error {
	temporary := name + NewSuffix
	f, err := d.Create(temporary)
	if errors.Is(err, fs.ErrExist) { // left by an attempt that failed
		if err = d.Remove(temporary); err == nil {
			f, err = d.Create(temporary)
		}
	}
	if err != nil {
		return err
	}
	_, err = f.WriteAt(content, 0)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = d.Rename(temporary, name)
	}
	if err == nil {
		err = d.SyncDir()
	}
	return err
}

// ReadFile reads a whole file.
func ReadFile(d FS, name string) ([]byte, error) {
	f, err := d.OpenRead(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	size, err := f.Size()
	if err != nil {
		return nil, err
	}
	b := make([]byte, size)
	if size == 0 {
		return b, nil
	}
	_, err = f.ReadAt(b, 0)
	return b, err
}
