package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/calib"
	"decktrim/internal/cli"
)

// board writes a board's file with a simulated bus that holds two inputs, one
// calibrated by file and one by K-factor, and returns its path.
func board(t *testing.T, holdKg string) string {
	t.Helper()
	dir := t.TempDir()
	data, err := os.ReadFile("../../firmware-config/plants/larkspur-plant.toml")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "plant.toml"), data, 0o644))
	file := filepath.Join(dir, "edge.toml")
	text := strings.ReplaceAll(`[node]
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
hold = { bin_weight = KG, wash_water = 45.0 }
[[sensor]]
channel = "bin_weight"
chip = "nau7802"
bus = "main"
calibration_file = "bin.toml"
[[sensor]]
channel = "wash_water"
chip = "pulse"
bus = "main"
pin = "17"
calibration_file = "wash.toml"
`, "KG", holdKg)
	require.NoError(t, os.WriteFile(file, []byte(text), 0o644))
	return file
}

// say runs the program with words and answers and returns exit code and output.
func say(t *testing.T, answers io.Reader, words ...string) (int, string, string) {
	t.Helper()
	var out, errs bytes.Buffer
	root := newRoot()
	root.SetIn(answers)
	code := cli.Run(t.Context(), root, words, &out, &errs)
	return code, out.String(), errs.String()
}

func current(t *testing.T, file string) calib.File {
	t.Helper()
	data, err := os.ReadFile(file)
	require.NoError(t, err)
	f, err := calib.Parse(file, data)
	require.NoError(t, err)
	return f
}

func TestSpanTareAndCheck(t *testing.T) {
	t.Parallel()
	file := board(t, "500.0")
	bin := filepath.Join(filepath.Dir(file), "bin.toml")

	code, _, errs := say(t, nil, "calibrate", "tare", "--config", file, "--channel", "bin_weight", "--by", "technician", "--yes")
	require.Equal(t, cli.BadInput, code)
	require.Contains(t, errs, "no span yet")

	code, _, errs = say(t, nil, "calibrate", "span", "--config", file, "--channel", "bin_weight", "--by", "technician", "--yes", "--point", "500")
	require.Equal(t, cli.BadInput, code)
	require.Contains(t, errs, "needs two loads")

	// A first record as a technician's two loads would have made it.
	first := calib.Record{Method: calib.MethodSpan, By: "technician", At: time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC), Line: calib.Line{Zero: 300000, Span: 0.004}}
	f, err := calib.File{Channel: "bin_weight", Unit: "kg"}.Add(first)
	require.NoError(t, err)
	data, err := calib.Format(f)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(bin, data, 0o644))

	// The simulated cell follows the line in force, so a known load of 480 kg that
	// reads 500 moves the span by 480/500.
	code, out, errs := say(t, strings.NewReader("\n"), "calibrate", "span", "--config", file, "--channel", "bin_weight", "--by", "technician", "--point", "480", "--seconds", "2")
	require.Equal(t, cli.Done, code, errs)
	require.Contains(t, out, "Put 480 kg on bin_weight")
	got := current(t, bin)
	require.Len(t, got.Records, 2, "the first record stays")
	require.InDelta(t, 0.004*480/500, got.Records[1].Line.Span, 1e-6)
	require.Equal(t, "technician", got.Records[1].By)
	require.Len(t, got.Records[1].Points, 1)
	require.InDelta(t, 2, got.Records[1].Points[0].Seconds, 0.2)

	code, _, errs = say(t, strings.NewReader("\n"), "calibrate", "tare", "--config", file, "--channel", "bin_weight", "--by", "technician", "--seconds", "2")
	require.Equal(t, cli.Done, code, errs)
	now, _ := current(t, bin).Current()
	require.InDelta(t, 500, now.Line.Tare, 0.5)

	code, out, errs = say(t, nil, "check", "--config", file)
	require.Equal(t, cli.Done, code, errs)
	require.Contains(t, out, "2 devices answer")
	require.Contains(t, out, "channel feed_rate has no sensor")
	require.Contains(t, out, "wash_water: signal")
}

func TestKFactor(t *testing.T) {
	t.Parallel()
	file := board(t, "0.0")
	wash := filepath.Join(filepath.Dir(file), "wash.toml")
	words := func(more ...string) []string {
		return append([]string{"calibrate", "k-factor", "--config", file, "--channel", "wash_water", "--by", "technician"}, more...)
	}
	for _, tc := range []struct {
		name  string
		words []string
		want  string
	}{
		{"short", []string{"--check", "4500,10,9.5"}, "too short"},
		{"scatter", []string{"--check", "4500,10,15", "--check", "4900,10,15"}, "do not agree"},
		{"no number", []string{"--check", "4500,ten,15"}, `"ten" is no number`},
		{"two figures", []string{"--check", "4500,10"}, "pulses,quantity,seconds"},
		{"nothing", nil, "--quantity"},
	} {
		code, _, errs := say(t, nil, words(tc.words...)...)
		require.Equal(t, cli.BadInput, code, tc.name)
		require.Contains(t, errs, tc.want, tc.name)
		require.NoFileExists(t, wash)
	}
	code, out, errs := say(t, nil, words("--check", "27000,60,90")...) // check value FL-02
	require.Equal(t, cli.Done, code, errs)
	require.Contains(t, out, "K-factor 450")
	rec, ok := current(t, wash).Current()
	require.True(t, ok)
	require.Equal(t, 450.0, rec.KFactor)
	require.InDelta(t, 60.0/450, rec.Line.Span, 1e-12)

	code, _, errs = say(t, nil, words("--check", "4400,10,9.5", "--reason", "small bucket")...)
	require.Equal(t, cli.Done, code, errs)
	rec, _ = current(t, wash).Current()
	require.Equal(t, "small bucket", rec.Reason)

	// Counted live: 45 L/min at 440 a litre is 330 Hz; Enter after about a second.
	r, w := io.Pipe()
	go func() {
		io.WriteString(w, "\n")
		time.Sleep(1200 * time.Millisecond)
		io.WriteString(w, "\n")
		w.Close()
	}()
	code, out, errs = say(t, r, words("--quantity", "0.9", "--reason", "a trial of the words")...)
	require.Equal(t, cli.Done, code, errs+out)
	rec, _ = current(t, wash).Current()
	p := rec.Points[0]
	require.InEpsilon(t, 330, p.Signal, 0.02, "pulses a second")
	require.Greater(t, p.Seconds, 1.0)
	require.Len(t, current(t, wash).Records, 3)
}

func TestWordsThatAreWrong(t *testing.T) {
	t.Parallel()
	file := board(t, "0.0")
	for _, tc := range []struct {
		words []string
		want  string
	}{
		{[]string{"calibrate", "tare", "--config", file, "--by", "t"}, "--channel"},
		{[]string{"calibrate", "tare", "--config", file, "--channel", "bin_weight"}, "--by"},
		{[]string{"calibrate", "tare", "--config", file, "--channel", "bin_wieght", "--by", "t"}, `"bin_weight"`},
		{[]string{"calibrate", "tare", "--config", file, "--channel", "feed_rate", "--by", "t"}, "not measured"},
		{[]string{"calibrate", "tare", "--config", file, "--channel", "bin_weight", "--by", "t", "--seconds", "0"}, "--seconds"},
		{[]string{"check", "--config", filepath.Join(t.TempDir(), "none.toml")}, "cannot be read"},
	} {
		code, _, errs := say(t, nil, tc.words...)
		require.Equal(t, cli.BadInput, code, "%v: %s", tc.words, errs)
		require.Contains(t, errs, tc.want)
	}
}

// A device that does not answer is exit code 1, and named.
func TestCheckSaysWhatIsSilent(t *testing.T) {
	t.Parallel()
	file := board(t, "0.0")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	text = append(text, []byte("[[bus]]\nname = \"meters\"\nkind = \"modbus-tcp\"\npath = \"127.0.0.1:1\"\n[[sensor]]\nchannel = \"pond_level\"\nchip = \"modbus\"\nbus = \"meters\"\n")...)
	require.NoError(t, os.WriteFile(file, text, 0o644))
	code, out, errs := say(t, nil, "check", "--config", file)
	require.Equal(t, cli.Failed, code)
	require.Contains(t, out, "NO ANSWER for pond_level")
	require.Contains(t, errs, "1 of 3 devices do not answer")
}

func TestCheckHorn(t *testing.T) {
	t.Parallel()
	file := board(t, "0.0")
	code, _, errs := say(t, nil, "check", "--config", file, "--horn")
	require.Equal(t, cli.BadInput, code)
	require.Contains(t, errs, "no [horn]")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, append(text, []byte("[horn]\nkind = \"simulated\"\n")...), 0o644))
	code, out, errs := say(t, nil, "check", "--config", file, "--horn")
	require.Equal(t, cli.Done, code, errs)
	require.Equal(t, 2, strings.Count(out, "on=true"), "horn and beacon: %s", out)
	require.Equal(t, 2, strings.Count(out, "on=false"))
}
