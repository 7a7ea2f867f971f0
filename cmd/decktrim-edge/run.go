package main

import (
	"context"
	"io"
	"log/slog"
	"runtime/debug"

	"github.com/spf13/cobra"

	"decktrim/edge"
	"decktrim/internal/cli"
)

// memoryLimit is where the collector of garbage begins to work harder; the board's
// program needs a fraction of it.
const memoryLimit = 24 << 20

func newRunCmd() *cobra.Command {
	var config, level string
	cmd := &cobra.Command{
		Use:   "run --config edge.toml",
		Short: "Measure, watch, keep and send until told to stop",
		Long: `Measures every channel, sounds the horn when the watch raises an alarm, keeps
each reading on disk until the server has said that it is stored, and sends it.
A bus of kind "simulated" reads simulated chips, so it runs on any machine.

It stops on Ctrl-C or SIGTERM: measuring first, then what is kept is synced, then
what is new is sent for a few seconds at most.`,
		Example: "  decktrim-edge run --config /etc/decktrim/edge.toml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return run(cmd.Context(), config, level, cmd.ErrOrStderr())
		},
	}
	cmd.Flags().StringVar(&config, "config", "edge.toml", "the board's file")
	cmd.Flags().StringVar(&level, "log", "info", "what to log: debug, info, warn or error")
	return cmd
}

func run(ctx context.Context, config, level string, logTo io.Writer) error {
	var l slog.Level
	if err := l.UnmarshalText([]byte(level)); err != nil {
		return cli.Inputf("--log %q is not known: write debug, info, warn or error", level)
	}
	cfg, err := edge.LoadConfig(config)
	if err != nil {
		return cli.Input(err)
	}
	debug.SetMemoryLimit(memoryLimit)
	e, err := edge.New(cfg, edge.Options{Log: slog.New(slog.NewTextHandler(logTo, &slog.HandlerOptions{Level: l})), Version: version})
	if err != nil {
		return err
	}
	return e.Run(ctx)
}
