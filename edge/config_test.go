package edge

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const plantText = `[plant]
name = "Larkspur mill"
timezone = "America/Boise"
[[channel]]
name = "feed_rate"
role = "feed_rate"
unit = "t/h"
range = [0.0, 4.0]
signal = "4-20mA"
[[channel]]
name = "wash_water"
role = "wash_water"
unit = "L/min"
range = [0.0, 100.0]
signal = "pulse"
[[channel]]
name = "pond"
role = "pond_level"
unit = "m"
range = [0.0, 3.0]
signal = "4-20mA"
node = "larkspur/pond"
`

const edgeText = `[node]
id = "mill"
group = "larkspur"
plant = "plant.toml"
[mqtt]
url = "tcp://127.0.0.1:1883"
[spool]
dir = "spool"
[[bus]]
name = "main"
kind = "simulated"
seed = 7
`

// files writes edge.toml and its plant file into a folder of their own.
func files(t testing.TB, edgeToml string) (path string) {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "plant.toml"), []byte(plantText), 0o600))
	path = filepath.Join(dir, "edge.toml")
	require.NoError(t, os.WriteFile(path, []byte(edgeToml), 0o600))
	return path
}

func TestConfigDefaults(t *testing.T) {
	path := files(t, edgeText)
	c, err := LoadConfig(path)
	require.NoError(t, err)
	require.Equal(t, time.Second, time.Duration(c.Sample.Period))
	require.Equal(t, 2*time.Second, time.Duration(c.Spool.SyncEvery))
	require.Equal(t, "system", c.Clock.Trust)
	require.Equal(t, filepath.Join(filepath.Dir(path), "spool"), c.Spool.Dir, "relative to the file")
	require.Len(t, c.Plant.Channels, 2, "the pond's channel is another node's")
	c, err = ParseConfig(path, []byte(strings.Replace(edgeText, "[[bus]]", "sync_every = \"500ms\"\n[sample]\nperiod = \"100ms\"\n[clock]\ntrust = \"synchronised\"\n[[bus]]", 1)))
	require.NoError(t, err)
	require.Equal(t, 100*time.Millisecond, time.Duration(c.Sample.Period))
	require.Equal(t, 500*time.Millisecond, time.Duration(c.Spool.SyncEvery))
}

func TestConfigFaultsHavePlaceAndWords(t *testing.T) {
	replace := func(old, new string) string {
		require.Contains(t, edgeText, old)
		return strings.Replace(edgeText, old, new, 1)
	}
	sensor := func(lines string) string { return edgeText + "[[sensor]]\n" + lines }
	for _, tc := range []struct {
		name, text string
		at         string // line:column, "" if the file as a whole
		want       []string
	}{
		{"empty", "", "", []string{"node.id is missing"}},
		{"not toml", "[node\n", "1:6", nil},
		{"unknown key", replace("id =", "idd ="), "2:1", []string{`did you mean "id"`}},
		{"unknown table", edgeText + "[spol]\n", "13:2", []string{`did you mean "spool"`}},
		{"wrong type", replace(`id = "mill"`, "id = 3"), "2:6", []string{"node.id"}},
		{"no group", replace("group = \"larkspur\"\n", ""), "1:2", []string{"node.group is missing", "group ="}},
		{"illegal id", replace(`id = "mill"`, `id = "mill/1"`), "2:1", []string{"without '/'"}},
		{"no plant", replace(`"plant.toml"`, `"plan.toml"`), "4:1", []string{"cannot be read", "plan.toml"}},
		{"no scheme", replace("tcp://", ""), "6:1", []string{"write tcp://"}},
		{"strange scheme", replace("tcp://", "http://"), "6:1", []string{"write tcp://"}},
		{"tls without files", replace("tcp://", "ssl://"), "6:1", []string{"mqtt.ca is missing", "enrol"}},
		{"small spool", replace(`dir = "spool"`, "dir = \"spool\"\nmax_bytes = 1000"), "9:1", []string{"too small"}},
		{"bytes below nothing", replace(`dir = "spool"`, "dir = \"spool\"\nmax_bytes = -1"), "9:1", []string{"too small"}},
		{"no duration", edgeText + "[sample]\nperiod = \"1\"\n", "14:10", []string{"is not a length of time"}},
		{"period too short", edgeText + "[sample]\nperiod = \"1ms\"\n", "14:1", []string{"outside 100ms to 1m0s"}},
		{"period of nothing", edgeText + "[sample]\nperiod = \"0s\"\n", "14:1", []string{"outside"}},
		{"trust", edgeText + "[clock]\ntrust = \"ntp\"\n", "14:1", []string{"synchronised"}},
		{"horn without lines", edgeText + "[horn]\npath = \"/dev/gpiochip0\"\n", "13:2", []string{"relays"}},
		{"horn of no kind", edgeText + "[horn]\nkind = \"simulate\"\n", "14:1", []string{`did you mean "simulated"`}},
		{"no bus", strings.Split(edgeText, "[[bus]]")[0], "", []string{"no [[bus]]"}},
		{"bus without name", replace("name = \"main\"\n", ""), "9:3", []string{"has no name"}},
		{"bus of no kind", replace("simulated", "simulatd"), "11:1", []string{`did you mean "simulated"`}},
		{"two of a name", edgeText + "[[bus]]\nname = \"main\"\nkind = \"i2c\"\npath = \"/dev/i2c-1\"\n", "14:1", []string{"twice"}},
		{"sensor on no bus", sensor("channel = \"feed_rate\"\nbus = \"mian\"\nchip = \"ads1115\"\n"), "15:1", []string{`did you mean "main"`}},
		{"sensor of no channel", sensor("channel = \"feed_rat\"\nbus = \"main\"\nchip = \"ads1115\"\n"), "14:1", []string{`did you mean "feed_rate"`}},
		{"sensor of another node's channel", sensor("channel = \"pond\"\nbus = \"main\"\nchip = \"ads1115\"\n"), "14:1", []string{"known here: feed_rate, wash_water"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			path := files(t, tc.text)
			_, err := LoadConfig(path)
			require.Error(t, err)
			if tc.at != "" {
				require.Contains(t, err.Error(), path+":"+tc.at+": ")
			} else {
				require.Contains(t, err.Error(), path+": ")
			}
			for _, w := range tc.want {
				require.Contains(t, err.Error(), w)
			}
			require.NotContains(t, err.Error(), "\n", "one sentence")
		})
	}
}

func TestConfigOfAPlantFileWithFaults(t *testing.T) {
	path := files(t, edgeText)
	bad := filepath.Join(filepath.Dir(path), "plant.toml")
	require.NoError(t, os.WriteFile(bad, []byte(strings.Replace(plantText, "unit =", "unti =", 1)), 0o600))
	_, err := LoadConfig(path)
	require.ErrorContains(t, err, bad+":7:1: ", "the place in the plant file")
	require.NoError(t, os.WriteFile(bad, []byte("[plant]\nname = \"x\"\n"), 0o600))
	_, err = LoadConfig(path)
	require.ErrorContains(t, err, "no [[channel]] for node larkspur/mill")
}

func FuzzParseConfig(f *testing.F) {
	f.Add(edgeText)
	f.Add(edgeText + "[[sensor]]\nchannel = \"feed_rate\"\n")
	path := files(f, edgeText)
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseConfig(path, []byte(text))
		if err == nil {
			require.NotEmpty(t, c.Node.ID)
			require.NotEmpty(t, c.Plant.Channels)
		}
	})
}
