package fit

import (
	"math"

	"example.org/fleck/spectra"
)

// jacobian fills the derivative columns at s; sc.cols and sc.m must belong to s.
func (sc *scorer) jacobian(s *state) {
	base := sc.d.groups()
	var shapes [shapeParameters][]float64
	for i, p := range sc.kinds {
		col := sc.jac[i]
		switch p.kind {
		case familyAmplitude:
			clear(col)
			for k, g := range sc.d.groupsOf[p.index] {
				axpy(col, sc.cols[g], sc.d.families[p.index].groups[k].weight*math.Exp(s.dev[g]))
			}
		case groupDeviation:
			clear(col)
			for k, g := range sc.d.groupsOf[p.owner] {
				if g == p.index {
					axpy(col, sc.cols[g], sc.groupArea(s, p.owner, k))
				}
			}
		case restAmplitude:
			copy(col, sc.cols[base+p.index])
		case shapeValue:
			shapes[p.index] = col
		}
	}
	if sc.anyShapeFree() {
		sc.shapeJacobian(shapes, s)
	}
	for i := range sc.kinds {
		sc.span[i] = support(sc.jac[i])
	}
}

// shapeJacobian fills the derivatives by the shape parameters, nil where a
// parameter is held.
func (sc *scorer) shapeJacobian(cols [shapeParameters][]float64, s *state) {
	cal := s.shape.calibration()
	sc.d.cont.set(s.shape)
	for p := range cols {
		if cols[p] == nil {
			cols[p] = sc.scratch // a column that nobody reads
		}
	}
	if sc.free[offsetParameter] || sc.free[gainParameter] || sc.free[noiseParameter] || sc.free[fanoParameter] {
		sc.peakGradient(s)
		sc.edges.Resolution(cols[noiseParameter], cols[fanoParameter])
		sc.edges.Offset(cols[offsetParameter])
		sc.edges.Gain(cols[gainParameter], float64(sc.d.lo))
		sc.d.cont.scaleGradient(sc.peaks, sc.cont, s.rest, sc.d.lo, cal)
		axpy(cols[offsetParameter], sc.peaks, 1)
		axpy(cols[gainParameter], sc.cont, 1)
	}
	if sc.free[lossParameter] || sc.free[fractionParameter] {
		clear(sc.peaks)
		sc.addPeaks(sc.peaks, s.shape, s)
	}
	for _, p := range []shapeParameter{lossParameter, fractionParameter} {
		if !sc.free[p] {
			continue
		}
		moved := s.shape
		moved[p] += sc.step[p]
		clear(cols[p])
		sc.addPeaks(cols[p], moved, s)
		for c := range cols[p] {
			cols[p][c] = (cols[p][c] - sc.peaks[c]) / sc.step[p]
		}
	}
	if sc.free[landingParameter] {
		sc.d.cont.landingGradient(cols[landingParameter], sc.step[landingParameter], s.rest, sc.d.lo, cal)
	}
	for j := range absorbers {
		if p := int(absorberParameter) + j; sc.free[p] {
			sc.d.cont.depthGradient(cols[p], j, s.rest, sc.d.lo, cal)
		}
	}
}

// peakGradient gathers the gradient of all peaks at s.
func (sc *scorer) peakGradient(s *state) {
	cal, det := sc.peakScale(s.shape)
	sc.edges.Reset(len(sc.n))
	for f, fam := range sc.d.families {
		for k := range fam.groups {
			if area := sc.groupArea(s, f, k); area > 0 {
				fam.groups[k].addGradient(&sc.edges, cal, det, area)
			}
		}
	}
	if sc.d.silicon {
		det.AddPeakGradient(&sc.edges, cal, spectra.SiliconKEnergy, s.rest[len(s.rest)-1])
	}
}
