package transport

import (
	"math"

	"example.org/fleck/spectra/xray"
)

const (
	avogadro = 6.02214076e23 // 1/mol, SI 2019

	electronRestKeV = 511.0
)

// browningSection returns the total elastic cross section in cm² at e keV:
// Browning et al. 1994, 3.0e-18 Z^1.7/(E + 0.005 Z^1.7 √E + 0.0007 Z²/√E).
// Constants from memory, unverified against the paper.
func browningSection(z, e float64) float64 {
	root := math.Sqrt(e)
	z17 := math.Pow(z, 1.7)
	return 3.0e-18 * z17 / (e + 0.005*z17*root + 0.0007*z*z/root)
}

// browningScreening is the screening of the forward part, 7.0e-3/E. Constant from
// memory, unverified.
func browningScreening(e float64) float64 { return 7.0e-3 / e }

// browningForward returns the share ρ/(1+ρ) of the collisions that scatter by
// the screened Rutherford law, the rest being isotropic: ρ = 300 E^(1−Z/2000)/Z
// + Z³/(3e5 E). Constants from memory, unverified.
func browningForward(z, e float64) float64 {
	r := 300*math.Pow(e, 1-z/2000)/z + z*z*z/(3e5*e)
	return r / (1 + r)
}

// rutherfordScreening is Joy 1995: 3.4e-3 Z^0.67/E. Constants from memory,
// unverified.
func rutherfordScreening(z, e float64) float64 { return 3.4e-3 * math.Pow(z, 0.67) / e }

// rutherfordSection returns the total elastic cross section in cm² at e keV: Joy
// 1995, 5.21e-21 (Z/E)² 4π/(α(1+α)) ((E+511)/(E+1024))². Constants from memory,
// unverified.
func rutherfordSection(z, e float64) float64 {
	a := rutherfordScreening(z, e)
	q := (e + electronRestKeV) / (e + 2*electronRestKeV + 2)
	return 5.21e-21 * z * z / (e * e) * 4 * math.Pi / (a * (1 + a)) * q * q
}

// scatterer is one kind of collision: a share of collisions that scatter by the
// screened Rutherford law with one screening, the rest isotropic.
type scatterer struct {
	upTo    float64 // cumulative share of the collisions of the material
	forward float64 // share that scatters by the law
	alpha   float64
}

// collisions returns the collisions per nm of a material at e keV and their
// kinds. Browning's screening does not depend on the element, so that one kind
// serves all.
func collisions(m xray.Material, e float64, model Elastic) (perNM float64, kinds []scatterer) {
	forward := 0.0
	for _, k := range m.Components {
		z := float64(k.Element)
		atoms := avogadro * m.Density * k.MassFraction / k.Element.AtomicWeight() * 1e-7 // per cm² and nm
		if model == Rutherford {
			perNM += atoms * rutherfordSection(z, e)
			kinds = append(kinds, scatterer{perNM, 1, rutherfordScreening(z, e)})
			continue
		}
		n := atoms * browningSection(z, e)
		perNM += n
		forward += n * browningForward(z, e)
	}
	if model != Rutherford {
		return perNM, []scatterer{{1, forward / perNM, browningScreening(e)}}
	}
	for i := range kinds {
		kinds[i].upTo /= perNM
	}
	kinds[len(kinds)-1].upTo = 1
	return perNM, kinds
}
