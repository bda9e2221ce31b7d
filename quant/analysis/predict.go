package analysis

import (
	"fmt"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Prediction is what a specimen gives of one peak.
type Prediction struct {
	Peak quant.Peak
	// KRatio against the standard, and how much of it each layer from the top and
	// the substrate, last, gives; one share for a bulk.
	KRatio   float64
	Standard string
	PerLayer []float64
	// Z, A and F are the factors of a bulk, k = (C/C_standard)·Z·A·F, and Escape the
	// share of the photons that leave; all 0 for layers, which have none.
	Z, A, F, Escape float64
	Overvoltage     float64
	// Photons leave per electron, scaled to 4π; Counts are what the detector takes
	// per nA·s into its solid angle.
	Photons, Counts float64
	// Remarks on this peak: low overvoltage, strong absorption.
	Remarks []string
}

// PredictOptions steer Predict. The zero value works: PAP, bare, pure elements
// as standards, the default detector.
type PredictOptions struct {
	Matrix   matrix.Options
	Detector spectra.Detector
}

// Predict returns k-ratios and intensities of layers, top first, on a substrate,
// or of a bulk where there are none. Layers need a mass depth, or density and
// thickness. Peaks of elements that the specimen does not hold have 0.
func Predict(layers []xray.Material, substrate xray.Material, peaks []quant.Peak, g quant.Geometry, opt PredictOptions) ([]Prediction, error) {
	if len(peaks) == 0 {
		return nil, fmt.Errorf("analysis: no peaks to predict")
	}
	if len(substrate.Components) == 0 {
		return nil, fmt.Errorf("analysis: no material to predict the peaks of")
	}
	if err := checkGeometry(g); err != nil {
		return nil, err
	}
	if err := checkMaterial(substrate); err != nil {
		return nil, err
	}
	for _, s := range opt.Matrix.Standards {
		if err := checkMaterial(s.Material); err != nil {
			return nil, fmt.Errorf("%w (standard of %s)", err, s.Peak)
		}
	}
	for i, m := range layers {
		if err := checkMaterial(m); err != nil {
			return nil, fmt.Errorf("%w (layer %d of %d)", err, i+1, len(layers))
		}
		if !(m.MassDepth > 0) {
			return nil, fmt.Errorf("analysis: layer %d of %d, %q, states no thickness; write it as %q or %q", i+1, len(layers), m.Name, m.Name+":2.2g/cm3:100nm", m.Name+":22ug/cm2")
		}
	}
	out := make([]Prediction, len(peaks))
	for i, p := range peaks {
		out[i] = Prediction{Peak: p, Standard: "pure " + p.Element.Symbol(), Overvoltage: Overvoltage(p, g.BeamEnergy)}
		for _, s := range opt.Matrix.Standards {
			if s.Peak == p {
				out[i].Standard = s.Material.Name
			}
		}
	}
	if len(layers) == 0 {
		list, err := matrix.KRatios(substrate, peaks, g, opt.Matrix)
		if err != nil {
			return nil, fmt.Errorf("analysis: %w", err)
		}
		for i, v := range list {
			o := &out[i]
			o.KRatio, o.PerLayer = v.KRatio, []float64{v.KRatio}
			o.Z, o.A, o.F, o.Escape = v.Z, v.A, v.F, v.Escape
		}
	} else {
		list, err := matrix.LayeredKRatios(layers, substrate, peaks, g, opt.Matrix)
		if err != nil {
			return nil, fmt.Errorf("analysis: %w", err)
		}
		for i, v := range list {
			out[i].KRatio, out[i].PerLayer = v.KRatio, v.PerLayer
		}
	}
	if opt.Matrix.Model != matrix.ModelZAF {
		if err := predictIntensities(out, layers, substrate, g, opt); err != nil {
			return nil, err
		}
	}
	for i := range out {
		o := &out[i]
		if u := o.Overvoltage; u < flaggedOvervoltage {
			o.Remarks = append(o.Remarks, fmt.Sprintf("overvoltage %.2f: 1 %% of beam energy changes the intensity by %.0f %%", u, 1.67*u/(u-1)))
		}
		if o.Escape > 0 && o.Escape < flaggedEscape {
			o.Remarks = append(o.Remarks, fmt.Sprintf("only %.0f %% of the photons leave, so the attenuation decides", 100*o.Escape))
		}
	}
	return out, nil
}

// predictIntensities fills photons and counts.
func predictIntensities(out []Prediction, layers []xray.Material, substrate xray.Material, g quant.Geometry, opt PredictOptions) error {
	per, err := matrix.Layered(layers, substrate, g, opt.Matrix)
	if err != nil {
		return fmt.Errorf("analysis: %w", err)
	}
	d := opt.Detector.WithDefaults()
	perElectron := d.SolidAngleSr / fourPi / elementaryCharge
	for i := range out {
		for _, layer := range per {
			for _, e := range layer {
				if out[i].Peak.Holds(e.Line) {
					out[i].Photons += e.PhotonsPerElectron
					out[i].Counts += e.PhotonsPerElectron * d.Efficiency(e.Line.Energy) * perElectron
				}
			}
		}
	}
	return nil
}

// PeaksOf returns the families of the elements that the beam excites, K before L
// before M, with an overvoltage of at least 1.3 and a main line above 100 eV:
// what is worth predicting where no lines are named.
func PeaksOf(elements []xray.Element, beam xray.Energy) []quant.Peak {
	var out []quant.Peak
	for _, z := range elements {
		for _, f := range []xray.Family{xray.FamilyK, xray.FamilyL, xray.FamilyM} {
			p := quant.Peak{Element: z, Family: f}
			if Overvoltage(p, beam) >= refusedOvervoltage && mainEnergy(p, beam) > 100 {
				out = append(out, p)
			}
		}
	}
	return out
}
