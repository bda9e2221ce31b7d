package poisson

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// solve computes the damped step on the free parameters and the decrease of
// the sum of squares that the linear model predicts for it.
func (f *damped) solve(step []float64, mu float64) (predicted float64, ok bool) {
	k := len(f.free)
	a := mat.NewDense(f.m+k, k, nil)
	b := mat.NewVecDense(f.m+k, nil)
	for i, ri := range f.r {
		for c, j := range f.free {
			a.Set(i, c, f.jac.At(i, j)/f.unit(j))
		}
		b.SetVec(i, -ri)
	}
	root := math.Sqrt(mu)
	for c := range f.free {
		a.Set(f.m+c, c, root)
	}
	f.qr.Factorize(a)
	d, ok := f.solveQR(b)
	if !ok {
		return 0, false
	}
	clear(step)
	// Predicted decrease ‖r‖² − ‖r + J·d‖² = d·(μ·d − g), summed in scaled
	// parameters.
	for c, j := range f.free {
		v := d.AtVec(c)
		predicted += v * (mu*v - f.grad[j]/f.unit(j))
		step[j] = v / f.unit(j)
	}
	return predicted, predicted > 0
}

// solveQR solves the factorized system for the right-hand side b.
func (f *damped) solveQR(b *mat.VecDense) (*mat.VecDense, bool) {
	var d mat.VecDense
	// A condition error is a warning here; the damping bounds the step.
	if err := f.qr.SolveVecTo(&d, false, b); err != nil {
		if _, warn := err.(mat.Condition); !warn {
			return nil, false
		}
	}
	for c := range d.Len() {
		if v := d.AtVec(c); math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, false
		}
	}
	return &d, true
}

// bend adds half the geodesic acceleration to the step, from the second
// derivative of the residuals along it. It reports false if the acceleration
// is not small against the step, which means that the step leaves the region
// where the linear model says anything (Transtrum & Sethna 2012, eq. 15). The
// limit is half of the source's 3/4: with 3/4 the fit of NIST set BoxBOD from
// its first start runs off along a plateau for some values of the damping.
// A step that would leave the bounds stays straight.
func (f *damped) bend(step []float64) bool {
	const h = 0.1 // fraction of the step, as in the source
	const alpha = 0.375
	for j, xj := range f.x {
		f.trial[j] = xj + h*step[j]
		if lower, upper := f.bounds(j); f.trial[j] < lower || f.trial[j] > upper {
			return true
		}
	}
	if math.IsInf(f.evaluate(f.next, f.trial), 1) {
		return false
	}
	k := len(f.free)
	b := mat.NewVecDense(f.m+k, nil)
	for i, ri := range f.r {
		var jv float64
		for _, j := range f.free {
			jv += f.jac.At(i, j) * step[j]
		}
		b.SetVec(i, -2/h*((f.next[i]-ri)/h-jv))
	}
	a, ok := f.solveQR(b)
	if !ok {
		return false
	}
	var v2, a2 float64
	for c, j := range f.free {
		v, w := step[j]*f.unit(j), a.AtVec(c)
		v2 += v * v
		a2 += w * w
	}
	if math.Sqrt(a2) > alpha*math.Sqrt(v2) {
		return false
	}
	for c, j := range f.free {
		step[j] += a.AtVec(c) / f.unit(j) / 2
	}
	return true
}

// unit is the scale of parameter j, 1 for a column that is zero so far.
func (f *damped) unit(j int) float64 {
	if f.scale[j] > 0 {
		return f.scale[j]
	}
	return 1
}

// inverse returns (JᵀJ)⁻¹ on the free parameters, R⁻¹·R⁻ᵀ from J = Q·R with
// columns of unit norm; nil if singular.
func (f *damped) inverse() *mat.Dense {
	k := len(f.free)
	if k == 0 || f.m < k {
		return nil
	}
	a := mat.NewDense(f.m, k, nil)
	norms := make([]float64, k)
	col := make([]float64, f.m)
	for c, j := range f.free {
		mat.Col(col, j, f.jac)
		norms[c] = floats.Norm(col, 2)
		if !(norms[c] > 0) {
			return nil
		}
		floats.Scale(1/norms[c], col)
		a.SetCol(c, col)
	}
	var qr mat.QR
	qr.Factorize(a)
	var r mat.Dense
	qr.RTo(&r)
	top := r.Slice(0, k, 0, k)
	var tri mat.TriDense
	t := mat.NewTriDense(k, mat.Upper, nil)
	for i := range k {
		if math.Abs(top.At(i, i)) < 1e-13 {
			return nil
		}
		for j := i; j < k; j++ {
			t.SetTri(i, j, top.At(i, j))
		}
	}
	if err := tri.InverseTri(t); err != nil {
		if _, warn := err.(mat.Condition); !warn {
			return nil
		}
	}
	var inv mat.Dense
	inv.Mul(&tri, tri.T())
	for c := range k {
		for d := range k {
			inv.Set(c, d, inv.At(c, d)/(norms[c]*norms[d]))
		}
	}
	return &inv
}
