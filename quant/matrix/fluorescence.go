package matrix

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Secondary fluorescence from first principles (5.2), for any number of plane
// layers. A line made at depth x with the curve φ(x) leaves in all directions;
// along a direction whose cosine with the normal is m, up or down, the path per
// depth is 1/m. With λ = μ/m and the target layer's exit path χ the depth
// integrals are those of the curve and of exponentials:
//
//	same layer, upwards     [E(χ) − E(λ)]/(λ − χ)
//	same layer, downwards   [E(χ) − exp(−χT) S(λ)]/(λ + χ)
//	layer above             E(λ) [exp(−χT) − exp(−λT)]/(λ − χ)
//	layer below             S(λ) [1 − exp(−(λ+χ)T)]/(λ + χ)
//
// with E and S the Emitted and Sunk integrals over the source layer and T the
// target's mass thickness. They are integrated over dm/m from 0 to 1; what
// leaves is half of it, and layers between source and target and above the
// target transmit exp(−λT) and exp(−χT). The single film of (5.3) is the case
// "layer above".

// nodes and nodeWeights are the points m of the integral over directions: 20
// point Gauss–Legendre in t with m = t³, which crowds them at grazing
// directions. Against 400 points in another variable the integrals of a bulk
// agree to 1e-5 and those between thin films to 2e-3 (see the test).
var nodes, nodeWeights = directions(20)

func directions(n int) (m, w []float64) {
	m, w = unitLegendre(n)
	for i, t := range m {
		m[i] = t * t * t
		w[i] *= 3 * t * t
	}
	return m, w
}

// unitLegendre returns the points and weights of Gauss–Legendre integration
// from 0 to 1.
func unitLegendre(n int) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, 0, 1)
	return x, w
}

// source is one exciting line in one slab: the curve's integrals for each
// direction.
type source struct {
	curve    Curve
	slab     int
	mu       []float64 // attenuation of the line in each slab
	up, down []float64 // Emitted and Sunk over the slab, for λ = μ/m
}

// newSource evaluates the integrals of a curve over slab i.
func (s *stack) newSource(c Curve, i int, mu []float64, buf *source) {
	buf.curve, buf.slab = c, i
	buf.mu = buf.mu[:0]
	for k := range s.slabs {
		buf.mu = append(buf.mu, mix(s.slabs[k].c, mu))
	}
	b := &s.slabs[i]
	buf.up, buf.down = buf.up[:0], buf.down[:0]
	for _, m := range s.nodes {
		lambda := buf.mu[i] / m
		buf.up = append(buf.up, c.Emitted(lambda, b.top, b.bottom))
		sunk := 0.0
		if p, ok := c.(*PAP); ok && !math.IsInf(b.bottom, 1) {
			sunk = p.Sunk(lambda, b.top, b.bottom)
		}
		buf.down = append(buf.down, sunk)
	}
}

// excite returns the double integral of the source over the ionisations it
// makes in slab t, weighted with the exit path χ in t from its top: (dm/m)/2
// integrated, per unit photoionisation coefficient.
func (s *stack) excite(x *source, t int, chi float64) float64 {
	target := &s.slabs[t]
	thick := target.thickness()
	mu := x.mu[t]
	for _, m := range s.nodes {
		if math.Abs(mu-chi*m) < 1e-9*mu { // step off a removable singularity
			chi *= 1 + 4e-9
		}
	}
	sum := 0.0
	switch {
	case t == x.slab:
		own := x.curve.Emitted(chi, target.top, target.bottom)
		out := 0.0 // exp(−χT)
		if !math.IsInf(thick, 1) {
			out = math.Exp(-chi * thick)
		}
		// ∫ dm/(μ+χm) E(χ) in closed form, the rest by quadrature.
		if chi > 1e-9*mu {
			sum = own * math.Log1p(chi/mu) / chi
		} else {
			sum = own / mu
		}
		for k, m := range s.nodes {
			sum += s.weights[k] * ((own-x.up[k])/(mu-chi*m) - out*x.down[k]/(mu+chi*m))
		}
	case t < x.slab: // target above the source
		fall := math.Exp(-chi * thick)
		for k, m := range s.nodes {
			sum += s.weights[k] * x.up[k] * s.between(x, t+1, x.slab, m) * (fall - math.Exp(-mu/m*thick)) / (mu - chi*m)
		}
	default:
		for k, m := range s.nodes {
			fill := 1.0
			if !math.IsInf(thick, 1) {
				fill = -math.Expm1(-(mu/m + chi) * thick)
			}
			sum += s.weights[k] * x.down[k] * s.between(x, x.slab+1, t, m) * fill / (mu + chi*m)
		}
	}
	return sum / 2
}

// between returns the transmission of the slabs from first up to but without
// last along cosine m.
func (s *stack) between(x *source, first, last int, m float64) float64 {
	path := 0.0
	for k := first; k < last; k++ {
		path += x.mu[k] * s.slabs[k].thickness()
	}
	return math.Exp(-path / m)
}

// fluoresce adds the ionisations by characteristic lines to second, for the
// lines [first, last).
func (s *stack) fluoresce(first, last int) {
	var src source
	for e := range s.a.exciters {
		x := &s.a.exciters[e]
		for i := range s.slabs {
			c := s.slabs[i].c[x.atom]
			if c == 0 {
				continue
			}
			ready := false
			// Photons per electron and unit of φ-area, without Avogadro's number.
			photons := c / s.a.atoms[x.atom].weight * x.photons
			for k := first; k < last; k++ {
				l := &s.a.lines[k]
				tau := x.tau[l.level]
				lv := &s.a.levels[l.level]
				if tau == 0 || s.a.closedForm(x, lv) {
					continue
				}
				if !ready {
					curve := s.curve(i, x.level)
					if s.err != nil {
						return
					}
					s.newSource(curve, i, x.mu, &src)
					ready = true
				}
				// One direct ionisation per area is worth σ/A; the mass fraction
				// of the excited element cancels.
				f := photons * tau * s.a.atoms[lv.atom].weight / lv.cross
				if s.a.opt.Model == ModelZAF {
					// In the units of ZAF: γ of the curve times direct.
					own := s.curve(0, l.level)
					if s.err != nil {
						return
					}
					f *= s.direct[0][k] / own.Emitted(s.chi[0][k], 0, math.Inf(1))
				}
				for t := range s.slabs {
					s.second[t][k] += f * s.out[t][k] * s.excite(&src, t, s.chi[t][k])
				}
			}
		}
	}
}
