package transport

import (
	"math"

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
	Continuum    []Glow      // in the order of Config.Continuum

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

// result turns sums into means and standard errors.
func (s *simulation) result(t *tally) *Result {
	n := float64(t.trajectories)
	standardError := func(sum, sum2 float64) float64 {
		if n < 2 {
			return math.NaN()
		}
		return math.Sqrt(math.Max(0, sum2/n-sum/n*sum/n) / (n - 1))
	}
	r := &Result{
		Config: s.Config, Trajectories: t.trajectories,
		Backscattered: t.back[0] / n, BackscatteredErr: standardError(t.back[0], t.back[1]),
		Transmitted: t.through[0] / n, TransmittedErr: standardError(t.through[0], t.through[1]),
	}
	r.Config.Progress = nil
	under := vacuum
	if s.Coating != nil && s.Order != Over {
		under = 0
	}
	for k, p := range s.Peaks {
		x := Intensity{Peak: p, Overvoltage: overvoltage(p, s.Geometry.BeamEnergy)}
		var made, sent, own float64
		sentOf := make([]float64, len(s.groups[k]))
		ownOf := make([]float64, len(s.groups[k]))
		for i, b := range s.specimen.bodies {
			j := 0 // groups of a peak stand in their order
			for g := range b.groups {
				if b.groups[g].peak != k {
					continue
				}
				v := t.sent[b.first+g]
				made += t.made[b.first+g]
				sent += v
				sentOf[j] += v
				if i == s.specimen.particle {
					own += v
					ownOf[j] += v
				}
				if i == s.specimen.coat || i == under {
					x.FromCoating += v / n
				}
				j++
			}
		}
		x.Generated, x.GeneratedErr = made/n, standardError(made, t.peaks[k].made2)
		x.Emitted, x.EmittedErr = sent/n, standardError(sent, t.peaks[k].sent2)
		x.FromParticle, x.FromParticleErr = own/n, standardError(own, t.peaks[k].own2)
		for j, g := range s.groups[k] {
			for _, l := range g.lines {
				f := l.Weight / g.weight / n
				x.Lines = append(x.Lines, LineIntensity{l.Line, f * sentOf[j], f * ownOf[j]})
			}
		}
		r.Intensities = append(r.Intensities, x)
	}
	for i, g := range t.continuum {
		r.Continuum = append(r.Continuum, Glow{
			Energy: s.Continuum[i], Emitted: g.sent / n, EmittedErr: standardError(g.sent, g.sent2),
			FromParticle: g.own / n, FromParticleErr: standardError(g.own, g.own2),
		})
	}
	if s.profiles {
		s.addProfiles(r, t)
	}
	return r
}

// overvoltage returns the beam energy over the lowest edge behind a peak.
func overvoltage(p quant.Peak, beam xray.Energy) float64 {
	if p.Single() {
		if e, ok := p.Element.Edge(p.Initial); ok {
			return float64(beam / e)
		}
	}
	return float64(beam / lowestEdge(p))
}

func (s *simulation) addProfiles(r *Result, t *tally) {
	n := float64(t.trajectories)
	r.DepthStep = s.DepthMax / float64(s.bins)
	r.RadiusStepM = s.RadiusMaxM / float64(s.bins)
	scaled := func(v []float64, k int, f float64) []float64 {
		out := make([]float64, s.bins)
		for i := range out {
			out[i] = v[k*s.bins+i] * f
		}
		return out
	}
	for k, p := range s.Peaks {
		f := 1 / (n * r.DepthStep)
		r.Depth = append(r.Depth, Profile{Peak: p, Values: scaled(t.depth, k, f), Sent: scaled(t.sentDepth, k, f)})
		r.Radial = append(r.Radial, Profile{Peak: p, Values: scaled(t.radial, k, 1/n)})
	}
}
