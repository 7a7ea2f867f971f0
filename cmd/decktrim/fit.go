package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
	"decktrim/internal/contour"
	"decktrim/internal/fit"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

func newFitCmd() *cobra.Command {
	var h history
	cmd := &cobra.Command{
		Use:   "fit --plant plant.toml --runs runs.csv --source NAME",
		Short: "Fit the response to the settings: effects, optimum, how good the fit is, contours",
		Example: "  decktrim fit --plant plant.toml --runs runs.csv --source \"Dunlin Lode\"\n" +
			"  decktrim fit --plant plant.toml --runs runs.csv --source \"Dunlin Lode\" --format svg > contours.svg",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := oneOf("format", h.format, "text", "json", "svg"); err != nil {
				return err
			}
			p, all, err := h.load(false)
			if err != nil {
				return err
			}
			return runFit(cmd.OutOrStdout(), p, all, h.source, h.format)
		},
	}
	h.flags(cmd, "text, json or svg")
	return cmd
}

func runFit(out io.Writer, p *plant.Plant, all []runs.Run, source, format string) error {
	r, err := fit.Fit(p, all, source)
	if err != nil {
		return cli.Input(err)
	}
	switch format {
	case "json":
		return writeJSON(out, r)
	case "svg":
		svg, err := contours(p, r)
		if err != nil {
			return err
		}
		if _, err := io.WriteString(out, svg); err != nil {
			return fmt.Errorf("cannot write the drawing: %w", err)
		}
		return nil
	}
	return fitText(out, p, r)
}

func optional(v *float64, format string) string {
	if v == nil {
		return "not known"
	}
	return fmt.Sprintf(format, *v)
}

func fitText(out io.Writer, p *plant.Plant, r fit.Result) error {
	so := r.SecondOrder
	w := &printer{out: out}
	w.line("%s, %s: %d runs used", p.Plant.Name, r.Source, r.RunsUsed)
	w.line("")
	w.line("Second-order surface, settings coded -1 at min to 1 at max")
	w.line("%-32s %12s %10s", "term", "coefficient", "s.e.")
	for _, t := range so.Terms {
		w.line("%-32s %12.5g %10s", t.Name, t.Coefficient, optional(t.SE, "%.3g"))
	}
	if len(so.NotEstimable) > 0 {
		w.line("cannot be estimated: %s", strings.Join(so.NotEstimable, ", "))
	}
	w.line("")
	w.line("R2 %s, adjusted %s, predictive %s; residual sd %s", optional(so.RSquared, "%.4f"), optional(so.AdjustedRSquared, "%.4f"), optional(so.PredictiveRSquared, "%.4f"), optional(so.ResidualSD, "%.3g"))
	if l := so.LackOfFit; l != nil {
		w.line("lack of fit: F %.3g on %d and %d, p %.3g", l.F, l.DF[0], l.DF[1], l.P)
	} else {
		w.line("lack of fit: not known, no repeats or nothing left over")
	}
	where := "outside what was tried"
	if so.StationaryInside {
		where = "inside what was tried"
	}
	if so.StationaryPoint != nil {
		w.line("stationary point (%s, %s): %s", so.StationaryKind, where, settingsText(p, so.StationaryPoint))
	} else {
		w.line("stationary point: none")
	}
	best := fmt.Sprintf("best inside the bounds: %s: %s", settingsText(p, r.BestInside.Settings), between(r.BestInside.Recovery, ""))
	if len(r.BestInside.AtBounds) > 0 {
		best += ", at the bound of " + strings.Join(r.BestInside.AtBounds, " and ")
	}
	w.line("%s", best)
	w.line("")
	w.line("Model in use: %s", r.Model.Method)
	w.line("present setting %s: %s", settingsText(p, r.Model.Present), between(r.Model.Now, ""))
	if r.Model.BestTried.Settings != nil {
		w.line("best tried setting %s: %s", settingsText(p, r.Model.BestTried.Settings), between(r.Model.BestTried.Recovery, ""))
	}
	w.line("")
	w.list("Mind", r.Warnings)
	return w.err
}

// halfWidthKnown is the half-width of the interval, points, above which a map is
// hatched as not known.
const halfWidthKnown = 3.0

// contours draws the model in use over the two settings that the runs varied most,
// the others at the present setting.
func contours(p *plant.Plant, r fit.Result) (string, error) {
	x, y := mostVaried(p, r.Used())
	if y == "" {
		return "", cli.Failedf("a contour drawing needs two settings and the plant file has one; use --format text or json")
	}
	const side = 41
	m, err := r.InUse().Surface(x, y, side, r.Model.Present)
	if err != nil {
		return "", err
	}
	label := func(s plant.Setting) string { return strings.ReplaceAll(s.Name, "_", " ") + ", " + s.Unit }
	spec := contour.Spec{
		Title: fmt.Sprintf("%s: recovery by the model in use", r.Source),
		Note:  fmt.Sprintf("%d runs; hatched where the interval is wider than %g points each way; advice only", r.RunsUsed, halfWidthKnown),
		X:     contour.Axis{Label: label(m.X), Min: m.X.Min, Max: m.X.Max}, Y: contour.Axis{Label: label(m.Y), Min: m.Y.Min, Max: m.Y.Max},
		Z: m.Mean, Unit: "%",
	}
	for _, row := range m.HalfWidth {
		unknown := make([]bool, len(row))
		for c, half := range row {
			unknown[c] = half > halfWidthKnown
		}
		spec.Unknown = append(spec.Unknown, unknown)
	}
	mark := func(kind, title string, at map[string]float64) {
		if at[x] >= m.X.Min && at[x] <= m.X.Max && at[y] >= m.Y.Min && at[y] <= m.Y.Max {
			spec.Marks = append(spec.Marks, contour.Mark{X: at[x], Y: at[y], Kind: kind, Title: title})
		}
	}
	for _, run := range r.Used() {
		mark("tried", fmt.Sprintf("run %s: %.1f", run.ID, *run.Recovery), run.Settings)
	}
	if r.Model.BestTried.Settings != nil {
		mark("best", "best tried setting", r.Model.BestTried.Settings)
	}
	mark("present", "present setting", r.Model.Present)
	return contour.Draw(spec), nil
}

// mostVaried names the two settings with the widest tried range as a part of what
// is allowed, in the plant file's order.
func mostVaried(p *plant.Plant, used []runs.Run) (x, y string) {
	width := func(s plant.Setting) float64 {
		least, most := used[0].Settings[s.Name], used[0].Settings[s.Name]
		for _, r := range used {
			least, most = min(least, r.Settings[s.Name]), max(most, r.Settings[s.Name])
		}
		return (most - least) / (s.Max - s.Min)
	}
	if len(p.Settings) < 2 {
		return p.Settings[0].Name, ""
	}
	a, b := 0, 1
	if width(p.Settings[b]) > width(p.Settings[a]) {
		a, b = b, a
	}
	for i := 2; i < len(p.Settings); i++ {
		switch wi := width(p.Settings[i]); {
		case wi > width(p.Settings[a]):
			a, b = i, a
		case wi > width(p.Settings[b]):
			b = i
		}
	}
	return p.Settings[min(a, b)].Name, p.Settings[max(a, b)].Name
}
