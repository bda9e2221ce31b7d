package poisson

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// CTest compares the rates of two Poisson counts, k1 in t1 and k2 in t2
// (counts ≥ 0; t > 0 are times, areas or doses), by the conditional test: given
// the total, k1 is binomial with probability t1/(t1+t2) if the rates are
// equal. greater is P(K ≥ k1), the p-value against "rate 1 is greater";
// twoSided is twice the smaller tail, at most 1. (The other two-sided
// convention in use, adding up all outcomes no more likely than the observed
// one, can be smaller.) With no count at all both are 1.
//
// Source: Przyborowski & Wilenski (1940), Biometrika 31, 313; doubling as in
// Krishnamoorthy & Thomson (2004), J. Stat. Plan. Inference 119, 23.
func CTest(k1 int, t1 float64, k2 int, t2 float64) (greater, twoSided float64) {
	if k1 < 0 || k2 < 0 || !positive(t1) || !positive(t2) {
		return math.NaN(), math.NaN()
	}
	p := t1 / (t1 + t2)
	greater = binomialTail(k1, k2, p)
	less := binomialTail(k2, k1, t2/(t1+t2))
	return greater, math.Min(1, 2*math.Min(greater, less))
}

// binomialTail returns P(K ≥ k) of a binomial count K in k+other trials.
func binomialTail(k, other int, p float64) float64 {
	if k == 0 {
		return 1
	}
	return mathext.RegIncBeta(float64(k), float64(other)+1, p)
}

func positive(x float64) bool { return x > 0 && !math.IsInf(x, 1) }

// RateRatio returns the ratio (k1/t1)/(k2/t2) of two Poisson rates and its
// central confidence interval at the given level (0 < level < 1), from the
// Clopper–Pearson interval p of k1 in k1+k2 by p/(1−p)·t2/t1. The upper end is
// +Inf for k2 = 0; with no count at all the ratio is NaN and the interval
// (0, +Inf). Clustered counts need NegativeBinomialRateRatio.
//
// Source: Przyborowski & Wilenski (1940), Biometrika 31, 313.
func RateRatio(k1 int, t1 float64, k2 int, t2 float64, level float64) (ratio, low, high float64) {
	if k1 < 0 || k2 < 0 || !positive(t1) || !positive(t2) || !(level > 0 && level < 1) {
		return math.NaN(), math.NaN(), math.NaN()
	}
	scale := t2 / t1
	if k1+k2 == 0 {
		return math.NaN(), 0, math.Inf(1)
	}
	tail := (1 - level) / 2
	high = math.Inf(1)
	if k1 > 0 {
		p := betaQuantile(float64(k1), float64(k2)+1, tail)
		low = p / (1 - p) * scale
	}
	if k2 > 0 {
		// 1 − upper end, without cancellation.
		q := betaQuantile(float64(k2), float64(k1)+1, tail)
		high = (1 - q) / q * scale
	}
	return float64(k1) / float64(k2) * scale, low, high
}

// ETest compares the rates of two Poisson counts, k1 in t1 and k2 in t2, under
// the null hypothesis rate1 − rate2 = diff (per unit of t; diff ≥ 0), by the
// law of the standardised difference at the estimated rates. greater is the
// p-value against a larger difference, twoSided that of |T| ≥ |T observed|. It
// is more powerful than CTest and nearly exact. Both are 1 if the estimated
// second rate is not positive.
//
// Values of T that are equal in exact arithmetic must count as equal: T² is
// compared with a relative tolerance of 1e-9. T(0, 0) is 0 for diff = 0 and
// −Inf otherwise. Outcomes whose total probability is below 1e-16 are left
// out.
//
// Source: Krishnamoorthy & Thomson (2004), J. Stat. Plan. Inference 119, 23,
// eqs. 3.3 to 3.6.
func ETest(k1 int, t1 float64, k2 int, t2 float64, diff float64) (greater, twoSided float64) {
	if k1 < 0 || k2 < 0 || !positive(t1) || !positive(t2) || !(diff >= 0) || math.IsInf(diff, 1) {
		return math.NaN(), math.NaN()
	}
	rate2 := float64(k1+k2)/(t1+t2) - diff*t1/(t1+t2)
	if !(rate2 > 0) {
		return 1, 1
	}
	mu1, mu2 := t1*(rate2+diff), t2*rate2
	observed := eStatistic(float64(k1), t1, float64(k2), t2, diff)

	first1, p1 := probabilities(mu1)
	first2, p2 := probabilities(mu2)
	// below[j] = Σ_{i<j} p2[i], above[j] = Σ_{i≥j} p2[i].
	n2 := len(p2)
	below := make([]float64, n2+1)
	above := make([]float64, n2+1)
	for i, p := range p2 {
		below[i+1] = below[i] + p
	}
	for i := n2 - 1; i >= 0; i-- {
		above[i] = above[i+1] + p2[i]
	}
	for i, p := range p1 {
		x1 := float64(first1 + i)
		stat := func(j int) float64 { return eStatistic(x1, t1, float64(first2+j), t2, diff) }
		var g, low float64
		if x1/t1 >= diff {
			// T falls as x2 grows, so each condition holds on one side of a
			// border that bisection finds.
			ng := border(n2, func(j int) bool { return !atLeast(stat(j), observed) })
			g = below[ng]
			na := border(n2, func(j int) bool { return !atLeast(stat(j), math.Abs(observed)) })
			nb := border(n2, func(j int) bool { return atLeast(-stat(j), math.Abs(observed)) })
			if nb < na {
				nb = na // observed = 0: everything counts, once
			}
			low = below[na] + above[nb]
		} else {
			for j, q := range p2 {
				t := stat(j)
				if atLeast(t, observed) {
					g += q
				}
				if atLeast(math.Abs(t), math.Abs(observed)) {
					low += q
				}
			}
		}
		greater += p * g
		twoSided += p * low
	}
	return math.Min(1, greater), math.Min(1, twoSided)
}

// eStatistic is T(x1, x2) of Krishnamoorthy & Thomson (2004), eq. 3.3.
func eStatistic(x1, t1, x2, t2, diff float64) float64 {
	d := x1/t1 - x2/t2 - diff
	v := x1/(t1*t1) + x2/(t2*t2)
	if v == 0 {
		if d == 0 {
			return 0
		}
		return math.Inf(-1)
	}
	if math.Abs(d) <= 1e-12*(x1/t1+x2/t2+diff) {
		return 0 // equal rates up to rounding
	}
	return d / math.Sqrt(v)
}

// atLeast reports a ≥ b, values whose squares agree to a relative 1e-9 being
// equal.
func atLeast(a, b float64) bool {
	return a >= b || (a > 0) == (b > 0) && math.Abs(a*a-b*b) <= 1e-9*b*b
}

// border returns the smallest j in 0 … n at which the condition, false before
// and true from there, holds.
func border(n int, cond func(int) bool) int {
	lo, hi := 0, n
	for lo < hi {
		mid := (lo + hi) / 2
		if cond(mid) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// probabilities returns P(N = first+i) for expectation mu > 0 over all counts
// but tails of less than 1e-17 each.
func probabilities(mu float64) (first int, p []float64) {
	mode := int(mu)
	down := mode
	for down > 0 && logPMF(down-1, mu) > -46 { // e^-46 = 1e-20
		down--
	}
	for n := down; n <= mode || logPMF(n, mu) > -46; n++ {
		p = append(p, math.Exp(logPMF(n, mu)))
	}
	return down, p
}

// OnOffP returns the p-value of on counts against a background known from off
// counts taken with tau times the exposure (on, off ≥ 0, tau > 0; off may be a
// fraction): the probability of at least on counts if there is no signal,
// I_{1/(1+tau)}(on, 1+off). It is 1 for on = 0.
//
// Source: Cousins, Linnemann & Tucker (2008), Nucl. Instrum. Methods A 595,
// 480, eq. 14; Przyborowski & Wilenski (1940), Biometrika 31, 313.
func OnOffP(on, off, tau float64) float64 {
	if !(on >= 0) || math.IsInf(on, 1) || !(off >= 0) || math.IsInf(off, 1) || !positive(tau) {
		return math.NaN()
	}
	if on == 0 {
		return 1
	}
	return mathext.RegIncBeta(on, 1+off, 1/(1+tau))
}

// OnOffZ returns OnOffP as a number of standard deviations, Z_Bi = Φ⁻¹(1−p),
// negative where p > 1/2 and −Inf for on = 0.
//
// Source: Cousins, Linnemann & Tucker (2008), Nucl. Instrum. Methods A 595, 480.
func OnOffZ(on, off, tau float64) float64 {
	p := OnOffP(on, off, tau)
	if p > 0.5 && on > 0 {
		return mathext.NormalQuantile(mathext.RegIncBeta(1+off, on, tau/(1+tau)))
	}
	return normalUpperQuantile(p)
}

// LiMa returns the significance of on counts against off counts with alpha =
// exposure on / exposure off > 0, by the likelihood ratio, with the sign of
// the excess on − alpha·off. At few counts it overstates: 4 on, 5 off, alpha
// 1/5 give 1.95 where OnOffZ gives 1.66. Quote OnOffZ; rank with this.
//
// Source: Li & Ma (1983), Astrophys. J. 272, 317, eq. 17, with 0·ln 0 = 0.
func LiMa(on, off, alpha float64) float64 {
	if !(on >= 0) || math.IsInf(on, 1) || !(off >= 0) || math.IsInf(off, 1) || !positive(alpha) {
		return math.NaN()
	}
	// The ratio statistic is the deviance against the pooled expectation.
	total := on + off
	s := DevianceTerm(on, total*alpha/(1+alpha)) + DevianceTerm(off, total/(1+alpha))
	return math.Copysign(math.Sqrt(s), on-alpha*off)
}

// AsimovZ returns the median significance expected of signal counts over a
// known background: sqrt(2·[(s+b)·ln(1+s/b) − s]), s ≥ 0, b > 0.
//
// Source: Cowan, Cranmer, Gross & Vitells (2011), Eur. Phys. J. C 71, 1554,
// eq. 97.
func AsimovZ(signal, background float64) float64 {
	if !(signal >= 0) || !positive(background) {
		return math.NaN()
	}
	return math.Sqrt(DevianceTerm(signal+background, background))
}
