package fit

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// TestReference measures a peak whose line shares are far from the computed
// ones (K-M three times stronger) and fits a spectrum with it: the net counts
// come back, which the modelled family with fixed shares does not manage.
func TestReference(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	det := spectra.DefaultDetector()
	cal := spectra.Calibration{GainEV: 10}
	odd := func(counts, continuum float64) *spectra.Spectrum {
		s := simulate(t, cal, 1024, 15000, det, continuum, family{"Cr", xray.FamilyK, counts / 4})
		z := element(t, "Fe")
		fl, err := linesOf(Family{z, xray.FamilyK}, 15000, det, Specimen{})
		if err != nil {
			t.Fatal(err)
		}
		weights := make([]float64, len(fl.groups))
		sum := 0.0
		for k, g := range fl.groups {
			weights[k] = g.weight
			if g.lines[0].line.Energy > 6800 {
				weights[k] *= 3
			}
			sum += weights[k]
		}
		for k, g := range fl.groups {
			g.add(s.Counts, cal, det, counts*weights[k]/sum)
		}
		return s
	}
	iron, chromium := Family{26, xray.FamilyK}, Family{24, xray.FamilyK}
	opt := Options{Families: []Family{iron, chromium}}
	ref, err := NewReference(noisy(odd(2e6, 1e5), rand.New(rand.NewPCG(8, 1))), iron, opt)
	if err != nil {
		t.Fatal(err)
	}
	const n, truth = 40, 20000.0
	pull := func(o Options) float64 {
		sum := 0.0
		for i := range n {
			s := noisy(odd(truth, 40000), rand.New(rand.NewPCG(9, uint64(i))))
			// The reference's scale, as for spectra measured with one instrument.
			r, err := Spectrum(s, o)
			if err != nil {
				t.Fatal(err)
			}
			f, _ := r.Find(iron)
			sum += (f.NetCounts - truth) / f.Sigma
		}
		return sum / math.Sqrt(n)
	}
	with, without := opt, opt
	with.References = []*Reference{ref}
	with.FixWeights, without.FixWeights = true, true
	// The mean pull times √n is standard normal for an unbiased fit; 5 is passed
	// less than once in 10⁶. The reference's own net counts are good to 0.1 %,
	// a tenth of one spectrum's uncertainty.
	if z := pull(with); math.Abs(z) > 5+0.14*math.Sqrt(n) {
		t.Errorf("with the reference: mean pull times √n = %.2f", z)
	}
	if z := pull(without); math.Abs(z) < 5 {
		t.Errorf("without the reference: mean pull times √n = %.2f; the test has no power", z)
	}
	if _, err := NewReference(noisy(odd(1000, 1000), rand.New(rand.NewPCG(8, 2))), iron, opt); err == nil || !strings.Contains(err.Error(), "at least") {
		t.Errorf("a weak reference: error %v", err)
	}
}
