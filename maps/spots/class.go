package spots

import (
	"math"
	"sort"
)

// classes groups channels with like ratio r = s1/s0 of target to substrate.
type classes struct {
	of     []uint8   // class of each channel
	s0, s1 []float64 // share of the classes in substrate and target, sum 1
	r      []float64 // s1/s0
}

func (c *classes) n() int { return len(c.r) }

// softness keeps the information of a class finite where the substrate has
// next to nothing: the information is taken at 5 % target in the mixture
// (choice of this package; no source).
const softness = 0.05

// newClasses parts the channels, sorted by ratio, into at most k classes so
// that the separation sum (S1−S0)²/(S0+softness·S1) over the classes is the
// largest. smooth is the substrate spectrum that sorts the channels; raw the
// one that is summed.
func newClasses(smooth, raw, s1 []float64, k int) *classes {
	type bin struct{ s0, s1, raw float64 }
	n := len(s1)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	ratio := func(c int) float64 { return s1[c] / smooth[c] }
	sort.SliceStable(order, func(i, j int) bool { return ratio(order[i]) < ratio(order[j]) })

	// Bins of neighbours in the order, of about equal share in both spectra.
	const fine = 200
	bins := make([]bin, 0, fine+1)
	binOf := make([]int, n)
	share := 0.0
	for _, c := range order {
		if len(bins) == 0 || share >= float64(len(bins))/fine {
			bins = append(bins, bin{})
		}
		b := &bins[len(bins)-1]
		b.s0, b.s1, b.raw = b.s0+smooth[c], b.s1+s1[c], b.raw+raw[c]
		binOf[c] = len(bins) - 1
		share += 0.5*smooth[c] + 0.5*s1[c]
	}
	m := len(bins)
	k = min(k, m)
	c0, c1 := make([]float64, m+1), make([]float64, m+1)
	for i, b := range bins {
		c0[i+1], c1[i+1] = c0[i]+b.s0, c1[i]+b.s1
	}
	gain := func(i, j int) float64 { // bins i … j−1
		a0, a1 := c0[j]-c0[i], c1[j]-c1[i]
		if a0+a1 <= 0 {
			return 0
		}
		return (a1 - a0) * (a1 - a0) / (a0 + softness*a1)
	}
	// Best partition of the first j bins into g classes.
	best := make([][]float64, k+1)
	from := make([][]int, k+1)
	for g := range best {
		best[g], from[g] = make([]float64, m+1), make([]int, m+1)
		for j := range best[g] {
			best[g][j] = math.Inf(-1)
		}
	}
	best[0][0] = 0
	for g := 1; g <= k; g++ {
		for j := g; j <= m; j++ {
			for i := g - 1; i < j; i++ {
				if v := best[g-1][i] + gain(i, j); v > best[g][j] {
					best[g][j], from[g][j] = v, i
				}
			}
		}
	}
	classOfBin := make([]uint8, m)
	for g, j := k, m; g > 0; g-- {
		i := from[g][j]
		for b := i; b < j; b++ {
			classOfBin[b] = uint8(g - 1)
		}
		j = i
	}
	cl := &classes{of: make([]uint8, n), s0: make([]float64, k), s1: make([]float64, k), r: make([]float64, k)}
	for c := range cl.of {
		g := classOfBin[binOf[c]]
		cl.of[c] = g
		cl.s0[g] += raw[c]
		cl.s1[g] += s1[c]
	}
	return cl
}

// floor raises shares of the substrate below least, renormalises and fills in
// the ratios.
func (c *classes) floor(least float64) {
	t := 0.0
	for g := range c.s0 {
		c.s0[g] = math.Max(c.s0[g], least)
		t += c.s0[g]
	}
	for g := range c.s0 {
		c.s0[g] /= t
		c.r[g] = c.s1[g] / c.s0[g]
	}
}

// information returns sum (S1−S0)²/S0, the information per count about a small
// fraction of target.
func (c *classes) information() float64 {
	t := 0.0
	for g := range c.r {
		d := c.s1[g] - c.s0[g]
		t += d * d / c.s0[g]
	}
	return t
}
