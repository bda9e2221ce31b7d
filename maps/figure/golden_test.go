package figure

import (
	"bytes"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"example.org/fleck/maps"
)

var update = flag.Bool("update", false, "rewrite the golden pictures")

// golden compares a picture with its stored one by decoded pixels. Tolerance:
// text and lines are antialiased in floating point, which other processors may
// round differently, so single pixels may differ by a third of the range and
// the mean by half a grey level.
func golden(t *testing.T, name string, raw []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, raw, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	stored, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v (run with -update to write it)", err)
	}
	got, want := decode(t, raw), decode(t, stored)
	fail := func(format string, a ...any) {
		t.Helper()
		out := filepath.Join(t.ArtifactDir(), "got-"+name)
		if err := os.WriteFile(out, raw, 0o644); err == nil {
			t.Logf("picture is in %s", out)
		}
		t.Fatalf(name+": "+format, a...)
	}
	if got.Bounds() != want.Bounds() {
		fail("size %v, want %v", got.Bounds(), want.Bounds())
	}
	sum, n := 0.0, 0
	for y := range got.Bounds().Dy() {
		for x := range got.Bounds().Dx() {
			a, b := rgbaAt(got, x, y), rgbaAt(want, x, y)
			for _, d := range []int{int(a.R) - int(b.R), int(a.G) - int(b.G), int(a.B) - int(b.B)} {
				d = max(d, -d)
				sum += float64(d)
				n++
				if d > 85 {
					fail("pixel (%d, %d) is %v, want %v", x, y, a, b)
				}
			}
		}
	}
	if mean := sum / float64(n); mean > 0.5 {
		fail("mean difference %.2f grey levels, want at most 0.5", mean)
	}
}

// TestGoldenFigures: the other figures of a report, at the width of one column of
// print. All were looked at.
func TestGoldenFigures(t *testing.T) {
	one, _ := field(6, 32, 24, 4, 5)
	two, _ := field(7, 32, 24, 0, 5)
	one.V[40], one.V[41] = math.NaN(), math.NaN()
	for name, draw := range map[string]func(io.Writer) error{
		"elementmap.png": func(w io.Writer) error { return ElementMap(w, one, MapOptions{Title: "T1: Ti K net counts", DPI: 100}) },
		"panel.png": func(w io.Writer) error {
			return Panel(w, []maps.Map{one, two}, PanelOptions{Title: "Ti K net counts", Labels: []string{"T1 (treated, panel A)", "B1 (untreated, panel D)"}, DPI: 100})
		},
		"comparison.png": func(w io.Writer) error {
			return Comparison(w, twoGroups(), ComparisonOptions{Title: "Spots of TiO2", DPI: 100})
		},
		"sizes.png": func(w io.Writer) error {
			return SizeHistogram(w, twoSeries(), SizeOptions{Title: "Diameters of the spots of TiO2", LogSize: true, DPI: 100})
		},
	} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			if err := draw(&b); err != nil {
				t.Fatal(err)
			}
			golden(t, name, b.Bytes())
		})
	}
}

// TestGoldenUsed: a stored picture without a test would say nothing.
func TestGoldenUsed(t *testing.T) {
	stored, err := os.ReadDir("testdata")
	if err != nil {
		t.Fatal(err)
	}
	var tests []byte
	names, err := filepath.Glob("*_test.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		tests = append(tests, text...)
	}
	for _, e := range stored {
		if !bytes.Contains(tests, []byte(strconv.Quote(e.Name()))) {
			t.Errorf("no test names testdata/%s", e.Name())
		}
	}
}
