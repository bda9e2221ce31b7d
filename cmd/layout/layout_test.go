package layout

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// top is the folder that holds go.mod; a test runs in the folder of its package.
const top = "../.."

// source is one Go file of the module.
type source struct {
	name string // relative to the module, with slashes
	pkg  string // folder of the file
	test bool
	ast  *ast.File
}

// read parses every Go file of this module that is not generated. Folders that
// are a module of their own, hidden folders and testdata are left out, and so
// are cmd/scratch*, which hold throw-away programs that are never committed.
func read(t *testing.T, set *token.FileSet) []source {
	t.Helper()
	var all []source
	root := os.DirFS(top)
	err := fs.WalkDir(root, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		base := d.Name()
		if d.IsDir() {
			if name == "." {
				return nil
			}
			if base == "testdata" || base[0] == '.' || base[0] == '_' || strings.HasPrefix(name, "cmd/scratch") {
				return fs.SkipDir
			}
			if _, err := fs.Stat(root, path.Join(name, "go.mod")); err == nil {
				return fs.SkipDir
			} else if !errors.Is(err, fs.ErrNotExist) {
				return err
			}
			return nil
		}
		if !strings.HasSuffix(name, ".go") {
			return nil
		}
		text, err := fs.ReadFile(root, name)
		if err != nil {
			return err
		}
		f, err := parser.ParseFile(set, name, text, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		if ast.IsGenerated(f) {
			return nil
		}
		all = append(all, source{name, path.Dir(name), strings.HasSuffix(name, "_test.go"), f})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	// A walk that finds nothing would pass every rule.
	for _, want := range []string{"spectra/spectrum.go", "maps/map.go", "cmd/fleck/main.go", "cmd/layout/layout_test.go"} {
		if !slices.ContainsFunc(all, func(s source) bool { return s.name == want }) {
			t.Fatalf("%s was not read; %d files were", want, len(all))
		}
	}
	return all
}

// at formats a place in a file.
func at(set *token.FileSet, p token.Pos) string {
	q := set.Position(p)
	return fmt.Sprintf("%s:%d", q.Filename, q.Line)
}

// TestImports checks every import block against the rules.
func TestImports(t *testing.T) {
	set := token.NewFileSet()
	for _, s := range read(t, set) {
		for _, why := range imports(s) {
			t.Errorf("%s: package %s %s", at(set, why.pos), s.pkg, why.text)
		}
	}
}

type complaint struct {
	pos  token.Pos
	text string
}

func imports(s source) []complaint {
	var out []complaint
	for _, i := range s.ast.Imports {
		p, err := strconv.Unquote(i.Path.Value)
		if err != nil {
			out = append(out, complaint{i.Pos(), err.Error()})
			continue
		}
		var why string
		if to, ours := strings.CutPrefix(p, module+"/"); ours {
			why = internalImport(s.pkg, to, s.test)
		} else {
			why = externalImport(s.pkg, p, s.test)
		}
		if why == "" && i.Name != nil && i.Name.Name == "." {
			why = "imports with a dot, which hides where a name comes from"
		}
		if why != "" {
			out = append(out, complaint{i.Pos(), fmt.Sprintf("imports %q: %s", p, why)})
		}
	}
	return out
}

// TestLibraryConduct checks what library packages never do: print, exit, read
// the clock, run code when they are loaded, or offer a variable to others.
func TestLibraryConduct(t *testing.T) {
	set := token.NewFileSet()
	for _, s := range read(t, set) {
		if s.test || !library(s.pkg) {
			continue
		}
		for _, why := range conduct(s) {
			t.Errorf("%s: package %s %s", at(set, why.pos), s.pkg, why.text)
		}
	}
}

func conduct(s source) []complaint {
	var out []complaint
	say := func(p token.Pos, format string, a ...any) { out = append(out, complaint{p, fmt.Sprintf(format, a...)}) }
	alias := map[string]string{} // name in this file -> import path
	for _, i := range s.ast.Imports {
		p, err := strconv.Unquote(i.Path.Value)
		if err != nil {
			continue
		}
		name := path.Base(p)
		if i.Name != nil {
			name = i.Name.Name
		}
		alias[name] = p
	}
	for _, d := range s.ast.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Recv == nil && d.Name.Name == "init" {
				say(d.Pos(), "has an init function")
			}
		case *ast.GenDecl:
			if d.Tok != token.VAR {
				continue
			}
			for _, spec := range d.Specs {
				v := spec.(*ast.ValueSpec)
				for k, n := range v.Names {
					if n.IsExported() && !isError(v, k) {
						say(n.Pos(), "has the exported variable %s, which is no error value: others could change it", n.Name)
					}
				}
			}
		}
	}
	ast.Inspect(s.ast, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && forbiddenName(alias[x.Name], n.Sel.Name) {
				say(n.Pos(), "uses %s.%s", alias[x.Name], n.Sel.Name)
			}
		case *ast.CallExpr:
			if f, ok := n.Fun.(*ast.Ident); ok && (f.Name == "println" || f.Name == "print") {
				say(n.Pos(), "prints with %s", f.Name)
			}
		}
		return true
	})
	return out
}

// isError reports whether the k-th name of v is an error value by its form:
// declared of type error, or set to errors.New(…) or fmt.Errorf(…).
func isError(v *ast.ValueSpec, k int) bool {
	if t, ok := v.Type.(*ast.Ident); ok && t.Name == "error" {
		return true
	}
	if k >= len(v.Values) {
		return false
	}
	call, ok := v.Values[k].(*ast.CallExpr)
	if !ok {
		return false
	}
	f, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	x, ok := f.X.(*ast.Ident)
	return ok && (x.Name == "errors" && f.Sel.Name == "New" || x.Name == "fmt" && f.Sel.Name == "Errorf")
}

// TestNoCycles checks that the rooms do not depend on each other in a circle,
// and neither do the packages, tests included (the compiler sees only one
// package with its tests at a time).
func TestNoCycles(t *testing.T) {
	packages, whole := map[string][]string{}, map[string][]string{}
	for _, s := range read(t, token.NewFileSet()) {
		for _, i := range s.ast.Imports {
			to, ours := strings.CutPrefix(strings.Trim(i.Path.Value, `"`), module+"/")
			if !ours || to == s.pkg {
				continue
			}
			if !s.test {
				packages[s.pkg] = append(packages[s.pkg], to)
			}
			if room(to) != room(s.pkg) {
				whole[room(s.pkg)] = append(whole[room(s.pkg)], room(to))
			}
		}
	}
	if len(packages) == 0 || len(whole) == 0 {
		t.Fatal("no imports were found")
	}
	if c := cycle(packages); c != nil {
		t.Errorf("packages import each other in a circle: %s", strings.Join(c, " -> "))
	}
	if c := cycle(whole); c != nil {
		t.Errorf("rooms import each other in a circle: %s", strings.Join(c, " -> "))
	}
}

// cycle returns a closed walk in the graph, or nil.
func cycle(edges map[string][]string) []string {
	state := map[string]int{} // 1 on the stack, 2 done
	var stack, found []string
	var visit func(string) bool
	visit = func(n string) bool {
		switch state[n] {
		case 1:
			found = append(slices.Clone(stack[slices.Index(stack, n):]), n)
			return true
		case 2:
			return false
		}
		state[n] = 1
		stack = append(stack, n)
		for _, to := range edges[n] {
			if visit(to) {
				return true
			}
		}
		stack = stack[:len(stack)-1]
		state[n] = 2
		return false
	}
	names := make([]string, 0, len(edges))
	for n := range edges {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		if visit(n) {
			return found
		}
	}
	return nil
}

// TestRooms checks that folders with code are where the layout has them and
// carry a name that says what they are for.
func TestRooms(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range read(t, token.NewFileSet()) {
		if seen[s.pkg] {
			continue
		}
		seen[s.pkg] = true
		if !slices.Contains(rooms, room(s.pkg)) {
			t.Errorf("%s: the layout has no top folder %q", s.name, room(s.pkg))
		}
		for _, part := range strings.Split(s.pkg, "/") {
			if slices.Contains([]string{"util", "utils", "common", "helper", "helpers", "types", "core", "misc", "manager"}, part) {
				t.Errorf("%s: the name %q does not say what the package is for", s.pkg, part)
			}
		}
	}
}
