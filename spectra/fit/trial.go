package fit

import (
	"math"
	"slices"

	"example.org/fleck/spectra"
)

// trials fits sets of candidates to one spectrum with everything but the
// amplitudes held: scale, resolution, line shares and specimen. Continuum,
// sum peaks and the peaks of each family are made once.
type trials struct {
	s        *spectra.Spectrum
	o        Options
	base     *design // without families
	rest     [][]float64
	families map[Family]template
}

// template is a family with the columns of its groups.
type template struct {
	familyLines
	cols [][]float64
	err  error
}

// newTrials prepares trials on the scale of s with the detector, the specimen
// and the range of the options.
func newTrials(s *spectra.Spectrum, o Options) (*trials, error) {
	o.FixWeights, o.FixCalibration, o.MaxIterations = true, true, 20
	o, err := o.withDefaults(s)
	if err != nil {
		return nil, err
	}
	d, err := newDesign(s, o)
	if err != nil {
		return nil, err
	}
	t := &trials{s: s, o: o, base: d, rest: d.newColumns(), families: map[Family]template{}}
	d.columns(t.rest, startShape(t.s.Calibration, t.o.Detector))
	return t, nil
}

// template returns the columns of a family.
func (t *trials) template(f Family) template {
	if v, ok := t.families[f]; ok {
		return v
	}
	var v template
	if v.familyLines, v.err = linesOf(f, t.s.BeamEnergy, t.o.Detector, t.o.Specimen); v.err == nil {
		cal := t.s.Calibration
		cal.OffsetEV = float64(cal.Energy(float64(t.base.lo)))
		for _, g := range v.groups {
			col := make([]float64, t.base.hi-t.base.lo)
			g.add(col, cal, t.o.Detector, 1)
			v.cols = append(v.cols, col)
		}
	}
	t.families[f] = v
	return v
}

// misfit fits a set of candidates and returns Σ (n−m)²/(m + (shapeError·max(n,
// m))² + 1), the squared residuals in units of counting statistics and model
// error. On strong peaks it asks whether a candidate explains the peak, not how
// exactly, which depends on shares and shapes that are refined later.
func (t *trials) misfit(set []candidate) float64 {
	r, sc, _ := t.fit(set)
	if r.Status == Empty {
		return math.Inf(1)
	}
	return misfit(sc.n, sc.m)
}

// with is the misfit of a set with one more candidate, infinite where the
// families of that candidate do not fit together.
func (t *trials) with(set []candidate, c candidate) float64 {
	r, sc, st := t.fit(append(slices.Clone(set), c))
	if r.Status == Empty {
		return math.Inf(1)
	}
	if len(c.families) > 1 {
		r.netCounts(sc, &st)
		r.uncertainties(sc, &st)
		if !consistent(r, c.element) {
			return math.Inf(1)
		}
	}
	return misfit(sc.n, sc.m)
}

// fit fits a set of candidates. Families without a line that reaches the
// detector are left out.
func (t *trials) fit(set []candidate) (*Result, *scorer, state) {
	o := t.o
	d := *t.base
	d.families, d.groupsOf, d.frozen = nil, nil, nil
	for _, c := range set {
		for _, f := range c.families {
			v := t.template(f)
			if v.err != nil {
				continue
			}
			d.addFamily(v.familyLines)
			d.frozen = append(d.frozen, v.cols...)
			o.Families = append(o.Families, f)
		}
	}
	d.frozen = append(d.frozen, t.rest...)
	if d.silicon && slices.Contains(o.Families, siliconK) {
		d.silicon = false
		d.frozen = d.frozen[:len(d.frozen)-1]
	}
	return amplitudes(t.s, &d, o, startShape(t.s.Calibration, t.o.Detector))
}

// amplitudes fits the amplitudes alone.
func amplitudes(s *spectra.Spectrum, d *design, o Options, start shape) (*Result, *scorer, state) {
	r := newResult(s, d, o)
	sc := newScorer(d, s.Counts[d.lo:d.hi], start, o)
	r.counts = sc.n
	st := d.state(start)
	total := 0.0
	for _, n := range sc.n {
		total += n
	}
	if total == 0 {
		r.Status = Empty
		return r, sc, st
	}
	sc.initial(&st, total)
	if !sc.run(&st, 1e-3) {
		r.Status = NotConverged
	}
	return r, sc, st
}

// shapeError is the relative model error of a trial fit, for line shares and
// peak shapes that are not refined yet; common practice, no source.
const shapeError = 0.05

func misfit(counts, model []float64) float64 {
	sum := 0.0
	for c, m := range model {
		d := counts[c] - m
		e := shapeError * math.Max(m, counts[c])
		sum += d * d / (m + float64(e*e) + 1)
	}
	return sum
}
