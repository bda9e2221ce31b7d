package spots

import (
	"cmp"
	"slices"
	"sort"
)

// peak is a local maximum of the scan.
type peak struct {
	p int // pixel index
	u float64
}

// floorU is the height below which local maxima are not looked at: the data do
// not speak for a spot there (average likelihood ratio 1).
const floorU = 0.0

// localMaxima returns the pixels of u above floorU that are not below any of
// their eight neighbours, highest first. Of equal neighbours the first counts.
func localMaxima(dst []peak, u []float64, w, h int) []peak {
	dst = dst[:0]
	for y := range h {
		for x := range w {
			p := y*w + x
			v := u[p]
			if !(v > floorU) {
				continue
			}
			top := true
			for j := max(y-1, 0); j <= min(y+1, h-1) && top; j++ {
				for i := max(x-1, 0); i <= min(x+1, w-1); i++ {
					q := j*w + i
					if q < p && u[q] >= v || q > p && u[q] > v {
						top = false
						break
					}
				}
			}
			if top {
				dst = append(dst, peak{p, v})
			}
		}
	}
	slices.SortFunc(dst, func(a, b peak) int {
		return cmp.Or(cmp.Compare(b.u, a.u), cmp.Compare(a.p, b.p))
	})
	return dst
}

// nullLaw is what replicas without spots gave.
type nullLaw struct {
	replicas int
	maxima   []float64 // highest value of each replica, rising
	heights  []float64 // all local maxima of all replicas, rising
}

// atLeast returns how many of the rising values are ≥ v.
func atLeast(rising []float64, v float64) int {
	return len(rising) - sort.SearchFloat64s(rising, v)
}

// fieldP returns (r+1)/(M+1) for a field maximum u.
func (n *nullLaw) fieldP(u float64) float64 {
	return float64(atLeast(n.maxima, u)+1) / float64(n.replicas+1)
}

// peakP returns the p-value of one local maximum of height u.
func (n *nullLaw) peakP(u float64) float64 {
	return float64(atLeast(n.heights, u)+1) / float64(len(n.heights)+1)
}

// falsePeaks returns the expected number of local maxima ≥ u of a field
// without spots.
func (n *nullLaw) falsePeaks(u float64) float64 {
	return float64(atLeast(n.heights, u)) / float64(n.replicas)
}

// levelOf returns the height that falsePeaks reaches no more often than
// expected per field.
func (n *nullLaw) levelOf(expected float64) float64 {
	k := int(expected * float64(n.replicas))
	if k >= len(n.heights) {
		return floorU
	}
	if k <= 0 {
		k = 1
	}
	return n.heights[len(n.heights)-k]
}

// threshold returns the height that the field maximum exceeds with probability
// alpha at most: the smallest with fieldP ≤ alpha.
func (n *nullLaw) threshold(alpha float64) float64 {
	// (r+1)/(M+1) ≤ alpha for r replicas at or above.
	r := int(alpha*float64(n.replicas+1)) - 1
	if r < 0 {
		r = 0
	}
	return n.maxima[len(n.maxima)-1-min(r, len(n.maxima)-1)]
}
