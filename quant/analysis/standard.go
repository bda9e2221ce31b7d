package analysis

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// fitReference fits the spectrum of a standard with the absorption of its
// known material. The detector is that of opt.
func fitReference(ref Reference, opt Options) (*fit.Result, error) {
	g, _, err := geometryOf(ref.Spectrum.Conditions)
	if err != nil {
		return nil, fmt.Errorf("%w (reference %s)", err, ref.title())
	}
	fo := opt.Fit
	fo.Families = nil
	var elements []xray.Element
	for _, c := range ref.Material.Components {
		elements = append(elements, c.Element)
	}
	elements = append(elements, ref.Ignore...)
	fo.Families = familiesOf(ref.Spectrum, elements, fo)
	if len(fo.Families) == 0 {
		return nil, fmt.Errorf("analysis: reference %s: a beam of %.4g keV excites no line of its elements", ref.title(), g.BeamEnergy.KeV())
	}
	if fo.Specimen, err = specimen(ref.Material, opt.StandardCoat, g); err != nil {
		return nil, err
	}
	r, err := fit.Spectrum(ref.Spectrum, fo)
	if err != nil {
		return nil, fmt.Errorf("%w (reference %s)", err, ref.title())
	}
	return r, nil
}

// specimen returns the absorption of a material, coated or bare.
func specimen(m, coat xray.Material, g quant.Geometry) (fit.Specimen, error) {
	if len(coat.Components) > 0 {
		return LayeredSpecimen([]xray.Material{coat}, m, g)
	}
	return Specimen(m, g)
}

// familiesOf returns the families to fit of a spectrum.
func familiesOf(s *spectra.Spectrum, elements []xray.Element, fo fit.Options) []fit.Family {
	low, high := fo.LowEV, fo.HighEV
	if low == 0 {
		low = fit.LowEV(elements, s.BeamEnergy)
	}
	if high == 0 {
		high = math.Min(1.05*float64(s.BeamEnergy), float64(s.Calibration.Energy(float64(len(s.Counts)-1))))
	}
	return fit.FamiliesOf(elements, s.BeamEnergy, low, high)
}

// familyCounts are the fitted families of a spectrum as net counts.
type familyCounts struct{ *fit.Result }

// NetCounts implements quant.NetCounts.
func (c familyCounts) NetCounts(p quant.Peak) (n, sigma float64, ok bool) {
	f, ok := c.Find(fit.Family{Element: p.Element, Family: p.Family})
	return f.NetCounts, f.Sigma, ok && !p.Single()
}

// referenceSet holds the fitted references.
type referenceSet struct {
	refs []Reference
	fits []*fit.Result
}

// serve returns the reference for a peak: the one that names it, else the one
// that holds most of its element; -1 if there is none.
func (s referenceSet) serve(p quant.Peak) int {
	best, most := -1, 0.0
	for i, r := range s.refs {
		if len(r.Peaks) > 0 {
			for _, q := range r.Peaks {
				if q == p {
					return i
				}
			}
			continue
		}
		if _, ok := s.fits[i].Find(fit.Family{Element: p.Element, Family: p.Family}); !ok {
			continue
		}
		if f := r.Material.Fraction(p.Element); f > most {
			best, most = i, f
		}
	}
	return best
}

// Limits beyond which the conditions of a standard count as different; common
// practice, no source.
const (
	beamMismatch    = 0.005 // relative
	takeOffMismatch = 1 * xray.Degree
)

// checkConditions remarks on standards measured under other conditions.
func checkConditions(r *Result, ref Reference, g quant.Geometry) {
	c := ref.Spectrum.Conditions
	if c.BeamEnergy > 0 {
		if d := float64(c.BeamEnergy/g.BeamEnergy) - 1; math.Abs(d) > beamMismatch {
			text := fmt.Sprintf("standard %s was measured at %.4g keV, the specimen at %.4g keV", ref.title(), c.BeamEnergy.KeV(), g.BeamEnergy.KeV())
			if math.Abs(d) > 0.02 {
				r.refuse(text + ": its intensities do not apply")
			} else {
				r.remark(text)
			}
		}
	}
	if c.TakeOff > 0 && math.Abs(float64(c.TakeOff-g.TakeOff)) > float64(takeOffMismatch) {
		r.remark(fmt.Sprintf("standard %s was measured at a take-off angle of %.3g deg, the specimen at %.3g deg", ref.title(), c.TakeOff.Degrees(), g.TakeOff.Degrees()))
	}
}

// driftLimit is the relative difference of two measurements of one standard from
// which it is remarked on, beside three counting uncertainties; common practice,
// no source.
const driftLimit = 0.01

// checkDrift compares the reference used for a peak with others of the same
// material: counts per dose that differ tell of a drift of current or detector.
func checkDrift(q *Result, p quant.Peak, used int, set referenceSet, sameCurrent bool) {
	a := set.refs[used]
	for i, b := range set.refs {
		if i == used || b.Material.String() != a.Material.String() {
			continue
		}
		k, err := quant.Ratio(p, familyCounts{set.fits[i]}, doseOf(b.Dose, b.Spectrum.Conditions, sameCurrent), familyCounts{set.fits[used]}, doseOf(a.Dose, a.Spectrum.Conditions, sameCurrent))
		if err != nil {
			continue // not measured there, or no dose
		}
		if d := math.Abs(k.Value - 1); d > driftLimit && d > 3*k.Sigma {
			q.remark(fmt.Sprintf("standard %s was measured twice, %s and %s: %s differs by %+.1f %% ± %.1f %% per dose; current or detector drifted", a.Material.Name, stated(a.Measured), stated(b.Measured), p, 100*(k.Value-1), 100*k.Sigma))
		}
	}
}

// stated returns a date as it is, or that there is none.
func stated(when string) string {
	if when == "" {
		return "at a time not stated"
	}
	return when
}

// StandardsFor returns the standard of each peak among materials: the one that
// holds most of its element. Peaks that none holds get none, which means the
// pure element. It is an error if a material serves no peak.
func StandardsFor(peaks []quant.Peak, materials []xray.Material) ([]quant.Standard, error) {
	var out []quant.Standard
	used := make([]bool, len(materials))
	for _, p := range peaks {
		best, most := -1, 0.0
		for i, m := range materials {
			if f := m.Fraction(p.Element); f > most {
				best, most = i, f
			}
		}
		if best >= 0 {
			used[best] = true
			out = append(out, quant.Standard{Peak: p, Material: materials[best]})
		}
	}
	for i, m := range materials {
		if !used[i] {
			return nil, fmt.Errorf("analysis: standard %s serves none of the %d peaks", m.Name, len(peaks))
		}
	}
	return out, nil
}
