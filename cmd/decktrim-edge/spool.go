package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"time"

	"github.com/spf13/cobra"

	"decktrim/edge"
	"decktrim/edge/frames"
	"decktrim/edge/spool"
	"decktrim/internal/cli"
)

func newSpoolCmd() *cobra.Command {
	var config, dir, format string
	cmd := &cobra.Command{
		Use:   "spool [--config edge.toml | --dir FOLDER]",
		Short: "Say what is kept, what is unsent, and what was lost",
		Long: `Looks into the board's spool without touching it, also while 'run' is writing
there. What it shows of the server's confirmations may be five minutes old while
'run' is running.`,
		Example: "  decktrim-edge spool --config /etc/decktrim/edge.toml\n  decktrim-edge spool --dir /var/lib/decktrim-edge --format json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if dir == "" {
				cfg, err := edge.LoadConfig(config)
				if err != nil {
					return cli.Input(err)
				}
				dir = cfg.Spool.Dir
			}
			return showSpool(cmd.OutOrStdout(), dir, format, time.Now())
		},
	}
	cmd.Flags().StringVar(&config, "config", "edge.toml", "the board's file")
	cmd.Flags().StringVar(&dir, "dir", "", "the spool's folder, in place of the one in the file")
	cmd.Flags().StringVar(&format, "format", "text", "text or json")
	return cmd
}

// spoolReport is the answer as JSON. Numbers are those of records; times UTC.
type spoolReport struct {
	Dir             string     `json:"dir"`
	Stream          string     `json:"stream"`
	Oldest          uint64     `json:"oldest"`
	Last            uint64     `json:"last"`
	Kept            uint64     `json:"kept"`
	Acked           uint64     `json:"acked"`
	Unsent          uint64     `json:"unsent"`
	OldestUnsent    *time.Time `json:"oldest_unsent"`       // null: none, or its time is not known
	OldestUnsentAge *float64   `json:"oldest_unsent_age_s"` // s
	Bytes           int64      `json:"bytes"`
	Segments        int        `json:"segments"`
	Damaged         uint64     `json:"damaged"`    // numbers lost to damage on the card
	TornBytes       int64      `json:"torn_bytes"` // of a write that a power cut interrupted
	Dropped         uint64     `json:"dropped"`    // unconfirmed, lost to a full spool
	Refused         uint64     `json:"refused"`    // not taken: the disk refused and memory was full
}

func showSpool(out io.Writer, dir, format string, now time.Time) error {
	if format != "text" && format != "json" {
		return cli.Inputf("--format %q is not known: write text or json", format)
	}
	s, err := spool.Look(spool.Options{Dir: dir})
	var newer *spool.NewerVersionError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return cli.Inputf("there is no spool in %s: name its folder with --dir, or the board's file with --config", dir)
	case errors.As(err, &newer):
		return cli.Input(err)
	case err != nil:
		return err
	}
	r, err := reportSpool(s, dir, now)
	if err != nil {
		return err
	}
	if format == "json" {
		enc := json.NewEncoder(out)
		enc.SetIndent("", " ")
		return enc.Encode(r)
	}
	return printSpool(out, r)
}

func reportSpool(s *spool.Spool, dir string, now time.Time) (*spoolReport, error) {
	// Reading all of it finds what is damaged, and counts what is held.
	r := &spoolReport{Dir: dir}
	acked := s.Acked()
	for from := uint64(1); ; {
		const batch = 5000
		rs, err := s.Read(from, batch)
		if err != nil {
			return nil, err
		}
		if len(rs) == 0 {
			break
		}
		from = rs[len(rs)-1].Seq + 1
		r.Kept += uint64(len(rs))
		for _, rec := range rs {
			if rec.Seq <= acked {
				continue
			}
			if r.Unsent == 0 {
				if f, err := frames.Decode(rec.Payload); err == nil && f.ClockSet {
					age := now.Sub(f.Time).Seconds()
					r.OldestUnsent, r.OldestUnsentAge = &f.Time, &age
				}
			}
			r.Unsent++
		}
	}
	st := s.Stats()
	r.Stream, r.Oldest, r.Last, r.Acked = st.Stream, st.Oldest, st.Last, st.Acked
	r.Bytes, r.Segments = st.Bytes, st.Segments
	r.Damaged, r.TornBytes, r.Dropped, r.Refused = st.Damaged, st.TornBytes, st.Dropped, st.Refused
	return r, nil
}

func printSpool(out io.Writer, r *spoolReport) error {
	kept := "nothing"
	if r.Kept > 0 {
		kept = fmt.Sprintf("%d records, number %d to %d", r.Kept, r.Oldest, r.Last)
	}
	age := "none"
	switch {
	case r.Unsent > 0 && r.OldestUnsent == nil:
		age = "taken before the clock was set"
	case r.Unsent > 0:
		age = fmt.Sprintf("%s (%s ago)", r.OldestUnsent.Format(time.RFC3339), time.Duration(*r.OldestUnsentAge*float64(time.Second)).Round(time.Second))
	}
	_, err := fmt.Fprintf(out, `spool in        %s
stream          %s
kept            %s; %.1f MB in %d files
confirmed to    %d
unsent          %d
oldest unsent   %s
damaged         %d
dropped (full)  %d
refused (disk)  %d
`, r.Dir, r.Stream, kept, float64(r.Bytes)/1e6, r.Segments, r.Acked, r.Unsent, age, r.Damaged, r.Dropped, r.Refused)
	return err
}
