// Package readings reads recorded readings (readings.csv): first column time
// (RFC 3339), then one column per channel of the plant file, in its unit. An empty
// field is a missing reading. Rows come as they are: doubled, late or out of order
// is for the watch to judge.
package readings

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"decktrim/internal/plant"
	"decktrim/internal/sheet"
	"decktrim/internal/tomlfile"
)

// Reader gives one frame a row.
type Reader struct {
	csv     *sheet.Reader
	plant   *plant.Plant
	columns []int // channel index of each column after time
}

// NewReader reads the heading. A channel of the plant file that has no column is not
// there at all, which is another thing than a missing reading: Plant gives the plant
// with the recorded channels alone.
func NewReader(name string, r io.Reader, p *plant.Plant) (*Reader, error) {
	c := sheet.NewReader(name, r)
	c.ReuseRecord = true
	c.TrimLeadingSpace = true
	head, err := c.Read()
	if errors.Is(err, io.EOF) {
		return nil, &sheet.Error{File: name, Line: 1, Column: 1, Text: "the file is empty; the first row must name the columns: time, then channels of the plant file"}
	}
	if err != nil {
		return nil, err
	}
	if head[0] != "time" {
		return nil, c.Errorf(0, "the first column is %q; it must be time", head[0])
	}
	known := make([]string, len(p.Channels))
	for i, ch := range p.Channels {
		known[i] = ch.Name
	}
	recorded := *p
	recorded.Channels = nil
	taken := map[string]bool{}
	for i, column := range head[1:] {
		k := p.ChannelIndex(column)
		if k < 0 {
			text := fmt.Sprintf("column %q is no channel of %s", column, p.File)
			if near, ok := tomlfile.Nearest(column, known); ok {
				text += fmt.Sprintf("; did you mean %q?", near)
			}
			return nil, c.Errorf(i+1, "%s", text)
		}
		if taken[column] {
			return nil, c.Errorf(i+1, "column %q stands twice; name each channel once", column)
		}
		taken[column] = true
	}
	rd := &Reader{csv: c, plant: &recorded, columns: make([]int, len(head)-1)}
	for _, ch := range p.Channels { // the plant file's order, whatever the columns'
		for i, column := range head[1:] {
			if column == ch.Name {
				rd.columns[i] = len(recorded.Channels)
				recorded.Channels = append(recorded.Channels, ch)
			}
		}
	}
	// What speaks of a channel that was not recorded falls away with it.
	recorded.Alarms = nil
	for _, a := range p.Alarms {
		if taken[a.Channel] {
			recorded.Alarms = append(recorded.Alarms, a)
		}
	}
	return rd, nil
}

// Plant is the plant file with the recorded channels alone.
func (r *Reader) Plant() *plant.Plant { return r.plant }

// Next gives the next row as a frame, or io.EOF. NaN and infinite readings are
// missing; a word is an error.
func (r *Reader) Next() (plant.Frame, error) {
	row, err := r.csv.Read()
	if err != nil {
		return plant.Frame{}, err
	}
	if len(row) != len(r.columns)+1 {
		return plant.Frame{}, r.csv.Errorf(0, "the row has %d fields and the heading %d; leave a field empty where there is no reading", len(row), len(r.columns)+1)
	}
	at, err := time.Parse(time.RFC3339Nano, row[0])
	if err != nil {
		return plant.Frame{}, r.csv.Errorf(0, "time %q is not RFC 3339; write it as 2026-01-05T07:00:00Z", row[0])
	}
	f := plant.Frame{Time: at.UTC(), ClockSet: true, Readings: make([]plant.Reading, len(r.plant.Channels))}
	for i := range f.Readings {
		f.Readings[i].Reason = plant.Missing
	}
	for i, text := range row[1:] {
		if text == "" {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if (err != nil && !math.IsInf(v, 0)) || strings.ContainsAny(text, "_xX") {
			return plant.Frame{}, r.csv.Errorf(i+1, "%q is not a number; leave the field empty where there is no reading", text)
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		f.Readings[r.columns[i]] = plant.Reading{Value: v, Has: true, Quality: plant.Good}
	}
	return f, nil
}
