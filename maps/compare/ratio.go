package compare

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// sample is mean and squared standard error of a density over replicates.
type sample struct {
	mean, variance float64
	n              int
}

// sampleOf returns the area-weighted density of the units and its variance
// from their scatter: that of a ratio of sums (Cochran 1977, Sampling Techniques,
// eq. 2.39 and 6.9, without finite-population correction).
func sampleOf(us []unit, value func(unit) float64) sample {
	v, a := 0.0, 0.0
	for _, u := range us {
		v += value(u)
		a += u.area
	}
	s := sample{mean: v / a, variance: math.NaN(), n: len(us)}
	if len(us) < 2 {
		return s
	}
	t := 0.0
	for _, u := range us {
		d := value(u) - s.mean*u.area
		t += d * d
	}
	n := float64(len(us))
	s.variance = t * n / (n - 1) / (a * a)
	return s
}

// welch returns the degrees of freedom of a difference (Welch 1947, Biometrika
// 34, 28, in Satterthwaite's form).
func welch(a, b sample) float64 {
	s := a.variance + b.variance
	if s == 0 {
		return float64(a.n + b.n - 2)
	}
	return s * s / (a.variance*a.variance/float64(a.n-1) + b.variance*b.variance/float64(b.n-1))
}

// fieller returns the interval of a ratio of two independent means, treated
// over blank (Fieller 1954, J. R. Stat. Soc. B 16, 175). bounded is false when
// the blank mean does not differ from zero at this level: the interval then has
// no upper end.
func fieller(a, b sample, level float64) (low, high float64, bounded bool) {
	if math.IsNaN(a.variance) || math.IsNaN(b.variance) {
		return math.NaN(), math.NaN(), false
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: welch(a, b)}.Quantile(0.5 + level/2)
	// Roots of (a − R·b)² = t²·(va + R²·vb).
	p := b.mean*b.mean - t*t*b.variance
	q := a.mean * b.mean
	c := a.mean*a.mean - t*t*a.variance
	disc := q*q - p*c
	switch {
	case p > 0:
		d := math.Sqrt(math.Max(0, disc))
		return (q - d) / p, (q + d) / p, true
	case disc > 0 && c > 0:
		// Everything above the smaller positive root; negative ratios are of no
		// interest.
		return c / (q + math.Sqrt(disc)), math.Inf(1), false
	}
	return 0, math.Inf(1), false
}

// differenceInterval is Welch's interval of treated minus blank.
func differenceInterval(a, b sample, level float64) (low, high float64) {
	if math.IsNaN(a.variance) || math.IsNaN(b.variance) {
		return math.NaN(), math.NaN()
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: welch(a, b)}.Quantile(0.5 + level/2)
	h := t * math.Sqrt(a.variance+b.variance)
	d := a.mean - b.mean
	return d - h, d + h
}
