package main

import (
	"math"
	"slices"
)

// kissel is the photoelectric cross section of one element after Kissel, in cm²/g, with true steps: just above many
// edges the table climbs over 0.1 to 3 % of the energy, since its knots do not lie at the edge. There the cross section
// is continued from above the climb down to the edge by a power law.
type kissel struct {
	z       int
	toMass  float64 // cm²/g per barn
	edges   []float64
	repairs []repair
}

// Above elamAbove the cross section is that of Elam et al. for the elements up to lightKissel: there Kissel's falls away
// by factors at 20 to 40 keV (F at 40 keV: 0.115 of Elam).
const (
	lightKissel = 13    // Al
	elamAbove   = 10000 // eV
)

// repair replaces lo < e < hi by mu·(e/hi)^slope.
type repair struct{ lo, hi, mu, slope float64 }

func newKissel(z int, weight float64) *kissel {
	k := &kissel{z: z, toMass: avogadro * 1e-24 / weight}
	for s := range 16 { // K to N7
		e := xrlEdge(z, s)
		if e > 50 && k.raw(e*(1+1e-6)) > 1.005*k.raw(e*(1-1e-6)) {
			k.edges = append(k.edges, e)
		}
	}
	slices.Sort(k.edges)
	for i, e := range k.edges {
		if e < 1000 && z <= 92 { // not used there
			continue
		}
		end := e * 1.04
		if i+1 < len(k.edges) {
			end = min(end, e+0.8*(k.edges[i+1]-e)) // the spline can bulge before the next edge
		}
		k.sharpen(e, end)
	}
	return k
}

func (k *kissel) raw(e float64) float64 { return xrlPhotoKissel(k.z, e) * k.toMass }

// sharpen looks for the place above the edge where E²·mu is largest and for the last place where mu falls slower than
// 1/E: the cross section falls faster than E^-2 where it does not climb or wave. From the higher of the two places the
// cross section is continued down to the edge.
func (k *kissel) sharpen(edge, end float64) {
	const step = 1e-4
	first := edge * (1 + 1e-6)
	hi, top, last := first, first*first*k.raw(first), first*k.raw(first)
	for e := edge * (1 + step); e < end; e *= 1 + step {
		mu := k.raw(e)
		if y := e * e * mu; y > top*1.0005 {
			hi, top = e, y
		} else if e*mu > last {
			hi = e
		}
		last = e * mu
	}
	if hi < edge*(1+2*step) {
		return
	}
	up := min(hi*1.01, end)
	slope := -2.6
	if up > hi*(1+10*step) {
		slope = max(-3, min(-2, math.Log(k.raw(up)/k.raw(hi))/math.Log(up/hi)))
	}
	k.repairs = append(k.repairs, repair{edge, hi, k.raw(hi), slope})
}

func (k *kissel) at(e float64) float64 {
	for _, r := range k.repairs {
		if e > r.lo && e < r.hi {
			return r.mu * math.Pow(e/r.hi, r.slope)
		}
	}
	if k.z > lightKissel || e < elamAbove {
		return k.raw(e)
	}
	// Linear in ln E over 3 %; the two differ by less than 0.4 % there.
	w := min(1, math.Log(e/elamAbove)/math.Log(1.03))
	return math.Exp((1-w)*math.Log(k.raw(e)) + w*math.Log(xrlPhotoElam(k.z, e)))
}
