package backup

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// recordFile lies in the data folder.
const recordFile = "backup.json"

// Record is what the data folder knows of its backups. Only a backup that was read
// again from its disk and found right counts as done.
type Record struct {
	Verified time.Time `json:"verified,omitzero"` // when the newest good one was found right, UTC
	Made     time.Time `json:"made,omitzero"`     // when its state was taken
	File     string    `json:"file,omitempty"`
	Bytes    int64     `json:"bytes,omitempty"`
	SHA256   string    `json:"sha256,omitempty"` // of the file

	Failed time.Time `json:"failed,omitzero"` // when the last run failed; zero if it did not
	Why    string    `json:"why,omitempty"`
}

// ReadRecord reads what a data folder knows of its backups; the zero Record if there
// was none yet.
func ReadRecord(data string) (Record, error) {
	var r Record
	text, err := os.ReadFile(filepath.Join(data, recordFile))
	if errors.Is(err, fs.ErrNotExist) {
		return r, nil
	}
	if err != nil {
		return r, fmt.Errorf("the record of backups cannot be read: %w", err)
	}
	if err := json.Unmarshal(text, &r); err != nil {
		return Record{}, fmt.Errorf("the record of backups, %s, cannot be understood: %w", filepath.Join(data, recordFile), err)
	}
	return r, nil
}

func (r Record) save(data string) error {
	text, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	path := filepath.Join(data, recordFile)
	if err := writeSynced(path+".new", append(text, '\n')); err != nil {
		return fmt.Errorf("the record of backups cannot be written: %w", err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		return fmt.Errorf("the record of backups cannot be written: %w", err)
	}
	return syncDir(data)
}
