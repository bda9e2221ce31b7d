package template

import (
	"context"
	"fmt"
	"slices"

	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
)

// View is one specimen under one beam, for Specimen. The zero value is the coated
// substrate under a point beam.
type View struct {
	// Films lie on the substrate, from the top, below particle and coating over it; a
	// coating under the particles lies below the films.
	Films    []xray.Material // with thicknesses
	Particle *transport.Particle
	Beam     transport.Beam
	Azimuth  xray.Angle // of the detector, as of transport.Config; with a tilt or beside a particle
}

// Seen is what Specimen predicts, counts per electron and 4π.
type Seen struct {
	Whole Spectrum
	Own   Spectrum // lines that the particle itself sends; empty without one
	// Err is the standard error, from the number of trajectories, of the counts of
	// each family of Whole, relative to them.
	Err map[string]float64
	// Peaks are the photons by family.
	Peaks []transport.Intensity
}

// Specimen predicts one specimen by transport. s.Geometry.Tilt tilts it. Of opt it uses
// Trajectories, Elastic, Seed, Workers and Progress. For its accuracy see Spheres.
func Specimen(ctx context.Context, s Setup, v View, opt SphereOptions) (*Seen, error) {
	s, err := s.check()
	if err != nil {
		return nil, err
	}
	c, err := s.config(opt)
	if err != nil {
		return nil, err
	}
	c.Azimuth, c.Layers, c.Particle, c.Beam = v.Azimuth, v.Films, v.Particle, v.Beam
	if s.Coating != nil && s.Order != Over && len(v.Films) > 0 {
		c.Layers = append(slices.Clone(v.Films), *s.Coating)
		c.Coating, c.Order = nil, transport.NoOrder
		if s.Order == Both {
			c.Coating, c.Order = s.Coating, transport.Over
		}
	}
	ms := append(s.materials(), v.Films...)
	if v.Particle != nil {
		ms = append(ms, v.Particle.Material)
	}
	c.Continuum = transport.ContinuumEnergies(ms, lowestContinuum, s.Geometry.BeamEnergy, continuumNodes)
	r, err := transport.Run(ctx, c)
	if err != nil {
		return nil, fmt.Errorf("template: %w", err)
	}
	out := &Seen{Whole: s.spectrum(s.Substrate.Name, r.Intensities, r.Continuum, 1, emitted), Err: map[string]float64{}, Peaks: r.Intensities}
	if v.Particle != nil {
		out.Own = s.spectrum(v.Particle.Material.Name, r.Intensities, nil, 1, fromParticle)
	}
	for _, i := range r.Intensities {
		if i.Emitted > 0 {
			out.Err[familyName(i.Peak)] = i.EmittedErr / i.Emitted
		}
	}
	return out, nil
}

func (s Setup) materials() []xray.Material {
	ms := []xray.Material{s.Substrate}
	if s.Coating != nil {
		ms = append(ms, *s.Coating)
	}
	return ms
}

// config returns a simulation of the coated substrate without continuum.
func (s Setup) config(opt SphereOptions) (transport.Config, error) {
	c := transport.Config{
		Geometry: s.Geometry, Substrate: s.Substrate, Coating: s.Coating, Order: s.transportOrder(),
		Trajectories: opt.Trajectories, Elastic: opt.Elastic, Seed: opt.Seed, Workers: opt.Workers, Progress: opt.Progress,
	}
	if c.Trajectories == 0 {
		c.Trajectories = defaultSphereTrajectories
	}
	if c.Trajectories < 2 {
		return c, fmt.Errorf("template: %d trajectories; at least 2 are accepted, 0 for %d", c.Trajectories, defaultSphereTrajectories)
	}
	return c, nil
}
