package transport

import (
	"fmt"
	"math"

	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// Glow is the continuum at one photon energy, in photons per electronvolt and
// electron, scaled to 4π. An electron that loses dE in matter of mean atomic number Z
// raises K Z dE/E photons per electronvolt at every E below its own energy, with K
// that of matrix.Kramers: the law of Kramers 1923 for thick targets, differentiated
// by the energy of the electron. The emission is taken as isotropic.
type Glow struct {
	Energy                        xray.Energy
	Emitted, EmittedErr           float64
	FromParticle, FromParticleErr float64
}

// glow are sums over trajectories of one energy.
type glow struct{ sent, sent2, own, own2 float64 }

// ray is the way of photons of one energy of the continuum from a body.
type ray struct {
	energy float64   // keV
	scale  float64   // photons per eV and keV lost
	mu     []float64 // attenuation per nm in each body
	above  float64   // as in group
}

// rayStride is how many segments share the energies of the continuum: each counts
// every rayStride-th, with that weight, in turn, from a random start. There
// are many more segments than that, so that it costs little precision.
const rayStride = 8

// checkContinuum reports energies that cannot be counted.
func (c *Config) checkContinuum() error {
	if len(c.Continuum) > MaxContinuum {
		return fmt.Errorf("transport: %d energies of the continuum; at most %d are accepted", len(c.Continuum), MaxContinuum)
	}
	for i, e := range c.Continuum {
		if !(e > 0) || math.IsInf(float64(e), 0) || i > 0 && e <= c.Continuum[i-1] {
			return fmt.Errorf("transport: continuum at %g eV; rising energies above 0 are accepted", float64(e))
		}
	}
	return nil
}

// tabulateContinuum fills in the continuum of body i.
func (s *simulation) tabulateContinuum(i int, ms []xray.Material) {
	g := &s.specimen
	b := g.bodies[i]
	for _, e := range s.Continuum {
		r := ray{energy: e.KeV(), scale: matrix.Kramers * b.meanZ / e.KeV()}
		for _, m := range ms {
			r.mu = append(r.mu, float64(m.Attenuation(e))*m.Density*1e-7)
		}
		r.above = s.above(i, r.mu)
		b.continuum = append(b.continuum, r)
		b.minEdge = math.Min(b.minEdge, r.energy)
	}
}

// above returns what photons with the attenuation mu meet on their way up from the
// top of planar body i.
func (s *simulation) above(i int, mu []float64) float64 {
	g := &s.specimen
	sum := 0.0
	for above := range min(i, g.planar) {
		sum += mu[above] * (g.tops[above+1] - g.tops[above]) * g.csc
	}
	if g.coat >= 0 {
		sum += mu[g.coat] * g.coatNM * g.csc
	}
	return sum
}

// addContinuum counts the continuum that an electron of energy e raises at p while
// it loses loss keV. The lengths of the way out stand in t.ways unless the way is
// plain.
func (t *tracker) addContinuum(at int, p vector, e, loss float64, plain bool) {
	s := &t.specimen
	rays := s.bodies[at].continuum
	up := 0.0
	if plain {
		up = (p.z - s.tops[at]) * s.csc
	}
	loss *= rayStride
	for i := t.turn; i < len(rays); i += rayStride {
		r := &rays[i]
		if e <= r.energy {
			break
		}
		tau := 0.0
		if plain {
			tau = r.mu[at]*up + r.above
		} else {
			for j, m := range r.mu {
				tau += m * t.ways[j]
			}
		}
		w := r.scale * loss * t.chance.decay(tau)
		t.glow[i] += w
		if at == s.particle {
			t.ownGlow[i] += w
		}
	}
	if t.turn++; t.turn == rayStride {
		t.turn = 0
	}
}
