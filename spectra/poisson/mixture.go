package poisson

import (
	"fmt"
	"math"
	"slices"
)

// Status says how an iterative fit ended.
type Status int

// NotConverged is the zero value so that an unfilled result never looks good.
const (
	NotConverged Status = iota // the step limit was reached, or the data allow no fit
	Converged                  // the optimum was reached within the stated tolerance
	Empty                      // there was no count to fit; all amplitudes are zero
)

// String returns the status in words.
func (s Status) String() string {
	switch s {
	case NotConverged:
		return "not converged"
	case Converged:
		return "converged"
	case Empty:
		return "empty"
	}
	return fmt.Sprintf("Status(%d)", int(s))
}

// Mixture fits counts per channel by a sum of fixed templates with
// non-negative amplitudes, m = Σ a_j·t_j, by Poisson maximum likelihood. It is
// immutable and safe for use by many goroutines, each with its own
// MixtureScratch.
//
// The time of a fit grows with the number of counts, not of channels: the
// expected counts of the empty channels enter through the template sums only.
type Mixture struct {
	k, c      int
	unit      []float64 // templates of unit sum, k rows of c channels
	sum       []float64 // sum of each template as given
	from, to  []int     // of each template: the channels outside which it is nothing, to 1e-13 of its top
	reachable []bool    // by channel: some template is positive there
}

// NewMixture returns a mixture of K ≥ 1 templates over C ≥ 1 channels. Entries
// are finite and not negative; the sum of a template sets the unit of its
// amplitude (with unit sums amplitudes are counts). A template of zero sum is
// allowed: its amplitude is always 0 and its uncertainty NaN. The templates
// are copied.
func NewMixture(templates [][]float64) (*Mixture, error) {
	if len(templates) == 0 || len(templates[0]) == 0 {
		return nil, fmt.Errorf("poisson: mixture of %d templates, want at least one of at least one channel: %w", len(templates), ErrRange)
	}
	k, c := len(templates), len(templates[0])
	if c > math.MaxInt32 {
		return nil, fmt.Errorf("poisson: mixture of %d channels, want at most %d: %w", c, math.MaxInt32, ErrRange)
	}
	m := &Mixture{k: k, c: c, unit: make([]float64, k*c), sum: make([]float64, k),
		from: make([]int, k), to: make([]int, k), reachable: make([]bool, c)}
	for j, t := range templates {
		if len(t) != c {
			return nil, fmt.Errorf("poisson: mixture: template %d has %d channels, template 0 has %d: %w", j, len(t), c, ErrRange)
		}
		var sum float64
		for i, v := range t {
			if !(v >= 0) || math.IsInf(v, 1) {
				return nil, fmt.Errorf("poisson: mixture: template %d, channel %d: value %v, want finite and not negative: %w", j, i, v, ErrRange)
			}
			sum += v
		}
		if math.IsInf(sum, 1) {
			return nil, fmt.Errorf("poisson: mixture: template %d: sum overflows: %w", j, ErrRange)
		}
		m.sum[j] = sum
		if sum == 0 {
			continue
		}
		for i, v := range t {
			m.unit[j*c+i] = v / sum
			if v > 0 {
				m.reachable[i] = true
			}
		}
		least := 1e-13 * slices.Max(t)
		m.from[j] = slices.IndexFunc(t, func(v float64) bool { return v > least })
		for m.to[j] = c; t[m.to[j]-1] <= least; {
			m.to[j]--
		}
	}
	return m, nil
}

// Templates returns the number K of templates.
func (m *Mixture) Templates() int { return m.k }

// Channels returns the number C of channels.
func (m *Mixture) Channels() int { return m.c }

// MixtureResult is the result of one fit. Reuse it: its slices are grown once
// and then kept.
type MixtureResult struct {
	// Amplitude holds the K estimates, ≥ 0, in units of the templates.
	Amplitude []float64
	// Deviance is the Poisson deviance over all channels, those without
	// counts included, those of Outside excluded.
	Deviance float64
	// Outside is the number of counts in channels where every template is
	// zero. No amplitude can explain them; they take no part in the fit.
	Outside float64
	// Status is Converged if the amplitudes lie within about 1e-7 standard
	// deviations of the optimum.
	Status Status
	// Iterations is the number of Newton steps.
	Iterations int
	// Covariance (K×K, row by row) and Sigma (K) are filled by
	// Mixture.Covariance only; Fit sets their length to zero.
	Covariance []float64
	Sigma      []float64
}

// MixtureScratch is the working memory of one goroutine. The zero value is
// ready; results do not depend on what it was used for before.
type MixtureScratch struct {
	stamp      []uint32 // by channel, equals generation if seen in this fit
	generation uint32
	channel    []int32   // fitted channels with counts
	count      []float64 // their counts
	t          []float64 // templates at these channels, k rows
	b          []float64 // weighted templates, one row per free template
	root       []float64 // square roots of the counts
	mean, next []float64 // expected counts there, current and trial
	inverse    []float64 // 1/mean
	weight     []float64
	a, trial   []float64 // amplitudes of unit-sum templates
	grad, step []float64
	hess, chol []float64
	info       []float64 // information of the free templates
	free       []int
	usable     []bool // template overlaps a count
	wide       []float64
}

// grow returns s with length n, keeping its memory if it is large enough. The
// contents are arbitrary.
func grow[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	return s[:n]
}

// FitDense fits one dense spectrum of C counts (finite, not negative) and
// returns the result with covariance and sigma.
func (m *Mixture) FitDense(counts []float64) (*MixtureResult, error) {
	if len(counts) != m.c {
		return nil, fmt.Errorf("poisson: mixture: got %d channels of counts, want %d: %w", len(counts), m.c, ErrRange)
	}
	var channels []int32
	var values []float64
	for i, n := range counts {
		if n != 0 {
			channels = append(channels, int32(i))
			values = append(values, n)
		}
	}
	var res MixtureResult
	var scratch MixtureScratch
	if err := m.Fit(&res, channels, values, &scratch); err != nil {
		return nil, err
	}
	m.Covariance(&res, &scratch)
	return &res, nil
}

// Expected returns the expected counts Σ a_j·t_j per channel for K amplitudes
// a, in dst if that has room for C values.
func (m *Mixture) Expected(dst, a []float64) ([]float64, error) {
	if len(a) != m.k {
		return nil, fmt.Errorf("poisson: mixture: got %d amplitudes, want %d: %w", len(a), m.k, ErrRange)
	}
	dst = grow(dst, m.c)
	clear(dst)
	for j, aj := range a {
		if m.sum[j] == 0 {
			continue
		}
		f := aj * m.sum[j]
		for i, u := range m.unit[j*m.c : (j+1)*m.c] {
			dst[i] += f * u
		}
	}
	return dst, nil
}
