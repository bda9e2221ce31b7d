package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/poisson"
	"example.org/fleck/spectra/xray"
)

// TestProfileNoBackground: an isolated family on almost no background with scale
// and resolution held is a counting experiment, so that intervals are those of
// Feldman & Cousins (1998) and limits those of Garwood (1936) for the counts in
// the peak; 4 % and 0.3 counts are left for the little background.
func TestProfileNoBackground(t *testing.T) {
	for _, n := range []int{0, 1, 4, 12} {
		s := &spectra.Spectrum{Calibration: spectra.Calibration{GainEV: 10}, Counts: make([]float64, 1024)}
		s.BeamEnergy = 15000
		for i := range s.Counts {
			if e := float64(s.Energy(float64(i))); e > 200 && e < 1500 && i%10 == 0 {
				s.Counts[i] = 1 // a little continuum far from the family
			}
		}
		for k := range n {
			s.Counts[640+k%3-1]++
		}
		r, err := Spectrum(s, Options{Families: []Family{{26, xray.FamilyK}}, FixCalibration: true, FixWeights: true, NoPileUp: true, HighEV: 14000})
		if err != nil {
			t.Fatal(err)
		}
		p := r.Profile(0)
		low, high := p.Interval(0.95)
		wantLow, wantHigh := poisson.FeldmanCousins(n, 0, 0.95)
		limit, wantLimit := p.UpperLimit(0.95), poisson.UpperLimit(n, 0.95)
		t.Logf("n = %d: net %.2f, %.2f to %.2f (exact %.2f to %.2f), limit %.2f (%.2f); efficiency %.2f, background %.2f", n, r.Families[0].NetCounts, low, high, wantLow, wantHigh, limit, wantLimit, p.efficiency, p.background)
		for _, x := range [][2]float64{{low, wantLow}, {high, wantHigh}, {limit, wantLimit}} {
			if math.Abs(x[0]-x[1]) > 0.04*x[1]+0.3 {
				t.Errorf("n = %d: %.2f, want %.2f", n, x[0], x[1])
			}
		}
	}
}

// TestProfileStrong: the interval of a strong family is that of the normal law.
func TestProfileStrong(t *testing.T) {
	s := noisy(simulate(t, spectra.Calibration{GainEV: 10}, 1024, 15000, spectra.DefaultDetector(), 1e4, family{"Fe", xray.FamilyK, 5000}), rand.New(rand.NewPCG(2, 2)))
	r, err := Spectrum(s, Options{Families: []Family{{26, xray.FamilyK}, {24, xray.FamilyK}}})
	if err != nil {
		t.Fatal(err)
	}
	f := r.Families[0]
	low, high := r.Profile(0).Interval(0.95)
	if math.Abs(high-f.NetCounts-1.959964*f.Sigma) > 1e-3*f.Sigma || math.Abs(f.NetCounts-low-1.959964*f.Sigma) > 1e-3*f.Sigma {
		t.Errorf("%.1f ± %.1f: interval %.1f to %.1f", f.NetCounts, f.Sigma, low, high)
	}
	// Chromium is not there.
	weak := r.Profile(1)
	if low, high := weak.Interval(0.95); low != 0 || !(high > 0) || !(weak.UpperLimit(0.95) > 0) {
		t.Errorf("absent family: interval %.1f to %.1f, limit %.1f", low, high, weak.UpperLimit(0.95))
	}
	if low, high := weak.Interval(2); !math.IsNaN(low) || !math.IsNaN(high) {
		t.Errorf("level 2: interval %g to %g", low, high)
	}
}
