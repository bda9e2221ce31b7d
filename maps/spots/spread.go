package spots

import (
	"cmp"
	"math"
	"slices"
)

// upperDrop is the loss of log-likelihood at a one-sided 95 % limit: half the
// square of the normal quantile 1.6449.
const upperDrop = 1.3528

// upperWidth returns the 95 % upper limit of the width of component c, by the
// profile likelihood over the strength at the fitted place; frac must hold the
// other components.
func (m *model) upperWidth(c component) float64 {
	drop := func(s float64) float64 {
		_, llr := m.strength(newProfile(profile{}, c.x, c.y, s, m.w, m.h), c.f)
		return llr
	}
	top := drop(c.s)
	low, high := c.s, c.s*1.2
	for n := 0; drop(high) > top-upperDrop; n++ {
		if n == 20 {
			return math.Inf(1)
		}
		low, high = high, high*1.2
	}
	for high-low > 0.01*high {
		if mid := (low + high) / 2; drop(mid) > top-upperDrop {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// excessSpread returns the standard deviation of the excess counts of component c
// over what the likelihood leaves open in width (even in its logarithm, between
// least and most), strength and dose, at the fitted place; frac must hold the other
// components.
func (m *model) excessSpread(c component, least, most float64) float64 {
	const points = 15
	var llr, excess, variance [points]float64
	top := math.Inf(-1)
	for i := range points {
		s := least * math.Pow(most/least, float64(i)/(points-1))
		pr := newProfile(profile{}, c.x, c.y, s, m.w, m.h)
		f, l := m.strength(pr, c.f)
		_, d2 := m.slope(pr, f)
		v := 0.0
		m.each(pr, func(p int, k float64) { v += m.weight[p] * k })
		llr[i], excess[i], variance[i] = l, f*v, v*v/-d2*m.substrateFactor(pr)+f*f*m.doseVariance(pr)
		top = math.Max(top, l)
	}
	sum, mean, second := 0.0, 0.0, 0.0
	for i := range points {
		w := math.Exp(llr[i] - top)
		sum += w
		mean += w * excess[i]
		second += w * (excess[i]*excess[i] + variance[i])
	}
	mean /= sum
	return math.Sqrt(math.Max(0, second/sum-mean*mean))
}

// placeSpread returns the standard deviations of the place over the pixels within
// 2.5 widths of component c, weighted with the likelihood ratio of the first scan.
func (s *search) placeSpread(c component) (sx, sy float64) {
	r := 2.5*c.s + 1
	top := math.Inf(-1)
	var sum, mx, my, xx, yy float64
	visit := func(f func(dx, dy, u float64)) {
		for y := max(0, int(math.Ceil(c.y-r))); y <= min(s.h-1, int(c.y+r)); y++ {
			for x := max(0, int(math.Ceil(c.x-r))); x <= min(s.w-1, int(c.x+r)); x++ {
				if dx, dy := float64(x)-c.x, float64(y)-c.y; dx*dx+dy*dy <= r*r {
					f(dx, dy, s.first.u[y*s.w+x])
				}
			}
		}
	}
	visit(func(_, _, u float64) { top = math.Max(top, u) })
	visit(func(dx, dy, u float64) {
		w := math.Exp(u - top)
		sum += w
		mx += w * dx
		my += w * dy
		xx += w * dx * dx
		yy += w * dy * dy
	})
	if sum == 0 {
		return 0, 0
	}
	mx, my = mx/sum, my/sum
	return math.Sqrt(math.Max(0, xx/sum-mx*mx)), math.Sqrt(math.Max(0, yy/sum-my*my))
}

// intervalDrop is the loss of log-likelihood at the ends of a two-sided 95 %
// interval: half the square of the normal quantile 1.9600.
const intervalDrop = 1.9207

// doseVariance returns the variance of the counts under a profile, sum T·k, that
// the scatter of the totals T of the pixels makes, which are Poisson counts. The
// background of a count map is an expectation and has none.
func (m *model) doseVariance(pr profile) float64 {
	v := 0.0
	if m.pull == nil {
		m.each(pr, func(p int, k float64) { v += m.weight[p] * k * k })
	}
	return v
}

// substrateFactor returns the factor on the variance of a strength under a profile
// that the counts N behind the substrate spectrum make: an error of that spectrum, of
// variance s0/N in each class, acts on all pixels alike, so that it adds
// (sum T·k)²/(N·sum T·k²), that is about the counts under 4·pi·s² pixels over N.
func (m *model) substrateFactor(pr profile) float64 {
	if m.ground == nil || len(pr.k) == 0 {
		return 1
	}
	n := m.ground.phases[m.ground.at((pr.y0+pr.h/2)*m.w+pr.x0+pr.w/2)].counts
	if n == 0 {
		return 1
	}
	t1, t2 := 0.0, 0.0
	m.each(pr, func(p int, k float64) {
		t1 += m.weight[p] * k
		t2 += m.weight[p] * k * k
	})
	if t2 == 0 {
		return 1
	}
	return 1 + t1*t1/(n*t2)
}

// excessInterval returns the 95 % interval of the expected excess counts of component
// c by the profile likelihood over width and strength at the fitted place (Wilks 1938,
// Ann. Math. Stat. 9, 60); frac must hold the other components. The strength is a
// share of the counts, whose own scatter is added to both ends in quadrature (Zou &
// Donner 2008, Stat. Med. 27, 1693). TestStudyExcess measures how
// often it holds.
func (m *model) excessInterval(c component, least, most float64) (low, high float64) {
	const points = 21
	type point struct {
		pr        profile
		f, llr, v float64
	}
	var at [points]point
	top := math.Inf(-1)
	for i := range at {
		s := c.s // the last is the fitted width itself
		if i < points-1 {
			s = least * math.Pow(most/least, float64(i)/(points-2))
		}
		p := &at[i]
		p.pr = newProfile(profile{}, c.x, c.y, s, m.w, m.h)
		p.f, p.llr = m.strength(p.pr, c.f)
		m.each(p.pr, func(q int, k float64) { p.v += m.weight[q] * k })
		top = math.Max(top, p.llr)
	}
	low, high = math.Inf(1), 0
	for _, p := range at {
		level := top - intervalDrop*m.substrateFactor(p.pr)
		if p.llr < level || p.f <= 0 {
			continue
		}
		inside := func(f float64) bool { return f <= 0 && level <= 0 || f > 0 && m.gain(p.pr, f) >= level }
		a, b := 0.0, p.f // a outside, b inside
		if inside(0) {
			b = 0
		}
		for b-a > .01*p.f {
			if mid := (a + b) / 2; inside(mid) {
				b = mid
			} else {
				a = mid
			}
		}
		low = math.Min(low, b*p.v)
		limit := m.most
		for a, b = p.f, math.Min(1.5*p.f, limit); b < limit && inside(b); {
			a, b = b, math.Min(1.5*b, limit)
		}
		for b-a > .01*p.f {
			if mid := (a + b) / 2; inside(mid) {
				a = mid
			} else {
				b = mid
			}
		}
		high = math.Max(high, a*p.v)
	}
	best := slices.MaxFunc(at[:], func(p, q point) int { return cmp.Compare(p.llr, q.llr) })
	e, dose := best.f*best.v, math.Sqrt(2*intervalDrop*m.doseVariance(best.pr))*best.f
	return math.Max(0, e-math.Hypot(math.Max(0, e-low), dose)), e + math.Hypot(math.Max(0, high-e), dose)
}
