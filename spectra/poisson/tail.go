package poisson

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// TailP returns P(N ≥ n) for a Poisson count N with known expectation mu ≥ 0,
// the p-value of n counts over a known background: the regularised lower
// incomplete gamma function P(n, mu). It is 1 for n ≤ 0 and NaN for a negative
// or NaN mu.
//
// Source: Garwood (1936), Biometrika 28, 437; NIST Digital Library of
// Mathematical Functions, eq. 8.4.10 for whole n.
func TailP(n int, mu float64) float64 {
	switch {
	case !(mu >= 0):
		return math.NaN()
	case n <= 0:
		return 1
	case mu == 0:
		return 0
	case math.IsInf(mu, 1):
		return 1
	}
	return mathext.GammaIncReg(float64(n), mu)
}

// cumulative returns P(N ≤ n) for a Poisson count N with expectation mu > 0.
func cumulative(n int, mu float64) float64 {
	if n < 0 {
		return 0
	}
	return mathext.GammaIncRegComp(float64(n)+1, mu)
}

// logPMF returns ln P(N = n) for expectation mu > 0.
func logPMF(n int, mu float64) float64 {
	lg, _ := math.Lgamma(float64(n) + 1)
	return float64(n)*math.Log(mu) - mu - lg
}

// gammaQuantile returns x such that the regularised incomplete gamma function
// at shape a > 0 equals p, 0 < p < 1: the lower function P(a, x) or, if upper
// is true, Q(a, x) = 1 − P(a, x). With p the smaller of the two tails no
// digits are lost.
func gammaQuantile(a, p float64, upper bool) float64 {
	f := func(x float64) float64 {
		if upper {
			return p - mathext.GammaIncRegComp(a, x)
		}
		return mathext.GammaIncReg(a, x) - p
	}
	lg, _ := math.Lgamma(a)
	density := func(x float64) float64 {
		return math.Exp((a-1)*math.Log(x) - x - lg)
	}
	// Start: Wilson & Hilferty (1931), the cube root is nearly normal.
	z := normalUpperQuantile(p)
	if !upper {
		z = -z
	}
	w := 1 - 1/(9*a) + z/(3*math.Sqrt(a))
	x := a * w * w * w
	if !(w > 0.2) || !(x > 0) {
		// Lower end: P(a, x) ≈ x^a/Γ(a+1).
		q := p
		if upper {
			q = 1 - p
		}
		lg1, _ := math.Lgamma(a + 1)
		x = math.Exp((math.Log(q) + lg1) / a)
	}
	return increasingRoot(f, density, x, 0, math.Inf(1))
}

// betaQuantile returns x in [0, 1] with I_x(a, b) = p, a, b > 0, 0 < p < 1.
func betaQuantile(a, b, p float64) float64 {
	lb := mathext.Lbeta(a, b)
	f := func(x float64) float64 { return mathext.RegIncBeta(a, b, x) - p }
	density := func(x float64) float64 {
		return math.Exp((a-1)*math.Log(x) + (b-1)*math.Log1p(-x) - lb)
	}
	return increasingRoot(f, density, a/(a+b), 0, 1)
}

// increasingRoot returns the root of the increasing function f with derivative
// df inside (lo, hi), by Newton steps from x that fall back to bisection
// (doubling while hi is infinite) when they leave the bracket.
func increasingRoot(f, df func(float64) float64, x, lo, hi float64) float64 {
	for range 200 {
		y := f(x)
		if y == 0 {
			return x
		}
		if y > 0 {
			hi = x
		} else {
			lo = x
		}
		next := x - y/df(x)
		if !(next > lo && next < hi) {
			if math.IsInf(hi, 1) {
				next = 2*x + 1
			} else {
				next = lo + (hi-lo)/2
			}
		}
		if math.Abs(next-x) <= 1e-15*math.Abs(next) || next == lo || next == hi {
			return next
		}
		x = next
	}
	return x
}
