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

func newAdviseCmd() *cobra.Command {
	var h history
	var at string
	cmd := &cobra.Command{
		Use:   "advise --plant plant.toml --runs runs.csv --source NAME",
		Short: "Say which setting to try next, how much better and how sure; or to hold",
		Example: "  decktrim advise --plant plant.toml --runs runs.csv --source \"Dunlin Lode\"\n" +
			"  decktrim advise --plant plant.toml --runs runs.csv --source \"Dunlin Lode\" --at wash_water=45,deck_tilt=2.0 --format json",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := oneOf("format", h.format, "text", "json"); err != nil {
				return err
			}
			p, all, err := h.load(false)
			if err != nil {
				return err
			}
			where, err := parseAt(at)
			if err != nil {
				return err
			}
			return runAdvise(cmd.OutOrStdout(), p, all, advise.Options{Source: h.source, At: where}, h.format)
		},
	}
	h.flags(cmd, "text or json")
	cmd.Flags().StringVar(&at, "at", "", "where the plant stands, name=value,... (default: where the last run left it)")
	return cmd
}

func runAdvise(out io.Writer, p *plant.Plant, all []runs.Run, o advise.Options, format string) error {
	a, err := advise.Advise(p, all, o)
	if err != nil {
		return cli.Input(err)
	}
	if near := nearSource(p, all, o.Source); near != "" && a.RunsUsed == 0 && len(a.Waiting) == 0 {
		a.Reasons = append(a.Reasons, fmt.Sprintf("Did you mean the ore source %s?", near))
	}
	if format == "json" {
		return writeJSON(out, a)
	}
	w := &printer{out: out}
	w.line("%s, %s: %s", p.Plant.Name, a.Source, a.Action)
	w.line("This system advises. People set the plant.")
	w.line("")
	w.line("Present setting:    %s", settingsText(p, a.Present))
	if a.Action != advise.Hold {
		w.line("Next:               %s", settingsText(p, a.Settings))
	}
	w.line("Best-known setting: %s", settingsText(p, a.BestKnown))
	w.line("Recovery now:       %s", between(a.RecoveryNow, " %"))
	if a.Action != advise.Hold {
		w.line("Recovery next:      %s", between(a.RecoveryNext, " %"))
	}
	if a.GradeNext.Mean != nil {
		w.line("Concentrate grade:  %s", between(a.GradeNext, " "+p.Objective.GradeUnit))
	}
	w.line("")
	w.list("Why", a.Reasons)
	w.list("Withheld", a.Withheld)
	var waiting, left []string
	for _, r := range a.Waiting {
		due := ", no date promised"
		if r.Due != "" {
			due = ", due " + r.Due
		}
		waiting = append(waiting, "run "+r.Run+due)
	}
	for _, r := range a.RunsNotUsed {
		left = append(left, "run "+r.Run+": "+r.Why)
	}
	w.list("At the laboratory", waiting)
	w.list("Runs not used", left)
	return w.err
}
