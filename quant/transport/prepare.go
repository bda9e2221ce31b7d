package transport

import (
	"math"

	"example.org/fleck/spectra/xray"
)

// simulation is a prepared Config; it does not change while it runs.
type simulation struct {
	Config
	grid      grid
	chance    *chance
	specimen  specimen
	beamKeV   float64
	cutoffKeV float64
	groups    [][]lineGroup // per peak
	nTallies  int
	squares   []float64 // see raster

	profiles            bool
	bins                int
	massTops            []float64 // mass depth of the top of each planar body, g/cm²
	perDepth, perRadius float64   // bins per g/cm² and per nm
}

// prepare makes geometry and tables of a valid configuration.
func prepare(c Config) *simulation {
	s := &simulation{
		Config:    c,
		chance:    newChance(),
		beamKeV:   c.Geometry.BeamEnergy.KeV(),
		cutoffKeV: c.Cutoff.KeV(),
	}
	s.grid = newGrid(s.cutoffKeV, s.beamKeV)
	s.place()
	s.tabulate()
	s.squares = s.aim()
	s.profiles = c.DepthBins > 0
	if !s.profiles {
		return s
	}
	s.bins = c.DepthBins
	main := s.specimen.bodies[s.specimen.planar-1].material
	if len(c.Substrate.Components) == 0 {
		main = s.specimen.bodies[0].material
	}
	ko := Range(main, c.Geometry.BeamEnergy)
	if c.DepthMax == 0 {
		s.DepthMax = ko
	}
	if c.RadiusMaxM == 0 {
		s.RadiusMaxM = ko / main.Density * 1e-2
	}
	s.perDepth = float64(s.bins) / s.DepthMax
	s.perRadius = float64(s.bins) / (s.RadiusMaxM * 1e9)
	depth := 0.0
	for i := range s.specimen.planar {
		s.massTops = append(s.massTops, depth)
		depth += (s.specimen.tops[i+1] - s.specimen.tops[i]) * s.specimen.bodies[i].density * 1e-7
	}
	return s
}

// place builds the geometry.
func (s *simulation) place() {
	c := &s.Config
	g := &s.specimen
	add := func(m xray.Material) int {
		g.bodies = append(g.bodies, newBody(m, s.grid, c.Elastic))
		return len(g.bodies) - 1
	}
	g.tops = []float64{0}
	layers := c.Layers
	if c.Coating != nil && c.Order != Over {
		layers = append([]xray.Material{*c.Coating}, layers...)
	}
	for _, l := range layers {
		add(l)
		g.tops = append(g.tops, g.tops[len(g.tops)-1]+thicknessNM(l))
	}
	if len(c.Substrate.Components) > 0 {
		g.bodies[add(c.Substrate)].thinning = thinning
		g.tops = append(g.tops, math.Inf(1))
	}
	g.planar = len(g.bodies)
	g.coat, g.particle = nobody, nobody
	if c.Coating != nil && c.Order != Under {
		g.coat = add(*c.Coating)
		g.coatNM = thicknessNM(*c.Coating)
	}
	if c.Particle != nil {
		g.particle = add(c.Particle.Material)
		g.shape(c)
	}
	tilt, takeOff, azimuth := c.Geometry.Tilt.Radians(), c.Geometry.TakeOff.Radians(), c.Azimuth.Radians()
	g.beam = vector{math.Sin(tilt), 0, math.Cos(tilt)}
	g.detector = vector{math.Cos(takeOff) * math.Cos(azimuth), math.Cos(takeOff) * math.Sin(azimuth), -math.Sin(takeOff)}
	g.csc = c.Geometry.Cosecant()
}

// shape sets size and place of the particle.
func (g *specimen) shape(c *Config) {
	p := c.Particle
	r := p.DiameterM * 1e9 / 2
	g.r2 = r * r
	g.rr2 = (r + g.coatNM) * (r + g.coatNM)
	g.cz = -r + 2*r*p.Sunk
	g.truncated = p.Truncated
	g.sunken = p.Sunk > 0 && !p.Truncated
}

// tabulate fills in what concerns photons.
func (s *simulation) tabulate() {
	g := &s.specimen
	ms := make([]xray.Material, len(g.bodies))
	for i, b := range g.bodies {
		ms[i] = b.material
	}
	beam := s.Geometry.BeamEnergy
	type entry struct {
		group group
		prod  []float64
	}
	entries := make([][]entry, len(g.bodies))
	for k, p := range s.Peaks {
		gs := lineGroups(p, beam, ms)
		s.groups = append(s.groups, gs)
		q := sections(p, gs, s.grid)
		for i, b := range g.bodies {
			c := b.material.Fraction(p.Element)
			if c <= 0 || len(gs) == 0 {
				continue
			}
			perCm2 := avogadro * b.density * c / p.Element.AtomicWeight() * 1e-7 // atoms per cm² and nm
			thin := 0.0
			for _, x := range gs {
				thin += x.weight
			}
			thin *= perCm2 * xray.ProductionCrossSection(p.Element, p.Family, beam)
			b.minEdge = math.Min(b.minEdge, lowestEdge(p).KeV())
			for j, x := range gs {
				e := entry{group: group{peak: k, phi: b.density * 1e-7 / thin}, prod: q[j]}
				for _, m := range ms {
					e.group.mu = append(e.group.mu, x.attenuation(m))
				}
				e.group.self = e.group.mu[i]
				e.group.above = s.above(i, e.group.mu)
				scaled := make([]float64, len(e.prod))
				for n, v := range e.prod {
					scaled[n] = v * perCm2
				}
				e.prod = scaled
				entries[i] = append(entries[i], e)
			}
		}
	}
	for i, b := range g.bodies {
		b.first, b.nGroups = s.nTallies, len(entries[i])
		s.nTallies += b.nGroups
		b.prod = make([]float64, 0, b.nGroups*s.grid.size)
		for _, e := range entries[i] {
			b.groups = append(b.groups, e.group)
		}
		for n := range s.grid.size {
			for _, e := range entries[i] {
				b.prod = append(b.prod, e.prod[n])
			}
		}
		s.tabulateContinuum(i, ms)
		b.setReach(s.grid)
	}
}
