package spectra_test

import (
	"math"
	"slices"
	"testing"

	"example.org/fleck/spectra"
)

// TestCheck: each fault has its name, and a sound spectrum has none.
func TestCheck(t *testing.T) {
	cut := func(s *spectra.Spectrum, top float64) {
		for i := range s.Counts {
			s.Counts[i] = min(s.Counts[i], top)
		}
	}
	for _, tt := range []struct {
		name  string
		spoil func(*spectra.Spectrum)
		want  []spectra.WarningKind
	}{
		{"sound", func(*spectra.Spectrum) {}, nil},
		{"all zero", func(s *spectra.Spectrum) { clear(s.Counts) }, []spectra.WarningKind{spectra.NoCounts}},
		{"one count", func(s *spectra.Spectrum) { clear(s.Counts); s.Counts[300] = 1 }, []spectra.WarningKind{spectra.FewCounts}},
		{"no channels", func(s *spectra.Spectrum) { s.Counts = nil }, []spectra.WarningKind{spectra.NoCounts, spectra.NoEnergyAxis}},
		{"negative", func(s *spectra.Spectrum) { s.Counts[7] = -2 }, []spectra.WarningKind{spectra.BadCounts}},
		{"fractions", func(s *spectra.Spectrum) { s.Counts[7] = 0.5 }, []spectra.WarningKind{spectra.ProcessedCount}},
		{"16 bit", func(s *spectra.Spectrum) { scale(s, 60); cut(s, 65535) }, []spectra.WarningKind{spectra.Saturated}},
		{"32 bit", func(s *spectra.Spectrum) { scale(s, 4e6); cut(s, 1<<32-1) }, []spectra.WarningKind{spectra.Saturated}},
		{"flat top", func(s *spectra.Spectrum) { cut(s, 3000) }, []spectra.WarningKind{spectra.Saturated}},
		{"mean of three", func(s *spectra.Spectrum) {
			n := slices.Clone(s.Counts)
			for i := 1; i+1 < len(n); i++ {
				s.Counts[i] = math.Round((n[i-1] + n[i] + n[i+1]) / 3)
			}
		}, []spectra.WarningKind{spectra.Smoothed}},
		{"counter ran over", func(s *spectra.Spectrum) {
			scale(s, 14)
			for i, v := range s.Counts {
				s.Counts[i] = float64(int(v) % 65536)
			}
		}, []spectra.WarningKind{spectra.Saturated}},
		{"no axis", func(s *spectra.Spectrum) { s.Calibration = spectra.Calibration{} }, []spectra.WarningKind{spectra.NoEnergyAxis}},
		{"axis in keV", func(s *spectra.Spectrum) { s.GainEV, s.OffsetEV = s.GainEV/1000, s.OffsetEV/1000 }, []spectra.WarningKind{spectra.EnergyUnit}},
		{"axis in meV", func(s *spectra.Spectrum) { s.GainEV, s.OffsetEV = s.GainEV*1000, s.OffsetEV*1000 }, []spectra.WarningKind{spectra.EnergyUnit}},
		{"beam in keV", func(s *spectra.Spectrum) { s.BeamEnergy = 15 }, []spectra.WarningKind{spectra.EnergyUnit}},
		{"beam too low", func(s *spectra.Spectrum) { s.BeamEnergy = 10000 }, []spectra.WarningKind{spectra.CountsAbove}},
		{"beam too high", func(s *spectra.Spectrum) { s.BeamEnergy = 20000 }, []spectra.WarningKind{spectra.Charging}},
		{"no beam energy", func(s *spectra.Spectrum) { s.BeamEnergy = 0 }, []spectra.WarningKind{spectra.NoBeamEnergy}},
		{"dead time 66 %", func(s *spectra.Spectrum) { s.LiveTimeS, s.RealTimeS = 34, 100 }, []spectra.WarningKind{spectra.DeadTime}},
		{"live above real", func(s *spectra.Spectrum) { s.LiveTimeS, s.RealTimeS = 101, 100 }, []spectra.WarningKind{spectra.TimesDisagree}},
		{"live is real", func(s *spectra.Spectrum) { s.LiveTimeS, s.RealTimeS = 100, 100 }, []spectra.WarningKind{spectra.NoDeadTime}},
		{"no live time", func(s *spectra.Spectrum) { s.LiveTimeS = 0 }, []spectra.WarningKind{spectra.NoLiveTime}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := thick(15000, 2e5, 0, 3)
			tt.spoil(s)
			var got []spectra.WarningKind
			for _, w := range s.Check() {
				got = append(got, w.Kind)
				t.Log(w)
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("kinds %v, want %v", got, tt.want)
			}
		})
	}
	var kinds []spectra.WarningKind
	for _, w := range thick(15000, 1e6, 0.04, 3).Check() {
		kinds = append(kinds, w.Kind)
	}
	if !slices.Equal(kinds, []spectra.WarningKind{spectra.SumPeaks}) {
		t.Errorf("4 %% of sums: kinds %v", kinds)
	}
}

func scale(s *spectra.Spectrum, f float64) {
	for i := range s.Counts {
		s.Counts[i] = float64(int(s.Counts[i] * f))
	}
}

// TestCheckCharging: a landing energy 1 keV below the stated one is seen.
func TestCheckCharging(t *testing.T) {
	s := thick(14000, 5e5, 0.005, 4)
	s.BeamEnergy = 15000
	ws := s.Check()
	if len(ws) != 1 || ws[0].Kind != spectra.Charging {
		t.Errorf("warnings %v, want charging", ws)
	}
}

// TestRoughness: second differences of Poisson counts have the variance 6n.
func TestRoughness(t *testing.T) {
	for seed := range uint64(20) {
		q, ok := thick(15000, 5e5, 0.005, seed).Roughness()
		if !ok || q < 0.8 || q > 1.2 {
			t.Errorf("seed %d: %.3f (enough counts: %v), want 1", seed, q, ok)
		}
	}
}

// TestNoisePeak finds a peak at zero energy and none where there is none.
func TestNoisePeak(t *testing.T) {
	s := thick(15000, 2e5, 0, 5)
	if at, n, ok := s.NoisePeak(); ok {
		t.Errorf("%.0f counts at %.0f eV where nothing is", n, at)
	}
	spectra.DefaultDetector().AddPeak(s.Counts, s.Calibration, 3, 2e4)
	if at, n, ok := s.NoisePeak(); !ok || at < -10 || at > 15 || n < 1.5e4 || n > 2.3e4 {
		t.Errorf("%.0f counts at %.1f eV (found: %v), want 2e4 at 3 eV", n, at, ok)
	}
}
