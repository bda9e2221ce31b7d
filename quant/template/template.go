// Package template predicts the channel spectra of a compound and of its
// substrate as a given instrument would record them: what the search for spots
// compares pixels with.
//
// Particle and Covered treat a particle as a thin film of its compound on the
// substrate (matrix.Layered), with the coating over, under or on both sides of it;
// that holds for particles much thinner than the electron range. Spheres predicts
// compact particles by transport. Sub-channel shapes come from spectra/synth, the
// same forward model as the peak fit's.
package template

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// CoatingOrder says where a conductive coating lies relative to the particles.
type CoatingOrder string

// Orders of coating.
const (
	NoCoating CoatingOrder = ""
	Under     CoatingOrder = "under" // coated before treatment: metal under the particles
	Over      CoatingOrder = "over"  // coated after treatment
	Both      CoatingOrder = "both"
)

// Setup is the specimen and the instrument.
type Setup struct {
	Substrate   xray.Material
	Coating     *xray.Material // with mass depth; nil = none
	Order       CoatingOrder   // required with a coating
	Geometry    quant.Geometry // TakeOff 0 = 35 degrees
	Detector    spectra.Detector
	Calibration spectra.Calibration
	Channels    int
	// PileUp is the probability that a recorded event is the sum of two.
	PileUp float64
}

// Spectrum is a predicted spectrum.
type Spectrum struct {
	Name string
	// Counts expected per channel and electron with the detector filling 4π;
	// multiply by Ω/4π and the number of electrons.
	Counts []float64
	// Families holds the part of each line family in Counts, escape included.
	Families map[string][]float64
	// Strongest is the family, of those above 1 keV if there is one, with the
	// most counts: the compound's own line.
	Strongest string
}

// Total returns the sum of the counts.
func (s Spectrum) Total() float64 {
	return sum(s.Counts)
}

func (s Setup) check() (Setup, error) {
	if s.Geometry.TakeOff == 0 {
		s.Geometry.TakeOff = 35 * xray.Degree
	}
	if err := s.Geometry.Validate(); err != nil {
		return s, err
	}
	if !s.Calibration.Valid() || s.Channels < 1 {
		return s, fmt.Errorf("template: energy scale offset %g eV, gain %g eV, %d channels; a gain above 0 and at least one channel are needed", s.Calibration.OffsetEV, s.Calibration.GainEV, s.Channels)
	}
	if s.Coating != nil {
		if s.Coating.MassDepth <= 0 {
			return s, fmt.Errorf("template: the coating %q states no thickness; write for example C:2.0g/cm3:8nm", s.Coating.Name)
		}
		switch s.Order {
		case Under, Over, Both:
		default:
			return s, fmt.Errorf("template: coating order %q; accepted are under, over and both (relative to the particles)", s.Order)
		}
	}
	s.Detector = s.Detector.WithDefaults()
	return s, nil
}

// above and below return the coating layers on either side of a particle.
func (s Setup) above() []xray.Material {
	if s.Coating != nil && (s.Order == Over || s.Order == Both) {
		return []xray.Material{*s.Coating}
	}
	return nil
}

func (s Setup) below() []xray.Material {
	if s.Coating != nil && (s.Order == Under || s.Order == Both) {
		return []xray.Material{*s.Coating}
	}
	return nil
}

// energies returns the centres of the channels, 0 where not positive.
func (s Setup) energies() []xray.Energy {
	e := make([]xray.Energy, s.Channels)
	for i := range e {
		e[i] = s.Calibration.Energy(float64(i))
	}
	return e
}

// continuum returns matrix.Continuum at the channels' centres; channels at or
// below 50 eV and above the beam energy are zero.
func (s Setup) continuum(layers []xray.Material) ([]float64, error) {
	out := make([]float64, s.Channels)
	var e []xray.Energy
	var at []int
	for i, x := range s.energies() {
		if x > 50 && x < s.Geometry.BeamEnergy {
			e = append(e, x)
			at = append(at, i)
		}
	}
	if len(e) == 0 {
		return out, nil
	}
	c, err := matrix.Continuum(layers, s.Substrate, s.Geometry, e)
	if err != nil {
		return nil, err
	}
	for k, i := range at {
		out[i] = c[k]
	}
	return out, nil
}

// assemble turns emissions and a continuum into a Spectrum.
func (s Setup) assemble(name string, em []matrix.Emission, cont []float64) Spectrum {
	out := Spectrum{Name: name, Counts: make([]float64, s.Channels), Families: map[string][]float64{}}
	lines := map[string][]synth.Line{}
	order := []string{}
	for _, x := range em {
		key := x.Line.Element.Symbol() + " " + x.Line.Initial.Family().String()
		if lines[key] == nil {
			order = append(order, key)
		}
		lines[key] = append(lines[key], synth.Line{Energy: x.Line.Energy, Photons: x.PhotonsPerElectron})
	}
	slices.Sort(order)
	best, bestHard := 0.0, false
	for _, key := range order {
		part := make([]float64, s.Channels)
		synth.AddLines(part, s.Detector, s.Calibration, lines[key])
		out.Families[key] = part
		sum, mean := 0.0, 0.0
		for i, v := range part {
			out.Counts[i] += v
			sum += v
			mean += v * float64(s.Calibration.Energy(float64(i)))
		}
		hard := sum > 0 && mean/sum > 1000
		if hard && !bestHard || hard == bestHard && sum > best {
			best, bestHard, out.Strongest = sum, hard, key
		}
	}
	synth.AddContinuum(out.Counts, s.Detector, s.Calibration, cont)
	if s.PileUp > 0 {
		synth.AddPileUp(out.Counts, s.Calibration, s.PileUp)
	}
	return out
}

// Substrate predicts the spectrum of the coated bulk substrate.
func Substrate(s Setup) (Spectrum, error) {
	s, err := s.check()
	if err != nil {
		return Spectrum{}, err
	}
	layers := slices.Concat(s.above(), s.below())
	per, err := matrix.Layered(layers, s.Substrate, s.Geometry, matrix.Options{})
	if err != nil {
		return Spectrum{}, fmt.Errorf("template: %w", err)
	}
	cont, err := s.continuum(layers)
	if err != nil {
		return Spectrum{}, fmt.Errorf("template: %w", err)
	}
	return s.assemble(s.Substrate.Name, slices.Concat(per...), cont), nil
}

// Covered predicts the spectrum of the substrate under a film of compound m of
// the given mass depth, g/cm², and the part of the lines that the film itself
// emits. Depth 0 gives the bare coated substrate.
func Covered(m xray.Material, depth float64, s Setup) (whole, film Spectrum, err error) {
	s, err = s.check()
	if err != nil {
		return whole, film, err
	}
	if depth < 0 || math.IsNaN(depth) {
		return whole, film, fmt.Errorf("template: a film of %g g/cm²; 0 or more is accepted", depth)
	}
	m.MassDepth = depth
	layers := slices.Concat(s.above(), []xray.Material{m}, s.below())
	per, err := matrix.Layered(layers, s.Substrate, s.Geometry, matrix.Options{})
	if err != nil {
		return whole, film, fmt.Errorf("template: %w", err)
	}
	cont, err := s.continuum(layers)
	if err != nil {
		return whole, film, fmt.Errorf("template: %w", err)
	}
	whole = s.assemble(m.Name+" on "+s.Substrate.Name, slices.Concat(per...), cont)
	own := s
	own.PileUp = 0
	film = own.assemble(m.Name, per[len(s.above())], make([]float64, s.Channels))
	return whole, film, nil
}

// thinDepth is the mass depth that stands for "thin", g/cm²: 5 nm of a compound
// of density 4.
const thinDepth = 2e-6

// Particle predicts the spectrum of a thin particle of compound m: its lines
// and its own continuum, without the substrate. Counts are per electron that
// meets a mass depth of 1 µg/cm² of the compound.
//
// The continuum of a thin target follows from that of the thick one by
// differentiation with respect to the beam energy: n(E) = K·Z/E·S(E0)·ρt
// with S the mass stopping power and K = matrix.Kramers.
func Particle(m xray.Material, s Setup) (Spectrum, error) {
	s, err := s.check()
	if err != nil {
		return Spectrum{}, err
	}
	m.MassDepth = thinDepth
	layers := slices.Concat(s.above(), []xray.Material{m}, s.below())
	per, err := matrix.Layered(layers, s.Substrate, s.Geometry, matrix.Options{})
	if err != nil {
		return Spectrum{}, fmt.Errorf("template: %w", err)
	}
	em := slices.Clone(per[len(s.above())])
	for i := range em {
		em[i].PhotonsPerElectron *= 1e-6 / thinDepth
	}
	if len(em) == 0 {
		return Spectrum{}, fmt.Errorf("template: the beam of %g keV excites no line of %s", s.Geometry.BeamEnergy.KeV(), m.Name)
	}
	cont := make([]float64, s.Channels)
	scale := matrix.Kramers * m.MeanZ() * xray.StoppingPower(m, s.Geometry.BeamEnergy) * 1e-6
	csc := s.Geometry.Cosecant()
	for i, e := range s.energies() {
		if e > 50 && e < s.Geometry.BeamEnergy {
			cont[i] = scale / float64(e)
			for _, c := range s.above() {
				cont[i] *= math.Exp(-float64(c.Attenuation(e)) * c.MassDepth * csc)
			}
		}
	}
	s.PileUp = 0
	return s.assemble(m.Name, em, cont), nil
}
