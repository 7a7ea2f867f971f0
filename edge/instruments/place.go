package instruments

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"decktrim/edge/calib"
	"decktrim/internal/plant"
)

// Place is where a channel's calibration stands.
type Place struct {
	Channel plant.Channel
	Chip    string
	Line    calib.Line // in force; not Known: none yet
	File    string     // resolved path; empty: the board file names none
	History calib.File // what the file holds so far
}

// Place finds the calibration of a channel of this board.
func (s *Set) Place(channel string) (Place, error) {
	i := s.opts.Plant.ChannelIndex(channel)
	if i < 0 {
		var known []string
		for _, c := range s.opts.Plant.Channels {
			known = append(known, c.Name)
		}
		return Place{}, unknownWord(s.opts.Plant.File, "channel", channel, known)
	}
	if s.fields[i] == nil || s.fields[i].slot == nil {
		return Place{}, fmt.Errorf("channel %q is not measured by this board: there is nothing to calibrate", channel)
	}
	r := s.fields[i].read
	p := Place{Channel: r.ch, Chip: r.cfg.Chip, Line: r.line, History: calib.File{Format: calib.FileFormat, Channel: r.ch.Name, Unit: r.ch.Unit}}
	if r.cfg.CalibrationFile == "" {
		return p, nil
	}
	p.File = r.cfg.CalibrationFile
	if !filepath.IsAbs(p.File) {
		p.File = filepath.Join(s.opts.Dir, p.File)
	}
	data, err := os.ReadFile(p.File)
	if errors.Is(err, os.ErrNotExist) {
		return p, nil
	}
	if err != nil {
		return p, err
	}
	p.History, err = calib.Parse(p.File, data)
	return p, err
}

// Save adds a record to the channel's file. The file is written beside, synced and
// renamed, and the folder synced: a power cut leaves the old file or the new one.
func (p Place) Save(r calib.Record) error {
	if p.File == "" {
		return fmt.Errorf("the sensor of channel %q names no file for its calibration: add calibration_file = \"%s.calibration.toml\" to its [[sensor]]", p.Channel.Name, p.Channel.Name)
	}
	f, err := p.History.Add(r)
	if err != nil {
		return err
	}
	data, err := calib.Format(f)
	if err != nil {
		return err
	}
	if err := replace(p.File, data); err != nil {
		return fmt.Errorf("the calibration of %q could not be written: %w", p.Channel.Name, err)
	}
	return nil
}

func replace(path string, data []byte) error {
	dir := filepath.Dir(path)
	tmp, err := os.CreateTemp(dir, ".calibration-*")
	if err != nil {
		return err
	}
	_, err = tmp.Write(data)
	if err == nil {
		err = tmp.Chmod(0o644)
	}
	if err == nil {
		err = tmp.Sync()
	}
	err = errors.Join(err, tmp.Close())
	if err == nil {
		err = os.Rename(tmp.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(tmp.Name()))
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
