package scene

import (
	"fmt"
	"math/rand/v2"

	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// elapsed returns the share of the measurement that is over at row y of a frame.
func (s *Scene) elapsed(y, frame int) float64 { return s.when(y, frame) + 0.5 }

// left returns the share of a compound's particles that the beam has left at row y of
// a frame.
func (s *Scene) left(material xray.Material, y, frame int) float64 {
	if material.Name != s.Target.Name {
		return 1
	}
	return 1 - s.TargetLoss*s.elapsed(y, frame)
}

// carbon returns the line of the carbon that has grown in the end, nil if none does. It
// lies on top: what it takes from the lines below is left out.
func (s *Scene) carbon(plain *ground) (*ground, error) {
	if s.CarbonGrowth == 0 {
		return nil, nil
	}
	const carbon xray.Element = 6
	var lines []synth.Line
	for _, w := range xray.FamilyWeights(carbon, xray.FamilyK, s.BeamEnergy) {
		lines = append(lines, synth.Line{Energy: w.Line.Energy, Photons: w.Weight})
	}
	counts := make([]float64, s.Channels)
	synth.AddLines(counts, s.Detector, s.Calibration, lines)
	g := newGround(counts)
	if g.alias == nil {
		return nil, fmt.Errorf("scene: carbon_growth = %g, but the energy axis or the detector shows no C K", s.CarbonGrowth)
	}
	g.total = s.CarbonGrowth * plain.total
	return g, nil
}

// overgrown adds carbon, of which a share has grown, to the counts of a place: total
// per electron, draw for the channel of one.
func overgrown(carbon *ground, share, total float64, rng *rand.Rand, draw func() int) (float64, func() int) {
	if carbon == nil {
		return total, draw
	}
	all := total + share*carbon.total
	return all, func() int {
		if rng.Float64()*all < total {
			return draw()
		}
		return carbon.alias.draw(rng)
	}
}
