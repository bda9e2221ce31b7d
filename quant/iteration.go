package quant

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Limits of a mass fraction inside the iteration.
const (
	leastFraction = 1e-6
	mostFraction  = 1.2
)

// iteration is the state of one solution.
type iteration struct {
	s        *Solver
	ks       []KRatio
	c        []float64   // trial mass fraction of each peak's element
	last     []float64   // the one before
	f        []float64   // k/C at the trial
	worst    float64     // largest |k_measured − k| at the trial
	previous float64     // at the one before
	halved   bool        // the last step was a step back
	trial    Composition // of all elements
	steps    int
	best     []float64 // trial of the smallest residual
	bestAt   float64
}

func (s *Solver) newIteration(ks []KRatio) *iteration {
	n := len(ks)
	buf := make([]float64, 4*n)
	return &iteration{
		s: s, ks: ks,
		c: buf[:n:n], last: buf[n : 2*n : 2*n], f: buf[2*n : 3*n : 3*n], best: buf[3*n:],
		trial:  Composition{Elements: s.elements, Mass: make([]MassFraction, len(s.elements))},
		bestAt: math.Inf(1),
	}
}

// start sets the trial to C = k, scaled to sum 1 where the sum exceeds it.
func (it *iteration) start() {
	sum := 0.0
	for i, k := range it.ks {
		it.c[i] = k.Value / it.s.pure[i]
		sum += max(it.c[i], 0)
	}
	for i := range it.c {
		if sum > 1 {
			it.c[i] /= sum
		}
		it.c[i] = within(it.c[i])
	}
	it.previous, it.halved = math.Inf(1), false
}

// within holds a trial mass fraction to what the model accepts.
func within(c float64) float64 { return min(max(c, leastFraction), mostFraction) }

// assemble returns the composition of the mass fractions c of the peaks.
func (s *Solver) assemble(dst Composition, c []float64) {
	for i, m := range s.known {
		dst.Mass[i] = MassFraction(m)
	}
	for i, at := range s.measured {
		dst.Mass[at] = MassFraction(c[i])
	}
	if s.rule < 0 {
		return
	}
	sum, held := 0.0, 0.0
	for i, m := range dst.Mass {
		if i != s.rule {
			sum += float64(m)
			held += max(float64(m), 0) * s.bound[i]
		}
	}
	if s.opt.Rule == ByDifference {
		held = 1 - sum
	}
	dst.Mass[s.rule] = MassFraction(held)
}

// evaluate runs the model at the trial and reports whether it agrees with the
// k-ratios.
func (it *iteration) evaluate() (done bool, err error) {
	it.s.assemble(it.trial, it.c)
	if err := it.s.model.Factors(it.f, it.trial); err != nil {
		return false, err
	}
	it.steps++
	it.worst = 0
	off := 0.0
	for i, k := range it.ks {
		if k.Value <= 0 {
			continue // its fraction follows from f at the end
		}
		it.worst = max(it.worst, math.Abs(k.Value-it.c[i]*it.f[i]))
		off = max(off, math.Abs(k.Value/it.f[i]-it.c[i]))
	}
	if it.worst < it.bestAt {
		it.bestAt = it.worst
		copy(it.best, it.c)
	}
	return it.worst <= it.s.opt.Tolerance && off <= it.s.opt.Tolerance, nil
}

// simple takes the step C = k_measured·C/k.
func (it *iteration) simple() bool {
	for i, k := range it.ks {
		it.c[i] = within(k.Value / it.f[i])
	}
	return true
}

// hyperbolic takes the guarded hyperbolic step.
func (it *iteration) hyperbolic() bool {
	if it.worst > it.previous && !it.halved {
		for i := range it.c {
			it.c[i] = (it.c[i] + it.last[i]) / 2
		}
		it.halved = true
		return true
	}
	it.previous, it.halved = it.worst, false
	copy(it.last, it.c)
	for i, k := range it.ks {
		c := it.c[i]
		pure := it.s.pure[i]
		kc, km := c*it.f[i]/pure, k.Value/pure // relative to the pure element
		next := k.Value / it.f[i]
		if c > 0 && c < 1 && kc > 0 && kc < 1 && km > 0 && km < 1 {
			alpha := c * (1 - kc) / (kc * (1 - c))
			next = km * alpha / (1 - km*(1-alpha))
		}
		it.c[i] = within(next)
	}
	return true
}

// result returns the composition at the trial, or at the best trial if it did
// not converge.
func (it *iteration) result(status Status) Result {
	s := it.s
	r := Result{Status: status, Steps: it.steps, Residual: it.worst, TotalByRule: s.opt.Rule == ByDifference}
	if status == NotConverged {
		copy(it.c, it.best)
		r.Residual = it.bestAt
	}
	for i, k := range it.ks {
		// The last simple step, below the tolerance; a k-ratio that is not
		// positive gets its fraction here.
		if status == Converged || k.Value <= 0 {
			it.c[i] = k.Value / it.f[i]
		}
	}
	s.assemble(it.trial, it.c)
	r.Composition = Composition{Elements: slices.Clone(s.elements), Mass: it.trial.Mass}
	if !s.opt.SkipCovariance {
		r.Composition.Covariance = it.covariance()
		r.Steps = it.steps
	}
	return r
}

// covariance propagates the variances of the k-ratios, taken as independent. It
// is nil when an uncertainty is not known or the sensitivities are not.
func (it *iteration) covariance() []float64 {
	n := len(it.ks)
	cov := make([]float64, n*n)
	for i, k := range it.ks {
		if !(k.Sigma > 0) {
			return nil
		}
		cov[i*n+i] = k.Sigma * k.Sigma
	}
	it.steps += n + 1
	full, _, err := it.s.sensitivity(it.c)
	if err != nil {
		return nil
	}
	return propagate(full, cov, n)
}

// propagate returns F·cov·Fᵀ for the sensitivities F to n k-ratios.
func propagate(full, cov []float64, n int) []float64 {
	all := len(full) / n
	var half, out mat.Dense
	f := mat.NewDense(all, n, full)
	half.Mul(f, mat.NewDense(n, n, cov))
	out.Mul(&half, f.T())
	return out.RawMatrix().Data
}

// Correlate returns a converged result of Solve with the covariance that
// correlated k-ratios give its mass fractions: cov is the covariance matrix of
// the k-ratios, n×n, row by row, in the order of the peaks. Overlapping lines
// make k-ratios of one spectrum correlated, and so does a common standard.
func (s *Solver) Correlate(r Result, cov []float64) (Result, error) {
	n := len(s.peaks)
	if r.Status != Converged {
		return r, fmt.Errorf("quant: covariance of a result that is %s", r.Status)
	}
	if len(cov) != n*n {
		return r, fmt.Errorf("quant: covariance of %d values for %d k-ratios; it needs %d", len(cov), n, n*n)
	}
	for i, v := range cov {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 && i%(n+1) == 0 {
			return r, fmt.Errorf("quant: covariance of the k-ratios holds %g at row %d, column %d; it must be finite, at least 0 on the diagonal", v, i/n+1, i%n+1)
		}
	}
	if len(r.Composition.Elements) != len(s.elements) {
		return r, fmt.Errorf("quant: result with %d elements; the solver has %d", len(r.Composition.Elements), len(s.elements))
	}
	c := make([]float64, n)
	for i, at := range s.measured {
		c[i] = float64(r.Composition.Mass[at])
	}
	full, _, err := s.sensitivity(c)
	if err != nil {
		return r, err
	}
	r.Composition.Covariance = propagate(full, cov, n)
	return r, nil
}

// sensitivity returns ∂C/∂k at the mass fractions c of the peaks, one row for
// each element of the composition and one column for each peak: the inverse of
// J = ∂k/∂C by one-sided differences, carried on to the element found by rule;
// and the factors k/C there.
func (s *Solver) sensitivity(c []float64) (full, factors []float64, err error) {
	n := len(c)
	start := c
	c = slices.Clone(c)
	trial := Composition{Elements: s.elements, Mass: make([]MassFraction, len(s.elements))}
	at := func() ([]float64, error) {
		f := make([]float64, n)
		s.assemble(trial, c)
		return f, s.model.Factors(f, trial)
	}
	if factors, err = at(); err != nil {
		return nil, nil, err
	}
	jac := mat.NewDense(n, n, nil)
	const h = 1e-5 // the model is smooth; rounding is about 1e-11/h of it
	for j := range n {
		c[j] += h
		moved, err := at()
		if err != nil {
			return nil, nil, err
		}
		for i := range n {
			jac.Set(i, j, (moved[i]*c[i]-factors[i]*start[i])/h)
		}
		c[j] = start[j]
	}
	var inv mat.Dense
	if err := inv.Inverse(jac); err != nil {
		return nil, nil, fmt.Errorf("quant: the k-ratios do not determine the composition: %w", err)
	}
	full = make([]float64, len(s.elements)*n)
	for i, row := range s.measured {
		for j := range n {
			d := inv.At(i, j)
			full[row*n+j] = d
			switch {
			case s.rule < 0:
			case s.opt.Rule == ByDifference:
				full[s.rule*n+j] -= d
			case c[i] > 0:
				full[s.rule*n+j] += d * s.bound[row]
			}
		}
	}
	return full, factors, nil
}
