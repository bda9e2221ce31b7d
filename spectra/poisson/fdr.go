package poisson

import (
	"math"
	"sort"
)

// BenjaminiHochberg returns the adjusted p-values (q-values) of p, in the same
// order: rejecting all hypotheses with q ≤ level controls the expected share
// of false ones among the rejected at that level, for independent or
// positively dependent tests. An entry that is NaN stands for "no test": it is
// not counted and stays NaN. An entry outside [0, 1] makes all entries NaN.
//
// Source: Benjamini & Hochberg (1995), J. R. Stat. Soc. B 57, 289; adjusted
// form min over larger ranks of p·m/rank.
func BenjaminiHochberg(p []float64) []float64 {
	return stepUp(p, func(int) float64 { return 1 })
}

// BenjaminiYekutieli returns adjusted p-values that control the false
// discovery rate under any dependence, at the cost of the factor
// 1 + 1/2 + … + 1/m. For the rest see BenjaminiHochberg.
//
// Source: Benjamini & Yekutieli (2001), Ann. Stat. 29, 1165, theorem 1.3.
func BenjaminiYekutieli(p []float64) []float64 {
	return stepUp(p, harmonic)
}

// harmonic returns 1 + 1/2 + … + 1/m.
func harmonic(m int) float64 {
	var sum float64
	for i := m; i >= 1; i-- { // small terms first
		sum += 1 / float64(i)
	}
	return sum
}

func stepUp(p []float64, factor func(m int) float64) []float64 {
	q := make([]float64, len(p))
	order := make([]int, 0, len(p))
	for i, v := range p {
		q[i] = math.NaN()
		if math.IsNaN(v) {
			continue
		}
		if v < 0 || v > 1 {
			for j := range q {
				q[j] = math.NaN()
			}
			return q
		}
		order = append(order, i)
	}
	sort.SliceStable(order, func(a, b int) bool { return p[order[a]] < p[order[b]] })
	m := len(order)
	f := factor(m) * float64(m)
	least := 1.0
	for rank := m; rank >= 1; rank-- {
		i := order[rank-1]
		least = math.Min(least, p[i]*f/float64(rank))
		q[i] = least
	}
	return q
}

// Rejected returns for each p-value whether the step-up procedure of Benjamini
// & Hochberg (1995) rejects its hypothesis at false discovery rate q
// (0 < q < 1): all p up to the largest p_(k) ≤ k·q/m. NaN entries are not
// counted and not rejected.
func Rejected(p []float64, q float64) []bool {
	r := make([]bool, len(p))
	for i, v := range BenjaminiHochberg(p) {
		r[i] = v <= q // false for NaN
	}
	return r
}
