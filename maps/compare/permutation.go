package compare

import (
	"math"
	"math/rand/v2"
)

// maxExact is the number of permutations up to which all are looked at.
const maxExact = 200000

// tie is the relative difference below which two statistics are equal: sums of
// a few numbers in different order differ by rounding only.
const tie = 1e-9

// permuted is the outcome of a permutation test.
type permuted struct {
	greater, twoSided float64
	n                 int  // permutations looked at
	exact             bool // all of them
}

// permute tests whether sum(value)/sum(area) of the treated exceeds that of
// the blank by more than exchanging the labels of the replicates does. With
// all permutations p is the share of those at least as extreme; with draws it is
// (r+1)/(M+1).
func permute(treated, blank []unit, value func(unit) float64, opt Options) permuted {
	all := append(append([]unit(nil), treated...), blank...)
	n, k := len(all), len(treated)
	totalV, totalA, size := 0.0, 0.0, 0.0
	for _, u := range all {
		totalV += value(u)
		totalA += u.area
		size = math.Max(size, math.Abs(value(u))/u.area)
	}
	stat := func(in []bool) float64 {
		v, a := 0.0, 0.0
		for i, u := range all {
			if in[i] {
				v += value(u)
				a += u.area
			}
		}
		return v/a - (totalV-v)/(totalA-a)
	}
	in := make([]bool, n)
	for i := range k {
		in[i] = true
	}
	observed := stat(in)
	eps := tie * size
	var greater, two, count int
	look := func() {
		s := stat(in)
		count++
		if s >= observed-eps {
			greater++
		}
		if math.Abs(s) >= math.Abs(observed)-eps {
			two++
		}
	}
	if choose(n, k) <= maxExact {
		clear(in)
		combinations(in, 0, k, look)
		return permuted{float64(greater) / float64(count), float64(two) / float64(count), count, true}
	}
	rng := rand.New(rand.NewPCG(opt.Seed, 0))
	for range opt.Draws {
		rng.Shuffle(n, func(i, j int) { in[i], in[j] = in[j], in[i] })
		look()
	}
	m := float64(opt.Draws + 1)
	return permuted{float64(greater+1) / m, float64(two+1) / m, opt.Draws, false}
}

// combinations calls f for every way to set k of in[from:].
func combinations(in []bool, from, k int, f func()) {
	if k == 0 {
		f()
		return
	}
	for i := from; i <= len(in)-k; i++ {
		in[i] = true
		combinations(in, i+1, k-1, f)
		in[i] = false
	}
}

func choose(n, k int) float64 {
	c := 1.0
	for i := range k {
		c *= float64(n-i) / float64(i+1)
	}
	return math.Round(c)
}

// flip is permute for pairs: the difference of each pair of densities may
// change its sign.
func flip(treated, blank []unit, value func(unit) float64, opt Options) permuted {
	d := make([]float64, len(treated))
	observed, size := 0.0, 0.0
	for i := range d {
		d[i] = value(treated[i])/treated[i].area - value(blank[i])/blank[i].area
		observed += d[i]
		size += math.Abs(d[i])
	}
	eps := tie * size
	var greater, two, count int
	look := func(s float64) {
		count++
		if s >= observed-eps {
			greater++
		}
		if math.Abs(s) >= math.Abs(observed)-eps {
			two++
		}
	}
	if len(d) <= 17 { // 2^17 = 131 072
		for bits := range 1 << len(d) {
			s := 0.0
			for i, v := range d {
				if bits>>i&1 == 1 {
					v = -v
				}
				s += v
			}
			look(s)
		}
		return permuted{float64(greater) / float64(count), float64(two) / float64(count), count, true}
	}
	rng := rand.New(rand.NewPCG(opt.Seed, 0))
	for range opt.Draws {
		s := 0.0
		for _, v := range d {
			if rng.Uint64()&1 == 1 {
				v = -v
			}
			s += v
		}
		look(s)
	}
	m := float64(opt.Draws + 1)
	return permuted{float64(greater+1) / m, float64(two+1) / m, opt.Draws, false}
}
