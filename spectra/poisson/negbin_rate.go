package poisson

import (
	"fmt"
	"math"
)

// ClusteredCounts are the counts of one side of a comparison, one per field,
// with the exposure (area, dose) of each field.
type ClusteredCounts struct {
	Counts   []int
	Exposure []float64 // > 0; nil means 1 for every field
}

// RateRatioResult is the result of NegativeBinomialRateRatio.
type RateRatioResult struct {
	Ratio         float64 // rate of the first side over rate of the second; NaN without any count
	Low, High     float64 // likelihood-ratio interval; 0 and +Inf where the likelihood sets no limit
	K             float64 // common K at the maximum, +Inf for Poisson
	PValue        float64 // two-sided likelihood-ratio test of ratio 1
	LogLikelihood float64
}

// NegativeBinomialRateRatio compares the rates per exposure of two sets of
// fields whose counts are clustered: negative binomial counts with mean
// rate·exposure and variance μ + μ²/K, K common to both sides and fitted. The
// interval at the given level (0 < level < 1) holds the ratios whose profile
// likelihood is within chi2_1(level)/2 of the maximum; K is fitted anew for each
// ratio. With few fields the interval is too short; prefer PermutationTest for
// the decision and this for the size.
//
// Source: Lawless (1987), Can. J. Stat. 15, 209 (regression model, NB2).
func NegativeBinomialRateRatio(a, b ClusteredCounts, level float64) (RateRatioResult, error) {
	var res RateRatioResult
	if !(level > 0 && level < 1) {
		return res, fmt.Errorf("poisson: rate ratio: level %v, want in (0, 1): %w", level, ErrRange)
	}
	f, err := newRateFields(a, b)
	if err != nil {
		return res, err
	}
	if f.total[0]+f.total[1] == 0 {
		return RateRatioResult{Ratio: math.NaN(), Low: 0, High: math.Inf(1), K: math.Inf(1), PValue: 1}, nil
	}
	// Maximum: the two rates are fitted apart.
	best, k := f.overK(func(k float64) float64 {
		return f.logL(f.rate(k, 0, 0), f.rate(k, 1, 1), k)
	})
	rateA, rateB := f.rate(k, 0, 0), f.rate(k, 1, 1)
	res.Ratio, res.K, res.LogLikelihood = rateA/rateB, k, best
	// profile returns 2·(ln L max − ln L) with the ratio fixed.
	profile := func(lnRatio float64) float64 {
		ratio := math.Exp(lnRatio)
		l, _ := f.overK(func(k float64) float64 {
			r := f.commonRate(k, ratio)
			return f.logL(r*ratio, r, k)
		})
		return math.Max(0, 2*(best-l))
	}
	z := normalUpperQuantile((1 - level) / 2)
	limit := z * z
	res.PValue = math.Erfc(math.Sqrt(profile(0) / 2))
	centre := math.Log(res.Ratio)
	res.Low, res.High = 0, math.Inf(1)
	if f.total[0] > 0 {
		from := centre
		if f.total[1] == 0 {
			from = 50
		}
		res.Low = profileEnd(profile, limit, from, -1)
	}
	if f.total[1] > 0 {
		from := centre
		if f.total[0] == 0 {
			from = -50
		}
		res.High = profileEnd(profile, limit, from, 1)
	}
	return res, nil
}

// profileEnd returns the ratio at which the profile crosses the limit, going
// from ln ratio from in direction dir; 0 or +Inf if it does not. The root of
// the profile is nearly a straight line in ln ratio, so regula falsi (Illinois
// form) on it needs few evaluations.
func profileEnd(profile func(float64) float64, limit, from, dir float64) float64 {
	z := math.Sqrt(limit)
	f := func(x float64) float64 { return math.Sqrt(profile(x)) - z }
	step := 0.25
	in, out := from, from+dir*step
	fin, fout := f(in), f(out)
	for fout < 0 {
		in, fin = out, fout
		step *= 2
		out += dir * step
		if math.Abs(out) > 200 {
			if dir < 0 {
				return 0
			}
			return math.Inf(1)
		}
		fout = f(out)
	}
	for math.Abs(out-in) > 1e-10 {
		x := (in*fout - out*fin) / (fout - fin)
		if math.IsNaN(x) {
			x = in + (out-in)/2
		}
		fx := f(x)
		if math.Abs(fx) < 1e-12 {
			return math.Exp(x)
		}
		if fx > 0 {
			out, fout = x, fx
			fin /= 2
		} else {
			in, fin = x, fx
			fout /= 2
		}
	}
	return math.Exp(in)
}

// rateFields holds the fields of both sides.
type rateFields struct {
	counts   [2][]int
	exposure [2][]float64
	total    [2]float64
	area     [2]float64
	above    []float64 // number of fields with more than i counts
	fixed    float64   // Σ ln n!
}

func newRateFields(sides ...ClusteredCounts) (*rateFields, error) {
	f := &rateFields{}
	for s, c := range sides {
		if len(c.Counts) == 0 {
			return nil, fmt.Errorf("poisson: rate ratio: side %d has no fields: %w", s+1, ErrRange)
		}
		if c.Exposure != nil && len(c.Exposure) != len(c.Counts) {
			return nil, fmt.Errorf("poisson: rate ratio: side %d has %d counts and %d exposures: %w", s+1, len(c.Counts), len(c.Exposure), ErrRange)
		}
		for i, n := range c.Counts {
			e := 1.0
			if c.Exposure != nil {
				e = c.Exposure[i]
			}
			if n < 0 || !positive(e) {
				return nil, fmt.Errorf("poisson: rate ratio: side %d, field %d: count %d, exposure %v, want count not negative and exposure positive: %w", s+1, i, n, e, ErrRange)
			}
			f.exposure[s] = append(f.exposure[s], e)
			f.total[s] += float64(n)
			f.area[s] += e
		}
		f.counts[s] = c.Counts
		for _, n := range c.Counts {
			lf, _ := math.Lgamma(float64(n) + 1)
			f.fixed += lf
			for i := range min(n, maxTabulated) {
				if i == len(f.above) {
					f.above = append(f.above, 0)
				}
				f.above[i]++
			}
		}
	}
	return f, nil
}

// maxTabulated is the count up to which rising uses the table of counts.
const maxTabulated = 1024

// rising returns Σ [ln Γ(n+k) − ln Γ(k)] over all fields.
func (f *rateFields) rising(k float64) float64 {
	var sum float64
	for i, c := range f.above {
		sum += c * math.Log(k+float64(i))
	}
	if len(f.above) < maxTabulated {
		return sum
	}
	for _, counts := range f.counts {
		for _, n := range counts {
			if n > maxTabulated {
				sum += logRising(n-maxTabulated, k+maxTabulated)
			}
		}
	}
	return sum
}

// logL returns the log-likelihood at given rates and k, the sum of
// negBinLogPMF.
func (f *rateFields) logL(rateA, rateB, k float64) float64 {
	poisson := math.IsInf(k, 1)
	sum := -f.fixed
	if !poisson {
		sum += f.rising(k)
	}
	for s, rate := range [2]float64{rateA, rateB} {
		for i, n := range f.counts[s] {
			mu, fn := rate*f.exposure[s][i], float64(n)
			switch {
			case mu == 0 && n > 0:
				return math.Inf(-1)
			case mu == 0:
			case poisson:
				sum += fn*math.Log(mu) - mu
			default:
				if n > 0 {
					sum += fn * math.Log(mu/(k+mu))
				}
				sum -= k * math.Log1p(mu/k)
			}
		}
	}
	return sum
}

// rate returns the rate that maximises the likelihood of the sides first …
// last at k: the root of Σ (n − μ)/(1 + μ/k).
func (f *rateFields) rate(k float64, first, last int) float64 {
	return f.root(k, first, last, [2]float64{1, 1})
}

// commonRate returns the rate of the second side at a fixed ratio.
func (f *rateFields) commonRate(k, ratio float64) float64 {
	return f.root(k, 0, 1, [2]float64{ratio, 1})
}

func (f *rateFields) root(k float64, first, last int, factor [2]float64) float64 {
	var total, area, low, high float64
	low, high = math.Inf(1), 0
	for s := first; s <= last; s++ {
		total += f.total[s]
		area += f.area[s] * factor[s]
		for i, n := range f.counts[s] {
			r := float64(n) / (f.exposure[s][i] * factor[s])
			low, high = math.Min(low, r), math.Max(high, r)
		}
	}
	if total == 0 {
		return 0
	}
	if math.IsInf(k, 1) {
		return total / area
	}
	if low == high {
		return low
	}
	// The score changes sign once, between the least and the largest rate of
	// a field; Newton steps in the logarithm, bisection where they leave the
	// bracket.
	r := math.Min(math.Max(total/area, low), high)
	for range 100 {
		var score, slope float64
		for s := first; s <= last; s++ {
			for i, n := range f.counts[s] {
				mu := r * factor[s] * f.exposure[s][i]
				w := 1 / (1 + mu/k)
				score += (float64(n) - mu) * w
				slope += mu * w * w * (1 + float64(n)/k)
			}
		}
		if score > 0 {
			low = r
		} else {
			high = r
		}
		next := r * math.Exp(score/slope)
		if !(next > low && next < high) {
			next = low + (high-low)/2
		}
		if math.Abs(next-r) <= 1e-14*r {
			return next
		}
		r = next
	}
	return r
}

// overK returns the largest value of l over k in (0, +Inf] and where it is.
// The search runs over ln k from −12 to 18 in whole steps and then refines the
// best step by golden sections; the Poisson limit is tried apart.
func (f *rateFields) overK(l func(k float64) float64) (best, k float64) {
	best, k = l(math.Inf(1)), math.Inf(1)
	at := math.NaN()
	for x := -12.0; x <= 18; x++ {
		if v := l(math.Exp(x)); v > best {
			best, k, at = v, math.Exp(x), x
		}
	}
	if math.IsNaN(at) {
		return best, k
	}
	const golden = 0.6180339887498949
	a, b := at-1, at+1
	c, d := b-golden*(b-a), a+golden*(b-a)
	lc, ld := l(math.Exp(c)), l(math.Exp(d))
	for b-a > 1e-8 {
		if lc > ld {
			b, d, ld = d, c, lc
			c = b - golden*(b-a)
			lc = l(math.Exp(c))
		} else {
			a, c, lc = c, d, ld
			d = a + golden*(b-a)
			ld = l(math.Exp(d))
		}
	}
	if v := math.Max(lc, ld); v > best {
		best, k = v, math.Exp((a+b)/2)
	}
	return best, k
}
