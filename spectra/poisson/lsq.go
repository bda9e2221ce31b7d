package poisson

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Problem is a sum of squares Σ r_i(x)² to be minimised over N parameters x.
type Problem struct {
	// Observations is the number M of residuals, M ≥ 1.
	Observations int
	// Residuals writes the M residuals r_i(x) to dst; each is
	// (model − observation) divided by the standard deviation of the
	// observation if that is known. It must not keep dst or x. A residual
	// that is NaN or infinite marks x as outside the domain; the step is
	// then shortened.
	Residuals func(dst, x []float64)
	// Jacobian, if not nil, writes ∂r_i/∂x_j to the M×N matrix dst.
	// Otherwise central differences are used (2·N evaluations).
	Jacobian func(dst *mat.Dense, x []float64)
}

// DampedOptions are the settings of Minimize. The zero value works.
type DampedOptions struct {
	// Lower and Upper bound the parameters, N values each; nil means none.
	// Infinite entries are allowed.
	Lower, Upper []float64
	// MaxIterations bounds the number of Jacobians; 0 means 1000.
	MaxIterations int
	// Tolerance is the relative size of the last step and the cosine between
	// residual and tangent plane at which the fit counts as converged; 0
	// means 1e-10.
	Tolerance float64
	// Damping is the first value of the damping relative to the scaled
	// Jacobian; 0 means 1e-3.
	Damping float64
}

// DampedResult is the result of Minimize.
type DampedResult struct {
	X []float64 // parameters at the minimum
	// SumOfSquares is Σ r² at X.
	SumOfSquares float64
	// DegreesOfFreedom is M less the number of parameters not at a bound.
	DegreesOfFreedom int
	// Covariance is (JᵀJ)⁻¹ at X (N×N, row by row), the covariance of the
	// parameters if the residuals have unit variance. Rows and columns of
	// parameters at a bound are zero. NaN if JᵀJ is singular.
	Covariance []float64
	// Sigma is the root of the diagonal of Covariance.
	Sigma []float64
	// StandardError is Sigma times the residual standard deviation
	// sqrt(SumOfSquares/DegreesOfFreedom): the error of a parameter if the
	// observations have a common, unknown standard deviation. NaN without
	// degrees of freedom.
	StandardError []float64
	Status        Status // Converged or NotConverged
	Iterations    int    // Jacobians
	Evaluations   int    // residual vectors, those for differences included
}

// Minimize finds a local minimum of the sum of squares from start by damped
// least squares.
//
// Each step solves the augmented system min ‖J·d + r‖² + μ·‖D·d‖² by QR
// decomposition, D holding the column norms of J, so that the result does not
// depend on the units of the parameters. A column that shrinks keeps at least
// half of its last entry in D, between the ever-growing scale of Moré (1978),
// which blocks a parameter for good, and the current norms of Marquardt (1963),
// which let it run off along a plateau. The damping μ
// follows Nielsen (1999; Madsen, Nielsen & Tingleff 2004, eq. 2.21): after a
// step with gain ratio ρ = actual/predicted decrease > 0 it is multiplied by
// max(1/3, 1 − (2ρ − 1)³), after a failed step by 2, 4, 8 … in a row. Half the
// geodesic acceleration is added to each step, and a step whose acceleration
// is above 3/8 of its length counts as failed (Transtrum & Sethna 2012). A
// parameter at a bound whose gradient points outwards is held for the step;
// steps are projected on the bounds.
//
// The error is non-nil for invalid input and for a start outside the domain;
// failure to converge is a Status.
//
// Sources: Levenberg (1944), Q. Appl. Math. 2, 164; Marquardt (1963), J. SIAM
// 11, 431; Moré (1978), Lect. Notes Math. 630, 105; Madsen, Nielsen &
// Tingleff (2004), Methods for non-linear least squares problems, 2nd ed.;
// Transtrum & Sethna (2012), arXiv:1201.5885.
func Minimize(p Problem, start []float64, opt DampedOptions) (DampedResult, error) {
	f, err := newDamped(p, start, opt)
	if err != nil {
		return DampedResult{}, err
	}
	f.run()
	return f.result(), nil
}

// damped is the state of one minimisation.
type damped struct {
	p           Problem
	opt         DampedOptions
	m, n        int
	x, trial    []float64
	r, next     []float64
	lo, hi      []float64 // residuals of central differences
	jac         *mat.Dense
	scale       []float64 // D, slowly falling column norms
	free        []int
	grad        []float64 // Jᵀr
	qr          mat.QR    // of the augmented system
	ssq         float64
	status      Status
	iterations  int
	evaluations int
}

func newDamped(p Problem, start []float64, opt DampedOptions) (*damped, error) {
	m, n := p.Observations, len(start)
	switch {
	case p.Residuals == nil:
		return nil, fmt.Errorf("poisson: least squares: no residual function: %w", ErrRange)
	case n < 1:
		return nil, fmt.Errorf("poisson: least squares: no parameters: %w", ErrRange)
	case m < 1:
		return nil, fmt.Errorf("poisson: least squares: %d observations, want at least 1: %w", m, ErrRange)
	case opt.Lower != nil && len(opt.Lower) != n:
		return nil, fmt.Errorf("poisson: least squares: %d lower bounds, want %d: %w", len(opt.Lower), n, ErrRange)
	case opt.Upper != nil && len(opt.Upper) != n:
		return nil, fmt.Errorf("poisson: least squares: %d upper bounds, want %d: %w", len(opt.Upper), n, ErrRange)
	case !(opt.Tolerance >= 0) || !(opt.Damping >= 0) || opt.MaxIterations < 0:
		return nil, fmt.Errorf("poisson: least squares: tolerance %v, damping %v, %d iterations, want none negative: %w", opt.Tolerance, opt.Damping, opt.MaxIterations, ErrRange)
	}
	if opt.MaxIterations == 0 {
		opt.MaxIterations = 1000
	}
	if opt.Tolerance == 0 {
		opt.Tolerance = 1e-10
	}
	if opt.Damping == 0 {
		opt.Damping = 1e-3
	}
	f := &damped{
		p: p, opt: opt, m: m, n: n,
		x: append([]float64(nil), start...), trial: make([]float64, n),
		r: make([]float64, m), next: make([]float64, m),
		lo: make([]float64, m), hi: make([]float64, m),
		jac: mat.NewDense(m, n, nil), scale: make([]float64, n), grad: make([]float64, n),
	}
	for j, v := range start {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("poisson: least squares: start value %d is %v, want finite: %w", j, v, ErrRange)
		}
		if lower, upper := f.bounds(j); !(lower <= v && v <= upper) || lower == upper {
			return nil, fmt.Errorf("poisson: least squares: start value %d is %v, want between the bounds %v and %v: %w", j, v, lower, upper, ErrRange)
		}
	}
	f.ssq = f.evaluate(f.r, f.x)
	if math.IsInf(f.ssq, 1) {
		return nil, fmt.Errorf("poisson: least squares: residuals at the start are not finite: %w", ErrRange)
	}
	return f, nil
}

// bounds returns the bounds of parameter j.
func (f *damped) bounds(j int) (lower, upper float64) {
	lower, upper = math.Inf(-1), math.Inf(1)
	if f.opt.Lower != nil {
		lower = f.opt.Lower[j]
	}
	if f.opt.Upper != nil {
		upper = f.opt.Upper[j]
	}
	return lower, upper
}

// evaluate writes the residuals at x to dst and returns their sum of squares,
// +Inf if one of them is not finite.
func (f *damped) evaluate(dst, x []float64) float64 {
	f.evaluations++
	f.p.Residuals(dst, x)
	var sum float64
	for _, v := range dst {
		sum += v * v
	}
	if math.IsNaN(sum) {
		return math.Inf(1)
	}
	return sum
}

// differentiate fills f.jac at f.x. Central differences use a step of
// eps^(1/3) of the parameter, the best compromise between truncation and
// rounding; at a bound they turn one-sided.
func (f *damped) differentiate() {
	if f.p.Jacobian != nil {
		f.p.Jacobian(f.jac, f.x)
		return
	}
	const cubeRootEps = 6.055454452393343e-06 // (2^-52)^(1/3)
	x := f.trial
	for j, xj := range f.x {
		copy(x, f.x)
		h := cubeRootEps * math.Abs(xj)
		if h == 0 {
			h = cubeRootEps
		}
		lower, upper := f.bounds(j)
		a, b := math.Max(lower, xj-h), math.Min(upper, xj+h)
		x[j] = b
		okHi := !math.IsInf(f.evaluate(f.hi, x), 1)
		x[j] = a
		okLo := !math.IsInf(f.evaluate(f.lo, x), 1)
		// Outside the domain of the model the difference is one-sided too.
		if !okHi {
			copy(f.hi, f.r)
			b = xj
		}
		if !okLo {
			copy(f.lo, f.r)
			a = xj
		}
		width := b - a
		for i := range f.m {
			d := 0.0
			if width > 0 {
				d = (f.hi[i] - f.lo[i]) / width
			}
			f.jac.Set(i, j, d)
		}
	}
}

// run iterates until convergence or the limit.
func (f *damped) run() {
	mu, fail := f.opt.Damping, 2.0
	step := make([]float64, f.n)
	for f.iterations < f.opt.MaxIterations {
		f.iterations++
		f.differentiate()
		f.setFree()
		if f.stationary() {
			f.status = Converged
			return
		}
		for {
			predicted, ok := f.solve(step, mu)
			if ok {
				ok = f.bend(step)
			}
			moved := 0.0
			if ok {
				moved = f.project(step)
			}
			if ok && moved <= f.opt.Tolerance {
				// The step cannot change the parameters any more; take it
				// if it helps.
				if s := f.evaluate(f.next, f.trial); s < f.ssq {
					f.accept(s)
				}
				f.status = Converged
				return
			}
			if ok {
				s := f.evaluate(f.next, f.trial)
				gain := (f.ssq - s) / predicted
				if s < f.ssq && gain > 1e-4 {
					f.accept(s)
					mu *= math.Max(1./3, 1-math.Pow(2*gain-1, 3))
					mu = math.Max(mu, 1e-16)
					fail = 2
					break
				}
			}
			mu *= fail
			fail *= 2
			if mu > 1e20 {
				return // no descent at any step length
			}
		}
	}
}

func (f *damped) accept(ssq float64) {
	f.x, f.trial = f.trial, f.x
	f.r, f.next = f.next, f.r
	f.ssq = ssq
}

// setFree updates the scale and the gradient and lists the parameters that are not held at
// a bound.
func (f *damped) setFree() {
	f.free = f.free[:0]
	for j := range f.n {
		var norm, g float64
		for i, ri := range f.r {
			v := f.jac.At(i, j)
			norm += v * v
			g += v * ri
		}
		f.scale[j] = math.Max(f.scale[j]/2, math.Sqrt(norm))
		f.grad[j] = g
		lower, upper := f.bounds(j)
		if (f.x[j] <= lower && g >= 0) || (f.x[j] >= upper && g <= 0) {
			continue
		}
		f.free = append(f.free, j)
	}
}

// stationary reports whether the residual is orthogonal to every free column
// of the Jacobian within the tolerance.
func (f *damped) stationary() bool {
	if f.ssq == 0 {
		return true
	}
	rnorm := math.Sqrt(f.ssq)
	for _, j := range f.free {
		var norm float64
		for i := range f.m {
			v := f.jac.At(i, j)
			norm += v * v
		}
		if math.Abs(f.grad[j]) > 1e-4*f.opt.Tolerance*rnorm*math.Sqrt(norm) {
			return false
		}
	}
	return true
}

// project writes the projection of x + step on the bounds to f.trial and
// returns the largest relative change of a parameter.
func (f *damped) project(step []float64) float64 {
	var moved float64
	for j, xj := range f.x {
		lower, upper := f.bounds(j)
		v := math.Min(math.Max(xj+step[j], lower), upper)
		f.trial[j] = v
		if v != xj {
			moved = math.Max(moved, math.Abs(v-xj)/math.Max(math.Abs(xj), math.Abs(v)))
		}
	}
	return moved
}

// result computes covariance and errors at the last point.
func (f *damped) result() DampedResult {
	n := f.n
	res := DampedResult{
		X: f.x, SumOfSquares: f.ssq, Status: f.status,
		Iterations: f.iterations, Evaluations: f.evaluations,
		Covariance: make([]float64, n*n), Sigma: make([]float64, n), StandardError: make([]float64, n),
	}
	f.differentiate()
	f.setFree()
	res.Evaluations = f.evaluations
	k := len(f.free)
	res.DegreesOfFreedom = f.m - k
	spread := math.NaN()
	if res.DegreesOfFreedom > 0 {
		spread = math.Sqrt(f.ssq / float64(res.DegreesOfFreedom))
	}
	inv := f.inverse()
	for c, j := range f.free {
		for d, l := range f.free {
			v := math.NaN()
			if inv != nil {
				v = inv.At(c, d)
			}
			res.Covariance[j*n+l] = v
		}
	}
	for j := range n {
		res.Sigma[j] = math.Sqrt(res.Covariance[j*n+j])
		res.StandardError[j] = res.Sigma[j] * spread
	}
	return res
}
