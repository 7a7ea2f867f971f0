package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
	"decktrim/internal/plant"
	"decktrim/internal/readings"
	"decktrim/internal/watch"
)

func newReplayCmd() *cobra.Command {
	var plantFile, readingsFile, format string
	cmd := &cobra.Command{
		Use:     "replay --plant plant.toml --readings readings.csv",
		Short:   "Run the watch over recorded readings and print what it would have told",
		Example: "  decktrim replay --plant plant.toml --readings readings.csv\n  decktrim replay --plant plant.toml --readings readings.csv --format jsonl",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			p, err := loadPlant(plantFile)
			if err != nil {
				return err
			}
			if err := oneOf("format", format, "text", "jsonl"); err != nil {
				return err
			}
			if readingsFile == "" {
				return cli.Inputf("--readings is missing; give the file with the recorded readings")
			}
			in, err := os.Open(readingsFile)
			if err != nil {
				return cli.Inputf("cannot open the readings: %w", err)
			}
			defer in.Close()
			return replay(cmd.OutOrStdout(), readingsFile, bufio.NewReaderSize(in, 1<<20), p, format)
		},
	}
	cmd.Flags().StringVar(&plantFile, "plant", "", "plant file")
	cmd.Flags().StringVar(&readingsFile, "readings", "", "recorded readings, csv")
	cmd.Flags().StringVar(&format, "format", "text", "text or jsonl")
	return cmd
}

// replay prints each event as it happens.
func replay(out io.Writer, name string, in io.Reader, p *plant.Plant, format string) error {
	rows, err := readings.NewReader(name, in, p)
	if err != nil {
		return cli.Input(err)
	}
	w := watch.New(rows.Plant())
	buffered := bufio.NewWriter(out)
	enc := json.NewEncoder(buffered)
	enc.SetEscapeHTML(false)
	alarms, frames := 0, 0
	for {
		f, err := rows.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return errors.Join(buffered.Flush(), cli.Input(err))
		}
		frames++
		for _, e := range w.Observe(f) {
			if e.Kind != watch.PlantState && e.State == "raised" {
				alarms++
			}
			if format == "jsonl" {
				err = enc.Encode(e)
			} else {
				_, err = fmt.Fprintln(buffered, eventLine(e, rows.Plant()))
			}
			if err != nil {
				return err
			}
		}
	}
	if format == "text" {
		fmt.Fprintf(buffered, "%d rows, %d alarms.\n", frames, alarms)
	}
	return buffered.Flush()
}

func eventLine(e watch.Event, p *plant.Plant) string {
	at := e.Time.In(p.Location).Format("2006-01-02 15:04:05")
	switch {
	case e.Kind == watch.PlantState:
		return fmt.Sprintf("%s        %s", at, e.Detail)
	case e.State == "cleared":
		return fmt.Sprintf("%s  over  %s %s", at, e.Kind, e.Channel)
	}
	return fmt.Sprintf("%s  %-4s  %s %s: %s", at, e.Priority, e.Kind, e.Channel, e.Detail)
}
