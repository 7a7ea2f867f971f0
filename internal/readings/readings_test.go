package readings_test

import (
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/plant"
	"decktrim/internal/readings"
)

const plantFile = `[plant]
name = "Larkspur mill"
[[channel]]
name = "feed_rate"
unit = "t/h"
range = [0.0, 4.0]
[[channel]]
name = "mill_current"
unit = "A"
range = [0.0, 100.0]
[[channel]]
name = "wash_water"
unit = "L/min"
range = [0.0, 90.0]
`

func open(t testing.TB, text string) (*readings.Reader, error) {
	p, err := plant.Parse("plant.toml", []byte(plantFile))
	require.NoError(t, err)
	return readings.NewReader("r.csv", strings.NewReader(text), p)
}

func all(t testing.TB, text string) (frames []plant.Frame, r *readings.Reader, err error) {
	if r, err = open(t, text); err != nil {
		return nil, nil, err
	}
	for {
		f, err := r.Next()
		if errors.Is(err, io.EOF) {
			return frames, r, nil
		}
		if err != nil {
			return frames, r, err
		}
		frames = append(frames, f)
	}
}

func TestRows(t *testing.T) {
	frames, r, err := all(t, "\xef\xbb\xbftime,wash_water,feed_rate\r\n2026-01-05T07:00:00Z,45.5,\r\n2026-01-05T00:00:01.5-07:00,NaN,2\r\n")
	require.NoError(t, err)
	// The plant file's order, whatever the columns'; a channel without a column is not there.
	require.Len(t, r.Plant().Channels, 2)
	require.Equal(t, "feed_rate", r.Plant().Channels[0].Name)
	require.Equal(t, plant.Reading{Reason: plant.Missing}, frames[0].Readings[0])
	require.Equal(t, plant.Reading{Value: 45.5, Has: true, Quality: plant.Good}, frames[0].Readings[1])
	require.Equal(t, time.Date(2026, 1, 5, 7, 0, 1, 5e8, time.UTC), frames[1].Time)
	require.False(t, frames[1].Readings[1].Has, "NaN is no value")
}

func TestWrongFilesAreRefused(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"empty":          {"", "r.csv:1:1: the file is empty"},
		"no time":        {"when,feed_rate\n", `r.csv:1:1: the first column is "when"`},
		"unknown column": {"time,feed_rat\n", `r.csv:1:6: column "feed_rat" is no channel of plant.toml; did you mean "feed_rate"?`},
		"column twice":   {"time,feed_rate,feed_rate\n", `r.csv:1:16: column "feed_rate" stands twice`},
		"bad time":       {"time,feed_rate\n05.01.2026,1\n", `r.csv:2:1: time "05.01.2026" is not RFC 3339`},
		"word":           {"time,feed_rate\n2026-01-05T07:00:00Z,n.s.\n", `r.csv:2:22: "n.s." is not a number`},
		"hexadecimal":    {"time,feed_rate\n2026-01-05T07:00:00Z,0x1p1\n", `r.csv:2:22: "0x1p1" is not a number`},
		"short row":      {"time,feed_rate,mill_current\n2026-01-05T07:00:00Z,1\n", "r.csv:2:1: the row has 2 fields and the heading 3"},
		"open quote":     {"time,feed_rate\n\"2026,1\n", "r.csv:"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := all(t, c.text)
			require.ErrorContains(t, err, c.want)
			require.NotContains(t, err.Error(), "\n")
		})
	}
}

func FuzzReader(f *testing.F) {
	f.Add("time,feed_rate\n2026-01-05T07:00:00Z,1\n")
	f.Add("time,wash_water,feed_rate\n2026-01-05T07:00:00Z,,1e999\n")
	f.Fuzz(func(t *testing.T, text string) {
		frames, r, err := all(t, text)
		if err == nil {
			for _, fr := range frames {
				require.Len(t, fr.Readings, len(r.Plant().Channels))
			}
		}
	})
}
