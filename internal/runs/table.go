package runs

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"decktrim/internal/sheet"
)

// The columns of runs.csv beside those of the settings, in the order of the
// contract; note holds the reason of a void run.
const (
	colRun       = "run"
	colSource    = "ore_source"
	colLot       = "lot"
	colBlock     = "block"
	colStart     = "start"
	colRecovery  = "recovery"
	colSE        = "recovery_se"
	colGrade     = "concentrate_grade"
	colGradeSE   = "concentrate_grade_se"
	colStatus    = "status"
	colDue       = "due"
	colRule      = "splitter_rule"
	colProducts  = "products_counted"
	colSampledKg = "sampled_kg"
	colNote      = "note"
)

var before = []string{colRun, colSource, colLot, colBlock, colStart}
var after = []string{colRecovery, colSE, colGrade, colGradeSE, colStatus, colDue, colRule, colProducts, colSampledKg, colNote}

// Columns lists the columns of a table with these settings, in order.
func Columns(settings []string) []string {
	return slices.Concat(before, settings, after)
}

// Parse reads runs.csv. settings are the plant's setting names, each of which must
// be a column. Times without a zone are taken in loc (nil: UTC). An error says
// what is wrong, where (name:line:column) and what to do.
func Parse(name string, src io.Reader, settings []string, loc *time.Location) ([]Run, error) {
	if loc == nil {
		loc = time.UTC
	}
	rd := sheet.NewReader(name, src)
	p := &parser{name: name, rd: rd, loc: loc, settings: settings}
	if err := p.header(); err != nil {
		return nil, err
	}
	var all []Run
	seen := map[string]int{}
	for {
		rec, err := rd.Read()
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return nil, err
		}
		if sheet.Blank(rec) {
			continue
		}
		r, err := p.row(rec)
		if err != nil {
			return nil, err
		}
		if line, twice := seen[r.ID]; twice {
			return nil, fmt.Errorf("%s: run %q stands already in line %d: give each run a name of its own", r.Where(colRun), r.ID, line)
		}
		seen[r.ID] = r.Line
		all = append(all, r)
	}
}

type parser struct {
	name     string
	rd       *sheet.Reader
	loc      *time.Location
	settings []string
	columns  []string
	index    map[string]int
	extra    []string
}

func (p *parser) header() error {
	rec, err := p.rd.Read()
	if err == io.EOF {
		return fmt.Errorf("%s:1:1: the file is empty: its first line must name the columns, at least %s", p.name,
			strings.Join(slices.Concat([]string{colRun, colSource}, p.settings, []string{colRecovery}), ","))
	}
	if err != nil {
		return err
	}
	if len(rec) == 1 && strings.Contains(rec[0], ";") {
		return fmt.Errorf("%s:1:1: columns are separated by semicolons: save the file with commas, and with a point in numbers", p.name)
	}
	p.index = map[string]int{}
	for i, raw := range rec {
		c := strings.TrimSpace(raw)
		if _, twice := p.index[c]; twice && c != "" {
			return fmt.Errorf("%s: column %q stands twice: remove or rename one", p.rd.At(i), c)
		}
		p.index[c] = i
		p.columns = append(p.columns, c)
		if c != "" && !slices.Contains(before, c) && !slices.Contains(after, c) && !slices.Contains(p.settings, c) {
			p.extra = append(p.extra, c)
		}
	}
	for _, c := range slices.Concat([]string{colRun, colSource}, p.settings, []string{colRecovery}) {
		if _, have := p.index[c]; !have {
			hint := "add it"
			if slices.Contains(p.settings, c) {
				hint = "add it, one column for each [[setting]] of the plant file"
			}
			return fmt.Errorf("%s:1:1: there is no column %q: %s", p.name, c, hint)
		}
	}
	return nil
}

func (p *parser) row(rec []string) (Run, error) {
	if len(rec) != len(p.columns) {
		line, _ := p.rd.FieldPos(0)
		col := 1
		if len(rec) > 0 {
			_, col = p.rd.FieldPos(min(len(rec), len(p.columns)+1) - 1)
		}
		return Run{}, fmt.Errorf("%s:%d:%d: the row has %d fields and the first line %d: a number with a decimal comma or a missing comma does this", p.name, line, col, len(rec), len(p.columns))
	}
	line, _ := p.rd.FieldPos(0)
	r := Run{Settings: make(map[string]float64, len(p.settings)), Line: line, file: p.name, columns: make(map[string]int, len(rec))}
	for i, c := range p.columns {
		_, r.columns[c] = p.rd.FieldPos(i)
	}
	text := func(c string) string {
		if i, have := p.index[c]; have {
			return strings.TrimSpace(rec[i])
		}
		return ""
	}
	r.ID, r.OreSource, r.Lot, r.Block = text(colRun), text(colSource), text(colLot), text(colBlock)
	r.Due, r.SplitterRule, r.Note = text(colDue), text(colRule), text(colNote)
	if r.ID == "" {
		return r, fmt.Errorf("%s: the run has no name: give it one", r.Where(colRun))
	}
	if r.OreSource == "" {
		return r, fmt.Errorf("%s: run %s has no ore source: say which ore it was", r.Where(colSource), r.ID)
	}
	switch s := strings.ToLower(text(colStatus)); s {
	case "", "measured", "done":
	case string(Waiting), string(Void):
		r.Status = Status(s)
	default:
		return r, fmt.Errorf("%s: status %q is not known: leave it empty, or write waiting or void", r.Where(colStatus), text(colStatus))
	}
	for _, c := range p.settings {
		v, err := number(r, c, text(c))
		if err != nil {
			return r, err
		}
		if v == nil {
			return r, fmt.Errorf("%s: run %s has no %s: write where it stood", r.Where(c), r.ID, c)
		}
		r.Settings[c] = *v
	}
	var err error
	for _, f := range []struct {
		column   string
		to       **float64
		positive bool
	}{{colRecovery, &r.Recovery, false}, {colSE, &r.RecoverySE, true}, {colGrade, &r.ConcentrateGrade, false}, {colGradeSE, &r.GradeSE, true}, {colSampledKg, &r.SampledKg, true}} {
		if *f.to, err = number(r, f.column, text(f.column)); err != nil {
			return r, err
		}
		if v := *f.to; v != nil && f.positive && *v <= 0 {
			return r, fmt.Errorf("%s: %s is %g and must be above 0: leave the field empty if it is not known", r.Where(f.column), f.column, *v)
		}
	}
	switch {
	case r.Status == Measured && r.Recovery == nil:
		return r, fmt.Errorf("%s: run %s has no recovery: write it, or the status waiting or void", r.Where(colRecovery), r.ID)
	case r.Status == Waiting && r.Recovery != nil:
		return r, fmt.Errorf("%s: run %s is waiting and has a recovery: empty one of the two", r.Where(colRecovery), r.ID)
	}
	if s := text(colStart); s != "" {
		if r.Start, err = parseTime(s, p.loc); err != nil {
			return r, fmt.Errorf("%s: start %q is not a time: write it like 2026-01-05T07:00:00Z or 2026-01-05", r.Where(colStart), s)
		}
	}
	r.ProductsCounted = splitProducts(text(colProducts))
	for _, c := range p.extra {
		if r.Extra == nil {
			r.Extra = make(map[string]string, len(p.extra))
		}
		r.Extra[c] = rec[p.index[c]]
	}
	return r, nil
}

func number(r Run, column, s string) (*float64, error) {
	if s == "" {
		return nil, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || strings.ContainsAny(s, "_xX") { // Go's own ways to write a number are nobody else's
		what := "is not a number: write a number or leave the field empty"
		if _, comma := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64); comma == nil && strings.Contains(s, ",") {
			what = "has a decimal comma: write a point"
		}
		return nil, fmt.Errorf("%s: %s %q %s", r.Where(column), column, s, what)
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil, fmt.Errorf("%s: %s %q is not a number that can be measured: leave the field empty if it is not known", r.Where(column), column, s)
	}
	return &v, nil
}

func parseTime(s string, loc *time.Location) (time.Time, error) {
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(layout, s, loc); err == nil {
			return t, nil
		}
	}
	return time.Parse(time.RFC3339Nano, s)
}

// splitProducts reads a list in one field: names separated by plus, semicolon,
// comma, bar or space.
func splitProducts(s string) []string {
	return strings.FieldsFunc(s, func(c rune) bool { return strings.ContainsRune("+;,| \t\r\n", c) })
}

// Write writes runs.csv so that Parse reads the same runs again: the columns of
// the contract, note, and any extra columns after them in alphabetical order.
func Write(dst io.Writer, settings []string, all []Run) error {
	extras := map[string]bool{}
	for _, r := range all {
		for c := range r.Extra {
			extras[c] = true
		}
	}
	var extra []string
	for c := range extras {
		extra = append(extra, c)
	}
	slices.Sort(extra)
	w := csv.NewWriter(dst)
	if err := w.Write(append(Columns(settings), extra...)); err != nil {
		return fmt.Errorf("write runs: %w", err)
	}
	optional := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	for _, r := range all {
		start := ""
		if !r.Start.IsZero() {
			start = r.Start.Format(time.RFC3339Nano)
		}
		row := []string{r.ID, r.OreSource, r.Lot, r.Block, start}
		for _, c := range settings {
			v, have := r.Settings[c]
			if !have {
				return fmt.Errorf("write runs: run %s has no %s", r.ID, c)
			}
			row = append(row, optional(&v))
		}
		row = append(row, optional(r.Recovery), optional(r.RecoverySE), optional(r.ConcentrateGrade), optional(r.GradeSE),
			string(r.Status), r.Due, r.SplitterRule, strings.Join(r.ProductsCounted, "+"), optional(r.SampledKg), r.Note)
		for _, c := range extra {
			row = append(row, r.Extra[c])
		}
		if err := w.Write(row); err != nil {
			return fmt.Errorf("write runs: %w", err)
		}
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return fmt.Errorf("write runs: %w", err)
	}
	return nil
}
