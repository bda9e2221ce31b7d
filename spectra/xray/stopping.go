package xray

import "math"

// MeanIonisation returns the mean ionisation energy J of an element for electron stopping:
// 9.76 Z + 58.5 Z^-0.19 eV for Z ≥ 13 (Berger & Seltzer 1964), 11.5 Z eV below (Wilson 1941).
// It is 0 outside the tables.
func MeanIonisation(z Element) Energy {
	if !z.Valid() {
		return 0
	}
	if z < 13 {
		return Energy(11.5 * float64(z))
	}
	return Energy(9.76*float64(z) + 58.5*math.Pow(float64(z), -0.19))
}

// StoppingPower returns the mean energy loss per mass depth of an electron of energy e in m, in eV·cm²/g, positive.
//
// Source: Joy & Luo 1989, Scanning 11:176: 78500/E·Σ c·(Z/A)·ln(1.166(E + k·J)/J) keV·cm²/g with E, J in keV and
// k = 0.734·Z^0.037. It turns into the law of Bethe at high energy and is usable to about 50 eV; it leaves out
// relativity, which makes it some 2 % low at 10 keV. The result is NaN for e that is not positive and for an empty material.
func StoppingPower(m Material, e Energy) float64 {
	if !(e > 0) || len(m.Components) == 0 {
		return math.NaN()
	}
	sum := 0.0
	for _, c := range m.Components {
		z := float64(c.Element)
		j := float64(MeanIonisation(c.Element))
		k := 0.734 * math.Pow(z, 0.037)
		sum += c.MassFraction * z / c.Element.AtomicWeight() * math.Log(1.166*(float64(e)+k*j)/j)
	}
	return 7.85e10 / float64(e) * sum // 78500 keV²·cm²/g = 7.85e10 eV²·cm²/g
}
