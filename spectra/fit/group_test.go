package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// TestGroups: Al K and Br L lie 6 eV apart and are reported as a group whose sum
// is known far better than its parts; Al K and Si K, 253 eV apart, are not
// (Newbury 2009, Scanning 31, 91, on such pairs).
func TestGroups(t *testing.T) {
	det := spectra.DefaultDetector()
	cal := spectra.Calibration{GainEV: 10}
	fit := func(fams ...family) *Result {
		t.Helper()
		s := noisy(simulate(t, cal, 1024, 15000, det, 40000, fams...), rand.New(rand.NewPCG(4, 4)))
		opt := Options{FixWeights: true}
		for _, f := range fams {
			opt.Families = append(opt.Families, Family{element(t, f.z), f.f})
		}
		r, err := Spectrum(s, opt)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	r := fit(family{"Al", xray.FamilyK, 5000}, family{"Br", xray.FamilyL, 5000})
	groups := r.Groups()
	if len(groups) != 1 || len(groups[0].Families) != 2 {
		t.Fatalf("groups %v, want Al K with Br L", groups)
	}
	g := groups[0]
	if math.Abs(g.NetCounts-10000) > 5*g.Sigma || g.Sigma > 0.4*r.Families[0].Sigma {
		t.Errorf("%s: %.0f ± %.0f counts together, parts ± %.0f and ± %.0f; planted 10000", g, g.NetCounts, g.Sigma, r.Families[0].Sigma, r.Families[1].Sigma)
	}
	if groups := fit(family{"Al", xray.FamilyK, 5000}, family{"Si", xray.FamilyK, 5000}).Groups(); len(groups) != 0 {
		t.Errorf("Al K and Si K reported as a group: %v", groups)
	}
}
