package spectra

import "math"

// The peak shape needs the normal distribution function Φ and its integral
// xΦ(x)+φ(x) a few million times per fit. Both are interpolated by cubic
// Hermite polynomials, which use the known derivatives; with a step of 1/64 the
// error is below 1e-10 (h⁴/384 times the fourth derivative).
const (
	normalReach = 6.0
	normalStep  = 1.0 / 64
	normalCells = int(2*normalReach/normalStep) + 1
)

type normalNode struct{ cum, cdf, pdf, slope float64 }

var normalNodes = func() []normalNode {
	t := make([]normalNode, normalCells+1)
	for i := range t {
		x := -normalReach + float64(i)*normalStep
		p := math.Exp(-x*x/2) / math.Sqrt(2*math.Pi)
		c := 0.5 * math.Erfc(-x/math.Sqrt2)
		t[i] = normalNode{cum: float64(x*c) + p, cdf: c, pdf: p, slope: -x * p}
	}
	return t
}()

// hermite interpolates between values a, b with slopes da, db (per step) at u in
// [0, 1].
func hermite(a, da, b, db, u float64) float64 {
	d := b - a
	return a + u*(da+u*((3*d-2*da-db)+u*(da+db-2*d)))
}

// normalCDF returns Φ(x).
func normalCDF(x float64) float64 {
	s := (x + normalReach) / normalStep
	if s <= 0 {
		return 0
	}
	i := int(s)
	if i >= normalCells-1 {
		return 1
	}
	p, q := &normalNodes[i], &normalNodes[i+1]
	return hermite(p.cdf, p.pdf*normalStep, q.cdf, q.pdf*normalStep, s-float64(i))
}

// normalCum returns ∫Φ from −∞ to x, which is xΦ(x)+φ(x).
func normalCum(x float64) float64 {
	s := (x + normalReach) / normalStep
	if s <= 0 {
		return 0
	}
	i := int(s)
	if i >= normalCells-1 {
		return x
	}
	p, q := &normalNodes[i], &normalNodes[i+1]
	return hermite(p.cum, p.cdf*normalStep, q.cum, q.cdf*normalStep, s-float64(i))
}
