package fit

import (
	"fmt"
	"math"
	"slices"

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
		if w.Kind == spectra.Smoothed {
			own = slices.DeleteFunc(own, func(x spectra.Warning) bool { return x.Kind == spectra.Smoothed })
		}
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
	sc := newScorer(d, s.Counts[d.lo:d.hi], start, o)
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
	r.start, r.free, r.devOf = sc.start, sc.free, sc.devOf
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
	scatter := 0.0
	for _, m := range r.Model {
		mean, variance := poisson.ExpectedDeviance(m)
		r.ExpectedDeviance += mean
		scatter += variance
	}
	r.netCounts(sc, &s)
	r.uncertainties(sc, &s)
	r.shifts(sc, &s)
	r.checkScatter(math.Sqrt(scatter))
}

// tooQuiet is how many standard deviations the deviance lies below its
// expectation before the counts are taken for smoothed.
const tooQuiet = 5

// poorFit is how many times its expectation the deviance may reach; strong
// spectra show what no model describes to better than a percent. Common practice,
// no source.
const poorFit = 3

// checkScatter warns where the counts scatter less than counts can, and where
// the model does not describe them.
func (r *Result) checkScatter(sigma float64) {
	if r.Deviance > poorFit*r.ExpectedDeviance && r.Deviance > r.ExpectedDeviance+tooQuiet*sigma {
		var worst Band
		for _, b := range r.Bands(0) {
			if worst.Model == 0 || math.Abs(b.Sigmas()) > math.Abs(worst.Sigmas()) {
				worst = b
			}
		}
		r.warn(spectra.PoorFit, "the model does not describe the spectrum (deviance %.0f, expected %.0f; most of all %.0f to %.0f eV: %.0f counts, model %.0f): elements missing, or a wrong energy scale, beam energy or detector", r.Deviance, r.ExpectedDeviance, worst.FromEV, worst.ToEV, worst.Counts, worst.Model)
	}
	if r.Deviance < r.ExpectedDeviance-tooQuiet*sigma {
		sum, norm, last := 0.0, 0.0, 0.0
		for c, m := range r.Model {
			z := (r.counts[c] - m) / math.Sqrt(m)
			sum += z * last
			norm += z * z
			last = z
		}
		r.warn(spectra.Smoothed, "the counts scatter less than counting statistics allow (deviance %.0f, expected %.0f ± %.0f; neighbouring residuals correlate by %+.2f): smoothed or resampled, the goodness of fit tells nothing", r.Deviance, r.ExpectedDeviance, sigma, sum/norm)
	}
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
