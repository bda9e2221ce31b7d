package spectra_test

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// thick returns a noisy spectrum of a thick specimen: Kramers' continuum up to
// the landing energy, Si K and Fe K, a share of sums.
func thick(landing float64, total, sums float64, seed uint64) *spectra.Spectrum {
	s := &spectra.Spectrum{Calibration: spectra.Calibration{OffsetEV: -200, GainEV: 10}, Counts: make([]float64, 2048)}
	s.BeamEnergy, s.LiveTimeS, s.RealTimeS = xray.Energy(landing), 60, 70
	per := make([]float64, len(s.Counts))
	for i := range per {
		if e := float64(s.Energy(float64(i))); e > 100 && e < landing {
			per[i] = (landing - e) / e
		}
	}
	det := spectra.DefaultDetector()
	synth.AddContinuum(s.Counts, det, s.Calibration, per)
	sum := s.Total()
	synth.AddLines(s.Counts, det, s.Calibration, []synth.Line{{Energy: 1740, Photons: 0.6 * sum}})
	if landing > 8000 {
		synth.AddLines(s.Counts, det, s.Calibration, []synth.Line{{Energy: 6404, Photons: 0.1 * sum}})
	}
	scale := total / s.Total()
	for i := range s.Counts {
		s.Counts[i] *= scale
	}
	synth.AddPileUp(s.Counts, s.Calibration, sums)
	s.Counts = synth.Noise(s.Counts, rand.New(rand.NewPCG(seed, 1)))
	return s
}

// TestEndOfContinuum finds the end of simulated continua within five standard
// uncertainties and half a percent, sums of two events or not; the pulls have a
// width near 1.
func TestEndOfContinuum(t *testing.T) {
	for _, tt := range []struct{ landing, total, sums float64 }{
		{5000, 2e5, 0}, {10000, 1e6, 0.01}, {15000, 1e6, 0.02}, {15000, 3e4, 0}, {14000, 3e5, 0.001},
	} {
		sq, n := 0.0, 12
		for i := range n {
			s := thick(tt.landing, tt.total, tt.sums, uint64(i))
			l, ok := s.EndOfContinuum()
			if !ok {
				t.Fatalf("%g eV, %g counts: no end found", tt.landing, tt.total)
			}
			d := float64(l.Energy) - tt.landing
			if math.Abs(d) > 5*float64(l.Sigma)+0.005*tt.landing {
				t.Errorf("%g eV, %g counts: found %.0f ± %.0f eV", tt.landing, tt.total, float64(l.Energy), float64(l.Sigma))
			}
			sq += d * d / float64(l.Sigma*l.Sigma)
		}
		t.Logf("%g eV, %g counts: width of pulls %.2f", tt.landing, tt.total, math.Sqrt(sq/float64(n)))
	}
}

// TestEndOfContinuumMeasured: measured spectra of thick specimens (open data,
// 2022) end at the beam energy that their files state, within 1.5 %.
func TestEndOfContinuumMeasured(t *testing.T) {
	root := os.Getenv("FLECK_REAL_DATA")
	if root == "" {
		t.Skip("FLECK_REAL_DATA is not set: no measured spectra")
	}
	for _, name := range []string{"Si_05kV", "Si_15kV", "Mo_05kV", "Mo_15kV", "GaAs_05kV", "GaAs_15kV", "NW_05kV", "NW_15kV"} {
		f, err := os.Open(filepath.Join(root, "sem-metals", name+".emsa"))
		if err != nil {
			t.Fatal(err)
		}
		file, err := msa.Read(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		s := &file.Spectrum
		l, ok := s.EndOfContinuum()
		t.Logf("%s: %.3f ± %.3f keV, stated %g keV, sums %.2g", name, l.Energy.KeV(), l.Sigma.KeV(), s.BeamEnergy.KeV(), l.SumShare)
		if !ok || math.Abs(float64(l.Energy/s.BeamEnergy-1)) > 0.015 {
			t.Errorf("%s: the continuum ends at %.3f keV (found: %v), stated %g keV", name, l.Energy.KeV(), ok, s.BeamEnergy.KeV())
		}
	}
}
