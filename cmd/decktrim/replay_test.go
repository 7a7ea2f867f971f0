package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/cli"
)

// command runs the program's command line in this process.
func command(t testing.TB, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = cli.Run(context.Background(), newRoot(), args, &out, &errs)
	return code, out.String(), errs.String()
}

func write(t testing.TB, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

const replayPlant = `[plant]
name = "Larkspur mill"
[[channel]]
name = "feed_rate"
role = "feed_rate"
unit = "t/h"
range = [0.0, 4.0]
signal = "4-20mA"
[mill]
nominal_feed = 2.0
`

func recordedSurge() string {
	rng := rand.New(rand.NewPCG(1, 2))
	var b strings.Builder
	b.WriteString("time,feed_rate\n")
	at := time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)
	for i := range 1800 {
		v := 2 + 0.06*rng.NormFloat64()
		if i >= 1500 && i < 1560 {
			v *= 1.6
		}
		fmt.Fprintf(&b, "%s,%.3f\n", at.Add(time.Duration(i)*time.Second).Format(time.RFC3339), v)
	}
	return b.String()
}

func TestReplayTellsTheSurge(t *testing.T) {
	plantFile, readingsFile := write(t, "plant.toml", replayPlant), write(t, "readings.csv", recordedSurge())
	code, out, errs := command(t, "replay", "--plant", plantFile, "--readings", readingsFile, "--format", "jsonl")
	require.Equal(t, cli.Done, code, errs)
	var kinds []string
	for line := range strings.Lines(out) {
		var e struct {
			Time                                   time.Time
			Kind, Channel, State, Priority, Detail string
			PlantState                             string `json:"plant_state"`
		}
		require.NoError(t, json.Unmarshal([]byte(line), &e), line)
		kinds = append(kinds, strings.TrimSpace(e.Kind+" "+e.State+" "+e.PlantState))
	}
	require.Equal(t, []string{"plant_state raised filling", "plant_state raised running", "feed_surge raised", "feed_surge cleared"}, kinds)

	code, text, _ := command(t, "replay", "--plant", plantFile, "--readings", readingsFile)
	require.Equal(t, cli.Done, code)
	require.Contains(t, text, "1800 rows, 1 alarms.")
}

func TestReplayRefuses(t *testing.T) {
	plantFile, readingsFile := write(t, "plant.toml", replayPlant), write(t, "readings.csv", "time,feed_rate\nyesterday,2\n")
	for _, c := range []struct {
		args []string
		say  string
	}{
		{[]string{"replay"}, "--plant is missing"},
		{[]string{"replay", "--plant", plantFile}, "--readings is missing"},
		{[]string{"replay", "--plant", "nowhere.toml", "--readings", readingsFile}, "nowhere.toml"},
		{[]string{"replay", "--plant", plantFile, "--readings", readingsFile, "--format", "xml"}, "text or jsonl"},
		{[]string{"replay", "--plant", plantFile, "--readings", readingsFile}, "readings.csv:2:1"},
		{[]string{"replay", "--speed"}, "unknown flag"},
		{[]string{"replya"}, "unknown command"},
		{[]string{"replay", "extra"}, "extra"},
	} {
		code, out, errs := command(t, c.args...)
		require.Equal(t, cli.BadInput, code, c.args)
		require.Contains(t, errs, c.say)
		require.Equal(t, 1, strings.Count(errs, "\n"), errs)
		require.NotContains(t, out, "{")
	}
}
