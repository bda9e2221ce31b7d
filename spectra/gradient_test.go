package spectra

import (
	"math"
	"testing"

	"example.org/fleck/spectra/xray"
)

// TestPeakGradient compares with numerical derivatives of AddPeak, for lines
// with much and with little loss of charge; 1e-5 of the greatest derivative is
// left for the step of the numerical ones and the ends of the peak at 5.5 σ.
func TestPeakGradient(t *testing.T) {
	det, cal := DefaultDetector(), Calibration{OffsetEV: 105, GainEV: 10.1}
	const n, first = 900, 30.0
	at := func(offset, gain, noise, fano float64, e xray.Energy) []float64 {
		d, c := det, cal
		d.NoiseEV += noise
		d.FanoEV += fano
		c.OffsetEV += offset + first*gain
		c.GainEV += gain
		dst := make([]float64, n)
		d.AddPeak(dst, c, e, 1000)
		return dst
	}
	for _, e := range []xray.Energy{277, 524.9, 1740, 6404} {
		var g PeakGradient
		g.Reset(n)
		det.AddPeakGradient(&g, cal, e, 1000)
		offset, gain, noise, fano := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		g.Offset(offset)
		g.Gain(gain, first)
		g.Resolution(noise, fano)
		for _, tt := range []struct {
			name     string
			got      []float64
			up, down []float64
			step     float64
		}{
			{"offset", offset, at(1e-2, 0, 0, 0, e), at(-1e-2, 0, 0, 0, e), 2e-2},
			{"gain", gain, at(0, 1e-4, 0, 0, e), at(0, -1e-4, 0, 0, e), 2e-4},
			{"noise", noise, at(0, 0, 1e-2, 0, e), at(0, 0, -1e-2, 0, e), 2e-2},
			{"fano", fano, at(0, 0, 0, 1e-3, e), at(0, 0, 0, -1e-3, e), 2e-3},
		} {
			top, worst := 0.0, 0.0
			for i := range tt.got {
				want := (tt.up[i] - tt.down[i]) / tt.step
				top = math.Max(top, math.Abs(want))
				worst = math.Max(worst, math.Abs(tt.got[i]-want))
			}
			if !(worst < 1e-5*top) {
				t.Errorf("%g eV: derivative by %s differs by %.2g of its greatest value", float64(e), tt.name, worst/top)
			}
		}
	}
}
