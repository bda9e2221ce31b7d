package poisson

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// NegativeBinomial describes counts of clustered things over equal fields:
// mean μ and variance μ + μ²/K. K = +Inf is the Poisson law.
type NegativeBinomial struct {
	Mean          float64
	K             float64 // by maximum likelihood; +Inf if the counts scatter no more than Poisson counts
	KMoments      float64 // mean²/(s² − mean), +Inf likewise
	LogLikelihood float64 // at Mean and K
}

// NegativeBinomialFit fits the negative binomial law to counts from at least
// two equal fields. The mean is the arithmetic mean, which is also the maximum
// of the likelihood for every K; K solves the likelihood equation
// Σ[ψ(n+K) − ψ(K)] = N·ln(1 + mean/K).
//
// Source: Anscombe (1950), Biometrika 37, 358; a finite solution exists if and
// only if Σ(n − mean)²/N > mean (Levin & Reeds 1977, Ann. Stat. 5, 79).
func NegativeBinomialFit(counts []int) (NegativeBinomial, error) {
	var nb NegativeBinomial
	mean, variance := countMoments(counts)
	if len(counts) < 2 || math.IsNaN(mean) {
		return nb, fmt.Errorf("poisson: negative binomial: %d counts, want at least two, none negative: %w", len(counts), ErrRange)
	}
	nb.Mean, nb.K, nb.KMoments = mean, math.Inf(1), math.Inf(1)
	if variance > mean {
		nb.KMoments = mean * mean / (variance - mean)
	}
	n := float64(len(counts))
	if variance*(n-1)/n > mean {
		score := func(lnK float64) float64 {
			k := math.Exp(lnK)
			s := -n * math.Log1p(mean/k)
			for _, c := range counts {
				s += digammaStep(c, k)
			}
			return s
		}
		// The score falls through zero once; it is positive for small k.
		lo, hi := -30.0, 0.0
		for score(hi) > 0 && hi < 40 {
			hi += 2
		}
		nb.K = math.Exp(bisect(func(x float64) bool { return score(x) > 0 }, lo, hi))
	}
	for _, c := range counts {
		nb.LogLikelihood += negBinLogPMF(c, mean, nb.K)
	}
	return nb, nil
}

// bisect returns the point in (lo, hi) where cond goes from true to false.
func bisect(cond func(float64) bool, lo, hi float64) float64 {
	for range 200 {
		mid := lo + (hi-lo)/2
		if mid == lo || mid == hi {
			break
		}
		if cond(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + (hi-lo)/2
}

// digammaStep returns ψ(n+k) − ψ(k) = Σ 1/(k+i), i = 0 … n−1.
func digammaStep(n int, k float64) float64 {
	if n > 1000 {
		return mathext.Digamma(float64(n)+k) - mathext.Digamma(k)
	}
	var s float64
	for i := n - 1; i >= 0; i-- {
		s += 1 / (k + float64(i))
	}
	return s
}

// negBinLogPMF returns ln P(N = n) for mean mu ≥ 0 and parameter k > 0, which
// may be +Inf.
func negBinLogPMF(n int, mu, k float64) float64 {
	if mu == 0 {
		if n == 0 {
			return 0
		}
		return math.Inf(-1)
	}
	if math.IsInf(k, 1) {
		return logPMF(n, mu)
	}
	fn := float64(n)
	lf, _ := math.Lgamma(fn + 1)
	return logRising(n, k) - lf - k*math.Log1p(mu/k) + fn*(math.Log(mu)-math.Log(k+mu))
}

// logRising returns ln Γ(n+k) − ln Γ(k).
func logRising(n int, k float64) float64 {
	fn := float64(n)
	switch {
	case n <= 64:
		var s float64
		for i := range n {
			s += math.Log(k + float64(i))
		}
		return s
	case k < 20:
		a, _ := math.Lgamma(fn + k)
		b, _ := math.Lgamma(k)
		return a - b
	}
	// Difference of two Stirling series (DLMF 5.11.1), which keeps the digits
	// when n is small against k; first term left out 1/(1680·k⁷).
	u, v := 1/(k+fn), 1/k
	series := func(x float64) float64 { return x / 12 * (1 - x*x/30*(1-x*x*2/7)) }
	return fn*math.Log(k+fn) + (k-0.5)*math.Log1p(fn/k) - fn + series(u) - series(v)
}
