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

// leastFreedom is the number of degrees of freedom from which the pooled interval of
// logRatio is of use: the quantile of one degree is 12.7. unevenAlpha is the level from
// which the two sides may differ in spread: few values show little of it. Both are
// choices of this package.
const (
	leastFreedom = 2
	unevenAlpha  = 0.75
)

// logRatio returns an interval of the ratio of the means of two sides whose values
// are never below zero, first over second, both means above zero. It always has two
// ends. No such interval is right for every law (Gleser & Hwang 1987, Ann. Stat. 15,
// 1351); this one takes the outer ends of three, all of Student's t on the logarithm:
//
//   - the logarithm of the ratio of means with the relative variances of the means,
//     degrees of freedom after Welch (1947): too short for skewed values;
//   - the difference of the mean logarithms of the values above zero with one variance
//     for both sides, and the logarithm of the ratio of the shares of such values,
//     counted with half a value more of either kind (Aitchison 1955, J. Am. Stat.
//     Assoc. 50, 901, for the law with zeros): right for skewed values of two sides
//     that differ by a factor and in their share of zeros;
//   - where the spread of the logarithms may differ, the means of lognormal laws with
//     a variance for each side (Cox's method: Zhou & Gao 1997, Stat. Med. 16, 783).
func logRatio(units [2][]unit, value func(unit) float64, level float64) (low, high float64) {
	var x, y [2]sample // values, logarithms of those above zero
	var n, freedom [2]float64
	share := 0.0 // logarithm of the ratio of shares above zero
	zeros := 0.0 // its variance
	for side, us := range units {
		x[side] = sampleOf(us, value)
		x[side].variance /= x[side].mean * x[side].mean
		var logs []unit
		for _, u := range us {
			if v := value(u) / u.area; v > 0 {
				logs = append(logs, unit{area: 1, covered: math.Log(v)})
			}
		}
		y[side] = sampleOf(logs, func(u unit) float64 { return u.covered })
		n[side] = float64(len(logs))
		freedom[side] = n[side] - 1
		p := (n[side] + .5) / float64(len(us)+1)
		share += float64(1-2*side) * math.Log(p)
		zeros += (1 - p) / p / float64(len(us))
	}
	if len(units[0])+len(units[1]) == int(n[0]+n[1]) {
		share, zeros = 0, 0
	}
	low, high = math.Inf(1), math.Inf(-1)
	add := func(centre, variance, freedom float64) {
		h := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile(0.5+level/2) * math.Sqrt(variance)
		low, high = math.Min(low, centre-h), math.Max(high, centre+h)
	}
	add(math.Log(x[0].mean/x[1].mean), x[0].variance+x[1].variance, welch(x[0], x[1]))
	var spread [2]float64 // variance of a logarithm
	squares := 0.0
	for side := range y {
		if n[side] > 1 {
			spread[side] = y[side].variance * n[side]
			squares += spread[side] * freedom[side]
		}
	}
	both := freedom[0] + freedom[1]
	if both >= leastFreedom && squares > 0 {
		v := squares / both * (1/n[0] + 1/n[1])
		// Satterthwaite's degrees of freedom, the variance of the shares taken as known.
		add(y[0].mean-y[1].mean+share, v+zeros, both*(v+zeros)*(v+zeros)/(v*v))
	}
	if math.Min(freedom[0], freedom[1]) > 1 && math.Min(spread[0], spread[1]) > 0 {
		f := distuv.F{D1: freedom[0], D2: freedom[1]}.CDF(spread[0] / spread[1])
		if 2*math.Min(f, 1-f) < unevenAlpha {
			for side := range y {
				y[side].mean += spread[side] / 2
				y[side].variance += spread[side] * spread[side] / 2 / freedom[side]
			}
			add(y[0].mean-y[1].mean+share, y[0].variance+y[1].variance+zeros, welch(y[0], y[1]))
		}
	}
	return math.Exp(low), math.Exp(high)
}
