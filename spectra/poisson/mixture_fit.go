package poisson

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
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
// The error is non-nil for invalid input only; dst then holds NotConverged.
// Data that defeat the fit are a Status, not an error.
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
		var sum float64
		for i, ch := range s.channel {
			v := unit[ch]
			row[i] = v
			sum += v
		}
		s.usable[j] = sum > 0
	}
	s.root = grow(s.root, nn)
	for i, n := range s.count {
		s.root[i] = math.Sqrt(n)
	}
	s.mean, s.next = grow(s.mean, nn), grow(s.next, nn)
	s.inverse, s.weight = grow(s.inverse, nn), grow(s.weight, nn)
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
// amplitude of unit-sum template j, to s.grad; 0 for templates not usable. It
// leaves 1/m_i in s.inverse.
func (s *MixtureScratch) gradient() {
	nn := len(s.mean)
	for i, n := range s.count {
		v := 1 / s.mean[i]
		s.inverse[i], s.weight[i] = v, n*v
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
