package matrix

import (
	"fmt"
	"math"
)

// papParameters are the four numbers that fix a PAP curve; films weight these.
type papParameters struct {
	f    float64 // area, g/cm²
	phi0 float64 // surface ionisation
	rx   float64 // ultimate depth, g/cm²
	rm   float64 // depth of the maximum, g/cm²
}

// pap returns the parameters of the PAP curve of level l at e0 keV (2.1, 2.2).
func (t *target) pap(l level, e0 float64) papParameters {
	u := e0 / l.edge
	return papParameters{
		f:    t.ionised(l, e0),
		phi0: t.surface(l, e0),
		rx:   t.ultimate(l, e0),
		rm:   t.peakShare(u) * t.ultimate(l, e0),
	}
}

// ultimate returns Rx = Q D R0 (2.1).
func (t *target) ultimate(l level, e0 float64) float64 {
	u := e0 / l.edge
	zn := math.Exp(t.lnZ)
	q0 := 1 - 0.535*math.Exp(-math.Pow(21/zn, 1.2)) - 2.5e-4*math.Pow(zn/20, 3.5)
	q := q0 + (1-q0)*math.Exp(-(u-1)*t.zm/40)   // b = 40/Z
	d := 1 + math.Pow(u, -math.Pow(t.zm, 0.45)) // D = 1 + U^−h, h = Z^0.45
	return q * d * t.reach(l.edge, e0)
}

// peakShare returns Rm/Rx = G1 G2 G3 (2.2).
func (t *target) peakShare(u float64) float64 {
	g1 := 0.11 + 0.41*math.Exp(-math.Pow(t.zm/12.75, 0.75))
	g2 := 1 - math.Exp(-math.Pow(u-1, 0.35)/1.19)
	g3 := 1 - math.Exp(-(u-0.5)*math.Pow(t.zm, 0.4)/4)
	return g1 * g2 * g3
}

// PAP is the depth curve of two parabolas, PP84 and PP91: one with its maximum
// at Rm from the surface to Rc, one from Rc that ends with zero value and slope
// at Rx.
type PAP struct {
	Rm, Rc, Rx float64 // g/cm²
	upper      parabola
	lower      parabola
	area       float64
}

// newPAP builds the curve (2.3).
//
// Two cases of low overvoltage have no curve through all four numbers. Where
// the maximum lies too deep for the area, PP84 move Rm up to the depth that
// gives a double root. Where the area is below φ(0)Rx/3, that of one falling
// parabola (U below about 1.5), the curve here is that parabola with Rx
// drawn up to 3F/φ(0): our own continuation, continuous with the other
// branch. Area and φ(0) hold in every case.
func newPAP(p papParameters) (PAP, error) {
	if !(p.f > 0 && p.phi0 > 0 && p.rx > 0 && p.rm > 0 && p.rm < p.rx) || math.IsInf(p.f+p.rx, 1) {
		return PAP{}, fmt.Errorf("no depth curve with area %g g/cm², φ(0) %g, maximum at %g and end at %g g/cm²", p.f, p.phi0, p.rm, p.rx)
	}
	excess := p.f - p.phi0*p.rx/3
	if excess <= 0 {
		end := 3 * p.f / p.phi0
		return PAP{Rx: end, area: p.f, lower: parabola{p.phi0 / (end * end), end, 0}}, nil
	}
	d := (p.rx - p.rm) * excess * ((p.rx-p.rm)*p.f - p.phi0*p.rx*(p.rm+p.rx/3))
	if d < 0 {
		p.rm = p.rx * excess / (p.f + p.phi0*p.rx)
		d = 0
	}
	c := PAP{Rm: p.rm, Rx: p.rx, area: p.f}
	c.Rc = 1.5 * (excess/p.phi0 - math.Sqrt(d)/(p.phi0*(p.rx-p.rm)))
	if !(c.Rc > 0 && c.Rc < c.Rx) {
		return PAP{}, fmt.Errorf("no depth curve with area %g g/cm², φ(0) %g, maximum at %g and end at %g g/cm²: the parabolas would meet at %g", p.f, p.phi0, p.rm, p.rx, c.Rc)
	}
	a1 := p.phi0 / (p.rm * (c.Rc - p.rx*(c.Rc/p.rm-1)))
	c.upper = parabola{a1, p.rm, p.phi0 - a1*p.rm*p.rm}
	c.lower = parabola{a1 * (c.Rc - p.rm) / (c.Rc - p.rx), p.rx, 0}
	return c, nil
}

// Value returns φ(x); see Curve.
func (c PAP) Value(x float64) float64 {
	switch {
	case x < 0 || x >= c.Rx:
		return 0
	case x < c.Rc:
		return c.upper.at(x)
	}
	return c.lower.at(x)
}

// Area returns ∫ φ dx in g/cm².
func (c PAP) Area() float64 { return c.area }

// Emitted returns ∫ φ(x) exp(−χ(x−a)) dx from a to b; see Curve.
func (c PAP) Emitted(chi, a, b float64) float64 {
	a, b = max(a, 0), min(b, c.Rx)
	if !(a < b) {
		return 0
	}
	switch {
	case b <= c.Rc:
		return c.upper.rising(chi, a, b)
	case a >= c.Rc:
		return c.lower.rising(chi, a, b)
	}
	return c.upper.rising(chi, a, c.Rc) + math.Exp(-chi*(c.Rc-a))*c.lower.rising(chi, c.Rc, b)
}

// Sunk returns ∫ φ(x) exp(−χ(b−x)) dx from a to b, in g/cm²: what reaches the
// depth b from the slice above it; b must be finite.
func (c PAP) Sunk(chi, a, b float64) float64 {
	a = max(a, 0)
	end := min(b, c.Rx)
	if !(a < end) {
		return 0
	}
	below := math.Exp(-chi * (b - end))
	switch {
	case end <= c.Rc:
		return below * c.upper.sinking(chi, a, end)
	case a >= c.Rc:
		return below * c.lower.sinking(chi, a, end)
	}
	return below * (c.lower.sinking(chi, c.Rc, end) + math.Exp(-chi*(end-c.Rc))*c.upper.sinking(chi, a, c.Rc))
}
