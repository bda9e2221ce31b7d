package template

import (
	"context"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
)

// SphereOptions are the settings of Spheres; the zero value works.
type SphereOptions struct {
	// SideNM is the side of the square around the particle over which counts are
	// added up, in nm: the size of the region that a spot's counts come from. It is
	// never less than three diameters, which is what 0 means. Electrons that come
	// back from the substrate raise more in the particle the wider the square.
	SideNM float64
	// RingsNM, if not nil, returns the rising outer radii of rings around the middle of
	// a particle of that diameter, for which the excess is wanted apart as well.
	RingsNM func(diameterNM float64) []float64
	// Sunk and Truncated are those of transport.Particle.
	Sunk      float64
	Truncated bool
	// Trajectories per diameter, 0 = 2000: about 3 % of the signal of the particle.
	Trajectories int
	Elastic      transport.Elastic
	Seed         uint64
	Workers      int   // 0 = all cores; the result does not depend on it
	Store        Store // nil = none
	Progress     func(done, total int)
}

const defaultSphereTrajectories = 2000

// Sphere is a compact particle of one compound on the coated substrate, seen by
// a beam that covers the square around it evenly.
//
// All counts are per electron and µm² of the square, with the detector filling 4π:
// multiply by the electrons per µm² and by Ω/4π. An area in µm² thus stands for
// "as many counts as those electrons raise which fall on this area, if each of them
// raised one".
type Sphere struct {
	DiameterNM float64
	SideNM     float64 // of the square
	// Excess is what the particle adds to the bare coated substrate: its own lines
	// and continuum, less what it takes from those of the substrate, where it may
	// be below zero. Its Families are the excess of each family, of substrate and
	// coating as well.
	Excess Spectrum
	// Own is the part of the lines that the particle itself sends; its Families are
	// those of the compound, escape included, and Strongest is the compound's own.
	Own Spectrum
	// OwnErr is the standard error, from the number of trajectories, of the counts
	// of each family of Own, relative to them. The families share most of it, and
	// so do the diameters.
	OwnErr map[string]float64
	// ExcessErr is the standard error of the counts of each family of Excess, in
	// counts.
	ExcessErr map[string]float64
	Rings     []SphereRing
}

// SphereRing is the part of a sphere's excess for beams between two distances from its
// middle, in the same unit: divided by the area of the ring in µm² it is counts per
// electron.
type SphereRing struct {
	InnerNM, OuterNM float64
	Excess, Own      Spectrum
}

// Particles are the spheres of one compound.
type Particles struct {
	Compound string
	DensityG float64 // g/cm³, assumed for diameters and masses; no pores
	// Bare is the coated substrate by the same simulation, counts per electron as
	// those of Substrate.
	Bare    Spectrum
	Spheres []Sphere // of rising diameter
	// Sizes holds the counts of the particles' own families by diameter, for counts
	// to be turned into a diameter. Its areas are counts per electron and m², the
	// detector's efficiency in them, so that transport.Spot.PerArea is the electrons
	// per m² times Ω/4π.
	Sizes *transport.SizeTable

	material xray.Material
}

// Spheres predicts spheres of compound m, which needs a density, of the diameters in
// nm, by transport (transport.Excesses). The same seed gives the same bits for any
// number of workers.
//
// K lines are good to about 10 %, L and M lines to 20–40 % in absolute size (cross
// sections and yields); ratios to the bare substrate's lines are better. The
// continuum is that of Kramers and isotropic; for a bulk of medium atomic number it
// comes out some 10 to 25 % below that of Substrate, whose constant
// leaves backscattering out of account. Secondary fluorescence is left out.
func Spheres(ctx context.Context, m xray.Material, diametersNM []float64, s Setup, opt SphereOptions) (*Particles, error) {
	s, err := s.check()
	if err != nil {
		return nil, err
	}
	c, patches, err := sphereConfig(m, diametersNM, s, opt)
	if err != nil {
		return nil, err
	}
	x, err := excesses(ctx, c, patches, opt.Store)
	if err != nil {
		return nil, fmt.Errorf("template: %w", err)
	}
	p := s.particles(m, x)
	if len(p.Sizes.Peaks) == 0 {
		return nil, fmt.Errorf("template: the beam of %g keV excites no line of %s", s.Geometry.BeamEnergy.KeV(), m.Name)
	}
	return p, nil
}

// sphereConfig returns the simulation that Spheres asks for.
func sphereConfig(m xray.Material, diametersNM []float64, s Setup, opt SphereOptions) (transport.Config, []transport.Patch, error) {
	c, err := s.config(opt)
	if err != nil {
		return c, nil, err
	}
	c.Particle = &transport.Particle{Material: m, Sunk: opt.Sunk, Truncated: opt.Truncated}
	if err := m.RequireDensity(); err != nil {
		return c, nil, fmt.Errorf("template: a sphere: %w", err)
	}
	if !(opt.SideNM >= 0) || math.IsInf(opt.SideNM, 0) {
		return c, nil, fmt.Errorf("template: side %g nm; a finite number not below 0 is accepted", opt.SideNM)
	}
	var patches []transport.Patch
	for _, d := range diametersNM {
		if !(d > 0) || math.IsInf(d, 0) {
			return c, nil, fmt.Errorf("template: diameter %g nm; a number above 0 is accepted", d)
		}
		q := transport.Patch{DiameterM: d * 1e-9, SideM: math.Max(opt.SideNM, transport.Margin*d) * 1e-9}
		if opt.RingsNM != nil {
			for _, r := range opt.RingsNM(d) {
				q.RingsM = append(q.RingsM, r*1e-9)
			}
		}
		patches = append(patches, q)
	}
	c.Continuum = transport.ContinuumEnergies(append(s.materials(), m), lowestContinuum, s.Geometry.BeamEnergy, continuumNodes)
	return c, patches, nil
}

// The continuum is simulated at continuumNodes energies in equal ratios from
// lowestContinuum, and beside the edges.
const (
	lowestContinuum = 100 * xray.EV
	continuumNodes  = 32
)

func (s Setup) transportOrder() transport.Order {
	switch {
	case s.Coating == nil:
		return transport.NoOrder
	case s.Order == Under:
		return transport.Under
	case s.Order == Over:
		return transport.Over
	}
	return transport.Both
}

// particles makes spectra of a simulation.
func (s Setup) particles(m xray.Material, x *transport.ExcessTable) *Particles {
	p := &Particles{Compound: m.Name, DensityG: m.Density, material: m}
	p.Bare = s.spectrum(s.Substrate.Name, x.Bare.Intensities, x.Bare.Continuum, 1, emitted)
	const um2 = 1e12 // µm² per m²
	for _, e := range x.Spheres {
		o := Sphere{DiameterNM: nanometres(e.DiameterM), SideNM: nanometres(e.SideM), OwnErr: map[string]float64{}, ExcessErr: map[string]float64{}}
		o.Excess = s.spectrum(m.Name+" on "+s.Substrate.Name, e.Intensities, e.Continuum, um2, emitted)
		o.Own = s.spectrum(m.Name, e.Intensities, nil, um2, fromParticle)
		for _, i := range e.Intensities {
			key := familyName(i.Peak)
			if i.FromParticle > 0 {
				o.OwnErr[key] = i.FromParticleErr / i.FromParticle
			}
			if i.Emitted != 0 {
				o.ExcessErr[key] = math.Abs(i.EmittedErr / i.Emitted * sum(o.Excess.Families[key]))
			}
		}
		for _, r := range e.Rings {
			o.Rings = append(o.Rings, SphereRing{
				InnerNM: nanometres(r.InnerM), OuterNM: nanometres(r.OuterM),
				Excess: s.spectrum(o.Excess.Name, r.Intensities, r.Continuum, um2, emitted),
				Own:    s.spectrum(o.Own.Name, r.Intensities, nil, um2, fromParticle),
			})
		}
		p.Spheres = append(p.Spheres, o)
	}
	p.Sizes = p.sizeTable(x, um2)
	return p
}

// sizeTable returns the table of the compound's own families.
func (p *Particles) sizeTable(x *transport.ExcessTable, um2 float64) *transport.SizeTable {
	t := &transport.SizeTable{DensityG: p.DensityG}
	for _, i := range x.Spheres[0].Intensities {
		if i.FromParticle > 0 {
			t.Peaks = append(t.Peaks, i.Peak)
		}
	}
	for _, s := range p.Spheres {
		t.DiameterM = append(t.DiameterM, s.DiameterNM*1e-9)
		var area, sigma []float64
		for _, k := range t.Peaks {
			a := sum(s.Own.Families[familyName(k)]) / um2
			area = append(area, a)
			sigma = append(sigma, a*s.OwnErr[familyName(k)])
		}
		t.Area = append(t.Area, area)
		t.AreaErr = append(t.AreaErr, sigma)
	}
	return t
}

// nanometres converts metres without the last digits of rounding.
func nanometres(m float64) float64 { return math.Round(m*1e15) / 1e6 }

func familyName(p quant.Peak) string { return p.Element.Symbol() + " " + p.Family.String() }

func emitted(l transport.LineIntensity) float64      { return l.Emitted }
func fromParticle(l transport.LineIntensity) float64 { return l.FromParticle }

// spectrum makes channels of simulated intensities and continuum, times scale.
// Both may be below zero.
func (s Setup) spectrum(name string, peaks []transport.Intensity, glow []transport.Glow, scale float64, of func(transport.LineIntensity) float64) Spectrum {
	var plus, minus []matrix.Emission
	for _, p := range peaks {
		for _, l := range p.Lines {
			switch v := of(l) * scale; {
			case v > 0:
				plus = append(plus, matrix.Emission{Line: l.Line, PhotonsPerElectron: v})
			case v < 0:
				minus = append(minus, matrix.Emission{Line: l.Line, PhotonsPerElectron: -v})
			}
		}
	}
	up, down := make([]float64, s.Channels), make([]float64, s.Channels)
	for i, v := range s.between(glow) {
		up[i], down[i] = math.Max(0, v*scale), math.Max(0, -v*scale)
	}
	s.PileUp = 0
	out := s.assemble(name, plus, up)
	less := s.assemble(name, minus, down)
	for i, v := range less.Counts {
		out.Counts[i] -= v
	}
	for key, part := range less.Families {
		if out.Families[key] == nil {
			out.Families[key] = make([]float64, s.Channels)
		}
		for i, v := range part {
			out.Families[key][i] -= v
		}
	}
	return out
}

// between returns a simulated continuum at the channels' centres: its product with the
// energy on straight lines between the nodes, zero outside of them and above
// the beam energy.
func (s Setup) between(nodes []transport.Glow) []float64 {
	out := make([]float64, s.Channels)
	if len(nodes) == 0 {
		return out
	}
	// The continuum ends at the beam energy.
	nodes = append(slices.Clone(nodes), transport.Glow{Energy: s.Geometry.BeamEnergy})
	k := 0
	for i, e := range s.energies() {
		for k+1 < len(nodes) && nodes[k+1].Energy < e {
			k++
		}
		if e < nodes[0].Energy || k+1 >= len(nodes) {
			continue
		}
		a, b := nodes[k], nodes[k+1]
		f := float64((e - a.Energy) / (b.Energy - a.Energy))
		out[i] = ((1-f)*float64(a.Energy)*a.Emitted + f*float64(b.Energy)*b.Emitted) / float64(e)
	}
	return out
}

func sum(v []float64) float64 {
	t := 0.0
	for _, x := range v {
		t += x
	}
	return t
}
