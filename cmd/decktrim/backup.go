package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"filippo.io/age"
	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"decktrim/internal/cli"
	"decktrim/server/backup"
)

type backupOptions struct {
	config, to, recipientsFile string
	recipients                 []string
	compress                   bool
	rate                       int
}

func newBackupCmd() *cobra.Command {
	var o backupOptions
	cmd := &cobra.Command{
		Use:   "backup --config server.toml --to FOLDER",
		Short: "Copy all that is stored into one checked file, while the server runs",
		Long: `Write readings, ledger and copies of the configuration, as they are at one moment, into
one archive in a folder: decktrim-TIME.tar, with .gz if compressed and .age if encrypted.
The server goes on meanwhile. The archive gets its name only when it is whole, synced,
and read again from the disk and found right; the System screen then shows its age.

Keep archives on another disk or machine. Keys, certificates and the access token are
not in it: keep them apart. With --recipient the archive is encrypted (age); what is not
yet encrypted then lies in the data folder for as long as the backup takes, never in the
target folder. Readings of the last days that a restored copy lacks are sent again by
the boards as far as they still hold them; what was entered after the backup is in no
board, so make one at least every day and after important entries.`,
		Example: `  decktrim backup --config server.toml --to /mnt/backup
  decktrim backup --config server.toml --to /mnt/backup --recipients-file office-keys.txt`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runBackup(cmd.Context(), o, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.config, "config", "", "the server file (server.toml)")
	f.StringVar(&o.to, "to", "", "the folder for the archive; it must be there")
	f.StringArrayVar(&o.recipients, "recipient", nil, "encrypt for this public key, age1...; repeatable (default not encrypted)")
	f.StringVar(&o.recipientsFile, "recipients-file", "", "encrypt for the public keys in this file, one a line")
	f.BoolVar(&o.compress, "compress", true, "compress the archive")
	f.IntVar(&o.rate, "rate", 64, "MiB/s of the databases read at most, to leave the server its disk; 0: no limit")
	return cmd
}

func runBackup(ctx context.Context, o backupOptions, stdout, stderr io.Writer) error {
	if o.to == "" {
		return cli.Inputf("--to is missing; give the folder for the archive, for example --to /mnt/backup")
	}
	if o.rate < 0 || o.rate > 1<<20 {
		return cli.Inputf("--rate %d is not a rate; give MiB/s from 0 (no limit) to %d", o.rate, 1<<20)
	}
	recipients, err := o.parseRecipients()
	if err != nil {
		return err
	}
	c, err := loadServerConfig(o.config)
	if err != nil {
		return err
	}
	bar := newProgress(stderr)
	r, err := backup.Run(ctx, backup.Options{Data: c.Server.Data, Configs: append([]string{o.config}, c.Server.Plants...), To: o.to,
		Compress: o.compress, Recipients: recipients, Rate: int64(o.rate) << 20, Version: version, Progress: bar.show})
	bar.end()
	if err != nil {
		return cli.Failedf("no backup was made: %w", err)
	}
	fmt.Fprintf(stdout, "%s\n%.2f MiB, state of %s, checked; SHA-256 %s\n", r.File, float64(r.Bytes)/(1<<20), r.Made.Format(time.RFC3339), r.SHA256)
	return nil
}

func (o *backupOptions) parseRecipients() ([]age.Recipient, error) {
	var out []age.Recipient
	for _, text := range o.recipients {
		r, err := age.ParseRecipients(strings.NewReader(text))
		if err != nil {
			return nil, cli.Inputf("--recipient %.20q is not a public key of age; it begins with age1", text)
		}
		out = append(out, r...)
	}
	if o.recipientsFile == "" {
		return out, nil
	}
	text, err := os.ReadFile(o.recipientsFile)
	if err != nil {
		return nil, cli.Inputf("the public keys cannot be read: %w", err)
	}
	r, err := age.ParseRecipients(bytes.NewReader(text))
	if err != nil {
		return nil, cli.Inputf("%s holds no public keys of age: %w", o.recipientsFile, err)
	}
	return append(out, r...), nil
}

// progress shows how far long work is, on a terminal alone.
type progress struct {
	w    io.Writer // nil: none
	last time.Time
	step string
}

func newProgress(stderr io.Writer) *progress {
	f, ok := stderr.(*os.File)
	if !ok {
		return &progress{}
	}
	if _, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS); err != nil {
		return &progress{} // no terminal
	}
	return &progress{w: f}
}

func (p *progress) show(step string, done, total int64) {
	if p.w == nil || step == p.step && time.Since(p.last) < 200*time.Millisecond && done < total {
		return
	}
	p.step, p.last = step, time.Now()
	text := step
	if total > 0 {
		text = fmt.Sprintf("%s: %d of %d MiB, %d %%", step, done>>20, total>>20, 100*done/total)
	}
	fmt.Fprintf(p.w, "\r\x1b[K%s", text)
}

func (p *progress) end() {
	if p.w != nil && p.step != "" {
		fmt.Fprint(p.w, "\r\x1b[K")
	}
}

// refused gives what was wrong with the input its exit code.
func refused(err error) error {
	var r *backup.Refusal
	if errors.As(err, &r) {
		return cli.Input(err)
	}
	return cli.Failedf("%w", err)
}
