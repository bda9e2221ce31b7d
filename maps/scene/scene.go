// Package scene simulates mapped fields with known truth: particles, inclusions,
// grit, films and scratches on a coated substrate, as a count cube with Poisson
// noise.
//
// Spectra come from electron transport (template.Spheres, template.Bare): the
// substrate's own, and for every particle what it adds to it, in rings around its
// middle, each spread over the pixels that the beam covers. So thick particles
// saturate, small ones shine also when the beam stands beside them, and substrate
// lines dim below them. Particles stand apart and each alone; a particle on a film or
// in a scratch adds what it would on the plain substrate. Left out are secondary
// fluorescence and what electrons that leave a pixel raise in another one, but for the
// particles.
//
// Counts are drawn one by one: pile-up adds the energies of two, dead time takes
// away from what the local rate is. A field may be scanned in several frames; current
// and place drift over all of them together, as the beam damages the specimen.
//
// Scenes are described in TOML; Demo is the scene that the program carries. All
// numbers in it are invented.
package scene

import (
	"example.org/fleck/maps"
	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Scene describes a set of fields of one specimen type under one set of
// conditions.
type Scene struct {
	Title     string
	Target    xray.Material
	Substrate xray.Material  // with a density
	Coating   *xray.Material // nil = none
	Order     template.CoatingOrder
	Confusers []xray.Material

	BeamEnergy  xray.Energy
	TakeOff     xray.Angle // 0 = 35°
	Azimuth     xray.Angle // of the detector, from +x to +y; matters on scratches
	Detector    spectra.Detector
	Calibration spectra.Calibration
	Channels    int
	// Elastic is the cross section of the simulation. Templates are made with the
	// default; a scene with the other one keeps generator and template apart.
	Elastic      transport.Elastic
	Trajectories int // per diameter; 0 = 1000

	Width, Height int
	Pixel         maps.Pixel
	ProbeNM       float64 // full width at half maximum of the beam
	// CountsPerPixel is the mean of the bare substrate as recorded, 0 if
	// CurrentNA and DwellS give it.
	CountsPerPixel    float64
	CurrentNA, DwellS float64 // real time per pixel
	// RateCPS is the rate of photons of the bare substrate in the detector, for
	// pile-up; 0 = that of CurrentNA.
	RateCPS float64
	// PulsePairS is the time within which two photons count as one of both
	// energies, DeadTimeS that for which each photon blocks the detector, starting
	// anew with every photon (paralysable).
	PulsePairS, DeadTimeS float64
	// PileUp is the probability that an event of the bare substrate is the sum of
	// two, where PulsePairS does not give it.
	PileUp float64

	Shading float64 // relative fall of the signal across the field
	// Frames is the number of complete scans, one after the other, that the dose is
	// spread over evenly; 0 = 1.
	Frames int
	// CurrentDrift is the relative change of the current from the first row of the
	// first frame to the last row of the last; DriftUM how far the specimen moves
	// meanwhile in x and y.
	CurrentDrift float64
	DriftUM      [2]float64
	// TargetLoss is the share of the signal of the target's particles that the beam has
	// taken away in the end, CarbonGrowth the counts of C K that carbon grown under it
	// then adds, relative to those of the bare substrate; both rise evenly from nothing.
	TargetLoss, CarbonGrowth float64
	Specs                    []FieldSpec
}

// FieldSpec is one field of a scene.
type FieldSpec struct {
	maps.Field
	Populations []Population
	Films       []Film
	Scratches   []Scratch
}

// Population is a set of particles of one compound on a field.
type Population struct {
	Compound xray.Material
	Number   int
	// Diameters are log-uniform between MinNM and MaxNM.
	MinNM, MaxNM float64
	// Region limits the centres to a part of the field, fractions of width and
	// height: x0, y0, x1, y1. Zero = everywhere.
	Region [4]float64
	// Sunk is the part of the diameter below the surface: 1 is an inclusion flush with
	// it. Truncated cuts that part off, as of a droplet.
	Sunk      float64
	Truncated bool
}

// Film covers a part of a field evenly, below the particles.
type Film struct {
	Material xray.Material // with a thickness
	Region   [4]float64    // as of Population
}

// Scratch is a straight groove with two flat sides, which cuts films.
type Scratch struct {
	From, To [2]float64 // ends of its middle, fractions of width and height
	WidthUM  float64
	SlopeDeg float64 // of the sides
}

const (
	defaultTrajectories = 1000
	defaultTakeOff      = 35 * xray.Degree
)

// Setup returns the specimen and instrument of the scene for package template.
func (s *Scene) Setup() template.Setup {
	return template.Setup{Substrate: s.Substrate, Coating: s.Coating, Order: s.Order,
		Geometry: quant.Geometry{BeamEnergy: s.BeamEnergy, TakeOff: s.TakeOff},
		Detector: s.Detector, Calibration: s.Calibration, Channels: s.Channels, PileUp: s.PileUp}
}

// Fields returns names, coupons and roles of the fields in order.
func (s *Scene) Fields() []maps.Field {
	out := make([]maps.Field, len(s.Specs))
	for i, f := range s.Specs {
		out[i] = f.Field
	}
	return out
}

// frames returns the number of frames, 1 or more.
func (s *Scene) frames() int { return max(1, s.Frames) }

// when returns the time at which row y of a frame is scanned, from −0.5 to 0.5.
func (s *Scene) when(y, frame int) float64 {
	return place(frame*s.Height+y, s.frames()*s.Height)
}

// dose returns the electrons on a pixel in a frame relative to the mean.
func (s *Scene) dose(x, y, frame int) float64 {
	return (1 - s.Shading*place(x, s.Width)) * (1 + s.CurrentDrift*s.when(y, frame))
}

// drift returns how far the specimen has moved at row y of a frame from the middle of
// the time, in pixels.
func (s *Scene) drift(y, frame int) (dx, dy float64) {
	f := s.when(y, frame)
	return f * s.DriftUM[0] / s.Pixel.X.Um(), f * s.DriftUM[1] / s.Pixel.Y.Um()
}

// place returns where i of n lies, from −0.5 to 0.5.
func place(i, n int) float64 {
	if n <= 1 {
		return 0
	}
	return float64(i)/float64(n-1) - 0.5
}
