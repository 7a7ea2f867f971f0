package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"decktrim/edge"
	"decktrim/edge/horn"
	"decktrim/edge/instruments"
	"decktrim/internal/cli"
	"decktrim/internal/plant"
)

func newCheckCmd() *cobra.Command {
	var config string
	var sound bool
	cmd := &cobra.Command{
		Use:   "check --config edge.toml [--horn]",
		Short: "Read the board's file, probe its buses, and say what answers",
		Long: `Reads the board's file and the plant file it names, opens the buses, asks every
device and says what it reads. Stop 'run' first: a bus is asked by one program at a
time. It ends with exit code 1 if a device does not answer.

With --horn it sounds the horn and lights the beacon for 2 s instead. The board
cannot hear them: say so to those nearby first, then listen at the table.`,
		Example: "  decktrim-edge check --config /etc/decktrim/edge.toml\n  decktrim-edge check --config /etc/decktrim/edge.toml --horn",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if sound {
				return testHorn(cmd.Context(), config, cmd.OutOrStdout())
			}
			return check(cmd.Context(), config, cmd.OutOrStdout())
		},
	}
	cmd.Flags().BoolVar(&sound, "horn", false, "sound the horn and light the beacon for 2 s")
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

// hornTest is how long the horn sounds when it is tried.
const hornTest = 2 * time.Second

func testHorn(ctx context.Context, config string, out io.Writer) error {
	cfg, err := edge.LoadConfig(config)
	if err != nil {
		return cli.Input(err)
	}
	if !cfg.Horn.Given() {
		return cli.Inputf("%s has no [horn]: alarms that someone must act on reach nobody at the plant; give path, horn and beacon", cfg.File)
	}
	h, err := horn.Open(cfg.Horn, slog.New(slog.NewTextHandler(out, nil)))
	if err != nil {
		return cli.Failedf("%s: %w", cfg.File, err)
	}
	if err := errors.Join(h.Test(ctx, hornTest), h.Close()); err != nil {
		return cli.Failedf("the horn does not obey: %w", err)
	}
	_, err = fmt.Fprintln(out, "horn and beacon were on for 2 s: did you hear and see them at the table?")
	return err
}
