package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
	"decktrim/server"
)

func newServeCmd() *cobra.Command {
	var config string
	cmd := &cobra.Command{
		Use:   "serve --config server.toml",
		Short: "Run the server: broker, store, screens, JSON API",
		Long: `Run the server: take the readings of the boards, store and confirm them, watch the
plant, and answer with screens and a JSON API. It ends on SIGINT or SIGTERM.

Sign-in: at the first start the file access-token is made in the data folder; give its
text at /sign-in or as Authorization: Bearer. With sign_in = "auto" (the default) and a
server that listens on loopback, programs on the same machine may read /api/v1/now,
/api/v1/series, /api/openapi.json and /metrics without it.

Which boards may send: those listed under [mqtt] as nodes = ["GROUP/NODE"] and those
that a [[channel]] of a plant file names as node; or, on loopback only, all of them
with accept_unknown_nodes = true.`,
		Example: "  decktrim serve --config server.toml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return serve(cmd.Context(), config, cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	cmd.Flags().StringVar(&config, "config", "", "the server file (server.toml)")
	return cmd
}

func serve(ctx context.Context, config string, stdout, stderr io.Writer) error {
	c, err := loadServerConfig(config)
	if err != nil {
		return err
	}
	s, err := server.New(server.Options{Config: c, Version: version, Log: slog.New(slog.NewTextHandler(stderr, nil))})
	if err != nil {
		return cli.Failedf("%w", err)
	}
	fmt.Fprintf(stdout, "listening on %s\n", s.URL()) // the port is open and New is done: it answers
	return s.Run(ctx)
}

func loadServerConfig(name string) (server.Config, error) {
	if name == "" {
		return server.Config{}, cli.Inputf("--config is missing; give the server file, for example --config server.toml")
	}
	c, err := server.LoadConfig(name)
	return c, cli.Input(err)
}
