package daemon

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The house, as rules. The source is read in-process: asking the go command
// would let the cache of test results hide a breach in another package.

// houseModule stands before every import of our own.
const houseModule = "throwline/"

// houseRooms are in the order of a throw's walk: imports point left.
var houseRooms = []string{"ingest", "detect", "alerting", "daemon"}

// housePure rooms know no machine and no clock; their sub-packages may.
var housePure = []string{"ingest", "detect", "alerting"}

// houseSisters are the imports of a sister that are allowed, with the reason.
var houseSisters = map[string]string{
	"ingest/lineside -> ingest/wire":     "a cabinet writes what the decoder reads: two descriptions would drift apart",
	"ingest/lineside -> ingest/mqtt":     "topics are named in one place",
	"daemon/demo/sketch -> daemon/score": "a fleet carries its truth in the form in which it is scored",
}

var houseForbidden = []string{"net", "os", "log", "database/sql", "syscall", "runtime", "testing"}

// houseClocks are the functions of package time that look at the wall clock.
var houseClocks = []string{"Now", "Since", "Until", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "Sleep"}

// houseFile is one Go file, parsed.
type houseFile struct {
	name string // from the root, with slashes
	dir  string // its package: the folder
	test bool
	ast  *ast.File
	fset *token.FileSet
	size int // lines
}

func readHouse(t *testing.T, root string) (files []houseFile) {
	t.Helper()
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := filepath.ToSlash(strings.TrimPrefix(strings.TrimPrefix(p, root), string(filepath.Separator)))
		if d.IsDir() {
			if base := d.Name(); p != root && (strings.HasPrefix(base, ".") || base == "node_modules" || base == "testdata" || base == "bin") {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(name, ".go") {
			return nil
		}
		body, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		fset := token.NewFileSet()
		parsed, err := parser.ParseFile(fset, p, body, 0)
		if err != nil {
			return err
		}
		dir, _, _ := cutLast(name, "/")
		files = append(files, houseFile{name, dir, strings.HasSuffix(name, "_test.go"), parsed, fset, bytes.Count(body, []byte("\n"))})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(files) < 50 {
		t.Fatalf("expected the whole house, found %d files", len(files))
	}
	return files
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return "", s, false
}

// breach says why a package may not import another of our own, or "".
func breach(from, to string, test bool) string {
	room := func(dir string) int {
		first, _, _ := strings.Cut(dir, "/")
		return slices.Index(houseRooms, first)
	}
	a, b := room(from), room(to)
	top := func(dir string) bool { return !strings.Contains(dir, "/") }
	switch {
	case from == "deploy", strings.HasPrefix(from, "deploy/"), from == "daemon", strings.HasPrefix(from, "daemon/cmd/"):
		return "" // they see all
	case a < 0 || b < 0:
		return "no room of the house"
	case b > a:
		return "points right"
	case b < a:
		if !top(to) && from != "daemon" && !strings.HasPrefix(from, "daemon/") && !test {
			return "sees a sub-package of another room"
		}
		return ""
	case strings.HasPrefix(from, to+"/"):
		return "" // its own parent
	case test, houseSisters[from+" -> "+to] != "":
		return ""
	case strings.HasPrefix(to, from+"/"):
		return "a room does not see its sub-packages"
	}
	return "a sister"
}

func TestHouse(t *testing.T) {
	for _, f := range readHouse(t, "..") {
		inPure := slices.Contains(housePure, f.dir) && !f.test
		timeName := ""
		for _, i := range f.ast.Imports {
			name, _ := strconv.Unquote(i.Path.Value)
			if to, ours := strings.CutPrefix(name, houseModule); ours {
				if why := breach(f.dir, to, f.test); why != "" {
					t.Errorf("%s: %s -> %s: %s", f.name, f.dir, to, why)
				}
				continue
			}
			if name == "time" {
				timeName = "time"
				if i.Name != nil {
					timeName = i.Name.Name
				}
			}
			if !inPure {
				continue
			}
			for _, bad := range houseForbidden {
				if name == bad || strings.HasPrefix(name, bad+"/") {
					t.Errorf("%s: a pure room imports %s", f.name, name)
				}
			}
			if first, _, _ := strings.Cut(name, "/"); strings.Contains(first, ".") && first != "gonum.org" {
				t.Errorf("%s: a pure room imports %s of a third party", f.name, name)
			}
		}
		if f.size > 600 {
			t.Errorf("%s: expected at most 600 lines, found %d", f.name, f.size)
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				if n.Name.Name == "init" && n.Recv == nil {
					t.Errorf("%s: init does things that nobody asked for", f.name)
				}
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && inPure && timeName != "" && x.Name == timeName && slices.Contains(houseClocks, n.Sel.Name) {
					t.Errorf("%s: a pure room asks the clock (time.%s); its time is an argument", f.fset.Position(n.Pos()), n.Sel.Name)
				}
			}
			return true
		})
	}
}

// The rules themselves catch what they are made for.
func TestHouseRules(t *testing.T) {
	for _, c := range []struct {
		from, to string
		test     bool
		ok       bool
	}{
		{"detect", "ingest", false, true},
		{"ingest", "detect", false, false},
		{"ingest", "detect", true, false},
		{"alerting", "ingest", false, true},
		{"detect", "ingest/wire", false, false},
		{"ingest/wire", "ingest", false, true},
		{"ingest", "ingest/wire", false, false},
		{"ingest/wire", "ingest/mqtt", false, false},
		{"ingest/mqtt", "ingest/broker", true, true},
		{"alerting/screen", "daemon/store", false, false},
		{"daemon/store", "alerting", false, true},
		{"daemon/store", "daemon", false, true},
		{"daemon/store", "daemon/demo", false, false},
		{"daemon/demo", "ingest/lineside", false, true},
		{"daemon", "alerting/screen", false, true},
		{"daemon/cmd/throwline", "daemon/demo", false, true},
		{"detect", "common", false, false},
	} {
		if why := breach(c.from, c.to, c.test); (why == "") != c.ok {
			t.Errorf("%s -> %s: expected allowed %v, found %q", c.from, c.to, c.ok, why)
		}
	}
}

// At the top stand only the rooms and what a checkout needs.
func TestTopOfTheHouse(t *testing.T) {
	allowed := []string{"daemon", "ingest", "detect", "alerting", "deploy", "testdata", "README.md", "DEVELOPERS.md", "LICENSE", "go.mod", "go.sum", "Makefile", "bin"}
	entries, err := os.ReadDir("..")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(allowed, e.Name()) {
			t.Errorf("%s does not belong at the top", e.Name())
		}
	}
}
