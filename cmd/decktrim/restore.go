package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"filippo.io/age"
	"github.com/spf13/cobra"

	"decktrim/internal/cli"
	"decktrim/server/backup"
)

type restoreOptions struct{ from, to, identity string }

func newRestoreCmd() *cobra.Command {
	var o restoreOptions
	cmd := &cobra.Command{
		Use:   "restore --from ARCHIVE --to FOLDER",
		Short: "Make a data folder from a backup, on an empty machine",
		Long: `Make a data folder from an archive of the command backup. Everything is checked first:
checksums, both databases page by page, the numbers of rows. The folder gets its name
only when all is right; a folder with anything in it is refused.

Then say data = "FOLDER" under [server] and start decktrim serve. Copies of the server
file and the plant files lie in FOLDER/config. A new access token is made. Boards that
connect are asked to send again what they hold and the copy lacks; what they no longer
hold shows as lost by the restore.`,
		Example: `  decktrim restore --from /mnt/backup/decktrim-20260105T070000.000Z.tar.gz --to /var/lib/decktrim/data
  decktrim restore --from decktrim-20260105T070000.000Z.tar.gz.age --identity office-key.txt --to data`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runRestore(cmd.Context(), o, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.from, "from", "", "the archive")
	f.StringVar(&o.to, "to", "", "the data folder to be: empty, or not there yet")
	f.StringVar(&o.identity, "identity", "", "file with the private key, for an encrypted archive (default none)")
	return cmd
}

func runRestore(ctx context.Context, o restoreOptions, stdout, stderr io.Writer) error {
	if o.from == "" {
		return cli.Inputf("--from is missing; give the archive, for example --from decktrim-20260105T070000.000Z.tar.gz")
	}
	if o.to == "" {
		return cli.Inputf("--to is missing; give the data folder to be, for example --to /var/lib/decktrim/data")
	}
	var keys []age.Identity
	if o.identity != "" {
		text, err := os.ReadFile(o.identity)
		if err != nil {
			return cli.Inputf("the private key cannot be read: %w", err)
		}
		// The error of the parser might show a line of the key.
		if keys, err = age.ParseIdentities(bytes.NewReader(text)); err != nil {
			return cli.Inputf("%s holds no private key of age; a line of it begins with AGE-SECRET-KEY-1", o.identity)
		}
	}
	bar := newProgress(stderr)
	m, err := backup.Restore(ctx, backup.RestoreOptions{From: o.from, To: o.to, Keys: keys, Progress: bar.show})
	bar.end()
	if err != nil {
		return refused(err)
	}
	fmt.Fprintf(stdout, "%s is restored as it was at %s and checked.\nThe configuration of then lies in %s. Set data under [server] to this folder and start decktrim serve.\n",
		o.to, m.Made.Format(time.RFC3339), filepath.Join(o.to, "config"))
	return nil
}
