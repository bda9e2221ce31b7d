package scene

import (
	"context"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant/template"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
)

// compound holds what spheres of one compound add to the substrate, by diameter and
// ring.
type compound struct {
	material xray.Material
	sunk     float64
	halo     float64   // nm beyond the particle that the outermost ring reaches
	diameter []float64 // nm, rising
	// ring holds, per diameter and ring, the counts added per electron and µm² and 4π
	// over the ring, per channel.
	ring [][][]float64
	// line and own are, per diameter, the counts of the compound's lines and of its
	// strongest hard family, over all rings.
	line, own []float64
}

// ringShares are the radii of the rings within a particle, in units of its radius, and
// haloShares those beyond it in units of the halo: fine enough for the chord of a
// sphere and for the electrons that come back, whose density falls to zero
// at about the range.
var (
	ringShares = []float64{0.35, 0.6, 0.8, 1}
	haloShares = []float64{0.06, 0.2, 0.45, 1}
)

// rings returns the outer radii of a particle of d nm, nm.
func (c *compound) rings(d float64) []float64 {
	var out []float64
	for _, s := range ringShares {
		out = append(out, s*d/2)
	}
	for _, s := range haloShares {
		out = append(out, d/2+s*c.halo)
	}
	return out
}

// nodeRatio is the largest ratio of two diameters that are simulated: between them
// counts are interpolated as the power nodePower of the diameter, halfway between
// volume and area, which is within 3 % of both.
const (
	nodeRatio = 2.2
	nodePower = 2.5
)

// nodes returns diameters from low to high.
func nodes(low, high float64) []float64 {
	n := int(math.Ceil(math.Log(high/low)/math.Log(nodeRatio) - 1e-9))
	if n <= 0 {
		return []float64{low}
	}
	var out []float64
	for i := range n {
		out = append(out, low*math.Pow(high/low, float64(i)/float64(n)))
	}
	return append(out, high)
}

// newCompound simulates a population's compound between two diameters.
func (s *Scene) newCompound(p Population, low, high float64) (*compound, error) {
	c := &compound{material: p.Compound, sunk: p.Sunk, diameter: nodes(low, high)}
	c.halo = transport.Range(s.Substrate, s.BeamEnergy) / s.Substrate.Density * 1e7
	opt := s.options()
	opt.Sunk, opt.Truncated = p.Sunk, p.Truncated
	opt.SideNM = c.diameter[len(c.diameter)-1] + 2*c.halo
	opt.RingsNM = c.rings
	got, err := template.Spheres(context.Background(), p.Compound, c.diameter, s.setup(), opt)
	if err != nil {
		return nil, fmt.Errorf("scene: %w", err)
	}
	for _, sphere := range got.Spheres {
		var rings [][]float64
		line, own := 0.0, 0.0
		for _, r := range sphere.Rings {
			rings = append(rings, r.Excess.Counts)
			line += r.Own.Total()
			for _, v := range r.Own.Families[sphere.Own.Strongest] {
				own += v
			}
		}
		c.ring = append(c.ring, rings)
		c.line = append(c.line, line)
		c.own = append(c.own, own)
	}
	return c, nil
}

// setup is Setup without pile-up, which comes with the counts.
func (s *Scene) setup() template.Setup {
	t := s.Setup()
	t.PileUp = 0
	return t
}

func (s *Scene) options() template.SphereOptions {
	o := template.SphereOptions{Trajectories: s.Trajectories, Elastic: s.Elastic}
	if o.Trajectories == 0 {
		o.Trajectories = defaultTrajectories
	}
	return o
}

// mixture says how to make a diameter of two neighbours that were simulated.
type mixture struct {
	node int
	a, b float64 // of node and node+1
}

func (c *compound) mix(d float64) mixture {
	last := len(c.diameter) - 1
	if last == 0 {
		return mixture{0, math.Pow(d/c.diameter[0], nodePower), 0}
	}
	i, _ := slices.BinarySearch(c.diameter, d)
	i = min(max(i-1, 0), last-1)
	low, high := c.diameter[i], c.diameter[i+1]
	f := math.Log(d/low) / math.Log(high/low)
	return mixture{i, (1 - f) * math.Pow(d/low, nodePower), f * math.Pow(d/high, nodePower)}
}

// of returns the mixture of values at the diameters.
func (m mixture) of(v []float64) float64 {
	if m.b == 0 {
		return m.a * v[m.node]
	}
	return m.a*v[m.node] + m.b*v[m.node+1]
}

// add adds f times a ring to the spectrum dst.
func (c *compound) add(dst []float64, m mixture, ring int, f float64) {
	a := f * m.a
	lo := c.ring[m.node][ring]
	if m.b == 0 {
		for i, v := range lo {
			dst[i] += a * v
		}
		return
	}
	b := f * m.b
	for i, v := range c.ring[m.node+1][ring] {
		dst[i] += a*lo[i] + b*v
	}
}
