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
