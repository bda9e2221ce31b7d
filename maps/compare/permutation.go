package compare

import (
	"fmt"
	"math"
	"math/rand/v2"

	"example.org/fleck/spectra/poisson"
)

// permuted is the outcome of a permutation test.
type permuted struct {
	greater, twoSided float64
	n                 int  // permutations looked at
	exact             bool // all of them
}

// permute tests whether the mean density of the treated replicates exceeds that
// of the blank ones by more than exchanging the labels does.
func permute(treated, blank []unit, value func(unit) float64, opt Options) (permuted, error) {
	density := func(us []unit) []float64 {
		out := make([]float64, len(us))
		for i, u := range us {
			out[i] = value(u) / u.area
		}
		return out
	}
	r, err := poisson.PermutationTest(density(treated), density(blank), poisson.PermutationOptions{Samples: opt.Draws, Seed: opt.Seed})
	if err != nil {
		return permuted{}, fmt.Errorf("compare: %w", err)
	}
	return permuted{r.Greater, r.TwoSided, r.Splits, r.Exact}, nil
}

// maxFlips is the number of pairs up to which all sign flips are looked at:
// 2^17 = 131 072.
const maxFlips = 17

// tie is the relative difference below which two statistics are equal: sums of
// a few numbers in different order differ by rounding only.
const tie = 1e-9

// flip is permute for pairs: the difference of each pair of densities may
// change its sign (Fisher 1935, The Design of Experiments, section 21).
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
	if len(d) <= maxFlips {
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

// choose returns n over k.
func choose(n, k int) float64 {
	c := 1.0
	for i := range k {
		c *= float64(n-i) / float64(i+1)
	}
	return math.Round(c)
}
