package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"decktrim/internal/balance"
	"decktrim/internal/cli"
	"decktrim/internal/plant"
	"decktrim/internal/units"
)

func newBalanceCmd() *cobra.Command {
	var samplesFile, plantFile, format, system string
	var junctions []string
	cmd := &cobra.Command{
		Use:   "balance --samples samples.csv [--plant plant.toml] [--junction '..']",
		Short: "Where the metal went: reconciled masses and assays, recovery with its error, suspects",
		Long: `Balance reconciles the masses and assays of one sampled spell: the least adjustment,
weighted by the standard errors, that closes the dry mass and every element. It
prints recovery with its standard error and 95 % interval, tests which figures do
not fit, and says what was by difference or not accounted for.

samples.csv has one row a stream: stream,dry_mass_kg,dry_mass_kg_se and for each
element its grade with the unit in the name and its standard error, for example
au_gpt,au_gpt_se or pb_pct,pb_pct_se. An empty field is not measured. Masses are dry.
Standard errors that are missing are assumed, and it says so.

Junctions say what adds up to what. Without --junction they come from the plant
file's products, or else are 'feed = concentrate_1 + concentrate_2 + middlings + tailings'.`,
		Example: `  decktrim balance --samples samples.csv
  decktrim balance --samples samples.csv --plant plant.toml --format json
  decktrim balance --samples samples.csv --units us
  decktrim balance --samples samples.csv --junction 'feed = concentrate_1 + middlings + tailings' --junction 'middlings = concentrate_2 + second_tailings'`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := oneOf("format", format, "text", "json"); err != nil {
				return err
			}
			sys, err := units.ParseSystem(system)
			if err != nil {
				return cli.Inputf("--units: %w", err)
			}
			var p *plant.Plant
			if plantFile != "" {
				if p, err = loadPlant(plantFile); err != nil {
					return err
				}
			}
			if samplesFile == "" {
				return cli.Inputf("--samples is missing; give the file of masses and assays, for example --samples samples.csv")
			}
			in, err := os.Open(samplesFile)
			if err != nil {
				return cli.Inputf("cannot open the samples: %w", err)
			}
			defer in.Close()
			return runBalance(cmd.OutOrStdout(), samplesFile, in, p, junctions, format, sys)
		},
	}
	cmd.Flags().StringVar(&samplesFile, "samples", "", "masses and assays, csv")
	cmd.Flags().StringVar(&plantFile, "plant", "", "plant file: its products and which of them recovery counts")
	cmd.Flags().StringArrayVar(&junctions, "junction", nil, "what adds up to what, 'feed = concentrate_1 + tailings' (repeatable)")
	cmd.Flags().StringVar(&format, "format", "text", "text or json")
	cmd.Flags().StringVar(&system, "units", "metric", "metric or us, for text")
	return cmd
}

// runBalance reads, reconciles and prints one balance. p may be nil.
func runBalance(out io.Writer, name string, in io.Reader, p *plant.Plant, junctions []string, format string, sys units.System) error {
	samples, err := balance.ParseSamples(name, in)
	if err != nil {
		return cli.Input(err)
	}
	o := balance.Options{}
	for i, text := range junctions {
		j, err := balance.ParseJunction("--junction", i+1, text)
		if err != nil {
			return cli.Input(err)
		}
		o.Junctions = append(o.Junctions, j)
	}
	if p != nil {
		o.Counted = p.Objective.ProductsCounted
		if len(o.Junctions) == 0 && len(p.Products) > 0 {
			o.Junctions = plantJunction(p, samples)
		}
	}
	res, err := balance.Reconcile(samples, o)
	if err != nil {
		return cli.Input(err)
	}
	if !slices.ContainsFunc(res.Elements, func(e balance.Element) bool { return len(res.Recovery[e.Name]) > 0 }) {
		return cli.Failedf("%s: no recovery can be known from these figures: assay feed and products, or weigh them, so that at most one figure an element is missing", name)
	}
	if format == "json" {
		enc := json.NewEncoder(out)
		enc.SetEscapeHTML(false)
		enc.SetIndent("", "  ")
		return enc.Encode(res)
	}
	return balanceText(out, name, res, sys)
}

// plantJunction is the feed into the plant file's products, and the tailings, which
// have no bin of their own. Products without a row are left out, and it says so.
func plantJunction(p *plant.Plant, s *balance.Samples) []balance.Junction {
	j := balance.Junction{In: []string{"feed"}}
	for _, product := range p.Products {
		j.Out = append(j.Out, product.Name)
	}
	if !slices.Contains(j.Out, "tailings") {
		j.Out = append(j.Out, "tailings")
	}
	kept, dropped := j.Present(s)
	if len(dropped) > 0 {
		s.Warnings = append(s.Warnings, fmt.Sprintf("No row for %s: the balance takes the plant to have no such product.", strings.Join(dropped, ", ")))
	}
	return []balance.Junction{kept}
}

var elementNames = map[string]string{
	"au": "gold", "ag": "silver", "cu": "copper", "pb": "lead", "zn": "zinc", "sn": "tin",
	"fe": "iron", "s": "sulphur", "as": "arsenic", "w": "tungsten", "hg": "mercury", "cr": "chromium",
}

func elementName(symbol string) string {
	if n, ok := elementNames[symbol]; ok {
		return n
	}
	return symbol
}

// spoken is a stream's name in words.
func spoken(name string) string { return strings.ReplaceAll(name, "_", " ") }

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// balanceText prints a balance for people: what happened first, figures after.
func balanceText(out io.Writer, name string, res *balance.Result, sys units.System) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Balance of %s. Masses are dry; intervals are 95 %%.\n\n", name)
	for _, e := range res.Elements {
		writeRecovery(&b, res, e)
	}
	writeAgreement(&b, res, sys)
	writeStreams(&b, res, sys)
	writeMetal(&b, res)
	if len(res.Warnings) > 0 {
		b.WriteByte('\n')
		for _, w := range res.Warnings {
			fmt.Fprintf(&b, "Note: %s\n", w)
		}
	}
	_, err := io.WriteString(out, b.String())
	return err
}

func writeRecovery(b *strings.Builder, res *balance.Result, e balance.Element) {
	products := res.Recovery[e.Name]
	unit := "g"
	if e.Unit == "%" {
		unit = "kg"
	}
	var parts []string
	for _, p := range res.Products {
		if r, ok := products[p]; ok {
			parts = append(parts, fmt.Sprintf("%s to %s (%s to %s)", units.Number(r.Mean, 3), spoken(p), units.Number(r.Lower, 3), units.Number(r.Upper, 3)))
		}
	}
	metal := elementName(e.Name)
	if len(parts) == 0 {
		fmt.Fprintf(b, "%s: where it went cannot be known from what was measured.\n", capital(metal))
		return
	}
	fmt.Fprintf(b, "Of 100 %s %s in the feed: %s.\n", unit, metal, strings.Join(parts, ", "))
	if r, ok := products["counted"]; ok {
		names := make([]string, len(res.Counted))
		for i, c := range res.Counted {
			names[i] = spoken(c)
		}
		fmt.Fprintf(b, "Recovery counts %s: %s %% (%s to %s), standard error %s points.\n", strings.Join(names, " and "), units.Number(r.Mean, 3), units.Number(r.Lower, 3), units.Number(r.Upper, 3), units.Number(r.SE, 2))
	}
	if u, ok := res.Unaccounted[e.Name]; ok {
		side := "more went in than came out"
		if u.Percent < 0 {
			side = "more came out than went in"
		}
		fmt.Fprintf(b, "As measured, %s %% of the %s is not accounted for (%s; the errors explain about %s %%).\n", units.Number(abs(u.Percent), 2), metal, side, units.Number(2*u.SE, 2))
	}
	target := "counted"
	if _, ok := products[target]; !ok {
		target = res.Products[0]
	}
	for _, w := range res.Weakest {
		if w.Element == e.Name && w.Product == target {
			of := "the products counted"
			if target != "counted" {
				of = spoken(target)
			}
			fmt.Fprintf(b, "Weakest figure for %s to %s: %s of %s, %s %% of the variance.\n", metal, of, quantityWords(w.Quantity), spoken(w.Stream), units.Number(100*w.Share, 2))
			break
		}
	}
	b.WriteByte('\n')
}

func abs(v float64) float64 {
	if v < 0 {
		return -v
	}
	return v
}

// quantityWords turns a column's name into words.
func quantityWords(column string) string {
	if column == balance.MassColumn {
		return "the dry mass"
	}
	symbol, _, _ := strings.Cut(column, "_")
	return "the " + elementName(symbol) + " assay"
}

func writeAgreement(b *strings.Builder, res *balance.Result, sys units.System) {
	if res.PValue == nil {
		return
	}
	verdict := "The figures agree within their errors"
	if *res.PValue < 0.05 {
		verdict = "The figures disagree more than their errors explain"
	}
	odds := "less than once in 1000"
	if n := *res.PValue * 1000; n >= 1 {
		odds = fmt.Sprintf("%.0f times in 1000", n)
	}
	fmt.Fprintf(b, "%s: chi-square %s on %d (as large or larger by chance %s).\n", verdict, units.Number(res.ChiSquare, 3), res.DegreesOfFreedom, odds)
	for _, s := range res.Suspects {
		unit := columnUnit(res, s.Quantity)
		fmt.Fprintf(b, "Look at %s of %s: measured %s, the other figures say about %s (%s standard deviations off).%s\n",
			quantityWords(s.Quantity), spoken(s.Stream), units.Format(s.Measured, unit, sys, 3), units.Format(s.WouldBe, unit, sys, 3), units.Number(s.Statistic, 2), slip(s))
	}
	b.WriteByte('\n')
}

// slip names a usual slip of the pen or of a unit that would make a figure as wrong as
// it seems; empty if none does, within 15 %.
func slip(s balance.Suspect) string {
	const gptPerOz, poundsPerKg = 34.2857, 2.20462
	type usual struct {
		times float64
		words string
	}
	slips := []usual{
		{10, "A factor of ten: was a decimal point shifted?"},
		{1000, "A factor of a thousand: was it entered in another unit?"},
		{gptPerOz, "A factor of 34: ounces per short ton for g/t?"},
	}
	if s.Quantity == balance.MassColumn {
		slips[2] = usual{poundsPerKg, "A factor of 2.2: pounds for kilograms?"}
	}
	for _, u := range slips {
		for _, ratio := range []float64{s.WouldBe / s.Measured, s.Measured / s.WouldBe} {
			if ratio > u.times/1.15 && ratio < u.times*1.15 {
				return " " + u.words
			}
		}
	}
	return ""
}

func columnUnit(res *balance.Result, column string) string {
	for _, e := range res.Elements {
		if e.Column == column {
			return e.Unit
		}
	}
	return "kg"
}

// writeStreams prints every figure before and after.
func writeStreams(b *strings.Builder, res *balance.Result, sys units.System) {
	type figure struct{ title, column, unit string }
	figures := []figure{{"dry mass", balance.MassColumn, "kg"}}
	for _, e := range res.Elements {
		figures = append(figures, figure{elementName(e.Name), e.Column, e.Unit})
	}
	number := func(v *float64, unit string, digits int) string {
		if v == nil {
			return units.Missing
		}
		shown, _ := units.Display(*v, unit, sys)
		return units.Number(shown, digits)
	}
	width := 0
	titles := make([]string, len(figures))
	for i, f := range figures {
		titles[i] = fmt.Sprintf("%s, %s", f.title, units.Symbol(units.DisplayUnit(f.unit, sys)))
		width = max(width, len(titles[i]))
	}
	for _, s := range res.Streams {
		width = max(width, len(s.Name))
	}
	const row = "%-*s %12s %12s %15s%s\n"
	for i, f := range figures {
		fmt.Fprintf(b, row, width, titles[i], "measured", "adjusted", "standard error", "")
		for _, s := range res.Streams {
			a := s.Mass
			if f.column != balance.MassColumn {
				a = s.Grades[f.column]
			}
			mark := ""
			if a.ByDifference {
				mark = "  by difference"
			}
			fmt.Fprintf(b, row, width, spoken(s.Name), number(a.Measured, f.unit, 4), number(a.Adjusted, f.unit, 4), number(a.SE, f.unit, 2), mark)
		}
		b.WriteByte('\n')
	}
}

// writeMetal prints the metal in the feed: grams with troy ounces for a precious
// metal, kilograms for others.
func writeMetal(b *strings.Builder, res *balance.Result) {
	for _, m := range res.Metal {
		if !slices.Contains(res.Feeds, m.Stream) {
			continue
		}
		metal := capital(elementName(m.Element))
		if m.Element == "au" || m.Element == "ag" {
			fmt.Fprintf(b, "%s in %s: %s, standard error %s (%s).\n", metal, spoken(m.Stream), units.Format(1000*m.Kg, "g", units.Metric, 3), units.Format(1000*m.SE, "g", units.Metric, 2), units.Format(1000*m.Kg, "g", units.USCustomary, 3))
			continue
		}
		fmt.Fprintf(b, "%s in %s: %s, standard error %s.\n", metal, spoken(m.Stream), units.Format(m.Kg, "kg", units.Metric, 3), units.Format(m.SE, "kg", units.Metric, 2))
	}
}
