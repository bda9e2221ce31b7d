package matrix

import "math"

// level is the ionised shell: atomic number of its element, edge energy in keV
// and the exponent m of the cross-section shape ln U/U^m.
type level struct {
	z    float64
	edge float64
	m    float64
}

// Exponents of the ionisation cross-section shape Q ∝ ln U/(E_c² U^m), PP91
// (1.1).
const (
	exponentL = 0.82
	exponentM = 0.78
)

// exponentK returns m of the K shell of element z (1.1).
func exponentK(z float64) float64 {
	x := z / 5
	return 0.86 + 0.12*math.Exp(-x*x)
}

// target holds what PAP and XPP need to know of a material, whatever the level
// ionised in it.
type target struct {
	deceleration
	zb  float64 // (Σ C_i √Z_i)², for backscatter
	zm  float64 // Σ C_i Z_i
	lnZ float64 // Σ C_i ln Z_i
	eta float64 // backscatter coefficient
	w   float64 // mean reduced energy of backscattered electrons

	phi0 Surface
}

func newTarget(cs []constituent) target {
	t := target{deceleration: newDeceleration(cs)}
	root := 0.0
	for _, c := range cs {
		root += c.c * math.Sqrt(c.z)
		t.zm += c.c * c.z
		t.lnZ += c.c * math.Log(c.z)
	}
	t.zb = root * root
	t.eta = 1.75e-3*t.zb + 0.37*(1-math.Exp(-0.015*math.Pow(t.zb, 1.3))) // (1.4)
	t.w = 0.595 + t.eta/3.7 + math.Pow(t.eta, 4.55)                      // (1.4)
	return t
}

// backscatter returns R, the share of the ionisations that backscatter leaves
// (1.4).
func (t *target) backscatter(u float64) float64 {
	q := (2*t.w - 1) / (1 - t.w)
	return 1 - t.eta*t.w*(1-scatterLoss(math.Log(u), q))
}

// scatterLoss returns G(U) = {U−1−[1−U^−(1+q)]/(1+q)} / {(2+q) J(U)} with
// J = 1 + U(ln U − 1), at v = ln U (1.4). G(1) = 1.
func scatterLoss(v, q float64) float64 {
	s := 1 + q
	if s*v < 0.02 {
		// Power series of both; the terms left out are below 2e-11.
		num := (1+s)/2 + v*((1-s*s)/6+v*((1+s*s*s)/24+v*((1-s*s*s*s)/120+v*(1+s*s*s*s*s)/720)))
		return num / ((1 + s) * growth(v))
	}
	num := math.Expm1(v) + math.Expm1(-s*v)/s
	return num / ((1 + s) * v * v * growth(v))
}

// ionised returns the area F of φ(ρz) in g/cm² (1.5) at overvoltage u = e0/edge.
func (t *target) ionised(l level, e0 float64) float64 {
	u := e0 / l.edge
	lnU := math.Log(u)
	return t.backscatter(u) * t.pathIntegral(l.edge, e0, l.m) / (lnU * math.Exp(-l.m*lnU))
}
