package plan

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
)

// model is part of the cache keys; count it up when the numbers change.
const model = 2

// setting is one specimen and beam.
type setting struct {
	substrate xray.Material
	coating   Coating
	beam      xray.Energy
}

// yields is what a simulation says of one specimen, photons per electron into 4π.
type yields struct {
	Lines  []yield
	Method string
}

type yield struct {
	Element        xray.Element
	Initial, Final xray.Shell
	// Particle, Coating and the rest, which the substrate emits.
	Particle, Coating, Substrate float64
}

func (y yield) line() (xray.Line, bool) { return y.Element.LineOf(y.Initial, y.Final) }

// Methods of a prediction.
const (
	MethodLaw       = "law of thin particles"
	MethodTransport = "simulation of electrons"
)

// Range in which the law of thin particles agrees with the simulation within 3 %
// for K lines above 1 keV: diameter over the range of Kanaya & Okayama, and pixel
// over diameter (TestThinLaw and TestStudyThinLaw of package transport). A beam that
// stands on the middle is within 6 %. Above LawSubstrate in mean atomic number
// electrons return from the substrate close to where they entered, and a coating
// changes both ways: the law is not used there.
const (
	LawDiameter  = 0.2
	LawPixel     = 1.1
	LawSubstrate = 15
)

// config returns the simulation of a setting.
func (r *Request) config(s setting) transport.Config {
	c := transport.Config{
		Geometry: quant.Geometry{BeamEnergy: s.beam, TakeOff: r.TakeOff}, Substrate: s.substrate,
		Trajectories: r.Trajectories, Seed: r.Seed, Workers: r.Workers, Peaks: []quant.Peak{},
	}
	ms := []xray.Material{s.substrate}
	if !s.coating.None() {
		c.Coating, c.Order = &s.coating.Layer, s.coating.Order
		ms = append(ms, s.coating.Layer)
	}
	c.Particle = &transport.Particle{Material: r.Target}
	c.Beam = transport.Beam{ProbeM: r.ProbeM}
	ms = append(ms, r.Target)
	seen := map[family]bool{}
	for _, m := range ms {
		for _, f := range families(m, s.beam) {
			if !seen[f] && len(c.Peaks) < transport.MaxPeaks {
				seen[f] = true
				c.Peaks = append(c.Peaks, quant.Peak{Element: f.element, Family: f.family})
			}
		}
	}
	return c
}

// patches are the particles to simulate in a setting: those for which the law of thin
// particles does not hold.
func (r *Request) patches(s setting) []transport.Patch {
	var out []transport.Patch
	for _, d := range r.Diameters {
		same := slices.ContainsFunc(out, func(q transport.Patch) bool { return q.DiameterM == d })
		if !same && !r.lawful(s, d) {
			out = append(out, transport.Patch{DiameterM: d, SideM: r.PixelM, Centred: r.PixelM == 0})
		}
	}
	return out
}

// simulated holds the yields of the bare specimen and of particles by diameter.
type simulated struct {
	Bare      yields
	Particles map[string]yields // by diameterKey
}

func diameterKey(d float64) string { return fmt.Sprintf("%.6g nm", d*1e9) }

// simulate returns the yields of a setting, from the store where it has them.
func (r *Request) simulate(ctx context.Context, s setting) (simulated, error) {
	c, patches := r.config(s), r.patches(s)
	key := cacheKey(c, patches)
	var y simulated
	if r.Store != nil {
		if b, ok := r.Store.Get(key); ok && json.Unmarshal(b, &y) == nil && len(y.Bare.Lines) > 0 && len(y.Particles) == len(patches) {
			return y, nil
		}
	}
	y = simulated{Particles: map[string]yields{}}
	if len(patches) == 0 {
		c.Particle = nil
		bare, err := transport.Run(ctx, c)
		if err != nil {
			return y, err
		}
		y.Bare = yieldsOf(bare.Intensities, nil, 1)
	} else {
		x, err := transport.Excesses(ctx, c, patches)
		if err != nil {
			return y, err
		}
		y.Bare = yieldsOf(x.Bare.Intensities, nil, 1)
		for _, p := range x.Spheres {
			scale := 1.0
			if p.SideM > 0 {
				scale = 1 / (p.SideM * p.SideM)
			}
			y.Particles[diameterKey(p.DiameterM)] = yieldsOf(x.Bare.Intensities, p.Intensities, scale)
		}
	}
	if r.Store != nil {
		if b, err := json.Marshal(y); err == nil {
			r.Store.Put(key, b)
		}
	}
	return y, nil
}

// yieldsOf adds to the bare specimen what a particle adds, times scale.
func yieldsOf(bare, more []transport.Intensity, scale float64) yields {
	y := yields{Method: MethodTransport}
	for i, x := range bare {
		all, coat := x.Emitted, x.FromCoating
		if more != nil {
			all += more[i].Emitted * scale
			coat += more[i].FromCoating * scale
		}
		if !(all > 0) {
			continue
		}
		share := math.Max(0, coat/all)
		for j, l := range x.Lines {
			total, own := l.Emitted, 0.0
			if more != nil {
				total += more[i].Lines[j].Emitted * scale
				own = more[i].Lines[j].FromParticle * scale
			}
			y.Lines = append(y.Lines, yield{
				Element: l.Line.Element, Initial: l.Line.Initial, Final: l.Line.Final,
				Particle: own, Coating: share * total, Substrate: math.Max(0, total-own-share*total),
			})
		}
	}
	return y
}

// cacheKey names everything that a simulation depends on.
func cacheKey(c transport.Config, patches []transport.Patch) string {
	h := sha256.New()
	fmt.Fprintln(h, model, xray.TableChecksum(), c.Geometry, c.Azimuth, c.Beam, c.Elastic, c.Cutoff, c.Trajectories, c.Seed, c.Peaks, c.Order, patches)
	put := func(m xray.Material) {
		fmt.Fprintln(h, m.Components, m.Density, m.ThicknessM, m.MassDepth)
	}
	put(c.Substrate)
	if c.Coating != nil {
		put(*c.Coating)
	}
	put(c.Particle.Material)
	return fmt.Sprintf("transport-%x", h.Sum(nil)[:16])
}

// lawful reports whether the law of thin particles holds.
func (r *Request) lawful(s setting, diameter float64) bool {
	small := diameter*1e2*r.Target.Density <= LawDiameter*transport.Range(r.Target, s.beam)
	tight := r.PixelM <= LawPixel*diameter && r.ProbeM <= diameter/4
	return small && tight && s.coating.None() && s.substrate.MeanZ() <= LawSubstrate
}

const avogadro = 6.02214076e23 // 1/mol, SI 2019

// law returns the yields of a thin particle: photons per electron n Q ω V/p², or
// n Q ω d for a beam that stands on its middle, absorbed over the mean way out of
// a sphere, 3/8 d; and those of the bare substrate for the rest.
func (r *Request) law(s setting, diameter float64, bare yields) yields {
	y := yields{Lines: append([]yield(nil), bare.Lines...), Method: MethodLaw}
	d := diameter * 1e2
	way := d
	if r.PixelM > 0 {
		p := r.PixelM * 1e2
		way = math.Pi / 6 * d * d * d / (p * p)
	}
	for _, f := range families(r.Target, s.beam) {
		perCm := avogadro * r.Target.Density * r.Target.Fraction(f.element) / f.element.AtomicWeight() * xray.ProductionCrossSection(f.element, f.family, s.beam)
		for _, l := range xray.FamilyWeights(f.element, f.family, s.beam) {
			tau := float64(r.Target.Attenuation(l.Energy)) * r.Target.Density * d * 3 / 8
			y.Lines = append(y.Lines, yield{Element: f.element, Initial: l.Initial, Final: l.Final, Particle: perCm * way * l.Weight * math.Exp(-tau)})
		}
	}
	return y
}

// continuum returns the photons of the continuum per electron into 4π that the
// detector counts between two energies in eV.
func (r *Request) continuum(s setting, m xray.Material, low, high float64) (float64, error) {
	var layers []xray.Material
	if !s.coating.None() {
		layers = append(layers, s.coating.Layer)
		if s.coating.Order == transport.Both {
			layers = append(layers, s.coating.Layer)
		}
	}
	const steps = 8
	var at []xray.Energy
	h := (high - low) / steps
	for i := range steps {
		at = append(at, xray.Energy(low+(float64(i)+0.5)*h))
	}
	n, err := matrix.Continuum(layers, m, quant.Geometry{BeamEnergy: s.beam, TakeOff: r.TakeOff}, at)
	if err != nil {
		return 0, err
	}
	sum := 0.0
	for i, v := range n {
		sum += v * h * r.Detector.Efficiency(at[i])
	}
	return sum, nil
}
