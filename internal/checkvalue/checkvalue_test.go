package checkvalue

import (
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestNear(t *testing.T) {
	for name, tc := range map[string]struct {
		got, want float64
		tolerance string
		agrees    bool
	}{
		"equal":                      {1, 1, "rel 1e-9", true},
		"just inside relative":       {1000.0000009, 1000, "rel 1e-9", true},
		"just outside relative":      {1000.000002, 1000, "rel 1e-9", false},
		"smaller is not always near": {0.5, 1000, "rel 1e-9", false},
		"negative":                   {-1, 1, "rel 1e-9", false},
		"absolute inside":            {10.9, 10, "abs 1", true},
		"absolute outside":           {11.1, 10, "abs 1", false},
		"words behind":               {5, 5, "rel 1e-9 (printed 5.0)", true},
		"not a number":               {math.NaN(), 5, "abs 1000", false},
		"infinite":                   {math.Inf(1), 5, "rel 1", false},
		"exact":                      {0.1 + 0.2, 0.3, "exact", true},
		"exact but off":              {0.3001, 0.3, "exact", false},
		"no such tolerance":          {1, 1, "about", false},
		"tolerance without a size":   {1, 1, "rel", false},
	} {
		t.Run(name, func(t *testing.T) {
			err := Near("x", tc.got, tc.want, tc.tolerance)
			require.Equal(t, tc.agrees, err == nil, "%v", err)
		})
	}
}

func TestMetallurgyFileReads(t *testing.T) {
	data, err := os.ReadFile("../../testdata/check-values/metallurgy.toml")
	require.NoError(t, err)
	set, err := Parse(data)
	require.NoError(t, err)
	require.Equal(t, 10.0, set.Get("TP-01").Want("enrichment_ratio"))
	require.Len(t, set.Get("PO-01").Ins("counts"), 10)
	require.Panics(t, func() { set.Get("TP-99") })
	require.Panics(t, func() { set.Get("TP-01").Want("nothing") })
}

func TestParseRefusesDoubledAndSourceless(t *testing.T) {
	for name, text := range map[string]string{
		"doubled":    "[[check]]\nid='A'\nsource='s'\n[[check]]\nid='A'\nsource='s'\n",
		"sourceless": "[[check]]\nid='A'\n",
		"not toml":   "[[check",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse([]byte(text))
			require.Error(t, err)
		})
	}
}
