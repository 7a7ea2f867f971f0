package plant_test

import (
	"fmt"
	"io/fs"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	firmwareconfig "decktrim/firmware-config"
	"decktrim/internal/plant"
)

const settingsOnly = `[plant]
name = "Larkspur mill"
timezone = "America/Boise"
shifts = ["06:00", "18:00"]
[[setting]]
name = "wash_water"
unit = "L/min"
min = 20.0
max = 90.0
max_move = 8.0
resolution = 1.0
[objective]
maximise = "recovery"
`

const channelsOnly = `[plant]
name = "Larkspur mill"
[[channel]]
name = "feed_rate"
role = "feed_rate"
unit = "t/h"
range = [0.0, 4.0]
signal = "4-20mA"
`

func TestReadyPlantFilesAreRight(t *testing.T) {
	files, err := fs.Glob(firmwareconfig.Plants, "plants/*-plant.toml")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 5, "small and larger line, each mine and toll mill, and the demo's")
	for _, file := range files {
		data, err := fs.ReadFile(firmwareconfig.Plants, file)
		require.NoError(t, err)
		p, err := plant.Parse(file, data)
		require.NoError(t, err)
		require.NotNil(t, p.Site, file)
		require.NotEmpty(t, p.Settings, file)
		require.NotEmpty(t, p.Channels, file)
		for _, s := range p.Settings {
			require.NotNil(t, s.Present, "%s: %s", file, s.Name)
			require.GreaterOrEqual(t, *s.Present, s.Min)
			require.LessOrEqual(t, *s.Present, s.Max)
		}
		feed, ok := p.ChannelByRole(plant.FeedRate)
		require.True(t, ok)
		require.Equal(t, "Belt/feed_rate", feed.MetricName())
	}
}

func TestPartsAreEnough(t *testing.T) {
	p, err := plant.Parse("plant.toml", []byte(settingsOnly))
	require.NoError(t, err)
	require.Equal(t, "America/Boise", p.Location.String())
	require.Equal(t, []string{"concentrate_1", "concentrate_2"}, p.Objective.ProductsCounted)
	require.Equal(t, 0.05, p.Objective.RiskTolerated)

	p, err = plant.Parse("plant.toml", []byte(channelsOnly))
	require.NoError(t, err)
	require.Equal(t, plant.Loop420, p.Channels[0].Signal)
	require.Equal(t, "UTC", p.Location.String())
}

// A file that gives no max_move must not let advice leap over the whole range.
func TestMaxMoveThatIsNotGiven(t *testing.T) {
	p, err := plant.Parse("plant.toml", []byte(strings.Replace(settingsOnly, "max_move = 8.0\n", "", 1)))
	require.NoError(t, err)
	require.InDelta(t, 7.0, p.Settings[0].MaxMove, 1e-9)
	p, err = plant.Parse("plant.toml", []byte(strings.NewReplacer("max_move = 8.0\n", "", "resolution = 1.0", "resolution = 35.0").Replace(settingsOnly)))
	require.NoError(t, err)
	require.Equal(t, 35.0, p.Settings[0].MaxMove)
}

// A plant may name the set-point of a channel that it does not record.
func TestSetpointThatIsNotRecorded(t *testing.T) {
	p, err := plant.Parse("plant.toml", []byte(channelsOnly+"setpoint = \"feed_setpoint\"\n"))
	require.NoError(t, err)
	require.Equal(t, "feed_setpoint", p.Channels[0].Setpoint)
}

// Each wrong file is refused with file, line, column and what to do.
func TestWrongFilesAreRefused(t *testing.T) {
	for _, c := range []struct{ name, base, old, new, at, say string }{
		{"unknown key", settingsOnly, "max_move", "max_mov", "10:1", `did you mean "max_move"?`},
		{"unknown table", settingsOnly, "[objective]", "[objectiv]", "12:2", `did you mean "objective"?`},
		{"wrong type", settingsOnly, "min = 20.0", `min = "20"`, "8:7", "min"},
		{"not toml", settingsOnly, "min = 20.0", "min == 20.0", "8:6", ""},
		{"decimal comma", settingsOnly, "min = 20.0", "min = 20,0", "8:9", ""},
		{"no name", settingsOnly, `name = "Larkspur mill"`, `name = " "`, "2:1", "no name"},
		{"no zone such", settingsOnly, "America/Boise", "America/Nowhere", "3:1", "IANA"},
		{"bad shift", settingsOnly, "18:00", "6pm", "4:1", "06:00"},
		{"max below min", settingsOnly, "max = 90.0", "max = 10.0", "9:1", "not above min"},
		{"min missing", settingsOnly, "min = 20.0\n", "", "5:3", "has no min"},
		{"nan", settingsOnly, "max = 90.0", "max = nan", "9:1", "not a finite number"},
		{"resolution too large", settingsOnly, "resolution = 1.0", "resolution = 100.0", "11:1", "larger than"},
		{"unknown unit", settingsOnly, `"L/min"`, `"l/mn"`, "7:1", "not known"},
		{"unknown objective", settingsOnly, `"recovery"`, `"recoveries"`, "13:1", "use one of"},
		{"value without price", settingsOnly, `"recovery"`, `"value"`, "13:1", "metal_price"},
		{"unknown role", channelsOnly, `role = "feed_rate"`, `role = "feed_rat"`, "5:1", `did you mean "feed_rate"?`},
		{"unit of another quantity", channelsOnly, `"t/h"`, `"kg"`, "6:1", "measured in t/h"},
		{"range falls", channelsOnly, "[0.0, 4.0]", "[4.0, 0.0]", "7:1", "must rise"},
		{"no range", channelsOnly, "range = [0.0, 4.0]\n", "", "3:3", "no range"},
		{"unknown signal", channelsOnly, "4-20mA", "0-20mA", "8:1", "use one of"},
		{"unknown setpoint", channelsOnly, `signal = "4-20mA"`, `setpoint = "x"`, "8:1", "no other channel"},
		{"its own setpoint", channelsOnly, `signal = "4-20mA"`, `setpoint = "feed_rate"`, "8:1", "its own setpoint"},
		{"mistyped setpoint", channelsOnly, `signal = "4-20mA"`, "setpoint = \"feed_sp\"\n[[channel]]\nname = \"feed_set\"\nunit = \"t/h\"\nrange = [0.0, 4.0]", "8:1", `did you mean "feed_set"?`},
		{"channel twice", channelsOnly, "[[channel]]", "[[channel]]\nname = \"feed_rate\"\nunit = \"t/h\"\nrange = [0.0, 1.0]\n[[channel]]", "8:1", "stands twice"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Contains(t, c.base, c.old, "the case must change something")
			_, err := plant.Parse("plant.toml", []byte(strings.Replace(c.base, c.old, c.new, 1)))
			require.Error(t, err)
			require.True(t, strings.HasPrefix(err.Error(), "plant.toml:"+c.at+":"), err.Error())
			require.Contains(t, err.Error(), c.say)
			require.NotContains(t, err.Error(), "\n")
		})
	}
}

func TestWholeTableMissing(t *testing.T) {
	_, err := plant.Parse("plant.toml", nil)
	require.ErrorContains(t, err, "[plant]")
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(settingsOnly))
	f.Add([]byte(channelsOnly))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := plant.Parse("plant.toml", data)
		if err != nil {
			require.NotContains(t, err.Error(), "\n")
			return
		}
		for _, s := range p.Settings {
			require.Less(t, s.Min, s.Max, fmt.Sprint(s))
		}
	})
}
