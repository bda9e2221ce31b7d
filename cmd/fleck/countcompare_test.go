package main

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"example.org/fleck/spectra/synth"
)

// TestCompareCountMaps compares a count map with four bright spots with one
// without any, both made elsewhere as text.
func TestCompareCountMaps(t *testing.T) {
	dir := t.TempDir()
	table := func(name string, spots [][2]int, seed uint64) string {
		rng := rand.New(rand.NewPCG(seed, 0))
		var b strings.Builder
		for y := range 40 {
			for x := range 40 {
				mu := 4.0
				for _, s := range spots {
					if (x-s[0])*(x-s[0])+(y-s[1])*(y-s[1]) <= 2 {
						mu += 40
					}
				}
				sep := "\t"
				if x == 39 {
					sep = "\n"
				}
				fmt.Fprintf(&b, "%d%s", synth.Poisson(rng, mu), sep)
			}
		}
		return write(t, filepath.Join(dir, name), b.String())
	}
	treated := table("treated.txt", [][2]int{{8, 8}, {30, 9}, {12, 30}, {31, 31}}, 1)
	blank := table("blank.txt", nil, 2)
	m := answer(t, 0, "compare", "--treated", treated, "--blank", blank, "--pixel", "1", "--replicas", "99", "--no-limit")
	if got := m["spots_treated"].(float64); got != 4 {
		t.Errorf("%g spots on the treated map, 4 are planted", got)
	}
	if got := m["spots_blank"].(float64); got > 1 {
		t.Errorf("%g spots on the blank map, none is planted", got)
	}
	if d := row(t, m["density"]); d["treated_per_mm2"].(float64) != 4/(1600*1e-6) {
		t.Errorf("density %v per mm², want 2500", d["treated_per_mm2"])
	}
	out, _, _ := fleck(t, "compare", "--treated", treated, "--blank", blank, "--replicas", "99", "--no-limit")
	for _, text := range []string{"per 10⁶ pixels", "smallest p that exchanging them can give: 0.5", "The treated fields hold no more than "} {
		if !strings.Contains(out, text) {
			t.Errorf("count maps of unknown pixel size: no %q in\n%s", text, out)
		}
	}
	if strings.Contains(out, "mm²") {
		t.Errorf("areas in mm² though the pixel size is not known:\n%s", out)
	}
	// What does not belong together is refused before a search.
	cube := cubeFile(t, filepath.Join(t.TempDir(), "cube.nrrd"), false, 1)
	sized := filepath.Join(t.TempDir(), "sized.nrrd")
	answer(t, exitDone, "convert", blank, sized, "--pixel", "2")
	for _, tt := range []struct{ blank, want string }{{cube, "a cube beside count maps"}, {sized, "state --pixel"}} {
		if _, errs, code := fleck(t, "compare", "--treated", treated, "--blank", tt.blank); code == exitDone || !strings.Contains(errs, tt.want) {
			t.Errorf("count map and %s: exit code %d, %q; want %q", tt.blank, code, errs, tt.want)
		}
	}
	if _, errs, code := fleck(t, "compare", "--treated", treated, "--blank", blank, "--confuser", "SiO2:2.2g/cm3"); code != exitUsage || !strings.Contains(errs, "--confuser") {
		t.Errorf("a confuser beside count maps: exit code %d, %q", code, errs)
	}
}
