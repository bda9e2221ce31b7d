package spots

import (
	"math"
	"slices"

	"example.org/fleck/maps"
)

// window is the surroundings of one spot: pixels from (x0, y0), with the
// strength of the spot itself and of all others.
type window struct {
	x0, y0, w, h int
	own, other   []float64
}

// partsOf returns the components of spot i.
func (s *search) partsOf(i int) []component {
	var out []component
	for _, k := range s.spots[i].parts {
		out = append(out, s.m.parts[k])
	}
	return out
}

// windowOf returns the window of a spot of the given components; whole is the
// strength of all spots, this one included.
func (s *search) windowOf(parts []component, whole []float64) window {
	xa, ya, xb, yb := s.w, s.h, -1, -1
	for _, c := range parts {
		r := radiusPx(c.s) + 3
		xa, ya = min(xa, int(c.x)-r), min(ya, int(c.y)-r)
		xb, yb = max(xb, int(c.x)+r), max(yb, int(c.y)+r)
	}
	xa, ya, xb, yb = max(xa, 0), max(ya, 0), min(xb, s.w-1), min(yb, s.h-1)
	w, h := xb-xa+1, yb-ya+1
	win := window{xa, ya, w, h, make([]float64, w*h), make([]float64, w*h)}
	var pr profile
	for _, c := range parts {
		pr = newProfile(pr, c.x, c.y, c.s, s.w, s.h)
		for y := range pr.h {
			for x := range pr.w {
				win.own[(pr.y0+y-ya)*w+pr.x0+x-xa] += c.f * pr.k[y*pr.w+x]
			}
		}
	}
	for q := range win.own {
		win.other[q] = math.Max(0, whole[(ya+q/w)*s.w+xa+q%w]-win.own[q])
	}
	return win
}

// measure places and sizes spot i. m is a fork of the model, whose frac it
// leaves at whole, the strength of all spots.
func (s *search) measure(i int, m *model, whole []float64) (maps.Spot, window) {
	least, most := s.opt.MinWidthPx, 1.5*s.opt.Widths[len(s.opt.Widths)-1]
	sp := maps.Spot{LogLikelihood: s.spots[i].u, Verdict: maps.CannotTell}
	win := s.windowOf(s.partsOf(i), whole)
	parts := s.spots[i].parts
	total, vx, vy, second := 0.0, 0.0, 0.0, 0.0
	upper := math.NaN()
	var sigmas []float64
	for _, k := range parts {
		c := s.m.parts[k]
		m.put(c, -1)
		sx, sy, excess, sigma := m.uncertainty(c, least)
		excess *= m.placed(c)
		if len(parts) == 1 {
			// The curvature at the best fit understates what faint spots leave open.
			upper = m.upperWidth(c)
			sigma = math.Max(sigma, m.excessSpread(c, least, most))
			sp.ExcessLow, sp.ExcessHigh = m.excessInterval(c, least, most)
			px, py := s.placeSpread(c)
			sx, sy = math.Max(sx, px), math.Max(sy, py)
		}
		pr := newProfile(profile{}, c.x, c.y, c.s, s.w, s.h)
		m.each(pr, func(p int, _ float64) { m.frac[p] = whole[p] })
		total += excess
		sp.XPx += excess * c.x
		sp.YPx += excess * c.y
		second += excess * (c.x*c.x + c.y*c.y + 2*c.s*c.s)
		vx += excess * excess * sx * sx
		vy += excess * excess * sy * sy
		sigmas = append(sigmas, sigma)
		sp.ExcessSigma = sigma // stands if it is the only one
	}
	sp.ExcessCounts = total
	sp.XPx, sp.YPx = sp.XPx/total, sp.YPx/total
	for n, k := range parts { // how the counts are shared out is uncertain as well
		dx, dy := s.m.parts[k].x-sp.XPx, s.m.parts[k].y-sp.YPx
		vx += sigmas[n] * sigmas[n] * dx * dx
		vy += sigmas[n] * sigmas[n] * dy * dy
	}
	sp.SigmaXPx, sp.SigmaYPx = math.Sqrt(vx)/total, math.Sqrt(vy)/total
	sp.WidthPx = math.Sqrt(math.Max(least*least, (second/total-sp.XPx*sp.XPx-sp.YPx*sp.YPx)/2))
	if len(parts) > 1 {
		sp.ExcessSigma = m.shapeSigma(win)
		sp.ExcessLow, sp.ExcessHigh = math.Max(0, total-1.96*sp.ExcessSigma), total+1.96*sp.ExcessSigma
		if low, high, ok := m.asOne(s.partsOf(i), component{x: sp.XPx, y: sp.YPx, s: sp.WidthPx}, least, most); ok {
			sp.ExcessLow, sp.ExcessHigh = math.Min(sp.ExcessLow, low), math.Max(sp.ExcessHigh, high)
		}
	}
	sp.XUm, sp.YUm = micrometres(sp.XPx, sp.YPx, s.pixel)
	s.size(&sp, win, len(parts) == 1)
	sp.DiameterHighUm = math.NaN()
	if s.pixel.Known() && !math.IsInf(upper, 0) {
		sp.DiameterHighUm = fwhm * math.Sqrt(math.Max(0, upper*upper-least*least)*s.pixel.AreaUm2())
	}
	return sp, win
}

// placed returns the factor that takes the gain of the choice of its place off the
// strength of component c; frac must hold the other components.
func (m *model) placed(c component) float64 {
	_, d2 := m.slope(newProfile(profile{}, c.x, c.y, c.s, m.w, m.h), c.f)
	return unbiased(c.f, -d2) / c.f
}

// oneLoss is the loss of log-likelihood up to which one profile may stand for a spot
// of several components: half the 99 % quantile of chi-squared with the four
// parameters that one component more has.
const oneLoss = 6.64

// asOne returns the 95 % interval of the excess counts of a spot of several parts
// when it is one profile, fitted from start; ok is false where the counts exclude that.
// frac must hold these parts, and does again at the end.
func (m *model) asOne(parts []component, start component, least, most float64) (low, high float64, ok bool) {
	whole := slices.Clone(m.frac)
	defer copy(m.frac, whole)
	gain := 0.0
	for _, c := range parts {
		m.put(c, -1)
	}
	without := slices.Clone(m.frac)
	for _, c := range parts {
		gain += m.gain(newProfile(profile{}, c.x, c.y, c.s, m.w, m.h), c.f)
		start.f = math.Max(start.f, c.f)
		m.put(c, 1)
	}
	copy(m.frac, without)
	c := m.fit(start, least, most)
	if c.f <= 0 || c.llr < gain-oneLoss {
		return 0, 0, false
	}
	low, high = m.excessInterval(c, least, most)
	return low, high, true
}

// shapeSigma returns the standard uncertainty of the expected excess counts of a
// fixed shape of which only the strength, and the dose in a cube, are free.
func (m *model) shapeSigma(win window) float64 {
	excess, info, dose := 0.0, 0.0, 0.0
	for q, own := range win.own {
		if own == 0 {
			continue
		}
		p := (win.y0+q/win.w)*m.w + win.x0 + q%win.w
		excess += m.weight[p] * own
		if m.pull == nil { // the totals are counts
			dose += m.weight[p] * own * own
		}
		phi := math.Min(m.most, own+win.other[q])
		for g, r := range m.r {
			if n := m.class[g][p]; n != 0 {
				v := own * (r - 1) / (1 + phi*(r-1))
				info += n * v * v
			}
		}
	}
	return math.Sqrt(excess*excess/info + dose)
}

// fwhm is the full width at half maximum of a Gaussian of unit standard
// deviation, 2·sqrt(2 ln 2).
const fwhm = 2.3548200450309493

// Spots at least this many times as wide as the smallest width, and this many
// standard uncertainties strong in one such profile, are measured by the outline
// of the counts themselves instead of a fitted Gaussian (choices of this package).
const (
	outlineWidth  = 2.5
	outlineSigmas = 12.0
)

// size fills area and diameter. The area is that above half of the largest
// strength; the diameter is that of the circle of this area, with the smallest
// width (blur) taken off in quadrature, which is right for Gaussian-like profiles
// and negligible for wide ones.
func (s *search) size(sp *maps.Spot, win window, single bool) {
	least := s.opt.MinWidthPx
	sp.AreaUm2, sp.DiameterUm = math.NaN(), math.NaN()
	strength, blur := win.own, least
	if sp.WidthPx >= outlineWidth*least {
		if outline, ok := s.outline(win); ok {
			// Averaged with a profile of the smallest width: blurred once more.
			strength, blur, single = outline, math.Sqrt2*least, false
		}
	}
	top := 0.0
	for _, v := range strength {
		top = math.Max(top, v)
	}
	area := 0.0
	for q, v := range strength {
		if v < top/2 {
			continue
		}
		area++
		if x, y := win.x0+q%win.w, win.y0+q/win.w; x == 0 || y == 0 || x == s.w-1 || y == s.h-1 {
			sp.Touches = true
		}
	}
	if single { // the fitted profile knows fractions of pixels
		area = math.Pi / 4 * fwhm * fwhm * sp.WidthPx * sp.WidthPx
	}
	sp.AreaPx = math.Max(1, area)
	// Apparent below 1.2 times the blur: the width says nothing about size.
	sp.Unresolved = single && sp.WidthPx < 1.2*least
	if s.pixel.Known() {
		px := s.pixel.AreaUm2()
		sp.AreaUm2 = sp.AreaPx * px
		if !sp.Unresolved {
			sp.DiameterUm = math.Sqrt(4 / math.Pi * math.Max(0, area-math.Pi/4*fwhm*fwhm*blur*blur) * px)
		}
	}
}

// outline measures the strength of every pixel of a spot on the counts alone: the
// unbiased linear estimate sum n_g·(r_g−1)/(I·T) of a pixel, I = sum s0·(r−1)²,
// averaged with a profile of the smallest width; ok is false when the spot is too
// faint for that. Pixels where the fitted strength is below 1 % of its top stay 0.
func (s *search) outline(win window) (strength []float64, ok bool) {
	top, at := 0.0, 0
	for q, v := range win.own {
		if v > top {
			top, at = v, q
		}
	}
	measure := func(q int) (f, sigma float64) {
		return s.linearAt(float64(win.x0+q%win.w), float64(win.y0+q/win.w), s.opt.MinWidthPx)
	}
	if f, sigma := measure(at); !(f > outlineSigmas*sigma) {
		return nil, false
	}
	strength = make([]float64, len(win.own))
	for q, v := range win.own {
		if v > 0.01*top {
			f, _ := measure(q)
			strength[q] = math.Max(0, f-win.other[q])
		}
	}
	return strength, true
}

// linearAt returns the strength at a place by the linear estimate averaged over a
// profile of the given width, and its standard uncertainty. The likelihood would
// give counts at the rim of the profile the same weight as those in its middle
// where the background is low.
func (s *search) linearAt(x, y, width float64) (f, sigma float64) {
	sum, variance, weight := 0.0, 0.0, 0.0
	s.m.each(newProfile(profile{}, x, y, width, s.w, s.h), func(p int, k float64) {
		v, vv := s.linear(p)
		sum += k * v
		variance += k * k * vv
		weight += k * s.m.weight[p]
	})
	if weight == 0 {
		return 0, math.Inf(1)
	}
	return sum / weight, math.Sqrt(variance) / weight
}

// linear returns the excess counts of a pixel by the linear estimate, and their
// variance.
func (s *search) linear(p int) (excess, variance float64) {
	if s.m.pull != nil { // a count map: counts less background
		n, scale := s.m.class[0][p], s.m.weight[p]/s.m.pull[p]
		return (n - s.m.pull[p]) * scale, n * scale * scale
	}
	for g, r := range s.m.r {
		w := (r - 1) / s.per[g]
		n := s.m.class[g][p]
		excess += n * w
		variance += n * w * w
	}
	return excess, variance
}

func (s *search) llrMap() maps.Map {
	return maps.Map{W: s.w, H: s.h, V: s.first.u, What: whatLLR, Unit: "1", Pixel: s.pixel}
}
