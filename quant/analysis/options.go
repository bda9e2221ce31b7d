package analysis

import (
	"fmt"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// Form is what is known of the specimen's shape. Bulk formulas hold for the
// first only.
type Form uint8

// Forms of specimen.
const (
	Flat     Form = iota // flat, polished, homogeneous and larger than the excited volume; assumed unless stated
	Rough                // a bulk specimen with a rough or tilted surface
	Particle             // a particle or grain smaller than the excited volume
	Film                 // a film or layer thinner than the excited volume
)

// String returns the form in words.
func (f Form) String() string {
	switch f {
	case Flat:
		return "flat and polished"
	case Rough:
		return "rough"
	case Particle:
		return "particle"
	case Film:
		return "film"
	}
	return fmt.Sprintf("Form(%d)", uint8(f))
}

// Options steer Quantify and FromKRatios. The zero value of every field but
// Elements works: standardless, all elements measured, PAP, no coat.
type Options struct {
	// Elements of the specimen that are measured, and Ignore: elements that the
	// spectrum shows but the specimen does not hold, such as contamination or the
	// coat; they are fitted and left out of the composition.
	Elements, Ignore []xray.Element
	// Peaks are the families to use where the choice shall not be made by the
	// program. By default it is K, then L, then M, the first with an overvoltage
	// of at least 1.5 whose counts are not much less certain than the best.
	Peaks []quant.Peak

	// References are spectra of standards; none means standardless.
	References []Reference
	// Standards are the materials that given k-ratios refer to (FromKRatios
	// only); a peak that has none refers to the pure element.
	Standards []quant.Standard
	// Relative corrects predicted intensities of a standardless analysis: counts
	// of a peak over those predicted, as Calibrate finds them. A peak without an
	// entry gets the value interpolated between those of the same family.
	Relative Calibration

	// Dose of the specimen's spectrum; 0 is probe current times live time.
	Dose quant.Dose
	// SameCurrent says that all spectra were measured at one probe current, so
	// that live times stand for doses where currents are not stated.
	SameCurrent bool
	// Normalise scales the composition to total 1. Standardless results always
	// are, because their scale is not known well enough.
	Normalise bool

	// Solve holds the rule for an element that is not measured, valences and
	// known fractions.
	Solve quant.SolveOptions

	Model        matrix.Model
	Fluorescence matrix.Fluorescence
	// Coat and StandardCoat are conductive coats with a mass depth.
	Coat, StandardCoat xray.Material
	// Uncertainty of the inputs of the matrix correction.
	Uncertainty matrix.Uncertainty
	// Form of the specimen. Anything but Flat makes the result a refusal.
	Form Form
	// ExtentM is the smallest extent of the object that was measured, thickness or
	// width in m, and DensityGCm3 its density; 0 is larger than the excited volume.
	// An object smaller than the depth of 99 % of the ionisations is refused.
	ExtentM, DensityGCm3 float64

	// Fit holds the options of the peak fit. Its Families are made from Elements
	// and Ignore when empty.
	Fit fit.Options
	// Refits is how often the fit is repeated with the absorption of the
	// composition found; default 1, negative means not at all.
	Refits int
	// SkipBudget leaves out the uncertainty budget, so that only counting
	// statistics are stated.
	SkipBudget bool
}

// Reference is a measured spectrum of a standard.
type Reference struct {
	Name     string
	Material xray.Material
	Spectrum *spectra.Spectrum
	// Measured says when it was measured, for the report.
	Measured string
	// Dose; 0 is probe current times live time.
	Dose quant.Dose
	// Peaks it serves; empty means every element of the material.
	Peaks []quant.Peak
	// Ignore lists elements in its spectrum that are not in its material.
	Ignore []xray.Element
	// Sigma is the relative standard uncertainty of its mass fractions; 0 is
	// 0.2 % for a pure element, for its surface, and 1 % for a compound (common
	// practice, no source).
	Sigma float64
}

// title names a reference in messages.
func (r Reference) title() string {
	if r.Name != "" {
		return r.Name
	}
	return r.Material.Name
}

// geometryOf returns the geometry of a measurement; a take-off angle that is not
// stated is DefaultTakeOff, and assumed says so.
func geometryOf(c spectra.Conditions) (g quant.Geometry, assumed bool, err error) {
	g = quant.Geometry{BeamEnergy: c.BeamEnergy, TakeOff: c.TakeOff, Tilt: c.Tilt}
	if g.BeamEnergy <= 0 {
		return g, false, fmt.Errorf("analysis: the beam energy is unknown; it is needed for the matrix correction")
	}
	if g.TakeOff == 0 {
		g.TakeOff, assumed = DefaultTakeOff, true
	}
	return g, assumed, checkGeometry(g)
}

// checkGeometry refuses directions in which no photon leaves or the detector
// stands in the beam.
func checkGeometry(g quant.Geometry) error {
	if d := g.TakeOff.Degrees(); !(d > 0 && d < 90) {
		return fmt.Errorf("analysis: take-off angle %.4g deg; it must be above 0 and below 90", d)
	}
	if err := g.Validate(); err != nil {
		return fmt.Errorf("analysis: %w", err)
	}
	return nil
}

// sumTolerance is how far the mass fractions of a material may be off 1: printed
// analyses of reference materials sum to 0.98 to 1.01.
const sumTolerance = 0.1

// checkMaterial refuses a material whose mass fractions do not sum to about 1.
func checkMaterial(m xray.Material) error {
	sum := 0.0
	for _, c := range m.Components {
		if !c.Element.Valid() || !(c.MassFraction >= 0) {
			return fmt.Errorf("analysis: material %q: mass fraction %g of element %d; elements 1 to %d and fractions of at least 0 are accepted", m.Name, c.MassFraction, int(c.Element), int(xray.MaxElement))
		}
		sum += c.MassFraction
	}
	if !(sum > 1-sumTolerance && sum < 1+sumTolerance) {
		return fmt.Errorf("analysis: material %q: mass fractions sum to %.4g; %.2g to %.2g are accepted", m.Name, sum, 1-sumTolerance, 1+sumTolerance)
	}
	return nil
}

// check resolves and checks what does not depend on the spectrum.
func (o Options) check() (Options, error) {
	if o.Refits == 0 {
		o.Refits = 1
	}
	if o.Solve.Unmeasured == 0 {
		o.Solve.Unmeasured = quant.Oxygen
	}
	seen := map[xray.Element]bool{}
	for _, list := range [][]xray.Element{o.Elements, o.Ignore} {
		for _, z := range list {
			if !z.Valid() {
				return o, fmt.Errorf("analysis: no element with atomic number %d; 1 to %d are known", int(z), int(xray.MaxElement))
			}
			if seen[z] {
				return o, fmt.Errorf("analysis: element %s is named twice", z)
			}
			seen[z] = true
		}
	}
	for i, p := range o.Peaks {
		if p.Single() {
			return o, fmt.Errorf("analysis: peak %s is a single line; a fit measures families, such as %s %s", p, p.Element, p.Family)
		}
		if slices.ContainsFunc(o.Peaks[:i], func(q quant.Peak) bool { return q.Element == p.Element }) {
			return o, fmt.Errorf("analysis: two peaks are chosen for element %s", p.Element)
		}
		if !slices.Contains(o.Elements, p.Element) {
			return o, fmt.Errorf("analysis: peak %s is chosen, but %s is not among the elements of the specimen", p, p.Element)
		}
	}
	for p, f := range o.Relative {
		if !(f.Value > 0.01 && f.Value < 100 && f.Sigma >= 0 && f.Sigma < 1) {
			return o, fmt.Errorf("analysis: relative intensity %g of %s with the relative uncertainty %g; 0.01 to 100 and 0 to 1 are accepted", f.Value, p, f.Sigma)
		}
	}
	if o.Dose < 0 {
		return o, fmt.Errorf("analysis: dose %g nA·s; it must be at least 0", float64(o.Dose))
	}
	if err := o.checkExtent(); err != nil {
		return o, err
	}
	if o.Form > Film {
		return o, fmt.Errorf("analysis: unknown form %d of the specimen", uint8(o.Form))
	}
	for _, s := range o.Standards {
		if err := checkMaterial(s.Material); err != nil {
			return o, fmt.Errorf("%w (standard of %s)", err, s.Peak)
		}
	}
	if len(o.References) > 0 && len(o.Relative) > 0 {
		return o, fmt.Errorf("analysis: references and relative intensities exclude each other; the latter serve a standardless analysis")
	}
	for i, r := range o.References {
		if r.Spectrum == nil {
			return o, fmt.Errorf("analysis: reference %d (%s) has no spectrum", i+1, r.title())
		}
		if err := checkMaterial(r.Material); err != nil {
			return o, fmt.Errorf("%w (reference %d, %s)", err, i+1, r.title())
		}
		for _, p := range r.Peaks {
			if !(r.Material.Fraction(p.Element) > 0) {
				return o, fmt.Errorf("analysis: reference %s is to serve peak %s but holds no %s", r.title(), p, p.Element)
			}
		}
	}
	return o, nil
}

// measuredElements returns the elements that get a k-ratio: those of the
// specimen without the one found by rule and the known ones.
func (o Options) measuredElements() []xray.Element {
	var out []xray.Element
	for _, z := range o.Elements {
		if o.Solve.Rule != quant.NoRule && z == o.Solve.Unmeasured {
			continue
		}
		if o.Solve.Known.Index(z) >= 0 {
			continue
		}
		out = append(out, z)
	}
	return out
}

// Shown returns the elements whose lines the spectrum shows, and which the fit
// must know: also the one that is found by rule.
func (o Options) Shown() []xray.Element {
	out := slices.Concat(o.Elements, o.Ignore)
	z := o.Solve.Unmeasured
	if z == 0 {
		z = quant.Oxygen
	}
	if o.Solve.Rule != quant.NoRule && !slices.Contains(out, z) {
		out = append(out, z)
	}
	return out
}

// others returns the elements of a composition that get no k-ratio.
func (o Options) others() []xray.Element {
	out := slices.Clone(o.Solve.Known.Elements)
	if o.Solve.Rule != quant.NoRule && !slices.Contains(out, o.Solve.Unmeasured) {
		out = append(out, o.Solve.Unmeasured)
	}
	return out
}

// doseOf returns the dose of a spectrum, 0 when it is not known.
func doseOf(stated quant.Dose, c spectra.Conditions, sameCurrent bool) quant.Dose {
	switch {
	case stated > 0:
		return stated
	case c.ProbeCurrentNA > 0 && c.LiveTimeS > 0:
		return quant.Dose(c.ProbeCurrentNA * c.LiveTimeS)
	case sameCurrent && c.LiveTimeS > 0:
		return quant.Dose(c.LiveTimeS) // per nA of the common current
	}
	return 0
}
