package quant

import (
	"fmt"
	"math"

	"example.org/fleck/spectra/xray"
)

// Geometry is the beam energy and the directions of a measurement.
type Geometry struct {
	BeamEnergy xray.Energy // landing energy of the electrons, eV
	TakeOff    xray.Angle  // between the specimen surface and the direction to the detector, above 0 up to 90°
	Tilt       xray.Angle  // between the surface normal and the beam; 0 = normal incidence
}

// Limits of Geometry. The upper beam energy is where the electron formulas are
// no longer compared with measurements; common practice, no source.
const (
	MaxBeamEnergy = 50 * xray.KeV
)

// Validate reports a beam energy not in (0, 50] keV or a take-off angle not in
// (0, 90]°, or a tilt not in [0, 90)°.
func (g Geometry) Validate() error {
	switch {
	case !(g.BeamEnergy > 0 && g.BeamEnergy <= MaxBeamEnergy):
		return fmt.Errorf("quant: beam energy %g keV; it must be above 0 and at most %g keV", g.BeamEnergy.KeV(), MaxBeamEnergy.KeV())
	case !(g.TakeOff > 0 && g.TakeOff.Degrees() <= 90+1e-9):
		return fmt.Errorf("quant: take-off angle %g deg; it must be above 0 and at most 90", g.TakeOff.Degrees())
	case !(g.Tilt >= 0 && g.Tilt.Degrees() < 90):
		return fmt.Errorf("quant: tilt %g deg; it must be at least 0 and below 90", g.Tilt.Degrees())
	}
	return nil
}

// Cosecant returns 1/sin of the take-off angle, the path to the detector per
// depth.
func (g Geometry) Cosecant() float64 { return 1 / math.Sin(g.TakeOff.Radians()) }
