package matrix

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// CoatLoss returns the energy that electrons of the beam lose in a thin coat,
// in eV: mass depth times the energy loss of PAP at the beam energy (8.4, 1.2).
// It is an error if the coat has no mass depth, or takes more than a tenth of
// the energy, where it is no coat but a layer: use Layered.
func CoatLoss(coat xray.Material, beam xray.Energy) (xray.Energy, error) {
	if err := checkMaterial(coat); err != nil {
		return 0, fmt.Errorf("matrix: coat: %w", err)
	}
	if !(coat.MassDepth > 0) || math.IsInf(coat.MassDepth, 1) {
		return 0, fmt.Errorf("matrix: coat %q has a mass depth of %g g/cm²; state a thickness and a density, or a mass thickness", coat.Name, coat.MassDepth)
	}
	if !(beam > 0) {
		return 0, fmt.Errorf("matrix: beam energy %g eV on coat %q; it must be above 0", float64(beam), coat.Name)
	}
	var cs []constituent
	for _, c := range coat.Components {
		cs = append(cs, constituent{float64(c.Element), c.Element.AtomicWeight(), c.MassFraction})
	}
	d := newDeceleration(cs)
	loss := xray.Energy(coat.MassDepth*d.loss(beam.KeV())) * xray.KeV
	if loss > beam/10 {
		return 0, fmt.Errorf("matrix: coat %q of %.3g µg/cm² takes %.3g keV of %g keV; a coat may take a tenth, more is a layer", coat.Name, coat.MassDepth*1e6, loss.KeV(), beam.KeV())
	}
	return loss, nil
}

// CoatTransmission returns the share of the photons of energy e that pass the
// coat towards the detector, 0 to 1 (8.4).
func CoatTransmission(coat xray.Material, e xray.Energy, takeOff xray.Angle) float64 {
	if len(coat.Components) == 0 {
		return 1
	}
	return math.Exp(-float64(coat.Attenuation(e)) * coat.MassDepth / math.Sin(takeOff.Radians()))
}

// coated returns the geometry under a coat: the beam less its loss. The zero
// material is no coat.
func coated(coat xray.Material, g quant.Geometry) (quant.Geometry, error) {
	if len(coat.Components) == 0 && coat.MassDepth == 0 {
		return g, nil
	}
	loss, err := CoatLoss(coat, g.BeamEnergy)
	g.BeamEnergy -= loss
	return g, err
}
