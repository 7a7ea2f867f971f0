package wire

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestTopics(t *testing.T) {
	for text, want := range map[string]Topic{
		"spBv1.0/larkspur/NBIRTH/mill":         {"larkspur", NBIRTH, "mill", ""},
		"spBv1.0/larkspur/NDATA/mill":          {"larkspur", NDATA, "mill", ""},
		"spBv1.0/larkspur/NDEATH/mill":         {"larkspur", NDEATH, "mill", ""},
		"spBv1.0/larkspur/NCMD/mill":           {"larkspur", NCMD, "mill", ""},
		"spBv1.0/larkspur/DBIRTH/mill/scale 1": {"larkspur", DBIRTH, "mill", "scale 1"},
		"spBv1.0/larkspur/DDATA/mill/é":        {"larkspur", DDATA, "mill", "é"},
		"spBv1.0/larkspur/DDEATH/mill/scale":   {"larkspur", DDEATH, "mill", "scale"},
		"spBv1.0/larkspur/DCMD/mill/scale":     {"larkspur", DCMD, "mill", "scale"},
		"spBv1.0/STATE/decktrim":               {"", STATE, "decktrim", ""},
	} {
		got, err := ParseTopic(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got)
		require.Equal(t, text, got.String())
	}
	for _, text := range []string{
		"", "spBv1.0", "spBv1.0/larkspur", "spBv1.0/larkspur/NDATA", "spBv1.0/larkspur/NDATA/", "spBv1.0//NDATA/mill",
		"spBv1.0/larkspur/NDATA/mill/scale", "spBv1.0/larkspur/DDATA/mill", "spBv1.0/larkspur/DDATA/mill/",
		"spBv1.0/larkspur/DDATA/mill/a/b", "spBv1.0/larkspur/XDATA/mill", "spAv1.0/larkspur/NDATA/mill",
		"spBv1.0/STATE/NDATA/mill", "spBv1.0/STATE/", "spBv1.0/STATE/a/b", "STATE/decktrim", "spBv1.0/lark+spur/NDATA/mill",
		"spBv1.0/larkspur/NDATA/mi#ll", "spBv1.0/larkspur/NDATA/\xff", "spBv1.0/larkspur/DDATA/mill/a\x00",
		"spBv1.0/" + strings.Repeat("g", 257) + "/NDATA/mill",
	} {
		_, err := ParseTopic(text)
		require.ErrorIs(t, err, ErrTopic, text)
	}
}

func TestOwnID(t *testing.T) {
	for id, want := range map[string]bool{"mill": true, "mill-2": true, "": false, "Mill": false, "a b": false,
		strings.Repeat("a", 32): true, strings.Repeat("a", 33): false, "é": false} {
		require.Equal(t, want, OwnID(id), id)
	}
}

func TestState(t *testing.T) {
	require.JSONEq(t, `{"online":true,"timestamp":1700000000000}`, string(State{true, 1700000000000}.JSON()))
	got, err := ParseState([]byte(` {"timestamp":5,"online":false,"more":1} `))
	require.NoError(t, err)
	require.Equal(t, State{false, 5}, got)
	for _, bad := range []string{"ONLINE", "", `{"online":true}`, `{"timestamp":5}`, `{"online":1,"timestamp":5}`,
		`{"online":true,"timestamp":-1}`, `{"online":true,"timestamp":1.5}`, `{"online":true,"timestamp":5}{}`,
		`{"online":true,"timestamp":5,"x":"` + strings.Repeat("y", 2000) + `"}`} {
		_, err := ParseState([]byte(bad))
		require.Error(t, err, bad)
	}
}

func FuzzParseTopic(f *testing.F) {
	f.Add("spBv1.0/larkspur/DDATA/mill/scale")
	f.Add("spBv1.0/STATE/decktrim")
	f.Fuzz(func(t *testing.T, text string) {
		topic, err := ParseTopic(text)
		if err == nil {
			require.Equal(t, text, topic.String())
		}
	})
}
