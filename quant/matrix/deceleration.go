package matrix

import "math"

// constituent is one element of a target: atomic number, atomic weight (g/mol)
// and mass fraction.
type constituent struct {
	z, a, c float64
}

// deceleration is the energy loss of electrons in a target, PP91:
// dE/d(ρs) = −(M/J)/f(V), V = E/J, f(V) = Σ D_k V^P_k (equation 1.2).
// It follows Bethe within 6 % at 15–30 keV and stays finite at low energy.
type deceleration struct {
	m float64    // M = Σ C_i Z_i/A_i
	j float64    // mean ionisation energy, keV
	d [3]float64 // D_k
	p [3]float64 // P_k
}

// meanIonisation returns J in keV of an element of atomic number z,
// Zeller C (1973), quoted by PP91.
func meanIonisation(z float64) float64 {
	return 0.001 * z * (10.04 + 8.25*math.Exp(-z/11.22)) // (1.2)
}

func newDeceleration(cs []constituent) deceleration {
	var s deceleration
	lnJ := 0.0
	for _, c := range cs {
		w := c.c * c.z / c.a
		s.m += w
		lnJ += w * math.Log(meanIonisation(c.z))
	}
	s.j = math.Exp(lnJ / s.m)
	s.d = [3]float64{6.6e-6, 1.12e-5 * (1.35 - 0.45*s.j*s.j), 2.2e-6 / s.j} // (1.2)
	s.p = [3]float64{0.78, 0.10, -(0.5 - 0.25*s.j)}                         // (1.2)
	return s
}

// loss returns −dE/d(ρs) in keV·cm²/g at e keV (1.2).
func (s *deceleration) loss(e float64) float64 {
	v, f := e/s.j, 0.0
	for k := range s.d {
		f += s.d[k] * math.Pow(v, s.p[k])
	}
	return s.m / (s.j * f)
}

// pathIntegral returns 1/S = ∫ Q/(dE/dρs) dE from ec to e0 with Q = ln U/U^m,
// in g/cm² (1.3).
func (s *deceleration) pathIntegral(ec, e0, m float64) float64 {
	lnU := math.Log(e0 / ec)
	lnV := math.Log(ec / s.j)
	sum := 0.0
	for k := range s.d {
		t := 1 + s.p[k] - m
		// [T U^T ln U − U^T + 1]/T² = (ln U)² growth(T ln U)
		sum += s.d[k] * math.Exp(s.p[k]*lnV) * lnU * lnU * growth(t*lnU)
	}
	return ec * s.j / s.m * sum
}

// reach returns R0 = ∫ dE/(dE/dρs) from ec to e0 in g/cm², the path an electron
// covers before its energy falls to ec (2.1).
func (s *deceleration) reach(ec, e0 float64) float64 {
	ln0, lnC, lnJ := math.Log(e0), math.Log(ec), math.Log(s.j)
	sum := 0.0
	for k := range s.d {
		q := 1 + s.p[k]
		// E0^q − Ec^q without cancellation at U → 1.
		diff := math.Exp(q*lnC) * math.Expm1(q*(ln0-lnC))
		sum += math.Exp((1-s.p[k])*lnJ) * s.d[k] * diff / q
	}
	return sum / s.m
}

// growth returns [w e^w − e^w + 1]/w², ½ at w = 0.
func growth(w float64) float64 {
	if math.Abs(w) < 0.05 {
		// Σ w^n/(n!(n+2)); the term left out is below 2e-14.
		return 0.5 + w*(1.0/3+w*(1.0/8+w*(1.0/30+w*(1.0/144+w*(1.0/840+w/5760)))))
	}
	return (math.Exp(w)*(w-1) + 1) / (w * w)
}
