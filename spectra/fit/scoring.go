package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/poisson"
)

// state is a point in parameter space: family amplitudes A, deviations of the
// groups' shares, continuum and pile-up amplitudes, and the shape.
type state struct {
	family []float64 // net counts the family would have with its computed weights, ≥ 0
	dev    []float64 // per group: the group's area is weight·family·exp(dev)
	rest   []float64 // continuum terms, then pile-up, ≥ 0
	shape  shape
}

func (s state) clone() state {
	c := s
	c.family = append([]float64(nil), s.family...)
	c.dev = append([]float64(nil), s.dev...)
	c.rest = append([]float64(nil), s.rest...)
	return c
}

// between returns the state at the share t of the way from s to next.
func (s state) between(next state, t float64) state {
	c := s.clone()
	for _, x := range []struct{ dst, to []float64 }{{c.family, next.family}, {c.dev, next.dev}, {c.rest, next.rest}, {c.shape[:], next.shape[:]}} {
		for i := range x.dst {
			x.dst[i] += float64(t * (x.to[i] - x.dst[i]))
		}
	}
	return c
}

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
}

type parameterKind uint8

const (
	familyAmplitude parameterKind = iota
	groupDeviation
	restAmplitude
	shapeValue
)

// parameter names one free parameter.
type parameter struct {
	kind  parameterKind
	index int // family, group, rest or shape index
	owner int // family of a group
}

func (p parameter) bounded() bool { return p.kind == familyAmplitude || p.kind == restAmplitude }

func (p parameter) value(s *state) *float64 {
	switch p.kind {
	case familyAmplitude:
		return &s.family[p.index]
	case groupDeviation:
		return &s.dev[p.index]
	case restAmplitude:
		return &s.rest[p.index]
	}
	return &s.shape[p.index]
}

func newScorer(d *design, counts []float64, start shape, o Options) *scorer {
	sc := &scorer{d: d, n: counts[d.lo:d.hi], start: start, maxIter: o.MaxIterations}
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

// run iterates to the maximum of the penalised likelihood from s and reports
// whether it converged: whether the next step promises less than tolerance in
// log-likelihood.
func (sc *scorer) run(s *state, tolerance float64) bool {
	sc.kinds = sc.kinds[:0]
	for f := range sc.d.families {
		sc.kinds = append(sc.kinds, parameter{familyAmplitude, f, f})
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
	np := len(sc.kinds)
	for len(sc.jac) < np {
		sc.jac = append(sc.jac, make([]float64, len(sc.n)))
		sc.span = append(sc.span, [2]int{})
	}
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

// solve returns the damped scoring step. Amplitudes that sit at zero and want
// to fall, and those the step would carry below zero, are held at zero.
func (sc *scorer) solve(s *state, g []float64, h *mat.SymDense, lambda float64) ([]float64, bool) {
	np := len(sc.kinds)
	delta := make([]float64, np)
	held := make([]bool, np)
	for i, p := range sc.kinds {
		if p.bounded() && *p.value(s) <= 0 && g[i] <= 0 {
			held[i] = true
		}
	}
	for round := 0; round < np; round++ {
		var free []int
		for i := range held {
			if !held[i] {
				free = append(free, i)
			}
		}
		x, ok := solveFree(h, g, delta, free, held, lambda)
		if !ok {
			return nil, false
		}
		again := false
		for k, i := range free {
			p := sc.kinds[i]
			if p.bounded() && *p.value(s)+x[k] < -1e-12 {
				held[i], again = true, true
				delta[i] = -*p.value(s)
				continue
			}
			delta[i] = x[k]
		}
		if !again {
			return delta, true
		}
		for k, i := range free {
			_ = k
			if !held[i] {
				delta[i] = 0
			}
		}
	}
	return nil, false
}

// solveFree solves (H+λD) x = g − H·δ(held) on the free parameters, scaled to
// unit diagonal.
func solveFree(h *mat.SymDense, g, delta []float64, free []int, held []bool, lambda float64) ([]float64, bool) {
	nf := len(free)
	if nf == 0 {
		return nil, true
	}
	scale := make([]float64, nf)
	for k, i := range free {
		scale[k] = 1
		if v := h.At(i, i); v > 0 {
			scale[k] = 1 / math.Sqrt(v)
		}
	}
	a := mat.NewSymDense(nf, nil)
	b := mat.NewVecDense(nf, nil)
	for k, i := range free {
		rhs := g[i]
		for j, isHeld := range held {
			if isHeld && delta[j] != 0 {
				rhs -= h.At(i, j) * delta[j]
			}
		}
		b.SetVec(k, rhs*scale[k])
		for l := 0; l <= k; l++ {
			v := h.At(i, free[l]) * scale[k] * scale[l]
			if l == k {
				v = v*(1+lambda) + 1e-12
			}
			a.SetSym(k, l, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) {
		return nil, false
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, b); err != nil {
		if _, isCond := err.(mat.Condition); !isCond {
			return nil, false
		}
	}
	out := make([]float64, nf)
	for k := range out {
		out[k] = x.AtVec(k) * scale[k]
		if math.IsNaN(out[k]) {
			return nil, false
		}
	}
	return out, true
}
