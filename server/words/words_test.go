package words

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var placeholder = regexp.MustCompile(`\{[a-z_]+\}`)

func TestBothLanguagesSayTheSameThings(t *testing.T) {
	for key, both := range catalogue {
		require.NotEmpty(t, both.en, key)
		require.NotEmpty(t, both.es, key)
		en, es := placeholder.FindAllString(both.en, -1), placeholder.FindAllString(both.es, -1)
		slices.Sort(en)
		slices.Sort(es)
		require.Equal(t, slices.Compact(en), slices.Compact(es), "placeholders of %s", key)
		require.Equal(t, strings.HasSuffix(both.en, "."), strings.HasSuffix(both.es, "."), "full stop of %s", key)
	}
}

func TestPluralsComeInPairs(t *testing.T) {
	for key := range catalogue {
		if base, ok := strings.CutSuffix(key, ".one"); ok {
			require.True(t, Has(base+".many"), key)
		}
		if base, ok := strings.CutSuffix(key, ".many"); ok {
			require.True(t, Has(base+".one"), key)
		}
	}
}

// The words that screens.md section 6 says not to use.
func TestForbiddenWords(t *testing.T) {
	for _, word := range []string{"nominal", "optimal", "optimise", "baseline", "envelope", "in control", "insufficient data", "wt_01", " ton.", " ton ", "invalid"} {
		for key, both := range catalogue {
			require.NotContains(t, strings.ToLower(both.en), word, key)
		}
	}
}

func TestPick(t *testing.T) {
	for name, c := range map[string]struct {
		chosen, accept string
		want           Lang
	}{
		"nothing":          {"", "", English},
		"chosen wins":      {"es", "en-US,en", Spanish},
		"unknown chosen":   {"xx", "es-MX,es;q=0.9", Spanish},
		"region":           {"", "es-CL", Spanish},
		"weights":          {"", "en;q=0.4, es;q=0.8", Spanish},
		"others first":     {"", "fr-FR, es;q=0.5, en;q=0.3", Spanish},
		"damaged weight":   {"", "es;q=zwei, en;q=0.1", English},
		"weight nan":       {"", "es;q=NaN", English},
		"first of equals":  {"", "es, en", Spanish},
		"zero is not want": {"", "es;q=0", English},
	} {
		t.Run(name, func(t *testing.T) { require.Equal(t, c.want, Pick(c.chosen, c.accept)) })
	}
}

func TestSay(t *testing.T) {
	require.Equal(t, "⟦no.such.key⟧", English.Say("no.such.key"))
	require.Equal(t, "1 day", English.Count("time.days", 1))
	require.Equal(t, "2 días", Spanish.Count("time.days", 2))
	require.Equal(t, "a, b y c", Spanish.List([]string{"a", "b", "c"}))
	require.Equal(t, "a and b", English.List([]string{"a", "b"}))
	require.Equal(t, "wash water 2", English.Or("q.wash_water_2", "wash_water_2"))
	require.Equal(t, "agua de lavado", Spanish.Or("q.wash_water", "wash_water"))
}

func TestDuration(t *testing.T) {
	for want, d := range map[string]time.Duration{
		"0 s": -time.Minute, "35 s": 35 * time.Second, "4 min": 4 * time.Minute,
		"1 h": time.Hour, "1 h 50 min": 110 * time.Minute, "2 days": 48 * time.Hour, "3 days 4 h": 76 * time.Hour,
	} {
		require.Equal(t, want, English.Duration(d))
	}
}

func TestTimes(t *testing.T) {
	zone, err := time.LoadLocation("America/Boise")
	require.NoError(t, err)
	now := time.Date(2026, 1, 5, 21, 2, 31, 0, time.UTC) // 14:02:31 in Boise
	require.Equal(t, "6 min ago", English.When(now.Add(-6*time.Minute), now, zone))
	require.Equal(t, "hace 6 min", Spanish.When(now.Add(-6*time.Minute), now, zone))
	require.Equal(t, "11:02", English.When(now.Add(-3*time.Hour), now, zone))
	require.Equal(t, "4 Jan 14:02", English.When(now.Add(-24*time.Hour), now, zone))
	require.Equal(t, "5 ene 2025 14:02", Spanish.When(now.AddDate(-1, 0, 0), now, zone))
	require.Equal(t, "never", English.When(time.Time{}, now, zone))
	require.Equal(t, "14:02:31", English.ClockSeconds(now, zone))
}
