// Command decktrim is the office program: server, demo and the tools that work on
// files.
package main

import (
	_ "time/tzdata" // zones on boards and servers that have no zone files

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
)

// version is stamped by the build (-ldflags -X main.version=...).
var version = "dev"

func main() { cli.Main(newRoot()) }

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:     "decktrim",
		Short:   "Watch, balance and advise a small gravity mill. Advice only: people set the plant.",
		Version: version,
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.AddCommand(
		newDemoCmd(),
		newAdviseCmd(),
		newFitCmd(),
		newPlanCmd(),
		newBalanceCmd(),
		newSamplingCmd(),
		newReplayCmd(),
		newServeCmd(),
		newExportCmd(),
		newBackupCmd(),
		newRestoreCmd(),
	)
	return root
}
