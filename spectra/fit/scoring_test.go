package fit

import (
	"math"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// TestJacobian compares the derivatives of the model by the shape parameters
// with numerical ones, weighted as the scores are: Σ (J − J')²/m against Σ J²/m.
// 1e-3 of the norm is left for the interpolated normal distribution, the linear
// interpolation of the continuum and the places where smearing and absorption
// are taken to commute; 2 % for
// the landing energy, since the end of the continuum is a kink between grid points.
func TestJacobian(t *testing.T) {
	for _, beam := range []xray.Energy{5000, 15000} {
		s := simulate(t, spectra.Calibration{OffsetEV: -194, GainEV: 9.95}, 1024, beam, spectra.DefaultDetector(), 1e5,
			family{"Si", xray.FamilyK, 1e6}, family{"O", xray.FamilyK, 1e4}, family{"C", xray.FamilyK, 1e4})
		r, err := Spectrum(s, Options{Families: []Family{{14, xray.FamilyK}, {8, xray.FamilyK}, {6, xray.FamilyK}}})
		if err != nil {
			t.Fatal(err)
		}
		st := r.state
		st.shape[absorberParameter] = 5
		st.shape[absorberParameter+1] = -3
		st.shape[absorberParameter+2] = 4
		st.shape[landingParameter] = 20
		sc := newScorer(r.design, s.Counts[r.design.lo:r.design.hi], st.shape, r.Options)
		model := func(p shape) []float64 {
			x := st.clone()
			x.shape = p
			out := make([]float64, len(sc.n))
			cols := r.design.newColumns()
			r.design.columns(cols, p)
			sc.combine(out, cols, &x)
			return out
		}
		for p := range sc.free {
			sc.free[p] = true
			sc.kinds = append(sc.kinds, parameter{shapeValue, p, -1})
			sc.jac = append(sc.jac, make([]float64, len(sc.n)))
			sc.span = append(sc.span, [2]int{})
		}
		m := model(st.shape)
		r.design.columns(sc.cols, st.shape)
		sc.combine(sc.m, sc.cols, &st)
		sc.jacobian(&st)
		for p := range sc.free {
			if shapeParameter(p) == landingParameter && float64(beam) > float64(s.Energy(float64(len(s.Counts)-1))) {
				continue // the end of the continuum is not in the spectrum
			}
			up, down := st.shape, st.shape
			h := 5 * sc.step[p]
			up[p] += h
			down[p] -= h
			mu, md := model(up), model(down)
			norm, diff, worst, at := 0.0, 0.0, 0.0, 0
			for c := range m {
				want := (mu[c] - md[c]) / (2 * h)
				norm += want * want / m[c]
				d := (want - sc.jac[p][c]) * (want - sc.jac[p][c]) / m[c]
				diff += d
				if d > worst {
					worst, at = d, c
				}
			}
			t.Logf("%g keV, parameter %d: %.2g of the norm (largest at %.0f eV)", beam.KeV(), p, math.Sqrt(diff/norm), float64(s.Energy(float64(at+r.LowChannel))))
			limit := 1e-3
			if shapeParameter(p) == landingParameter {
				limit = 0.02
			}
			if !(diff < limit*limit*norm) {
				t.Errorf("%g keV, parameter %d: derivatives differ by %.2g of their norm", beam.KeV(), p, math.Sqrt(diff/norm))
			}
		}
	}
}
