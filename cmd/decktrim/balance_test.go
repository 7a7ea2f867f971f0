package main

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const tableSamples = `stream,dry_mass_kg,dry_mass_kg_se,au_gpt,au_gpt_se,pb_pct,pb_pct_se
feed,1500,30,8.3,0.8,0.51,0.03
concentrate_1,4.2,0.04,1850,90,31,1
concentrate_2,11.5,0.1,210,12,18,0.7
middlings,86,2,14.5,1.5,2.1,0.1
tailings,1390,40,0.62,0.09,0.13,0.01
`

const larkspur = "../../firmware-config/plants/larkspur-plant.toml"

func TestBalanceJSON(t *testing.T) {
	file := write(t, "samples.csv", tableSamples)
	code, out, errs := command(t, "balance", "--samples", file, "--format", "json")
	require.Zero(t, code, errs)
	// Exactly the contract's keys, at every level.
	var top map[string]json.RawMessage
	require.NoError(t, json.Unmarshal([]byte(out), &top))
	keys := []string{}
	for k := range top {
		keys = append(keys, k)
	}
	require.ElementsMatch(t, []string{"streams", "recovery", "chi_square", "degrees_of_freedom", "p_value", "suspects", "unaccounted", "warnings"}, keys)
	type adjusted struct{ Measured, Adjusted, SE *float64 }
	var res struct {
		Streams []struct {
			Name      string
			DryMassKg adjusted `json:"dry_mass_kg"`
			Grades    map[string]adjusted
		}
		Recovery map[string]map[string]struct{ Mean, SE, Lower, Upper float64 }
		PValue   float64 `json:"p_value"`
		Suspects []json.RawMessage
		Warnings []string
	}
	require.NoError(t, json.Unmarshal([]byte(out), &res))
	require.Equal(t, "feed", res.Streams[0].Name)
	require.Equal(t, 1500.0, *res.Streams[0].DryMassKg.Measured)
	require.Less(t, *res.Streams[0].DryMassKg.SE, 30.0)
	require.Equal(t, 31.0, *res.Streams[1].Grades["pb_pct"].Measured)
	require.Len(t, res.Recovery, 2)
	require.Len(t, res.Recovery["au"], 4, "no counted recovery without a plant file")
	r := res.Recovery["au"]["concentrate_1"]
	require.Less(t, r.Lower, r.Mean)
	require.Greater(t, r.Upper, r.Mean)
	require.Contains(t, out, `"suspects": []`)
	require.Contains(t, out, `"warnings": []`)

	_, again, _ := command(t, "balance", "--samples", file, "--format", "json")
	require.Equal(t, out, again, "the same input gives the same output")
}

func TestBalanceCountsWhatThePlantFileSays(t *testing.T) {
	file := write(t, "samples.csv", tableSamples)
	code, out, errs := command(t, "balance", "--samples", file, "--plant", larkspur, "--format", "json")
	require.Zero(t, code, errs)
	require.Contains(t, out, `"counted": {`)
	code, out, errs = command(t, "balance", "--samples", file, "--plant", larkspur)
	require.Zero(t, code, errs)
	require.Contains(t, out, "Recovery counts concentrate 1 and concentrate 2: ")
	require.Contains(t, out, "Of 100 g gold in the feed: ")
	require.Contains(t, out, "Of 100 kg lead in the feed: ")
	require.Contains(t, out, "The figures agree within their errors")
	require.Contains(t, out, "troy oz)")
}

func TestBalanceText(t *testing.T) {
	slipped := strings.Replace(strings.Replace(tableSamples, "1850,90", "185,9", 1), "tailings,1390,40", "tailings,,", 1)
	file := write(t, "samples.csv", slipped)
	code, out, errs := command(t, "balance", "--samples", file)
	require.Zero(t, code, errs)
	require.Contains(t, out, "Look at the gold assay of concentrate 1: measured 185 g/t, the other figures say about 1870 g/t")
	require.Contains(t, out, "A factor of ten: was a decimal point shifted?")
	require.Contains(t, out, "by difference")
	code, us, errs := command(t, "balance", "--samples", file, "--units", "us")
	require.Zero(t, code, errs)
	require.Contains(t, us, "dry mass, lb")
	require.Contains(t, us, "gold, troy oz/short ton")
	require.NotContains(t, us, "g/t,")
}

func TestBalanceJunctions(t *testing.T) {
	file := write(t, "samples.csv", "stream,dry_mass_kg,au_gpt\nhead,1000,5\nrich,10,400\npoor,990,1\n")
	code, _, errs := command(t, "balance", "--samples", file)
	require.Equal(t, 2, code)
	require.Contains(t, errs, "samples.csv")
	code, out, errs := command(t, "balance", "--samples", file, "--junction", "head = rich + poor", "--format", "json")
	require.Zero(t, code, errs)
	require.Contains(t, out, `"rich"`)
}

func TestBalanceRefuses(t *testing.T) {
	good := write(t, "good.csv", tableSamples)
	for name, tc := range map[string]struct {
		text string
		args []string
		code int
		says string
	}{
		"not a number":    {strings.Replace(tableSamples, "1500", "NaN", 1), nil, 2, "bad.csv:2:6: "},
		"infinite":        {strings.Replace(tableSamples, "8.3", "inf", 1), nil, 2, "bad.csv:2:14: "},
		"negative mass":   {strings.Replace(tableSamples, "4.2", "-4.2", 1), nil, 2, "bad.csv:3:15: "},
		"zero error":      {strings.Replace(tableSamples, ",0.8,", ",0,", 1), nil, 2, "bad.csv:2:18: "},
		"word":            {strings.Replace(tableSamples, "0.62", "n.s.", 1), nil, 2, "bad.csv:6:18: "},
		"decimal comma":   {strings.Replace(tableSamples, "8.3", `"8,3"`, 1), nil, 2, "bad.csv:2:14: "},
		"unknown stream":  {tableSamples + "slimes,1,1,1,1,1,1\n", nil, 2, "bad.csv:7:1: the stream slimes is not known"},
		"repeated stream": {tableSamples + "feed,1,1,1,1,1,1\n", nil, 2, "bad.csv:7:1: the stream feed stands twice"},
		"bad junction":    {tableSamples, []string{"--junction", "feed concentrate_1"}, 2, "--junction:1:1: "},
		"impossible":      {"stream,au_gpt\nfeed,1\nconcentrate_1,50\ntailings,3\n", nil, 2, "bad.csv:3:1: the figures cannot belong together"},
		"nothing known":   {"stream,dry_mass_kg,au_gpt\nfeed,1000,\nconcentrate_1,10,400\ntailings,990,\n", nil, 1, "no recovery can be known"},
		"other format":    {tableSamples, []string{"--format", "xml"}, 2, "--format"},
		"other units":     {tableSamples, []string{"--units", "imperial"}, 2, "--units"},
		"no plant file":   {tableSamples, []string{"--plant", "nowhere.toml"}, 2, "cannot read the plant file"},
	} {
		t.Run(name, func(t *testing.T) {
			file := write(t, "bad.csv", tc.text)
			code, out, errs := command(t, append([]string{"balance", "--samples", file}, tc.args...)...)
			require.Equal(t, tc.code, code, errs)
			require.Contains(t, errs, tc.says)
			require.Empty(t, out)
			require.Equal(t, 1, strings.Count(errs, "\n"), "one sentence")
		})
	}
	code, _, errs := command(t, "balance")
	require.Equal(t, 2, code)
	require.Contains(t, errs, "--samples is missing")
	code, _, errs = command(t, "balance", "--samples", good+".not")
	require.Equal(t, 2, code)
	require.Contains(t, errs, "cannot open the samples")
}

// The products of a table alone (check value TP-09): the head is worked out from them.
func TestBalanceWithoutAFeedRow(t *testing.T) {
	file := write(t, "samples.csv", `stream,dry_mass_kg,au_gpt
concentrate_1,4.2,1850
concentrate_2,11.5,210
middlings,86,14.5
tailings,1398.3,0.62
`)
	for _, extra := range [][]string{nil, {"--plant", larkspur}} {
		code, out, errs := command(t, append([]string{"balance", "--samples", file, "--format", "json"}, extra...)...)
		require.Zero(t, code, errs)
		var res struct {
			Streams []struct {
				Name   string
				Grades map[string]struct{ Measured, Adjusted *float64 }
			}
			Recovery map[string]map[string]struct{ Mean float64 }
			Warnings []string
		}
		require.NoError(t, json.Unmarshal([]byte(out), &res))
		require.Equal(t, "feed", res.Streams[0].Name)
		require.Nil(t, res.Streams[0].Grades["au_gpt"].Measured)
		require.InEpsilon(t, 8.1992973, *res.Streams[0].Grades["au_gpt"].Adjusted, 1e-7)
		require.InEpsilon(t, 63.176145, res.Recovery["au"]["concentrate_1"].Mean, 1e-7)
		require.Contains(t, strings.Join(res.Warnings, " "), "No row for feed")
	}
}
