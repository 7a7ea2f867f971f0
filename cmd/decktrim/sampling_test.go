package main

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func samplingJSON(t *testing.T, args ...string) map[string]any {
	t.Helper()
	code, out, errs := command(t, append([]string{"sampling"}, append(args, "--format", "json")...)...)
	require.Zero(t, code, errs)
	var got map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &got))
	return got
}

// GY-10: 1 kg of 25 kg, 5 g/t, 0.6 mm, liberated at 150 um, flaky.
func TestSamplingError(t *testing.T) {
	args := []string{"error", "--mass", "1000 g", "--grade", "5", "--top-size", "0.6", "--liberation", "0.15 mm", "--lot", "25", "--shape", "0.2"}
	require.InEpsilon(t, 7.0728778, samplingJSON(t, args...)["fundamental_rsd_pct"], 1e-7)
	// The same in US units, PO-03 for the grains.
	us := samplingJSON(t, "error", "--mass", "1", "--grade", "5", "--top-size", "600 um", "--grain", "0.5 mm")
	require.InEpsilon(t, 3.9582577, us["grains"], 1e-7)
	require.InEpsilon(t, 1.9096358, us["chance_of_none_pct"], 1e-6)
	code, out, errs := command(t, append([]string{"sampling"}, append(args, "--grain", "500")...)...)
	require.Zero(t, code, errs)
	require.Contains(t, out, "fundamental error of 7.1 %")
	require.Contains(t, out, "4.0 gold grains")
}

func TestSamplingMass(t *testing.T) {
	args := []string{"--grade", "0.15 oz/short ton", "--top-size", "2", "--liberation", "200", "--lot", "20 t"}
	got := samplingJSON(t, append([]string{"mass", "--want-pct", "8"}, args...)...)
	kg := got["sample_kg"].(float64)
	back := samplingJSON(t, append([]string{"error", "--mass", jsonNumber(kg)}, args...)...)
	require.InEpsilon(t, 8, back["fundamental_rsd_pct"], 1e-9)
}

func jsonNumber(v float64) string {
	b, _ := json.Marshal(v)
	return string(b)
}

// PO-06: 1, 3 and 10 kg leave 8.0, 4.7 and 2.8 points.
func TestSamplingRecovery(t *testing.T) {
	got := samplingJSON(t, "recovery", "--recovery", "78.6", "--tailings", "2.02", "--grain-mg", "0.627", "--want-points", "4.7164285")
	for i, want := range []float64{7.9515362, 4.7164285, 2.8108571} {
		require.InEpsilon(t, want, got["samples"].([]any)[i].(map[string]any)["se_points"], 1e-7)
	}
	require.InEpsilon(t, 3, got["want_sample_kg"], 1e-6)
	// The tailings' own share: the error falls in proportion.
	own := samplingJSON(t, "recovery", "--recovery", "78.6", "--tailings", "2.02", "--grain-mg", "0.627", "--tailings-share", "10.7", "--mass", "1", "--want-points", "3.9757681")
	require.InEpsilon(t, 7.9515362/2, own["samples"].([]any)[0].(map[string]any)["se_points"], 1e-7)
	require.InEpsilon(t, 1, own["want_sample_kg"], 1e-6)
	code, out, errs := command(t, "sampling", "recovery", "--recovery", "78.6", "--tailings", "2.02", "--grain", "230 um")
	require.Zero(t, code, errs)
	require.Contains(t, out, "one tailings sample leaves:")
}

func TestSamplingRuns(t *testing.T) {
	got := samplingJSON(t, "runs", "--run-se", "1.5", "--pairs", "4")
	require.InDelta(t, 3.5, got["smallest_gain_points"], 0.02)
	got = samplingJSON(t, "runs", "--run-se", "1.5", "--gain", "1.41")
	require.InDelta(t, 16, got["pairs"], 1)
	code, out, errs := command(t, "sampling", "runs", "--run-se", "1.5", "--gain", "2")
	require.Zero(t, code, errs)
	require.Contains(t, out, "ABBA")
}

func TestSamplingCuts(t *testing.T) {
	require.EqualValues(t, 36, samplingJSON(t, "cuts", "--cut-rsd-pct", "30")["cuts"])
	got := samplingJSON(t, "cuts", "--cut-rsd-pct", "30", "--flow", "8", "--opening", "9", "--speed", "0.8", "--top-size", "0.8")
	require.Len(t, got["warnings"], 2)
	require.InEpsilon(t, 8/3.6*0.009/0.8, got["increment_kg"], 1e-9)
}

func TestSamplingRefuses(t *testing.T) {
	for name, tc := range map[string]struct{ args, says string }{
		"no mass":             {"error --grade 5 --top-size 1", "--mass is missing"},
		"a bare ton":          {"mass --grade 5 --top-size 1 --lot 20_tons", `"tons" can mean more than one thing`},
		"thousands?":          {"error --mass 1,500 --grade 5 --top-size 1", "can mean more than one thing"},
		"wrong kind of unit":  {"error --mass 5_mm --grade 5 --top-size 1", "mass is wanted"},
		"sample above lot":    {"error --mass 5 --grade 5 --top-size 1 --lot 2", "at most the lot"},
		"no tailings":         {"recovery --recovery 78", "--tailings is missing"},
		"no grain":            {"recovery --recovery 78 --tailings 2", "--grain-mg is missing"},
		"recovery above all":  {"recovery --recovery 178 --tailings 2 --grain-mg 1", "must lie between 0 and 1"},
		"out of reach":        {"recovery --recovery 78 --tailings 2 --grain-mg 1 --want-points 0.1", "no sample mass gives"},
		"gain and pairs":      {"runs --run-se 1 --gain 1 --pairs 4", "give either"},
		"no run error":        {"runs --gain 1", "--run-se is missing"},
		"too small a gain":    {"runs --run-se 10 --gain 0.1", "make each run surer"},
		"no scatter":          {"cuts", "--cut-rsd-pct is missing"},
		"cutter half given":   {"cuts --cut-rsd-pct 30 --flow 8", "--opening is missing"},
		"not a number at all": {"runs --run-se x", "invalid argument"},
		"unknown question":    {"guess", "unknown command"},
		"other format":        {"runs --run-se 1 --gain 1 --format xml", "--format"},
	} {
		t.Run(name, func(t *testing.T) {
			args := strings.Fields(tc.args)
			for i := range args {
				args[i] = strings.ReplaceAll(args[i], "_", " ")
			}
			code, out, errs := command(t, append([]string{"sampling"}, args...)...)
			require.Equal(t, 2, code, errs)
			require.Contains(t, errs, tc.says)
			require.Empty(t, out)
		})
	}
}
