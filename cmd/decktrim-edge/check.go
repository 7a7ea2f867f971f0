package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"decktrim/edge"
	"decktrim/edge/instruments"
	"decktrim/internal/cli"
	"decktrim/internal/plant"
)

func newCheckCmd() *cobra.Command {
	var config string
	cmd := &cobra.Command{
		Use:   "check --config edge.toml",
		Short: "Read the board's file, probe its buses, and say what answers",
		Long: `Reads the board's file and the plant file it names, opens the buses, asks every
device and says what it reads. Stop 'run' first: a bus is asked by one program at a
time. It ends with exit code 1 if a device does not answer.`,
		Example: "  decktrim-edge check --config /etc/decktrim/edge.toml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return check(cmd.Context(), config, cmd.OutOrStdout())
		},
	}
	cmd.Flags().StringVar(&config, "config", "edge.toml", "the board's file")
	return cmd
}

// openBoard opens the instruments of a board's file.
func openBoard(config string) (*edge.Config, *instruments.Set, error) {
	cfg, err := edge.LoadConfig(config)
	if err != nil {
		return nil, nil, cli.Input(err)
	}
	set, err := instruments.Open(instruments.Options{
		Plant: cfg.Plant, Buses: cfg.Buses, Sensors: cfg.Sensors, Dir: cfg.Dir, Period: time.Duration(cfg.Sample.Period),
	})
	if err != nil {
		return nil, nil, cli.Inputf("%s: %w", cfg.File, err)
	}
	return cfg, set, nil
}

func check(ctx context.Context, config string, out io.Writer) error {
	cfg, set, err := openBoard(config)
	if err != nil {
		return err
	}
	results := set.Probe(ctx)
	if err := set.Close(); err != nil {
		return cli.Failedf("the buses could not be closed: %w", err)
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "bus\tdevice\tanswer\tafter")
	silent := 0
	for _, r := range results {
		answer := r.Detail
		if r.Err != nil {
			silent++
			answer = "NO ANSWER for " + strings.Join(r.Channels, ", ") + ": " + strings.ReplaceAll(r.Err.Error(), "\n", "; ")
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%.1f s\n", r.Bus, r.Device, answer, r.Took.Seconds())
	}
	err = w.Flush()
	for i, c := range cfg.Plant.Channels {
		if !set.Measured(i) && c.Signal != plant.Typed {
			_, e := fmt.Fprintf(out, "channel %s has no sensor in %s: it will be sent as missing\n", c.Name, cfg.File)
			err = errors.Join(err, e)
		}
	}
	if err != nil {
		return err
	}
	if silent > 0 {
		return cli.Failedf("%d of %d devices do not answer: look at their supply, wires and addresses, then check again", silent, len(results))
	}
	_, err = fmt.Fprintf(out, "%d devices answer\n", len(results))
	return err
}
