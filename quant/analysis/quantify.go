package analysis

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// Quantify fits a spectrum and finds the composition of a flat bulk specimen
// from it: against measured standards where there are references, else
// standardless from computed intensities, normalised.
//
// The fit needs the specimen's absorption and the correction needs the counts,
// so the fit is repeated with the composition found (Options.Refits).
//
// The call fails when the question makes no sense: no beam energy, an element
// without a line, a missing standard, a wrong geometry. Whatever is wrong with
// the specimen or the data is in the result: Refused with Reasons, or Remarks.
func Quantify(s *spectra.Spectrum, opt Options) (*Result, error) {
	opt, err := opt.check()
	if err != nil {
		return nil, err
	}
	g, assumed, err := geometryOf(s.Conditions)
	if err != nil {
		return nil, err
	}
	if len(opt.measuredElements()) == 0 {
		return nil, fmt.Errorf("analysis: no element of the specimen is to be measured; name some")
	}
	all := opt.Shown()
	fo := opt.Fit
	if len(fo.Families) == 0 {
		fo.Families = familiesOf(s, all, fo)
	}
	if len(fo.Families) == 0 {
		return nil, fmt.Errorf("analysis: a beam of %.4g keV excites no line of the elements within the range of the spectrum", g.BeamEnergy.KeV())
	}
	set, err := fitReferences(opt)
	if err != nil {
		return nil, err
	}
	r, err := Spectrum(s, fo)
	if err != nil {
		return nil, err
	}
	if r.Status == fit.Empty {
		return nil, fmt.Errorf("analysis: the spectrum has no counts within the range of the fit")
	}
	for i := 0; ; i++ {
		last := i >= opt.Refits || opt.Fit.Specimen.Continuum != nil
		q, err := fromFit(r, s.Conditions, g, set, opt, last)
		if err != nil {
			return nil, err
		}
		if last {
			q.remarkFit(r, g, assumed)
			return q, nil
		}
		m, err := q.Composition.Material("bulk of the composition found")
		if err != nil {
			opt.Refits = i // nothing found: the last fit stands
			continue
		}
		next := fo
		if next.Specimen, err = specimen(m, opt.Coat, g); err != nil {
			return nil, err
		}
		if r, err = fit.Spectrum(s, next); err != nil {
			return nil, err
		}
	}
}

// FromFit is Quantify for a spectrum that has been fitted, with the conditions it
// was measured under; the fit stands as it is.
func FromFit(r *fit.Result, c spectra.Conditions, opt Options) (*Result, error) {
	opt, err := opt.check()
	if err != nil {
		return nil, err
	}
	g, assumed, err := geometryOf(c)
	if err != nil {
		return nil, err
	}
	if len(opt.measuredElements()) == 0 {
		return nil, fmt.Errorf("analysis: no element of the specimen is to be measured; name some")
	}
	if r.Status == fit.Empty {
		return nil, fmt.Errorf("analysis: the spectrum has no counts within the range of the fit")
	}
	set, err := fitReferences(opt)
	if err != nil {
		return nil, err
	}
	q, err := fromFit(r, c, g, set, opt, true)
	if err != nil {
		return nil, err
	}
	q.remarkFit(r, g, assumed)
	return q, nil
}

// remarkFit adds what the measurement left open.
func (q *Result) remarkFit(r *fit.Result, g quant.Geometry, assumed bool) {
	if assumed {
		q.remark(fmt.Sprintf("the take-off angle is not stated; %.3g deg are assumed", g.TakeOff.Degrees()))
	}
	for _, w := range r.Warnings {
		q.remark("fit: " + w.Text)
	}
}

// fitReferences fits the spectra of the standards.
func fitReferences(opt Options) (referenceSet, error) {
	set := referenceSet{refs: opt.References}
	for _, ref := range opt.References {
		r, err := fitReference(ref, opt)
		if err != nil {
			return set, err
		}
		set.fits = append(set.fits, r)
	}
	return set, nil
}

// kset is a set of k-ratios with their covariance, n×n.
type kset struct {
	ks        []quant.KRatio
	cov       []float64 // nil when it is not known
	standards []string  // what each refers to
	full      []float64 // counts at which each would be 1; nil = unknown
	relative  bool      // the common scale means nothing
}

// fromFit quantifies fitted counts. The budget and the checks are made when last
// is set.
func fromFit(r *fit.Result, cond spectra.Conditions, g quant.Geometry, set referenceSet, opt Options, last bool) (*Result, error) {
	elements := opt.measuredElements()
	index, err := choosePeaks(r, elements, opt.Peaks, g.BeamEnergy)
	if err != nil {
		return nil, err
	}
	q := &Result{Geometry: g, Fit: r}
	mo := matrix.Options{Model: opt.Model, Fluorescence: opt.Fluorescence, Coat: opt.Coat, StandardCoat: opt.StandardCoat, Efficiency: efficiencyOf(r)}
	var k kset
	if len(set.refs) > 0 {
		q.Method = ByStandards
		k, mo.Standards, err = againstReferences(q, r, index, cond, g, set, opt)
	} else {
		q.Method = Standardless
		mo.StandardCoat = xray.Material{}
		k, err = againstComputed(q, r, index, cond, g, mo, opt, last)
	}
	if err != nil {
		return nil, err
	}
	if err := solve(q, k, g, mo, opt, last); err != nil {
		return nil, err
	}
	if last {
		q.checkFit(r, cond)
		q.checkPattern(r, g, mo, opt)
	}
	return q, nil
}

// againstComputed returns the counts over those computed for the pure elements.
func againstComputed(q *Result, r *fit.Result, index []int, cond spectra.Conditions, g quant.Geometry, mo matrix.Options, opt Options, last bool) (kset, error) {
	n := len(index)
	k := kset{cov: make([]float64, n*n), relative: true}
	pure := make([]float64, n)
	sum := 0.0
	for i, at := range index {
		f := r.Families[at]
		p := quant.Peak{Element: f.Element, Family: f.Family.Family}
		v, err := matrix.PureIntensity(p, g, mo)
		if err != nil {
			return k, fmt.Errorf("analysis: %w", err)
		}
		factor, from := opt.Relative.of(p, g.BeamEnergy)
		v *= factor.Value
		if last && from == extrapolatedFactor && factor.Sigma > flaggedFactor {
			q.remark(fmt.Sprintf("the reference shows no line near %s: its intensity is extrapolated, good to %.0f %%", p, 100*factor.Sigma))
		}
		pure[i] = v
		k.ks = append(k.ks, quant.KRatio{Peak: p, Value: f.NetCounts / v, Sigma: f.Sigma / v})
		k.standards = append(k.standards, fmt.Sprintf("%s, pure %s", from, f.Element))
		k.full = append(k.full, v)
		sum += f.NetCounts / v
	}
	if !(sum > 0) {
		return k, fmt.Errorf("analysis: none of the %d measured elements has counts", n)
	}
	if d := doseOf(opt.Dose, cond, false); d > 0 && opt.Fit.Detector.SolidAngleSr > 0 {
		perElectron := float64(d) / elementaryCharge * opt.Fit.Detector.SolidAngleSr / fourPi
		q.remark(fmt.Sprintf("sum of the absolute k-ratios from the dose and the solid angle: %.3g", sum/perElectron))
	}
	// So small that no mass fraction exceeds 1 before the scale is found.
	sum /= 0.1
	for i := range k.ks {
		k.ks[i].Value /= sum
		k.ks[i].Sigma /= sum
		for j := range k.ks {
			k.cov[i*n+j] = r.Covariance[index[i]][index[j]] / (pure[i] * pure[j] * sum * sum)
		}
	}
	return k, nil
}

// DoseError says that a spectrum to be compared with others states no probe current or
// no live time.
type DoseError struct {
	Reference string // title of the reference, "" for the specimen
}

func (e *DoseError) Error() string {
	which := "of the spectrum"
	if e.Reference != "" {
		which = "of reference " + e.Reference
	}
	return "analysis: the dose " + which + " is unknown: it states no probe current or no live time; state a dose, or that all spectra had the same current"
}

// againstReferences returns the k-ratios to measured standards.
func againstReferences(q *Result, r *fit.Result, index []int, cond spectra.Conditions, g quant.Geometry, set referenceSet, opt Options) (kset, []quant.Standard, error) {
	n := len(index)
	k := kset{cov: make([]float64, n*n)}
	dose := doseOf(opt.Dose, cond, opt.SameCurrent)
	if dose == 0 {
		return k, nil, &DoseError{}
	}
	var standards []quant.Standard
	from := make([]int, n)
	for i, at := range index {
		f := r.Families[at]
		p := quant.Peak{Element: f.Element, Family: f.Family.Family}
		from[i] = set.serve(p)
		if from[i] < 0 {
			return k, nil, fmt.Errorf("analysis: no standard for %s among %d references; add one that holds %s and shows its %s lines", p, len(set.refs), p.Element, p.Family)
		}
		ref := set.refs[from[i]]
		standardDose := doseOf(ref.Dose, ref.Spectrum.Conditions, opt.SameCurrent)
		if standardDose == 0 {
			return k, nil, &DoseError{Reference: ref.title()}
		}
		v, err := quant.Ratio(p, familyCounts{r}, dose, familyCounts{set.fits[from[i]]}, standardDose)
		if err != nil {
			return k, nil, fmt.Errorf("%w (reference %s)", err, ref.title())
		}
		k.ks = append(k.ks, v)
		full, _, _ := familyCounts{set.fits[from[i]]}.NetCounts(p)
		k.full = append(k.full, full*float64(dose/standardDose))
		name := ref.title()
		if ref.Measured != "" {
			name += ", " + ref.Measured
		}
		k.standards = append(k.standards, name)
		standards = append(standards, quant.Standard{Peak: p, Material: ref.Material})
	}
	// Counts of the specimen and of the standards are independent of each other,
	// those of overlapping lines in one spectrum are not.
	for i := range n {
		fi := r.Families[index[i]]
		for j := range n {
			fj := r.Families[index[j]]
			scale := k.ks[i].Value * k.ks[j].Value
			if fi.NetCounts > 0 && fj.NetCounts > 0 {
				k.cov[i*n+j] = scale * r.Covariance[index[i]][index[j]] / (fi.NetCounts * fj.NetCounts)
			} else if i == j {
				k.cov[i*n+i] = k.ks[i].Sigma * k.ks[i].Sigma
			}
			if from[i] == from[j] {
				sf := set.fits[from[i]]
				a := slices.IndexFunc(sf.Families, func(f fit.FamilyResult) bool { return f.Family == fi.Family })
				b := slices.IndexFunc(sf.Families, func(f fit.FamilyResult) bool { return f.Family == fj.Family })
				k.cov[i*n+j] += scale * sf.Covariance[a][b] / (sf.Families[a].NetCounts * sf.Families[b].NetCounts)
			}
		}
	}
	seen := map[int]bool{}
	for _, i := range from {
		if !seen[i] {
			seen[i] = true
			checkConditions(q, set.refs[i], g)
		}
	}
	for i := range k.ks {
		checkDrift(q, k.ks[i].Peak, from[i], set, opt.SameCurrent)
	}
	return k, standards, nil
}

// FromKRatios finds the composition from k-ratios measured elsewhere, relative
// to the Standards of the options or to pure elements. Elements of the options
// may be left out; they are those of the k-ratios. A k-ratio that is negative by
// more than three times its uncertainty, or above 1.5 relative to the pure
// element, is an error.
func FromKRatios(ks []quant.KRatio, g quant.Geometry, opt Options) (*Result, error) {
	if len(ks) == 0 {
		return nil, fmt.Errorf("analysis: no k-ratios")
	}
	if len(opt.References) > 0 {
		return nil, fmt.Errorf("analysis: given k-ratios have their own standards; references belong to a spectrum")
	}
	opt.Elements = nil
	for _, k := range ks {
		opt.Elements = append(opt.Elements, k.Element)
	}
	opt.Peaks = nil
	opt, err := opt.check()
	if err != nil {
		return nil, err
	}
	if err := checkGeometry(g); err != nil {
		return nil, err
	}
	q := &Result{Method: GivenKRatios, Geometry: g}
	set := kset{ks: slices.Clone(ks)}
	n := len(ks)
	set.cov = make([]float64, n*n)
	for i, k := range ks {
		switch {
		case math.IsNaN(k.Value) || math.IsInf(k.Value, 0):
			return nil, fmt.Errorf("analysis: k-ratio of %s is %g; it must be finite", k.Peak, k.Value)
		case k.Sigma < 0 || math.IsNaN(k.Sigma) || math.IsInf(k.Sigma, 0):
			return nil, fmt.Errorf("analysis: uncertainty of the k-ratio of %s is %g; it must be at least 0 and finite", k.Peak, k.Sigma)
		case k.Value < -3*k.Sigma:
			return nil, fmt.Errorf("analysis: k-ratio of %s is %g ± %g; it must not be negative", k.Peak, k.Value, k.Sigma)
		}
		name := "pure " + k.Element.Symbol()
		for _, s := range opt.Standards {
			if s.Peak == k.Peak {
				name = s.Material.Name
			}
		}
		set.standards = append(set.standards, name)
		if k.Sigma == 0 {
			set.cov = nil
		} else if set.cov != nil {
			set.cov[i*n+i] = k.Sigma * k.Sigma
		}
	}
	mo := matrix.Options{Model: opt.Model, Fluorescence: opt.Fluorescence, Coat: opt.Coat, StandardCoat: opt.StandardCoat, Standards: opt.Standards}
	if err := solve(q, set, g, mo, opt, true); err != nil {
		return nil, err
	}
	if set.cov == nil {
		q.remark("the k-ratios state no uncertainties; counting is not in the budget")
	}
	return q, nil
}
