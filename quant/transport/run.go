package transport

import (
	"context"
	"math"
	"runtime"
	"sync"

	"example.org/fleck/quant"
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

	profiles            bool
	bins                int
	massTops            []float64 // mass depth of the top of each planar body, g/cm²
	perDepth, perRadius float64   // bins per g/cm² and per nm
}

// tally is what one block of trajectories gives.
type tally struct {
	made, sent       []float64 // per group of every body
	peaks            []moments
	back, through    [2]float64 // sum and sum of squares of weights
	depth, sentDepth []float64
	radial           []float64
	trajectories     int
}

// moments are sums over trajectories of one peak and of their squares.
type moments struct {
	made2, sent2, own2 float64
}

// Run simulates the configuration. It stops early with the error of ctx.
func Run(ctx context.Context, cfg Config) (*Result, error) {
	c, err := cfg.withDefaults()
	if err != nil {
		return nil, err
	}
	s := prepare(c)
	blocks := (c.Trajectories + BlockSize - 1) / BlockSize
	workers := c.Workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, blocks)

	// Blocks go out in their order and come back in any; sums are taken in
	// order, so that the bits do not depend on the workers. Blocks cost about the
	// same, so that few wait for an earlier one.
	var mu sync.Mutex
	var wg sync.WaitGroup
	next, added, done := 0, 0, 0
	waiting := map[int]*tally{}
	sum := s.newTally()
	for range workers {
		wg.Go(func() {
			t := s.newTracker()
			for {
				mu.Lock()
				i := next
				next++
				mu.Unlock()
				if i >= blocks || ctx.Err() != nil {
					return
				}
				got := t.block(i, min(BlockSize, c.Trajectories-i*BlockSize))
				mu.Lock()
				waiting[i] = got
				done += got.trajectories
				for waiting[added] != nil {
					sum.add(waiting[added])
					delete(waiting, added)
					added++
				}
				if c.Progress != nil {
					c.Progress(done, c.Trajectories)
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return s.result(sum), nil
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
	s.profiles = c.DepthBins > 0
	if !s.profiles {
		return s
	}
	s.bins = c.DepthBins
	main := s.specimen.bodies[s.specimen.planar-1].material
	if len(c.Substrate.Components) == 0 {
		main = s.specimen.bodies[0].material
	}
	ko := kanayaOkayama(main, c.Geometry.BeamEnergy)
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
		add(c.Substrate)
		g.tops = append(g.tops, math.Inf(1))
	}
	g.planar = len(g.bodies)
	g.coat, g.particle = vacuum-2, vacuum-2 // equal to no place
	if c.Coating != nil && c.Order != Under {
		g.coat = add(*c.Coating)
		g.coatNM = thicknessNM(*c.Coating)
	}
	if p := c.Particle; p != nil {
		g.particle = add(p.Material)
		r := p.DiameterM * 1e9 / 2
		g.r2 = r * r
		g.rr2 = (r + g.coatNM) * (r + g.coatNM)
		g.cz = -r + 2*r*p.Sunk
		g.truncated = p.Truncated
		g.sunken = p.Sunk > 0 && !p.Truncated
	}
	tilt, takeOff, azimuth := c.Geometry.Tilt.Radians(), c.Geometry.TakeOff.Radians(), c.Azimuth.Radians()
	g.beam = vector{math.Sin(tilt), 0, math.Cos(tilt)}
	g.detector = vector{math.Cos(takeOff) * math.Cos(azimuth), math.Cos(takeOff) * math.Sin(azimuth), -math.Sin(takeOff)}
	g.csc = c.Geometry.Cosecant()
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
				for above := range min(i, g.planar) {
					e.group.above += e.group.mu[above] * (g.tops[above+1] - g.tops[above]) * g.csc
				}
				if g.coat >= 0 {
					e.group.above += e.group.mu[g.coat] * g.coatNM * g.csc
				}
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
		b.setReach(s.grid)
	}
}

func (s *simulation) newTally() *tally {
	return &tally{
		made: make([]float64, s.nTallies), sent: make([]float64, s.nTallies), peaks: make([]moments, len(s.Peaks)),
		depth: make([]float64, s.bins*len(s.Peaks)), sentDepth: make([]float64, s.bins*len(s.Peaks)), radial: make([]float64, s.bins*len(s.Peaks)),
	}
}

func (a *tally) add(b *tally) {
	for _, x := range []struct{ to, from []float64 }{{a.made, b.made}, {a.sent, b.sent}, {a.depth, b.depth}, {a.sentDepth, b.sentDepth}, {a.radial, b.radial}, {a.back[:], b.back[:]}, {a.through[:], b.through[:]}} {
		for i, v := range x.from {
			x.to[i] += v
		}
	}
	for i, m := range b.peaks {
		a.peaks[i].made2 += m.made2
		a.peaks[i].sent2 += m.sent2
		a.peaks[i].own2 += m.own2
	}
	a.trajectories += b.trajectories
}

func (s *simulation) newTracker() *tracker {
	return &tracker{simulation: s, made: make([]float64, s.nTallies), sent: make([]float64, s.nTallies), ways: make([]float64, len(s.specimen.bodies))}
}

// block runs the trajectories of one block.
func (t *tracker) block(index, n int) *tally {
	t.rng = newStream(t.Seed, uint64(index))
	t.tally = t.newTally()
	per := make([][3]float64, len(t.Peaks))
	for range n {
		clear(t.made)
		clear(t.sent)
		switch t.follow(t.start()) {
		case backscattered:
			t.tally.back[0] += t.weight
			t.tally.back[1] += t.weight * t.weight
		case transmitted:
			t.tally.through[0] += t.weight
			t.tally.through[1] += t.weight * t.weight
		}
		clear(per)
		for i, b := range t.specimen.bodies {
			for j, g := range b.groups {
				made, sent := t.made[b.first+j], t.sent[b.first+j]
				t.tally.made[b.first+j] += made
				t.tally.sent[b.first+j] += sent
				per[g.peak][0] += made
				per[g.peak][1] += sent
				if i == t.specimen.particle {
					per[g.peak][2] += sent
				}
			}
		}
		for i, v := range per {
			m := &t.tally.peaks[i]
			m.made2 += v[0] * v[0]
			m.sent2 += v[1] * v[1]
			m.own2 += v[2] * v[2]
		}
	}
	t.tally.trajectories = n
	return t.tally
}

// Share of the electrons of a rastered beam that are sent to the surroundings
// of a small particle, where they count less each, and the side of these
// surroundings in diameters. Chosen for small errors; any values give the same
// expectation.
const (
	aimed      = 0.6
	aimedWidth = 1.3
)

// start returns the point in vacuum from which an electron flies, and sets its
// weight and the axis of the beam.
func (t *tracker) start() vector {
	c := &t.Config
	s := &t.specimen
	t.weight = 1
	x, y := c.Beam.XM*1e9, c.Beam.YM*1e9
	height := 0.0
	if c.Particle != nil {
		height = s.cz
	}
	cx, cy := x, y
	if side := c.Beam.PixelM * 1e9; side > 0 {
		x, y = t.raster(x, y, side)
	}
	if c.Beam.ProbeM > 0 {
		// Box & Muller 1958; FWHM = 2 √(2 ln 2) σ.
		sigma := c.Beam.ProbeM * 1e9 / (2 * math.Sqrt(2*math.Ln2))
		r := sigma * math.Sqrt(-2*math.Log(uniform(t.rng.Uint64())))
		sin, cos := math.Sincos(2 * math.Pi * uniform(t.rng.Uint64()))
		x += r * cos
		y += r * sin
	}
	u := s.beam
	slope := u.x / u.z
	t.axis = vector{cx - height*slope, cy, 0}
	// Above everything.
	top := -s.coatNM - 1
	if c.Particle != nil {
		top = math.Min(top, s.cz-math.Sqrt(s.rr2)-1)
	}
	return vector{x + (top-height)*slope, y, top}
}

// raster returns a place within the pixel and sets the weight. A particle much
// smaller than the pixel gets more than its share of the electrons.
func (t *tracker) raster(x, y, side float64) (float64, float64) {
	c := &t.Config
	px := x + (uniform(t.rng.Uint64())-0.5)*side
	py := y + (uniform(t.rng.Uint64())-0.5)*side
	if c.Particle == nil {
		return px, py
	}
	near := math.Sqrt(t.specimen.rr2) * aimedWidth
	// The surroundings must lie within the pixel and be much smaller.
	if near*4 > side || math.Abs(x)+near > side/2 || math.Abs(y)+near > side/2 {
		return px, py
	}
	if uniform(t.rng.Uint64()) < aimed {
		px = (2*uniform(t.rng.Uint64()) - 1) * near
		py = (2*uniform(t.rng.Uint64()) - 1) * near
	}
	density := 1 - aimed
	if math.Abs(px) <= near && math.Abs(py) <= near {
		density += aimed * side * side / (4 * near * near)
	}
	t.weight = 1 / density
	return px, py
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
