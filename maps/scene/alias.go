package scene

import "math/rand/v2"

// aliasTable draws channels from a fixed distribution in constant time
// (Walker 1977, ACM Trans. Math. Softw. 3, 253).
type aliasTable struct {
	keep  []float64
	other []int
}

func newAliasTable(p []float64) *aliasTable {
	n := len(p)
	t := &aliasTable{keep: make([]float64, n), other: make([]int, n)}
	total := 0.0
	for _, v := range p {
		total += v
	}
	var small, large []int
	scaled := make([]float64, n)
	for i, v := range p {
		scaled[i] = v / total * float64(n)
		if scaled[i] < 1 {
			small = append(small, i)
		} else {
			large = append(large, i)
		}
	}
	for len(small) > 0 && len(large) > 0 {
		s, l := small[len(small)-1], large[len(large)-1]
		small = small[:len(small)-1]
		t.keep[s], t.other[s] = scaled[s], l
		scaled[l] -= 1 - scaled[s]
		if scaled[l] < 1 {
			large = large[:len(large)-1]
			small = append(small, l)
		}
	}
	for _, i := range append(small, large...) {
		t.keep[i], t.other[i] = 1, i
	}
	return t
}

func (t *aliasTable) draw(rng *rand.Rand) int {
	u := rng.Float64() * float64(len(t.keep))
	i := min(int(u), len(t.keep)-1)
	if u-float64(i) < t.keep[i] {
		return i
	}
	return t.other[i]
}
