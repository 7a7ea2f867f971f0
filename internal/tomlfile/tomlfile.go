// Package tomlfile decodes a TOML file strictly: unknown keys, wrong types and
// values a caller refuses are errors with file, line, column and, where a key is
// unknown, the nearest known one. It reads bytes; opening the file is the caller's.
package tomlfile

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Error is one thing wrong in a file. Line and Column count from 1; 0 is unknown.
type Error struct {
	File         string
	Line, Column int
	Text         string // what is wrong and what to do
}

func (e *Error) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("%s: %s", e.File, e.Text)
	}
	return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text)
}

type place struct{ line, column int }

// File knows where each key of a decoded file stands.
type File struct {
	name   string
	places map[string]place
}

// Decode fills v from data. The file name is used in errors only. Keys that v has
// no field for are refused.
func Decode(name string, data []byte, v any) (*File, error) {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	dec := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return nil, describe(name, err, reflect.TypeOf(v))
	}
	return &File{name: name, places: locate(data)}, nil
}

// Errorf is an error at a key. A path is dotted; elements of arrays of tables are
// numbered from 0: "setting.1.max". Where the key itself is absent the nearest
// table above it is named.
func (f *File) Errorf(path, format string, args ...any) error {
	e := &Error{File: f.name, Text: fmt.Sprintf(format, args...)}
	for p := path; p != ""; {
		if at, ok := f.places[p]; ok {
			e.Line, e.Column = at.line, at.column
			break
		}
		cut := strings.LastIndexByte(p, '.')
		if cut < 0 {
			break
		}
		p = p[:cut]
	}
	return e
}

// Has reports whether the file has the key.
func (f *File) Has(path string) bool { _, ok := f.places[path]; return ok }

func describe(name string, err error, root reflect.Type) error {
	var missing *toml.StrictMissingError
	if errors.As(err, &missing) && len(missing.Errors) > 0 {
		first := missing.Errors[0]
		line, column := first.Position()
		key := []string(first.Key())
		text := fmt.Sprintf("unknown key %q", strings.Join(key, "."))
		if known := keysAt(root, key[:len(key)-1]); len(known) > 0 {
			if near, ok := Nearest(key[len(key)-1], known); ok {
				text += fmt.Sprintf("; did you mean %q?", near)
			} else {
				text += "; known here: " + strings.Join(known, ", ")
			}
		}
		return &Error{name, line, column, text}
	}
	var de *toml.DecodeError
	if errors.As(err, &de) {
		line, column := de.Position()
		text := plain(strings.TrimPrefix(de.Error(), "toml: "))
		if key := strings.Join(de.Key(), "."); key != "" {
			text = fmt.Sprintf("%s: %s", key, text)
		}
		return &Error{name, line, column, text}
	}
	return &Error{File: name, Text: strings.TrimPrefix(err.Error(), "toml: ")}
}

var wrongKind = regexp.MustCompile(`^cannot decode TOML (\w+) into .*of type (\S+)$`)

// plain says without names of the program that a value is of the wrong kind.
func plain(text string) string {
	m := wrongKind.FindStringSubmatch(text)
	if m == nil {
		return text
	}
	found := map[string]string{"integer": "a whole number", "float": "a number", "string": "text in quotes", "boolean": "true or false", "array": "a list", "table": "a table"}[m[1]]
	want := "another kind of value"
	switch t := m[2]; {
	case strings.HasPrefix(t, "[]"):
		want = "a list in brackets"
	case t == "string":
		want = "text in quotes"
	case t == "bool":
		want = "true or false"
	case strings.HasPrefix(t, "float"), strings.HasPrefix(t, "int"), strings.HasPrefix(t, "uint"):
		want = "a number"
	}
	return fmt.Sprintf("%s stands where %s must stand", cmp.Or(found, "a "+m[1]), want)
}

// keysAt lists the keys of the table at path, from the toml tags of the type.
func keysAt(t reflect.Type, path []string) []string {
	for {
		for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct {
			return nil
		}
		if len(path) == 0 {
			break
		}
		next, ok := fieldOf(t, path[0])
		if !ok {
			return nil
		}
		t, path = next, path[1:]
	}
	var keys []string
	eachField(t, func(key string, _ reflect.Type) { keys = append(keys, key) })
	slices.Sort(keys)
	return keys
}

func fieldOf(t reflect.Type, key string) (found reflect.Type, ok bool) {
	eachField(t, func(k string, ft reflect.Type) {
		if k == key {
			found, ok = ft, true
		}
	})
	return found, ok
}

func eachField(t reflect.Type, visit func(key string, ft reflect.Type)) {
	for i := range t.NumField() {
		f := t.Field(i)
		key, _, _ := strings.Cut(f.Tag.Get("toml"), ",")
		switch {
		case key == "-" || !f.IsExported():
		case key == "" && f.Anonymous && f.Type.Kind() == reflect.Struct:
			eachField(f.Type, visit)
		case key != "":
			visit(key, f.Type)
		}
	}
}

// locate walks the file and notes where each key and table header stands.
func locate(data []byte) map[string]place {
	places := map[string]place{}
	counts := map[string]int{}
	var p unstable.Parser
	p.Reset(data)
	prefix := ""
	note := func(path string, key []byte) {
		if _, ok := places[path]; ok {
			return
		}
		shape := p.Shape(p.Range(key))
		places[path] = place{shape.Start.Line, shape.Start.Column}
	}
	for p.NextExpression() {
		e := p.Expression()
		var parts []string
		var last []byte
		for it := e.Key(); it.Next(); {
			last = it.Node().Data
			parts = append(parts, string(last))
		}
		if len(parts) == 0 {
			continue
		}
		switch e.Kind {
		case unstable.Table:
			prefix = resolve(parts, counts)
			note(prefix, last)
		case unstable.ArrayTable:
			base := resolve(parts[:len(parts)-1], counts)
			path := join(base, parts[len(parts)-1])
			prefix = join(path, strconv.Itoa(counts[path]))
			counts[path]++
			note(path, last)
			note(prefix, last)
		case unstable.KeyValue:
			path := prefix
			for _, part := range parts {
				path = join(path, part)
			}
			note(path, last)
			inner(&p, e.Value(), path, note)
		}
	}
	return places
}

// inner notes the keys of inline tables and of arrays of them.
func inner(p *unstable.Parser, v *unstable.Node, path string, note func(string, []byte)) {
	switch v.Kind {
	case unstable.InlineTable:
		for it := v.Children(); it.Next(); {
			kv := it.Node()
			sub, last := path, []byte(nil)
			for k := kv.Key(); k.Next(); {
				last = k.Node().Data
				sub = join(sub, string(last))
			}
			note(sub, last)
			inner(p, kv.Value(), sub, note)
		}
	case unstable.Array:
		i := 0
		for it := v.Children(); it.Next(); i++ {
			inner(p, it.Node(), join(path, strconv.Itoa(i)), note)
		}
	}
}

// resolve puts the index of the current element behind each array of tables.
func resolve(parts []string, counts map[string]int) string {
	path := ""
	for _, part := range parts {
		path = join(path, part)
		if n := counts[path]; n > 0 {
			path = join(path, strconv.Itoa(n-1))
		}
	}
	return path
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "." + b
}

// Nearest finds the known word closest to a mistyped one, by edit distance; ok is
// false when none is near enough to be worth offering.
func Nearest(word string, known []string) (near string, ok bool) {
	best := len(word)/2 + 1
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k)); d < best {
			best, near, ok = d, k, true
		}
	}
	return near, ok
}

// distance is the Levenshtein distance: single-byte insertions, deletions and
// substitutions (Levenshtein 1966; the two-row form is common practice).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := diagonal
			if a[i-1] != b[j-1] {
				cost++
			}
			diagonal = row[j]
			row[j] = min(cost, row[j]+1, row[j-1]+1)
		}
	}
	return row[len(b)]
}
