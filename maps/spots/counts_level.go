package spots

import "math"

// planes says how the moments 1, x and y of the counts about every pixel give the
// background there when nothing is masked.
type planes struct {
	k, kx   []float64 // window along one axis from its middle, and times the distance in windowS
	one     []float64
	x, y    []float64
	mean    []float64 // weight of the moment 1 in the local mean; 0 where too little is left of the window
	sloping []bool    // columns by blocks: x is not 0 throughout
}

// newPlanes fits the planes of the valid pixels.
func (s *countSearch) newPlanes() planes {
	n := s.w * s.h
	k, t := gaussWindow(s.windowS)
	pl := planes{k: k, kx: make([]float64, len(k)), one: make([]float64, n), x: make([]float64, n), y: make([]float64, n), mean: make([]float64, n),
		sloping: make([]bool, (s.w+block-1)/block)}
	for i := range k {
		k[i] /= t
		pl.kx[i] = k[i] * float64(i) / s.windowS
	}
	for p := range n {
		var d [6]float64
		for i := range d {
			d[i] = s.plain[i][p]
		}
		if d[0] < leastWindow {
			continue
		}
		pl.mean[p] = 1 / d[0]
		a1, a2, den := slopes(d, float64(p%s.w)/s.windowS, float64(p/s.w)/s.windowS)
		pl.one[p] = 1 / den
		if math.Abs(a1) > noSlope {
			pl.x[p], pl.sloping[p%s.w/block] = -a1/den, true
		}
		if math.Abs(a2) > noSlope {
			pl.y[p] = -a2 / den
		}
	}
	return pl
}

// noSlope bounds what rounding leaves of a1 and a2 where a window is whole, or even
// about its middle. A single pixel that is missing in the corner of a window leaves
// 1e-9 and more for windowS up to 200 px; choice of this package.
const noSlope = 1e-9

// level writes to b what background returns for the counts n without a mask, but for
// rounding: the moments are summed up about every pixel, and those along x and y only
// where the window is not whole. The counts of pixels that are not valid must be 0.
func (s *countSearch) level(b, n []float64) {
	pl := &s.planes
	src := newFramed(s.w, s.h, len(pl.k)-1)
	src.set(n)
	even, odd := newFramed(s.w, s.h, src.pad), newFramed(s.w, s.h, src.pad)
	even.sumRows(src, pl.k)
	for y := range s.h {
		for i, sloping := range pl.sloping {
			if sloping {
				at := src.at(i*block, y)
				oddSums(odd.block(at), src.v, at, 1, pl.kx)
			}
		}
	}
	all, pixels := 0.0, 0.0
	for p, v := range n {
		if s.valid[p] {
			all += v
			pixels++
		}
	}
	all /= pixels
	for y := range s.h {
		for i, sloping := range pl.sloping {
			at := src.at(i*block, y)
			p, end := y*s.w+i*block, y*s.w+min((i+1)*block, s.w)
			var m, mx, my [block]float64
			evenSums(&m, even.v, at, even.stride, pl.k)
			if sloping {
				evenSums(&mx, odd.v, at, odd.stride, pl.k)
			}
			if anyNot0(pl.y[p:end]) {
				oddSums(&my, even.v, at, even.stride, pl.kx)
			}
			for j := range end - p {
				p := p + j
				v := all
				if pl.mean[p] > 0 {
					v = math.Max(pl.one[p]*m[j]+pl.x[p]*mx[j]+pl.y[p]*my[j], 0.1*pl.mean[p]*m[j])
				}
				b[p] = 0
				if s.valid[p] {
					b[p] = math.Max(v, 0.5/float64(len(b)))
				}
			}
		}
	}
}

func anyNot0(v []float64) bool {
	for _, x := range v {
		if x != 0 {
			return true
		}
	}
	return false
}
