package poisson

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/mathext"
)

// DevianceTerm returns the contribution 2·[m − n + n·ln(n/m)] of one channel
// with count n and expected count m to the Poisson deviance; 2·m for n = 0,
// 0 for n = m = 0, +Inf for n > 0 and m = 0. It returns NaN for a negative or
// NaN argument.
//
// Source: Baker & Cousins (1984), Nucl. Instrum. Methods 221, 437, the
// likelihood chi-square for Poisson histograms.
func DevianceTerm(n, m float64) float64 {
	switch {
	case !(n >= 0) || !(m >= 0):
		return math.NaN()
	case n == 0:
		return 2 * m
	case m == 0:
		return math.Inf(1)
	}
	// Close to n = m the three terms cancel; log1p of the relative
	// difference keeps the digits: n·ln(n/m) − (n−m) = n·(x − ln(1+x)) with
	// x = (m−n)/n.
	x := (m - n) / n
	if math.Abs(x) < 0.1 {
		return 2 * n * xMinusLog1p(x)
	}
	return 2 * (m - n + n*math.Log(n/m))
}

// xMinusLog1p returns x − ln(1+x) for |x| < 0.1 without cancellation, by the
// Taylor series Σ (−x)^k/k, k ≥ 2.
func xMinusLog1p(x float64) float64 {
	var sum float64
	p := x * x
	for k := 2.0; k < 40; k++ {
		t := p / k
		sum += t
		if math.Abs(t) < 1e-18*math.Abs(sum) {
			break
		}
		p *= -x
	}
	return sum
}

// Deviance returns the Poisson deviance C = 2·Σ[m − n + n·ln(n/m)] of counts n
// and expected counts m, one pair per channel. It returns NaN if the lengths
// differ or an entry is negative or NaN.
//
// Source: Baker & Cousins (1984), Nucl. Instrum. Methods 221, 437.
func Deviance(n, m []float64) float64 {
	if len(n) != len(m) {
		return math.NaN()
	}
	var sum float64
	for i, ni := range n {
		sum += DevianceTerm(ni, m[i])
	}
	return sum
}

// Cash returns the statistic 2·Σ[m − n·ln m], which differs from the deviance
// by a sum that depends on the counts alone. It returns NaN if the lengths
// differ or an entry is negative or NaN, and +Inf if a channel with counts has
// m = 0.
//
// Source: Cash (1979), Astrophys. J. 228, 939.
func Cash(n, m []float64) float64 {
	if len(n) != len(m) {
		return math.NaN()
	}
	var sum float64
	for i, ni := range n {
		mi := m[i]
		switch {
		case !(ni >= 0) || !(mi >= 0):
			return math.NaN()
		case ni == 0:
			sum += mi
		default:
			sum += mi - ni*math.Log(mi)
		}
	}
	return 2 * sum
}

// LogLikelihood returns Σ[n·ln m − m − ln n!], the Poisson log-likelihood of
// counts n under expected counts m. It returns NaN if the lengths differ or an
// entry is negative or NaN.
func LogLikelihood(n, m []float64) float64 {
	c := Cash(n, m)
	for _, ni := range n {
		lg, _ := math.Lgamma(ni + 1)
		c += 2 * lg
	}
	return -c / 2
}

// SignedRoot returns sign(n−m)·sqrt(DevianceTerm(n, m)), the signed root of
// the likelihood ratio of a count n against a known expectation m. It ranks;
// it is no exact significance at few counts (use TailP).
func SignedRoot(n, m float64) float64 {
	return math.Copysign(math.Sqrt(DevianceTerm(n, m)), n-m)
}

// HalfChi2P returns the p-value of a likelihood-ratio statistic lambda
// (2·Δ ln L, ≥ 0) for one non-negative amplitude whose true value is zero: the
// null law is half a point mass at zero, half chi-square with one degree of
// freedom, so p = P(chi2_1 > lambda)/2, and 1 at lambda = 0.
//
// Source: Chernoff (1954), Ann. Math. Stat. 25, 573. The law is that of many
// counts; at few counts calibrate by simulation.
func HalfChi2P(lambda float64) float64 {
	switch {
	case !(lambda >= 0):
		return math.NaN()
	case lambda == 0:
		return 1
	}
	return math.Erfc(math.Sqrt(lambda/2)) / 2
}

// expectedDevianceSwitch is the expected count at which ExpectedDeviance goes
// from exact sums to the asymptotic series.
const expectedDevianceSwitch = 40

// ExpectedDeviance returns mean and variance of DevianceTerm(N, mu) when N is
// a Poisson count with expectation mu ≥ 0. Up to mu = 40 it sums the Poisson
// law exactly (to rounding); above, it uses the series in 1/mu below, whose
// error at 40 is under 2e-10 for the mean and under 1e-8 for the variance and falls
// from there. The deviance is not chi-square at low counts: the mean is 0.474
// at mu = 0.1 and 1.147 at mu = 1.
//
// Source: definition; the idea of using these moments for a test is that of
// Kaastra (2017), Astron. Astrophys. 605, A51. The series follow from the
// central moments of the Poisson law by expanding (1+x)·ln(1+x).
func ExpectedDeviance(mu float64) (mean, variance float64) {
	d := devianceMoments(mu)
	return d.mean, d.variance
}

// moments are those of the deviance term D of a Poisson count N.
type moments struct {
	mean, variance float64
	covariance     float64 // of D and N
	curvature      float64 // second derivative of the mean by mu
}

func devianceMoments(mu float64) moments {
	switch {
	case !(mu >= 0) || math.IsInf(mu, 1):
		nan := math.NaN()
		return moments{nan, nan, nan, nan}
	case mu == 0:
		return moments{}
	case mu > expectedDevianceSwitch:
		u := 1 / mu
		return moments{
			expectedDevianceMeanSeries(u), expectedDevianceVarianceSeries(u), expectedDevianceCovarianceSeries(u),
			u * u * u / 3, // first term of the series of the mean, twice differentiated
		}
	}
	nln := nLogN()
	lnMu := math.Log(mu)
	p := math.Exp(-mu)
	var s1, s2, s11, second float64
	for n := range len(nln) - 2 {
		fn := float64(n)
		c := 2 * (mu - fn + nln[n] - fn*lnMu)
		s1 += p * c
		s2 += p * c * c
		s11 += p * c * (fn - mu)
		second += p * 2 * (nln[n+2] - 2*nln[n+1] + nln[n])
		if fn > mu && p*c*c < 1e-18*s2 {
			break
		}
		p *= mu / (fn + 1)
	}
	// The mean is E[2·N·ln N] − 2·mu·ln mu, and differentiating a Poisson
	// expectation by mu takes differences of its argument.
	return moments{s1, s2 - s1*s1, s11, second - 2/mu}
}

// nLogN returns the read-only table n·ln n for n = 0 … 199. At mu = 40 the
// terms beyond 199 are below 1e-60.
var nLogN = sync.OnceValue(func() []float64 {
	t := make([]float64, 200)
	for n := 2; n < len(t); n++ {
		t[n] = float64(n) * math.Log(float64(n))
	}
	return t
})

// GoodnessOfFit returns z = (C − E)/sqrt(V), where C is the deviance of counts
// n against the model m, and E and V the sums over the channels of the mean
// and variance that ExpectedDeviance gives at m. Under a true model z is
// about standard normal once many channels or many counts are summed, however
// few counts a channel holds.
//
// Degrees of freedom: fitted is the number of parameters that were fitted
// freely to the same counts (amplitudes that ended at a bound do not count),
// one of them a common scale of the model. Fitting lowers the deviance by a
// chi-square with that many degrees of freedom (Wilks 1938), so E is lowered by
// fitted and V by 2·fitted; at many counts per channel this is the usual
// N − fitted and 2·(N − fitted). At few counts per channel the deviance goes up
// and down with the total count, which a fitted scale takes out: V is also
// lowered by (Σ cov)²/Σm, cov being the covariance of a channel's deviance with
// its count (McCullagh 1986, J. Am. Stat. Assoc. 81, 104, kept to the scale
// alone). Other fitted shapes take out more: simulated with four parameters,
// the variance of z is 0.93 at one count per channel and 0.37 at 0.2. Below one
// count per channel use Mixture.GoodnessOfFit, which knows the shapes. It
// returns NaN if the lengths differ, fitted is negative, an entry is invalid or
// nothing is left of V.
func GoodnessOfFit(n, m []float64, fitted int) float64 {
	if len(n) != len(m) || fitted < 0 {
		return math.NaN()
	}
	var sumE, sumV, sumC, sumM float64
	for _, mi := range m {
		d := devianceMoments(mi)
		sumE += d.mean
		sumV += d.variance
		sumC += d.covariance
		sumM += mi
	}
	if fitted > 0 {
		sumE -= float64(fitted)
		sumV -= 2*float64(fitted) + sumC*sumC/sumM
	}
	if !(sumV > 0) {
		return math.NaN()
	}
	return (Deviance(n, m) - sumE) / math.Sqrt(sumV)
}

// normalUpperQuantile returns z with P(Z > z) = p for a standard normal Z.
func normalUpperQuantile(p float64) float64 {
	if !(p >= 0 && p <= 1) {
		return math.NaN()
	}
	return -mathext.NormalQuantile(p)
}

// expectedDevianceMeanSeries is the mean of the deviance term as a series in
// u = 1/mu, exact rational coefficients, first term left out 57281/90·u⁸.
func expectedDevianceMeanSeries(u float64) float64 {
	return 1 + u*(1./6+u*(1./6+u*(19./60+u*(9./10+u*(863./252+u*(1375./84+u*33953./360))))))
}

// expectedDevianceVarianceSeries is the variance likewise; first term left out
// 101147411/4725·u⁸.
func expectedDevianceVarianceSeries(u float64) float64 {
	return 2 + u*(2./3+u*(4./3+u*(701./180+u*(449./30+u*(90329./1260+u*(43313./105+u*209854609./75600))))))
}

// expectedDevianceCovarianceSeries is the covariance of the deviance term with
// the count, which is mu times the derivative of the mean by mu.
func expectedDevianceCovarianceSeries(u float64) float64 {
	return -u * (1./6 + u*(2./6+u*(57./60+u*(36./10+u*(5*863./252+u*(6*1375./84+u*7*33953./360))))))
}
