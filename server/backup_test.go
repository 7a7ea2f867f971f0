package server

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/internal/wire"
	"decktrim/server/backup"
)

// TestBackupShows: the age of the last checked backup, and one that failed after it.
func TestBackupShows(t *testing.T) {
	s := start(t, testConfig(t))
	metrics := func() string {
		var b bytes.Buffer
		s.metrics(t.Context(), &b)
		return b.String()
	}
	require.NotContains(t, metrics(), "backup_verified_age", "there is none yet")
	data := s.o.Config.Server.Data
	r, err := backup.Run(t.Context(), backup.Options{Data: data, To: t.TempDir()})
	require.NoError(t, err)
	require.Regexp(t, `(?m)^decktrim_backup_verified_age_seconds [0-9.]+$`, metrics())
	require.Contains(t, metrics(), "decktrim_backup_last_failed 0\n")
	v, err := webSystem{s.Server}.Health(t.Context())
	require.NoError(t, err)
	require.True(t, v.Backup.Equal(r.Verified))

	_, err = backup.Run(t.Context(), backup.Options{Data: data, To: filepath.Join(data, "unplugged")})
	require.Error(t, err)
	require.Contains(t, metrics(), "decktrim_backup_last_failed 1\n")
	v, err = webSystem{s.Server}.Health(t.Context())
	require.NoError(t, err)
	require.True(t, v.Backup.Equal(r.Verified), "the good one keeps its age")
	require.WithinDuration(t, time.Now(), v.BackupFailed, patience)
	require.Contains(t, v.BackupWhy, "mounted")
}

// TestRestoredServerPassesWhatBoardsLetGo: the board was told 'stored up to 50' by a
// server whose restored copy ends at 10, and holds 31 to 60 still. What it holds goes
// in; what it let go of is booked to the restore, and the confirmation passes it.
func TestRestoredServerPassesWhatBoardsLetGo(t *testing.T) {
	c := testConfig(t)
	s := start(t, c)
	id := wire.NodeID{Group: "larkspur", Node: "mill"}
	b := newBoard(t, s.MQTTAddr(), id, "s-1")
	b.birth(1, 10)
	for n := int64(1); n <= 10; n++ {
		b.record(n)
	}
	b.waitAcked(10)
	away := t.TempDir()
	r, err := backup.Run(t.Context(), backup.Options{Data: c.Server.Data, To: away})
	require.NoError(t, err)
	for n := int64(11); n <= 50; n++ {
		b.record(n)
	}
	b.waitAcked(50)
	b.client.Disconnect(50)
	s.stop()
	require.NoError(t, os.RemoveAll(c.Server.Data))
	_, err = backup.Restore(t.Context(), backup.RestoreOptions{From: r.File, To: c.Server.Data})
	require.NoError(t, err)

	s = start(t, c)
	b = newBoard(t, s.MQTTAddr(), id, "s-1")
	b.told = 50
	b.birth(31, 60)
	b.waitAcked(30) // at once after the birth: nothing below 31 will come
	for n := int64(51); n <= 60; n++ {
		b.record(n) // above what the copy confirms: taken all the same
	}
	for n := int64(31); n <= 50; n++ {
		b.record(n)
	}
	b.waitAcked(60)
	p := s.store.ProgressOf("larkspur/mill", "s-1")
	require.EqualValues(t, 20, p.Lost)
	require.EqualValues(t, 20, p.LostByRestore)
	var m bytes.Buffer
	s.metrics(t.Context(), &m)
	require.Contains(t, m.String(), "decktrim_node_lost_by_restore_frames{node=\"larkspur/mill\"} 20\n")
}
