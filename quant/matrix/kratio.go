package matrix

import (
	"fmt"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Prediction is the k-ratio of one peak with the factors that make it:
// k = (C_specimen/C_standard)·Z·A·F. All three factors are 1 when specimen and
// standard are the same.
type Prediction struct {
	Peak   quant.Peak
	KRatio float64
	Z      float64 // atomic number: generated, specimen over standard
	A      float64 // absorption: share that leaves, specimen over standard
	F      float64 // fluorescence: 1 + γ, specimen over standard
	// Escape is f(χ), the share of the generated photons that leaves, in the
	// specimen and in the standard. Below 0.5 in one of them the error of the
	// attenuation dominates.
	Escape, StandardEscape float64
}

// Predictor predicts k-ratios of fixed peaks for any composition at one
// geometry. Everything that does not depend on the composition is prepared when
// it is made; it does not change afterwards and may be used by several
// goroutines at once. It is a quant.Model.
type Predictor struct {
	a        *assembly // of the specimen
	b        *assembly // of the standards; differs from a only by the coat
	peaks    []quant.Peak
	standard []reference
}

// reference is what a peak of the specimen is compared with.
type reference struct {
	intensity         // per mass fraction
	mass      float64 // mass fraction of the element in the standard
	zm        float64 // mean atomic number of the standard
}

// intensity is the sum over the lines of a peak.
type intensity struct {
	area, direct, total float64 // generated; of it, leaving; with fluorescence
}

// NewPredictor prepares the peaks. others are elements that a composition may
// hold besides those of the peaks and the standards, for example oxygen that is
// not measured.
func NewPredictor(peaks []quant.Peak, others []xray.Element, g quant.Geometry, opt Options) (*Predictor, error) {
	opt, err := opt.check(g)
	if err != nil {
		return nil, err
	}
	if len(peaks) == 0 {
		return nil, fmt.Errorf("matrix: no peaks to predict k-ratios of")
	}
	elements := slices.Clone(others)
	for i, p := range peaks {
		if slices.Contains(peaks[:i], p) {
			return nil, fmt.Errorf("matrix: peak %s stands twice in the list", p)
		}
		elements = append(elements, p.Element)
	}
	for _, s := range opt.Standards {
		if err := checkMaterial(s.Material); err != nil {
			return nil, fmt.Errorf("matrix: standard of peak %s: %w", s.Peak, err)
		}
		for _, c := range s.Material.Components {
			elements = append(elements, c.Element)
		}
	}
	slices.Sort(elements)
	elements = slices.Compact(elements)
	p := &Predictor{peaks: slices.Clone(peaks)}
	if p.a, err = newAssembly(elements, peaks, opt.Coat, g, opt); err != nil {
		return nil, err
	}
	p.b = p.a
	if len(opt.Coat.Components)+len(opt.StandardCoat.Components) > 0 {
		if p.b, err = newAssembly(elements, peaks, opt.StandardCoat, g, opt); err != nil {
			return nil, err
		}
	}
	return p, p.refer()
}

// refer evaluates the standards.
func (p *Predictor) refer() error {
	p.standard = make([]reference, len(p.peaks))
	s := newStack(p.b, 1)
	c := make([]float64, len(p.b.atoms))
	for i, pk := range p.b.peaks {
		clear(c)
		c[pk.atom] = 1
		if m, ok := standardOf(pk.Peak, p.b.opt.Standards); ok {
			for k, t := range p.b.atoms {
				c[k] = m.Fraction(t.z)
			}
			if !(c[pk.atom] > 0) {
				return fmt.Errorf("matrix: standard %q of peak %s holds no %s", m.Name, pk.Peak, pk.Element)
			}
		}
		if err := s.setFractions(0, c); err != nil {
			return fmt.Errorf("matrix: standard of peak %s: %w", pk.Peak, err)
		}
		if err := s.evaluate(pk.first, pk.last); err != nil {
			return err
		}
		p.standard[i] = reference{s.intensity(0, pk), c[pk.atom], s.slabs[0].target.zm}
	}
	return nil
}

// standardOf returns the standard stated for a peak, or for the family of it.
func standardOf(p quant.Peak, standards []quant.Standard) (xray.Material, bool) {
	for _, s := range standards {
		if s.Peak == p {
			return s.Material, true
		}
	}
	for _, s := range standards {
		if !s.Peak.Single() && s.Peak.Element == p.Element && s.Peak.Family == p.Family {
			return s.Material, true
		}
	}
	return xray.Material{}, false
}

// intensity sums the lines of a peak in slab i: photons per electron, mass
// fraction and N_A/A; for ZAF in relative units.
func (s *stack) intensity(i int, p peakLines) intensity {
	var n intensity
	for k := p.first; k < p.last; k++ {
		w := s.a.lines[k].photons * s.a.lines[k].coat
		n.area += w * s.area[i][k]
		n.direct += w * s.direct[i][k]
		n.total += w * (s.direct[i][k] + s.second[i][k])
	}
	return n
}

// Peaks returns the peaks in their order.
func (p *Predictor) Peaks() []quant.Peak { return slices.Clone(p.peaks) }

// evaluate returns the stack of composition c, normalised.
func (p *Predictor) evaluate(c quant.Composition) (*stack, error) {
	s := newStack(p.a, 1)
	mass := make([]float64, len(p.a.atoms))
	for i, z := range c.Elements {
		k, ok := slices.BinarySearchFunc(p.a.atoms, z, func(t atom, z xray.Element) int { return int(t.z) - int(z) })
		if !ok {
			return nil, fmt.Errorf("matrix: element %s of the composition was not announced to the predictor", z)
		}
		mass[k] = float64(c.Mass[i])
	}
	if err := s.setFractions(0, mass); err != nil {
		return nil, err
	}
	return s, s.evaluate(0, len(p.a.lines))
}

// Factors writes k/C of each peak to dst: the k-ratio per mass fraction of its
// element in a specimen of composition c. Fractions that are not above 0 count
// as absent and the rest is normalised to 1 first. It panics if dst is shorter
// than the list of peaks.
func (p *Predictor) Factors(dst []float64, c quant.Composition) error {
	s, err := p.evaluate(c)
	if err != nil {
		return err
	}
	for i, pk := range p.a.peaks {
		dst[i] = s.intensity(0, pk).total / (p.standard[i].mass * p.standard[i].total)
	}
	return nil
}

// Predict returns the k-ratios of a specimen of composition c, which is not
// normalised but inside the model.
func (p *Predictor) Predict(c quant.Composition) ([]Prediction, error) {
	s, err := p.evaluate(c)
	if err != nil {
		return nil, err
	}
	out := make([]Prediction, len(p.peaks))
	for i, pk := range p.a.peaks {
		n, std := s.intensity(0, pk), p.standard[i]
		out[i] = Prediction{
			Peak:   pk.Peak,
			KRatio: float64(c.Fraction(pk.Element)) * n.total / (std.mass * std.total),
			Z:      n.area / std.area,
			A:      (n.direct / n.area) / (std.direct / std.area),
			F:      (n.total / n.direct) / (std.total / std.direct),
			Escape: n.direct / n.area, StandardEscape: std.direct / std.area,
		}
	}
	return out, nil
}

// KRatios returns the k-ratios of a bulk specimen with their factors, in the
// order of the peaks. A peak of an element that the specimen does not hold has
// the k-ratio 0.
func KRatios(m xray.Material, peaks []quant.Peak, g quant.Geometry, opt Options) ([]Prediction, error) {
	c, err := quant.CompositionOf(m)
	if err != nil {
		return nil, fmt.Errorf("matrix: %w", err)
	}
	p, err := NewPredictor(peaks, c.Elements, g, opt)
	if err != nil {
		return nil, err
	}
	return p.Predict(c)
}

// LayerPrediction is the k-ratio of one peak of a layered specimen.
type LayerPrediction struct {
	Peak     quant.Peak
	KRatio   float64   // of the whole specimen, as measured
	PerLayer []float64 // share of each layer from the top, the substrate last
}

// LayeredKRatios returns the k-ratios of layers on a substrate, relative to the
// bulk standards of opt, in the order of the peaks. See Layered for the model.
func LayeredKRatios(layers []xray.Material, substrate xray.Material, peaks []quant.Peak, g quant.Geometry, opt Options) ([]LayerPrediction, error) {
	all := append(layers[:len(layers):len(layers)], substrate)
	p, err := NewPredictor(peaks, elementsOf(all), g, opt)
	if err != nil {
		return nil, err
	}
	s, err := layeredStack(p.a, layers, substrate)
	if err != nil {
		return nil, err
	}
	if err := s.evaluate(0, len(p.a.lines)); err != nil {
		return nil, err
	}
	out := make([]LayerPrediction, len(p.peaks))
	for i, pk := range p.a.peaks {
		out[i] = LayerPrediction{Peak: pk.Peak, PerLayer: make([]float64, len(all))}
		for k, m := range all {
			out[i].PerLayer[k] = m.Fraction(pk.Element) * s.intensity(k, pk).total / (p.standard[i].mass * p.standard[i].total)
			out[i].KRatio += out[i].PerLayer[k]
		}
	}
	return out, nil
}
