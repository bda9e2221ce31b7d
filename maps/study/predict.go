package study

import (
	"fmt"

	"example.org/fleck/maps/spots"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// Setup returns the specimen and the instrument as the fit found it.
func (r *Result) Setup() template.Setup {
	return template.Setup{Substrate: r.Study.Substrate, Coating: r.Study.Coating, Order: r.Study.Order,
		Geometry: r.geometry(), Detector: r.Fit.Detector, Calibration: r.Fit.Calibration, Channels: len(r.Sum.Counts)}
}

// channels returns the range of channels that is searched.
func (r *Result) channels() spots.Range {
	return spots.Range{From: r.Fit.LowChannel, To: r.Fit.LowChannel + len(r.Fit.Model)}
}

func (r *Result) templates() error {
	predict := func(m xray.Material) (Predicted, error) {
		p, err := template.Particle(m, r.Setup())
		if err != nil {
			return Predicted{}, fmt.Errorf("study: %s: %w", m.Name, err)
		}
		rg := r.channels()
		own := p.Strongest
		out := Predicted{Material: m, Own: own, Template: normalised(m.Name, p.Counts[rg.From:rg.To], p.Families[own][rg.From:rg.To])}
		for _, depth := range thickDepths {
			whole, film, err := template.Covered(m, depth, r.Setup())
			if err != nil {
				return Predicted{}, fmt.Errorf("study: %s: %w", m.Name, err)
			}
			out.Template.Thicker = append(out.Template.Thicker, normalised(m.Name, whole.Counts[rg.From:rg.To], film.Families[own][rg.From:rg.To]))
		}
		return out, nil
	}
	var err error
	if r.Target, err = predict(r.Study.Target); err != nil {
		return err
	}
	for _, m := range r.Study.Confusers {
		p, err := predict(m)
		if err != nil {
			return err
		}
		r.Confusers = append(r.Confusers, p)
	}
	return nil
}

// thickDepths are the mass depths, g/cm², at which a compound is predicted as a
// film beside the thin limit: 0.2 to 3 µm at a density of 4, in steps of 2,
// fine enough against the uncertainty of the templates.
var thickDepths = []float64{8e-5, 1.6e-4, 3.2e-4, 6.4e-4, 1.28e-3}

// normalised scales a spectrum and its line part so that the spectrum sums to 1.
func normalised(name string, spectrum, line []float64) spots.Template {
	t := spots.Template{Name: name, Spectrum: append([]float64(nil), spectrum...), Line: append([]float64(nil), line...)}
	sum := 0.0
	for _, v := range spectrum {
		sum += v
	}
	for i := range t.Spectrum {
		t.Spectrum[i] /= sum
		t.Line[i] /= sum
	}
	return t
}

// nuisance returns the lines of free strength that say nothing about a spot:
// those of the coating and carbon, which the beam deposits.
func (r *Result) nuisance() []spots.Template {
	elements := []xray.Element{6}
	if c := r.Study.Coating; c != nil {
		for _, x := range c.Components {
			if x.Element != 6 {
				elements = append(elements, x.Element)
			}
		}
	}
	rg := r.channels()
	var out []spots.Template
	for _, f := range fit.FamiliesOf(elements, r.Sum.BeamEnergy, r.Fit.Options.LowEV, r.Fit.Options.HighEV) {
		full := make([]float64, len(r.Sum.Counts))
		var lines []synth.Line
		for _, w := range xray.FamilyWeights(f.Element, f.Family, r.Sum.BeamEnergy) {
			lines = append(lines, synth.Line{Energy: w.Line.Energy, Photons: w.Weight})
		}
		synth.AddLines(full, r.Fit.Detector, r.Fit.Calibration, lines)
		part := full[rg.From:rg.To]
		sum := 0.0
		for _, v := range part {
			sum += v
		}
		if sum > 0 {
			out = append(out, normalised(f.String(), part, part))
		}
	}
	return out
}
