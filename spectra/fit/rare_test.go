package fit

import (
	"math/rand/v2"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// field draws n pixels from a mean spectrum and returns sum and maximum.
func field(mean []float64, n int, extra func(px int, counts []uint32), rng *rand.Rand) (sum []float64, maximum []uint32) {
	sum, maximum = make([]float64, len(mean)), make([]uint32, len(mean))
	counts := make([]uint32, len(mean))
	for px := range n {
		for c, m := range mean {
			counts[c] = synth.Poisson(rng, m)
		}
		if extra != nil {
			extra(px, counts)
		}
		for c, k := range counts {
			sum[c] += float64(k)
			maximum[c] = max(maximum[c], k)
		}
	}
	return sum, maximum
}

// TestRare plants 25 counts of Zr L in one pixel of 4096: invisible in the sum,
// found in the maximum-pixel spectrum; without them nothing is found. At alpha
// = 1 % a correct screen of the 20 null fields alarms more than 4 times with
// probability below 1e-6 (binomial).
func TestRare(t *testing.T) {
	det := spectra.DefaultDetector()
	cal := spectra.Calibration{GainEV: 20}
	base := simulate(t, cal, 512, 15000, det, 60, family{"Fe", xray.FamilyK, 40}, family{"Fe", xray.FamilyL, 20})
	alarms := 0
	for i := range 20 {
		s := *base
		var maximum []uint32
		s.Counts, maximum = field(base.Counts, 512, nil, rand.New(rand.NewPCG(31, uint64(i))))
		found, err := Rare(&s, maximum, 512, 1, det, 0.01)
		if err != nil {
			t.Fatal(err)
		}
		if len(found) > 0 {
			alarms++
		}
	}
	if alarms > 4 {
		t.Errorf("%d alarms in 20 fields without anything, want about 0.2", alarms)
	}
	s := *base
	line := make([]float64, 512)
	det.AddPeak(line, cal, 2042.4, 25)
	rng := rand.New(rand.NewPCG(32, 1))
	var maximum []uint32
	s.Counts, maximum = field(base.Counts, 4096, func(px int, counts []uint32) {
		if px == 77 {
			for c, m := range line {
				counts[c] += synth.Poisson(rng, m)
			}
		}
	}, rng)
	found, err := Rare(&s, maximum, 4096, 1, det, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	if len(found) != 1 {
		t.Fatalf("%d features, want one: %+v", len(found), found)
	}
	has := false
	for _, c := range found[0].Candidates {
		has = has || c == Family{40, xray.FamilyL}
	}
	if !has {
		t.Errorf("feature at %.0f eV: candidates %v, want Zr L among them", found[0].EnergyEV, found[0].Candidates)
	}
}
