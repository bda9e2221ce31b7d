package matrix

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Uncertainty holds standard uncertainties of the inputs of a prediction. Zero
// fields mean the defaults stated; a negative value leaves the input out.
type Uncertainty struct {
	// BeamEnergy, eV; default 50: a high voltage good to 0.3 % and a little
	// charging. Common practice, no source.
	BeamEnergy xray.Energy
	// TakeOff, rad; default 1 deg: working distance and a specimen that lies a
	// little askew. Common practice, no source.
	TakeOff xray.Angle
	// Coat is the relative uncertainty of the mass depth of coats; default 0.2.
	// Common practice, no source.
	Coat float64
	// Attenuation scales the relative uncertainties of AttenuationUncertainty;
	// default 1.
	Attenuation float64
	// Electrons is the relative uncertainty of the generated intensity per unit of
	// the logarithm of the mean atomic numbers of specimen and standard; default
	// 0.05, which is how PAP and package transport, of other stopping power and
	// backscatter, differ on 36 binaries (StudyBinariesTransport).
	Electrons float64
}

// AttenuationUncertainty returns the relative standard uncertainty of mass
// attenuation at photon energy e, away from edges: 2 % above 2 keV, 5 % at 1–2
// keV, 12 % at 0.3–1 keV, 25 % below. These are the spreads between the tables
// of Henke 1993, Chantler 2005 and Elam 2002, as xray.Element.Attenuation
// states.
func AttenuationUncertainty(e xray.Energy) float64 {
	switch {
	case e > 2*xray.KeV:
		return 0.02
	case e > 1*xray.KeV:
		return 0.05
	case e > 300:
		return 0.12
	}
	return 0.25
}

// Variations returns the inputs of a predictor moved one at a time by their
// standard uncertainties, for quant.Solver.Budget: beam energy, take-off angle,
// coats, the attenuation of every peak by every element, stopping power and
// backscatter, and the depth curve, whose uncertainty is the difference between
// PAP and XPP taken as the half-width of a rectangular distribution. The arguments are those of NewPredictor. An input
// that specimen and standard share moves in both.
func Variations(peaks []quant.Peak, others []xray.Element, g quant.Geometry, opt Options, u Uncertainty) ([]quant.Variation, error) {
	base, err := NewPredictor(peaks, others, g, opt)
	if err != nil {
		return nil, err
	}
	var out []quant.Variation
	add := func(name, source string, scale float64, g quant.Geometry, opt Options) error {
		p, err := NewPredictor(peaks, others, g, opt)
		if err != nil {
			return fmt.Errorf("%w (variation: %s)", err, name)
		}
		out = append(out, quant.Variation{Name: name, Source: source, Model: p, Scale: scale})
		return nil
	}
	if e := fallback(u.BeamEnergy, 50); e > 0 {
		moved := g
		moved.BeamEnergy += e
		if moved.BeamEnergy > quant.MaxBeamEnergy {
			moved.BeamEnergy = g.BeamEnergy - e
		}
		if err := add(fmt.Sprintf("beam energy, %.3g keV", e.KeV()), "common practice", 1, moved, opt); err != nil {
			return nil, err
		}
	}
	if a := fallback(u.TakeOff, xray.Degree); a > 0 {
		moved := g
		moved.TakeOff += a
		if moved.TakeOff.Degrees() > 90 {
			moved.TakeOff = g.TakeOff - a
		}
		if err := add(fmt.Sprintf("take-off angle, %.3g deg", a.Degrees()), "common practice", 1, moved, opt); err != nil {
			return nil, err
		}
	}
	if c := fallback(u.Coat, 0.2); c > 0 {
		for i, m := range []xray.Material{opt.Coat, opt.StandardCoat} {
			if len(m.Components) == 0 {
				continue
			}
			moved := opt
			m.MassDepth *= 1 + c
			name := "coat of the specimen"
			if i == 0 {
				moved.Coat = m
			} else {
				moved.StandardCoat, name = m, "coat of the standards"
			}
			if err := add(fmt.Sprintf("%s, %.0f %%", name, 100*c), "common practice", 1, g, moved); err != nil {
				return nil, err
			}
		}
	}
	if opt.Model != ModelZAF {
		moved := opt
		moved.Model = ModelXPP - opt.Model // PAP for XPP and the reverse
		if err := add(fmt.Sprintf("model, %s for %s", moved.Model, opt.Model), "difference of two models", 1/math.Sqrt(3), g, moved); err != nil {
			return nil, err
		}
	}
	if s := fallback(u.Electrons, 0.05); s > 0 {
		out = append(out, quant.Variation{
			Name:   fmt.Sprintf("stopping and backscatter, %.2g %% of the step in ln Z", 100*s),
			Source: "PAP against transport, 36 binaries", Model: otherElectrons{base, s},
		})
	}
	if s := fallback(u.Attenuation, 1); s > 0 {
		for i, pk := range base.a.peaks {
			for k, t := range base.a.atoms {
				p, rel, err := base.scaleAttenuation(i, k, s)
				if err != nil {
					return nil, err
				}
				out = append(out, quant.Variation{
					Name:   fmt.Sprintf("attenuation of %s in %s, %.0f %%", pk.Peak, t.z, 100*rel),
					Source: "spread of published tables", Model: p,
				})
			}
		}
	}
	return out, nil
}

// otherElectrons is a predictor whose generated intensities rise with the ratio
// of the mean atomic numbers of specimen and standard.
type otherElectrons struct {
	*Predictor
	slope float64
}

// Factors implements quant.Model.
func (m otherElectrons) Factors(dst []float64, c quant.Composition) error {
	if err := m.Predictor.Factors(dst, c); err != nil {
		return err
	}
	sum, weighted := 0.0, 0.0
	for i, z := range c.Elements {
		f := max(float64(c.Mass[i]), 0)
		sum, weighted = sum+f, weighted+f*float64(z)
	}
	for i := range m.standard {
		dst[i] *= 1 + m.slope*math.Log(weighted/sum/m.standard[i].zm)
	}
	return nil
}

// fallback returns v, or def for 0.
func fallback[T ~float64](v, def T) T {
	if v == 0 {
		return def
	}
	return v
}

// scaleAttenuation returns the predictor with the attenuation of the lines of
// one peak by one atom raised by scale times its uncertainty, and the largest
// relative change.
func (p *Predictor) scaleAttenuation(peak, atom int, scale float64) (*Predictor, float64, error) {
	largest := 0.0
	raise := func(a *assembly) *assembly {
		b := *a
		b.lines = slices.Clone(a.lines)
		for k := a.peaks[peak].first; k < a.peaks[peak].last; k++ {
			rel := scale * AttenuationUncertainty(a.lines[k].line.Energy)
			largest = max(largest, rel)
			mu := slices.Clone(a.lines[k].mu)
			mu[atom] *= 1 + rel
			b.lines[k].mu = mu
		}
		return &b
	}
	q := &Predictor{a: raise(p.a), peaks: p.peaks}
	q.b = q.a
	if p.b != p.a {
		q.b = raise(p.b)
	}
	return q, largest, q.refer()
}
