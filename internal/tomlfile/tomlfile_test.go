package tomlfile

import (
	"testing"

	"github.com/stretchr/testify/require"
)

type doc struct {
	A struct {
		B  int               `toml:"b"`
		In map[string]string `toml:"in"`
	} `toml:"a"`
	List []struct {
		Name string `toml:"name"`
		Sub  struct {
			Depth int `toml:"depth"`
		} `toml:"sub"`
	} `toml:"list"`
}

func TestPlaces(t *testing.T) {
	f, err := Decode("x.toml", []byte("[a]\nb = 1\n[[list]]\nname = \"one\"\n[[list]]\n  name = \"two\"\n[list.sub]\ndepth = 3\n"), &doc{})
	require.NoError(t, err)
	for path, want := range map[string]string{
		"a.b":              "x.toml:2:1: wrong",
		"list.0.name":      "x.toml:4:1: wrong",
		"list.1.name":      "x.toml:6:3: wrong",
		"list.1.sub.depth": "x.toml:8:1: wrong",
		"list.0.missing":   "x.toml:3:3: wrong", // the table above it
		"nowhere":          "x.toml: wrong",
	} {
		require.EqualError(t, f.Errorf(path, "wrong"), want, path)
	}
	require.True(t, f.Has("list.1.sub.depth"))
	require.False(t, f.Has("list.0.sub.depth"))
}

func TestUnknownKeyNamesTheNearest(t *testing.T) {
	for text, want := range map[string]string{
		"[a]\nbb = 1\n":            `x.toml:2:1: unknown key "a.bb"; did you mean "b"?`,
		"[[list]]\nnmae = \"x\"\n": `x.toml:2:1: unknown key "list.nmae"; did you mean "name"?`,
		"[a]\nquantity = 1\n":      `x.toml:2:1: unknown key "a.quantity"; known here: b, in`,
	} {
		_, err := Decode("x.toml", []byte(text), &doc{})
		require.EqualError(t, err, want)
	}
}

// Distances from the definition; "kitten" to "sitting" is the customary example.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"", "abc", 3}, {"abc", "abc", 0}, {"flaw", "lawn", 2}} {
		require.Equal(t, c.want, distance(c.a, c.b))
	}
}

// TestWrongKindIsSaidPlainly: no name of the program's own types stands in an error.
func TestWrongKindIsSaidPlainly(t *testing.T) {
	type file struct {
		Server struct {
			Listen string    `toml:"listen"`
			Port   int       `toml:"port"`
			Range  []float64 `toml:"range"`
			On     bool      `toml:"on"`
		} `toml:"server"`
	}
	for text, want := range map[string]string{
		"listen = 8528":    "x.toml:2:10: server.listen: a whole number stands where text in quotes must stand",
		"listen = true":    "x.toml:2:10: server.listen: true or false stands where text in quotes must stand",
		`port = "x"`:       "x.toml:2:8: server.port: text in quotes stands where a number must stand",
		`on = "no"`:        "x.toml:2:6: server.on: text in quotes stands where true or false must stand",
		`range = "0 to 4"`: "x.toml:2:9: server.range: text in quotes stands where a list in brackets must stand",
	} {
		var f file
		_, err := Decode("x.toml", []byte("[server]\n"+text+"\n"), &f)
		require.EqualError(t, err, want)
	}
}
