package spots

import "math"

// reach is the radius, in widths, beyond which a profile is cut to zero: the
// Gaussian has fallen to exp(−8) = 0.0003 there.
const reach = 4.0

// profile is the part of a round Gaussian of unit peak that lies inside the
// frame: exp(−ρ²/2s²) averaged over each pixel, cut at reach·s.
type profile struct {
	x0, y0, w, h int       // window inside the frame
	k            []float64 // len w·h
}

// axis writes the average of exp(−(t−c)²/2s²) over the pixels from … from+len(dst)−1.
func axis(dst []float64, from int, c, s float64) {
	a := 1 / (math.Sqrt2 * s)
	norm := s * math.Sqrt(math.Pi/2)
	low := math.Erf((float64(from) - 0.5 - c) * a)
	for i := range dst {
		high := math.Erf((float64(from+i) + 0.5 - c) * a)
		dst[i] = norm * (high - low)
		low = high
	}
}

// radiusPx returns the half side of the window that holds a profile of width s.
func radiusPx(s float64) int { return int(math.Ceil(reach*s + 0.5)) }

// newProfile returns the profile of width s centred at (x, y) in a frame of
// w × h pixels. dst's memory is reused.
func newProfile(dst profile, x, y, s float64, w, h int) profile {
	r := radiusPx(s)
	cx, cy := int(math.Round(x)), int(math.Round(y))
	xa, xb := max(cx-r, 0), min(cx+r, w-1)
	ya, yb := max(cy-r, 0), min(cy+r, h-1)
	if xa > xb || ya > yb {
		return profile{k: dst.k[:0]}
	}
	p := profile{x0: xa, y0: ya, w: xb - xa + 1, h: yb - ya + 1}
	n := p.w * p.h
	if cap(dst.k) < n {
		dst.k = make([]float64, n)
	}
	p.k = dst.k[:n]
	line := make([]float64, p.w+p.h)
	gx, gy := line[:p.w], line[p.w:]
	axis(gx, xa, x, s)
	axis(gy, ya, y, s)
	limit := reach*s + 0.5
	for j := range gy {
		dy := float64(ya+j) - y
		for i := range gx {
			dx := float64(xa+i) - x
			v := 0.0
			if dx*dx+dy*dy <= limit*limit {
				v = gx[i] * gy[j]
			}
			p.k[j*p.w+i] = v
		}
	}
	return p
}

// kernelEnergy returns the sum of k² over the pixels for a profile of width s
// centred on a pixel, and the sum of k.
func kernelEnergy(s float64) (k2, k1 float64) {
	r := radiusPx(s)
	p := newProfile(profile{}, float64(r), float64(r), s, 2*r+1, 2*r+1)
	for _, v := range p.k {
		k2 += v * v
		k1 += v
	}
	return k2, k1
}
