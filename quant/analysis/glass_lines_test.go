package analysis

import (
	"math"
	"testing"

	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// TestGlassLines fits the 90 glasses and checks that the K family of each oxide
// above 0.5 % of mass is found (all but three of Na and three of Mg are), and that net counts follow the table: a
// correlation of at least 0.98 for K, Ca, Mn and Fe. The counts are averages,
// so significances are no probabilities here; 3 is asked for all the same.
// Beam energy (20 keV) and take-off angle (35 degrees) are assumed; the shares
// of the lines hardly depend on them.
func TestGlassLines(t *testing.T) {
	glasses := readGlasses(t)
	fits := glassFits(t, glasses, 20, 35, lithiumDrifted())
	for _, z := range []xray.Element{11, 12, 13, 14, 19, 20, 25, 26} {
		missing, above := 0, 0
		var x, y []float64
		for i, v := range glasses {
			f, ok := fits[i].Find(fit.Family{Element: z, Family: xray.FamilyK})
			if !ok {
				t.Fatalf("%s K was not fitted", z.Symbol())
			}
			x = append(x, v.table[z])
			y = append(y, f.NetCounts)
			if v.table[z] > 0.005 {
				above++
				if f.AtZero || !(f.Significance() > 3) {
					missing++
					t.Logf("vessel %s: %s K %.1f ± %.1f counts at %.2f %% of oxide, fit %v", v.id, z.Symbol(), f.NetCounts, f.Sigma, 100*v.table[z], fits[i].Status)
				}
			}
		}
		r := correlation(x, y)
		t.Logf("%-2s K: %2d of %2d glasses above 0.5 %% found; correlation of counts with mass fraction %.4f", z.Symbol(), above-missing, above, r)
		// Three glasses of 1.0 to 1.3 % Na2O or MgO stay below 3: their uncertainty is
		// that of one recording, while the counts are averages of several, whose
		// number is not stated. More would be a change for the worse.
		if missing > 3 {
			t.Errorf("%s K: missing in %d of %d glasses with more than 0.5 %%", z.Symbol(), missing, above)
		}
		if (z == 19 || z == 20 || z == 25 || z == 26) && r < 0.98 {
			t.Errorf("%s K: correlation %.4f, want at least 0.98", z.Symbol(), r)
		}
	}
}

func correlation(x, y []float64) float64 {
	n := float64(len(x))
	var sx, sy, sxx, syy, sxy float64
	for i := range x {
		sx, sy, sxx, syy, sxy = sx+x[i], sy+y[i], sxx+x[i]*x[i], syy+y[i]*y[i], sxy+x[i]*y[i]
	}
	return (sxy - sx*sy/n) / math.Sqrt((sxx-sx*sx/n)*(syy-sy*sy/n))
}
