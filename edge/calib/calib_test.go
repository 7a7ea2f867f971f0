package calib_test

import (
	"math"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"decktrim/edge/calib"
	"decktrim/internal/checkvalue"
)

func checks(t testing.TB) checkvalue.Set {
	t.Helper()
	data, err := os.ReadFile("../../testdata/check-values/instruments.toml")
	require.NoError(t, err)
	set, err := checkvalue.Parse(data)
	require.NoError(t, err)
	return set
}

func value(t *testing.T, l calib.Line, x float64) float64 {
	t.Helper()
	v, ok := l.Value(x)
	require.True(t, ok)
	back, ok := l.Signal(v)
	require.True(t, ok)
	require.InDelta(t, x, back, 1e-9*math.Max(1, math.Abs(x)), "signal and value are each other's inverse")
	return v
}

func TestLoopMA01MA02(t *testing.T) {
	for _, id := range []string{"MA-01", "MA-02"} {
		c := checks(t).Get(id)
		l, err := calib.Loop(c.In("low"), c.In("high"))
		require.NoError(t, err)
		require.NoError(t, c.Compare("value", value(t, l, c.In("mA"))))
	}
	_, err := calib.Loop(5, 5)
	require.Error(t, err)
}

func TestPulsesFL01FL04FL05(t *testing.T) {
	set := checks(t)
	c := set.Get("FL-01")
	l, err := calib.PulseLine(c.In("pulses_per_litre"), "L/min")
	require.NoError(t, err)
	require.NoError(t, c.Compare("lpm", value(t, l, c.In("Hz"))))
	c = set.Get("FL-04")
	l, err = calib.PulseLine(c.Want("pulses_per_litre"), "L/min")
	require.NoError(t, err)
	require.NoError(t, c.Compare("lpm", value(t, l, c.In("Hz"))))
	c = set.Get("FL-05")
	k, err := calib.Corrected(c.In("k"), c.In("indicated_l"), c.In("true_l"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("new_k", k))
	_, err = calib.PulseLine(450, "kg")
	require.Error(t, err)
	_, err = calib.PulseLine(0, "L/min")
	require.Error(t, err)
}

func TestTransformerCT01(t *testing.T) {
	c := checks(t).Get("CT-01")
	l, err := calib.TransformerLine(c.In("ratio"), c.In("burden_ohm"))
	require.NoError(t, err)
	require.NoError(t, c.Compare("primary_A_per_V", l.Span))
	require.InEpsilon(t, c.In("primary_A"), value(t, l, c.Want("rms_V")), 1e-9)
}

// CT-03: four turns through the window of a 200:5 transformer divide the ratio.
func TestTransformerTurnsCT03(t *testing.T) {
	c := checks(t).Get("CT-03")
	l, err := calib.TransformerLine(200.0/5/c.In("turns"), 1)
	require.NoError(t, err)
	require.NoError(t, c.Compare("primary_A", value(t, l, c.In("secondary_A"))))
}

// LC-01: 12.5 kg on a cell of 50 kg and 2 mV/V at 5 V is 2.5 mV; two known loads
// give the line, a tare takes the bin off.
func TestSpanThenTareLC01(t *testing.T) {
	c := checks(t).Get("LC-01")
	mV := func(kg float64) float64 { return kg / c.In("rated_kg") * c.In("rated_mv_per_v") * c.In("excitation_V") }
	require.NoError(t, c.Compare("signal_mV", mV(c.In("load_kg"))))
	l, worst, err := calib.Span(calib.Line{}, []calib.Point{{Signal: mV(0), Value: 0}, {Signal: mV(50), Value: 50}})
	require.NoError(t, err)
	require.InDelta(t, 0, worst, 1e-12)
	require.InDelta(t, 12.5, value(t, l, 2.5), 1e-12)
	l, err = calib.Tare(l, mV(8))
	require.NoError(t, err)
	require.InDelta(t, 0, value(t, l, mV(8)), 1e-12)
	require.InDelta(t, 10, value(t, l, mV(18)), 1e-12)
	l, err = calib.Zero(l, mV(1))
	require.NoError(t, err)
	require.InDelta(t, 49, value(t, l, mV(50)), 1e-12, "a new zero takes the tare with it")
}

func TestSpanResidualIsTheWorstPoint(t *testing.T) {
	_, worst, err := calib.Span(calib.Line{}, []calib.Point{{Signal: 0, Value: 0}, {Signal: 1, Value: 1.3}, {Signal: 2, Value: 2}})
	require.NoError(t, err)
	require.InDelta(t, 0.2, worst, 1e-12) // line 0.1 + x: residuals -0.1, +0.2, -0.1
	one, worst, err := calib.Span(calib.Line{Zero: 100, Span: 9, Tare: 5}, []calib.Point{{Signal: 300, Value: 50}})
	require.NoError(t, err)
	require.Equal(t, calib.Line{Zero: 100, Span: 0.25}, one)
	require.Zero(t, worst)
}

func TestFiguresThatMakeNoLine(t *testing.T) {
	nan := math.NaN()
	for name, points := range map[string][]calib.Point{
		"none": nil, "same signal": {{Signal: 1, Value: 1}, {Signal: 1, Value: 2}}, "same value": {{Signal: 1, Value: 1}, {Signal: 2, Value: 1}},
		"nan": {{Signal: nan, Value: 1}, {Signal: 2, Value: 2}}, "inf": {{Signal: 1, Value: math.Inf(1)}}, "no load": {{Signal: 5}},
	} {
		_, _, err := calib.Span(calib.Line{}, points)
		require.ErrorIs(t, err, calib.ErrNumber, name)
	}
	_, err := calib.Tare(calib.Line{}, 1)
	require.ErrorIs(t, err, calib.ErrNumber)
	_, err = calib.Tare(calib.Line{Span: 1}, nan)
	require.ErrorIs(t, err, calib.ErrNumber)
	_, ok := calib.Line{Span: 1}.Value(nan)
	require.False(t, ok)
	_, ok = calib.Line{}.Value(1)
	require.False(t, ok)
	_, ok = calib.Line{Span: math.MaxFloat64}.Value(math.MaxFloat64)
	require.False(t, ok, "beyond what a number can hold")
}

func TestKFactor(t *testing.T) {
	for _, tc := range []struct {
		name   string
		checks []calib.FlowCheck
		reason string
		want   error
		k      float64
	}{
		{"FL-02", []calib.FlowCheck{{27000, 60, 90}}, "", nil, 450},
		{"three that agree", []calib.FlowCheck{{4500, 10, 15}, {4600, 10, 15}, {4450, 10, 15}}, "", nil, 13550.0 / 30},
		{"9.9 s", []calib.FlowCheck{{4500, 10, 9.9}}, "", calib.ErrShort, 0},
		{"10 s", []calib.FlowCheck{{4500, 10, 10}}, "", nil, 450},
		{"9.9 s with a reason", []calib.FlowCheck{{4500, 10, 9.9}}, "bucket of 5 L only", nil, 450},
		{"6 % apart", []calib.FlowCheck{{4500, 10, 15}, {4779, 10, 15}}, "", calib.ErrScatter, 0},
		{"6 % apart with a reason", []calib.FlowCheck{{4500, 10, 15}, {4779, 10, 15}}, "valve moved", nil, 463.95},
		{"no pulses", []calib.FlowCheck{{0, 10, 15}}, "whatever", calib.ErrNumber, 0},
		{"none", nil, "whatever", calib.ErrNumber, 0},
		{"nan", []calib.FlowCheck{{math.NaN(), 10, 15}}, "whatever", calib.ErrNumber, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			k, _, err := calib.KFactor(tc.checks, tc.reason)
			require.ErrorIs(t, err, tc.want)
			require.InDelta(t, tc.k, k, 1e-9)
		})
	}
}

var at = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

func TestFileKeepsEveryRecord(t *testing.T) {
	f := calib.File{Channel: "bin_weight", Unit: "kg"}
	first := calib.Record{Method: calib.MethodSpan, By: "technician", At: at, Line: calib.Line{Zero: 71000, Span: 0.0021},
		Points: []calib.Point{{Signal: 71000, Seconds: 20, Scatter: 12}, {Signal: 309095, Value: 500, Seconds: 20}}, Residual: 0.4}
	f, err := f.Add(first)
	require.NoError(t, err)
	second := first
	second.Method, second.At, second.Line.Tare = calib.MethodTare, at.Add(time.Hour), 120
	both, err := f.Add(second)
	require.NoError(t, err)
	require.Len(t, f.Records, 1, "the file before is as it was")
	data, err := calib.Format(both)
	require.NoError(t, err)
	back, err := calib.Parse("bin.toml", data)
	require.NoError(t, err)
	require.Equal(t, both, back)
	now, ok := back.Current()
	require.True(t, ok)
	require.Equal(t, 120.0, now.Line.Tare)
	require.Equal(t, first.Points, back.Records[0].Points)

	older := first
	older.At = at.Add(-time.Hour)
	_, err = both.Add(older)
	require.ErrorContains(t, err, "older than the one before")
	nobody := second
	nobody.By, nobody.At = "", at.Add(2*time.Hour)
	_, err = both.Add(nobody)
	require.ErrorContains(t, err, "who did it")
}

func TestFaultsOfAFileHaveTheirPlace(t *testing.T) {
	for text, want := range map[string]string{
		"format = 2\nchannel = \"a\"":                             "c.toml:1:",
		"format = 1\nchanel = \"a\"":                              "channel",
		"format = 1\nchannel = \"a\"\n[[record]]\nmethod = \"x\"": "c.toml:3:",
		"format = 1\nchannel = \"a\"\n[[record]]\nby=\"t\"\nat=2026-01-05T07:00:00Z\nline={zero=1.0,span=nan,tare=0.0}": "c.toml:6:",
	} {
		_, err := calib.Parse("c.toml", []byte(text))
		require.ErrorContains(t, err, want)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("format = 1\nchannel = \"a\"\n[[record]]\nby=\"t\"\nat=2026-01-05T07:00:00Z\nline={zero=1.0,span=2.0,tare=0.0}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		file, err := calib.Parse("f", data)
		if err != nil {
			return
		}
		for _, r := range file.Records {
			require.True(t, r.Line.Known())
		}
		out, err := calib.Format(file)
		require.NoError(t, err)
		_, err = calib.Parse("again", out)
		require.NoError(t, err)
	})
}
