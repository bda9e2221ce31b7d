//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"testing"
)

// TestStudyRealMaps prints what the search in measured count maps gives (electron
// microprobe, wavelength-dispersive, 600 rows of 400 pixels): alarms in tiles that
// the map of silicon calls quiet, in the maps of other elements; and the grains of
// silica that are plain to see.
func TestStudyRealMaps(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	const side = 40
	si := realMap(t, "MD6_258_6_E1_Si.txt", 0, 0, 400, 600)
	var quiet [][2]int
	for y := 0; y+side <= si.H; y += side {
		for x := 0; x+side <= si.W; x += side {
			high := 0
			for p := range side * side {
				if si.At(x+p%side, y+p/side) > 500 {
					high++
				}
			}
			if high*200 < side*side { // below half a percent
				quiet = append(quiet, [2]int{x, y})
			}
		}
	}
	for _, name := range []string{"Sr", "Mn", "Mg", "Fe"} {
		alarms, wide, n, phi := 0, 0, 0, 0.0
		all := realMap(t, "MD6_258_6_E1_"+name+".txt", 0, 0, 400, 600)
		for i, at := range quiet {
			m := all
			m.W, m.H, m.V = side, side, make([]float64, side*side)
			for p := range m.V {
				m.V[p] = all.At(at[0]+p%side, at[1]+p/side)
			}
			r, err := FindCounts(context.Background(), m, CountOptions{Seed: uint64(i), Bootstrap: 39, NoLimit: true})
			if err != nil {
				t.Fatal(err)
			}
			n++
			phi += r.Dispersion
			if r.Dispersion > 1 {
				wide++
			}
			if r.Detected {
				alarms++
			}
		}
		p := float64(alarms) / float64(n)
		fmt.Printf("%s: %d quiet tiles of %d × %d pixels, mean dispersion %.2f (above 1 in %d): alarms %.3f ± %.3f\n", name, n, side, side, phi/float64(n), wide, p, math.Sqrt(p*(1-p)/float64(n)))
	}
	r, err := FindCounts(context.Background(), si, CountOptions{Seed: 1, Bootstrap: 39, NoLimit: true})
	if err != nil {
		t.Fatal(err)
	}
	// Grains: connected regions above 4000 counts, of at least 60 pixels.
	label := make([]int, len(si.V))
	grains, found := 0, 0
	for p, v := range si.V {
		if v <= 4000 || label[p] != 0 {
			continue
		}
		grains++
		region := []int{p}
		label[p] = grains
		for k := 0; k < len(region); k++ {
			x, y := region[k]%si.W, region[k]/si.W
			for _, d := range [][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
				if i, j := x+d[0], y+d[1]; i >= 0 && j >= 0 && i < si.W && j < si.H {
					if q := j*si.W + i; label[q] == 0 && si.V[q] > 4000 {
						label[q] = grains
						region = append(region, q)
					}
				}
			}
		}
		if len(region) < 60 {
			grains--
			for _, q := range region {
				label[q] = -1
			}
			continue
		}
		for _, s := range r.Spots {
			q := int(math.Round(s.YPx))*si.W + int(math.Round(s.XPx))
			if q >= 0 && q < len(label) && label[q] == grains {
				found++
				break
			}
		}
	}
	fmt.Printf("Si: %d spots listed, dispersion %.0f; %d of %d grains above 4000 counts and 60 pixels hold one\n", len(r.Spots), r.Dispersion, found, grains)
}
