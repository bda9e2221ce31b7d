package template

import (
	"math"
	"strings"
	"testing"

	"example.org/fleck/quant/transport"
)

// Silica spheres of all sizes are found with two oxygen atoms per silicon, those of
// silicone with one, although their counts differ by size and from each other; the
// spheres come from the other elastic cross section. At 15 keV thin silicone shows the
// O K/Si K of bulk silica: reading it as a sphere of its size does not.
func TestAtomRatio(t *testing.T) {
	for _, beam := range []float64{5, 15} {
		s := setup(t, "Al", beam)
		nm := []float64{100, 300, 1000}
		silica := spheres(t, "SiO2:2.2g/cm3", nm, s, SphereOptions{Trajectories: 3000})
		for _, c := range []struct {
			compound string
			want     float64
		}{{"SiO2:2.2g/cm3", 2}, {"SiOC2H6:0.97g/cm3", 1}} {
			truth := spheres(t, c.compound, nm, s, SphereOptions{Trajectories: 3000, Seed: 7, Elastic: transport.Rutherford})
			for i, x := range truth.Spheres {
				o, si := sum(x.Own.Families["O K"]), sum(x.Own.Families["Si K"])
				got, err := silica.AtomRatio(Net{"O K", o, 0.01 * o}, Net{"Si K", si, 0.01 * si}, nm[i])
				if err != nil {
					t.Fatal(err)
				}
				// Silicone is lighter than the silica sphere of its diameter, whose
				// absorption of O K is taken: 20 %. Silica itself 5 %.
				limit := 0.05
				if c.want == 1 {
					limit = 0.2
				}
				t.Logf("%s %g nm at %g keV: O/Si %.3f ± %.3f", c.compound, nm[i], beam, got.Ratio, got.Sigma)
				if math.Abs(got.Ratio-c.want) > limit*c.want+4*got.Sigma || math.Abs(got.Compound-2) > 1e-9 {
					t.Errorf("%s %g nm at %g keV: O/Si %.3f ± %.3f, want %g", c.compound, nm[i], beam, got.Ratio, got.Sigma, c.want)
				}
			}
		}
	}
}

func TestAtomRatioErrors(t *testing.T) {
	p := spheres(t, "SiO2:2.2g/cm3", []float64{100, 300}, setup(t, "Al", 5), SphereOptions{Trajectories: 200})
	good := Net{"Si K", 100, 10}
	for _, c := range []struct {
		of   Net
		nm   float64
		want string
	}{
		{Net{"Ti K", 1, 1}, 100, `no "Ti K" of its own; it has O K, Si K`},
		{Net{"O K", -1, 1}, 100, "-1"},
		{Net{"O K", 1, math.NaN()}, 100, "NaN"},
		{Net{"O K", 1, 1}, 50, "100 to 300 nm are predicted"},
	} {
		if _, err := p.AtomRatio(c.of, good, c.nm); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v at %g nm: error %v, want one about %q", c.of, c.nm, err, c.want)
		}
	}
	if got, err := p.AtomRatio(Net{"O K", 0, 5}, good, 200); err != nil || got.Ratio != 0 || !(got.Sigma > 0) {
		t.Errorf("no oxygen: %+v, %v", got, err)
	}
}
