package main

import (
	"fmt"
	"go/ast"
	"go/doc"
	"go/parser"
	"go/token"
	"go/types"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const (
	module = "rollwarden"
	root   = "../.."
)

// floors says on which floor each package lies. Imports go down, and never to
// the same floor.
var floors = map[string]int{
	"cmd/rollwarden":         11,
	"deploy/image":           11,
	"deploy/receiver":        11,
	"cmd/rollwarden/cluster": 10,
	"cmd/rollwarden/command": 10,
	"cmd/rollwarden/faults":  10,
	"cmd/rollwarden/speed":   10,
	"cmd/rollwarden/demo":    9,
	"cmd/rollwarden/app":     8,
	"cmd/rollwarden/archive": 8,
	"cmd/rollwarden/doctor":  8,
	"cmd/rollwarden/setup":   8,
	"cmd/rollwarden/config":  7,
	"metrics/advice":         6,
	"metrics/board":          6,
	"metrics/ledger":         6,
	"metrics/monthly":        6,
	"metrics/touch":          6,
	"metrics/upkeep":         6,
	"metrics/prom":           5,
	"metrics/strip":          5,
	"metrics/web":            5,
	"watcher/bus":            5,
	"watcher/desk":           5,
	"watcher/folder":         5,
	"watcher/gate":           5,
	"watcher/ipp":            5,
	"watcher/journal":        5,
	"watcher/lease":          5,
	"watcher/pager":          5,
	"watcher/runlog":         5,
	"watcher/signal":         5,
	"rules":                  4,
	"rules/reliability":      4,
	"rules/alarm":            3,
	"rules/queue":            3,
	"rules/remedy":           3,
	"rules/action":           2,
	"rules/hazard":           2,
	"rules/register":         2,
	"rules/risk":             2,
	"rules/film":             1,
	"rules/floor":            1,
	"rules/plant":            1,
	"rules/ticket":           1,
	"rules/event":            0,
	"rules/hint":             0,
	"rules/units":            0,
}

// firstEdge is the lowest floor that meets the world.
const firstEdge = 5

// source is the code of one package.
type source struct {
	path  string // in the module
	files map[string]*ast.File
	tests map[string]*ast.File
	fset  *token.FileSet
}

// sources reads the code of every package of the module, for every system.
func sources(t *testing.T) []*source {
	t.Helper()
	fset, all := token.NewFileSet(), map[string]*source{}
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		switch name := d.Name(); {
		case err != nil:
			return err
		case d.IsDir() && file != root && (strings.HasPrefix(name, ".") || name == "testdata"):
			return filepath.SkipDir
		case d.IsDir() || filepath.Ext(name) != ".go":
			return nil
		}
		parsed, err := parser.ParseFile(fset, file, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		dir, err := filepath.Rel(root, filepath.Dir(file))
		if err != nil {
			return err
		}
		p := all[dir]
		if p == nil {
			p = &source{filepath.ToSlash(dir), map[string]*ast.File{}, map[string]*ast.File{}, fset}
			all[dir] = p
		}
		if strings.HasSuffix(file, "_test.go") {
			p.tests[file] = parsed
		} else {
			p.files[file] = parsed
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return slices.SortedFunc(maps.Values(all), func(a, b *source) int { return strings.Compare(a.path, b.path) })
}

func imports(files map[string]*ast.File) []string {
	var list []string
	for _, f := range files {
		for _, spec := range f.Imports {
			name, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				panic(err) // the parser has read it
			}
			list = append(list, name)
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// TestImportsGoDown wants every package on a floor, and imports that go down.
func TestImportsGoDown(t *testing.T) {
	there := map[string]bool{}
	for _, p := range sources(t) {
		there[p.path] = true
		here, listed := floors[p.path]
		if !listed {
			t.Errorf("%s is on no floor: put it in the table", p.path)
			continue
		}
		for _, name := range imports(p.files) {
			other, ours := strings.CutPrefix(name, module+"/")
			if below, listed := floors[other]; ours && (!listed || below >= here) {
				t.Errorf("%s on floor %d imports %s on floor %d", p.path, here, other, below)
			}
		}
		// A test may look at its own package, and beside itself, but not up.
		for _, name := range imports(p.tests) {
			other, ours := strings.CutPrefix(name, module+"/")
			if below := floors[other]; ours && below > here {
				t.Errorf("a test of %s on floor %d imports %s on floor %d", p.path, here, other, below)
			}
		}
	}
	for name := range floors {
		if !there[name] {
			t.Errorf("%s is on a floor and is not there", name)
		}
	}
}

// TestFloorsAreDescribed compares the table with the one for people.
func TestFloorsAreDescribed(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	described := map[string]int{}
	row := regexp.MustCompile("(?m)^\\| ([0-9]+) \\| (`.+?`) \\|")
	for _, m := range row.FindAllStringSubmatch(string(text), -1) {
		floor, err := strconv.Atoi(m[1])
		if err != nil {
			t.Fatal(err)
		}
		for _, group := range strings.Split(strings.Trim(m[2], "`"), "` `") {
			before, list, braced := strings.Cut(strings.TrimSuffix(group, "}"), "{")
			if !braced {
				described[group] = floor
				continue
			}
			for name := range strings.SplitSeq(list, ",") {
				described[before+name] = floor
			}
		}
	}
	if !maps.Equal(described, floors) {
		t.Errorf("DEVELOPERS.md describes other floors:\n%v\nwant\n%v", described, floors)
	}
}

// impure are packages, with all below them, that the core must not import:
// what it says must depend on nothing but what it is given.
var impure = []string{
	"context", "crypto/rand", "embed", "log", "math/rand", "net", "os", "plugin", "runtime", "sync", "syscall", "testing", "unsafe",
	"github.com/fsnotify", "github.com/nats-io", "github.com/prometheus", "github.com/rs/zerolog", "golang.org/x/sync",
}

// impureCalls are what is not to be used of the packages that may be imported.
var impureCalls = map[string][]string{
	"time": {"Now", "Since", "Until", "After", "AfterFunc", "Sleep", "Tick", "NewTicker", "NewTimer", "Ticker", "Timer", "Local", "LoadLocation"},
	"fmt":  {"Print", "Printf", "Println", "Scan", "Scanf", "Scanln"},
}

// TestTheCoreIsPure keeps clocks, files, networks and concurrency out of all
// packages below the edges.
func TestTheCoreIsPure(t *testing.T) {
	for _, p := range sources(t) {
		if floors[p.path] >= firstEdge {
			continue
		}
		for _, name := range imports(p.files) {
			banned := slices.ContainsFunc(impure, func(b string) bool { return name == b || strings.HasPrefix(name, b+"/") })
			if banned && name != "net/url" { // which only takes texts apart
				t.Errorf("%s imports %s", p.path, name)
			}
		}
		for _, f := range p.files {
			ast.Inspect(f, func(n ast.Node) bool {
				if what := impurity(n); what != "" {
					t.Errorf("%s: %s", p.fset.Position(n.Pos()), what)
				}
				return true
			})
		}
	}
}

func impurity(n ast.Node) string {
	switch n := n.(type) {
	case *ast.GoStmt:
		return "a goroutine"
	case *ast.SelectStmt, *ast.SendStmt, *ast.ChanType:
		return "a channel"
	case *ast.UnaryExpr:
		if n.Op == token.ARROW {
			return "a channel"
		}
	case *ast.SelectorExpr:
		if x, ok := n.X.(*ast.Ident); ok && slices.Contains(impureCalls[x.Name], n.Sel.Name) {
			return x.Name + "." + n.Sel.Name
		}
	}
	return ""
}

// TestPackageDocs wants every package to say what it is: in one place, in its
// own name, and in more than one sentence.
func TestPackageDocs(t *testing.T) {
	for _, p := range sources(t) {
		var docs []string
		name := ""
		for _, f := range p.files {
			name = f.Name.Name
			if f.Doc != nil {
				docs = append(docs, f.Doc.Text())
			}
		}
		if len(docs) != 1 {
			t.Errorf("%s: want one package comment, got %d", p.path, len(docs))
			continue
		}
		begins := "Package " + name + " "
		switch {
		case p.path == "cmd/rollwarden":
			begins = "Rollwarden "
		case name == "main":
			begins = "Command " + path.Base(p.path) + " "
		}
		text := strings.Join(strings.Fields(docs[0]), " ")
		if first := new(doc.Package).Synopsis(text); !strings.HasPrefix(text, begins) || len(first) >= len(text) {
			t.Errorf("%s: want a comment of at least two sentences that begins with %q, got %q", p.path, begins, text)
		}
	}
}

// TestNoHiddenState wants no init function, and no variable of a package that
// is anything but a table: each has its value from the start, and nothing
// writes to it.
func TestNoHiddenState(t *testing.T) {
	for _, p := range sources(t) {
		info := p.resolve()
		for file, f := range p.files {
			for _, d := range f.Decls {
				switch d := d.(type) {
				case *ast.FuncDecl:
					if d.Recv == nil && d.Name.Name == "init" {
						t.Errorf("%s: an init function", file)
					}
				case *ast.GenDecl:
					for _, spec := range d.Specs {
						if v, ok := spec.(*ast.ValueSpec); ok && d.Tok == token.VAR && len(v.Values) == 0 && !embedded(d, v) {
							t.Errorf("%s: %s has no value", p.fset.Position(v.Pos()), v.Names[0].Name)
						}
					}
				}
			}
			ast.Inspect(f, func(n ast.Node) bool {
				for _, target := range written(n) {
					if name := info.variable(target); name != "" {
						t.Errorf("%s: writes to %s", p.fset.Position(n.Pos()), name)
					}
				}
				return true
			})
		}
	}
}

// embedded reports whether the compiler fills a variable.
func embedded(d *ast.GenDecl, v *ast.ValueSpec) bool {
	for _, group := range []*ast.CommentGroup{d.Doc, v.Doc} {
		if group != nil && slices.ContainsFunc(group.List, func(c *ast.Comment) bool { return strings.HasPrefix(c.Text, "//go:embed ") }) {
			return true
		}
	}
	return false
}

// written lists what a node may change.
func written(n ast.Node) []ast.Expr {
	switch n := n.(type) {
	case *ast.AssignStmt:
		if n.Tok != token.DEFINE {
			return n.Lhs
		}
	case *ast.IncDecStmt:
		return []ast.Expr{n.X}
	case *ast.RangeStmt:
		if n.Tok == token.ASSIGN {
			return []ast.Expr{n.Key, n.Value}
		}
	case *ast.CallExpr:
		if f, ok := n.Fun.(*ast.Ident); ok && slices.Contains([]string{"clear", "copy", "delete"}, f.Name) {
			return n.Args[:1]
		}
	}
	return nil
}

// resolved knows what the names of one package stand for.
type resolved struct {
	uses  map[*ast.Ident]types.Object
	scope *types.Scope
}

// resolve finds out as much as can be known without the imported packages,
// which is all there is to know about the package's own variables.
func (p *source) resolve() resolved {
	info := types.Info{Uses: map[*ast.Ident]types.Object{}}
	config := types.Config{Importer: noImporter{}, Error: func(error) {}} // imports are missing on purpose
	checked, _ := config.Check(p.path, p.fset, slices.Collect(maps.Values(p.files)), &info)
	return resolved{info.Uses, checked.Scope()}
}

type noImporter struct{}

// Import implements types.Importer.
func (noImporter) Import(name string) (*types.Package, error) {
	pkg := types.NewPackage(name, path.Base(name))
	pkg.MarkComplete()
	return pkg, nil
}

// variable names the variable of a package, this one or another, to which an
// expression belongs; empty for anything else.
func (r resolved) variable(e ast.Expr) string {
	for {
		switch x := e.(type) {
		case *ast.IndexExpr:
			e = x.X
		case *ast.ParenExpr:
			e = x.X
		case *ast.SliceExpr:
			e = x.X
		case *ast.StarExpr:
			e = x.X
		case *ast.SelectorExpr:
			if id, ok := x.X.(*ast.Ident); ok {
				if _, other := r.uses[id].(*types.PkgName); other {
					return fmt.Sprint(id.Name, ".", x.Sel.Name)
				}
			}
			e = x.X
		case *ast.Ident:
			if v, ok := r.uses[x].(*types.Var); ok && v.Parent() == r.scope {
				return x.Name
			}
			return ""
		default:
			return ""
		}
	}
}

// TestNothingElseAtTheTop keeps the first look at the repository short. What
// the repository ignores may lie there too.
func TestNothingElseAtTheTop(t *testing.T) {
	want := []string{"DEVELOPERS.md", "README.md", "cmd", "deploy", "go.mod", "go.sum", "metrics", "rules", "testdata", "watcher"}
	ignored, err := os.ReadFile(filepath.Join(root, ".gitignore"))
	if err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		name := e.Name()
		if !strings.HasPrefix(name, ".") && !slices.Contains(strings.Fields(strings.ReplaceAll(string(ignored), "/", "")), name) {
			got = append(got, name)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
