package poisson

import (
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

// newton iterates to the optimum from s.a, s.mean and returns the number of
// steps.
func (m *Mixture) newton(s *MixtureScratch, total float64) (int, Status) {
	logL := logSum(s.count, s.mean)
	damping := 1e-2
	lastTrusted := math.Inf(1)
	for it := 1; it <= maxNewtonSteps; it++ {
		s.gradient()
		s.chooseFree(total)
		decrement := s.newtonStep(damping, total)
		for !(decrement >= 0) && damping < 1 { // not positive definite to rounding
			damping = math.Max(10*damping, 1e-8)
			decrement = s.newtonStep(damping, total)
		}
		// A predicted gain below the rounding of the likelihood cannot be
		// tested: such steps are trusted as long as they get shorter.
		trusted := decrement < math.Max(convergedDecrement, 1e-13*math.Max(total, math.Abs(logL)))
		if trusted {
			s.tryStep(1, total)
			s.a, s.trial = s.trial, s.a
			s.mean, s.next = s.next, s.mean
			if decrement < convergedDecrement || decrement > lastTrusted/2 {
				return it, Converged
			}
			lastTrusted = decrement
			logL = logSum(s.count, s.mean)
			damping /= 10
			continue
		}
		next, size, ok := s.search(logL, total)
		switch {
		case !ok || !(decrement >= 0):
			s.emStep()
			logL = logSum(s.count, s.mean)
			damping = math.Min(1, 100*math.Max(damping, 1e-6))
			continue
		case size < 1:
			damping = math.Min(1, 3*damping)
		default:
			damping = math.Min(damping/10, decrement)
		}
		s.a, s.trial = s.trial, s.a
		s.mean, s.next = s.next, s.mean
		logL = next
	}
	return maxNewtonSteps, NotConverged
}

// search looks for a step size that raises the likelihood enough (Armijo's
// condition) and leaves its end in s.trial, s.next: first along the projected arc, at sizes 1,
// 1/2 and 1/4, then along the straight line as far as the first amplitude to
// reach zero, on which a Newton step cannot fail.
func (s *MixtureScratch) search(logL, total float64) (next, size float64, ok bool) {
	enough := func(slope float64) bool {
		next = logSum(s.count, s.next)
		// The last term is the rounding of the sum.
		return next >= logL+1e-4*math.Max(0, -slope)-1e-14*math.Abs(logL)
	}
	for size = 1; size > 0.2; size /= 2 {
		if enough(s.tryStep(size, total)) {
			return next, size, true
		}
	}
	first := 1.0
	for p, j := range s.free {
		if d := s.step[p]; d < 0 && s.a[j] > 0 {
			first = math.Min(first, -s.a[j]/d)
		}
	}
	for size = first; size > 1e-6*first; size /= 2 {
		if enough(s.tryStep(size, total)) {
			return next, math.Min(size, 0.5), true
		}
	}
	return logL, 0, false
}

// chooseFree lists the amplitudes that the next step moves freely: those above
// zero and those at zero whose increase raises the likelihood. An amplitude
// that is almost zero already, and whose own Newton step would take it there,
// is not free but goes to zero: in the joint system its clipped step would
// spoil the direction of the others (Bertsekas 1982, section 2).
func (s *MixtureScratch) chooseFree(total float64) {
	const almostZero = 1e-6 // share of the counts
	s.free = s.free[:0]
	nn := len(s.mean)
	for j, g := range s.grad {
		a := s.a[j]
		if !s.usable[j] || a == 0 && g >= -releaseGradient {
			continue
		}
		if g > 0 && a < almostZero*total {
			var info float64
			for i, t := range s.t[j*nn : (j+1)*nn] {
				v := t * s.root[i] * s.inverse[i]
				info += v * v
			}
			if a*info <= g {
				continue
			}
		}
		s.free = append(s.free, j)
	}
}

// newtonStep solves (H + damping·D)·step = −grad on the free amplitudes, H
// being the observed information Σ t_ij·t_ik·n_i/m_i² and D the curvature
// (1 − g_j)/a_j of expectation maximisation. It returns the squared Newton
// decrement, or NaN if the matrix is not positive definite.
func (s *MixtureScratch) newtonStep(damping, total float64) float64 {
	nn := len(s.mean)
	for i, v := range s.inverse {
		s.weight[i] = s.root[i] * v
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
	for j, a := range s.a {
		s.trial[j] = (1 - size) * a // amplitudes that are not free go to zero
	}
	for p, j := range s.free {
		v := s.a[j] + size*s.step[p]
		if v <= 1e-14*s.a[j] {
			v = 0 // reached to rounding
		}
		s.trial[j] = v
	}
	sum := floats.Sum(s.trial)
	if !(sum > 0) {
		clear(s.next)
		return 0
	}
	floats.Scale(total/sum, s.trial)
	var slope float64
	for j, g := range s.grad {
		slope += g * (s.trial[j] - s.a[j])
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
