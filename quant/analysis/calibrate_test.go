package analysis

import (
	"math"
	"testing"

	"example.org/fleck/spectra/xray"
)

// TestCalibration: a factor is its entry; between entries it runs straight in the
// logarithms, and its uncertainty grows up to the middle; beyond them it stays and
// grows as fast as the last slope, by 1/√3 of a rectangular half-width.
func TestCalibration(t *testing.T) {
	beam := 20 * xray.KeV
	c := Calibration{peak(t, "Na K"): {0.2, 0.03}, peak(t, "Si K"): {0.9, 0.04}, peak(t, "Ca K"): {1.6, 0.05}}
	x := func(name string) float64 { return math.Log(float64(mainEnergy(peak(t, name), beam))) }
	if f, from := c.of(peak(t, "Si K"), beam); f != (Factor{0.9, 0.04}) || from != calibratedFactor {
		t.Errorf("entry: %+v, %s", f, from)
	}
	share := (x("Mg K") - x("Na K")) / (x("Si K") - x("Na K"))
	step := math.Log(0.9 / 0.2)
	f, from := c.of(peak(t, "Mg K"), beam)
	if want := 0.2 * math.Exp(share*step); math.Abs(f.Value/want-1) > 1e-12 || from != interpolatedFactor {
		t.Errorf("between: %+v, %s, want %g", f, from, want)
	}
	if want := math.Hypot(0.04, share*step/math.Sqrt(3)); math.Abs(f.Sigma-want) > 1e-12 {
		t.Errorf("between: uncertainty %g, want %g", f.Sigma, want)
	}
	f, from = c.of(peak(t, "F K"), beam)
	slope := step / (x("Si K") - x("Na K"))
	if want := math.Hypot(0.03, slope*(x("Na K")-x("F K"))/math.Sqrt(3)); f.Value != 0.2 || from != extrapolatedFactor || math.Abs(f.Sigma-want) > 1e-12 {
		t.Errorf("below: %+v, %s, want 0.2 and %g", f, from, want)
	}
	f, from = c.of(peak(t, "Fe K"), beam)
	if f.Value != 1.6 || from != extrapolatedFactor || f.Sigma < 0.05 {
		t.Errorf("above: %+v, %s", f, from)
	}
	if f, from = c.of(peak(t, "Ba L"), beam); from != extrapolatedFactor || f.Value != 1.6 {
		t.Errorf("another family: %+v, %s", f, from)
	}
	if f, from = Calibration(nil).of(peak(t, "Fe K"), beam); f != (Factor{Value: 1}) || from != computedFactor {
		t.Errorf("none: %+v, %s", f, from)
	}
	if !c.has(xray.FamilyK) || c.has(xray.FamilyL) {
		t.Error("families")
	}
	for _, bad := range []Factor{{0, 0.1}, {1, -0.1}, {1, math.NaN()}, {math.NaN(), 0}} {
		if _, err := (Options{Relative: Calibration{peak(t, "Fe K"): bad}}).check(); err == nil {
			t.Errorf("accepted %+v", bad)
		}
	}
}
