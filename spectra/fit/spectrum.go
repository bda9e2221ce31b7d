package fit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/poisson"
	"example.org/fleck/spectra/xray"
)

// Spectrum fits spectrum s: all families of the options, the continuum and the
// artefacts, and unless told otherwise the energy scale, the resolution, the
// charge loss and the shares of the lines within strong families.
//
// The likelihood is Poisson's; the scale and resolution carry weak priors
// around their starting values (40 eV offset, 1.5 % gain, 20 eV noise) and the
// line shares carry the uncertainty of the atomic data (10 % within K, 30 % L,
// 50 % M), so that weak spectra stay where they were put.
//
// The call fails for a spectrum without channels, energy scale or valid
// counts, and for families that the beam cannot excite; everything else is a
// Status or a warning.
func Spectrum(s *spectra.Spectrum, opt Options) (*Result, error) {
	if len(opt.Families) == 0 {
		return nil, fmt.Errorf("fit: no line families given; name at least one element that the beam can excite")
	}
	r, err := spectrum(s, opt, nil)
	if err != nil {
		return nil, err
	}
	r.doubts(s)
	return r, nil
}

// doubts puts what spectra.Spectrum.Check finds in front of the warnings, but for
// what does not touch a fit or is said by it already.
func (r *Result) doubts(s *spectra.Spectrum) {
	own := r.Warnings
	r.Warnings = nil
	for _, w := range s.Check() {
		if w.Kind != spectra.NoLiveTime && w.Kind != spectra.NoBeamEnergy {
			r.Warnings = append(r.Warnings, w)
		}
	}
	r.Warnings = append(r.Warnings, own...)
}

// spectrum is Spectrum without the demand for a family. It starts from the shape
// of an earlier fit to the same spectrum with the same detector, if there is one.
func spectrum(s *spectra.Spectrum, opt Options, earlier *Result) (*Result, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	o, err := opt.withDefaults(s)
	if err != nil {
		return nil, err
	}
	d, err := newDesign(s, o)
	if err != nil {
		return nil, err
	}
	r := newResult(s, d, o)
	if s.BeamEnergy <= 0 {
		r.warn(spectra.NoBeamEnergy, "beam energy unknown: line weights are those of a beam far above every edge, the continuum ends where the counts end")
	}
	if o.Specimen.Continuum == nil && o.Specimen.LineFactor == nil {
		r.warn(spectra.NoSpecimen, "no specimen given: line weights and continuum carry no specimen absorption")
	}
	start := startShape(s.Calibration, o.Detector)
	sc := newScorer(d, s.Counts, start, o)
	r.counts = sc.n
	total := 0.0
	for _, n := range sc.n {
		total += n
	}
	st := d.state(start)
	if total == 0 {
		r.Status = Empty
		r.warn(spectra.NoCounts, "no counts between %.0f and %.0f eV", o.LowEV, o.HighEV)
		r.finish(sc, st)
		return r, nil
	}
	if earlier != nil {
		st.shape = earlier.state.shape
	}
	sc.initial(&st, total)
	sc.run(&st, 1)
	// Scale and resolution, then the finer shape, then the line shares: each
	// stage starts from a fit that is already close.
	if !o.FixCalibration && total > 300 {
		sc.free[offsetParameter], sc.free[gainParameter], sc.free[noiseParameter] = true, true, true
		if earlier == nil {
			sc.run(&st, 0.3)
		}
	}
	for f := range d.families {
		sc.devOf[f] = !o.FixWeights && sc.familyTotal(&st, f) > 2000
	}
	if !o.FixCalibration && total > 1e5 {
		sc.free[fanoParameter] = true
		sc.free[lossParameter] = o.Detector.LossFraction > 0
		sc.free[landingParameter] = s.BeamEnergy > 0 && o.HighEV > float64(s.BeamEnergy)
		for j := range absorbers {
			sc.free[int(absorberParameter)+j] = true
		}
		sc.free[fractionParameter] = sc.free[lossParameter] && total > 3e5
	}
	if !sc.run(&st, 1e-3) {
		r.Status = NotConverged
		r.warn(spectra.NotConverging, "the fit did not converge within %d steps; values are the best so far", sc.iter)
	}
	r.finish(sc, st)
	return r, nil
}

func newResult(s *spectra.Spectrum, d *design, o Options) *Result {
	return &Result{Options: o, beam: s.BeamEnergy, design: d, LowChannel: d.lo, SpecimenName: o.Specimen.Name, Detector: o.Detector, Calibration: s.Calibration}
}

func (r *Result) warn(kind spectra.WarningKind, format string, args ...any) {
	r.Warnings = append(r.Warnings, spectra.Warning{Kind: kind, Text: fmt.Sprintf(format, args...)})
}

// initial guesses amplitudes: each family from the counts around its strongest
// group above their surroundings, the continuum from what is left.
func (sc *scorer) initial(s *state, total float64) {
	d := sc.d
	cal := s.shape.calibration()
	det := s.shape.detector(d.base)
	peaks := 0.0
	for i, f := range d.families {
		best := 0
		for k := range f.groups {
			if f.groups[k].weight > f.groups[best].weight {
				best = k
			}
		}
		e := f.groups[best].lines[0].line.Energy
		w := det.FWHM(e) / cal.GainEV
		c := cal.Channel(e) - float64(d.lo)
		in := window(sc.n, c-0.6*w, c+0.6*w)
		side := 0.5 * (window(sc.n, c-2*w, c-0.8*w) + window(sc.n, c+0.8*w, c+2*w))
		s.family[i] = math.Max(in-side, 0.02*in+0.1) / math.Max(f.groups[best].weight, 0.05)
		peaks += s.family[i]
	}
	if peaks > 0.9*total {
		for i := range s.family {
			s.family[i] *= 0.9 * total / peaks
		}
		peaks = 0.9 * total
	}
	sc.d.columns(sc.cols, s.shape)
	base := d.groups()
	terms := d.cont.columns()
	for k := 0; k < terms; k++ {
		sum := 0.0
		for _, v := range sc.cols[base+k] {
			sum += v
		}
		if sum > 0 {
			s.rest[k] = (total - peaks) / float64(terms) / sum
		}
	}
	if d.pile != nil {
		s.rest[terms] = 1e-3 * total
	}
}

// window sums x between fractional indices, whole channels only.
func window(x []float64, from, to float64) float64 {
	lo, hi := max(0, int(math.Ceil(from))), min(len(x), int(math.Floor(to))+1)
	sum := 0.0
	for i := lo; i < hi; i++ {
		sum += x[i]
	}
	return sum
}

// finish fills the result from the final state.
func (r *Result) finish(sc *scorer, s state) {
	d := sc.d
	r.state = s
	r.Iterations = sc.iter
	if sc.free[landingParameter] {
		r.LandingEnergy = xray.Energy(d.cont.e0 + s.shape[landingParameter])
	}
	r.Calibration = s.shape.calibration()
	r.Detector = s.shape.detector(d.base)
	d.columns(sc.cols, s.shape)
	r.Model = make([]float64, d.hi-d.lo)
	sc.combine(r.Model, sc.cols, &s)
	copy(sc.m, r.Model)
	r.Continuum = make([]float64, d.hi-d.lo)
	base := d.groups()
	for k := range d.cont.columns() {
		axpy(r.Continuum, sc.cols[base+k], s.rest[k])
	}
	if d.pile != nil {
		k := d.cont.columns()
		r.PileUp = make([]float64, d.hi-d.lo)
		axpy(r.PileUp, sc.cols[base+k], s.rest[k])
		for _, v := range r.PileUp {
			r.PileUpCounts += v
		}
	}
	if d.silicon {
		r.SiliconCounts = s.rest[len(s.rest)-1]
	}
	r.Deviance = poisson.Deviance(sc.n, r.Model)
	r.penalty = sc.penalty(&s, nil, nil)
	for _, m := range r.Model {
		mean, _ := poisson.ExpectedDeviance(m)
		r.ExpectedDeviance += mean
	}
	r.netCounts(sc, &s)
	r.uncertainties(sc, &s)
	r.shifts(sc, &s)
}

// netCounts fills the families.
func (r *Result) netCounts(sc *scorer, s *state) {
	d := sc.d
	for i, f := range d.families {
		fr := FamilyResult{Family: f.Family, NetCounts: sc.familyTotal(s, i), AtZero: s.family[i] <= 0 && sc.familyTotal(s, i) == 0, ShiftEV: math.NaN(), ShiftSigmaEV: math.NaN()}
		for k := range f.groups {
			area := sc.groupArea(s, i, k)
			for _, l := range f.groups[k].lines {
				fr.Lines = append(fr.Lines, LineResult{Line: l.line, Counts: area * l.weight / f.groups[k].weight})
			}
		}
		r.Families = append(r.Families, fr)
	}
}

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

// shifts estimates, for each strong family, the distance of its strongest
// group in the data from the model: one scoring step for the group's position
// with everything else fixed.
func (r *Result) shifts(sc *scorer, s *state) {
	d := sc.d
	cal := s.shape.calibration()
	cal.OffsetEV = float64(cal.Energy(float64(d.lo)))
	det := s.shape.detector(d.base)
	const h = 1.0 // eV
	for i := range r.Families {
		if r.Families[i].NetCounts < 200 || !(r.Families[i].Significance() > 5) {
			continue
		}
		best := 0
		for k := range d.families[i].groups {
			if sc.groupArea(s, i, k) > sc.groupArea(s, i, best) {
				best = k
			}
		}
		area := sc.groupArea(s, i, best)
		up, down := make([]float64, len(sc.n)), make([]float64, len(sc.n))
		shifted := cal
		shifted.OffsetEV -= h
		d.families[i].groups[best].add(up, shifted, det, area)
		shifted.OffsetEV += 2 * h
		d.families[i].groups[best].add(down, shifted, det, area)
		score, info := 0.0, 0.0
		main := d.families[i].groups[best].lines[len(d.families[i].groups[best].lines)-1].line.Energy
		for c := range sc.n {
			e := float64(cal.Energy(float64(c)))
			if math.Abs(e-float64(main)) > 2*det.FWHM(xray.Energy(main)) {
				continue
			}
			slope := (up[c] - down[c]) / (2 * h)
			score += slope * (sc.n[c]/r.Model[c] - 1)
			info += slope * slope / r.Model[c]
		}
		if info > 0 {
			r.Families[i].ShiftEV = score / info
			r.Families[i].ShiftSigmaEV = 1 / math.Sqrt(info)
		}
	}
}
