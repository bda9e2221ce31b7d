package poisson

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
)

// Covariance fills res.Covariance (K×K, row by row) and res.Sigma from the
// amplitudes of a fit by this mixture, using the expected Fisher information
// I_jk = Σ t_ij·t_ik/m_i over all channels, at the cost of all channels.
//
// Amplitudes above zero: the inverse of the information among themselves.
// Amplitudes at zero: the estimate sits on the border and has no two-sided
// error. Their rows and columns are zero but for the diagonal, which is the
// variance the amplitude would have if it stood at one count, the others
// unchanged but free to move: the inverse of I_jj − I_jF·I_FF⁻¹·I_Fj taken
// there. It is one-sided information: a scale for an upper limit, which stays
// meaningful (one count) where nothing else contributes counts.
//
// Entries are NaN where templates cannot be told apart (singular information)
// and for templates of zero sum.
func (m *Mixture) Covariance(res *MixtureResult, scratch *MixtureScratch) {
	s, k := scratch, m.k
	res.Covariance, res.Sigma = grow(res.Covariance, k*k), grow(res.Sigma, k)
	clear(res.Covariance)
	s.wide = grow(s.wide, (k+3)*m.c) // mean, weight, then weighted templates
	mean, weight, b := s.wide[:m.c], s.wide[m.c:2*m.c], s.wide[2*m.c:]
	s.free = grow(s.free, k)[:0]
	s.hess, s.chol = grow(s.hess, k*k), grow(s.chol, k*k)
	s.step = grow(s.step, k)
	clear(mean)
	for j, a := range res.Amplitude {
		if a > 0 {
			s.free = append(s.free, j)
			floats.AddScaled(mean, a*m.sum[j], m.unit[j*m.c:(j+1)*m.c])
		}
	}
	f := len(s.free)
	inverseRoots(weight, mean)
	for p, j := range s.free {
		floats.MulTo(b[p*m.c:(p+1)*m.c], m.unit[j*m.c:(j+1)*m.c], weight)
		for q := 0; q <= p; q++ {
			s.hess[p*f+q] = floats.Dot(b[p*m.c:(p+1)*m.c], b[q*m.c:(q+1)*m.c])
		}
	}
	s.info = append(s.info[:0], s.hess[:f*f]...)
	ok := cholesky(s.hess, f)
	for p, j := range s.free {
		clear(s.step[:f])
		s.step[p] = 1
		if ok {
			choleskySolve(s.hess, f, s.step)
		}
		for q, l := range s.free {
			v := math.NaN()
			if ok {
				v = s.step[q] / (m.sum[j] * m.sum[l])
			}
			res.Covariance[j*k+l] = v
		}
	}
	// The families at zero, one at a time, with one count each.
	for j, a := range res.Amplitude {
		if a > 0 {
			continue
		}
		v := math.NaN()
		if m.sum[j] > 0 {
			v = m.varianceAtOneCount(s, j, mean, weight, b) / (m.sum[j] * m.sum[j])
		}
		res.Covariance[j*k+j] = v
	}
	for j := range k {
		res.Sigma[j] = math.Sqrt(res.Covariance[j*k+j])
	}
}

// varianceAtOneCount returns the Cramér–Rao variance of template j, in counts,
// when it contributes one count on top of mean and the templates s.free are
// free beside it; NaN if they cannot be told apart. weight and b are overwritten;
// s.info is the information of the free templates at mean, which changes only
// where template j is.
func (m *Mixture) varianceAtOneCount(s *MixtureScratch, j int, mean, weight, b []float64) float64 {
	f, n := len(s.free), len(s.free)+1
	from, to := m.from[j], m.to[j]
	unit := m.unit[j*m.c+from : j*m.c+to]
	inverse, change := weight[:len(unit)], b[:len(unit)] // of 1/mean
	for i, u := range unit {
		inverse[i], change[i] = 0, 0
		if v := mean[from+i]; v+u > 0 {
			inverse[i] = 1 / (v + u)
			if v > 0 {
				change[i] = -u / v * inverse[i]
			}
		}
	}
	row := b[m.c : m.c+len(unit)]
	for p, l := range s.free {
		t := m.unit[l*m.c+from : l*m.c+to]
		floats.MulTo(row, t, change)
		for q, o := range s.free[:p+1] {
			s.chol[p*n+q] = s.info[p*f+q] + floats.Dot(row, m.unit[o*m.c+from:o*m.c+to])
		}
		floats.MulTo(row, t, inverse)
		s.chol[f*n+p] = floats.Dot(row, unit)
	}
	floats.MulTo(row, unit, inverse)
	s.chol[f*n+f] = floats.Dot(row, unit)
	if !cholesky(s.chol, n) {
		return math.NaN()
	}
	// The last pivot is the root of I_jj − I_jF·I_FF⁻¹·I_Fj.
	last := s.chol[n*n-1]
	return 1 / (last * last)
}

// inverseRoots writes 1/sqrt(mean), or 0 where the mean is 0, to dst.
func inverseRoots(dst, mean []float64) {
	for i, v := range mean {
		dst[i] = 0
		if v > 0 {
			dst[i] = 1 / math.Sqrt(v)
		}
	}
}

// Information returns the expected Fisher information I_jk = Σ t_ij·t_ik/m_i
// (K×K, row by row) at amplitudes a (finite, not negative). It is an error if
// a channel expects no counts although a template is positive there, because
// the information is infinite then.
func (m *Mixture) Information(a []float64) ([]float64, error) {
	for j, v := range a {
		if !(v >= 0) || math.IsInf(v, 1) {
			return nil, fmt.Errorf("poisson: mixture: amplitude %d is %v, want finite and not negative: %w", j, v, ErrRange)
		}
	}
	mean, err := m.Expected(nil, a)
	if err != nil {
		return nil, err
	}
	info := make([]float64, m.k*m.k)
	for i, mi := range mean {
		if mi == 0 {
			if m.reachable[i] {
				return nil, fmt.Errorf("poisson: mixture: channel %d expects no counts although a template is positive there; want amplitudes that fill it: %w", i, ErrRange)
			}
			continue
		}
		for j := range m.k {
			tj := m.unit[j*m.c+i] * m.sum[j]
			if tj == 0 {
				continue
			}
			for l := 0; l <= j; l++ {
				info[j*m.k+l] += tj * m.unit[l*m.c+i] * m.sum[l] / mi
			}
		}
	}
	for j := range m.k {
		for l := range j {
			info[l*m.k+j] = info[j*m.k+l]
		}
	}
	return info, nil
}

// CramerRao returns the Cramér–Rao bound, the least covariance (K×K, row by
// row) of any unbiased estimate of all K amplitudes at the true amplitudes a:
// the inverse of Information. It returns an error wrapping ErrSingular if the
// templates cannot be told apart. A known component is no parameter: invert the
// rest of Information instead.
func (m *Mixture) CramerRao(a []float64) ([]float64, error) {
	info, err := m.Information(a)
	if err != nil {
		return nil, err
	}
	k := m.k
	// Scale to a unit diagonal, which leaves only the true correlations.
	scale := make([]float64, k)
	for j := range k {
		if !(info[j*k+j] > 0) {
			return nil, fmt.Errorf("poisson: mixture: template %d is zero everywhere: %w", j, ErrSingular)
		}
		scale[j] = 1 / math.Sqrt(info[j*k+j])
	}
	for j := range k {
		for l := range k {
			info[j*k+l] *= scale[j] * scale[l]
		}
	}
	if !cholesky(info, k) {
		return nil, fmt.Errorf("poisson: mixture: information is singular: %w", ErrSingular)
	}
	cov := make([]float64, k*k)
	x := make([]float64, k)
	for j := range k {
		clear(x)
		x[j] = 1
		choleskySolve(info, k, x)
		for l := range k {
			cov[j*k+l] = x[l] * scale[j] * scale[l]
		}
	}
	return cov, nil
}

// GoodnessOfFit returns z = (C − E)/sqrt(V) for a fit by this mixture, with C
// the deviance of the result. It is about standard normal under a true model,
// however few counts a channel holds, once some hundred counts are summed.
// E and V are the sums of ExpectedDeviance over the channels, corrected for
// the fitting of the p amplitudes above zero. E is lowered by p (Wilks 1938) and
// by half the sum of the second derivative of the expected deviance times the
// variance of the fitted m_i, because E is taken at the fitted model. V is
// lowered by 2·p and by cᵀ·I⁻¹·c, the part of the deviance that goes up and down
// with the fitted amplitudes, where c_j = Σ cov_i·t_ij/m_i and cov_i is the
// covariance of the deviance of channel i with its count (McCullagh 1986, J. Am.
// Stat. Assoc. 81, 104). Simulated with four parameters and 80 counts in 400
// channels, z has mean −0.01 and variance 1.06. It returns NaN if nothing is left of V, if the free
// templates cannot be told apart and for counts outside every template, which
// no amplitude explains. It takes the time of a few deviations per channel:
// about 0.2 ms for 1024 channels.
func (m *Mixture) GoodnessOfFit(res *MixtureResult, scratch *MixtureScratch) float64 {
	if len(res.Amplitude) != m.k || res.Outside > 0 {
		return math.NaN()
	}
	s, k := scratch, m.k
	s.wide = grow(s.wide, (k+2)*m.c)
	mean, weight, b := s.wide[:m.c], s.wide[m.c:2*m.c], s.wide[2*m.c:]
	s.free = grow(s.free, k)[:0]
	s.hess, s.step, s.grad = grow(s.hess, k*k), grow(s.step, k), grow(s.grad, k)
	clear(mean)
	for j, a := range res.Amplitude {
		if a > 0 {
			s.free = append(s.free, j)
			floats.AddScaled(mean, a*m.sum[j], m.unit[j*m.c:(j+1)*m.c])
		}
	}
	f := len(s.free)
	inverseRoots(weight, mean)
	for p, j := range s.free {
		floats.MulTo(b[p*m.c:(p+1)*m.c], m.unit[j*m.c:(j+1)*m.c], weight)
		for q := 0; q <= p; q++ {
			s.hess[p*f+q] = floats.Dot(b[p*m.c:(p+1)*m.c], b[q*m.c:(q+1)*m.c])
		}
	}
	sumE, sumV := -float64(f), -2*float64(f)
	for i, mi := range mean {
		d := devianceMoments(mi)
		sumE += d.mean
		sumV += d.variance
		weight[i] *= d.covariance  // cov/√m
		mean[i] = mi * d.curvature // of use below
	}
	for p := range f {
		s.step[p] = floats.Dot(b[p*m.c:(p+1)*m.c], weight)
		s.grad[p] = s.step[p]
	}
	if !cholesky(s.hess, f) {
		return math.NaN()
	}
	choleskySolve(s.hess, f, s.step[:f])
	sumV -= floats.Dot(s.grad[:f], s.step[:f])
	// With L·Lᵀ = I and L·y = t/√m the variance of m_i is m_i·|y|².
	for p := range f {
		row := b[p*m.c : (p+1)*m.c]
		for q := range p {
			floats.AddScaled(row, -s.hess[p*f+q], b[q*m.c:(q+1)*m.c])
		}
		floats.Scale(1/s.hess[p*f+p], row)
		for i, y := range row {
			sumE -= mean[i] * y * y / 2
		}
	}
	if !(sumV > 0) {
		return math.NaN()
	}
	return (res.Deviance - sumE) / math.Sqrt(sumV)
}
