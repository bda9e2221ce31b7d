package matrix

import (
	"fmt"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Model selects the correction model.
type Model uint8

// Models.
const (
	ModelPAP Model = iota // two parabolas; the default
	ModelXPP              // exponentials; bulk only
	ModelZAF              // classical factors; bulk and ratios only, a cross-check
)

// String returns the usual name of the model.
func (m Model) String() string {
	switch m {
	case ModelPAP:
		return "PAP"
	case ModelXPP:
		return "XPP"
	case ModelZAF:
		return "ZAF"
	}
	return fmt.Sprintf("Model(%d)", uint8(m))
}

// Fluorescence selects what is counted of the photons that other photons excite.
type Fluorescence uint8

// Kinds of secondary fluorescence.
const (
	// Characteristic counts the ionisations by characteristic lines, integrated
	// over the depth curve (5.2); the default. ModelZAF takes CharacteristicReed
	// instead, with the curve of PAP where Reed has no form.
	Characteristic Fluorescence = iota
	// CharacteristicReed uses the closed form of Reed 1965 (5.1) for K lines
	// excited by K lines and L by L, the integral for the rest; bulk only.
	CharacteristicReed
	// WithContinuum adds the ionisations by the continuum (5.4) to
	// Characteristic; bulk only. It counts for edges above 5 keV beside elements
	// of other atomic number; its absolute size is good to about 30 %.
	WithContinuum
	// NoFluorescence counts none.
	NoFluorescence
)

// String returns a short name.
func (f Fluorescence) String() string {
	switch f {
	case Characteristic:
		return "characteristic"
	case CharacteristicReed:
		return "characteristic, Reed"
	case WithContinuum:
		return "characteristic and continuum"
	case NoFluorescence:
		return "none"
	}
	return fmt.Sprintf("Fluorescence(%d)", uint8(f))
}

// Options select the model. The zero value is PAP with the surface ionisation of
// Love, characteristic fluorescence and pure bulk elements as standards.
type Options struct {
	Model        Model
	Fluorescence Fluorescence
	Surface      Surface // surface ionisation of PAP and XPP
	// Standards for k-ratios; a peak that has none here is relative to the pure
	// bulk element.
	Standards []quant.Standard
	// Coat and StandardCoat are the conductive coats of the specimen and of the
	// standards, with a mass depth; zero means none. A coat takes energy from
	// the beam and absorbs on the way out (8.4); lines of the coat itself and its
	// backscatter are not counted. Not for ModelZAF.
	Coat, StandardCoat xray.Material
	// Efficiency is the share of the photons of an energy that the detector
	// counts; nil counts all. It weights the lines of a family against each
	// other, and Bulk and Layered then return counts instead of photons.
	Efficiency func(xray.Energy) float64
}

// String names the model, the surface ionisation where it has one, and the
// fluorescence.
func (o Options) String() string {
	if o.Model == ModelZAF {
		return fmt.Sprintf("%s, fluorescence %s", o.Model, o.Fluorescence)
	}
	return fmt.Sprintf("%s, surface ionisation of %s, fluorescence %s", o.Model, o.Surface, o.Fluorescence)
}

// maxTiltDeg is the tilt up to which a specimen counts as normal to the beam:
// R, φ(0) and Rx are for normal incidence. Common practice, no source.
const maxTiltDeg = 2

// check resolves and checks the options and the geometry.
func (o Options) check(g quant.Geometry) (Options, error) {
	if err := g.Validate(); err != nil {
		return o, fmt.Errorf("matrix: %w", err)
	}
	if g.Tilt.Degrees() > maxTiltDeg {
		return o, fmt.Errorf("matrix: tilt %g deg; the depth curves hold for normal incidence, up to %d deg", g.Tilt.Degrees(), maxTiltDeg)
	}
	if o.Model > ModelZAF {
		return o, fmt.Errorf("matrix: unknown model %d; accepted are PAP, XPP and ZAF", uint8(o.Model))
	}
	if o.Fluorescence > NoFluorescence {
		return o, fmt.Errorf("matrix: unknown kind of fluorescence %d", uint8(o.Fluorescence))
	}
	if o.Surface > SurfacePouchou {
		return o, fmt.Errorf("matrix: unknown surface ionisation %d; accepted are Love and Pouchou", uint8(o.Surface))
	}
	if o.Model == ModelZAF {
		if len(o.Coat.Components)+len(o.StandardCoat.Components) > 0 {
			return o, fmt.Errorf("matrix: model ZAF cannot compare the beam energies under coats; use PAP or XPP")
		}
		switch o.Fluorescence {
		case Characteristic:
			o.Fluorescence = CharacteristicReed
		case WithContinuum:
			return o, fmt.Errorf("matrix: model ZAF has no depth curve to add continuum fluorescence to; use PAP or XPP")
		}
	}
	return o, nil
}
