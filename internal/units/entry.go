package units

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Mark is the decimal mark that a person has chosen.
type Mark byte

const (
	AnyMark Mark = 0   // not known: a point or a comma, where it can mean one thing only
	Point   Mark = '.' // 0.5
	Comma   Mark = ',' // 0,5
)

// Entry is a figure as a person typed it, and what it means.
type Entry struct {
	Text  string  // as typed, to be shown again just so
	Value float64 // in Unit
	Unit  string  // canonical
}

// AmbiguousError is a question back to the person: what they typed means two
// things, and a mill must not guess.
type AmbiguousError struct {
	Text    string   // what was typed
	Choices []string // unambiguous ways to type each meaning
}

func (e *AmbiguousError) Error() string {
	return fmt.Sprintf("%q can mean more than one thing: write %s", e.Text, strings.Join(e.Choices, " or "))
}

var (
	numberPattern = regexp.MustCompile(`^([+\-−]?)(\d[\d.,']*|[.,]\d+)`)
	fraction      = regexp.MustCompile(`^([+\-−]?)(?:(\d{1,9})\s+)?(\d{1,9})\s*/\s*(\d{1,9})(?:$|[^\d.,])`)
	spaceGroup    = regexp.MustCompile(`^\s+\d`)
	vulgar        = strings.NewReplacer("½", " 1/2", "¼", " 1/4", "¾", " 3/4", "⅛", " 1/8", "⅜", " 3/8", "⅝", " 5/8", "⅞", " 7/8", "\u00a0", " ", "\u202f", " ", "⁄", "/")
)

// ambiguousUnits are words that people use for more than one unit.
var ambiguousUnits = map[string][]string{
	"ton":     {"t (1,000 kg)", "short ton (2,000 lb)"},
	"tons":    {"t (1,000 kg)", "short ton (2,000 lb)"},
	"ton/h":   {"t/h", "short ton/h"},
	"tons/h":  {"t/h", "short ton/h"},
	"oz":      {"ozt (troy, 31.1 g)", "oz av (28.3 g)"},
	"oz/ton":  {"oz/short ton", "ozt/t"},
	"opt":     {"oz/short ton", "ozt/t"},
	"gal":     {"US gal", "imp gal"},
	"gpm":     {"US gpm", "imp gpm"},
	"gal/min": {"US gpm", "imp gpm"},
	"mesh":    {"the opening in um", "the opening in mm"},
}

// ParseEntry reads a typed figure with an optional unit: "0.5", "0,5", "1/2",
// "1 1/2 in", "45 L/min". Without a unit it has the given one; with one it must
// measure the same thing. Where a mark may separate thousands ("1,500" under a
// decimal point), where a unit has two meanings ("ton"), it returns an
// *AmbiguousError that asks.
func ParseEntry(text string, mark Mark, unit string) (Entry, error) {
	def, err := find(unit)
	if err != nil {
		return Entry{}, err
	}
	typed := strings.TrimSpace(vulgar.Replace(text))
	if typed == "" {
		return Entry{}, fmt.Errorf("nothing was typed: write a number, like 0.5 %s", def.symbol)
	}
	value, rest, err := leadingNumber(typed, mark)
	if err != nil {
		return Entry{}, err
	}
	u := def
	if rest = strings.Join(strings.Fields(rest), " "); rest != "" {
		if choices, two := ambiguousUnits[strings.ToLower(rest)]; two {
			return Entry{}, &AmbiguousError{Text: rest, Choices: choices}
		}
		if u = bySymbol[rest]; u == nil {
			return Entry{}, fmt.Errorf("in %q: %w", text, unknown(rest))
		}
		if u.dim != def.dim {
			return Entry{}, fmt.Errorf("%q is %s; here %s is wanted, like %s", text, u.dim, def.dim, def.symbol)
		}
	}
	return Entry{Text: text, Value: value, Unit: u.symbol}, nil
}

// In converts the entry to another unit, for storing.
func (e Entry) In(unit string) (float64, error) { return Convert(e.Value, e.Unit, unit) }

// leadingNumber reads the number at the start of s and returns what follows it.
func leadingNumber(s string, mark Mark) (value float64, rest string, err error) {
	if m := fraction.FindStringSubmatchIndex(s); m != nil {
		part := func(i int) float64 {
			if m[2*i] < 0 {
				return 0
			}
			v, _ := strconv.ParseFloat(s[m[2*i]:m[2*i+1]], 64) // at most nine digits: cannot fail
			return v
		}
		if part(4) == 0 {
			return 0, "", fmt.Errorf("%q divides by zero: write a number", s)
		}
		v := part(2) + part(3)/part(4)
		if m[3] > m[2] && s[m[2]:m[3]] != "+" {
			v = -v
		}
		return v, s[m[9]:], nil
	}
	m := numberPattern.FindStringSubmatch(s)
	if m == nil {
		return 0, "", fmt.Errorf("%q does not start with a number: write a number, like 0.5", s)
	}
	rest = s[len(m[0]):]
	if spaceGroup.MatchString(rest) && !strings.HasPrefix(strings.TrimLeft(rest, " \t"), "1/") {
		return 0, "", &AmbiguousError{Text: s, Choices: []string{"the number without spaces"}}
	}
	digits, err := decimal(m[2], mark)
	if err != nil {
		return 0, "", err
	}
	if m[1] != "" && m[1] != "+" {
		digits = "-" + digits
	}
	v, err := strconv.ParseFloat(digits, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, "", fmt.Errorf("%q is not a number that can be used: write a number, like 0.5", s)
	}
	return v, rest, nil
}

// decimal returns the digits with a decimal point, or asks.
func decimal(s string, mark Mark) (string, error) {
	marks := strings.Count(s, ".") + strings.Count(s, ",") + strings.Count(s, "'")
	if marks == 0 {
		return s, nil
	}
	i := strings.IndexAny(s, ".,'")
	whole, frac := s[:i], s[i+1:]
	plain := strings.NewReplacer(".", "", ",", "", "'", "").Replace(s)
	if marks > 1 || s[i] == '\'' {
		return "", &AmbiguousError{Text: s, Choices: []string{plain + " (no marks between thousands)", "one decimal mark only"}}
	}
	if frac == "" {
		return whole, nil // "5." while typing
	}
	// Three digits behind a mark that is not the chosen one may be thousands, unless
	// nothing, or a zero, stands before it.
	grouped := len(frac) == 3 && len(whole) >= 1 && len(whole) <= 3 && whole[0] != '0'
	if grouped && Mark(s[i]) != mark {
		// No mark says thousands; one more zero says decimals without a doubt.
		return "", &AmbiguousError{Text: s, Choices: []string{plain, whole + string(s[i]) + frac + "0"}}
	}
	if whole == "" {
		whole = "0"
	}
	return whole + "." + frac, nil
}

// unknown says that a unit is not in the table and names the nearest that is.
func unknown(unit string) error {
	if choices, two := ambiguousUnits[strings.ToLower(unit)]; two {
		return &AmbiguousError{Text: unit, Choices: choices}
	}
	if near := nearest(unit); near != "" {
		return fmt.Errorf("unit %q is not known: did you mean %s?", unit, near)
	}
	return fmt.Errorf("unit %q is not known: use one like t/h, L/min, kg, g/t", unit)
}

func nearest(unit string) string {
	type candidate struct {
		symbol string
		far    int
	}
	var best []candidate
	for _, u := range table {
		for _, name := range append([]string{u.symbol}, u.aliases...) {
			far := distance(strings.ToLower(unit), strings.ToLower(name))
			if far <= max(1, len(name)/3) && far < len(name) {
				best = append(best, candidate{u.symbol, far})
			}
		}
	}
	if len(best) == 0 {
		return ""
	}
	return slices.MinFunc(best, func(a, b candidate) int { return cmp.Compare(a.far, b.far) }).symbol
}

// distance is the Levenshtein distance in bytes.
func distance(a, b string) int {
	if len(a) > 40 {
		a = a[:40] // a unit is short; more cannot be near one
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		last := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := last
			if a[i] != b[j] {
				cost++
			}
			last = row[j+1]
			row[j+1] = min(cost, last+1, row[j]+1)
		}
	}
	return row[len(b)]
}
