package transport

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra/xray"
)

// Excess is what one particle adds to the bare specimen, added up over all places of
// the beam within a square around it. All photons are per electron and m² of the
// surface, scaled to 4π: multiply by the electrons per m² and by Ω/4π for photons.
// Of a centred beam (Patch.Centred) they are per electron.
// FromParticle is what the particle itself sends; the rest of Emitted, often
// negative, is what it takes from or adds to substrate and coating.
type Excess struct {
	DiameterM   float64
	SideM       float64 // of the square, 0 for a centred beam
	Intensities []Intensity
	Continuum   []Glow
	// Rings are the parts of it by the distance of the beam from the middle of the
	// particle, as the patch asks for them. The corners of the square beyond the last
	// ring are in none of them.
	Rings []Ring
}

// Ring is the part of an excess for beams between two distances from the middle of
// the particle, added up over the ring like Excess.
type Ring struct {
	InnerM, OuterM float64
	Intensities    []Intensity
	Continuum      []Glow
}

// ExcessTable holds particles of one compound by diameter, and the bare specimen,
// whose photons are per electron.
type ExcessTable struct {
	Bare    *Result
	Spheres []Excess // of rising diameter
}

// Patch is a particle and the square around it over which its excess is added up.
type Patch struct {
	DiameterM float64
	SideM     float64 // 0 = Margin diameters; not less than one
	// Centred is a beam that stands on the middle of the particle instead of covering
	// a square.
	Centred bool
	// RingsM are the rising outer radii of the rings that are wanted apart.
	RingsM []float64
}

// Margin is the side of the square, in diameters, where none is given: it holds the
// particle and electrons that come back to it from close by.
const Margin = 3

// Excesses simulates particles of several diameters. The particle of cfg is used
// without its diameter; beam position and pixel are set here: the beam covers the
// square of each patch.
//
// Every trajectory runs through the bare specimen and through that with each of the
// particles, with the same random numbers below them. So the error of the difference
// is small also for particles that hardly change the substrate, electrons that come
// back from the substrate can be sent to meet the particle, and the particles
// share their chance errors.
func Excesses(ctx context.Context, cfg Config, patches []Patch) (*ExcessTable, error) {
	if cfg.Particle == nil {
		return nil, fmt.Errorf("transport: no particle to size")
	}
	if len(patches) == 0 {
		return nil, fmt.Errorf("transport: no diameters; at least 1 is needed")
	}
	cfg.DepthBins = 0
	patches = slices.SortedFunc(slices.Values(patches), func(a, b Patch) int { return cmp.Compare(a.DiameterM, b.DiameterM) })
	var sims []*simulation
	for i, q := range patches {
		if i > 0 && q.DiameterM == patches[i-1].DiameterM {
			return nil, fmt.Errorf("transport: the diameter %g m is given twice", q.DiameterM)
		}
		c, err := q.config(cfg)
		if err != nil {
			return nil, err
		}
		if i == 0 {
			sims = append(sims, prepare(c))
			continue
		}
		sims = append(sims, sims[0].resized(c))
	}
	bare := sims[0].bared()
	sums := []*tally{bare.newTally()}
	for _, q := range patches {
		for range len(q.RingsM) + 1 {
			sums = append(sums, bare.newTally())
		}
	}
	c := sims[0].Config
	err := c.blocks(ctx, sums, func() func(first, n int) []*tally {
		base := bare.newTracker()
		var with []*tracker
		for i, s := range sims {
			t := s.newTracker()
			t.rings = patches[i].RingsM
			with = append(with, t)
		}
		return func(first, n int) []*tally { return excessBlock(base, with, first, n) }
	})
	if err != nil {
		return nil, err
	}
	x := &ExcessTable{Bare: bare.result(sums[0])}
	sums = sums[1:]
	for i, s := range sims {
		n := len(patches[i].RingsM) + 1
		x.Spheres = append(x.Spheres, s.excess(patches[i], sums[:n]))
		sums = sums[n:]
	}
	return x, nil
}

// config returns the simulation of a patch.
func (q Patch) config(cfg Config) (Config, error) {
	p := *cfg.Particle
	p.DiameterM = q.DiameterM
	cfg.Particle = &p
	switch {
	case q.Centred && q.SideM != 0:
		return cfg, fmt.Errorf("transport: a square of %g nm for a centred beam, which has none", q.SideM*1e9)
	case !q.Centred && q.SideM == 0:
		q.SideM = Margin * q.DiameterM
	}
	for i, r := range q.RingsM {
		if !(r > 0) || math.IsInf(r, 0) || i > 0 && r <= q.RingsM[i-1] {
			return cfg, fmt.Errorf("transport: rings of radius %g m; rising radii above 0 are accepted", q.RingsM)
		}
	}
	cfg.Beam = Beam{PixelM: q.SideM, ProbeM: cfg.Beam.ProbeM}
	c, err := cfg.withDefaults()
	const rounding = 1e-9 // of nm and µm into m
	if err == nil && !q.Centred && q.SideM*(1+rounding) < q.DiameterM {
		err = fmt.Errorf("transport: the square of %.6g nm does not hold the particle of %.6g nm", q.SideM*1e9, q.DiameterM*1e9)
	}
	return c, err
}

// excessBlock runs n trajectories from the first through the bare specimen and
// through those with particles.
func excessBlock(bare *tracker, with []*tracker, first, n int) []*tally {
	out := []*tally{bare.newTally()}
	bare.tally = out[0]
	for _, t := range with {
		t.tallies = t.tallies[:0]
		for range len(t.rings) + 1 {
			t.tallies = append(t.tallies, bare.newTally())
		}
		out = append(out, t.tallies...)
	}
	for i := range n {
		bare.run(uint64(first + i))
		bare.score()
		for _, t := range with {
			t.bare = bare.exit
			t.tally = t.tallies[0] // takes the fate, which is not asked for
			t.run(uint64(first + i))
			t.subtract(bare)
			ring, _ := slices.BinarySearch(t.rings, t.radius*1e-9)
			t.tally = t.tallies[ring]
			t.score()
		}
	}
	for _, t := range out {
		t.trajectories = n
	}
	return out
}

// subtract takes what the same trajectory gave without the particle.
func (t *tracker) subtract(bare *tracker) {
	for _, x := range []struct{ to, from []float64 }{{t.made, bare.made}, {t.sent, bare.sent}, {t.glow, bare.glow}} {
		for i, v := range x.from {
			x.to[i] -= t.weight * v
		}
	}
}

// resized returns the simulation with the particle and pixel of c, which differs in
// nothing else.
func (s *simulation) resized(c Config) *simulation {
	r := *s
	r.Config = c
	r.specimen.shape(&c)
	r.squares = r.aim()
	return &r
}

// bared returns the simulation without the particle, whose tables stay.
func (s *simulation) bared() *simulation {
	r := *s
	r.Config.Particle = nil
	r.Config.Beam = Beam{}
	r.specimen.particle = nobody
	r.specimen.sunken = false
	r.squares = nil
	return &r
}

// excess turns the sums of the rings of a patch, the last that beyond them, into
// results per electron and m².
func (s *simulation) excess(q Patch, rings []*tally) Excess {
	out := Excess{DiameterM: s.Particle.DiameterM, SideM: s.Beam.PixelM}
	area := out.SideM * out.SideM
	if q.Centred {
		area = 1
	}
	whole := s.newTally()
	whole.trajectories = rings[0].trajectories
	inner := 0.0
	for i, t := range rings {
		n := whole.trajectories
		whole.add(t)
		whole.trajectories = n
		if i < len(q.RingsM) {
			r := Ring{InnerM: inner, OuterM: q.RingsM[i]}
			r.Intensities, r.Continuum = s.result(t).perArea(area)
			out.Rings = append(out.Rings, r)
			inner = r.OuterM
		}
	}
	out.Intensities, out.Continuum = s.result(whole).perArea(area)
	return out
}

// perArea scales a result per electron on the pixel to one per electron and m².
func (r *Result) perArea(area float64) ([]Intensity, []Glow) {
	for i := range r.Intensities {
		x := &r.Intensities[i]
		for _, v := range []*float64{&x.Generated, &x.GeneratedErr, &x.Emitted, &x.EmittedErr, &x.FromParticle, &x.FromParticleErr, &x.FromCoating} {
			*v *= area
		}
		for j := range x.Lines {
			x.Lines[j].Emitted *= area
			x.Lines[j].FromParticle *= area
		}
	}
	for i := range r.Continuum {
		g := &r.Continuum[i]
		for _, v := range []*float64{&g.Emitted, &g.EmittedErr, &g.FromParticle, &g.FromParticleErr} {
			*v *= area
		}
	}
	return r.Intensities, r.Continuum
}

// ContinuumEnergies returns energies at which to count the continuum of materials
// below a beam: a number of them in equal ratios from low, and one on either
// side of every absorption edge between, so that lines through them follow it.
func ContinuumEnergies(ms []xray.Material, low, beam xray.Energy, number int) []xray.Energy {
	var out []xray.Energy
	ratio := math.Pow(float64(beam/low), 1/float64(number))
	for i := range number {
		out = append(out, low*xray.Energy(math.Pow(ratio, float64(i))))
	}
	seen := map[xray.Element]bool{}
	for _, m := range ms {
		for _, k := range m.Components {
			if seen[k.Element] || k.MassFraction < 0.01 {
				continue // a hundredth makes no step that shows
			}
			seen[k.Element] = true
			for _, e := range xray.EdgeSteps(k.Element) {
				if e > low*1.01 && e < beam*0.99 {
					out = append(out, e-0.5, e+0.5)
				}
			}
		}
	}
	slices.Sort(out)
	apart := out[:0]
	for _, e := range out {
		if len(apart) == 0 || e-apart[len(apart)-1] >= 0.5 {
			apart = append(apart, e)
		}
	}
	return apart
}
