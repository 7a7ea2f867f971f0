package balance

import (
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"decktrim/internal/sheet"
)

// Measured is one figure with its standard error, both in the unit of its column.
// Has is false where nothing was measured. Assumed marks a standard error that the
// file did not give.
type Measured struct {
	Value, SE float64
	Has       bool
	Assumed   bool
}

// Element is one assayed element and the column it came from.
type Element struct {
	Name   string // "au"
	Unit   string // of package units: "g/t", "%", "ppm", "ppb"
	Column string // "au_gpt"
}

// Stream is one row of samples.csv.
type Stream struct {
	Name   string
	Mass   Measured   // dry, kg
	Grades []Measured // one an element, in its unit
	Line   int        // in the file; 0 elsewhere
}

// Samples is a sampled balance before it is reconciled.
type Samples struct {
	File     string
	Elements []Element
	Streams  []Stream
	Warnings []string // what was assumed or left out in reading
}

// MassColumn is the heading of the dry masses.
const MassColumn = "dry_mass_kg"

// gradeUnits are the endings of grade columns, with the largest grade each can have.
var gradeUnits = []struct {
	ending, unit string
	most         float64
}{
	{"_gpt", "g/t", 1e6},
	{"_pct", "%", 100},
	{"_ppm", "ppm", 1e6},
	{"_ppb", "ppb", 1e9},
}

var (
	namePattern   = regexp.MustCompile(`^[a-z][a-z0-9_]*$`)
	numberPattern = regexp.MustCompile(`^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?$`)
	commaDecimal  = regexp.MustCompile(`^[+-]?\d*,\d+$`)
	belowLimit    = regexp.MustCompile(`^<\s*[\d.]+$`)
)

// Default standard errors, used where the file gives none, and said so. They are
// common practice for careful work (weighing 2 %; preparation 6 % and assay 5 % of a
// precious metal's grade and 0.02 g/t; 3 % and 0.005 % of a base metal's): coarse
// gold is worse, often several times.
func defaultSE(column, unit string, value float64) float64 {
	switch {
	case column == MassColumn:
		return math.Max(0.02*value, 1e-3)
	case unit == "%":
		return math.Hypot(0.03*value, 0.005)
	case unit == "ppb":
		return math.Hypot(0.078*value, 20)
	default:
		return math.Hypot(0.078*value, 0.02)
	}
}

// leastRelativeSE is the smallest standard error worth keeping, over its figure: below
// it rounding would say more than the measurements.
const leastRelativeSE = 1e-8

const defaultSEText = "2 % of a mass; 7.8 % of a grade and 0.02 g/t; 3 % of a per cent grade and 0.005 %"

// column is what the heading says a field holds.
type column struct {
	kind    columnKind
	element int // for grades
}

type columnKind int

const (
	ignored columnKind = iota
	streamName
	mass
	massSE
	grade
	gradeSE
)

type samplesParser struct {
	file    string
	csv     *sheet.Reader
	heads   []string
	columns []column
	out     *Samples
	assumed []string
}

// ParseSamples reads samples.csv: one row a stream, columns stream, dry_mass_kg,
// dry_mass_kg_se, and for each element its grade with the unit in the name (au_gpt,
// pb_pct, ..._ppm, ..._ppb) and the same with _se. An empty field is not measured. name
// stands in messages, which give file:line:column (columns count bytes).
func ParseSamples(name string, src io.Reader) (*Samples, error) {
	r := sheet.NewReader(name, src)
	r.ReuseRecord = true
	p := &samplesParser{file: name, csv: r, out: &Samples{File: name}}
	if err := p.heading(); err != nil {
		return nil, err
	}
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if err := p.row(row); err != nil {
			return nil, err
		}
	}
	if len(p.out.Streams) == 0 {
		return nil, fmt.Errorf("%s:2:1: there is no stream: add one row for each, feed first", name)
	}
	if len(p.assumed) > 0 {
		p.out.Warnings = append(p.out.Warnings, fmt.Sprintf("No standard error was given for %s: assumed (%s). Coarse gold is worse than that.", listSome(p.assumed), defaultSEText))
	}
	return p.out, nil
}

// listSome joins names, the first few in full.
func listSome(names []string) string {
	const full = 6
	if len(names) > full {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:full], ", "), len(names)-full)
	}
	return strings.Join(names, ", ")
}

func (p *samplesParser) heading() error {
	row, err := p.csv.Read()
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("%s:1:1: the file is empty: it needs a heading that begins with stream,%s", p.file, MassColumn)
	}
	if err != nil {
		return err
	}
	if len(row) == 1 && strings.ContainsAny(row[0], ";\t") {
		return fmt.Errorf("%s: fields must be separated by commas, and decimals by a point: save the file as CSV with commas", p.csv.At(0))
	}
	seen := map[string]bool{}
	p.heads = make([]string, len(row))
	p.columns = make([]column, len(row))
	for i, h := range row {
		h = strings.TrimSpace(h)
		p.heads[i] = h
		if seen[h] && h != "" {
			return fmt.Errorf("%s: the column %s stands twice: keep one", p.csv.At(i), h)
		}
		seen[h] = true
		c, err := p.columnOf(i, h)
		if err != nil {
			return err
		}
		p.columns[i] = c
	}
	if !seen["stream"] {
		return fmt.Errorf("%s: there is no column stream: name each row's stream", p.csv.At(0))
	}
	if len(p.out.Elements) == 0 {
		return fmt.Errorf("%s: there is no grade column: add one like au_gpt or pb_pct", p.csv.At(0))
	}
	var left []string
	for i, h := range p.heads {
		if base, ok := strings.CutSuffix(h, "_se"); ok {
			if base != MassColumn {
				e := slices.IndexFunc(p.out.Elements, func(e Element) bool { return e.Column == base })
				if e < 0 {
					return fmt.Errorf("%s: %s is the error of a column that is not there: add %s or correct the name", p.csv.At(i), h, base)
				}
				p.columns[i] = column{gradeSE, e}
			} else if !seen[MassColumn] {
				return fmt.Errorf("%s: %s is the error of a column that is not there: add %s", p.csv.At(i), h, MassColumn)
			}
		}
		if p.columns[i].kind == ignored && h != "" {
			left = append(left, h)
		}
	}
	if len(left) > 0 {
		p.out.Warnings = append(p.out.Warnings, "Columns not used: "+strings.Join(left, ", ")+".")
	}
	return nil
}

func (p *samplesParser) columnOf(i int, h string) (column, error) {
	switch h {
	case "stream":
		return column{kind: streamName}, nil
	case MassColumn:
		return column{kind: mass}, nil
	case MassColumn + "_se":
		return column{kind: massSE}, nil
	}
	if strings.HasSuffix(h, "_se") {
		return column{}, nil // its base is looked for when every heading is known
	}
	for _, u := range gradeUnits {
		name, ok := strings.CutSuffix(h, u.ending)
		if !ok {
			continue
		}
		if !namePattern.MatchString(name) {
			return column{}, fmt.Errorf("%s: %q is not the name of an element: write small letters, like au%s", p.csv.At(i), name, u.ending)
		}
		for _, e := range p.out.Elements {
			if e.Name == name {
				return column{}, fmt.Errorf("%s: %s is assayed in two columns (%s and %s): keep one", p.csv.At(i), name, e.Column, h)
			}
		}
		p.out.Elements = append(p.out.Elements, Element{Name: name, Unit: u.unit, Column: h})
		return column{grade, len(p.out.Elements) - 1}, nil
	}
	// A mistyped unit must not make a column vanish.
	if k := strings.LastIndexByte(h, '_'); k > 0 {
		switch ending := strings.ToLower(h[k:]); ending {
		case "_gtp", "_gt", "_gpt_", "_g", "_oz", "_opt", "_ozt", "_percent", "_perc", "_ppt":
			return column{}, fmt.Errorf("%s: the unit of column %s is not known: end a grade with _gpt, _pct, _ppm or _ppb", p.csv.At(i), h)
		case "_kg", "_t", "_lb", "_ton", "_tons":
			return column{}, fmt.Errorf("%s: the balance wants dry masses in kilograms: give them in a column %s in place of %s", p.csv.At(i), MassColumn, h)
		}
	}
	return column{}, nil
}

func (p *samplesParser) row(row []string) error {
	if sheet.Blank(row) {
		return nil
	}
	if len(row) != len(p.columns) {
		where := p.csv.At(min(len(row), len(p.columns)) - 1)
		if len(row) > len(p.columns) {
			return fmt.Errorf("%s: the row has %d fields, the heading %d: was a decimal comma written? Decimals need a point", where, len(row), len(p.columns))
		}
		return fmt.Errorf("%s: the row has %d fields, the heading %d: leave a field empty where nothing was measured", where, len(row), len(p.columns))
	}
	line, _ := p.csv.FieldPos(0)
	s := Stream{Grades: make([]Measured, len(p.out.Elements)), Line: line}
	for i, text := range row {
		text = strings.TrimSpace(text)
		c := p.columns[i]
		if c.kind == streamName {
			if !namePattern.MatchString(text) {
				return fmt.Errorf("%s: %q is not the name of a stream: write small letters, digits and _, like concentrate_1", p.csv.At(i), text)
			}
			for _, other := range p.out.Streams {
				if other.Name == text {
					return fmt.Errorf("%s: the stream %s stands twice (first in line %d): put its figures in one row", p.csv.At(i), text, other.Line)
				}
			}
			s.Name = text
			continue
		}
		if c.kind == ignored || text == "" {
			continue
		}
		v, err := p.number(i, text)
		if err != nil {
			return err
		}
		switch c.kind {
		case mass:
			s.Mass.Value, s.Mass.Has = v, true
		case massSE:
			s.Mass.SE = v
		case grade:
			s.Grades[c.element].Value, s.Grades[c.element].Has = v, true
		case gradeSE:
			s.Grades[c.element].SE = v
		}
	}
	p.fillErrors(&s)
	p.out.Streams = append(p.out.Streams, s)
	return nil
}

// number reads a figure and refuses what it cannot be.
func (p *samplesParser) number(i int, text string) (float64, error) {
	h := p.heads[i]
	if !numberPattern.MatchString(text) {
		switch low := strings.ToLower(strings.TrimLeft(text, "+-")); {
		case commaDecimal.MatchString(text):
			return 0, fmt.Errorf("%s: %q in column %s has a decimal comma: write %s", p.csv.At(i), text, h, strings.Replace(text, ",", ".", 1))
		case belowLimit.MatchString(text):
			return 0, fmt.Errorf("%s: %q in column %s is a limit, not a number: write half the limit, with a standard error about as large", p.csv.At(i), text, h)
		case low == "nan" || low == "inf" || low == "infinity":
			return 0, fmt.Errorf("%s: %q in column %s is not a finite number: leave the field empty if nothing was measured", p.csv.At(i), text, h)
		}
		return 0, fmt.Errorf("%s: %q in column %s is not a number: write a number, or leave the field empty if nothing was measured", p.csv.At(i), text, h)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(v, 0) || math.Abs(v) > 1e12 {
		return 0, fmt.Errorf("%s: %s in column %s is too large to be real: check the figure", p.csv.At(i), text, h)
	}
	c := p.columns[i]
	switch c.kind {
	case massSE, gradeSE:
		if v <= 0 {
			return 0, fmt.Errorf("%s: the standard error %s in column %s must be above 0: every measurement has one; leave the field empty to have it estimated", p.csv.At(i), text, h)
		}
		if v < 1e-12 {
			return 0, fmt.Errorf("%s: the standard error %s in column %s is too small to be real: check the figure", p.csv.At(i), text, h)
		}
	case mass:
		if v < 0 {
			return 0, fmt.Errorf("%s: the mass %s in column %s is negative: check the figure", p.csv.At(i), text, h)
		}
	case grade:
		if v < 0 {
			return 0, fmt.Errorf("%s: the grade %s in column %s is negative: check the figure", p.csv.At(i), text, h)
		}
		for _, u := range gradeUnits {
			if u.unit == p.out.Elements[c.element].Unit && v > u.most {
				return 0, fmt.Errorf("%s: the grade %s in column %s is more than the whole: check the unit", p.csv.At(i), text, h)
			}
		}
	}
	return v, nil
}

// fillErrors assumes the standard errors that are missing and drops those of nothing.
func (p *samplesParser) fillErrors(s *Stream) {
	fill := func(m *Measured, column, unit string) {
		switch {
		case m.Has && m.SE != 0 && m.SE < leastRelativeSE*m.Value:
			p.out.Warnings = append(p.out.Warnings, fmt.Sprintf("The standard error of %s %s is smaller than any measurement's: taken as %g.", s.Name, column, leastRelativeSE*m.Value))
			m.SE = leastRelativeSE * m.Value
		case !m.Has && m.SE != 0:
			p.out.Warnings = append(p.out.Warnings, fmt.Sprintf("%s has a standard error for %s but no figure: not measured.", s.Name, column))
			m.SE = 0
		case m.Has && m.SE == 0:
			m.SE, m.Assumed = defaultSE(column, unit, m.Value), true
			p.assumed = append(p.assumed, s.Name+" "+column)
		}
	}
	fill(&s.Mass, MassColumn, "kg")
	for e := range s.Grades {
		fill(&s.Grades[e], p.out.Elements[e].Column, p.out.Elements[e].Unit)
	}
}
