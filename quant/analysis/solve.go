package analysis

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// largestK is the k-ratio, relative to the pure element, above which it cannot
// be one of a bulk specimen: matrix effects raise k/C by some ten per cent at
// most, fluorescence by some more. Common practice, no source.
const largestK = 1.5

// solve finds the composition of a set of k-ratios and fills q.
func solve(q *Result, k kset, g quant.Geometry, mo matrix.Options, opt Options, last bool) error {
	var peaks []quant.Peak
	for _, v := range k.ks {
		peaks = append(peaks, v.Peak)
	}
	p, err := matrix.NewPredictor(peaks, opt.others(), g, mo)
	if err != nil {
		return fmt.Errorf("analysis: %w", err)
	}
	if err := checkPure(p, k); err != nil {
		return err
	}
	so := opt.Solve
	so.SkipCovariance = true
	if k.relative && so.Rule == quant.ByDifference {
		return fmt.Errorf("analysis: %s by difference needs the absolute size of the k-ratios; a standardless analysis has none", so.Unmeasured)
	}
	solver, err := quant.NewSolver(p, so)
	if err != nil {
		return fmt.Errorf("analysis: %w", err)
	}
	res, err := solver.Solve(k.ks)
	if err != nil {
		return fmt.Errorf("analysis: %w", err)
	}
	if k.relative {
		if res, err = scaleToOne(solver, &k, res, so.Known); err != nil {
			return err
		}
	}
	q.Model, q.Matrix = mo.String(), mo
	q.Status, q.Steps = res.Status, res.Steps
	for i, v := range k.ks {
		q.Rows = append(q.Rows, Row{KRatio: v, Standard: k.standards[i], Overvoltage: Overvoltage(v.Peak, g.BeamEnergy)})
		if k.full != nil {
			q.Rows[i].Full = k.full[i]
		}
	}
	switch res.Status {
	case quant.Failed:
		q.Total, q.TotalSigma, q.TotalReason = math.NaN(), math.NaN(), "no composition was found"
		q.refuse(fmt.Sprintf("the iteration failed: %v", res.Err))
		return nil
	case quant.NotConverged:
		q.refuse(fmt.Sprintf("the iteration did not converge in %d steps; the largest difference of a k-ratio left is %.2g", res.Steps, res.Residual))
	}
	if err := q.predictions(p, res.Composition); err != nil {
		return err
	}
	raw := res.Composition
	if res.Status == quant.Converged && k.cov != nil {
		if res, err = solver.Correlate(res, k.cov); err != nil {
			return fmt.Errorf("analysis: %w", err)
		}
		raw = res.Composition
	}
	q.Counting = sigmas(raw)
	if last && !opt.SkipBudget && res.Status == quant.Converged {
		if q.Budget, err = budget(q, solver, res, k, p, g, mo, opt); err != nil {
			return err
		}
		raw = q.Budget.Composition
	}
	q.Total, q.TotalSigma = raw.Total()
	q.Composition = raw
	if k.relative || opt.Normalise {
		if err := q.normalise(); err != nil {
			return err
		}
	}
	switch {
	case k.relative:
		q.Total, q.TotalSigma, q.TotalReason = math.NaN(), math.NaN(), "standardless: normalised to 1, so the total proves nothing"
	case res.TotalByRule:
		q.Total, q.TotalSigma, q.TotalReason = math.NaN(), math.NaN(), fmt.Sprintf("%s was found by difference, so the total proves nothing", so.Unmeasured)
	}
	if q.AtomFractions, q.AtomSigma, err = q.Composition.AtomFractions(); err != nil {
		q.refuse("no element has a mass fraction above 0")
	}
	if so.Rule == quant.ByStoichiometry && so.Unmeasured == quant.Oxygen {
		q.oxides(so.Valences)
	}
	if last {
		q.checkComposition(g, opt)
		return q.checkExtent(g, opt)
	}
	return nil
}

// checkPure refuses k-ratios that no composition can give.
func checkPure(p *matrix.Predictor, k kset) error {
	f := make([]float64, len(k.ks))
	for i, v := range k.ks {
		if k.relative {
			break
		}
		pure := quant.Composition{Elements: []xray.Element{v.Element}, Mass: []quant.MassFraction{1}}
		if err := p.Factors(f, pure); err != nil {
			return fmt.Errorf("analysis: %w", err)
		}
		if ratio := v.Value / f[i]; ratio > largestK {
			return fmt.Errorf("analysis: k-ratio of %s is %.4g, %.3g times that of the pure element; at most %g is accepted (other dose, or the wrong standard?)", v.Peak, v.Value, ratio, largestK)
		}
	}
	return nil
}

// scaleToOne scales relative k-ratios until the composition sums to 1. Without
// known fractions it is linear and one step does.
func scaleToOne(s *quant.Solver, k *kset, res quant.Result, known quant.Composition) (quant.Result, error) {
	fixed, _ := known.Total()
	if fixed >= 1 {
		return res, fmt.Errorf("analysis: known mass fractions sum to %g; below 1 is needed", fixed)
	}
	for range 8 {
		if res.Status != quant.Converged {
			return res, nil
		}
		total, _ := res.Composition.Total()
		if math.Abs(total-1) < 1e-9 {
			return res, nil
		}
		by := (1 - fixed) / (total - fixed)
		for i := range k.ks {
			k.ks[i].Value *= by
			k.ks[i].Sigma *= by
		}
		for i := range k.cov {
			k.cov[i] *= by * by
		}
		var err error
		if res, err = s.Solve(k.ks); err != nil {
			return res, fmt.Errorf("analysis: %w", err)
		}
	}
	return res, nil
}

// predictions fills the factors of the rows.
func (q *Result) predictions(p *matrix.Predictor, c quant.Composition) error {
	list, err := p.Predict(c)
	if err != nil {
		return fmt.Errorf("analysis: %w", err)
	}
	for i := range q.Rows {
		q.Rows[i].Z, q.Rows[i].A, q.Rows[i].F, q.Rows[i].Escape = list[i].Z, list[i].A, list[i].F, list[i].Escape
	}
	return nil
}

func sigmas(c quant.Composition) []float64 {
	out := make([]float64, len(c.Elements))
	for i, z := range c.Elements {
		out[i] = c.Sigma(z)
	}
	return out
}

// normalise divides composition, counting uncertainties and budget by the total.
func (q *Result) normalise() error {
	raw := q.Composition
	total, _ := raw.Total()
	c, err := raw.Normalised()
	if err != nil {
		return fmt.Errorf("analysis: %w", err)
	}
	for i, t := range q.Budget.Terms {
		sum := 0.0
		for _, d := range t.Change {
			sum += d
		}
		for j := range t.Change {
			if t.Name == "counting" {
				continue // filled below from its covariance
			}
			t.Change[j] = (t.Change[j] - float64(c.Mass[j])*sum) / total
		}
		q.Budget.Terms[i] = t
	}
	// Counting is not one input but many, so it is normalised by what the other
	// terms leave of the variance.
	if len(q.Budget.Terms) > 0 {
		q.Budget.Composition = c
		for j, z := range c.Elements {
			v := c.Sigma(z) * c.Sigma(z)
			for _, t := range q.Budget.Terms {
				if t.Name != "counting" {
					v -= t.Change[j] * t.Change[j]
				}
			}
			for _, t := range q.Budget.Terms {
				if t.Name == "counting" {
					t.Change[j] = math.Sqrt(math.Max(v, 0))
					q.Counting[j] = t.Change[j]
				}
			}
		}
	} else {
		q.Counting = sigmas(c)
	}
	q.Composition, q.Normalised = c, true
	return nil
}

// oxides states the composition as oxides; elements with the valence 0, such as
// a halogen, bind no oxygen and are left out.
func (q *Result) oxides(valences map[xray.Element]int) {
	c := q.Composition
	n := len(c.Elements)
	var keep []int
	for i, z := range c.Elements {
		if v, ok := valences[z]; !ok || v != 0 || z == quant.Oxygen {
			keep = append(keep, i)
		}
	}
	sub := quant.Composition{}
	for _, i := range keep {
		sub.Elements = append(sub.Elements, c.Elements[i])
		sub.Mass = append(sub.Mass, c.Mass[i])
	}
	if len(c.Covariance) == n*n {
		for _, i := range keep {
			for _, j := range keep {
				sub.Covariance = append(sub.Covariance, c.Covariance[i*n+j])
			}
		}
	}
	if list, _, err := sub.OxideFractions(valences); err == nil {
		q.Oxides = list
	}
}

// budget returns the uncertainty budget of a converged result.
func budget(q *Result, s *quant.Solver, res quant.Result, k kset, p *matrix.Predictor, g quant.Geometry, mo matrix.Options, opt Options) (quant.Budget, error) {
	peaks := p.Peaks()
	list, err := matrix.Variations(peaks, opt.others(), g, mo, opt.Uncertainty)
	if err != nil {
		return quant.Budget{}, fmt.Errorf("analysis: %w", err)
	}
	switch q.Method {
	case Standardless:
		list = append(list, standardlessVariations(p, g, opt.Relative)...)
		list = append(list, efficiencyVariations(p, g, changedDetectors(q.Fit))...)
	case ByStandards:
		list = append(list, referenceVariations(p, opt.References, mo.Standards)...)
	case GivenKRatios:
		list = append(list, standardVariations(p, opt.Standards)...)
	}
	b, err := s.Budget(res, k.ks, list)
	if err != nil {
		return b, fmt.Errorf("analysis: %w", err)
	}
	if q.Method == ByStandards {
		b.Missing = append(b.Missing, "drift of the probe current between standard and specimen, unless the doses were measured")
	}
	b.Missing = append(b.Missing, "surface, homogeneity and charging of the specimen; peaks that were not fitted")
	return b, nil
}

// standardVariations moves the composition of each stated standard, one after
// the other: 0.2 % for pure elements, 1 % for compounds (see Reference.Sigma).
func standardVariations(model quant.Model, standards []quant.Standard) []quant.Variation {
	var out []quant.Variation
	peaks := model.Peaks()
	for i, p := range peaks {
		sigma := 0.002
		name := "pure " + p.Element.Symbol()
		for _, s := range standards {
			if s.Peak == p {
				name = s.Material.Name
				if len(s.Material.Components) > 1 {
					sigma = 0.01
				}
			}
		}
		out = append(out, oneScaled(model, []int{i}, sigma, fmt.Sprintf("standard %s for %s, %.1f %%", name, p, 100*sigma)))
	}
	return out
}

// referenceVariations moves the composition of the reference of each peak.
func referenceVariations(model quant.Model, refs []Reference, standards []quant.Standard) []quant.Variation {
	var out []quant.Variation
	peaks := model.Peaks()
	served := make([]bool, len(peaks)) // a material measured twice serves once
	for _, ref := range refs {
		sigma := ref.Sigma
		if sigma == 0 {
			sigma = 0.002
			if len(ref.Material.Components) > 1 {
				sigma = 0.01
			}
		}
		for i, p := range peaks {
			j := slices.IndexFunc(standards, func(s quant.Standard) bool { return s.Peak == p })
			if j < 0 || served[i] || standards[j].Material.Name != ref.Material.Name {
				continue
			}
			served[i] = true
			out = append(out, oneScaled(model, []int{i}, sigma, fmt.Sprintf("standard %s for %s, %.1f %%", ref.title(), p, 100*sigma)))
		}
	}
	return out
}

func oneScaled(model quant.Model, at []int, by float64, name string) quant.Variation {
	f := make([]float64, len(model.Peaks()))
	for i := range f {
		f[i] = 1
	}
	for _, i := range at {
		f[i] = 1 + by
	}
	return quant.Variation{Name: name, Source: "common practice", Model: scaledModel{model, f}}
}
