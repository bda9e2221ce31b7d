package layout

import (
	"go/parser"
	"go/token"
	"testing"
)

// TestRulesRefuse shows that each rule can fail: made-up files that break one
// rule each, and their lawful neighbours.
func TestRulesRefuse(t *testing.T) {
	for _, c := range []struct {
		pkg, path string
		test      bool
		ok        bool
	}{
		{"spectra/xray", "example.org/fleck/spectra", false, false},
		{"spectra/xray", "example.org/fleck/spectra/poisson", false, false},
		{"spectra/xray", "example.org/fleck/spectra/xray", true, true},
		{"spectra/xray", "example.org/fleck/spectra", true, false},
		{"spectra/poisson", "gonum.org/v1/gonum/mat", false, true},
		{"spectra", "example.org/fleck/spectra/xray", false, true},
		{"spectra", "example.org/fleck/spectra/fit", false, false},
		{"spectra/fit", "example.org/fleck/spectra", false, true},
		{"spectra/fit", "example.org/fleck/spectra/synth", false, true},
		{"spectra/fit", "example.org/fleck/quant", false, false},
		{"spectra/fit", "example.org/fleck/quant", true, false},
		{"spectra/msa", "example.org/fleck/maps", false, false},
		{"quant", "example.org/fleck/quant/matrix", false, false},
		{"quant", "example.org/fleck/spectra", false, true},
		{"quant/matrix", "example.org/fleck/spectra/fit", false, false},
		{"quant/analysis", "example.org/fleck/spectra/fit", false, true},
		{"quant/analysis", "example.org/fleck/spectra/synth", false, false},
		{"quant/analysis", "example.org/fleck/quant/matrix", false, true},
		{"quant/analysis", "example.org/fleck/spectra/msa", false, false},
		{"quant/analysis", "example.org/fleck/spectra/msa", true, true},
		{"quant/template", "example.org/fleck/spectra/synth", false, true},
		{"quant/template", "example.org/fleck/spectra/fit", false, false},
		{"quant/transport", "example.org/fleck/maps", false, false},
		{"quant/plan", "example.org/fleck/quant/template", false, false},
		{"maps", "example.org/fleck/maps/cube", false, false},
		{"maps/cube", "example.org/fleck/spectra/msa", false, false},
		{"maps/peaks", "example.org/fleck/spectra/fit", false, true},
		{"maps/peaks", "example.org/fleck/quant/matrix", false, false},
		{"maps/composition", "example.org/fleck/quant/matrix", false, true},
		{"maps/spots", "example.org/fleck/spectra/fit", false, false},
		{"maps/spots", "example.org/fleck/quant/template", false, false},
		{"maps/spots", "example.org/fleck/maps/cube", false, true},
		{"maps/spots", "example.org/fleck/spectra/poisson", false, true},
		{"maps/compare", "example.org/fleck/quant/template", false, false},
		{"maps/scene", "example.org/fleck/quant/template", false, true},
		{"maps/study", "example.org/fleck/spectra/msa", false, true},
		{"maps/figure", "example.org/fleck/maps/spots", false, false},
		{"maps/report", "example.org/fleck/maps/figure", false, false},
		{"maps/study", "example.org/fleck/cmd/fleck", false, false},
		{"cmd/fleck", "example.org/fleck/maps/study", false, true},
		{"tools", "example.org/fleck/maps", false, false},
		{"maps", "example.org/fleck/tools", false, false},

		{"maps/figure", "gonum.org/v1/plot/vg", false, true},
		{"maps/report", "gonum.org/v1/plot/vg", false, false},
		{"maps/spots", "gonum.org/v1/plot/cmpimg", true, false},
		{"maps/report", "html/template", false, true},
		{"cmd/fleck", "html/template", false, false},
		{"maps/study", "github.com/BurntSushi/toml", false, true},
		{"maps/scene", "github.com/BurntSushi/toml", false, true},
		{"cmd/fleck", "github.com/BurntSushi/toml", false, false},
		{"cmd/fleck", "github.com/urfave/cli/v2", false, true},
		{"maps/study", "github.com/urfave/cli/v2", false, false},
		{"maps/cube", "github.com/klauspost/compress/zstd", false, true},
		{"maps/cube", "github.com/nobody/knows", false, false},
		{"maps/cube", "pgregory.net/rapid", false, false},
		{"maps/cube", "pgregory.net/rapid", true, true},
		{"maps/spots", "math/rand/v2", false, true},
		{"maps/peaks", "math/rand/v2", false, false},
		{"maps/peaks", "math/rand/v2", true, true},
		{"maps/spots", "math/rand", false, false},
		{"maps/spots", "math/rand", true, false},
		{"maps/cube", "os", false, false},
		{"maps/cube", "os", true, true},
		{"maps/cube", "io/fs", false, true},
		{"maps/cube", "log/slog", false, false},
		{"maps/cube", "net/http", false, false},
		{"cmd/fleck", "net/http", false, false},
		{"cmd/fleck", "os/signal", false, true},
		{"examples/fit", "log", false, true},
		{"examples/spots", "embed", false, true},
		{"examples/spots", "github.com/urfave/cli/v2", false, false},
	} {
		f, err := parser.ParseFile(token.NewFileSet(), "a.go", "package a\nimport _ \""+c.path+"\"\n", 0)
		if err != nil {
			t.Fatal(err)
		}
		got := imports(source{"a.go", c.pkg, c.test, f})
		if len(got) == 0 != c.ok {
			t.Errorf("%s imports %s (test %v): complaints %v, want lawful %v", c.pkg, c.path, c.test, got, c.ok)
		}
	}

	for _, c := range []struct {
		text string
		ok   bool
	}{
		{`import "os"; func f() { os.Exit(1) }`, false},
		{`import o "os"; var f = o.Stdout`, false},
		{`import "os"; func f() { println(os.Stderr) }`, false},
		{`import "fmt"; func f() { fmt.Println() }`, false},
		{`import "fmt"; func f() { fmt.Printf("") }`, false},
		{`import "fmt"; func f() string { return fmt.Sprint() }`, true},
		{`import "fmt"; import "io"; func f(w io.Writer) { fmt.Fprintln(w) }`, true},
		{`func f() { print(1) }`, false},
		{`import "time"; var t = time.Now()`, false},
		{`import "time"; func f(t time.Time) time.Duration { return time.Since(t) }`, false},
		{`import "time"; var d = time.Second`, true},
		{`func init() {}`, false},
		{`var Table = []int{1}`, false},
		{`var Table []int`, false},
		{`var table = []int{1}`, true},
		{`const Table = 1`, true},
		{`import "errors"; var ErrX = errors.New("x")`, true},
		{`var ErrX error`, true},
		{`var ErrX = "x"`, false},
	} {
		f, err := parser.ParseFile(token.NewFileSet(), "a.go", "package a\n"+c.text+"\n", 0)
		if err != nil {
			t.Fatal(err)
		}
		if got := conduct(source{"a.go", "maps/a", false, f}); len(got) == 0 != c.ok {
			t.Errorf("%s: complaints %v, want lawful %v", c.text, got, c.ok)
		}
	}

	if c := cycle(map[string][]string{"a": {"b"}, "b": {"c"}, "c": {"a"}}); len(c) != 4 {
		t.Errorf("cycle of three: %v", c)
	}
	if c := cycle(map[string][]string{"a": {"b", "c"}, "b": {"c"}}); c != nil {
		t.Errorf("no cycle: %v", c)
	}
}
