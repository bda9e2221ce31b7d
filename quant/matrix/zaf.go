package matrix

import "math"

// The classical correction by three factors: atomic number (Duncumb & Reed
// 1968), absorption (Philibert 1963, Duncumb & Shields 1966, Heinrich 1969),
// fluorescence (Reed 1965). The coefficients are values from memory,
// unverified; they reproduce one published pair of Fe-Ni k-ratios. Use it as a
// cross-check only: against XPP it differs by 1–4 % on lines with strong
// absorption and it is not made for lines below 1 keV.

// zafSigma returns the Lenard coefficient σ in cm²/g, Heinrich (4.1).
func zafSigma(ec, e0 float64) float64 {
	return 4.5e5 / (math.Pow(e0, 1.65) - math.Pow(ec, 1.65))
}

// zafAbsorption returns f(χ) of Philibert, Duncumb & Heinrich (4.1). It is poor
// below 0.7.
func zafAbsorption(cs []constituent, ec, e0, chi float64) float64 {
	h := 0.0
	for _, c := range cs {
		h += c.c * 1.2 * c.a / (c.z * c.z)
	}
	x := chi / zafSigma(ec, e0)
	return 1 / ((1 + x) * (1 + h/(1+h)*x))
}

// zafBackscatter returns the backscatter factor R of one element, the
// polynomial fit of NBS Technical Note 796 to the table of Duncumb & Reed
// (4.2), at most 1. The cubic diverges beyond U = 10, where U is held.
func zafBackscatter(z, u float64) float64 {
	u = min(u, 10)
	r1 := ((8.73e-3*u-0.1669)*u+0.9662)*u + 0.4523
	r2 := ((2.703e-3*u-5.182e-2)*u+0.302)*u - 0.1836
	r3 := (((0.887*u-3.44)*u+9.33)*u - 6.43) / (u * u * u)
	return min(r1-r2*math.Log(r3*z+25), 1)
}

// zafIonisation returns the mean ionisation energy J in keV, Berger & Seltzer
// 1964 with the rule of Wilson 1941 below Z = 13 (4.3). The table behind R was
// made with the J of Duncumb & da Casa, which is 35 % higher for Au; with it the
// Z factors move by up to 12 %.
func zafIonisation(z float64) float64 {
	if z < 13 {
		return 0.0115 * z
	}
	return 0.001 * (9.76*z + 58.5*math.Pow(z, -0.19))
}

// zafGenerated returns R/S of a material for one level, in units that cancel
// against a standard (4.3).
func zafGenerated(cs []constituent, ec, e0 float64) float64 {
	r, s := 0.0, 0.0
	em := (e0 + ec) / 2
	for _, c := range cs {
		r += c.c * zafBackscatter(c.z, e0/ec)
		s += c.c * c.z / c.a * math.Log(1166*em/(1000*zafIonisation(c.z)))
	}
	return r / s
}
