package figure

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
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
