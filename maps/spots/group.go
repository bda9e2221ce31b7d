package spots

import (
	"cmp"
	"math"
	"slices"

	"example.org/fleck/spectra/poisson"
)

// found is one spot: components that belong together.
type found struct {
	parts []int // into model.parts, strongest first
	u     float64
}

func gauss(dx, dy, s float64) float64 { return math.Exp(-(dx*dx + dy*dy) / (2 * s * s)) }

// Two components are spots of their own if the model dips between them below
// dipShare of the weaker one and a ridge that joins them, without a dip, fits the
// counts worse by dipGain in log-likelihood (3 standard deviations; both are
// choices of this package).
const (
	dipShare = 0.8
	dipGain  = 4.5
)

// bridgeShare is the strength, relative to the weaker of two spots, from which a
// component between them makes them one.
const bridgeShare = 0.5

// group joins components to spots: from the strongest down, each belongs to the
// spot of the nearest stronger one that it is not apart from, or begins its own.
// One of like strength that is apart from neither of two spots makes them one.
func (s *search) group() {
	parts := s.m.parts
	order := make([]int, len(parts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(parts[b].f, parts[a].f) })
	spot := make([]int, len(parts))
	for n, i := range order {
		spot[i] = i
		host, nearest := -1, math.Inf(1)
		var touched []int
		for _, k := range order[:n] {
			if s.apart(parts[k], parts[i]) {
				continue
			}
			touched = append(touched, k)
			if d := math.Hypot(parts[k].x-parts[i].x, parts[k].y-parts[i].y); d < nearest {
				host, nearest = k, d
			}
		}
		if host < 0 {
			continue
		}
		spot[i] = spot[host]
		for _, k := range touched {
			if old := spot[k]; old != spot[i] && parts[i].f >= bridgeShare*parts[k].f {
				for _, j := range order[:n] {
					if spot[j] == old {
						spot[j] = spot[i]
					}
				}
			}
		}
	}
	at := make(map[int]int)
	s.spots = nil
	for _, i := range order {
		k, ok := at[spot[i]]
		if !ok {
			k = len(s.spots)
			at[spot[i]] = k
			s.spots = append(s.spots, found{u: parts[i].u})
		}
		s.spots[k].parts = append(s.spots[k].parts, i)
		s.spots[k].u = math.Max(s.spots[k].u, parts[i].u)
	}
}

// Components further apart than apartWidths times their widths together are
// spots of their own without a look at the counts; so are those whose widths
// differ by more than unlikeWidths unless the narrow one sits in the middle of the
// wide one: a spot on a wide faint hump is not the hump.
const (
	apartWidths  = 3.0
	unlikeWidths = 4.0
)

// apart reports whether two components are spots of their own.
func (s *search) apart(a, b component) bool {
	d := math.Hypot(a.x-b.x, a.y-b.y)
	narrow, wide := math.Min(a.s, b.s), math.Max(a.s, b.s)
	if d > apartWidths*(a.s+b.s) || wide > unlikeWidths*narrow && d > 3*narrow {
		return true
	}
	// Where the model is lowest between the two.
	const steps = 40
	low := math.Inf(1)
	ends := [2]float64{}
	for k := range steps + 1 {
		t := float64(k) / steps
		x, y := a.x+t*(b.x-a.x), a.y+t*(b.y-a.y)
		v := 0.0
		for _, q := range s.m.parts {
			v += q.f * gauss(x-q.x, y-q.y, q.s)
		}
		if k == 0 || k == steps {
			ends[k/steps] = v
		}
		low = math.Min(low, v)
	}
	if low >= dipShare*math.Min(ends[0], ends[1]) {
		return false
	}
	return s.m.ridgeLoss(a, b) > dipGain
}

// ridgeLoss returns the log-likelihood that is lost when two components of the
// model are replaced by a ridge between them, whose strength and width go evenly
// from one to the other and whose height is fitted.
func (m *model) ridgeLoss(a, b component) float64 {
	ra, rb := radiusPx(a.s), radiusPx(b.s)
	xa := max(0, min(int(a.x)-ra, int(b.x)-rb))
	ya := max(0, min(int(a.y)-ra, int(b.y)-rb))
	xb := min(m.w-1, max(int(a.x)+ra, int(b.x)+rb)+1)
	yb := min(m.h-1, max(int(a.y)+ra, int(b.y)+rb)+1)
	ridge := profile{x0: xa, y0: ya, w: xb - xa + 1, h: yb - ya + 1}
	ridge.k = make([]float64, ridge.w*ridge.h)
	top := math.Max(a.f, b.f)
	steps := int(math.Ceil(4*math.Hypot(a.x-b.x, a.y-b.y)/math.Min(a.s, b.s))) + 1
	for k := range steps + 1 {
		t := float64(k) / float64(steps)
		x, y, s, f := a.x+t*(b.x-a.x), a.y+t*(b.y-a.y), a.s+t*(b.s-a.s), a.f+t*(b.f-a.f)
		pr := newProfile(profile{}, x, y, s, m.w, m.h)
		m.each(pr, func(p int, v float64) {
			if i, j := p%m.w-xa, p/m.w-ya; i >= 0 && i < ridge.w && j >= 0 && j < ridge.h {
				ridge.k[j*ridge.w+i] = math.Max(ridge.k[j*ridge.w+i], f/top*v)
			}
		})
	}
	m.put(a, -1)
	m.put(b, -1)
	_, joined := m.strength(ridge, top)
	pair := [2]component{a, b}
	two := m.pairGain(&pair, nil, 0)
	m.put(a, 1)
	m.put(b, 1)
	return two - joined
}

// spareLoss is the loss of log-likelihood up to which a component counts as
// spare: four parameters, at about 1.5 each (Akaike 1974 would ask for 1 each).
const spareLoss = 6.0

// prune takes out components that their neighbours can do without once they are
// fitted anew: a wide profile between two spots that was found before them. It
// reports whether there were any.
func (s *search) prune(least, most float64) bool {
	pruned := false
	order := make([]int, len(s.m.parts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(s.m.parts[a].llr, s.m.parts[b].llr) })
	gone := make([]bool, len(order))
	for _, i := range order {
		c := s.m.parts[i]
		var near []int
		r := radiusPx(c.s) + 1
		xa, ya, xb, yb := int(c.x)-r, int(c.y)-r, int(c.x)+r, int(c.y)+r
		for k, o := range s.m.parts {
			if k == i || gone[k] || math.Hypot(o.x-c.x, o.y-c.y) > 2*(o.s+c.s) {
				continue
			}
			near = append(near, k)
			q := radiusPx(o.s) + int(2*o.s) + 2 // it may move
			xa, ya = min(xa, int(o.x)-q), min(ya, int(o.y)-q)
			xb, yb = max(xb, int(o.x)+q), max(yb, int(o.y)+q)
		}
		if len(near) < 2 {
			continue // a neighbour alone cannot stand in for two spots
		}
		xa, ya, xb, yb = max(xa, 0), max(ya, 0), min(xb, s.w-1), min(yb, s.h-1)
		before := s.m.logL(xa, ya, xb, yb)
		frac := slices.Clone(s.m.frac)
		parts := slices.Clone(s.m.parts)
		s.m.put(c, -1)
		for range 3 {
			for _, k := range near {
				o := s.m.parts[k]
				s.m.put(o, -1)
				if n := s.m.fit(o, least, most); n.f > 0 {
					o = n
				}
				s.m.parts[k] = o
				s.m.put(o, 1)
			}
		}
		if s.m.logL(xa, ya, xb, yb) < before-spareLoss {
			copy(s.m.frac, frac)
			copy(s.m.parts, parts)
			continue
		}
		gone[i], pruned = true, true
	}
	s.m.keep(func(i int) bool { return !gone[i] })
	return pruned
}

// keep drops the components for which stays is false. The height that one was found
// at passes to the nearest that remains, if they overlap: the rounds may have given
// its counts to that one.
func (m *model) keep(stays func(i int) bool) {
	var kept, gone []component
	for i, c := range m.parts {
		if stays(i) {
			kept = append(kept, c)
		} else {
			gone = append(gone, c)
		}
	}
	for _, c := range gone {
		next, nearest := -1, math.Inf(1)
		for k, o := range kept {
			if d := math.Hypot(o.x-c.x, o.y-c.y); d < nearest && d <= 2*(o.s+c.s) {
				next, nearest = k, d
			}
		}
		if next >= 0 {
			kept[next].u = math.Max(kept[next].u, c.u)
		}
	}
	m.parts = kept
}

// faintGain is the log-likelihood that a component below the level of the list
// must add to stay a part of the model (choice of this package; the fitted
// chance maxima of a field add 5 to 7).
const faintGain = 10.0

// dropFaint takes out components that will not be listed and add little: chance
// maxima, which would shift a spot beside them. They stay maxima of what is left.
// It reports whether there were any.
func (s *search) dropFaint() bool {
	n := len(s.m.parts)
	if n == 0 {
		return false
	}
	p := make([]float64, n)
	for i, c := range s.m.parts {
		p[i] = s.null.peakP(c.u)
	}
	for _, pk := range localMaxima(nil, s.last.u, s.w, s.h) {
		p = append(p, s.null.peakP(pk.u))
	}
	listed := poisson.Rejected(p, s.opt.Q)
	s.m.keep(func(i int) bool { return listed[i] || s.m.parts[i].llr >= faintGain })
	return len(s.m.parts) < n
}

// logL returns the log-likelihood of the pixels xa … xb, ya … yb against no spot
// at all.
func (m *model) logL(xa, ya, xb, yb int) float64 {
	t := 0.0
	for y := ya; y <= yb; y++ {
		for x := xa; x <= xb; x++ {
			p := y*m.w + x
			f := m.at(p)
			if f == 0 {
				continue
			}
			for g, r := range m.r {
				if n := m.class[g][p]; n != 0 {
					t += n * math.Log1p(f*(r-1))
				}
			}
			if m.pull != nil {
				t -= m.pull[p] * f
			}
		}
	}
	return t
}
