package runs

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var settings = []string{"wash_water", "deck_tilt"}

const good = "\ufeffrun,ore_source,lot,block,start,wash_water,deck_tilt,recovery,recovery_se,concentrate_grade,concentrate_grade_se,status,due,splitter_rule,products_counted,sampled_kg,note,weather\r\n" +
	"1,Dunlin Lode,L1,B1,2026-01-05T07:00:00Z,45,2.0,71.2,1.5,436,20,,,fixed,concentrate_1+concentrate_2,10,,dry\r\n" +
	"2,Dunlin Lode,L1,B1,2026-01-05,47,2.0,,,,,waiting,2026-03-09,fixed,concentrate_2 concentrate_1,,\"late, again\",wet\r\n" +
	",,,,,,,,,,,,,,,,,\r\n" +
	"3,Quillback Reef,,,,49,2.5,140,,,,void,,,,,spilt,\r\n"

func TestParse(t *testing.T) {
	got, err := Parse("runs.csv", strings.NewReader(good), settings, nil)
	require.NoError(t, err)
	require.Len(t, got, 3)
	require.Equal(t, 71.2, *got[0].Recovery)
	require.Equal(t, map[string]float64{"wash_water": 45, "deck_tilt": 2}, got[0].Settings)
	require.Equal(t, []string{"concentrate_2", "concentrate_1"}, got[1].ProductsCounted)
	require.Equal(t, Waiting, got[1].Status)
	require.Nil(t, got[1].Recovery)
	require.Equal(t, time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC), got[1].Start)
	require.Equal(t, "wet", got[1].Extra["weather"])
	require.Equal(t, Void, got[2].Status)
	require.Equal(t, "spilt", got[2].Note)
	require.Equal(t, "runs.csv:5:28", got[2].Where("recovery"))
	require.Equal(t, "run 9", Run{ID: "9"}.Where("recovery"))

	var out bytes.Buffer
	require.NoError(t, Write(&out, settings, got))
	again, err := Parse("runs.csv", &out, settings, nil)
	require.NoError(t, err)
	require.Equal(t, facts(got), facts(again))
}

// facts leaves out where a run was read.
func facts(all []Run) []Run {
	out := append([]Run(nil), all...)
	for i := range out {
		out[i].Line, out[i].file, out[i].columns = 0, "", nil
		out[i].Start = out[i].Start.UTC()
	}
	return out
}

func TestParseRefuses(t *testing.T) {
	const head = "run,ore_source,wash_water,deck_tilt,recovery,recovery_se,status,start\n"
	for name, c := range map[string]struct{ text, want string }{
		"empty":              {"", `runs.csv:1:1: the file is empty`},
		"no recovery column": {"run,ore_source,wash_water,deck_tilt\n", `runs.csv:1:1: there is no column "recovery"`},
		"no setting column":  {"run,ore_source,wash_water,recovery\n", `runs.csv:1:1: there is no column "deck_tilt"`},
		"column twice":       {"run,ore_source,wash_water,deck_tilt,recovery,run\n", `runs.csv:1:46: column "run" stands twice`},
		"semicolons":         {"run;ore_source;wash_water\n", `separated by semicolons`},
		"word":               {head + "1,Dunlin Lode,45,2,n.s.,,,\n", `runs.csv:2:20: recovery "n.s." is not a number`},
		"decimal comma":      {head + "1,Dunlin Lode,45,2,\"71,2\",,,\n", `runs.csv:2:20: recovery "71,2" has a decimal comma: write a point`},
		"too many fields":    {head + "1,Dunlin Lode,45,2,71,2,,,\n", `the row has 9 fields and the first line 8`},
		"too few fields":     {head + "1,Dunlin Lode,45\n", `the row has 3 fields`},
		"underscore":         {head + "1,Dunlin Lode,4_5,2,71,,,\n", `runs.csv:2:15: wash_water "4_5" is not a number`},
		"hexadecimal":        {head + "1,Dunlin Lode,0x1p5,2,71,,,\n", `runs.csv:2:15: wash_water "0x1p5" is not a number`},
		"nan":                {head + "1,Dunlin Lode,45,NaN,71,,,\n", `runs.csv:2:18: deck_tilt "NaN"`},
		"infinite":           {head + "1,Dunlin Lode,45,2,inf,,,\n", `recovery "inf"`},
		"zero error":         {head + "1,Dunlin Lode,45,2,71,0,,\n", `runs.csv:2:23: recovery_se is 0 and must be above 0`},
		"no setting":         {head + "1,Dunlin Lode,,2,71,,,\n", `runs.csv:2:15: run 1 has no wash_water`},
		"no result":          {head + "1,Dunlin Lode,45,2,,,,\n", `run 1 has no recovery: write it, or the status waiting or void`},
		"waiting yet there":  {head + "1,Dunlin Lode,45,2,71,,waiting,\n", `run 1 is waiting and has a recovery`},
		"status":             {head + "1,Dunlin Lode,45,2,71,,lost,\n", `runs.csv:2:24: status "lost" is not known`},
		"no name":            {head + ",Dunlin Lode,45,2,71,,,\n", `runs.csv:2:1: the run has no name`},
		"no source":          {head + "1,,45,2,71,,,\n", `runs.csv:2:3: run 1 has no ore source`},
		"twice":              {head + "1,Dunlin Lode,45,2,71,,,\n1,Dunlin Lode,45,2,71,,,\n", `runs.csv:3:1: run "1" stands already in line 2`},
		"time":               {head + "1,Dunlin Lode,45,2,71,,,yesterday\n", `start "yesterday" is not a time`},
		"quotes":             {head + "1,\"Dunlin\" Lode,45,2,71,,,\n", `runs.csv:2:`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse("runs.csv", strings.NewReader(c.text), settings, nil)
			require.ErrorContains(t, err, c.want)
			require.NotContains(t, err.Error(), "\n")
		})
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte("run,ore_source,wash_water,deck_tilt,recovery\n1,a,1e308,-0,0x1p-2\n"))
	f.Add([]byte("run,ore_source,wash_water,deck_tilt,recovery\n\"1\n2\",a,1,2,3\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := Parse("runs.csv", bytes.NewReader(data), settings, nil)
		if err != nil {
			return
		}
		var out bytes.Buffer
		require.NoError(t, Write(&out, settings, got))
		again, err := Parse("runs.csv", &out, settings, nil)
		require.NoError(t, err, out.String())
		require.Len(t, again, len(got))
		for i := range got {
			require.Equal(t, got[i].Settings, again[i].Settings)
			require.Equal(t, got[i].Recovery, again[i].Recovery)
			require.Equal(t, got[i].Status, again[i].Status)
		}
	})
}
