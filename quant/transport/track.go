package transport

import (
	"math"
	"math/rand/v2"
)

// tracker follows electrons; one per goroutine.
type tracker struct {
	*simulation
	streams streams
	rng     *rand.PCG // that in use
	weight  float64   // of the trajectory
	exit    exit      // of the trajectory
	bare    exit      // of the same in the bare specimen, where that is known
	radius  float64   // of the start from the middle of the pixel, nm
	rings   []float64 // see Patch
	tallies []*tally  // of the rings
	// Sums over one trajectory, per group of every body.
	made, sent []float64
	// Continuum that leaves, per energy: of all bodies and of the particle.
	glow, ownGlow []float64
	turn          int // see addContinuum
	skip          int // segments until the next that counts; see thinning
	ways          []float64
	per           [][3]float64 // per peak: made, sent, of the particle
	tally         *tally       // of the block
	axis          vector       // where the beam meets z = 0, for the radius
}

// fate is how a trajectory ends.
type fate uint8

const (
	stopped fate = iota
	backscattered
	transmitted
)

// follow runs one trajectory from vacuum at p.
func (t *tracker) follow(p vector) fate {
	s := &t.specimen
	u := s.beam
	e := t.beamKeV
	t.rng = &t.streams[aboveStream]
	at := s.fly(&p, u)
	if at < 0 {
		return backscattered // a foil or particle missed: the electron is gone
	}
	if at < s.planar {
		t.rng = &t.streams[belowStream]
	}
	b := s.bodies[at]
	first := t.grid.first
	last := t.grid.size - 1
	for e > t.cutoffKeV {
		k := min(gridBin(e)-first, last)
		n := &b.bins[k]
		r := t.rng.Uint64()
		way := t.chance.exponential(r) * n.lambda
		cross := false
		clear := 0.0
		if at < s.planar {
			clear = s.clearance(at, p)
			if clear > n.reach {
				return stopped // it can neither leave nor raise a photon
			}
		}
		if way >= clear {
			if d := s.boundary(at, p, u); d <= way {
				way, cross = d, true
			}
		}
		loss := n.stop * way
		loss += n.curve * loss * loss
		if e > b.minEdge && t.counts(b) {
			f := part(r)
			if x := e - f*loss; x > b.minEdge {
				f *= way
				t.photons(at, vector{p.x + f*u.x, p.y + f*u.y, p.z + f*u.z}, x, way*float64(b.thinning))
			}
		}
		e -= loss
		if cross {
			way += nudgeNM
		}
		p.x += way * u.x
		p.y += way * u.y
		p.z += way * u.z
		if cross {
			at = s.place(p)
			if at == vacuum {
				at = s.fly(&p, u) // leaves p if there is nothing ahead
			}
			if at < 0 {
				if at == beneath {
					return transmitted
				}
				t.exit = exit{true, p, u}
				return backscattered
			}
			if at < s.planar {
				t.rng = &t.streams[belowStream]
			}
			b = s.bodies[at]
			continue
		}
		r = t.rng.Uint64()
		u = t.scatter(b, k, u, r)
	}
	return stopped
}

// counts reports whether photons of the next segment in b are counted.
func (t *tracker) counts(b *body) bool {
	if b.thinning == 1 {
		return true
	}
	if t.skip > 0 {
		t.skip--
		return false
	}
	t.skip = b.thinning - 1
	return true
}

// scatter returns the direction after a collision. Of the random bits, 10 turn
// the azimuth, 22 choose the law and 32 the angle.
func (t *tracker) scatter(b *body, k int, u vector, r uint64) vector {
	forward, alpha := b.bins[k].forward, b.bins[k].alpha
	if b.nKinds > 1 {
		v := uniform(t.rng.Uint64())
		kinds := b.kinds[k*b.nKinds : (k+1)*b.nKinds]
		i := 0
		for v > kinds[i].upTo {
			i++
		}
		forward, alpha = kinds[i].forward, kinds[i].alpha
	}
	turn := &t.chance.turn[r&(1<<turnBits-1)]
	v := (float64(r>>32) + 0.5) * (1.0 / (1 << 32))
	// 1 − cos θ = 2αv/(1+α−v) by the law, 2v if isotropic.
	drop := 2 * v
	if float64(r>>turnBits&(1<<22-1))*(1.0/(1<<22)) < forward {
		drop = 2 * alpha * v / (1 + alpha - v)
	}
	cos := 1 - drop
	sin := math.Sqrt(math.Max(0, drop*(2-drop)))
	sc, ss := sin*turn[0], sin*turn[1]
	// An orthonormal frame around u without branches: Duff et al. 2017, J. Comput.
	// Graph. Tech. 6(1):1.
	sign := math.Copysign(1, u.z)
	a := -1 / (sign + u.z)
	c := u.x * u.y * a
	w := vector{
		sc*(1+sign*u.x*u.x*a) + ss*c + cos*u.x,
		sc*sign*c + ss*(sign+u.y*u.y*a) + cos*u.y,
		-sc*sign*u.x - ss*u.y + cos*u.z,
	}
	// Back to length 1, to first order.
	f := 1.5 - 0.5*(w.x*w.x+w.y*w.y+w.z*w.z)
	return vector{w.x * f, w.y * f, w.z * f}
}

// photons counts what a segment of length way in body at raises, at the point p
// and the energy e.
func (t *tracker) photons(at int, p vector, e, way float64) {
	s := &t.specimen
	b := s.bodies[at]
	n := b.nGroups
	k := gridBin(e) - t.grid.first
	if k >= t.grid.size || k < 0 {
		return
	}
	prod := b.prod[k*n : (k+1)*n]
	made, sent := t.made[b.first:b.first+n], t.sent[b.first:b.first+n]
	way *= t.weight
	plain := at < s.planar && s.plain(p)
	if plain {
		up := (p.z - s.tops[at]) * s.csc
		for i := range b.groups {
			g := &b.groups[i]
			w := prod[i] * way
			made[i] += w
			sent[i] += w * t.chance.decay(g.self*up+g.above)
		}
	} else {
		s.ways(t.ways, p)
		for i := range b.groups {
			w := prod[i] * way
			made[i] += w
			tau := 0.0
			for j, m := range b.groups[i].mu {
				tau += m * t.ways[j]
			}
			sent[i] += w * t.chance.decay(tau)
		}
	}
	if len(b.continuum) > 0 {
		t.addContinuum(at, p, e, b.bins[k].stop*way, plain)
	}
	if t.profiles {
		t.profile(at, p, prod, way)
	}
}

// profile adds photons to the depth and radial profiles.
func (t *tracker) profile(at int, p vector, prod []float64, way float64) {
	b := t.specimen.bodies[at]
	depth := -1
	if at < t.specimen.planar {
		depth = int((t.massTops[at] + (p.z-t.specimen.tops[at])*b.density*1e-7) * t.perDepth)
	}
	radius := int(math.Hypot(p.x-t.axis.x, p.y-t.axis.y) * t.perRadius)
	for i, g := range b.groups {
		w := prod[i] * way
		row := g.peak * t.bins
		if depth >= 0 && depth < t.bins {
			t.tally.depth[row+depth] += w * g.phi
			up := (p.z - t.specimen.tops[at]) * t.specimen.csc
			t.tally.sentDepth[row+depth] += w * g.phi * t.chance.decay(g.self*up+g.above)
		}
		if radius < t.bins {
			t.tally.radial[row+radius] += w
		}
	}
}
