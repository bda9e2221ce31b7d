package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// TestFaultyMeasurements: every fault of a measurement is named in a status or a
// warning of Spectrum and of Identify, or refused with an error, and no result
// holds NaN or an infinite number.
func TestFaultyMeasurements(t *testing.T) {
	base := simulate(t, spectra.Calibration{OffsetEV: -200, GainEV: 20}, 1024, 15000, spectra.DefaultDetector(), 5e4,
		family{"Si", xray.FamilyK, 3e4}, family{"Fe", xray.FamilyK, 1e4}, family{"O", xray.FamilyK, 5e3})
	for _, tt := range []struct {
		name  string
		spoil func(*spectra.Spectrum)
		kind  spectra.WarningKind // "" = refused
	}{
		{"saturated at 16 bit", func(s *spectra.Spectrum) { amplify(s, 60, 1<<16-1) }, spectra.Saturated},
		{"saturated at 32 bit", func(s *spectra.Spectrum) { amplify(s, 1e6, 1<<32-1) }, spectra.Saturated},
		{"flat top", func(s *spectra.Spectrum) { amplify(s, 1, 2000) }, spectra.Saturated},
		{"all zero", func(s *spectra.Spectrum) { clear(s.Counts) }, spectra.NoCounts},
		{"one count", func(s *spectra.Spectrum) { clear(s.Counts); s.Counts[300] = 1 }, spectra.FewCounts},
		{"uncalibrated", func(s *spectra.Spectrum) { s.Calibration = spectra.Calibration{} }, ""},
		{"axis in keV", func(s *spectra.Spectrum) { s.OffsetEV, s.GainEV = -0.2, 0.02 }, ""},
		{"axis in meV", func(s *spectra.Spectrum) { s.OffsetEV, s.GainEV = -2e5, 1e4 }, ""},
		{"beam energy in keV", func(s *spectra.Spectrum) { s.BeamEnergy = 15 }, ""},
		{"beam energy in meV", func(s *spectra.Spectrum) { s.BeamEnergy = 15e6 }, spectra.EnergyUnit},
		{"beam energy too low", func(s *spectra.Spectrum) { s.BeamEnergy = 10000 }, spectra.CountsAbove},
		{"beam energy too high", func(s *spectra.Spectrum) { s.BeamEnergy = 20000 }, spectra.Charging},
		{"dead time 66 %", func(s *spectra.Spectrum) { s.LiveTimeS, s.RealTimeS = 34, 100 }, spectra.DeadTime},
		{"live above real", func(s *spectra.Spectrum) { s.LiveTimeS, s.RealTimeS = 120, 100 }, spectra.TimesDisagree},
		{"live is real", func(s *spectra.Spectrum) { s.LiveTimeS, s.RealTimeS = 20, 20 }, spectra.NoDeadTime},
		{"negative counts", func(s *spectra.Spectrum) { s.Counts[400] = -1 }, ""},
		{"not a number", func(s *spectra.Spectrum) { s.Counts[400] = math.NaN() }, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := noisy(base, rand.New(rand.NewPCG(4, 4)))
			s.LiveTimeS, s.RealTimeS = 60, 70
			tt.spoil(s)
			r, err := Spectrum(s, Options{Families: []Family{{14, xray.FamilyK}, {26, xray.FamilyK}, {8, xray.FamilyK}}})
			named(t, "Spectrum", r, err, tt.kind)
			if r != nil && (r.Status == Empty) != (tt.kind == spectra.NoCounts) {
				t.Errorf("Spectrum: status %v", r.Status)
			}
			if testing.Short() {
				return
			}
			id, err := Identify(s, IdentifyOptions{Candidates: []xray.Element{8, 14, 26}})
			if id != nil {
				r = id.Fit
			}
			named(t, "Identify", r, err, tt.kind)
		})
	}
}

func amplify(s *spectra.Spectrum, factor, top float64) {
	for i, v := range s.Counts {
		s.Counts[i] = min(float64(int(v*factor)), top)
	}
}

// named checks that the fault is refused or named, and the numbers finite.
func named(t *testing.T, what string, r *Result, err error, kind spectra.WarningKind) {
	t.Helper()
	if kind == "" {
		if err == nil {
			t.Errorf("%s: no error", what)
		} else {
			t.Logf("%s: %v", what, err)
		}
		return
	}
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return
	}
	found := false
	for _, w := range r.Warnings {
		if w.Kind == kind {
			found = true
			t.Logf("%s: %s", what, w)
		}
	}
	if !found {
		t.Errorf("%s: no warning %q among %v", what, kind, r.Warnings)
	}
	numbers := []float64{r.Deviance, r.ExpectedDeviance, r.PileUpCounts, r.SiliconCounts, r.Calibration.OffsetEV, r.Calibration.GainEV,
		r.CalibrationSigma.OffsetEV, r.CalibrationSigma.GainEV, float64(r.LandingEnergy), float64(r.LandingSigma)}
	for _, f := range r.Families {
		numbers = append(numbers, f.NetCounts, f.Sigma)
		for _, l := range f.Lines {
			numbers = append(numbers, l.Counts)
		}
	}
	for i, x := range append(numbers, r.Model...) {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("%s: number %d is %g", what, i, x)
		}
	}
}
