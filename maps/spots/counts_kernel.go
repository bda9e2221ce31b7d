package spots

import "math"

// countKernel is what one width of the scan weighs a count map by.
type countKernel struct {
	f, log [len(strengths)]float64 // of its trials; log is −Inf where there are fewer
	taps   []tap
	// Of the bound: the profile along one axis, its square and third power, the sum of
	// the profile in the corners of its square that lie outside the disc, and the
	// weights of the sums of the squares and of the third powers.
	axis, square, cube []float64
	corner             float64
	quadratic, cubic   [len(strengths)]float64
}

// tap is a pixel of a quarter of the disc that a profile covers, for all four.
type tap struct {
	diagonal, counter int                     // index distances of the pixels on the two diagonals
	k                 float64                 // profile, divided by how often one pixel is met
	weight            [len(strengths)]float64 // ln(1 + f·k) − f·k, divided alike
}

// squareReach is the radius, in widths, at which the powers of the profile are cut;
// the third has fallen to exp(−7) there. Any value gives a bound; choice of this package.
const squareReach = 2.2

func newCountKernel(s float64, trials []trial, stride int) *countKernel {
	r := radiusPx(s)
	p := newProfile(profile{}, float64(r), float64(r), s, 2*r+1, 2*r+1)
	c := &countKernel{}
	for t := range c.log {
		c.log[t] = math.Inf(-1)
	}
	for t, tr := range trials {
		c.f[t], c.log[t] = tr.f, tr.log
		c.quadratic[t], c.cubic[t] = logBound(tr.f, p.k)
	}
	line := make([]float64, 2*r+1)
	axis(line, 0, float64(r), s)
	c.axis = line[r:]
	for j := range r + 1 {
		for i := range r + 1 {
			k := p.k[(r+j)*p.w+r+i]
			share := 1. // pixels on an axis are met twice, the middle four times
			if i == 0 {
				share /= 2
			}
			if j == 0 {
				share /= 2
			}
			if k == 0 {
				c.corner += 4 * share * c.axis[i] * c.axis[j]
				continue
			}
			t := tap{diagonal: j*stride + i, counter: j*stride - i, k: k * share}
			for n, f := range c.f {
				t.weight[n] = share * (math.Log1p(f*k) - f*k)
			}
			c.taps = append(c.taps, t)
		}
	}
	// The square of these pixels lies inside the disc.
	for i := 0; float64(i) < squareReach*s+1 && float64(i)*math.Sqrt2 <= reach*s+0.5; i++ {
		k := c.axis[i]
		c.square, c.cube = append(c.square, k*k), append(c.cube, k*k*k)
	}
	return c
}

// logBound returns a₂ and a₃ ≥ 0 of the bound ln(1 + f·k) ≤ f·k − a₂·k² + a₃·k³, 0 ≤ k ≤ 1:
// (f·k − ln(1 + f·k))/k² is convex in k and so lies above each of its tangents
// a₂ − a₃·k. Of 50 tangents it takes the one whose bound is lowest over the pixels of
// the profile.
func logBound(f float64, profile []float64) (a2, a3 float64) {
	least := math.Inf(1)
	for i := range 50 {
		k := float64(i+1) / 50
		loss, slope := logLoss(f * k)
		loss, slope = f*f*loss, f*f*f*slope
		at0 := loss - slope*k
		sum := 0.0
		for _, v := range profile {
			sum -= v * v * (at0 + slope*v)
		}
		if sum < least {
			least, a2, a3 = sum, at0, -slope
		}
	}
	return a2, a3
}

// logLoss returns (x − ln(1 + x))/x², x ≥ 0, which is the integral of t/(1 + x·t) over t
// from 0 to 1, and its derivative.
func logLoss(x float64) (v, slope float64) {
	if x < 0.1 { // 1/2 − x/3 + x²/4 − …; the terms left out are below 1e-18
		for i := 17; i >= 0; i-- {
			slope = v - x*slope // Horner's rule for the series in −x and its derivative
			v = 1/float64(i+2) - x*v
		}
		return v, -slope
	}
	l := x - math.Log1p(x)
	return l / (x * x), (x/(1+x) - 2*l/x) / (x * x)
}
