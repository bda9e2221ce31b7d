package poisson

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
)

const (
	// maxNewtonSteps bounds the Newton steps of one fit; simulated map
	// spectra need 4 to 8.
	maxNewtonSteps = 100
	// emStarts is the number of expectation-maximisation steps before the
	// first Newton step; they cost a fifth of one and bring the start into
	// its reach.
	emStarts = 2
	// convergedDecrement is the squared Newton decrement (distance to the
	// optimum in standard deviations, squared) below which the step just
	// computed is the last: the error left after it is of the order of its
	// square.
	convergedDecrement = 1e-10
	// releaseGradient is the relative gradient below which an amplitude at
	// zero is set free again; the gain in ln L lost by it is below 1e-18
	// per count.
	releaseGradient = 1e-9
)

// Fit finds the amplitudes a_j ≥ 0 that maximise the Poisson likelihood of a
// sparse spectrum: counts[i] counts in channel channels[i]. Each channel
// appears at most once, in any order; counts are finite and not negative and
// may be fractions; channels not named hold no count. The result is written to
// dst. No memory is allocated once dst and scratch have grown.
//
// Method: all amplitudes equal, then steps of expectation maximisation
// (Richardson 1972; Lucy 1974; Shepp & Vardi 1982), then Newton steps on the
// observed information over the channels with counts, on the amplitudes not
// held at zero (a_j = 0 with ∂ln L/∂a_j < 0), projected and halved until the
// likelihood grows (Bertsekas 1982, SIAM J. Control Optim. 20, 221). The
// diagonal damping of a step is a multiple of the curvature that turns it into
// an expectation-maximisation step, and vanishes with the square of the
// distance to the optimum. Every iterate is scaled so that Σm = Σn, which
// holds at the optimum of any linear model.
//
// The error is non-nil, and dst holds NotConverged, only for invalid input.
func (m *Mixture) Fit(dst *MixtureResult, channels []int32, counts []float64, scratch *MixtureScratch) error {
	dst.Amplitude = grow(dst.Amplitude, m.k)
	clear(dst.Amplitude)
	dst.Covariance, dst.Sigma = dst.Covariance[:0], dst.Sigma[:0]
	dst.Deviance, dst.Outside, dst.Status, dst.Iterations = 0, 0, NotConverged, 0

	s := scratch
	total, outside, err := m.gather(s, channels, counts)
	if err != nil {
		return err
	}
	dst.Outside = outside
	if total == 0 {
		dst.Status = Empty
		return nil
	}
	m.start(s, total)
	dst.Iterations, dst.Status = m.newton(s, total)

	for j, aj := range s.a {
		if aj > 0 {
			dst.Amplitude[j] = aj / m.sum[j]
		}
	}
	// Σm = Σn, so only Σ n·ln(n/m) is left of the deviance; summed as terms
	// of the deviance it loses no digits at high counts.
	sumMean := 0.0
	for i, n := range s.count {
		dst.Deviance += DevianceTerm(n, s.mean[i])
		sumMean += s.mean[i]
	}
	dst.Deviance += 2 * math.Max(0, total-sumMean) // the channels without counts
	return nil
}

// gather checks the sparse spectrum and copies counts and templates at its
// reachable channels into the scratch.
func (m *Mixture) gather(s *MixtureScratch, channels []int32, counts []float64) (total, outside float64, err error) {
	if len(channels) != len(counts) {
		return 0, 0, fmt.Errorf("poisson: mixture: got %d channels and %d counts, want equal numbers: %w", len(channels), len(counts), ErrRange)
	}
	if len(s.stamp) < m.c {
		s.stamp, s.generation = make([]uint32, m.c), 0
	}
	s.generation++
	if s.generation == 0 { // wrapped
		clear(s.stamp)
		s.generation = 1
	}
	s.channel, s.count = grow(s.channel, len(channels))[:0], grow(s.count, len(channels))[:0]
	for i, ch := range channels {
		n := counts[i]
		if uint(ch) >= uint(m.c) {
			return 0, 0, fmt.Errorf("poisson: mixture: entry %d: channel %d, want 0 to %d: %w", i, ch, m.c-1, ErrRange)
		}
		if !(n >= 0) || n > math.MaxFloat64/4 {
			return 0, 0, fmt.Errorf("poisson: mixture: entry %d, channel %d: count %v, want finite and not negative: %w", i, ch, n, ErrRange)
		}
		if s.stamp[ch] == s.generation {
			return 0, 0, fmt.Errorf("poisson: mixture: entry %d: channel %d appears twice: %w", i, ch, ErrRange)
		}
		s.stamp[ch] = s.generation
		switch {
		case n == 0:
		case !m.reachable[ch]:
			outside += n
		default:
			s.channel = append(s.channel, ch)
			s.count = append(s.count, n)
			total += n
		}
	}
	nn := len(s.channel)
	s.t = grow(s.t, m.k*nn)
	s.usable = grow(s.usable, m.k)
	for j := range m.k {
		row := s.t[j*nn : (j+1)*nn]
		unit := m.unit[j*m.c : (j+1)*m.c]
		var most float64
		for i, ch := range s.channel {
			v := unit[ch]
			row[i] = v
			most = math.Max(most, v)
		}
		s.usable[j] = most > 0
	}
	s.mean, s.next, s.weight = grow(s.mean, nn), grow(s.next, nn), grow(s.weight, nn)
	s.b = grow(s.b, m.k*nn)
	s.a, s.trial = grow(s.a, m.k), grow(s.trial, m.k)
	s.grad, s.step = grow(s.grad, m.k), grow(s.step, m.k)
	s.hess, s.chol = grow(s.hess, m.k*m.k), grow(s.chol, m.k*m.k)
	s.free = grow(s.free, m.k)
	return total, outside, nil
}

// expect writes Σ a_j·t_j at the channels with counts to dst.
func (s *MixtureScratch) expect(dst, a []float64) {
	nn := len(dst)
	clear(dst)
	for j, aj := range a {
		if aj > 0 {
			floats.AddScaled(dst, aj, s.t[j*nn:(j+1)*nn])
		}
	}
}

// gradient writes 1 − Σ t_ij·n_i/m_i, the derivative of −ln L by the
// amplitude of unit-sum template j, to s.grad; 0 for templates not usable.
func (s *MixtureScratch) gradient() {
	nn := len(s.mean)
	for i, n := range s.count {
		s.weight[i] = n / s.mean[i]
	}
	for j := range s.grad {
		s.grad[j] = 0
		if s.usable[j] {
			s.grad[j] = 1 - floats.Dot(s.t[j*nn:(j+1)*nn], s.weight)
		}
	}
}

// start sets equal amplitudes and improves them by expectation maximisation.
func (m *Mixture) start(s *MixtureScratch, total float64) {
	var usable float64
	for _, u := range s.usable {
		if u {
			usable++
		}
	}
	for j, u := range s.usable {
		s.a[j] = 0
		if u {
			s.a[j] = total / usable
		}
	}
	s.expect(s.mean, s.a)
	for range emStarts {
		s.gradient()
		s.emStep()
	}
}

// emStep takes one step of expectation maximisation from the current gradient:
// a_j ← a_j·Σ t_ij·n_i/m_i (Shepp & Vardi 1982). It keeps Σm = Σn and never
// lowers the likelihood.
func (s *MixtureScratch) emStep() {
	for j, g := range s.grad {
		s.a[j] *= 1 - g
	}
	s.expect(s.mean, s.a)
}

// newton iterates to the optimum from s.a, s.mean and returns the number of
// steps.
func (m *Mixture) newton(s *MixtureScratch, total float64) (int, Status) {
	logL := logSum(s.count, s.mean)
	damping := 1e-2
	for it := 1; it <= maxNewtonSteps; it++ {
		s.gradient()
		s.free = s.free[:0]
		for j, g := range s.grad {
			if s.usable[j] && (s.a[j] > 0 || g < -releaseGradient) {
				s.free = append(s.free, j)
			}
		}
		decrement := s.newtonStep(damping, total)
		for !(decrement >= 0) { // not positive definite to rounding
			damping = math.Max(10*damping, 1e-8)
			decrement = s.newtonStep(damping, total)
		}
		last := decrement < convergedDecrement
		accepted := false
		for size := 1.0; size > 1e-3; size /= 2 {
			slope := s.tryStep(size, total)
			if last {
				s.a, s.trial = s.trial, s.a
				s.mean, s.next = s.next, s.mean
				return it, Converged
			}
			next := logSum(s.count, s.next)
			// Armijo's condition along the projected arc; the last term is
			// the rounding of the sum.
			if next >= logL-1e-4*slope-1e-14*math.Abs(logL) {
				s.a, s.trial = s.trial, s.a
				s.mean, s.next = s.next, s.mean
				logL, accepted = next, true
				if size < 1 {
					damping = math.Min(1, 3*damping)
				} else {
					damping = math.Min(damping/10, decrement)
				}
				break
			}
		}
		if !accepted {
			s.emStep()
			logL = logSum(s.count, s.mean)
			damping = math.Min(1, 100*math.Max(damping, 1e-6))
		}
	}
	return maxNewtonSteps, NotConverged
}

// newtonStep solves (H + damping·D)·step = −grad on the free amplitudes, H
// being the observed information Σ t_ij·t_ik·n_i/m_i² and D the curvature
// (1 − g_j)/a_j of expectation maximisation. It returns the squared Newton
// decrement, or NaN if the matrix is not positive definite.
func (s *MixtureScratch) newtonStep(damping, total float64) float64 {
	nn := len(s.mean)
	for i, n := range s.count {
		s.weight[i] = math.Sqrt(n) / s.mean[i]
	}
	f := len(s.free)
	for p, j := range s.free {
		floats.MulTo(s.b[p*nn:(p+1)*nn], s.t[j*nn:(j+1)*nn], s.weight)
	}
	for p, j := range s.free {
		bp := s.b[p*nn : (p+1)*nn]
		for q := 0; q <= p; q++ {
			s.hess[p*f+q] = floats.Dot(bp, s.b[q*nn:(q+1)*nn])
		}
		// An amplitude that leaves zero has no curvature of its own yet;
		// one hundredth of its share stands in.
		aj := math.Max(s.a[j], 0.01*total/float64(len(s.a)))
		s.hess[p*f+p] += damping * math.Max(1-s.grad[j], 0.01) / aj
		s.step[p] = -s.grad[j]
	}
	if !cholesky(s.hess, f) {
		return math.NaN()
	}
	choleskySolve(s.hess, f, s.step)
	var dec float64
	for p, j := range s.free {
		dec -= s.step[p] * s.grad[j]
	}
	return math.Max(0, dec)
}

// tryStep writes max(0, a + size·step), scaled to the total count, to s.trial
// and its expected counts to s.next. It returns grad·(trial − a).
func (s *MixtureScratch) tryStep(size, total float64) float64 {
	copy(s.trial, s.a)
	for p, j := range s.free {
		s.trial[j] = math.Max(0, s.a[j]+size*s.step[p])
	}
	sum := floats.Sum(s.trial)
	if !(sum > 0) {
		clear(s.next)
		return 0
	}
	floats.Scale(total/sum, s.trial)
	var slope float64
	for _, j := range s.free {
		slope += s.grad[j] * (s.trial[j] - s.a[j])
	}
	s.expect(s.next, s.trial)
	return slope
}

// logSum returns Σ n·ln m, −Inf if an m is not positive. Factors with small
// whole powers are multiplied up and logged together.
func logSum(count, mean []float64) float64 {
	sum, prod := 0.0, 1.0
	for i, n := range count {
		m := mean[i]
		if !(m > 1e-60) || m > 1e60 {
			sum += n * math.Log(m)
			continue
		}
		switch n {
		case 1:
			prod *= m
		case 2:
			prod *= m * m
		default:
			sum += n * math.Log(m)
			continue
		}
		if prod < 1e-150 || prod > 1e150 {
			sum += math.Log(prod)
			prod = 1
		}
	}
	sum += math.Log(prod)
	if math.IsNaN(sum) {
		return math.Inf(-1)
	}
	return sum
}

// cholesky replaces the lower triangle of the n×n matrix h (row by row) by its
// Cholesky factor. It reports false if a pivot is below 1e-14 of its diagonal
// entry, that is, if the matrix is singular to rounding.
func cholesky(h []float64, n int) bool {
	for i := range n {
		hi := h[i*n : i*n+i+1]
		diag := hi[i]
		for j := range i {
			hj := h[j*n : j*n+j+1]
			v := hi[j]
			for k := range j {
				v -= hi[k] * hj[k]
			}
			hi[j] = v / hj[j]
			diag -= hi[j] * hi[j]
		}
		if !(diag > 1e-14*hi[i]) {
			return false
		}
		hi[i] = math.Sqrt(diag)
	}
	return true
}

// choleskySolve solves h·x = b for the factor h from cholesky; b becomes x.
func choleskySolve(h []float64, n int, b []float64) {
	for i := range n {
		v := b[i]
		for k := range i {
			v -= h[i*n+k] * b[k]
		}
		b[i] = v / h[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		v := b[i]
		for k := i + 1; k < n; k++ {
			v -= h[k*n+i] * b[k]
		}
		b[i] = v / h[i*n+i]
	}
}
