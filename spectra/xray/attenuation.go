package xray

import (
	"math"
	"slices"
)

// Attenuation returns the total mass attenuation coefficient of the element for photons of energy e, in cm²/g.
//
// The table runs from 50 eV to 40 keV and is interpolated log-log; steps at absorption edges are kept sharp, and at the
// very energy of a step the value above it is returned. Below 50 eV the value at 50 eV is returned; above 40 keV the
// last two rows are continued as a power law. The result is NaN outside the tables and for e that is not positive.
//
// Uncertainty off the edges: 2 % above 2 keV, 5 % at 1-2 keV, 10-15 % at 0.3-1 keV, 25 % or worse below 0.3 keV.
func (z Element) Attenuation(e Energy) MassAttenuation {
	if !z.Valid() {
		return MassAttenuation(math.NaN())
	}
	g := &tables().grids[z]
	return MassAttenuation(interpolate(g.lnE, g.lnTotal, e))
}

// Photo returns the photoelectric part of the mass attenuation coefficient, in cm²/g. Range and limits are those of
// Attenuation.
func (z Element) Photo(e Energy) MassAttenuation {
	if !z.Valid() {
		return MassAttenuation(math.NaN())
	}
	g := &tables().grids[z]
	return MassAttenuation(interpolate(g.lnE, g.lnPhoto, e))
}

// EdgeSteps returns the energies at which the attenuation table of z has a step, ascending. They are the ones that
// decide whether a line is above or below an edge of an absorber.
func EdgeSteps(z Element) []Energy {
	if !z.Valid() {
		return nil
	}
	return slices.Clone(tables().grids[z].steps)
}

// interpolate reads y(e) from natural logarithms x, y.
func interpolate(x, y []float64, e Energy) float64 {
	if !(e > 0) {
		return math.NaN()
	}
	u := math.Log(float64(e))
	n := len(x)
	if u <= x[0] {
		return math.Exp(y[0])
	}
	lo, hi := 0, n // first index with x > u
	for lo < hi {
		if mid := int(uint(lo+hi) >> 1); x[mid] > u {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	i := min(lo, n-1)
	t := (u - x[i-1]) / (x[i] - x[i-1])
	return math.Exp(y[i-1] + t*(y[i]-y[i-1]))
}
