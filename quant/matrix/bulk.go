package matrix

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Emission is one line as it leaves the specimen.
type Emission struct {
	Line xray.Line
	// PhotonsPerElectron leave towards the detector per incident electron, after
	// absorption in the specimen and before the detector, scaled to 4π: multiply
	// by Ω/4π and the detector's efficiency for counts. With Options.Efficiency
	// the detector's efficiency is in it.
	PhotonsPerElectron float64
}

// Bulk returns the intensities, without a standard, of all K, L and M lines that
// the beam excites in a bulk specimen, each absorbed at its own energy; by
// element, family and energy.
//
// A line's intensity is C (N_A/A) σ(E0) p F(χ), with σ p the cross section for
// production of its photons (xray.ProductionCrossSection and FamilyWeights) and
// F(χ) the absorbed area of the depth curve, enlarged by fluorescence. K lines
// are scaled by the ratio of the ionisations along the electron's path by the
// cross section of the table and by the shape that the curve assumes. Absolute
// size: 10 % for K lines above 1 keV, 20–40 % for L and M lines, more below
// 1 keV; ratios within a family are better.
//
// ModelZAF has no absolute scale and is an error.
func Bulk(m xray.Material, g quant.Geometry, opt Options) ([]Emission, error) {
	e, err := Layered(nil, m, g, opt)
	if err != nil {
		return nil, err
	}
	return e[0], nil
}

// PureIntensity returns what Bulk gives for a peak of the pure, bare element: the
// scale of a standardless analysis. With Options.Efficiency it is counts per
// electron and 4π.
func PureIntensity(p quant.Peak, g quant.Geometry, opt Options) (float64, error) {
	if !p.Element.Valid() {
		return 0, fmt.Errorf("matrix: no element with atomic number %d; 1 to %d are known", int(p.Element), int(xray.MaxElement))
	}
	opt.Coat, opt.StandardCoat = xray.Material{}, xray.Material{}
	em, err := Bulk(xray.Pure(p.Element), g, opt)
	if err != nil {
		return 0, err
	}
	n := 0.0
	for _, e := range em {
		if p.Holds(e.Line) {
			n += e.PhotonsPerElectron
		}
	}
	if !(n > 0) {
		return 0, fmt.Errorf("matrix: pure %s gives no intensity of %s at %.4g keV: the beam does not excite it or the detector does not see it", p.Element, p, g.BeamEnergy.KeV())
	}
	return n, nil
}

// Layered returns the intensities of Bulk for layers on a substrate: one list
// for each layer from the top, the substrate last. The depth curve in the
// layers is PAP with weighted parameters; in the substrate it is that of the
// bulk, entered at the depth of the layers. Layers need a mass depth, which may
// be 0. An element in two layers has an entry in both lists.
func Layered(layers []xray.Material, substrate xray.Material, g quant.Geometry, opt Options) (perLayer [][]Emission, err error) {
	opt, err = opt.check(g)
	if err != nil {
		return nil, err
	}
	if opt.Model == ModelZAF {
		return nil, fmt.Errorf("matrix: model ZAF gives ratios to a standard only; use PAP or XPP for absolute intensities")
	}
	under, err := coated(opt.Coat, g)
	if err != nil {
		return nil, err
	}
	var peaks []quant.Peak
	for _, z := range elementsOf(append(layers[:len(layers):len(layers)], substrate)) {
		for _, f := range []xray.Family{xray.FamilyK, xray.FamilyL, xray.FamilyM} {
			if len(xray.FamilyWeights(z, f, under.BeamEnergy)) > 0 {
				peaks = append(peaks, quant.Peak{Element: z, Family: f})
			}
		}
	}
	s, err := newLayered(layers, substrate, peaks, g, opt)
	if err != nil {
		return nil, err
	}
	if err := s.evaluate(0, len(s.a.lines)); err != nil {
		return nil, err
	}
	perLayer = make([][]Emission, len(s.slabs))
	for i := range s.slabs {
		b := &s.slabs[i]
		shape := make([]float64, len(s.a.levels))
		for k, l := range s.a.levels {
			shape[k] = b.target.shape(s.a.atoms[l.atom].z, l, s.a.beam)
		}
		for k, l := range s.a.lines {
			if c := b.c[l.atom]; c > 0 {
				n := c * avogadro / s.a.atoms[l.atom].weight * l.photons * l.coat * shape[l.level] * (s.direct[i][k] + s.second[i][k])
				perLayer[i] = append(perLayer[i], Emission{l.line, n})
			}
		}
	}
	return perLayer, nil
}

// shape returns the ratio of ∫ σ(E)/σ(E0) dE/(dE/dρs) over the path of an
// electron, with the cross section of the tables, to the same with the shape
// ln U/U^m that the curves assume; 1 for L and M, which have that shape.
func (t *target) shape(z xray.Element, l sublevel, beam float64) float64 {
	if l.shell != xray.K {
		return 1
	}
	sum := 0.0
	lnU := math.Log(beam / l.edge)
	for i, x := range shapeNodes {
		// E = Ec U0^x, dE = E ln U0 dx
		e := l.edge * math.Exp(x*lnU)
		sum += shapeWeights[i] * xray.IonisationCrossSection(z, l.shell, xray.Energy(e)*xray.KeV) / t.loss(e) * e * lnU
	}
	assumed := t.pathIntegral(l.edge, beam, l.m) / (lnU * math.Exp(-l.m*lnU))
	return sum / l.cross / assumed
}

// checkMaterial reports a material without elements, with unknown ones, or with
// mass fractions that are not finite numbers ≥ 0.
func checkMaterial(m xray.Material) error {
	if len(m.Components) == 0 {
		return fmt.Errorf("material %q has no elements", m.Name)
	}
	for _, c := range m.Components {
		if !c.Element.Valid() {
			return fmt.Errorf("material %q: no element with atomic number %d; 1 to %d are known", m.Name, int(c.Element), int(xray.MaxElement))
		}
		if !(c.MassFraction >= 0) || math.IsInf(c.MassFraction, 1) {
			return fmt.Errorf("material %q: mass fraction %g of %s; it must be a finite number ≥ 0", m.Name, c.MassFraction, c.Element)
		}
	}
	return nil
}

// elementsOf returns the elements of the materials, ascending.
func elementsOf(materials []xray.Material) []xray.Element {
	var seen [xray.MaxElement + 1]bool
	for _, m := range materials {
		for _, c := range m.Components {
			if c.Element.Valid() {
				seen[c.Element] = true
			}
		}
	}
	var out []xray.Element
	for z := range seen {
		if seen[z] {
			out = append(out, xray.Element(z))
		}
	}
	return out
}

// newLayered makes the stack of layers on a substrate.
func newLayered(layers []xray.Material, substrate xray.Material, peaks []quant.Peak, g quant.Geometry, opt Options) (*stack, error) {
	a, err := newAssembly(elementsOf(append(layers[:len(layers):len(layers)], substrate)), peaks, opt.Coat, g, opt)
	if err != nil {
		return nil, err
	}
	return layeredStack(a, layers, substrate)
}

// layeredStack makes the stack of layers on a substrate, whose elements are
// among the atoms of a.
func layeredStack(a *assembly, layers []xray.Material, substrate xray.Material) (*stack, error) {
	if len(layers) > 0 {
		switch {
		case a.opt.Model != ModelPAP:
			return nil, fmt.Errorf("matrix: model %s for %d layers; layers need PAP", a.opt.Model, len(layers))
		case a.opt.Fluorescence == WithContinuum || a.opt.Fluorescence == CharacteristicReed:
			return nil, fmt.Errorf("matrix: fluorescence %q for %d layers; layers accept %q and %q", a.opt.Fluorescence, len(layers), Characteristic, NoFluorescence)
		case len(layers) > maxLayers:
			return nil, fmt.Errorf("matrix: %d layers; at most %d are accepted", len(layers), maxLayers)
		}
	}
	all := append(layers[:len(layers):len(layers)], substrate)
	s := newStack(a, len(all))
	thick := make([]float64, len(layers))
	for i, m := range all {
		if err := checkMaterial(m); err != nil {
			return nil, fmt.Errorf("matrix: layer %d of %d: %w", i+1, len(all), err)
		}
		c := make([]float64, len(a.atoms))
		for k, t := range a.atoms {
			c[k] = m.Fraction(t.z)
		}
		if err := s.setFractions(i, c); err != nil {
			return nil, fmt.Errorf("matrix: layer %d of %d, %q: %w", i+1, len(all), m.Name, err)
		}
		if i == len(layers) {
			break
		}
		thick[i] = m.MassDepth
		if m.MassDepth == 0 && m.ThicknessM > 0 {
			return nil, fmt.Errorf("matrix: layer %d of %d, %q, has a thickness of %g nm but no density; state one, or a mass thickness", i+1, len(all), m.Name, m.ThicknessM*1e9)
		}
		if !(thick[i] >= 0) || math.IsInf(thick[i], 1) {
			return nil, fmt.Errorf("matrix: layer %d of %d, %q, has a mass depth of %g g/cm²; it must be finite and at least 0", i+1, len(all), m.Name, thick[i])
		}
	}
	s.setThickness(thick)
	return s, nil
}

// maxLayers is the number of layers accepted on a substrate.
const maxLayers = 7

// shapeNodes and shapeWeights integrate over 0 to 1 in the logarithm of energy.
var shapeNodes, shapeWeights = unitLegendre(16)
