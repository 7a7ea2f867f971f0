package flowtest

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestMachineLost is the drill of a lost server: a backup is made while readings
// come, more come, the machine with its disk is gone, an empty one gets the backup,
// and the board sends again what it was told was safe. Nothing is missing.
func TestMachineLost(t *testing.T) {
	l := newLine(t, false)
	l.startServer()
	l.startEdge(45)
	l.washWater(45)
	l.requireNoHole(4)

	bin, err := programs()
	require.NoError(t, err)
	decktrim := func(args ...string) {
		t.Helper()
		out, err := exec.Command(filepath.Join(bin, "decktrim"), args...).CombinedOutput()
		require.NoError(t, err, string(out))
		t.Logf("%s", out)
	}
	config, away := filepath.Join(l.dir, "server.toml"), t.TempDir()
	decktrim("backup", "--config", config, "--to", away)
	require.Contains(t, l.metrics(), "decktrim_backup_verified_age_seconds ")
	_, held := l.sequence()
	l.requireNoHole(len(held) + 6)
	_, before := l.sequence()

	l.server.kill(t)
	data := filepath.Join(l.dir, "data")
	require.NoError(t, os.RemoveAll(data))
	began := time.Now()
	archives, err := filepath.Glob(filepath.Join(away, "decktrim-*.tar.gz"))
	require.NoError(t, err)
	require.Len(t, archives, 1)
	decktrim("restore", "--from", archives[0], "--to", data)
	_, copied := l.sequence()
	require.Less(t, len(copied), len(before), "the copy is older")
	l.startServer()
	t.Logf("screens answer %s after the loss; %d of %d frames were in the copy", time.Since(began).Round(time.Millisecond), len(copied), len(before))
	l.requireNoHole(len(before) + 3)
	l.washWater(45)
	require.Contains(t, l.metrics(), "decktrim_node_lost_frames{node=\"larkspur/mill\"} 0\n")
	require.Contains(t, l.edge.said(), "older copy of its store")

	// After that it is as before: confirmed up to the newest, and a restart loses nothing.
	eventually(t, 10*time.Second, "no backlog", func() error {
		if text := l.metrics(); !strings.Contains(text, "decktrim_node_backlog_frames{node=\"larkspur/mill\"} 0\n") {
			return fmt.Errorf("there is a backlog")
		}
		return nil
	})
	l.edge.stop(t)
	l.server.stop(t)
}

func (l *line) metrics() string {
	l.t.Helper()
	r, err := http.Get(l.url("/metrics"))
	require.NoError(l.t, err)
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	require.NoError(l.t, err)
	return string(text)
}
