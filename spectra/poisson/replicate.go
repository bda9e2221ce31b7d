package poisson

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mathext"
)

// DispersionTest tests whether counts from n ≥ 2 equal fields scatter more
// than Poisson counts. ratio is the variance-to-mean ratio s²/mean, 1 for
// Poisson counts; p is P(chi2_(n−1) ≥ (n−1)·ratio). Without any count the
// ratio is NaN and p is 1. It returns NaN for fewer than two counts or a
// negative one.
//
// Source: Fisher's index of dispersion; Fisher, Thornton & Mackenzie (1922),
// Ann. Appl. Biol. 9, 325. The chi-square law needs a mean of a few counts.
func DispersionTest(counts []int) (ratio, p float64) {
	mean, variance := countMoments(counts)
	switch {
	case math.IsNaN(mean) || len(counts) < 2:
		return math.NaN(), math.NaN()
	case mean == 0:
		return math.NaN(), 1
	}
	ratio = variance / mean
	df := float64(len(counts) - 1)
	return ratio, mathext.GammaIncRegComp(df/2, df*ratio/2)
}

// countMoments returns mean and unbiased variance; NaN without counts or with
// a negative one.
func countMoments(counts []int) (mean, variance float64) {
	for _, n := range counts {
		if n < 0 {
			return math.NaN(), math.NaN()
		}
		mean += float64(n)
	}
	n := float64(len(counts))
	mean /= n
	for _, c := range counts {
		d := float64(c) - mean
		variance += d * d
	}
	return mean, variance / (n - 1)
}

// PermutationOptions are the settings of PermutationTest. The zero value
// works.
type PermutationOptions struct {
	// MaxSplits is the largest number of splits that are enumerated; above
	// it splits are drawn at random. 0 means 200000; −1 means always draw.
	MaxSplits int
	// Samples is the number of random splits; 0 means 9999.
	Samples int
	// Seed starts the random splits.
	Seed uint64
}

// PermutationResult is the result of PermutationTest.
type PermutationResult struct {
	Difference float64 // mean of a less mean of b
	Greater    float64 // p-value against "a is greater"
	TwoSided   float64 // p-value against "a and b differ", |difference|
	Splits     int     // splits looked at
	Exact      bool    // all splits were enumerated
}

// PermutationTest tests whether the values a and b (fields, or better coupons;
// at least one on each side, finite) come from one population, by the
// difference of their means over all ways of splitting the pooled values into
// groups of the same sizes.
//
// Up to opt.MaxSplits splits are enumerated: p is the share of splits whose
// difference is at least the observed one. Otherwise M = opt.Samples random
// splits give p = (r+1)/(M+1), r of them at least as extreme. Differences that
// agree to rounding count as equal. The smallest p of the enumeration is one
// over the number of splits: 1/20 for 3 against 3.
//
// Source: Fisher (1935), The Design of Experiments, section 21; Davison &
// Hinkley (1997), Bootstrap Methods, section 4.3 for the random form.
func PermutationTest(a, b []float64, opt PermutationOptions) (PermutationResult, error) {
	var res PermutationResult
	na, nb := len(a), len(b)
	if na == 0 || nb == 0 {
		return res, fmt.Errorf("poisson: permutation test: %d and %d values, want at least one on each side: %w", na, nb, ErrRange)
	}
	if opt.MaxSplits < -1 || opt.Samples < 0 {
		return res, fmt.Errorf("poisson: permutation test: MaxSplits %d, Samples %d, want no negative number but MaxSplits −1: %w", opt.MaxSplits, opt.Samples, ErrRange)
	}
	if opt.MaxSplits == 0 {
		opt.MaxSplits = 200000
	}
	if opt.Samples == 0 {
		opt.Samples = 9999
	}
	pool := append(append(make([]float64, 0, na+nb), a...), b...)
	var size, mean float64
	for i, v := range pool {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return res, fmt.Errorf("poisson: permutation test: value %d is %v, want finite: %w", i, v, ErrRange)
		}
		size = math.Max(size, math.Abs(v))
		mean += v / float64(na+nb)
	}
	// Centred values: the sum of the first group alone decides, and the
	// two-sided statistic is its absolute value times 1/na + 1/nb.
	var observed float64
	for i := range pool {
		pool[i] -= mean
		if i < na {
			observed += pool[i]
		}
	}
	res.Difference = observed * (1/float64(na) + 1/float64(nb))
	// Rounding of a sum of that many terms of that size.
	tie := 1e-13 * float64(na+nb) * size
	var greater, both int
	count := func(sum float64) {
		res.Splits++
		if sum >= observed-tie {
			greater++
		}
		if math.Abs(sum) >= math.Abs(observed)-tie {
			both++
		}
	}
	if n := binomial(na+nb, na); n <= float64(opt.MaxSplits) {
		res.Exact = true
		enumerate(pool, na, count)
		res.Greater = float64(greater) / float64(res.Splits)
		res.TwoSided = float64(both) / float64(res.Splits)
		return res, nil
	}
	rng := rand.New(rand.NewPCG(opt.Seed, 0x5eed))
	for range opt.Samples {
		// The first na steps of a Fisher–Yates shuffle draw the group.
		var sum float64
		for i := range na {
			j := i + rng.IntN(len(pool)-i)
			pool[i], pool[j] = pool[j], pool[i]
			sum += pool[i]
		}
		count(sum)
	}
	res.Greater = float64(greater+1) / float64(res.Splits+1)
	res.TwoSided = float64(both+1) / float64(res.Splits+1)
	return res, nil
}

// binomial returns n over k, exact up to 2^53.
func binomial(n, k int) float64 {
	k = min(k, n-k)
	r := 1.0
	for i := 1; i <= k; i++ {
		r = math.Round(r * float64(n-k+i) / float64(i))
	}
	return r
}

// enumerate calls visit with the sum of every subset of k values.
func enumerate(values []float64, k int, visit func(sum float64)) {
	index := make([]int, k)
	for i := range index {
		index[i] = i
	}
	n := len(values)
	for {
		var sum float64
		for _, i := range index {
			sum += values[i]
		}
		visit(sum)
		i := k - 1
		for i >= 0 && index[i] == n-k+i {
			i--
		}
		if i < 0 {
			return
		}
		index[i]++
		for j := i + 1; j < k; j++ {
			index[j] = index[j-1] + 1
		}
	}
}
