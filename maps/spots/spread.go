package spots

import "math"

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

// unbiased returns the strength f of a profile, the best over places, with the gain
// of that choice taken off. To place a spot is to pick the largest of many strengths:
// near the truth f the likelihood integrated over the place falls as 1/f beside that
// of a known place (Laplace's approximation with two coordinates, each with the
// information f times the strength found; Cox & Reid 1987, J. R. Stat. Soc. B 49, 1,
// for adjusted profile likelihoods), so that its maximum solves
// (fitted − f)·information = 1/f. Below twice its uncertainty a strength is halved.
func unbiased(f, information float64) float64 {
	return f * (1 + math.Sqrt(math.Max(0, 1-4/(f*f*information)))) / 2
}

// excessLikelihood is the log-likelihood of the expected excess counts of a spot at
// its fitted place, the width at its best, adjusted as unbiased says.
type excessLikelihood struct {
	m      *model
	widths []struct {
		pr     profile
		fitted float64 // strength that fits best
		v      float64 // counts under the profile
	}
	most        float64 // excess that fills a pixel with target, for the widest profile
	excess, top float64 // at the maximum
	strength    float64 // there,
	pr          profile // with its profile
	factor      float64 // mean of twice the drop at the truth
}

// widthBias is the excess over 1 of the mean of the likelihood ratio of a spot whose
// width is free, times the square of its strength in standard deviations (a Bartlett
// correction 1937, measured by TestStudyExcessDrop). The nearer the width comes to its
// smallest value, the less freedom it has.
const widthBias = 6

// newExcessLikelihood looks at widths between least and most, even in the logarithm,
// and at the fitted one. frac of m must hold the other components, while it is used.
func newExcessLikelihood(m *model, c component, least, most float64) *excessLikelihood {
	const points = 21
	l := &excessLikelihood{m: m, top: math.Inf(-1)}
	for i := range points {
		s := c.s // the last is the fitted width itself
		if i < points-1 {
			s = least * math.Pow(most/least, float64(i)/(points-2))
		}
		pr := newProfile(profile{}, c.x, c.y, s, m.w, m.h)
		f, _ := m.strength(pr, c.f)
		if f <= 0 {
			continue
		}
		v := 0.0
		m.each(pr, func(q int, k float64) { v += m.weight[q] * k })
		l.widths = append(l.widths, struct {
			pr        profile
			fitted, v float64
		}{pr, f, v})
		l.most = math.Max(l.most, m.most*v)
		_, d2 := m.slope(pr, f)
		best := unbiased(f, -d2)
		if t := l.of(len(l.widths)-1, best); t > l.top {
			l.top, l.excess, l.strength, l.pr = t, best*v, best, pr
			l.factor = m.substrateFactor(pr) + widthBias*(1-least*least/(s*s))/(-d2*best*best)
		}
	}
	return l
}

func (l *excessLikelihood) of(width int, f float64) float64 {
	w := &l.widths[width]
	return l.m.gain(w.pr, f) - math.Log(f/w.fitted)
}

// at returns the log-likelihood of an excess > 0.
func (l *excessLikelihood) at(excess float64) float64 {
	t := math.Inf(-1)
	for i, w := range l.widths {
		if f := excess / w.v; f < l.m.most {
			t = math.Max(t, l.of(i, f))
		}
	}
	return t
}

// excessInterval returns the 95 % interval of the expected excess counts of component
// c by the likelihood ratio (Wilks 1938, Ann. Math. Stat. 9, 60); frac must hold the
// other components. The strength is a share of the counts, whose own scatter is added
// to both ends in quadrature (Zou & Donner 2008, Stat. Med. 27, 1693). TestStudyExcess
// measures how often it holds.
func (m *model) excessInterval(c component, least, most float64) (low, high float64) {
	l := newExcessLikelihood(m, c, least, most)
	if len(l.widths) == 0 {
		return 0, math.Inf(1)
	}
	level := l.top - intervalDrop*l.factor
	a, b := 0.0, l.excess // a outside, b inside
	for b-a > .005*l.excess {
		if mid := (a + b) / 2; l.at(mid) >= level {
			b = mid
		} else {
			a = mid
		}
	}
	low = b
	if a == 0 {
		low = 0
	}
	for a, b = l.excess, 1.5*l.excess; b < l.most && l.at(b) >= level; {
		a, b = b, 1.5*b
	}
	for b = math.Min(b, l.most); b-a > .005*l.excess; {
		if mid := (a + b) / 2; l.at(mid) >= level {
			a = mid
		} else {
			b = mid
		}
	}
	dose := math.Sqrt(2*intervalDrop*m.doseVariance(l.pr)) * l.strength
	return math.Max(0, l.excess-math.Hypot(l.excess-low, dose)), l.excess + math.Hypot(a-l.excess, dose)
}
