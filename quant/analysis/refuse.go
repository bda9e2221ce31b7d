package analysis

import (
	"fmt"
	"math"
	"strings"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// Limits of a bulk analysis. The figures of absorption and overvoltage were
// computed with PAP, the rules are our own; ISO 22309:2011 names the conditions.
const (
	refusedOvervoltage = 1.3  // a beam energy wrong by 1 % changes the intensity by 7 %
	flaggedOvervoltage = 1.8  // 4 %
	flaggedEscape      = 0.5  // the error of the attenuation dominates
	roughEscape        = 0.7  // 20 deg of local tilt change the intensity by 20 % and more
	flaggedTotal       = 0.05 // distance of the analytical total from 1
	refusedTotal       = 0.10
	chargingLimit      = 0.02 // relative distance of the end of the continuum from the beam energy
	flaggedEfficiency  = 0.15 // relative difference of the detector as refined from the one stated
	flaggedFactor      = 0.1  // relative uncertainty of an extrapolated intensity
	unexplainedShare   = 0.02 // of the net counts, in one band of one resolution
)

// isoConditions is stated with every result.
const isoConditions = "holds for a flat, polished, homogeneous specimen larger than the excited volume, at normal incidence, for elements from Na on at mass fractions above 1 % (0.1 % for lines without overlap): the conditions of ISO 22309"

// checkComposition applies the rules that need no spectrum.
func (q *Result) checkComposition(g quant.Geometry, opt Options) {
	q.remark(isoConditions)
	if opt.Form != Flat {
		q.refuse(fmt.Sprintf("the specimen is stated to be %s: bulk formulas do not hold; read the k-ratios as detected, or compare with a layer", article(opt.Form)))
	}
	var light, absorbed, rough []string
	for _, row := range q.Rows {
		k := row.KRatio
		switch u := row.Overvoltage; {
		case u < refusedOvervoltage:
			q.refuse(fmt.Sprintf("%s has an overvoltage of %.2f: below %.1f the intensity hangs on the surface and on the beam energy", k.Peak, u, refusedOvervoltage))
		case u < leastOvervoltage:
			q.remark(fmt.Sprintf("%s has an overvoltage of %.2f, below %.1f: 1 %% of beam energy changes its intensity by %.0f %%", k.Peak, u, leastOvervoltage, 1.67*u/(u-1)))
		case u < flaggedOvervoltage:
			q.remark(fmt.Sprintf("%s has an overvoltage of %.2f: 1 %% of beam energy changes its intensity by %.0f %%", k.Peak, u, 1.67*u/(u-1)))
		}
		if k.Element < 11 {
			light = append(light, k.Peak.String())
		}
		if row.Escape > 0 && row.Escape < flaggedEscape {
			absorbed = append(absorbed, fmt.Sprintf("%s (%.2f)", k.Peak, row.Escape))
		} else if row.Escape > 0 && row.Escape < roughEscape {
			rough = append(rough, fmt.Sprintf("%s (%.2f)", k.Peak, row.Escape))
		}
	}
	if len(light) > 0 {
		q.remark(fmt.Sprintf("%s measured directly: attenuation and yield are uncertain by 10 to 30 %%, chemical state shifts the lines, and carbon also comes from contamination and the coat; outside ISO 22309, which starts at Na", strings.Join(light, ", ")))
	}
	if len(absorbed) > 0 {
		q.remark(fmt.Sprintf("less than half of the photons leave the specimen, so the attenuation decides: %s", strings.Join(absorbed, ", ")))
	}
	if len(rough) > 0 {
		q.remark(fmt.Sprintf("share of the photons that leave below %.1f, so the result holds for a polished surface only: %s", roughEscape, strings.Join(rough, ", ")))
	}
	if q.Method == Standardless && len(q.Rows) == 1 {
		q.remark("one measured element, standardless: its share follows from the scaling to 1, whatever the spectrum holds; nothing was measured")
	}
	switch {
	case q.Method == Standardless && len(opt.Relative) > 0:
		q.remark("standardless: computed intensities that a reference corrected, normalised to 1; holds for the detector and the beam energy of the reference")
	case q.Method == Standardless:
		q.remark("standardless: computed intensities, normalised to 1; expect 10 % and more on major elements from K lines, 30 % and more from L and M lines")
	}
	if opt.Solve.Rule == quant.ByStoichiometry {
		q.remark(fmt.Sprintf("%s by stoichiometry: an element in another valence, hydroxyl or carbonate shows as an error of all", opt.Solve.Unmeasured))
	}
	if math.IsNaN(q.Total) {
		q.remark("no analytical total: " + q.TotalReason)
		return
	}
	switch d := math.Abs(q.Total - 1); {
	case d > refusedTotal:
		q.refuse(fmt.Sprintf("the analytical total is %.4g, outside %.2f to %.2f: an element is missing, the dose is wrong, or the specimen is no flat bulk", q.Total, 1-refusedTotal, 1+refusedTotal))
	case d > flaggedTotal:
		q.remark(fmt.Sprintf("the analytical total is %.4g, outside %.2f to %.2f", q.Total, 1-flaggedTotal, 1+flaggedTotal))
	}
}

func article(f Form) string {
	switch f {
	case Particle, Film:
		return "a " + f.String()
	}
	return f.String()
}

// checkFit applies the rules that look at the fitted spectrum.
func (q *Result) checkFit(r *fit.Result, cond spectra.Conditions) {
	if r.Status == fit.NotConverged {
		q.remark("the peak fit did not converge; its counts are the best so far")
	}
	if r.LandingEnergy > 0 && cond.BeamEnergy > 0 {
		d := 1 - float64(r.LandingEnergy/cond.BeamEnergy)
		if d > chargingLimit && d*float64(cond.BeamEnergy) > 3*float64(r.LandingSigma) {
			q.refuse(fmt.Sprintf("the continuum ends at %.4g keV, below the beam energy of %.4g keV: the specimen charges, or the beam energy is wrong", r.LandingEnergy.KeV(), cond.BeamEnergy.KeV()))
		}
	}
	if q.Method == Standardless {
		var odd []string
		for _, row := range q.Rows {
			e := mainEnergy(row.KRatio.Peak, q.Geometry.BeamEnergy)
			ratio := efficiencyRatio(r.Detector.WithDefaults(), r.Options.Detector.WithDefaults(), e)
			if math.Abs(ratio-1) > flaggedEfficiency {
				odd = append(odd, fmt.Sprintf("%s (%.2f times)", row.KRatio.Peak, ratio))
			}
		}
		if len(odd) > 0 {
			q.remark(fmt.Sprintf("the continuum asks for another efficiency of the detector than stated: %s; state window and contamination, or calibrate with a reference", strings.Join(odd, ", ")))
		}
	}
	net := 0.0
	for _, f := range r.Families {
		net += f.NetCounts
	}
	low := float64(r.Calibration.Energy(float64(r.LowChannel)))
	for _, b := range r.Bands(low) {
		excess := b.Counts - b.Model
		if b.Sigmas() < 10 || excess < 0.1*b.Model || excess < unexplainedShare*net/4 {
			continue
		}
		text := fmt.Sprintf("%.0f counts between %.0f and %.0f eV belong to no line fitted", excess, b.FromEV, b.ToEV) + bandText(b, r, cond.BeamEnergy)
		if excess > unexplainedShare*net {
			q.refuse(text + ": an element may be missing from the list, and then every fraction is wrong")
		} else {
			q.remark(text)
		}
	}
}

// Limits of the ratio of two families of one element, measured over predicted:
// beside counting, computed K and L intensities disagree by about 30 %, soft L
// lines by up to a factor of two.
const (
	flaggedPattern     = 1.6
	refusedPattern     = 2.5
	refusedSoftPattern = 4.0 // lines below softLine
	softLine           = xray.Energy(900)
	leastHeavy         = 57 // M lines of lighter elements are too poorly known
)

// checkPattern compares the families of one element with each other: lines of
// different energy come from different depths, so that a particle, a film or a
// covered specimen shows another pattern than bulk.
func (q *Result) checkPattern(r *fit.Result, g quant.Geometry, mo matrix.Options, opt Options) {
	m, err := q.Composition.Material("result")
	if err != nil {
		return
	}
	em, err := matrix.Bulk(m, g, mo)
	if err != nil {
		return // ZAF has no absolute intensities
	}
	for _, row := range q.Rows {
		p := row.KRatio.Peak
		used, ok := r.Find(fit.Family{Element: p.Element, Family: p.Family})
		base := emitted(em, p)
		if !ok || used.AtZero || base <= 0 {
			continue
		}
		for _, f := range r.Families {
			other := quant.Peak{Element: f.Element, Family: f.Family.Family}
			if f.Element != p.Element || other == p || f.AtZero || f.Significance() < 10 || used.Significance() < 10 {
				continue
			}
			expected := emitted(em, other) / base
			if f.Family.Family == xray.FamilyM && f.Element < leastHeavy || expected <= 0 || Overvoltage(other, g.BeamEnergy) < leastOvervoltage || mainEnergy(other, g.BeamEnergy) < 300 {
				continue
			}
			ratio := f.NetCounts / used.NetCounts / expected
			one, _ := opt.Relative.of(p, g.BeamEnergy)
			two, _ := opt.Relative.of(other, g.BeamEnergy)
			ratio *= one.Value / two.Value
			off := math.Max(ratio, 1/ratio)
			text := fmt.Sprintf("%s over %s is %.2f times what a bulk of this composition shows", f.Family, p, ratio)
			limit := refusedPattern
			if mainEnergy(other, g.BeamEnergy) < softLine || mainEnergy(p, g.BeamEnergy) < softLine {
				limit = refusedSoftPattern
			}
			switch {
			case off > limit:
				q.refuse(text + ": no flat bulk, or a line is mistaken")
			case off > flaggedPattern:
				q.remark(text)
			}
		}
	}
}

// CompareBeams compares the compositions of one specimen at two beam energies.
// A bulk gives the same at both; a film, a coat or a particle does not, because
// the beam reaches another depth. It returns a sentence for each element whose
// mass fractions differ by more than three combined standard uncertainties and
// by more than 20 % of the larger one (where that is above 1 %): any of them
// makes both results refusals, which it marks.
func CompareBeams(a, b *Result) []string {
	var out []string
	if a.Geometry.BeamEnergy == b.Geometry.BeamEnergy {
		return nil
	}
	compared := 0
	for _, z := range a.Composition.Elements {
		if b.Composition.Index(z) < 0 {
			continue
		}
		x, y := float64(a.Composition.Fraction(z)), float64(b.Composition.Fraction(z))
		larger := math.Max(x, y)
		compared++
		if larger < 0.01 || math.Abs(x-y) < 0.2*larger {
			continue
		}
		s := math.Hypot(a.Composition.Sigma(z), b.Composition.Sigma(z))
		if s > 0 && math.Abs(x-y) < 3*s {
			continue
		}
		out = append(out, fmt.Sprintf("%s: mass fraction %.4f at %.4g keV and %.4f at %.4g keV: the specimen is no uniform bulk", z, x, a.Geometry.BeamEnergy.KeV(), y, b.Geometry.BeamEnergy.KeV()))
	}
	if len(out) == 0 && compared > 0 {
		for _, q := range []*Result{a, b} {
			q.remark(fmt.Sprintf("mass fractions at %.4g and %.4g keV agree within 20 %% or three standard uncertainties, as those of a uniform bulk do: %d compared", a.Geometry.BeamEnergy.KeV(), b.Geometry.BeamEnergy.KeV(), compared))
		}
	}
	for _, text := range out {
		a.refuse(text)
		b.refuse(text)
	}
	return out
}
