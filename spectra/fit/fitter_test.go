package fit

import (
	"math"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// TestFitterShapes: shapes times the amplitudes of the strong spectrum are its
// model, since that is where they were taken from.
func TestFitterShapes(t *testing.T) {
	s := simulate(t, spectra.Calibration{GainEV: 15}, 1024, 15000, spectra.DefaultDetector(), 1e6, family{"Fe", xray.FamilyK, 4e5}, family{"Ti", xray.FamilyK, 1e4})
	r, err := Spectrum(s, Options{Families: []Family{{26, xray.FamilyK}, {22, xray.FamilyK}}})
	if err != nil {
		t.Fatal(err)
	}
	f, err := r.Freeze()
	if err != nil {
		t.Fatal(err)
	}
	shapes := f.Shapes()
	if len(shapes) != 3 {
		t.Fatalf("%d shapes for 2 families and the continuum", len(shapes))
	}
	rest := r.SiliconCounts
	for c := range r.Continuum {
		rest += r.Continuum[c]
		if r.PileUp != nil {
			rest += r.PileUp[c]
		}
	}
	worst := 0.0
	for c, want := range r.Model {
		got := rest * shapes[2][c]
		for k, fr := range r.Families {
			got += fr.NetCounts * shapes[k][c]
		}
		worst = math.Max(worst, math.Abs(got-want)/math.Sqrt(want+1))
	}
	// Rounding, and the silicon peak that ends at the border of the range.
	if worst > 0.05 {
		t.Errorf("shapes differ from the model by up to %.3g counting deviations", worst)
	}
	shapes[0][500] = -1
	if f.Shapes()[0][500] == -1 {
		t.Error("the shapes are not the caller's own")
	}
}

// TestFitterPoorRows: without counts all values are zero, uncertain by one
// count; counts that cannot be fitted leave NaN everywhere, not zeros.
func TestFitterPoorRows(t *testing.T) {
	s := simulate(t, spectra.Calibration{GainEV: 15}, 1024, 15000, spectra.DefaultDetector(), 1e6, family{"Fe", xray.FamilyK, 4e5}, family{"Ti", xray.FamilyK, 1e4})
	r, err := Spectrum(s, Options{Families: []Family{{26, xray.FamilyK}, {22, xray.FamilyK}}})
	if err != nil {
		t.Fatal(err)
	}
	f, err := r.Freeze()
	if err != nil {
		t.Fatal(err)
	}
	if f.SpectrumChannels() != 1024 {
		t.Errorf("frozen on %d channels, want 1024", f.SpectrumChannels())
	}
	var px PixelResult
	var sc Scratch
	f.FitRow(&px, make([]uint32, 1024), &sc)
	for k, v := range px.NetCounts {
		// One count, up to 1 % of it in escape peaks.
		if v != 0 || !(math.Abs(px.Sigma[k]-1) < 0.02) || px.Status != Empty || px.Continuum != 0 {
			t.Errorf("no counts: %s %g ± %g, continuum %g, %v", f.Families[k], v, px.Sigma[k], px.Continuum, px.Status)
		}
	}
	counts := make([]float64, 1024)
	counts[430] = math.Inf(1)
	f.FitSpectrum(&px, counts, &sc)
	for k, v := range px.NetCounts {
		if !math.IsNaN(v) || !math.IsNaN(px.Sigma[k]) || !math.IsNaN(px.Continuum) || !math.IsNaN(px.Deviance) || px.Status != NotConverged {
			t.Errorf("infinite counts: %s %g ± %g, continuum %g, deviance %g, %v", f.Families[k], v, px.Sigma[k], px.Continuum, px.Deviance, px.Status)
		}
	}
}
