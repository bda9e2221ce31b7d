package matrix

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Curve is a depth distribution φ(ρz) of ionisations: at mass depth x (g/cm²),
// relative to a thin isolated layer of the same material.
type Curve interface {
	// Value returns φ(x), 0 above the surface (x < 0).
	Value(x float64) float64
	// Area returns ∫ φ dx over all depths, in g/cm².
	Area() float64
	// Emitted returns ∫ φ(x) exp(−χ(x−a)) dx from a to b, in g/cm²: what reaches
	// the depth a from the slice below it. b may be +Inf; χ ≥ 0 in cm²/g.
	// Slices add: Emitted(χ,a,c) = Emitted(χ,a,b) + exp(−χ(b−a)) Emitted(χ,b,c).
	Emitted(chi, a, b float64) float64
}

// moments returns ∫ sⁿ exp(−u s) ds from 0 to 1 for n = 0, 1, 2.
func moments(u float64) (g0, g1, g2 float64) {
	if u < 0.5 {
		// Σ (−u)^k/(k!(k+1+n)); with 12 terms the rest is below 1e-14 at u = 0.5.
		p := 1.0
		for k := 0; k < 13; k++ {
			f := float64(k)
			g0 += p / (f + 1)
			g1 += p / (f + 2)
			g2 += p / (f + 3)
			p *= -u / (f + 1)
		}
		return g0, g1, g2
	}
	e := math.Exp(-u)
	g0 = (1 - e) / u
	g1 = (g0 - e) / u
	g2 = (2*g1 - e) / u
	return g0, g1, g2
}

// parabola is A(x−R)² + B.
type parabola struct {
	a, r, b float64
}

func (p parabola) at(x float64) float64 { return p.a*(x-p.r)*(x-p.r) + p.b }

// rising returns ∫ p(x) exp(−χ(x−a)) dx from a to b. It holds for every χ ≥ 0,
// also χ(b−a) → 0 where the closed form of the antiderivative cancels (2.4).
func (p parabola) rising(chi, a, b float64) float64 {
	l := b - a
	g0, g1, g2 := moments(chi * l)
	d := a - p.r
	return l * ((p.a*d*d+p.b)*g0 + l*(2*p.a*d*g1+l*p.a*g2))
}

// sinking returns ∫ p(x) exp(−χ(b−x)) dx from a to b.
func (p parabola) sinking(chi, a, b float64) float64 {
	// Mirror the slice: with y = a+b−x it is a rising integral.
	return parabola{p.a, a + b - p.r, p.b}.rising(chi, a, b)
}

// DepthCurve returns the depth distribution of the ionisations of shell s of
// element z in a bulk material, for a beam at normal incidence. ModelZAF has
// none; Model and Surface of the options are used. The element need not be in the
// material.
func DepthCurve(m xray.Material, z xray.Element, s xray.Shell, beam xray.Energy, opt Options) (Curve, error) {
	if err := checkMaterial(m); err != nil {
		return nil, fmt.Errorf("matrix: %w", err)
	}
	edge, ok := z.Edge(s)
	if !ok || !(beam > edge) || beam > quant.MaxBeamEnergy {
		return nil, fmt.Errorf("matrix: a beam of %g keV does not ionise %s %s (edge %g keV, beam up to %g keV)", beam.KeV(), z, s, edge.KeV(), quant.MaxBeamEnergy.KeV())
	}
	sum := 0.0
	for _, c := range m.Components {
		sum += c.MassFraction
	}
	var cs []constituent
	for _, c := range m.Components {
		cs = append(cs, constituent{float64(c.Element), c.Element.AtomicWeight(), c.MassFraction / sum})
	}
	t := newTarget(cs)
	t.phi0 = opt.Surface
	l := level{z: float64(z), edge: edge.KeV(), m: exponentOf(z, s)}
	var c Curve
	var err error
	switch opt.Model {
	case ModelPAP:
		c, err = newPAP(t.pap(l, beam.KeV()))
	case ModelXPP:
		c, err = t.xpp(l, beam.KeV())
	default:
		return nil, fmt.Errorf("matrix: model %s has no depth curve; use PAP or XPP", opt.Model)
	}
	if err != nil {
		return nil, fmt.Errorf("matrix: %s of %s %s at %g keV: %w", opt.Model, z, s, beam.KeV(), err)
	}
	return c, nil
}
