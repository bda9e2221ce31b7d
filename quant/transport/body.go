package transport

import (
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// body is one homogeneous part of the specimen with its tables.
type body struct {
	material xray.Material
	density  float64 // g/cm³
	bins     []bin
	kinds    []scatterer // nKinds per bin, where there are several
	nKinds   int

	minEdge float64 // keV; no photon below, +Inf where there is nothing to count
	nGroups int
	first   int       // place of the first group in tallies
	prod    []float64 // photons per nm, nGroups per bin
	groups  []group

	meanZ     float64
	continuum []ray
	thinning  int
}

// thinning: of the segments in a substrate only every fourth counts, with four times
// the weight, from a random start. A trajectory has so many of them, and
// trajectories differ so much, that this adds some per cent to the variance.
const thinning = 4

// bin is what the inner loop needs at one energy.
type bin struct {
	lambda  float64 // mean free path, nm
	stop    float64 // energy loss, keV/nm
	curve   float64 // half the relative rise of the loss per keV lost, 1/keV
	reach   float64 // path that is left below minEdge, nm; +Inf above it
	forward float64 // share of the collisions by the law; see scatterer
	alpha   float64
}

// group is a set of lines of one peak that all bodies absorb alike.
type group struct {
	peak  int
	mu    []float64 // attenuation per nm in each body
	self  float64   // that in the body itself
	above float64   // what a photon meets on its way up from the top of this body
	phi   float64   // makes photons into φ·Δρz, g/cm² per photon
}

// lineGroup is a group before it is placed in bodies.
type lineGroup struct {
	lines  []xray.WeightedLine
	weight float64 // share of the peak's family at the beam energy
}

// Lines are grouped if every material absorbs them alike within alike; lines
// weaker than negligible of their family join their neighbour.
const (
	alike      = 0.03
	negligible = 1e-3
)

// lineGroups returns the groups of one peak.
func lineGroups(p quant.Peak, beam xray.Energy, ms []xray.Material) []lineGroup {
	var out []lineGroup
	var ref xray.WeightedLine
	for _, l := range xray.FamilyWeights(p.Element, p.Family, beam) {
		if p.Single() && (l.Initial != p.Initial || l.Final != p.Final) || l.Weight <= 0 {
			continue
		}
		same := len(out) > 0 && (l.Weight < negligible || !slices.ContainsFunc(ms, func(m xray.Material) bool {
			return math.Abs(float64(m.Attenuation(l.Energy)/m.Attenuation(ref.Energy))-1) > alike
		}))
		if !same {
			if len(out) > 0 && out[len(out)-1].weight < negligible {
				out[len(out)-1].lines = append(out[len(out)-1].lines, l) // too weak for one of its own
				out[len(out)-1].weight += l.Weight
				ref = l
				continue
			}
			out = append(out, lineGroup{})
			ref = l
		}
		g := &out[len(out)-1]
		g.lines = append(g.lines, l)
		g.weight += l.Weight
		if l.Weight > ref.Weight {
			ref = l
		}
	}
	return out
}

// attenuation returns the mean attenuation of a group in m per nm.
func (g lineGroup) attenuation(m xray.Material) float64 {
	sum := 0.0
	for _, l := range g.lines {
		sum += l.Weight * float64(m.Attenuation(l.Energy))
	}
	return sum / g.weight * m.Density * 1e-7
}

// shares returns the share of the family's photons that the groups take at e.
func shares(p quant.Peak, gs []lineGroup, e xray.Energy) []float64 {
	out := make([]float64, len(gs))
	for _, l := range xray.FamilyWeights(p.Element, p.Family, e) {
		for i, g := range gs {
			if slices.ContainsFunc(g.lines, func(k xray.WeightedLine) bool { return k.Line == l.Line }) {
				out[i] += l.Weight
			}
		}
	}
	return out
}

// shareStride is the number of bins between two computations of the shares of
// L and M families, which change slowly but at sub-shell edges.
const shareStride = 4

// sections returns, for each group of a peak, its production cross section in
// cm² per bin.
func sections(p quant.Peak, gs []lineGroup, g grid) [][]float64 {
	out := make([][]float64, len(gs))
	for i := range out {
		out[i] = make([]float64, g.size)
	}
	var share []float64
	for b := range g.size {
		e := xray.Energy(g.middle(b)) * xray.KeV
		total := xray.ProductionCrossSection(p.Element, p.Family, e)
		if total <= 0 {
			continue
		}
		if share == nil || p.Family != xray.FamilyK && b%shareStride == 0 {
			share = shares(p, gs, e)
		}
		for i := range gs {
			out[i][b] = total * share[i]
		}
	}
	return out
}

// newBody returns the tables of a material that do not concern photons.
func newBody(m xray.Material, g grid, model Elastic) *body {
	b := &body{material: m, density: m.Density, bins: make([]bin, g.size), minEdge: math.Inf(1), meanZ: m.MeanZ(), thinning: 1}
	for i := range b.bins {
		e := g.middle(i)
		perNM, kinds := collisions(m, e, model)
		b.nKinds = len(kinds)
		b.kinds = append(b.kinds, kinds...)
		b.bins[i] = bin{lambda: 1 / perNM, stop: float64(xray.StoppingPower(m, xray.Energy(e)*xray.KeV)) * m.Density * 1e-10, forward: kinds[0].forward, alpha: kinds[0].alpha}
	}
	for i := range b.bins {
		// The loss over a step is that at its middle, to first order.
		lo, hi := max(i-1, 0), min(i+1, len(b.bins)-1)
		if hi > lo {
			slope := (b.bins[hi].stop - b.bins[lo].stop) / (g.middle(hi) - g.middle(lo))
			b.bins[i].curve = -slope / b.bins[i].stop / 2
		}
	}
	return b
}

// setReach fills in how far an electron can still go where it raises nothing
// that is counted. The way is that of the upper end of the bin.
func (b *body) setReach(g grid) {
	way := 0.0
	for i := range b.bins {
		way += (g.lower(i+1) - g.lower(i)) / b.bins[i].stop
		b.bins[i].reach = way
		if g.lower(i+1) > b.minEdge {
			b.bins[i].reach = math.Inf(1)
		}
	}
}
