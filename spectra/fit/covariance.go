package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// uncertainties fills the covariance of the net counts and the standard
// uncertainties of the scale from the expected Fisher information with the
// priors' curvature.
func (r *Result) uncertainties(sc *scorer, s *state) {
	nf := len(r.Families)
	r.Covariance = make([][]float64, nf)
	for i := range r.Covariance {
		r.Covariance[i] = make([]float64, nf)
	}
	np := len(sc.kinds)
	if np == 0 {
		return
	}
	sc.jacobian(s)
	g, h := sc.information(np)
	sc.penalty(s, g, h)
	var free, held []int
	for i, p := range sc.kinds {
		if p.bounded() && *p.value(s) <= 0 {
			held = append(held, i)
		} else {
			free = append(free, i)
		}
	}
	r.DegreesOfFreedom = len(sc.n) - len(free)
	r.ExpectedDeviance -= float64(len(free))
	cov, ok := inverse(h, free)
	if !ok {
		r.warn(spectra.NotSeparated, "the covariance could not be computed: some families cannot be told apart")
		for i := range r.Families {
			r.Families[i].Sigma = math.NaN()
		}
		return
	}
	if nf == 0 {
		return
	}
	r.overlap = overlaps(sc, s, h, nf)
	// rows of L: derivative of family totals with respect to the free parameters
	l := mat.NewDense(nf, len(free), nil)
	for k, i := range free {
		switch p := sc.kinds[i]; p.kind {
		case familyAmplitude:
			sum := 0.0
			for m, gi := range sc.d.groupsOf[p.index] {
				sum += sc.d.families[p.index].groups[m].weight * math.Exp(s.dev[gi])
			}
			l.Set(p.index, k, sum)
		case groupDeviation:
			for m, gi := range sc.d.groupsOf[p.owner] {
				if gi == p.index {
					l.Set(p.owner, k, sc.groupArea(s, p.owner, m))
				}
			}
		case shapeValue:
			sigma := math.Sqrt(cov.At(k, k))
			if shapeParameter(p.index) == offsetParameter {
				r.CalibrationSigma.OffsetEV = sigma
			} else if shapeParameter(p.index) == gainParameter {
				r.CalibrationSigma.GainEV = sigma
			} else if shapeParameter(p.index) == landingParameter {
				r.LandingSigma = xray.Energy(sigma)
			}
		}
	}
	var lc, full mat.Dense
	lc.Mul(l, cov)
	full.Mul(&lc, l.T())
	for i := 0; i < nf; i++ {
		for j := 0; j < nf; j++ {
			r.Covariance[i][j] = full.At(i, j)
		}
	}
	for _, i := range held {
		p := sc.kinds[i]
		if p.kind != familyAmplitude {
			continue
		}
		// One-sided: the variance this family would have if it were free.
		with, ok := inverse(h, append(append([]int(nil), free...), i))
		if ok {
			r.Covariance[p.index][p.index] = with.At(len(free), len(free))
		}
	}
	for i := range r.Families {
		r.Families[i].Sigma = math.Sqrt(r.Covariance[i][i])
	}
}

// overlaps returns the correlations of the family amplitudes with line shares,
// scale and resolution held fixed: what the overlap of the peaks alone does.
// Families at zero have none.
func overlaps(sc *scorer, s *state, h *mat.SymDense, nf int) [][]float64 {
	out := make([][]float64, nf)
	for i := range out {
		out[i] = make([]float64, nf)
	}
	var idx []int
	for i, p := range sc.kinds {
		if p.bounded() && *p.value(s) > 0 {
			idx = append(idx, i)
		}
	}
	cov, ok := inverse(h, idx)
	if !ok {
		return out
	}
	for a, i := range idx {
		for b, j := range idx {
			if sc.kinds[i].kind == familyAmplitude && sc.kinds[j].kind == familyAmplitude {
				out[sc.kinds[i].index][sc.kinds[j].index] = cov.At(a, b) / math.Sqrt(cov.At(a, a)*cov.At(b, b))
			}
		}
	}
	return out
}

// inverse returns the inverse of the sub-matrix of h on the given indices.
func inverse(h *mat.SymDense, idx []int) (*mat.SymDense, bool) {
	n := len(idx)
	a := mat.NewSymDense(n, nil)
	scale := make([]float64, n)
	for i, p := range idx {
		v := h.At(p, p)
		if v <= 0 {
			v = 1e-300
		}
		scale[i] = 1 / math.Sqrt(v)
	}
	for i, p := range idx {
		for j := 0; j <= i; j++ {
			v := h.At(p, idx[j]) * scale[i] * scale[j]
			if i == j {
				v = 1 + 1e-12
			}
			a.SetSym(i, j, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) {
		return nil, false
	}
	var inv mat.SymDense
	if err := chol.InverseTo(&inv); err != nil {
		if _, isCond := err.(mat.Condition); !isCond {
			return nil, false
		}
	}
	for i := 0; i < n; i++ {
		for j := 0; j <= i; j++ {
			inv.SetSym(i, j, inv.At(i, j)*scale[i]*scale[j])
		}
	}
	return &inv, true
}

// variance returns the variance of the amplitude of family f at s, in the
// presence of all that is free and not held at zero.
func (sc *scorer) variance(s *state, f int) float64 {
	sc.jacobian(s)
	g, h := sc.information(len(sc.kinds))
	sc.penalty(s, g, h)
	var idx []int
	for i, p := range sc.kinds {
		if !p.bounded() || *p.value(s) > 0 {
			if p.kind != familyAmplitude || p.index != f {
				idx = append(idx, i)
			}
		}
	}
	for i, p := range sc.kinds {
		if p.kind == familyAmplitude && p.index == f {
			idx = append(idx, i)
		}
	}
	cov, ok := inverse(h, idx)
	if !ok {
		return math.NaN()
	}
	return cov.At(len(idx)-1, len(idx)-1)
}
