package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/cli"
)

// The plant file and runs of these tests are invented.
const tunePlant = `[plant]
name = "Larkspur mill"
timezone = "America/Boise"
[[setting]]
name = "wash_water"
unit = "L/min"
min = 20.0
max = 90.0
max_move = 8.0
max_move_test = 4.0
resolution = 1.0
present = 45.0
[[setting]]
name = "deck_tilt"
unit = "deg"
min = 0.75
max = 4.5
max_move = 0.5
resolution = 0.25
present = 2.0
[objective]
maximise = "recovery"
recovery_drop_tolerated = 2.0
risk_tolerated = 0.05
[mill]
nominal_feed = 2.0
`

const tuneRuns = `run,ore_source,lot,block,start,wash_water,deck_tilt,recovery,recovery_se,concentrate_grade,concentrate_grade_se,status,due,splitter_rule,products_counted,sampled_kg,note
1,Quillback Reef,L1,,2026-01-05T07:00:00Z,41,2,68.1,1.2,410,20,,,fixed,concentrate_1+concentrate_2,10,
2,Quillback Reef,L1,,2026-01-05T10:00:00Z,45,2,70.4,1.2,402,20,,,fixed,,10,
3,Quillback Reef,L1,,2026-01-05T13:00:00Z,49,2,72.0,1.2,395,20,,,fixed,,10,
4,Quillback Reef,L2,,2026-01-06T07:00:00Z,45,2.5,71.1,1.2,399,20,,,fixed,,10,
5,Quillback Reef,L2,,2026-01-06T10:00:00Z,45,1.5,69.2,1.2,415,20,,,fixed,,10,
6,Quillback Reef,L2,,2026-01-06T13:00:00Z,49,2.5,72.6,1.2,388,20,,,fixed,,10,
7,Quillback Reef,L2,,2026-01-06T15:00:00Z,49,1.5,70.9,1.2,391,20,,,visible_line,,10,
8,Quillback Reef,L2,,2026-01-07T07:00:00Z,45,2,30,1.2,,,void,,,,,sample spilt
9,Quillback Reef,L3,,2026-01-08T07:00:00Z,45,2,70.9,1.2,405,20,,,fixed,,10,
10,Quillback Reef,L3,,2026-01-08T09:00:00Z,45,2,,,,,waiting,2026-03-09,,,10,
`

// tune writes the files and runs a command line; it returns the exit code and both
// outputs.
func tune(t *testing.T, plantText, runsText string, words ...string) (code int, stdout, stderr string) {
	t.Helper()
	dir := t.TempDir()
	plantFile, runsFile := filepath.Join(dir, "plant.toml"), filepath.Join(dir, "runs.csv")
	require.NoError(t, os.WriteFile(plantFile, []byte(plantText), 0o600))
	require.NoError(t, os.WriteFile(runsFile, []byte(runsText), 0o600))
	for i, w := range words {
		words[i] = strings.NewReplacer("PLANT", plantFile, "RUNS", runsFile).Replace(w)
	}
	var out, errs bytes.Buffer
	code = cli.Run(context.Background(), newRoot(), words, &out, &errs)
	return code, out.String(), strings.ReplaceAll(errs.String(), dir+string(filepath.Separator), "")
}

func tuning(name string, more ...string) []string {
	return append([]string{name, "--plant", "PLANT", "--runs", "RUNS", "--source", "Quillback Reef"}, more...)
}

func TestAdviseCommand(t *testing.T) {
	code, out, errs := tune(t, tunePlant, tuneRuns, tuning("advise", "--format", "json")...)
	require.Zero(t, code, errs)
	var a struct {
		Action      string                      `json:"action"`
		Settings    map[string]float64          `json:"settings"`
		Present     map[string]float64          `json:"present"`
		RunsUsed    int                         `json:"runs_used"`
		RunsNotUsed []struct{ Run, Why string } `json:"runs_not_used"`
		Waiting     []struct{ Run, Due string } `json:"waiting"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &a))
	require.Equal(t, 7, a.RunsUsed)
	require.Equal(t, "7", a.RunsNotUsed[0].Run)
	require.Contains(t, a.RunsNotUsed[0].Why, "other splitter rule")
	require.Equal(t, "marked void: sample spilt", a.RunsNotUsed[1].Why)
	require.Equal(t, "2026-03-09", a.Waiting[0].Due)
	require.Equal(t, map[string]float64{"wash_water": 45, "deck_tilt": 2}, a.Present)
	require.Greater(t, a.Settings["wash_water"], 44.0)

	code, text, errs := tune(t, tunePlant, tuneRuns, tuning("advise", "--at", "wash_water=47,deck_tilt=2.25")...)
	require.Zero(t, code, errs)
	for _, want := range []string{"This system advises. People set the plant.", "Present setting:    wash water 47 L/min, deck tilt 2.25 deg", "Why:", "run 10, due 2026-03-09", "run 8: marked void: sample spilt"} {
		require.Contains(t, text, want)
	}
}

func TestFitCommand(t *testing.T) {
	code, out, errs := tune(t, tunePlant, tuneRuns, tuning("fit", "--format", "json")...)
	require.Zero(t, code, errs)
	var f map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &f))
	for _, k := range []string{"source", "runs_used", "second_order", "best_inside", "model", "warnings"} {
		require.Contains(t, f, k)
	}
	second := f["second_order"].(map[string]any)
	for _, k := range []string{"terms", "not_estimable", "r_squared", "adjusted_r_squared", "predictive_r_squared", "residual_sd", "lack_of_fit", "eigenvalues", "stationary_point", "stationary_kind", "stationary_inside"} {
		require.Contains(t, second, k)
	}
	code, text, errs := tune(t, tunePlant, tuneRuns, tuning("fit")...)
	require.Zero(t, code, errs)
	require.Contains(t, text, "wash_water*deck_tilt")
	require.Contains(t, text, "best inside the bounds")
	code, svg, errs := tune(t, tunePlant, tuneRuns, tuning("fit", "--format", "svg")...)
	require.Zero(t, code, errs)
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		if _, err := d.Token(); err == io.EOF {
			break
		} else {
			require.NoError(t, err)
		}
	}
	require.Contains(t, svg, "wash water, L/min")
	require.Contains(t, svg, `class="unknown"`)
}

func TestPlanCommand(t *testing.T) {
	code, out, errs := tune(t, tunePlant, tuneRuns, tuning("plan", "--count", "8", "--lot", "30", "--format", "json")...)
	require.Zero(t, code, errs)
	var p struct {
		Runs         []struct{ Block, Arm string } `json:"runs"`
		SmallestGain struct{ Pairs int }           `json:"smallest_gain"`
		Reasons      []string                      `json:"reasons"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &p))
	require.Len(t, p.Runs, 8)
	require.Equal(t, 4, p.SmallestGain.Pairs)
	code, text, errs := tune(t, tunePlant, tuneRuns, "plan", "--plant", "PLANT", "--source", "Dunlin Lode", "--count", "4")
	require.Zero(t, code, errs)
	require.Contains(t, text, "P1")
	require.Contains(t, text, "No run of Dunlin Lode is known")
}

func TestTuningCommandsRefuse(t *testing.T) {
	bad := strings.Replace(tuneRuns, "68.1", "168.1", 1)
	for name, c := range map[string]struct {
		runs  string
		words []string
		want  string
	}{
		"not a recovery":  {bad, tuning("advise"), "runs.csv:2:48: recovery 168.1 of run 1 cannot be"},
		"a word":          {strings.Replace(tuneRuns, "68.1", "n.s.", 1), tuning("fit"), `runs.csv:2:48: recovery "n.s." is not a number`},
		"no source":       {tuneRuns, []string{"advise", "--plant", "PLANT", "--runs", "RUNS"}, "--source is missing"},
		"no runs":         {tuneRuns, []string{"fit", "--plant", "PLANT", "--source", "x"}, "--runs is missing"},
		"no such ore":     {tuneRuns, []string{"fit", "--plant", "PLANT", "--runs", "RUNS", "--source", "x"}, `there is no run of ore source "x"`},
		"no plant":        {tuneRuns, []string{"plan", "--source", "x", "--count", "8"}, "--plant is missing"},
		"format":          {tuneRuns, tuning("advise", "--format", "svg"), `--format "svg" is not known`},
		"at":              {tuneRuns, tuning("advise", "--at", "wash_water"), `--at "wash_water" is not a setting and a number`},
		"at unknown":      {tuneRuns, tuning("advise", "--at", "stroke=12"), `no setting "stroke"`},
		"count":           {tuneRuns, tuning("plan"), "--count is missing"},
		"count too small": {tuneRuns, tuning("plan", "--count", "2"), "a plan of 2 runs cannot be made"},
		"lot":             {tuneRuns, tuning("plan", "--count", "8", "--lot", "-3"), "--lot is -3"},
		"missing file":    {tuneRuns, []string{"fit", "--plant", "PLANT", "--runs", "RUNS.gone", "--source", "x"}, "cannot open the runs"},
	} {
		t.Run(name, func(t *testing.T) {
			code, out, errs := tune(t, tunePlant, c.runs, c.words...)
			require.Equal(t, cli.BadInput, code)
			require.Empty(t, out)
			require.Contains(t, errs, c.want)
			require.Equal(t, 1, strings.Count(strings.TrimSpace(errs), "\n")+1)
		})
	}
	t.Run("fit takes any response", func(t *testing.T) {
		code, out, errs := tune(t, tunePlant, bad, tuning("fit")...)
		require.Zero(t, code, errs)
		require.Contains(t, out, "7 runs used")
	})
}
