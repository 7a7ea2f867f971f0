// Command decktrim-edge is the board's program: it measures, watches, keeps and
// sends. Advice only: nothing here moves a machine.
package main

import (
	_ "time/tzdata" // zones on boards that have no zone files

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
)

// version is stamped by the build (-ldflags -X main.version=...).
var version = "dev"

func main() { cli.Main(newRoot()) }

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
