package spots

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// component is one fitted Gaussian profile of strength f at its centre (x, y),
// width s. In a cube f is the fraction of target, in a count map the excess
// relative to the background.
type component struct {
	x, y, s, f float64
	llr        float64 // log-likelihood gained over the model without it
	u          float64 // height of the maximum that it was found at
}

// maxFraction bounds the sum of all fractions of target in a pixel.
const maxFraction = 0.98

// model is the strength of every pixel as far as spots were found. The
// log-likelihood of strength F in a pixel is
//
//	sum_g n_g·ln(1 + F·(r_g−1)) − pull·F
//
// A cube has pull 0, since its spectra are normalised and its totals given; a
// count map has one class with r = 2 and the background as pull.
type model struct {
	w, h   int
	r      []float64
	class  [][]float64
	weight []float64 // excess counts per unit of strength
	pull   []float64 // nil: 0
	most   float64   // largest strength of a pixel
	ground *ground   // nil in a count map
	parts  []component
	frac   []float64 // len w·h
}

func newModel(w, h int, r []float64, class [][]float64, totals []float64) *model {
	return &model{w: w, h: h, r: r, class: class, weight: totals, most: maxFraction, frac: make([]float64, w*h)}
}

// fork returns a model with the same counts and a strength map of its own.
func (m *model) fork() *model {
	c := *m
	c.frac = append([]float64(nil), m.frac...)
	return &c
}

// sumUp fills frac from the components.
func (m *model) sumUp() {
	clear(m.frac)
	for _, c := range m.parts {
		m.put(c, 1)
	}
}

// put adds component c to frac, times sign.
func (m *model) put(c component, sign float64) {
	pr := newProfile(profile{}, c.x, c.y, c.s, m.w, m.h)
	m.each(pr, func(p int, k float64) { m.frac[p] = math.Max(0, m.frac[p]+sign*c.f*k) })
}

// at returns the strength of pixel p, at most the largest possible.
func (m *model) at(p int) float64 { return math.Min(m.most, m.frac[p]) }

// residual writes to dst the class maps with the expected share of the found
// spots taken out of every count: n·(1−F)/(1−F+F·r), and n/(1+F) in a count map.
func (m *model) residual(dst [][]float64) {
	for g, r := range m.r {
		copy(dst[g], m.class[g])
		for p := range m.frac {
			fr := m.at(p)
			if fr <= 0 || dst[g][p] <= 0 {
				continue
			}
			if m.pull != nil {
				dst[g][p] /= 1 + fr
			} else {
				dst[g][p] *= (1 - fr) / (1 - fr + fr*r)
			}
		}
	}
}

// strength returns the fraction that maximises the likelihood for a profile,
// given frac, and the log-likelihood gained. The function is concave: Newton
// steps from start, halved at the borders.
func (m *model) strength(pr profile, start float64) (f, llr float64) {
	top := 0.0
	for _, k := range pr.k {
		top = math.Max(top, k)
	}
	if top <= 0 {
		return 0, 0
	}
	high := m.most / top
	f = math.Min(math.Max(start, 1e-6), high)
	lo, hi := 0.0, high
	for range 25 {
		d1, d2 := m.slope(pr, f)
		if d1 > 0 {
			lo = f
		} else {
			hi = f
		}
		next := f - d1/d2
		if !(next > lo && next < hi) {
			next = (lo + hi) / 2
		}
		if math.Abs(next-f) <= 1e-5*f+1e-9 {
			f = next
			break
		}
		f = next
	}
	llr = m.gain(pr, f)
	if llr < 0 {
		return 0, 0
	}
	return f, llr
}

// slope returns the first and second derivative of the log-likelihood by f.
func (m *model) slope(pr profile, f float64) (d1, d2 float64) {
	for g, r := range m.r {
		q := r - 1
		n := m.class[g]
		for j := range pr.h {
			at := (pr.y0+j)*m.w + pr.x0
			for i, k := range pr.k[j*pr.w : (j+1)*pr.w] {
				if c := n[at+i]; c != 0 && k != 0 {
					phi := math.Min(m.most, m.frac[at+i]+f*k)
					v := q * k / (1 + phi*q)
					d1 += c * v
					d2 -= c * v * v
				}
			}
		}
	}
	if m.pull != nil {
		m.each(pr, func(p int, k float64) { d1 -= m.pull[p] * k })
	}
	if d2 == 0 {
		d2 = -1e-300
	}
	return d1, d2
}

// each calls f for every pixel of a profile.
func (m *model) each(pr profile, f func(p int, k float64)) {
	for j := range pr.h {
		at := (pr.y0+j)*m.w + pr.x0
		for i, k := range pr.k[j*pr.w : (j+1)*pr.w] {
			f(at+i, k)
		}
	}
}

// gain returns the log-likelihood of adding f times the profile to the model.
func (m *model) gain(pr profile, f float64) float64 {
	t := 0.0
	for g, r := range m.r {
		q := r - 1
		n := m.class[g]
		for j := range pr.h {
			at := (pr.y0+j)*m.w + pr.x0
			for i, k := range pr.k[j*pr.w : (j+1)*pr.w] {
				if c := n[at+i]; c != 0 && k != 0 {
					base := m.at(at + i)
					phi := math.Min(m.most, base+f*k)
					t += c * math.Log1p((phi-base)*q/(1+base*q))
				}
			}
		}
	}
	if m.pull != nil {
		m.each(pr, func(p int, k float64) { t -= m.pull[p] * f * k })
	}
	return t
}

// fit refines place, width and strength from a start, by pattern search in
// (x, y, ln s) with the strength at its best, given the other components in
// frac. The width stays in [least, most], the place within 2 s + 1 px of the
// start and inside the frame.
func (m *model) fit(c component, least, most float64) component {
	x0, y0, s0 := c.x, c.y, c.s
	var pr profile
	eval := func(x, y, s, start float64) (component, bool) {
		if s < least || s > most || math.Hypot(x-x0, y-y0) > 2*s0+1 ||
			x < -0.5 || y < -0.5 || x > float64(m.w)-0.5 || y > float64(m.h)-0.5 {
			return component{}, false
		}
		pr = newProfile(pr, x, y, s, m.w, m.h)
		f, llr := m.strength(pr, start)
		return component{x: x, y: y, s: s, f: f, llr: llr, u: c.u}, true
	}
	s := math.Min(math.Max(c.s, least), most)
	best, ok := eval(c.x, c.y, s, c.f)
	if !ok {
		return c
	}
	step := [3]float64{0.4 * s, 0.4 * s, 0.2}
	for range 60 {
		moved := false
		for axis := range step {
			for _, sign := range []float64{1, -1} {
				x, y, s := best.x, best.y, best.s
				d := sign * step[axis]
				switch axis {
				case 0:
					x += d
				case 1:
					y += d
				default:
					s = math.Min(math.Max(s*math.Exp(d), least), most)
				}
				if try, ok := eval(x, y, s, best.f); ok && try.llr > best.llr+1e-9 {
					best, moved = try, true
					break
				}
			}
		}
		if !moved {
			for i := range step {
				step[i] /= 2
			}
			if step[2] < 0.004 {
				break
			}
		}
	}
	return best
}

// uncertainty returns the standard uncertainties of place and excess counts of
// component c, from the inverse of the information matrix of (x, y, ln s, f)
// (Gauss–Newton form, which is positive), and the excess counts sum T·f·k. The
// width counts as known when it sits at the limit least. frac must hold the
// other components.
func (m *model) uncertainty(c component, least float64) (sx, sy, excess, sigma float64) {
	const h = 1e-3
	w, hh := m.w, m.h
	base := newProfile(profile{}, c.x, c.y, c.s, w, hh)
	// Derivatives of the profile by central differences on a common window.
	shifted := func(dx, dy, dl float64) func(x, y int) float64 {
		p := newProfile(profile{}, c.x+dx, c.y+dy, c.s*math.Exp(dl), w, hh)
		return func(x, y int) float64 {
			i, j := x-p.x0, y-p.y0
			if i < 0 || j < 0 || i >= p.w || j >= p.h {
				return 0
			}
			return p.k[j*p.w+i]
		}
	}
	pairs := [3][2]func(x, y int) float64{
		{shifted(h, 0, 0), shifted(-h, 0, 0)},
		{shifted(0, h, 0), shifted(0, -h, 0)},
		{shifted(0, 0, h), shifted(0, 0, -h)},
	}
	n := 4
	order := []int{0, 1, 3, 2} // x, y, f, ln s
	if c.s <= least*1.001 {
		n = 3
	}
	info := mat.NewSymDense(n, nil)
	grad := make([]float64, n) // of the excess counts
	for j := range base.h {
		for i := range base.w {
			x, y := base.x0+i, base.y0+j
			p := y*w + x
			k := base.k[j*base.w+i]
			var d [4]float64
			for a := range pairs {
				d[a] = c.f * (pairs[a][0](x, y) - pairs[a][1](x, y)) / (2 * h)
			}
			d[3] = k
			t := m.weight[p]
			excess += t * c.f * k
			for a := range n {
				v := d[order[a]]
				if order[a] == 3 {
					v = k
				}
				grad[a] += t * v
			}
			phi := math.Min(m.most, m.frac[p]+c.f*k)
			weight := 0.0
			for g, r := range m.r {
				if cnt := m.class[g][p]; cnt != 0 {
					q := (r - 1) / (1 + phi*(r-1))
					weight += cnt * q * q
				}
			}
			for a := range n {
				for b := a; b < n; b++ {
					info.SetSym(a, b, info.At(a, b)+weight*d[order[a]]*d[order[b]])
				}
			}
		}
	}
	// grad of excess by f is sum T·k, by the others sum T·f·dk: d holds f·dk.
	grad[2] = 0
	for j := range base.h {
		for i := range base.w {
			grad[2] += m.weight[(base.y0+j)*w+base.x0+i] * base.k[j*base.w+i]
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(info) {
		return math.NaN(), math.NaN(), excess, math.NaN()
	}
	var cov mat.SymDense
	if err := chol.InverseTo(&cov); err != nil {
		return math.NaN(), math.NaN(), excess, math.NaN()
	}
	v := 0.0
	for a := range n {
		for b := range n {
			v += grad[a] * cov.At(a, b) * grad[b]
		}
	}
	return math.Sqrt(cov.At(0, 0)), math.Sqrt(cov.At(1, 1)), excess, math.Sqrt(v)
}
