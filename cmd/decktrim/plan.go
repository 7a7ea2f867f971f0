package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"decktrim/internal/advise"
	"decktrim/internal/cli"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

func newPlanCmd() *cobra.Command {
	var h history
	var n int
	var lot float64
	cmd := &cobra.Command{
		Use:   "plan --plant plant.toml --source NAME --count N",
		Short: "Plan paired runs: what they cost, how long they take, what they could show; or why not",
		Example: "  decktrim plan --plant plant.toml --runs runs.csv --source \"Dunlin Lode\" --count 16\n" +
			"  decktrim plan --plant plant.toml --runs runs.csv --source \"Dunlin Lode\" --count 16 --lot 30 --format json",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := oneOf("format", h.format, "text", "json"); err != nil {
				return err
			}
			if !cmd.Flags().Changed("count") {
				return cli.Inputf("--count is missing; say how many runs may be made, for example --count 16")
			}
			if cmd.Flags().Changed("lot") && !(lot > 0) {
				return cli.Inputf("--lot is %g; give the tonnes of one lot, more than 0", lot)
			}
			p, all, err := h.load(true)
			if err != nil {
				return err
			}
			return runPlan(cmd.OutOrStdout(), p, all, advise.PlanOptions{Source: h.source, Count: n, LotTonnes: lot}, h.format)
		},
	}
	h.flags(cmd, "text or json")
	cmd.Flags().IntVar(&n, "count", 0, "runs that may be made")
	cmd.Flags().Float64Var(&lot, "lot", 0, "tonnes of one lot")
	return cmd
}

func runPlan(out io.Writer, p *plant.Plant, all []runs.Run, o advise.PlanOptions, format string) error {
	plan, err := advise.MakePlan(p, all, o)
	if err != nil {
		return cli.Input(err)
	}
	if format == "json" {
		return writeJSON(out, plan)
	}
	w := &printer{out: out}
	verdict := fmt.Sprintf("%d paired runs", len(plan.Runs))
	if len(plan.Runs) == 0 {
		verdict = "no trial"
	}
	w.line("%s, %s: %s", p.Plant.Name, plan.Source, verdict)
	w.line("This system advises. People set the plant.")
	w.line("")
	if g := plan.Gain; g.Mean != nil {
		w.line("Expected gain of B: %+.1f (between %+.1f and %+.1f)", *g.Mean, *g.Lower, *g.Upper)
	}
	w.list("Why", plan.Reasons)
	w.list("Withheld", plan.Withheld)
	if len(plan.Runs) > 0 {
		w.line("")
		w.line("run  block  lot  arm  settings")
		for i, r := range plan.Runs {
			w.line("%3d  %-5s  %3d  %-3s  %s", i+1, r.Block, r.Lot, r.Arm, settingsText(p, r.Settings))
		}
	}
	return w.err
}
