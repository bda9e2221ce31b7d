package matrix

import (
	"fmt"
	"math"
)

// Surface selects the surface ionisation φ(0), the ionisations in a thin layer
// on a material per ionisation in the same layer without it.
type Surface uint8

// Surface ionisations.
const (
	// SurfaceLove is that of Love, Cox & Scott 1978 (1.7), the default. Against
	// transport (StudySurface: Al K in a thin layer on ten elements from Be to Bi, 3
	// to 30 keV) it lies 1 % low with a spread of 1 to 2 %; that of Pouchou & Pichoir
	// lies 7 % high on elements from Cr to Pd and 8 % on heavier ones. Measured films
	// say the same (TestMeasuredFilms).
	SurfaceLove Surface = iota
	// SurfacePouchou is that of PAP and XPP as published (1.6).
	SurfacePouchou
)

// String returns the name of the authors.
func (s Surface) String() string {
	switch s {
	case SurfaceLove:
		return "Love"
	case SurfacePouchou:
		return "Pouchou"
	}
	return fmt.Sprintf("Surface(%d)", uint8(s))
}

// surface returns φ(0) of level l at e0 keV.
func (t *target) surface(l level, e0 float64) float64 {
	u := e0 / l.edge
	if t.phi0 == SurfacePouchou {
		r := 2 - 2.3*t.eta
		return 1 - 3.3*math.Expm1(-r*math.Log(u))*math.Pow(t.eta, 1.2) // (1.6)
	}
	// Love G, Cox M G C, Scott V D (1978) J. Phys. D 11, 7 (1.7); coefficients
	// from memory. Both sums vanish at U = 1, as they must.
	i := 3.43378 + (-10.7872+(10.97628-3.62286/u)/u)/u
	g := -0.59299 + (21.55329+(-30.55248+9.59218/u)/u)/u
	eta := t.scattered(e0)
	return 1 + eta/(1+eta)*(i+g*math.Log1p(eta))
}

// scattered returns the backscatter coefficient at e0 keV: that of (1.4), which
// has no energy in it and is held to be that at 20 keV, with the change that
// Hungler G, Küchler L (1979) Phys. Stat. Sol. (a) 56, K45 give (1.8);
// coefficients from memory.
func (t *target) scattered(e0 float64) float64 {
	h := (-1112.8 + 30.289*t.zb - 0.15498*t.zb*t.zb) * 1e-4
	return t.eta * (1 + h*math.Log(e0/20))
}
