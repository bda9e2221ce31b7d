package spots

import (
	"math"

	"example.org/fleck/maps"
)

// window is the surroundings of one spot: pixels from (x0, y0), with the
// strength of the spot itself and of all others.
type window struct {
	x0, y0, w, h int
	own, other   []float64
}

// measure places and sizes spot i. m is a fork of the model; whole the strength
// of all spots.
func (s *search) measure(i int, m *model, whole []float64) (maps.Spot, window) {
	least := s.opt.MinWidthPx
	sp := maps.Spot{LogLikelihood: s.spots[i].u, Verdict: maps.CannotTell}
	parts := s.spots[i].parts
	main := s.m.parts[parts[0]]
	for _, k := range parts { // the strongest part names place and width
		if c := s.m.parts[k]; c.f*c.s*c.s > main.f*main.s*main.s {
			main = c
		}
	}
	// Fraction of target of this spot and of all others.
	own := make([]float64, len(whole))
	xa, ya, xb, yb := s.w, s.h, -1, -1
	variance := 0.0
	var pr profile
	for _, k := range parts {
		c := s.m.parts[k]
		copy(m.frac, whole)
		pr = newProfile(pr, c.x, c.y, c.s, s.w, s.h)
		for y := range pr.h {
			for x := range pr.w {
				q := (pr.y0+y)*s.w + pr.x0 + x
				v := c.f * pr.k[y*pr.w+x]
				own[q] += v
				m.frac[q] = math.Max(0, m.frac[q]-v)
			}
		}
		sx, sy, excess, sigma := m.uncertainty(c, least)
		sp.ExcessCounts += excess
		variance += sigma * sigma
		if c == main {
			sp.SigmaXPx, sp.SigmaYPx = sx, sy
		}
		r := radiusPx(c.s) + 3
		xa, ya = min(xa, int(c.x)-r), min(ya, int(c.y)-r)
		xb, yb = max(xb, int(c.x)+r), max(yb, int(c.y)+r)
	}
	sp.ExcessSigma = math.Sqrt(variance)
	sp.XPx, sp.YPx, sp.WidthPx = main.x, main.y, main.s
	sp.XUm, sp.YUm = micrometres(main.x, main.y, s.pixel)
	xa, ya, xb, yb = max(xa, 0), max(ya, 0), min(xb, s.w-1), min(yb, s.h-1)
	w, h := xb-xa+1, yb-ya+1
	win := window{xa, ya, w, h, make([]float64, w*h), make([]float64, w*h)}
	top := 0.0
	for y := range h {
		for x := range w {
			q := (ya+y)*s.w + xa + x
			win.own[y*w+x] = own[q]
			win.other[y*w+x] = math.Max(0, whole[q]-own[q])
			top = math.Max(top, own[q])
		}
	}
	for y := range h {
		for x := range w {
			if win.own[y*w+x] >= top/2 {
				sp.AreaPx++
				if fx, fy := xa+x, ya+y; fx == 0 || fy == 0 || fx == s.w-1 || fy == s.h-1 {
					sp.Touches = true
				}
			}
		}
	}
	s.size(&sp, len(parts) == 1)
	return sp, win
}

// fwhm is the full width at half maximum of a Gaussian of unit standard
// deviation, 2·sqrt(2 ln 2).
const fwhm = 2.3548200450309493

// size fills the area and the diameter: that of the circle at half height, with
// the smallest width (blur) taken off in quadrature, which is right for
// Gaussian-like profiles.
func (s *search) size(sp *maps.Spot, single bool) {
	least := s.opt.MinWidthPx
	sp.AreaUm2, sp.DiameterUm = math.NaN(), math.NaN()
	area := sp.AreaPx
	if single { // the fitted profile knows fractions of pixels
		area = math.Pi / 4 * fwhm * fwhm * sp.WidthPx * sp.WidthPx
	}
	sp.AreaPx = math.Max(1, area)
	// Apparent below 1.2 times the blur: the width says nothing about size.
	sp.Unresolved = single && sp.WidthPx < 1.2*least
	if s.pixel.Known() {
		px := s.pixel.AreaUm2()
		sp.AreaUm2 = sp.AreaPx * px
		blur := math.Pi / 4 * fwhm * fwhm * least * least
		if !sp.Unresolved {
			sp.DiameterUm = math.Sqrt(4 / math.Pi * math.Max(0, area-blur) * px)
		}
	}
}

func (s *search) llrMap() maps.Map {
	return maps.Map{W: s.w, H: s.h, V: s.first.u, What: whatLLR, Unit: "1", Pixel: s.pixel}
}
