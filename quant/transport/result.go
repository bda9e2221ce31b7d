package transport

import (
	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// Intensity is one peak. Photons are per electron and scaled to 4π: multiply by
// Ω/4π and the detector's efficiency for counts. Sigmas are standard errors of
// the simulation; they do not hold the uncertainty of cross sections.
type Intensity struct {
	Peak                    quant.Peak
	Generated, GeneratedErr float64 // anywhere in the specimen
	Emitted, EmittedErr     float64 // leaves towards the detector
	FromParticle            float64 // part of Emitted that the particle itself sends
	FromParticleErr         float64
	FromCoating             float64 // part of Emitted from the coating, under and over
	Lines                   []LineIntensity
	Overvoltage             float64 // beam energy over the lowest edge of the peak
}

// LineIntensity is one line of a peak. Lines that the specimen absorbs alike are
// simulated together and divided by their weights at the beam energy.
type LineIntensity struct {
	Line         xray.Line
	Emitted      float64
	FromParticle float64
}

// Profile is a distribution of the photons of one peak over depth or radius.
type Profile struct {
	Peak   quant.Peak
	Values []float64
	// Sent holds for a depth profile the part that leaves towards the detector.
	Sent []float64
}

// Result is the outcome of a simulation.
type Result struct {
	Config       Config // as resolved
	Trajectories int
	Intensities  []Intensity // in the order of Config.Peaks

	// Shares of the electrons; electrons that miss a free-standing specimen count
	// as backscattered. The rest stops in the specimen.
	Backscattered, BackscatteredErr float64
	Transmitted, TransmittedErr     float64

	// Depth holds φ(ρz) of the planar bodies: photons generated per mass depth
	// relative to a thin isolated layer of the same material; bin i covers i to
	// i+1 times DepthStep, g/cm². Particle and coating over it are left out.
	Depth     []Profile
	DepthStep float64
	// Radial holds photons generated per electron between i and i+1 times
	// RadiusStepM from the axis of the beam.
	Radial      []Profile
	RadiusStepM float64
}

// Of returns the intensity of a peak, false if it was not counted.
func (r *Result) Of(p quant.Peak) (Intensity, bool) {
	for _, x := range r.Intensities {
		if x.Peak == p {
			return x, true
		}
	}
	return Intensity{}, false
}

// MeanDepth returns the mean mass depth of the photons generated, in g/cm², NaN
// for a profile without any. The last bin must lie below all of them.
func (r *Result) MeanDepth(peak int) float64 {
	var sum, moment float64
	for i, v := range r.Depth[peak].Values {
		sum += v
		moment += v * (float64(i) + 0.5) * r.DepthStep
	}
	return moment / sum
}

// RadiusHolding returns the radius in metres that holds the share of the photons
// generated within the radial profile.
func (r *Result) RadiusHolding(peak int, share float64) float64 {
	sum := 0.0
	for _, v := range r.Radial[peak].Values {
		sum += v
	}
	part := 0.0
	for i, v := range r.Radial[peak].Values {
		if v > 0 && part+v >= share*sum {
			return (float64(i) + (share*sum-part)/v) * r.RadiusStepM
		}
		part += v
	}
	return float64(len(r.Radial[peak].Values)) * r.RadiusStepM
}
