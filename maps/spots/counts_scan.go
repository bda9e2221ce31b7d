package spots

import (
	"cmp"
	"math"
	"slices"
)

// countScan works out the heights u of a scan where they are asked for, and finds the
// local maxima without those of every pixel: the scanner of count maps.
//
// The log-likelihood ratio of a spot of strength f is Σ n·ln(1 + f·k) − f·Σ k·b over the
// counts n and the background b. By logBound it is at most f·Σ k·(n − b) − a₂·Σ k²·n + a₃·Σ k³·n,
// whose sums part into rows and columns. Only where this leaves room for a maximum
// above floorU is the ratio itself summed up.
type countScan struct {
	bank       *bank
	w, h       int
	kernels    []*countKernel
	n, excess  *framed      // counts, and counts above the background
	both       [][2]float64 // the same side by side
	rows       [3]*framed   // sums along the rows: excess by k, counts by k² and k³
	bound      []float64    // of u
	u          []float64    // NaN where it is not known
	candidates []int
	inner      [8]int // index distances of neighbours inside the map
	outer      [8]int // memory of those along the frame
	list       []peak
	costly     int // number of pixels above which scanning all of them is cheaper, or −1: always scan all
	whole      *scanned
	scratch    *scratch
}

// transformCost is about what a scan by transforms takes per pixel and trial, as a
// multiple of the time of a tap of a candidate; measured.
const transformCost = 20

// newCountScan takes the pixels that are valid. Where some lie out of reach of all of
// these their heights are 0 but for the rounding of the transforms, which makes maxima of
// them as it does in the counts themselves: all is scanned there.
func newCountScan(b *bank, valid []bool) *countScan {
	c := &countScan{bank: b, w: b.w, h: b.h, bound: make([]float64, b.w*b.h), u: make([]float64, b.w*b.h)}
	c.inner = [...]int{-c.w - 1, -c.w, -c.w + 1, -1, 1, c.w - 1, c.w, c.w + 1}
	pad := radiusPx(b.widths[len(b.widths)-1])
	c.n, c.excess = newFramed(b.w, b.h, pad), newFramed(b.w, b.h, pad)
	c.both = make([][2]float64, len(c.n.v))
	for i := range c.rows {
		c.rows[i] = newFramed(b.w, b.h, pad)
	}
	taps := 0
	for i, s := range b.widths {
		var own []trial
		for _, tr := range b.trials {
			if tr.width == i {
				own = append(own, tr)
			}
		}
		k := newCountKernel(s, own, c.n.stride)
		c.kernels = append(c.kernels, k)
		taps += len(k.taps)
	}
	c.costly = transformCost * len(b.trials) * len(b.tiles) * b.nx * b.ny / taps
	if b.outOfReach(valid) {
		c.costly = -1
	}
	return c
}

// outOfReach reports whether there is a pixel that the widest profile does not join
// with a valid one.
func (b *bank) outOfReach(valid []bool) bool {
	s := b.widths[len(b.widths)-1]
	r := radiusPx(s)
	pr := newProfile(profile{}, float64(r), float64(r), s, 2*r+1, 2*r+1)
	joined := func(x, y int) bool {
		for j := max(0, y-r); j <= min(b.h-1, y+r); j++ {
			for i := max(0, x-r); i <= min(b.w-1, x+r); i++ {
				if valid[j*b.w+i] && pr.k[(j-y+r)*pr.w+i-x+r] > 0 {
					return true
				}
			}
		}
		return false
	}
	for p, ok := range valid {
		if !ok && !joined(p%b.w, p/b.w) {
			return true
		}
	}
	return false
}

// load takes counts and background, both divided by the variance-to-mean ratio.
func (c *countScan) load(class [][]float64) {
	for y := range c.h {
		at := c.n.at(0, y)
		for x := range c.w {
			p := y*c.w + x
			n, excess := class[0][p], class[0][p]-class[1][p]
			c.n.v[at+x], c.excess.v[at+x], c.both[at+x] = n, excess, [2]float64{n, excess}
			c.u[p] = math.NaN()
		}
	}
}

// scanAll fills u by transforms.
func (c *countScan) scanAll(class [][]float64) {
	if c.whole == nil {
		c.whole, c.scratch = newScanned(len(c.u)), c.bank.newScratch()
	}
	c.bank.scan(c.whole, class, c.scratch)
	copy(c.u, c.whole.u)
}

// height returns u at pixel p.
func (c *countScan) height(p int) float64 {
	if u := c.u[p]; !math.IsNaN(u) {
		return u
	}
	at := c.n.at(p%c.w, p/c.w)
	top, sum := math.Inf(-1), 0.0
	for _, k := range c.kernels {
		for t, v := range c.ratios(k, at) {
			v += k.log[t]
			if d := v - top; d > 0 {
				top, sum = v, sum*math.Exp(-d)+1
			} else {
				sum += math.Exp(d)
			}
		}
	}
	c.u[p] = top + math.Log(sum)
	return c.u[p]
}

// around returns a map of u that is right within r of the places.
func (c *countScan) around(class [][]float64, places []place, r float64) []float64 {
	c.load(class)
	if side := int(2*r) + 3; side*side*len(places) > c.costly {
		c.scanAll(class)
		return c.u
	}
	for _, pl := range places {
		for y := max(0, int(pl.y-r)); y <= min(c.h-1, int(pl.y+r+1)); y++ {
			for x := max(0, int(pl.x-r)); x <= min(c.w-1, int(pl.x+r+1)); x++ {
				c.height(y*c.w + x)
			}
		}
	}
	return c.u
}

// ratios returns the log-likelihood ratios of the strengths of one width.
func (c *countScan) ratios(k *countKernel, at int) [len(strengths)]float64 {
	var l0, l1, l2, l3, score float64
	for i := range k.taps {
		t := &k.taps[i]
		a, b, d, e := &c.both[at-t.diagonal], &c.both[at+t.diagonal], &c.both[at-t.counter], &c.both[at+t.counter]
		n := (a[0] + b[0]) + (d[0] + e[0])
		l0 += n * t.weight[0]
		l1 += n * t.weight[1]
		l2 += n * t.weight[2]
		l3 += n * t.weight[3]
		score += ((a[1] + b[1]) + (d[1] + e[1])) * t.k
	}
	out := [...]float64{l0, l1, l2, l3}
	for t, f := range k.f {
		out[t] += f * score
	}
	return out
}

// peaks returns the local maxima above floorU, in any order, and the largest u. The
// list is overwritten by the next call.
func (c *countScan) peaks(class [][]float64) (list []peak, top float64) {
	c.list = c.list[:0]
	if c.costly > 0 {
		c.load(class)
		c.bounds()
		if len(c.candidates) <= c.costly {
			c.climb()
		}
	}
	if len(c.list) == 0 {
		c.scanAll(class)
		c.list = localMaxima(c.list, c.u, c.w, c.h)
		return c.list, slices.Max(c.u)
	}
	top = math.Inf(-1)
	for _, p := range c.list {
		top = math.Max(top, p.u)
	}
	return c.list, top
}

// climb lists the local maxima above floorU among the candidates.
func (c *countScan) climb() {
	// From the highest bound down: what is known rules out neighbours.
	slices.SortFunc(c.candidates, func(p, q int) int { return cmp.Or(cmp.Compare(c.bound[q], c.bound[p]), cmp.Compare(p, q)) })
	for _, p := range c.candidates {
		ruledOut := false
		for _, q := range c.neighbours(p) {
			ruledOut = ruledOut || c.u[p+q] > c.bound[p]
		}
		if !ruledOut {
			c.height(p)
		}
	}
	for _, p := range c.candidates {
		if c.u[p] > floorU && !c.beaten(p, false) && !c.beaten(p, true) {
			c.list = append(c.list, peak{p, c.u[p]})
		}
	}
}

// beaten reports whether u of a neighbour of pixel p is above that of p; of equal ones
// the first counts. It asks those that are known, or all that may be.
func (c *countScan) beaten(p int, all bool) bool {
	v := c.u[p]
	for _, q := range c.neighbours(p) {
		if all && c.bound[p+q] >= v {
			c.height(p + q)
		}
		if c.u[p+q] > v || c.u[p+q] == v && q < 0 {
			return true
		}
	}
	return false
}

// neighbours returns the index distances of the up to eight neighbours of pixel p;
// the next call may overwrite them.
func (c *countScan) neighbours(p int) []int {
	x, y := p%c.w, p/c.w
	if x > 0 && y > 0 && x < c.w-1 && y < c.h-1 {
		return c.inner[:]
	}
	list := c.outer[:0]
	for j := max(y-1, 0); j <= min(y+1, c.h-1); j++ {
		for i := max(x-1, 0); i <= min(x+1, c.w-1); i++ {
			if q := j*c.w + i - p; q != 0 {
				list = append(list, q)
			}
		}
	}
	return list
}

// Choices of this package that make the bound a little higher than it is.
const (
	boundMargin = 1e-6 // for rounding
	faint       = -2.0 // ratios below count as this much, so that few exponentials are needed
)

// bounds fills bound and candidates.
func (c *countScan) bounds() {
	clear(c.bound)
	most := 0.0 // largest background
	for i, v := range c.n.v {
		most = math.Max(most, v-c.excess.v[i])
	}
	for _, k := range c.kernels {
		c.rows[0].sumRows(c.excess, k.axis)
		c.rows[1].sumRows(c.n, k.square)
		c.rows[2].sumRows(c.n, k.cube)
		var share, rest [len(strengths)]float64
		for t := len(share) - 1; t >= 0; t-- {
			share[t] = math.Exp(k.log[t])
			rest[t] = share[t] * math.Exp(faint)
			if t+1 < len(rest) {
				rest[t] += rest[t+1]
			}
		}
		for y := range c.h {
			for x := 0; x < c.w; x += block {
				var k1, k2, k3 [block]float64
				at := c.n.at(x, y)
				evenSums(&k1, c.rows[0].v, at, c.n.stride, k.axis)
				evenSums(&k2, c.rows[1].v, at, c.n.stride, k.square)
				evenSums(&k3, c.rows[2].v, at, c.n.stride, k.cube)
				out := c.bound[y*c.w+x : y*c.w+min(x+block, c.w)]
				for i := range out {
					score := k1[i] + k.corner*most
					for t, f := range k.f {
						l := f*score - k.quadratic[t]*k2[i] + k.cubic[t]*k3[i]
						if l < faint {
							// The ratio is concave in f and 0 at 0: greater ones are lower still.
							out[i] += rest[t]
							break
						}
						out[i] += share[t] * math.Exp(l)
					}
				}
			}
		}
	}
	c.candidates = c.candidates[:0]
	for p, v := range c.bound {
		c.bound[p] = math.Log(v) + boundMargin
		if c.bound[p] > floorU {
			c.candidates = append(c.candidates, p)
		}
	}
}
