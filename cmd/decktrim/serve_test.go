package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/cli"
	"decktrim/internal/plant"
	"decktrim/server/store"
)

const servePlant = `[plant]
name = "Larkspur mill"
[[channel]]
name = "feed_rate"
role = "feed_rate"
unit = "t/h"
range = [0.0, 4.0]
signal = "4-20mA"
`

// serveFolder makes a folder with server.toml, a plant file and a free choice of ports.
func serveFolder(t *testing.T) (config, data string) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "plant.toml"), []byte(servePlant), 0o600))
	config = filepath.Join(dir, "server.toml")
	require.NoError(t, os.WriteFile(config, []byte(`[server]
listen = "127.0.0.1:0"
data = "data"
plants = ["plant.toml"]
[mqtt]
listen = "127.0.0.1:0"
accept_unknown_nodes = true
`), 0o600))
	return config, filepath.Join(dir, "data")
}

// TestServe runs the command, waits for its line, asks it, and ends it.
func TestServe(t *testing.T) {
	config, _ := serveFolder(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out, in := io.Pipe()
	done := make(chan int, 1)
	go func() {
		done <- cli.Run(ctx, newRoot(), []string{"serve", "--config", config}, in, t.Output())
	}()
	var url string
	_, err := fmt.Fscanf(out, "listening on %s\n", &url)
	require.NoError(t, err)
	answer, err := http.Get(url + "/api/v1/now")
	require.NoError(t, err)
	defer answer.Body.Close()
	var now struct {
		Plants []struct{ Name string }
	}
	require.NoError(t, json.NewDecoder(answer.Body).Decode(&now))
	require.Equal(t, "Larkspur mill", now.Plants[0].Name)

	again := bytes.Buffer{}
	require.Equal(t, cli.Failed, cli.Run(t.Context(), newRoot(), []string{"serve", "--config", config}, io.Discard, &again))
	require.Contains(t, again.String(), "in use by another decktrim")
	require.Equal(t, 1, strings.Count(again.String(), "\n"), "one sentence")
	cancel()
	require.Equal(t, cli.Done, <-done)
}

func TestExportReadings(t *testing.T) {
	config, data := serveFolder(t)
	require.NoError(t, os.Mkdir(data, 0o700))
	s, err := store.Open(store.Options{Dir: data})
	require.NoError(t, err)
	defer s.Close()
	_, err = s.Commit(t.Context(), store.Batch{
		Frames: []store.Frame{{Node: "larkspur/mill", Stream: "u-1", Seq: 17, TS: 1700000000000, Samples: []store.Sample{
			{Metric: "Feeder/Mass Flow", TS: 1700000000000, Value: 2.5, Quality: plant.Good},
			{Metric: "note", TS: 1700000000000, Value: "=cmd()", Quality: plant.Good}}}},
		Readings: []store.Reading{{Node: "larkspur/pond", Sample: store.Sample{Device: "radio", Metric: "on", TS: 1700000001000, Quality: plant.Bad}}},
	})
	require.NoError(t, err)
	run := func(args ...string) (code int, out, errs string) {
		var o, e bytes.Buffer
		code = cli.Run(t.Context(), newRoot(), append([]string{"export", "readings", "--config", config}, args...), &o, &e)
		return code, o.String(), e.String()
	}
	code, out, _ := run("--format", "jsonl")
	require.Equal(t, cli.Done, code)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	require.Len(t, lines, 3)
	require.JSONEq(t, `{"node":"larkspur/mill","device":null,"metric":"Feeder/Mass Flow","ts":1700000000000,"value":2.5,"quality":192,"stream":"u-1","seq":17}`, lines[0])
	require.JSONEq(t, `{"node":"larkspur/pond","device":"radio","metric":"on","ts":1700000001000,"value":null,"quality":0,"stream":null,"seq":null}`, lines[2])

	code, out, _ = run()
	require.Equal(t, cli.Done, code)
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 4)
	require.Equal(t, "2023-11-14T22:13:20.000Z", rows[1][0])
	require.Equal(t, "'=cmd()", rows[2][4], "inert in a spreadsheet")

	_, out, _ = run("--node", "larkspur/pond", "--format", "jsonl")
	require.Equal(t, 1, strings.Count(out, "\n"))
	_, out, _ = run("--from", "2023-11-14T22:13:21Z", "--format", "jsonl")
	require.Equal(t, 1, strings.Count(out, "\n"))

	for _, wrong := range [][]string{{"--format", "xml"}, {"--node", "mill"}, {"--from", "yesterday"}, {"--frm", "x"}, {"more"}} {
		code, out, errs := run(wrong...)
		require.Equal(t, cli.BadInput, code, wrong)
		require.Empty(t, out)
		require.Equal(t, 1, strings.Count(errs, "\n"))
	}
	require.NoError(t, s.Close())
	require.NoError(t, os.RemoveAll(data))
	code, _, errs := run()
	require.Equal(t, cli.Failed, code)
	require.Contains(t, errs, "no readings are stored there")
}

func TestServeSaysWhatIsWrongInTheFile(t *testing.T) {
	config, _ := serveFolder(t)
	require.NoError(t, os.WriteFile(config, []byte("[server]\nlisen = \"x\"\n"), 0o600))
	var errs bytes.Buffer
	require.Equal(t, cli.BadInput, cli.Run(t.Context(), newRoot(), []string{"serve", "--config", config}, io.Discard, &errs))
	require.Contains(t, errs.String(), config+":2:1")
	require.Contains(t, errs.String(), `"listen"`)
}
