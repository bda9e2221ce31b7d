package poisson

import "math"

// Garwood returns the central two-sided confidence interval at the given level
// (0 < level < 1) for the expectation of a Poisson count n ≥ 0, (1−level)/2 in
// each tail. The lower end is 0 for n = 0.
//
// Source: Garwood (1936), Biometrika 28, 437: chi2(α/2; 2n)/2 and
// chi2(1−α/2; 2n+2)/2. It covers with at least the stated probability.
func Garwood(n int, level float64) (low, high float64) {
	if n < 0 || !(level > 0 && level < 1) {
		return math.NaN(), math.NaN()
	}
	tail := (1 - level) / 2
	return lowerLimit(n, tail), gammaQuantile(float64(n)+1, tail, true)
}

// UpperLimit returns the one-sided upper confidence limit at the given level
// (0 < level < 1) for the expectation of a Poisson count n ≥ 0:
// chi2(level; 2n+2)/2. For n = 0 it is −ln(1−level), 2.996 at 0.95.
//
// Source: Garwood (1936), Biometrika 28, 437; Gehrels (1986), Astrophys. J.
// 303, 336, table 1.
func UpperLimit(n int, level float64) float64 {
	if n < 0 || !(level > 0 && level < 1) {
		return math.NaN()
	}
	return gammaQuantile(float64(n)+1, 1-level, true)
}

// LowerLimit returns the one-sided lower confidence limit at the given level
// (0 < level < 1) for the expectation of a Poisson count n ≥ 0:
// chi2(1−level; 2n)/2, and 0 for n = 0.
//
// Source: Garwood (1936), Biometrika 28, 437; Gehrels (1986), Astrophys. J.
// 303, 336, table 2.
func LowerLimit(n int, level float64) float64 {
	if n < 0 || !(level > 0 && level < 1) {
		return math.NaN()
	}
	return lowerLimit(n, 1-level)
}

func lowerLimit(n int, tail float64) float64 {
	if n == 0 {
		return 0
	}
	return gammaQuantile(float64(n), tail, false)
}

// ClopperPearson returns the central two-sided confidence interval at the
// given level (0 < level < 1) for a proportion from k successes in n
// independent trials, 0 ≤ k ≤ n, n ≥ 1. It covers with at least the stated
// probability. A one-sided limit at level c is one end of the interval at
// 2c − 1. Pixels of one image are not independent trials.
//
// Source: Clopper & Pearson (1934), Biometrika 26, 404 (beta quantiles).
func ClopperPearson(k, n int, level float64) (low, high float64) {
	if n < 1 || k < 0 || k > n || !(level > 0 && level < 1) {
		return math.NaN(), math.NaN()
	}
	tail := (1 - level) / 2
	fk, fm := float64(k), float64(n-k)
	high = 1
	if k > 0 {
		low = betaQuantile(fk, fm+1, tail)
	}
	if k < n {
		// The upper end of k is one minus the lower end of n − k.
		high = 1 - betaQuantile(fm, fk+1, tail)
	}
	return low, high
}

// Wilson returns the score interval at the given level (0 < level < 1) for a
// proportion from k successes in n independent trials, 0 ≤ k ≤ n, n ≥ 1. It is
// shorter than ClopperPearson and covers with the stated probability only on
// average.
//
// Source: Wilson (1927), J. Am. Stat. Assoc. 22, 209.
func Wilson(k, n int, level float64) (low, high float64) {
	if n < 1 || k < 0 || k > n || !(level > 0 && level < 1) {
		return math.NaN(), math.NaN()
	}
	z := normalUpperQuantile((1 - level) / 2)
	fn, p := float64(n), float64(k)/float64(n)
	d := 1 + z*z/fn
	mid := (p + z*z/(2*fn)) / d
	half := z / d * math.Sqrt(p*(1-p)/fn+z*z/(4*fn*fn))
	low, high = mid-half, mid+half
	if k == 0 {
		low = 0
	}
	if k == n {
		high = 1
	}
	return low, high
}

// FeldmanCousins returns the confidence interval at the given level
// (0 < level < 1) for the signal s ≥ 0 of a Poisson count n ≥ 0 with
// expectation s + background, the background ≥ 0 being known. The interval
// goes over from an upper limit to two sides by itself.
//
// It is the smallest interval that holds every s whose acceptance region, in
// the order of the likelihood ratio P(n|s+b)/P(n|max(0, n−b)+b), contains n.
// Ends are exact to 1e-9; acceptance holes narrower than the scan step of
// 0.005·sqrt(n+b+1) are not seen. The paper's tables lengthen some
// intervals so that the upper end does not fall as the background grows (for
// n = 0, b = 3 at 90 % they print 1.08 where this belt gives 0.95); that is not
// done here.
//
// Source: Feldman & Cousins (1998), Phys. Rev. D 57, 3873, section IV.
func FeldmanCousins(n int, background, level float64) (low, high float64) {
	if n < 0 || !(background >= 0) || math.IsInf(background, 1) || !(level > 0 && level < 1) {
		return math.NaN(), math.NaN()
	}
	rejected := func(s float64) bool { return moreLikely(n, s, background) >= level }
	step := 0.005 * math.Sqrt(float64(n)+background+1)
	tight := 1 - (1-level)/10

	top := UpperLimit(n, tight) + 5
	for !rejected(top) {
		top *= 2
	}
	s := top
	for s > 0 && rejected(s) {
		s = math.Max(0, s-step)
	}
	high = bisectEdge(rejected, s, math.Min(top, s+step))

	s = math.Max(0, LowerLimit(n, tight)-background-2)
	if !rejected(s) {
		if s == 0 {
			return 0, high
		}
		s = 0
	}
	for s < high && rejected(s) {
		s += step
	}
	if s == 0 {
		return 0, high
	}
	low = bisectEdge(rejected, math.Min(s, high), math.Max(0, s-step))
	return low, high
}

// bisectEdge returns the point between in (where rejected is false) and out
// (where it is true) at which it changes.
func bisectEdge(rejected func(float64) bool, in, out float64) float64 {
	for math.Abs(out-in) > 1e-10*math.Max(1, math.Abs(out)) {
		mid := in + (out-in)/2
		if rejected(mid) {
			out = mid
		} else {
			in = mid
		}
	}
	return in
}

// moreLikely returns the probability, under s + b, of the counts that stand
// before n in the likelihood-ratio order (Feldman & Cousins 1998, eq. 4.1). The
// ratio rises to its greatest value near s + b and then falls, so those counts
// are the run that starts beside n and goes towards s + b.
func moreLikely(n int, s, b float64) float64 {
	mu := s + b
	if mu == 0 {
		if n == 0 {
			return 0
		}
		return 1
	}
	lnMu := math.Log(mu)
	logRatio := func(k int) float64 {
		best := math.Max(float64(k), b)
		r := best - mu
		if k > 0 {
			r += float64(k) * (lnMu - math.Log(best))
		}
		return r
	}
	// Equal ratios are left out of the sum, which keeps n in more regions;
	// the margin is the rounding of logRatio.
	own := logRatio(n) + 1e-13*math.Max(1, mu)
	first, last := n, n-1 // the run [first, last] beside n
	if float64(n) < mu {
		first, last = n+1, n
		for logRatio(last+1) > own {
			last++
		}
	} else {
		for first > 0 && logRatio(first-1) > own {
			first--
		}
	}
	var sum float64
	for k := first; k <= last; k++ {
		sum += math.Exp(logPMF(k, mu))
	}
	return sum
}
