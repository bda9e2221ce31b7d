package poisson

import (
	"cmp"
	"math"
	"slices"
)

// normalBackground is the background from which RatioThreshold uses the normal
// law in place of the Poisson law; the discreteness is below a percent of the
// width there.
const normalBackground = 400

// RatioThreshold returns the value that the likelihood ratio
// −2 ln[P(n|s+b)/P(n|max(n, b))] does not exceed with a probability of at least
// level, for a Poisson count n of expectation s + b, the signal s ≥ 0 unknown and
// the background b ≥ 0 known, 0 < level < 1. All s whose ratio stays at or below
// it form the interval of Feldman & Cousins. Far from zero and at high counts it
// is the quantile of χ² with one degree of freedom, 3.84 at 95 %; near s = 0 it
// is less. NaN for arguments outside these ranges.
//
// Source: Feldman & Cousins (1998), Phys. Rev. D 57, 3873, sections III (normal
// law with boundary) and IV (Poisson law).
func RatioThreshold(s, b, level float64) float64 {
	if !(s >= 0) || !(b >= 0) || math.IsInf(s, 1) || math.IsInf(b, 1) || !(level > 0 && level < 1) {
		return math.NaN()
	}
	if b > normalBackground || s > 1e4 {
		return normalThreshold(s/math.Sqrt(s+b), level)
	}
	mu := s + b
	if mu == 0 {
		return 0
	}
	reach := 8*math.Sqrt(mu) + 12
	first, last := int(math.Max(0, mu-reach)), int(mu+reach)
	type term struct{ q, p float64 }
	terms := make([]term, 0, last-first+1)
	for n := first; n <= last; n++ {
		k := float64(n)
		best := math.Max(k, b)
		q := 2 * (mu - best)
		if n > 0 {
			q += 2 * k * math.Log(best/mu)
		}
		terms = append(terms, term{q, math.Exp(logPMF(n, mu))})
	}
	slices.SortFunc(terms, func(a, b term) int { return cmp.Compare(a.q, b.q) })
	sum := 0.0
	for _, t := range terms {
		if sum += t.p; sum >= level-1e-12 {
			return math.Max(0, t.q)
		}
	}
	return math.Max(0, terms[len(terms)-1].q)
}

// normalThreshold is RatioThreshold for a normal estimate of unit width and
// expectation t ≥ 0, the estimate being cut at zero.
func normalThreshold(t, level float64) float64 {
	cdf := func(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }
	lo, hi := 0.0, 60.0
	for range 60 {
		c := (lo + hi) / 2
		x1 := t - math.Sqrt(c)
		if x1 < 0 {
			x1 = math.Inf(-1)
			if t > 0 {
				x1 = (t*t - c) / (2 * t)
			}
		}
		if cdf(math.Sqrt(c))-cdf(x1-t) < level {
			lo = c
		} else {
			hi = c
		}
	}
	return (lo + hi) / 2
}
