package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/poisson"
)

// scorer maximises the penalised Poisson likelihood of one spectrum by Fisher
// scoring with an active set for amplitudes at zero and Levenberg damping.
type scorer struct {
	d     *design
	n     []float64 // counts in range
	start shape     // centre of the priors
	prior [shapeParameters]float64
	step  [shapeParameters]float64
	free  [shapeParameters]bool
	devOf []bool // per family: groups' shares are free

	cols    [][]float64
	m, mTry []float64
	edges   spectra.PeakGradient
	peaks   []float64 // parts of the model and of its derivatives
	cont    []float64
	scratch []float64
	jac     [][]float64
	span    [][2]int
	kinds   []parameter
	iter    int
	maxIter int
	held    int // family whose amplitude is not fitted, noFamily = none
}

const noFamily = -1

func newScorer(d *design, counts []float64, start shape, o Options) *scorer {
	sc := &scorer{d: d, n: counts, start: start, maxIter: o.MaxIterations, held: noFamily}
	cal, det := start.calibration(), start.detector(d.base)
	sc.prior = priorSigma(cal, det)
	sc.prior[landingParameter] = landingPrior * d.cont.e0
	sc.step = derivativeStep(cal)
	sc.cols = d.newColumns()
	sc.m = make([]float64, d.hi-d.lo)
	sc.mTry = make([]float64, d.hi-d.lo)
	sc.peaks, sc.cont, sc.scratch = make([]float64, d.hi-d.lo), make([]float64, d.hi-d.lo), make([]float64, d.hi-d.lo)
	sc.devOf = make([]bool, len(d.families))
	return sc
}

// groupArea returns the area of group g of family f.
func (sc *scorer) groupArea(s *state, f, k int) float64 {
	g := sc.d.groupsOf[f][k]
	return sc.d.families[f].groups[k].weight * s.family[f] * math.Exp(s.dev[g])
}

// combine writes the model of s from columns into dst.
func (sc *scorer) combine(dst []float64, cols [][]float64, s *state) {
	clear(dst)
	for f := range sc.d.families {
		for k, g := range sc.d.groupsOf[f] {
			axpy(dst, cols[g], sc.groupArea(s, f, k))
		}
	}
	base := sc.d.groups()
	for k, a := range s.rest {
		axpy(dst, cols[base+k], a)
	}
	for i, v := range dst {
		if v < 1e-9 {
			dst[i] = 1e-9
		}
	}
}

// addPeaks adds the peaks of state s at shape p: families and the detector's
// silicon.
func (sc *scorer) addPeaks(dst []float64, p shape, s *state) {
	cal, det := sc.peakScale(p)
	for f, fam := range sc.d.families {
		for k := range fam.groups {
			if area := sc.groupArea(s, f, k); area > 0 {
				fam.groups[k].add(dst, cal, det, area)
			}
		}
	}
	if sc.d.silicon {
		det.AddPeak(dst, cal, spectra.SiliconKEnergy, s.rest[len(s.rest)-1])
	}
}

// peakScale returns the scale, counted from the first fitted channel, and the
// detector of shape p.
func (sc *scorer) peakScale(p shape) (spectra.Calibration, spectra.Detector) {
	cal := p.calibration()
	cal.OffsetEV = float64(cal.Energy(float64(sc.d.lo)))
	return cal, p.detector(sc.d.base)
}

func axpy(dst, x []float64, a float64) {
	if a == 0 {
		return
	}
	for i, v := range x {
		dst[i] += a * v
	}
}

// familyTotal is the net counts of a family: A Σ weight·exp(dev).
func (sc *scorer) familyTotal(s *state, f int) float64 {
	t := 0.0
	for k := range sc.d.groupsOf[f] {
		t += sc.groupArea(s, f, k)
	}
	return t
}

// penalty returns the priors' share of the objective and adds their gradient
// and curvature when g and h are given.
func (sc *scorer) penalty(s *state, g []float64, h *mat.SymDense) float64 {
	sum := 0.0
	for i, p := range sc.kinds {
		var x, sigma float64
		switch p.kind {
		case groupDeviation:
			x, sigma = s.dev[p.index], sc.d.families[p.owner].groups[p.index-sc.d.groupsOf[p.owner][0]].prior
		case shapeValue:
			x, sigma = s.shape[p.index]-sc.start[p.index], sc.prior[p.index]
		default:
			continue
		}
		if sigma <= 0 {
			continue
		}
		w := 1 / (sigma * sigma)
		sum += 0.5 * w * x * x
		if g != nil {
			g[i] -= w * x
			h.SetSym(i, i, h.At(i, i)+w)
		}
	}
	return sum
}

// enumerate lists the free parameters and makes room for their derivatives.
func (sc *scorer) enumerate(s *state) {
	sc.kinds = sc.kinds[:0]
	for f := range sc.d.families {
		if f != sc.held {
			sc.kinds = append(sc.kinds, parameter{familyAmplitude, f, f})
		}
	}
	for f, dev := range sc.devOf {
		if dev && len(sc.d.groupsOf[f]) > 1 {
			for _, g := range sc.d.groupsOf[f] {
				sc.kinds = append(sc.kinds, parameter{groupDeviation, g, f})
			}
		}
	}
	for k := range s.rest {
		sc.kinds = append(sc.kinds, parameter{restAmplitude, k, -1})
	}
	for p, free := range sc.free {
		if free {
			sc.kinds = append(sc.kinds, parameter{shapeValue, p, -1})
		}
	}
	for len(sc.jac) < len(sc.kinds) {
		sc.jac = append(sc.jac, make([]float64, len(sc.n)))
		sc.span = append(sc.span, [2]int{})
	}
}

// run iterates to the maximum of the penalised likelihood from s and reports
// whether it converged: whether the next step promises less than tolerance in
// log-likelihood.
func (sc *scorer) run(s *state, tolerance float64) bool {
	sc.enumerate(s)
	np := len(sc.kinds)
	sc.d.columns(sc.cols, s.shape)
	sc.combine(sc.m, sc.cols, s)
	lambda := 0.0
	for ; sc.iter < sc.maxIter; sc.iter++ {
		obj := 0.5*poisson.Deviance(sc.n, sc.m) + sc.penalty(s, nil, nil)
		sc.jacobian(s)
		g, h := sc.information(np)
		sc.penalty(s, g, h)
		improved, gain0 := false, 0.0
		for try := 0; try < 8; try++ {
			delta, ok := sc.solve(s, g, h, lambda)
			if !ok {
				lambda = math.Max(10*lambda, 1e-4)
				continue
			}
			next := s.clone()
			gain := 0.0
			for i, p := range sc.kinds {
				v := p.value(&next)
				*v += delta[i]
				if p.bounded() && *v < 0 {
					*v = 0
				}
				gain += g[i] * delta[i]
			}
			if try == 0 {
				gain0 = gain
			}
			if gain < tolerance+1e-9*math.Abs(obj) {
				return true
			}
			objTry, ok := sc.objective(&next)
			if !ok {
				lambda = math.Max(10*lambda, 1e-3)
				continue
			}
			// Where the curvature along the step is greater than expected, the
			// least of the parabola through both values and the slope is nearer.
			if t := gain / (2 * (objTry - obj + gain)); t > 0.05 && t < 0.8 {
				between := s.between(next, t)
				if v, ok := sc.objective(&between); ok && v < objTry {
					next, objTry = between, v
				} else {
					sc.objective(&next)
				}
			}
			if objTry < obj {
				*s = next
				sc.m, sc.mTry = sc.mTry, sc.m
				lambda /= 10
				if lambda < 1e-7 {
					lambda = 0
				}
				improved = true
				break
			}
			lambda = math.Max(10*lambda, 1e-3)
		}
		if !improved {
			sc.d.columns(sc.cols, s.shape)
			sc.combine(sc.m, sc.cols, s)
			return gain0 < 10*tolerance
		}
	}
	return false
}

// objective is half the deviance of state s with its penalty, the model in
// mTry; ok is false outside the range of the shape.
func (sc *scorer) objective(s *state) (float64, bool) {
	if !s.shape.inRange() {
		return 0, false
	}
	if sc.anyShapeFree() {
		sc.d.columns(sc.cols, s.shape)
	}
	sc.combine(sc.mTry, sc.cols, s)
	return 0.5*poisson.Deviance(sc.n, sc.mTry) + sc.penalty(s, nil, nil), true
}

func (sc *scorer) anyShapeFree() bool {
	for _, f := range sc.free {
		if f {
			return true
		}
	}
	return false
}

// support returns the half-open range of non-zero values.
func support(x []float64) [2]int {
	lo, hi := 0, len(x)
	for lo < hi && x[lo] == 0 {
		lo++
	}
	for hi > lo && x[hi-1] == 0 {
		hi--
	}
	return [2]int{lo, hi}
}

// information returns the score and the expected Fisher information.
func (sc *scorer) information(np int) ([]float64, *mat.SymDense) {
	g := make([]float64, np)
	h := mat.NewSymDense(np, nil)
	w := make([]float64, len(sc.n))
	for i := 0; i < np; i++ {
		col, sp := sc.jac[i], sc.span[i]
		for c := sp[0]; c < sp[1]; c++ {
			w[c] = col[c] / sc.m[c]
			g[i] += w[c] * (sc.n[c] - sc.m[c])
		}
		for j := 0; j <= i; j++ {
			lo, hi := max(sp[0], sc.span[j][0]), min(sp[1], sc.span[j][1])
			sum := 0.0
			other := sc.jac[j]
			for c := lo; c < hi; c++ {
				sum += w[c] * other[c]
			}
			h.SetSym(i, j, sum)
		}
	}
	return g, h
}
