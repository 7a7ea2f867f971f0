package main

import (
	"bufio"
	"context"
	"encoding/base64"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
	"decktrim/server/store"
)

func newExportCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "export",
		Short: "Write out what is stored",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		Example: `  decktrim export readings --config server.toml --node larkspur/mill --from 2026-01-05T07:00:00Z > readings.csv
  decktrim export readings --config server.toml --format jsonl`,
	}
	cmd.AddCommand(newExportReadingsCmd())
	return cmd
}

type exportOptions struct{ config, node, from, to, format string }

func newExportReadingsCmd() *cobra.Command {
	var o exportOptions
	cmd := &cobra.Command{
		Use:   "readings --config server.toml",
		Short: "Write out stored readings, whether the server runs, was stopped or was killed",
		Long: `Write out stored readings as the boards sent them: one line each, by node, then in the
order of the board's numbers. It reads one state of the store, also while the server runs.`,
		Example: "  decktrim export readings --config server.toml --node larkspur/mill --format jsonl",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return exportReadings(cmd.Context(), o, cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.config, "config", "", "the server file (server.toml)")
	f.StringVar(&o.node, "node", "", "only this node, as GROUP/NODE")
	f.StringVar(&o.from, "from", "", "from this time on, RFC 3339")
	f.StringVar(&o.to, "to", "", "until before this time, RFC 3339")
	f.StringVar(&o.format, "format", "csv", "csv or jsonl")
	return cmd
}

func exportReadings(ctx context.Context, o exportOptions, w io.Writer) error {
	if err := oneOf("format", o.format, "csv", "jsonl"); err != nil {
		return err
	}
	filter := store.Filter{Node: o.node}
	if o.node != "" && strings.Count(o.node, "/") != 1 {
		return cli.Inputf("--node %q is not GROUP/NODE; write it as larkspur/mill", o.node)
	}
	for _, t := range []struct {
		flag, text string
		into       *time.Time
	}{{"from", o.from, &filter.From}, {"to", o.to, &filter.To}} {
		if t.text == "" {
			continue
		}
		at, err := time.Parse(time.RFC3339, t.text)
		if err != nil {
			return cli.Inputf("--%s %q is not a time; write it as 2026-01-05T07:00:00Z", t.flag, t.text)
		}
		*t.into = at
	}
	c, err := loadServerConfig(o.config)
	if err != nil {
		return err
	}
	s, err := store.OpenForExport(c.Server.Data)
	if err != nil {
		return cli.Failedf("%w", err)
	}
	defer s.Close()
	out := bufio.NewWriterSize(w, 64<<10)
	write, end := jsonLines(out), func() error { return nil }
	if o.format == "csv" {
		if write, end, err = csvLines(out); err != nil {
			return err
		}
	}
	return errors.Join(s.Export(ctx, filter, write), end(), out.Flush())
}

// exportLine is a JSON line. What is not from a spool has no stream and no seq.
type exportLine struct {
	Node    string  `json:"node"`
	Device  *string `json:"device"`
	Metric  string  `json:"metric"`
	TS      int64   `json:"ts"` // ms since 1970
	Value   any     `json:"value"`
	Quality int     `json:"quality"`
	Stream  *string `json:"stream"`
	Seq     *int64  `json:"seq"`
	Boot    string  `json:"boot,omitempty"`
	Reason  string  `json:"reason,omitempty"`
}

func lineOf(r store.ExportRow) exportLine {
	l := exportLine{Node: r.Node, Metric: r.Metric, TS: r.TS, Value: r.Value, Quality: int(r.Quality), Boot: r.Boot, Reason: string(r.Reason)}
	if b, ok := r.Value.([]byte); ok {
		l.Value = base64.StdEncoding.EncodeToString(b)
	}
	if r.Device != "" {
		l.Device = &r.Device
	}
	if r.Stream != "" {
		l.Stream, l.Seq = &r.Stream, &r.Seq
	}
	return l
}

func jsonLines(w io.Writer) func(store.ExportRow) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	return func(r store.ExportRow) error { return e.Encode(lineOf(r)) }
}

// csvLines writes the same columns. Text that a spreadsheet would take for a formula
// gets an apostrophe in front; numbers stay numbers.
func csvLines(w io.Writer) (write func(store.ExportRow) error, end func() error, err error) {
	c := csv.NewWriter(w)
	if err := c.Write([]string{"time", "node", "device", "metric", "value", "quality", "stream", "seq", "boot", "reason"}); err != nil {
		return nil, nil, err
	}
	end = func() error { c.Flush(); return c.Error() }
	return func(r store.ExportRow) error {
		l := lineOf(r)
		value := ""
		switch v := l.Value.(type) {
		case nil:
		case string:
			value = inert(v)
		case float64:
			value = strconv.FormatFloat(v, 'g', -1, 64)
		default:
			value = fmt.Sprint(v)
		}
		seq := ""
		if l.Seq != nil {
			seq = strconv.FormatInt(*l.Seq, 10)
		}
		return c.Write([]string{time.UnixMilli(r.TS).UTC().Format("2006-01-02T15:04:05.000Z07:00"), inert(r.Node), inert(r.Device),
			inert(r.Metric), value, strconv.Itoa(l.Quality), inert(r.Stream), seq, inert(r.Boot), inert(l.Reason)})
	}, end, nil
}

// inert keeps text from being run by a spreadsheet.
func inert(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r\x00", rune(s[0])) {
		return "'" + s
	}
	return s
}
