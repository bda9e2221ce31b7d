package layout

import (
	"slices"
	"strings"
)

const module = "example.org/fleck"

// rooms are the top folders that hold Go code, in the order in which they may
// be imported: a room imports itself and those before it, never those after it.
var rooms = []string{"spectra", "quant", "maps", "cmd", "examples"}

// leaves import nothing of this module; any room may import them.
var leaves = []string{"spectra/xray", "spectra/poisson"}

// bridges lists the packages that import more of an earlier room than its root
// and the leaves, with what they import. "*" stands for everything.
var bridges = map[string][]string{
	"quant/analysis":   {"spectra/fit"},
	"quant/template":   {"spectra/synth"},
	"maps/peaks":       {"spectra/fit"},
	"maps/composition": {"quant/matrix"},
	"maps/scene":       {"spectra/synth", "quant/template", "quant/transport"},
	"maps/study":       {"*"},
}

// confined lists imports that only some packages may have. A key stands for the
// package and all below it, a value ending in "/" for all packages below it.
var confined = map[string][]string{
	"gonum.org/v1/plot":          {"maps/figure"},
	"html/template":              {"maps/report"},
	"github.com/BurntSushi/toml": {"maps/scene", "maps/study"},
	"github.com/urfave/cli":      {"cmd/"},
	"github.com/klauspost":       {"maps/cube"},
	"golang.org/x/image":         {"maps/cube", "maps/figure"},
	"gonum.org/v1/gonum":         {"spectra/", "quant/", "maps/", "spectra", "quant", "maps"},
	"pgregory.net/rapid":         {}, // tests only
	"github.com/rogpeppe":        {}, // tests only
	"github.com/google/go-cmp":   {}, // tests only
	"math/rand":                  {}, // math/rand/v2 is the one in use
	"math/rand/v2":               {"spectra/poisson", "spectra/synth", "quant/transport", "maps/spots", "maps/compare", "maps/scene"},
	"crypto/rand":                {},
	"embed":                      {"spectra/xray", "maps/scene", "maps/report", "examples/"},
	"unsafe":                     {},
	"reflect":                    {},
	"C":                          {},
	"plugin":                     {},
	"net":                        {}, // no network access anywhere
	"os":                         {"cmd/", "examples/"},
	"path/filepath":              {"cmd/", "examples/"},
	"io/ioutil":                  {},
	"syscall":                    {"cmd/"},
	"flag":                       {"cmd/"},
	"log":                        {"cmd/", "examples/"},
	"testing":                    {},
}

// outside lists the modules that may be imported at all.
var outside = []string{
	"gonum.org/v1/gonum", "gonum.org/v1/plot", "github.com/urfave/cli/v2", "github.com/klauspost/compress",
	"github.com/BurntSushi/toml", "golang.org/x/image",
	"pgregory.net/rapid", "github.com/rogpeppe/go-internal", "github.com/google/go-cmp",
}

// forbidden lists, per import path, the names that library packages never use.
// An entry ending in "*" stands for all names that begin so.
var forbidden = map[string][]string{
	"os":   {"Exit", "Stdin", "Stdout", "Stderr", "Args"},
	"fmt":  {"Print*", "Scan", "Scanf", "Scanln"},
	"time": {"Now", "Since", "Until", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Sleep"},
}

func room(pkg string) string {
	r, _, _ := strings.Cut(pkg, "/")
	return r
}

func isRoot(pkg string) bool { return !strings.Contains(pkg, "/") }

func isLeaf(pkg string) bool { return slices.Contains(leaves, pkg) }

// library reports whether pkg is one of the packages that only compute.
func library(pkg string) bool {
	r := room(pkg)
	return r == "spectra" || r == "quant" || r == "maps"
}

// under reports whether pkg is base or lies below it.
func under(pkg, base string) bool { return pkg == base || strings.HasPrefix(pkg, base+"/") }

// internalImport returns why package from may not import package to, both
// relative to the module, or "".
//
// Tests follow the order of the rooms only: a test may read a file with a
// package that the code it tests must not know. Tests of leaves import only
// their own package.
func internalImport(from, to string, test bool) string {
	f, t := slices.Index(rooms, room(from)), slices.Index(rooms, room(to))
	switch {
	case f < 0:
		return "is in a top folder that the layout does not have"
	case t < 0:
		return "imports from a top folder that the layout does not have"
	case room(to) == "cmd" || room(to) == "examples":
		if under(to, from) {
			return "" // the internal parts of a command
		}
		return "imports a command"
	case t > f:
		return "imports a later room; the order is " + strings.Join(rooms, ", ")
	case isLeaf(from):
		if test && to == from {
			return ""
		}
		return "is a leaf and imports nothing of this module"
	case test, room(from) == "cmd", room(from) == "examples":
		return ""
	case isLeaf(to):
		return ""
	case isRoot(from) && room(from) == room(to):
		return "is a root and never imports its children"
	case from == "quant/plan" && to == "quant/template":
		return "receives templates as slices and never builds them"
	case (from == "maps/figure" || from == "maps/report") && to != "maps":
		return "declares the plain data it draws and imports only the root of its room"
	case room(from) == "quant" && under(to, "spectra/msa"):
		return "is in quant and must not know a file format"
	case room(from) == room(to), isRoot(to):
		return ""
	}
	for _, b := range bridges[from] {
		if b == "*" || under(to, b) {
			return ""
		}
	}
	return "imports more of an earlier room than its root and the leaves, and is no bridge to it"
}

// externalImport returns why package from may not import the package path of
// another module or of the standard library, or "".
func externalImport(from, path string, test bool) string {
	first, _, _ := strings.Cut(path, "/")
	if strings.Contains(first, ".") && !slices.ContainsFunc(outside, func(m string) bool { return under(path, m) }) {
		return "imports a module that the project does not use"
	}
	rule := ""
	for k := range confined {
		if under(path, k) && len(k) > len(rule) {
			rule = k
		}
	}
	if rule == "" {
		return ""
	}
	if test {
		// Tests may open files, draw seeds and check properties, but still keep
		// to the generator in use and to the homes of the heavy modules.
		switch rule {
		case "math/rand":
			return "imports math/rand; use math/rand/v2 with a seed"
		case "gonum.org/v1/plot", "html/template", "github.com/urfave/cli", "github.com/BurntSushi/toml", "unsafe", "C", "net":
		default:
			return ""
		}
	}
	for _, home := range confined[rule] {
		if from == home || strings.HasSuffix(home, "/") && strings.HasPrefix(from, home) {
			return ""
		}
	}
	if len(confined[rule]) == 0 {
		return "imports " + rule + ", which no package may (outside tests)"
	}
	return "imports " + rule + ", which only " + strings.Join(confined[rule], ", ") + " may"
}

// forbiddenName returns whether library packages must not use path.name.
func forbiddenName(path, name string) bool {
	for _, n := range forbidden[path] {
		if stem, ok := strings.CutSuffix(n, "*"); ok && strings.HasPrefix(name, stem) || n == name {
			return true
		}
	}
	return false
}
