// Package house keeps the layers honest: it reads the imports of every file itself
// (a test that asks the go command is answered from the test cache).
package house

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const module = "decktrim"

// imports maps each package folder (relative to the module) to what its non-test
// files import.
func imports(t *testing.T) map[string][]string {
	root := filepath.Join("..", "..")
	found := map[string][]string{}
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && path != root && d.Name() != ".." {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		found[rel] = append(found[rel], "")
		for _, spec := range file.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			found[rel] = append(found[rel], name)
		}
		return nil
	}))
	require.Greater(t, len(found), 10, "the walk must see the house")
	return found
}

// reach lists everything a package imports, also through packages of this module,
// with the way it got there.
func reach(all map[string][]string, pkg string) map[string]string {
	seen := map[string]string{}
	var visit func(p, way string)
	visit = func(p, way string) {
		for _, imp := range all[p] {
			if imp == "" || seen[imp] != "" {
				continue
			}
			seen[imp] = way + " -> " + imp
			if inner, ok := strings.CutPrefix(imp, module+"/"); ok {
				visit(inner, seen[imp])
			}
		}
	}
	visit(pkg, pkg)
	return seen
}

// notPure are rooms below internal that may do I/O: the command line's and the tests'.
var notPure = []string{"internal/cli", "internal/house", "internal/flowtest"}

func TestDomainIsPure(t *testing.T) {
	all := imports(t)
	banned := []string{"os", "net", "net/http", "database/sql", "log", "log/slog", "context", "embed", "os/exec", "syscall", "sync"}
	for pkg := range all {
		if !strings.HasPrefix(pkg, "internal/") || slices.Contains(notPure, pkg) {
			continue
		}
		for imp, way := range reach(all, pkg) {
			for _, b := range banned {
				require.NotEqual(t, b, imp, "a pure room must not reach it: %s", way)
			}
			for _, up := range []string{"edge", "server", "cmd"} {
				require.False(t, imp == module+"/"+up || strings.HasPrefix(imp, module+"/"+up+"/"), "an import points up: %s", way)
			}
		}
	}
}

func TestEdgeAndServerNeverMeet(t *testing.T) {
	all := imports(t)
	for pkg := range all {
		side, other := "", ""
		switch {
		case pkg == "edge" || strings.HasPrefix(pkg, "edge/"):
			side, other = "edge", "server"
		case pkg == "server" || strings.HasPrefix(pkg, "server/"):
			side, other = "server", "edge"
		case pkg == "cmd/decktrim-edge":
			side, other = "the board's program", "server"
		default:
			continue
		}
		for imp, way := range reach(all, pkg) {
			require.False(t, imp == module+"/"+other || strings.HasPrefix(imp, module+"/"+other+"/"), "%s reaches %s: %s", side, other, way)
			require.False(t, strings.HasPrefix(imp, module+"/cmd/"), "an import points up: %s", way)
		}
	}
}

// Only the store speaks SQL, and only the programs' own packages wire it up.
func TestOnlyTheStoreSpeaksSQL(t *testing.T) {
	for pkg, list := range imports(t) {
		for _, imp := range list {
			sql := imp == "database/sql" || strings.HasPrefix(imp, "github.com/ncruces/go-sqlite3")
			require.False(t, sql && !strings.HasPrefix(pkg, "server/store"), "%s imports %s", pkg, imp)
		}
	}
}

// No package imports cgo, so both programs cross-compile for the boards.
func TestNoCgo(t *testing.T) {
	for pkg, list := range imports(t) {
		require.NotContains(t, list, "C", pkg)
	}
}

func TestTopLevelIsFixed(t *testing.T) {
	allowed := []string{"cmd", "edge", "server", "internal", "firmware-config", "testdata", "deploy", "go.mod", "go.sum", "README.md", "DEVELOPERS.md"}
	entries, err := filepath.Glob(filepath.Join("..", "..", "*"))
	require.NoError(t, err)
	for _, e := range entries {
		name := filepath.Base(e)
		require.True(t, strings.HasPrefix(name, ".") || slices.Contains(allowed, name), "%q does not belong at the top level", name)
	}
}
