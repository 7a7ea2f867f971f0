package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/frames"
	"decktrim/edge/spool"
	"decktrim/internal/cli"
	"decktrim/internal/plant"
)

// With this set the test binary is the program itself.
const asProgram = "DECKTRIM_EDGE_TEST_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	os.Exit(m.Run())
}

func call(args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = cli.Run(context.Background(), newRoot(), args, &out, &errs)
	return code, out.String(), errs.String()
}

func TestWrongWords(t *testing.T) {
	dir := t.TempDir()
	bad := filepath.Join(dir, "edge.toml")
	require.NoError(t, os.WriteFile(bad, []byte("[node]\nid = \"mill\"\nidd = 1\n"), 0o600))
	for _, tc := range []struct {
		args []string
		want []string
	}{
		{[]string{"rum"}, []string{"unknown command"}},
		{[]string{"run", "--confg", "x"}, []string{"unknown flag", "--help"}},
		{[]string{"run", "extra"}, []string{"extra"}},
		{[]string{"run", "--config", filepath.Join(dir, "none.toml")}, []string{"none.toml", "--config"}},
		{[]string{"run", "--config", bad}, []string{bad + ":3:1: ", `did you mean "id"`}},
		{[]string{"run", "--config", bad, "--log", "loud"}, []string{"debug, info, warn or error"}},
		{[]string{"spool", "--config", bad}, []string{bad + ":3:1: "}},
		{[]string{"spool", "--dir", dir}, []string{"there is no spool"}},
		{[]string{"spool", "--dir", filepath.Join(dir, "none")}, []string{"there is no spool"}},
		{[]string{"spool", "--dir", dir, "--format", "xml"}, []string{"text or json"}},
	} {
		t.Run(strings.Join(tc.args, " "), func(t *testing.T) {
			code, out, errs := call(tc.args...)
			require.Equal(t, cli.BadInput, code, errs)
			require.Empty(t, out)
			require.Equal(t, 1, strings.Count(errs, "\n"), "one sentence: %s", errs)
			for _, w := range tc.want {
				require.Contains(t, errs, w)
			}
		})
	}
}

func TestEveryCommandHasAnExample(t *testing.T) {
	for _, c := range newRoot().Commands() {
		code, out, errs := call(c.Name(), "--help")
		require.Equal(t, cli.Done, code, errs)
		require.Contains(t, out, "Examples:", c.Name())
		require.Contains(t, out, "decktrim-edge "+c.Name())
	}
}

func TestSpoolCommand(t *testing.T) {
	dir := t.TempDir()
	s, err := spool.Open(spool.Options{Dir: dir, Boot: "a"})
	require.NoError(t, err)
	defer s.Close()
	began := time.Now().Add(-time.Hour).Truncate(time.Second).UTC()
	for i := range 100 {
		_, err := s.Append(frames.Encode(plant.Frame{Time: began.Add(time.Duration(i) * time.Second), ClockSet: true, Readings: []plant.Reading{{}}}))
		require.NoError(t, err)
	}
	require.NoError(t, s.Ack(40))

	// The program is still running: its confirmations are not written down yet.
	code, out, errs := call("spool", "--dir", dir, "--format", "json")
	require.Equal(t, cli.Done, code, errs)
	var r spoolReport
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.EqualValues(t, 100, r.Kept)
	require.EqualValues(t, 100, r.Last)
	require.LessOrEqual(t, r.Acked, uint64(40))

	require.NoError(t, s.Close())
	code, out, errs = call("spool", "--dir", dir, "--format", "json")
	require.Equal(t, cli.Done, code, errs)
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.EqualValues(t, 40, r.Acked)
	require.EqualValues(t, 60, r.Unsent)
	require.Equal(t, began.Add(40*time.Second), *r.OldestUnsent)
	require.InDelta(t, time.Hour.Seconds()-40, *r.OldestUnsentAge, 60)
	require.Zero(t, r.Damaged)

	// One flipped bit is found, counted and costs one record.
	seg := filepath.Join(dir, "0000000000000001.seg")
	b, err := os.ReadFile(seg)
	require.NoError(t, err)
	b[1000] ^= 4
	require.NoError(t, os.WriteFile(seg, b, 0o600))
	code, out, errs = call("spool", "--dir", dir)
	require.Equal(t, cli.Done, code, errs)
	require.Contains(t, out, "kept            99 records, number 1 to 100")
	require.Contains(t, out, "confirmed to    40")
	require.Contains(t, out, "damaged         1")
	require.Contains(t, out, began.Add(40*time.Second).Format(time.RFC3339))
}

// boardFile writes a board file with a simulated bus.
func boardFile(t *testing.T) (config string) {
	t.Helper()
	dir := t.TempDir()
	text, err := os.ReadFile("../../firmware-config/plants/small-line-mine-plant.toml")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "plant.toml"), text, 0o600))
	config = filepath.Join(dir, "edge.toml")
	require.NoError(t, os.WriteFile(config, []byte(`[node]
id = "mill"
group = "larkspur"
plant = "plant.toml"
[mqtt]
url = "tcp://127.0.0.1:1"
[spool]
dir = "spool"
[[bus]]
name = "main"
kind = "simulated"
`), 0o600))
	return config
}

// TestRunAsAProgram starts the real program, kills it, starts it again, and ends it
// with SIGTERM: nothing is lost, nothing is given a number twice, the end is clean.
func TestRunAsAProgram(t *testing.T) {
	config := boardFile(t)
	dir := filepath.Join(filepath.Dir(config), "spool")
	start := func(until uint64) *exec.Cmd {
		cmd := exec.Command(os.Args[0], "run", "--config", config)
		cmd.Env = append(os.Environ(), asProgram+"=1")
		said, err := os.Create(filepath.Join(t.TempDir(), "stderr"))
		require.NoError(t, err)
		defer said.Close()
		cmd.Stderr = said
		require.NoError(t, cmd.Start())
		t.Cleanup(func() { cmd.Process.Kill() }) // in case the test ends early
		require.Eventually(t, func() bool {
			s, err := spool.Look(spool.Options{Dir: dir})
			return err == nil && s.Last() >= until
		}, 30*time.Second, 50*time.Millisecond, "see %s", said.Name())
		return cmd
	}
	cmd := start(2)
	require.NoError(t, cmd.Process.Kill())
	require.Error(t, cmd.Wait())
	cmd = start(4)
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.NoError(t, cmd.Wait(), "exit code 0")

	s, err := spool.Open(spool.Options{Dir: dir, Boot: "later"})
	require.NoError(t, err)
	require.Equal(t, "clean", s.Recovery().How)
	rs, err := s.Read(1, 100)
	require.NoError(t, err)
	require.Len(t, rs, int(s.Last()))
	for i, r := range rs {
		require.EqualValues(t, i+1, r.Seq)
		require.Zero(t, r.GapFrom)
	}
	require.NoError(t, s.Close())
}

func TestRunSecondProgramIsRefused(t *testing.T) {
	config := boardFile(t)
	s, err := spool.Open(spool.Options{Dir: filepath.Join(filepath.Dir(config), "spool")})
	require.NoError(t, err)
	defer s.Close()
	err = run(context.Background(), config, "info", io.Discard)
	require.ErrorContains(t, err, "in use by another program")
	require.Equal(t, cli.Failed, cli.Code(err))
}
