package calib

import (
	"bytes"
	"fmt"

	"github.com/pelletier/go-toml/v2"

	"decktrim/internal/tomlfile"
)

// FileFormat is the format that Parse reads and Format writes.
const FileFormat = 1

// Parse reads a calibration file; every fault is an error with its place.
func Parse(name string, data []byte) (File, error) {
	var f File
	where, err := tomlfile.Decode(name, data, &f)
	if err != nil {
		return File{}, err
	}
	if f.Format != FileFormat {
		return File{}, where.Errorf("format", "calibration format %d is not known: this program reads format %d", f.Format, FileFormat)
	}
	if f.Channel == "" {
		return File{}, where.Errorf("channel", "a calibration file names its channel")
	}
	for i, r := range f.Records {
		path := fmt.Sprintf("record.%d", i)
		switch {
		case r.By == "" || r.At.IsZero():
			return File{}, where.Errorf(path, "a calibration record says who did it and when: by = \"...\", at = 2026-01-05T07:00:00Z")
		case !r.Line.Known():
			return File{}, where.Errorf(path+".line", "this line is no calibration: span must be a number other than 0")
		case !finite(r.Residual, r.KFactor):
			return File{}, where.Errorf(path, "residual and k_factor must be numbers")
		case i > 0 && r.At.Before(f.Records[i-1].At):
			return File{}, where.Errorf(path+".at", "records stand in the order in which they were made: this one is older than the one before it")
		}
	}
	return f, nil
}

// Add returns the file with one more record; nothing is overwritten.
func (f File) Add(r Record) (File, error) {
	f.Records = append(f.Records[:len(f.Records):len(f.Records)], r)
	f.Format = FileFormat
	data, err := Format(f)
	if err != nil {
		return File{}, err
	}
	return Parse(f.Channel, data) // whatever could not be read back is not written
}

// Format writes a calibration file.
func Format(f File) ([]byte, error) {
	var b bytes.Buffer
	b.WriteString("# Calibrations of one channel, oldest first; the last one is in force.\n")
	b.WriteString("# value = (signal - zero) * span - tare. Written by 'decktrim-edge calibrate'.\n")
	if err := toml.NewEncoder(&b).Encode(f); err != nil {
		return nil, fmt.Errorf("calib: %w", err)
	}
	return b.Bytes(), nil
}
