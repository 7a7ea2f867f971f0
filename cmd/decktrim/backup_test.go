package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"filippo.io/age"
	"github.com/stretchr/testify/require"

	"decktrim/internal/cli"
	"decktrim/internal/plant"
	"decktrim/server/store"
)

func TestBackupAndRestoreCommands(t *testing.T) {
	config, data := serveFolder(t)
	require.NoError(t, os.Mkdir(data, 0o700))
	s, err := store.Open(store.Options{Dir: data})
	require.NoError(t, err)
	defer s.Close()
	_, err = s.Commit(t.Context(), store.Batch{Frames: []store.Frame{{Node: "larkspur/mill", Stream: "u-1", Seq: 1, TS: 1700000000000,
		Samples: []store.Sample{{Metric: "Mill/mill_current", TS: 1700000000000, Value: 30.0, Quality: plant.Good}}}}})
	require.NoError(t, err)
	key, err := age.GenerateX25519Identity()
	require.NoError(t, err)
	other, err := age.GenerateX25519Identity()
	require.NoError(t, err)
	keyFile, otherFile := write(t, "key.txt", "# office\n"+key.String()+"\n"), write(t, "other.txt", other.String())
	public := write(t, "public.txt", key.Recipient().String()+"\n")
	away, empty := t.TempDir(), t.TempDir()
	backupOf := func(more ...string) string {
		code, out, errs := command(t, append([]string{"backup", "--config", config, "--to", away}, more...)...)
		require.Equal(t, cli.Done, code, errs)
		require.Empty(t, errs, "no progress where there is no terminal")
		name, _, _ := strings.Cut(out, "\n")
		return name
	}
	plain, locked, tooLocked := backupOf("--compress=false"), backupOf("--recipient", key.Recipient().String()), backupOf("--recipients-file", public)
	require.True(t, strings.HasSuffix(plain, ".tar"))

	for i, args := range [][]string{{"--from", plain}, {"--from", locked, "--identity", keyFile}, {"--from", tooLocked, "--identity", keyFile}} {
		to := filepath.Join(empty, string(rune('a'+i)))
		code, out, errs := command(t, append([]string{"restore", "--to", to}, args...)...)
		require.Equal(t, cli.Done, code, errs)
		require.Contains(t, out, filepath.Join(to, "config"))
		require.FileExists(t, filepath.Join(to, "config", "server.toml"))
		require.FileExists(t, filepath.Join(to, "config", "plant.toml"))
	}
	nowhere := filepath.Join(empty, "z")
	for _, tt := range []struct {
		name string
		code int
		want string
		args []string
	}{
		{"no target", cli.BadInput, "--to is missing", []string{"backup", "--config", config}},
		{"no config", cli.BadInput, "--config is missing", []string{"backup", "--to", away}},
		{"target gone", cli.Failed, "mounted", []string{"backup", "--config", config, "--to", filepath.Join(away, "x")}},
		{"rate", cli.BadInput, "--rate -1", []string{"backup", "--config", config, "--to", away, "--rate", "-1"}},
		{"recipient", cli.BadInput, "public key", []string{"backup", "--config", config, "--to", away, "--recipient", "office"}},
		{"recipients file", cli.BadInput, "public keys", []string{"backup", "--config", config, "--to", away, "--recipients-file", config}},
		{"no archive", cli.BadInput, "--from is missing", []string{"restore", "--to", nowhere}},
		{"no folder", cli.BadInput, "--to is missing", []string{"restore", "--from", plain}},
		{"not empty", cli.BadInput, "not empty", []string{"restore", "--from", plain, "--to", away}},
		{"no key", cli.BadInput, "--identity", []string{"restore", "--from", locked, "--to", nowhere}},
		{"wrong key", cli.BadInput, "another key", []string{"restore", "--from", locked, "--to", nowhere, "--identity", otherFile}},
		{"no key in it", cli.BadInput, "no private key", []string{"restore", "--from", locked, "--to", nowhere, "--identity", public}},
		{"not an archive", cli.BadInput, "no archive", []string{"restore", "--from", config, "--to", nowhere}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			code, out, errs := command(t, tt.args...)
			require.Equal(t, tt.code, code, errs)
			require.Contains(t, errs, tt.want)
			require.Empty(t, out)
			require.Equal(t, 1, strings.Count(errs, "\n"), "one sentence")
			require.NoDirExists(t, nowhere)
		})
	}
	for _, name := range []string{"backup", "restore"} {
		_, out, _ := command(t, name, "--help")
		require.Contains(t, out, "Examples:")
	}
}
