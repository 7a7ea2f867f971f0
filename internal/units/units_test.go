package units

import (
	"errors"
	"fmt"
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"decktrim/internal/checkvalue"
)

func checks(t *testing.T) checkvalue.Set {
	t.Helper()
	data, err := os.ReadFile("../../testdata/check-values/metallurgy.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	return set
}

// UN-01 to UN-24: GNU Units 2.22, exact by definition. The file writes "ton" for the
// short ton, "oz" for the avoirdupois ounce and "gpm" for the US gallon a minute;
// here they are written out.
func TestConversionsAgreeWithOutsideValues(t *testing.T) {
	set := checks(t)
	for _, tc := range []struct{ id, from, to string }{
		{"UN-01", "ozt", "g"},
		{"UN-02", "oz/short ton", "g/t"},
		{"UN-03", "oz/long ton", "g/t"},
		{"UN-04", "ozt/t", "g/t"},
		{"UN-05", "short ton", "kg"},
		{"UN-06", "long ton", "kg"},
		{"UN-07", "US gpm", "L/min"},
		{"UN-08", "imp gpm", "L/min"},
		{"UN-09", "psi", "kPa"},
		{"UN-10", "lb", "kg"},
		{"UN-11", "oz av", "g"},
		{"UN-12", "hp", "W"},
		{"UN-13", "in", "mm"},
		{"UN-14", "ft/min", "m/s"},
		{"UN-15", "lb/ft3", "kg/m3"},
		{"UN-16", "short ton/h", "t/h"},
		{"UN-17", "dwt", "g"},
		{"UN-18", "gr", "mg"},
		{"UN-19", "assay ton", "g"},
		{"UN-20", "ft3", "L"},
		{"UN-21", "bar", "psi"},
		{"UN-22", "lb/ft", "kg/m"},
		{"UN-23", "kWh/short ton", "kWh/t"},
		{"UN-24", "gn", "m/s2"},
	} {
		t.Run(tc.id, func(t *testing.T) {
			got, err := Convert(1, tc.from, tc.to)
			require.NoError(t, err)
			require.NoError(t, set.Get(tc.id).Compare(tc.to, got))
		})
	}
}

// UN-25: a button's fine gold. Mass times fineness, shown in troy ounces.
func TestBullion(t *testing.T) {
	c := checks(t).Get("UN-25")
	fine := c.In("button_g") * c.In("fineness")
	require.NoError(t, c.Compare("fine_g", fine))
	ozt, err := Convert(fine, "g", "ozt")
	require.NoError(t, err)
	require.NoError(t, c.Compare("fine_ozt", ozt))
}

func TestEveryUnit(t *testing.T) {
	const roundTrip = "rel 1e-14" // two roundings
	codes := map[string]string{}
	for _, u := range All() {
		require.True(t, Known(u))
		require.NotEmpty(t, UCUM(u), "%s has no UCUM code", u)
		require.Empty(t, codes[UCUM(u)], "%s and %s share a UCUM code", u, codes[UCUM(u)])
		codes[UCUM(u)] = u
		back, ok := FromUCUM(UCUM(u))
		require.True(t, ok)
		require.Equal(t, u, back)
		for _, sys := range []System{Metric, USCustomary} {
			v, shown := Display(12.5, u, sys)
			require.Equal(t, DimensionOf(u), DimensionOf(shown), "%s shown as %s", u, shown)
			again, err := Convert(v, shown, u)
			require.NoError(t, err)
			require.NoError(t, checkvalue.Near(u, again, 12.5, roundTrip))
		}
		_, us := Display(1, u, USCustomary)
		require.Equal(t, us, DisplayUnit(us, USCustomary), "%s: the shown unit must stay as it is", u)
	}
}

func TestSpellingsMeetOnce(t *testing.T) {
	seen := map[string]string{}
	for _, u := range table {
		for _, name := range append([]string{u.symbol}, u.aliases...) {
			require.Empty(t, seen[name], "%q is both %s and %s", name, u.symbol, seen[name])
			seen[name] = u.symbol
		}
	}
	for name := range ambiguousUnits {
		require.False(t, Known(name), "%q has two meanings and must not be known", name)
	}
}

func TestConvertRefuses(t *testing.T) {
	for name, tc := range map[string]struct {
		v        float64
		from, to string
		says     string
	}{
		"unknown from":         {1, "furlong", "m", "not known"},
		"unknown to":           {1, "m", "furlong", "not known"},
		"other dimension":      {1, "kg", "L/min", "no conversion"},
		"ton is asked about":   {1, "ton", "kg", "short ton"},
		"power is not kVA":     {1, "kW", "kVA", "no conversion"},
		"not a number":         {math.NaN(), "kg", "t", "not a number"},
		"infinite":             {math.Inf(1), "kg", "t", "not a number"},
		"too large":            {math.MaxFloat64, "t", "mg", "too large"},
		"near miss is offered": {1, "L/mn", "L/s", "did you mean L/min?"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Convert(tc.v, tc.from, tc.to)
			require.ErrorContains(t, err, tc.says)
		})
	}
}

func TestTemperature(t *testing.T) {
	for _, tc := range []struct{ c, f float64 }{{0, 32}, {100, 212}, {-40, -40}} {
		got, err := Convert(tc.c, "degC", "degF")
		require.NoError(t, err)
		require.InDelta(t, tc.f, got, 1e-9)
	}
}

// Switching the preset forth and back a thousand times changes nothing that can be
// seen, and nothing at all after the first time.
func TestSwitchingBackAndForth(t *testing.T) {
	for _, u := range All() {
		if DimensionOf(u) == Temperature {
			continue // an offset keeps absolute, not relative, precision
		}
		start := 47.3
		v := start
		for range 1000 {
			shown, us := Display(v, u, USCustomary)
			back, err := Convert(shown, us, u)
			require.NoError(t, err)
			v = back
		}
		require.NoError(t, checkvalue.Near(u, v, start, "rel 1e-12"))
	}
}

func TestFormat(t *testing.T) {
	for name, tc := range map[string]struct {
		v      float64
		unit   string
		sys    System
		digits int
		want   string
	}{
		"feed":               {1.9234, "t/h", Metric, 3, "1.92 t/h"},
		"feed us":            {2, "t/h", USCustomary, 3, "2.20 short ton/h"},
		"water us":           {45, "L/min", USCustomary, 3, "11.9 US gal/min"},
		"grade us":           {12, "g/t", USCustomary, 3, "0.350 troy oz/short ton"},
		"size":               {420, "um", Metric, 3, "420 µm"},
		"size us stays um":   {420, "um", USCustomary, 3, "420 µm"},
		"angle":              {2.5, "deg", Metric, 2, "2.5°"},
		"strokes":            {290, "1/min", Metric, 3, "290/min"},
		"contact":            {1, "1", Metric, 3, "1.00"},
		"large is rounded":   {123456, "kg", Metric, 3, "123000 kg"},
		"small":              {0.00123456, "m", Metric, 3, "0.00123 m"},
		"rounds up a decade": {9.996, "A", Metric, 3, "10.0 A"},
		"zero":               {0, "A", Metric, 3, "0 A"},
		"negative":           {-3.14159, "kg", Metric, 3, "-3.14 kg"},
		"missing":            {math.NaN(), "kg", Metric, 3, Missing},
		"infinite":           {math.Inf(-1), "kg", Metric, 3, Missing},
		"unknown unit":       {2, "parsec", USCustomary, 2, "2.0 parsec"},
		"digits below one":   {47, "A", Metric, 0, "50 A"},
		"smallest float":     {math.SmallestNonzeroFloat64, "A", Metric, 1, Number(math.SmallestNonzeroFloat64, 1) + " A"},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, tc.want, Format(tc.v, tc.unit, tc.sys, tc.digits))
		})
	}
}

func TestParseSystem(t *testing.T) {
	for text, want := range map[string]System{"": Metric, "metric": Metric, "US": USCustomary} {
		got, err := ParseSystem(text)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	_, err := ParseSystem("imperial")
	require.Error(t, err)
	require.Equal(t, "us", USCustomary.String())
	require.Equal(t, "metric", Metric.String())
}

func TestParseEntry(t *testing.T) {
	for name, tc := range map[string]struct {
		text string
		mark Mark
		unit string
		want float64
		in   string
	}{
		"point":                          {"0.5", Point, "kg", 0.5, "kg"},
		"comma":                          {"0,5", Comma, "kg", 0.5, "kg"},
		"comma where point is chosen":    {"0,5", Point, "kg", 0.5, "kg"},
		"mark not known":                 {"0,5", AnyMark, "kg", 0.5, "kg"},
		"half":                           {"1/2", Point, "in", 0.5, "in"},
		"half with its unit":             {"1/2 in", Comma, "mm", 0.5, "in"},
		"mixed":                          {"1 1/2 in", Point, "in", 1.5, "in"},
		"vulgar":                         {"2½ in", Point, "in", 2.5, "in"},
		"three quarters below zero":      {"-3/4", Point, "deg", -0.75, "deg"},
		"unit written":                   {"45 L/min", Point, "L/min", 45, "L/min"},
		"unit without a space":           {"45L/min", Point, "L/min", 45, "L/min"},
		"other unit of the same kind":    {"12 US gpm", Point, "L/min", 12, "US gpm"},
		"alias":                          {"45 lpm", Point, "L/min", 45, "L/min"},
		"unit that begins with a figure": {"290 1/min", Point, "1/min", 290, "1/min"},
		"short ton written out":          {"2.5 short tons", Point, "t", 2.5, "short ton"},
		"three digits, chosen mark":      {"1,500", Comma, "t", 1.5, "t"},
		"three digits, chosen point":     {"1.500", Point, "t", 1.5, "t"},
		"leading zero is a decimal":      {"0,500", AnyMark, "t", 0.5, "t"},
		"bare decimals":                  {".5", Point, "kg", 0.5, "kg"},
		"bare three decimals":            {",125", Point, "kg", 0.125, "kg"},
		"four digits cannot be groups":   {"1,5000", Point, "kg", 1.5, "kg"},
		"many digits before":             {"1234,500", AnyMark, "kg", 1234.5, "kg"},
		"trailing mark":                  {"5.", Point, "kg", 5, "kg"},
		"minus sign as printed":          {"−3.2", Point, "degC", -3.2, "degC"},
		"spaces around":                  {"  7  kg ", Point, "kg", 7, "kg"},
		"percent":                        {"2.5 %", Point, "%", 2.5, "%"},
		"degree sign":                    {"2.5°", Point, "deg", 2.5, "deg"},
	} {
		t.Run(name, func(t *testing.T) {
			e, err := ParseEntry(tc.text, tc.mark, tc.unit)
			require.NoError(t, err)
			require.Equal(t, tc.want, e.Value)
			require.Equal(t, tc.in, e.Unit)
			require.Equal(t, tc.text, e.Text)
		})
	}
}

func TestParseEntryAsks(t *testing.T) {
	for name, tc := range map[string]struct {
		text string
		mark Mark
		unit string
	}{
		"thousands or decimals, point": {"1,500", Point, "t"},
		"thousands or decimals, comma": {"1.500", Comma, "t"},
		"mark not known":               {"12.345", AnyMark, "kg"},
		"both marks":                   {"1,234.5", Point, "kg"},
		"grouped twice":                {"1,234,567", Point, "g"},
		"apostrophe":                   {"1'500", Point, "g"},
		"space":                        {"1 500", Point, "g"},
		"ton":                          {"3 tons", Point, "t"},
		"oz":                           {"3 oz", Point, "g"},
		"gpm":                          {"3 gpm", Point, "L/min"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseEntry(tc.text, tc.mark, tc.unit)
			ask, ok := errors.AsType[*AmbiguousError](err)
			require.True(t, ok, "%v", err)
			require.NotEmpty(t, ask.Choices)
		})
	}
	// What it offers for a figure must be accepted, and mean what it says.
	_, err := ParseEntry("1,500", Point, "t")
	ask, _ := errors.AsType[*AmbiguousError](err)
	for i, want := range []float64{1500, 1.5} {
		e, err := ParseEntry(ask.Choices[i], Point, "t")
		require.NoError(t, err)
		require.Equal(t, want, e.Value)
	}
}

func TestParseEntryRefuses(t *testing.T) {
	for name, tc := range map[string]struct{ text, unit, says string }{
		"nothing":           {" ", "kg", "nothing was typed"},
		"a word":            {"n.s.", "kg", "does not start with a number"},
		"other dimension":   {"5 kg", "L/min", "volume flow is wanted"},
		"unit mistyped":     {"5 L/mn", "L/min", "did you mean L/min?"},
		"unit nowhere near": {"5 bananas", "kg", "not known"},
		"by zero":           {"1/0", "kg", "divides by zero"},
		"exponent":          {"1e5", "kg", "not known"},
		"infinity":          {"Inf", "kg", "does not start"},
		"no such default":   {"1", "furlong", "not known"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseEntry(tc.text, Point, tc.unit)
			require.ErrorContains(t, err, tc.says)
		})
	}
}

func FuzzParseEntry(f *testing.F) {
	for _, s := range []string{"0,5", "0.5 t/h", "1/2 in", "1 1/2", "1,500", "−3 °C", "2½", "1e9", "NaN", "5 tons", "1/0", "'", "9999999999999999999999999999"} {
		f.Add(s, byte('.'))
		f.Add(s, byte(','))
		f.Add(s, byte(0))
	}
	f.Fuzz(func(t *testing.T, text string, mark byte) {
		e, err := ParseEntry(text, Mark(mark), "kg")
		if err != nil {
			return
		}
		if math.IsNaN(e.Value) || math.IsInf(e.Value, 0) {
			t.Fatalf("%q gave %v", text, e.Value)
		}
		if !Known(e.Unit) || DimensionOf(e.Unit) != Mass {
			t.Fatalf("%q gave unit %q", text, e.Unit)
		}
	})
}

func ExampleFormat() {
	const washWater = 45.0 // stored in L/min
	fmt.Println(Format(washWater, "L/min", Metric, 3))
	fmt.Println(Format(washWater, "L/min", USCustomary, 3))
	// Output:
	// 45.0 L/min
	// 11.9 US gal/min
}
