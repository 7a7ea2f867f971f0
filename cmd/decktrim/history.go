package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"decktrim/internal/cli"
	"decktrim/internal/fit"
	"decktrim/internal/plant"
	"decktrim/internal/runs"
)

// history is what fit, advise and plan are asked for: a plant, its runs, an ore.
type history struct {
	plantFile, runsFile, source, format string
}

func (h *history) flags(cmd *cobra.Command, formats string) {
	cmd.Flags().StringVar(&h.plantFile, "plant", "", "plant file")
	cmd.Flags().StringVar(&h.runsFile, "runs", "", "runs.csv, one row a run, oldest first")
	cmd.Flags().StringVar(&h.source, "source", "", "ore source, as in runs.csv")
	cmd.Flags().StringVar(&h.format, "format", "text", formats)
}

// load reads both files; runs may be left out if optional.
func (h *history) load(optional bool) (*plant.Plant, []runs.Run, error) {
	p, err := loadPlant(h.plantFile)
	if err != nil {
		return nil, nil, err
	}
	if h.source == "" {
		return nil, nil, cli.Inputf("--source is missing; say which ore source, for example --source \"Dunlin Lode\"")
	}
	if h.runsFile == "" {
		if optional {
			return p, nil, nil
		}
		return nil, nil, cli.Inputf("--runs is missing; give the file with the runs, for example --runs runs.csv")
	}
	in, err := os.Open(h.runsFile)
	if err != nil {
		return nil, nil, cli.Inputf("cannot open the runs: %w", err)
	}
	defer in.Close()
	all, err := runs.Parse(h.runsFile, in, settingNames(p), p.Location)
	return p, all, cli.Input(err)
}

func settingNames(p *plant.Plant) []string {
	var names []string
	for _, s := range p.Settings {
		names = append(names, s.Name)
	}
	return names
}

// parseAt reads --at name=value,...
func parseAt(text string) (map[string]float64, error) {
	if text == "" {
		return nil, nil
	}
	at := map[string]float64{}
	for _, part := range strings.Split(text, ",") {
		name, value, ok := strings.Cut(part, "=")
		name = strings.TrimSpace(name)
		v, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
		if !ok || name == "" || err != nil {
			return nil, cli.Inputf("--at %q is not a setting and a number; write --at wash_water=45,deck_tilt=2.0", part)
		}
		if _, twice := at[name]; twice {
			return nil, cli.Inputf("--at names %s twice; say once where it stands", name)
		}
		at[name] = v
	}
	return at, nil
}

func writeJSON(out io.Writer, v any) error {
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("cannot write the answer: %w", err)
	}
	return nil
}

// between says an interval in words with one decimal: "71.2 % (between 69.0 and 73.3)".
func between(iv fit.Interval, unit string) string {
	if iv.Mean == nil {
		return "not known"
	}
	if iv.Lower == nil || iv.Upper == nil {
		return fmt.Sprintf("%.1f%s (how sure is not known)", *iv.Mean, unit)
	}
	return fmt.Sprintf("%.1f%s (between %.1f and %.1f)", *iv.Mean, unit, *iv.Lower, *iv.Upper)
}

// settingsText says settings in the plant file's order with their units.
func settingsText(p *plant.Plant, at map[string]float64) string {
	var parts []string
	for _, s := range p.Settings {
		if v, ok := at[s.Name]; ok {
			parts = append(parts, fmt.Sprintf("%s %s %s", strings.ReplaceAll(s.Name, "_", " "), strconv.FormatFloat(v, 'g', 5, 64), s.Unit))
		}
	}
	return strings.Join(parts, ", ")
}

// nearSource names the ore source that a mistyped one may mean.
func nearSource(p *plant.Plant, all []runs.Run, source string) string {
	for _, s := range fit.Sources(p, all) {
		if s != source && (strings.EqualFold(s, source) || strings.Contains(strings.ToLower(s), strings.ToLower(source)) || strings.Contains(strings.ToLower(source), strings.ToLower(s))) {
			return s
		}
	}
	return ""
}

// printer writes lines and keeps the first error.
type printer struct {
	out io.Writer
	err error
}

func (w *printer) line(format string, args ...any) {
	if w.err == nil {
		_, w.err = fmt.Fprintf(w.out, format+"\n", args...)
	}
}

func (w *printer) list(title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	w.line("%s:", title)
	for _, l := range slices.Clone(lines) {
		w.line("  - %s", l)
	}
}
