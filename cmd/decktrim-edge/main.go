// Command decktrim-edge is the board's program: it measures, watches, keeps and
// sends. Advice only: nothing here moves a machine.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
)

// version is stamped by the build (-ldflags -X main.version=...).
var version = "dev"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(cli.Run(ctx, newRoot(), os.Args[1:], os.Stdout, os.Stderr))
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:     "decktrim-edge",
		Short:   "Measure a small gravity mill, watch it, and lose no reading. Advice only: people set the plant.",
		Version: version,
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.AddCommand(
		newRunCmd(),
		newCheckCmd(),
		newCalibrateCmd(),
		newSpoolCmd(),
	)
	return root
}
