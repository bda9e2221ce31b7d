package matrix

import (
	"fmt"
	"math"
)

// XPP is the depth curve of exponentials, PP91: a falling straight line times
// exp(−bx) plus A exp(−ax),
//
//	φ(x) = A exp(−ax) + (Bx + φ(0) − A) exp(−bx).
//
// It is evaluated in the equal form
//
//	φ(x) = exp(−bx) [φ(0) + (P + bφ(0)) x + K b² x² g((a−b)x)],
//	g(u) = (u − 1 + exp(−u))/u², K = (1+ε)(bF − P/b − 2φ(0)), ε = (a−b)/b,
//
// in which nothing cancels when a and b come close and A and B grow without
// limit.
type XPP struct {
	Phi0 float64 // φ(0)
	P    float64 // slope at the surface, cm²/g
	Rbar float64 // mean depth of ionisation, g/cm²
	A, B float64 // decay constants a and b, cm²/g
	k    float64
	area float64
}

// xpp returns the XPP curve of level l at e0 keV (3.1–3.3).
func (t *target) xpp(l level, e0 float64) (XPP, error) {
	u := e0 / l.edge
	f := t.ionised(l, e0)
	phi0 := t.surface(l, e0)
	x := 1 + 1.3*math.Log(t.zb)                                                    // (3.1)
	y := 0.2 + t.zb/200                                                            // (3.1)
	rbar := f / (1 + x*math.Log1p(-y*math.Expm1(-0.42*math.Log(u)))/math.Log1p(y)) // (3.1)
	if f/rbar < phi0 {
		rbar = f / phi0
	}
	g := 0.22 * math.Log(4*t.zb) * (1 - 2*math.Exp(-t.zb*(u-1)/15)) // (3.2)
	h := 1 - 10*(1-1/(1+u/10))/(t.zb*t.zb)                          // (3.2)
	b := math.Sqrt2 * (1 + math.Sqrt(max(0, 1-rbar*phi0/f))) / rbar // (3.2)
	gh4 := min(g*h*h*h*h, 0.9*b*rbar*rbar*(b-2*phi0/f))             // (3.2)
	c := XPP{Phi0: phi0, P: gh4 * f / (rbar * rbar), Rbar: rbar, B: b, area: f}
	c.A = (c.P + b*(2*phi0-b*f)) / (b*f*(2-b*rbar) - phi0) // (3.3)
	c.k = c.A / b * (b*f - c.P/b - 2*phi0)
	if !(c.A > 0) || !(b > 0) || math.IsInf(c.A+b, 1) || math.IsNaN(c.k) {
		return XPP{}, fmt.Errorf("no depth curve of exponentials with area %g g/cm², φ(0) %g, mean depth %g g/cm² and slope %g: a = %g, b = %g cm²/g", f, phi0, rbar, c.P, c.A, b)
	}
	return c, nil
}

// bend returns (u − 1 + exp(−u))/u², ½ at u = 0.
func bend(u float64) float64 {
	if math.Abs(u) < 0.05 {
		return 0.5 - u*(1.0/6-u*(1.0/24-u*(1.0/120-u*(1.0/720-u*(1.0/5040-u/40320)))))
	}
	return (u + math.Expm1(-u)) / (u * u)
}

// Value returns φ(x); see Curve.
func (c XPP) Value(x float64) float64 {
	if x < 0 {
		return 0
	}
	return math.Exp(-c.B*x) * (c.Phi0 + x*(c.P+c.B*c.Phi0+c.k*c.B*c.B*x*bend((c.A-c.B)*x)))
}

// Area returns ∫ φ dx in g/cm².
func (c XPP) Area() float64 { return c.area }

// tail returns ∫ φ(x) exp(−χ(x−t)) dx from t to infinity.
func (c XPP) tail(chi, t float64) float64 {
	s, sa := c.B+chi, c.A+chi // sa = s + λ with λ = a − b
	slope := c.P + c.B*c.Phi0
	curved := (t*t*bend((c.A-c.B)*t) + (t+1/s)/s) / sa
	return math.Exp(-c.B*t) * ((c.Phi0+slope*(t+1/s))/s + c.k*c.B*c.B*curved)
}

// Emitted returns ∫ φ(x) exp(−χ(x−a)) dx from a to b; see Curve.
func (c XPP) Emitted(chi, a, b float64) float64 {
	a = max(a, 0)
	if !(a < b) {
		return 0
	}
	e := c.tail(chi, a)
	if math.IsInf(b, 1) {
		return e
	}
	return e - math.Exp(-chi*(b-a))*c.tail(chi, b)
}
