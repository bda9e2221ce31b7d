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

// elementaryCharge in nA·s, SI 2019.
const elementaryCharge = 1.602176634e-10

const fourPi = 4 * math.Pi

// emitted sums the emission of a peak.
func emitted(em []matrix.Emission, p quant.Peak) float64 {
	n := 0.0
	for _, e := range em {
		if p.Holds(e.Line) {
			n += e.PhotonsPerElectron
		}
	}
	return n
}

// Relative standard uncertainties of computed intensities: what is common to
// all elements of a family (scale of the cross sections) and what each element
// has of its own (yield, Coster–Kronig factors, line shares). Common practice,
// no source; the spread of tables of yields and cross sections is of this order:
// K yields 1–5 % above Ne and 10 % and more below, L3 yields 10 %, M yields
// 15–40 %, ionisation of L and M 20–40 % in absolute size.
func intensityUncertainty(p quant.Peak, e xray.Energy) (common, own float64) {
	switch p.Family {
	case xray.FamilyK:
		if e < 1*xray.KeV {
			return 0.05, 0.10
		}
		return 0.05, 0.03
	case xray.FamilyL:
		return 0.20, 0.08
	}
	return 0.30, 0.15
}

// scaledModel is a model with the factors of some peaks multiplied.
type scaledModel struct {
	quant.Model
	by []float64
}

// Factors implements quant.Model.
func (m scaledModel) Factors(dst []float64, c quant.Composition) error {
	if err := m.Model.Factors(dst, c); err != nil {
		return err
	}
	for i, f := range m.by {
		dst[i] *= f
	}
	return nil
}

// standardlessVariations moves computed and calibrated intensities.
func standardlessVariations(model quant.Model, g quant.Geometry, relative Calibration) []quant.Variation {
	peaks := model.Peaks()
	var out []quant.Variation
	for _, family := range []xray.Family{xray.FamilyK, xray.FamilyL, xray.FamilyM} {
		if relative.has(family) {
			continue // the scale is that of the reference
		}
		var members []int
		common := 0.0
		for i, p := range peaks {
			if p.Family == family {
				common, _ = intensityUncertainty(p, mainEnergy(p, g.BeamEnergy))
				members = append(members, i)
			}
		}
		if len(members) > 0 {
			v := oneScaled(model, members, common, fmt.Sprintf("scale of computed %s intensities, %.0f %%", family, 100*common))
			out = append(out, v)
		}
	}
	for i, p := range peaks {
		_, own := intensityUncertainty(p, mainEnergy(p, g.BeamEnergy))
		f, from := relative.of(p, g.BeamEnergy)
		if from == calibratedFactor {
			own = 0 // it is in the factor
		}
		own = math.Hypot(own, f.Sigma)
		out = append(out, oneScaled(model, []int{i}, own, fmt.Sprintf("%s intensity of %s, %.0f %%", from, p, 100*own)))
	}
	return out
}

// efficiencyVariations moves the efficiency of the detector.
func efficiencyVariations(model quant.Model, g quant.Geometry, moved []efficiencyChange) []quant.Variation {
	peaks := model.Peaks()
	var out []quant.Variation
	for _, m := range moved {
		f := make([]float64, len(peaks))
		largest := 0.0
		for i, p := range peaks {
			f[i] = m.ratio(mainEnergy(p, g.BeamEnergy))
			largest = math.Max(largest, math.Abs(f[i]-1))
		}
		if largest > 1e-6 {
			out = append(out, quant.Variation{Name: m.name, Source: m.source, Model: scaledModel{model, f}, Scale: m.scale})
		}
	}
	return out
}

// efficiencyChange is one changed property of the detector.
type efficiencyChange struct {
	name, source string
	ratio        func(xray.Energy) float64 // changed efficiency over the stated one
	scale        float64                   // see quant.Variation
}

// changedDetectors are detectors with a thicker window and a thinner crystal
// (15 and 10 %, common practice, no source), and the one that the fit found,
// whose difference is taken as the half-width of a rectangular distribution.
func changedDetectors(r *fit.Result) []efficiencyChange {
	d := r.Options.Detector.WithDefaults()
	change := func(name, source string, other spectra.Detector, scale float64) efficiencyChange {
		return efficiencyChange{name, source, func(e xray.Energy) float64 { return efficiencyRatio(other, d, e) }, scale}
	}
	thick := d
	thick.Window = slices.Clone(d.Window)
	for i := range thick.Window {
		thick.Window[i].ThicknessM *= 1.15
		thick.Window[i].MassDepth *= 1.15
	}
	thin := d
	thin.ActiveUM *= 0.9
	out := []efficiencyChange{
		change("detector window, 15 % thicker", "common practice", thick, 1),
		change("detector crystal, 10 % thinner", "common practice", thin, 1),
	}
	if r.Detector.ExtraUgCm2 != d.ExtraUgCm2 {
		out = append(out, change("detector as refined by the fit", "continuum of the spectrum", r.Detector.WithDefaults(), 1/math.Sqrt(3)))
	}
	return out
}

// efficiencyRatio returns the efficiency of a over that of b, 1 where b is blind.
func efficiencyRatio(a, b spectra.Detector, e xray.Energy) float64 {
	if v := b.Efficiency(e); v > 0 {
		return math.Min(a.Efficiency(e), 1) / v
	}
	return 1
}

// efficiencyOf returns the efficiency of the detector as it was stated. The fit
// refines absorbers in front of it from the continuum, but what the continuum
// model lacks goes into them too, so they do not enter intensities; the budget
// holds the difference.
func efficiencyOf(r *fit.Result) func(xray.Energy) float64 {
	d := r.Options.Detector.WithDefaults()
	return d.Efficiency
}
