package matrix

import (
	"fmt"
	"math"
)

// slab is one layer of a specimen, or the bulk: its composition over the atoms
// of the assembly and its place below the surface.
type slab struct {
	c           []float64 // mass fractions, sum 1
	cs          []constituent
	target      target
	top, bottom float64 // mass depth, g/cm²; the bottom of the substrate is +Inf
}

// thickness returns the mass depth through the slab.
func (s *slab) thickness() float64 { return s.bottom - s.top }

// stack is a specimen under evaluation: slabs from the top, the last one
// without end. The results are per unit mass fraction of the line's element in
// its slab, in g/cm², so that a line of an absent element has one too.
type stack struct {
	a              *assembly
	slabs          []slab
	film           []Curve   // of each level in the slabs above the last; nil = not built
	bulk           []Curve   // of each level in the last slab; nil = not built
	nodes, weights []float64 // of the integral over directions
	err            error     // of the first curve that could not be built
	pap            []PAP     // what the curves point at
	xpp            []XPP
	chi            [][]float64 // [slab][line] exit path per mass depth, cm²/g
	out            [][]float64 // [slab][line] transmission of the slabs above
	area           [][]float64 // [slab][line] ∫ φ over the slab: generated
	direct         [][]float64 // [slab][line] of it, what leaves the surface
	second         [][]float64 // [slab][line] what fluorescence adds to direct
}

// newStack makes room for n slabs.
func newStack(a *assembly, n int) *stack {
	s := &stack{a: a, slabs: make([]slab, n), nodes: nodes, weights: nodeWeights}
	atoms, lines := len(a.atoms), len(a.lines)
	for i := range s.slabs {
		s.slabs[i].c = make([]float64, atoms)
		s.slabs[i].cs = make([]constituent, atoms)
		s.slabs[i].bottom = math.Inf(1)
	}
	buf := make([]float64, 5*n*lines)
	for _, rows := range []*[][]float64{&s.chi, &s.out, &s.area, &s.direct, &s.second} {
		*rows = make([][]float64, n)
		for i := range *rows {
			(*rows)[i], buf = buf[:lines:lines], buf[lines:]
		}
	}
	levels := max(len(a.levels), 1) // Continuum sets one later
	s.bulk = make([]Curve, levels)
	switch {
	case a.opt.Model == ModelXPP:
		s.xpp = make([]XPP, levels)
	case n == 1:
		s.pap = make([]PAP, levels)
	default:
		s.pap = make([]PAP, 2*levels)
		s.film = make([]Curve, levels)
	}
	return s
}

// setFractions normalises the mass fractions c of slab i; those not above 0
// count as absent. It is an error if none is above 0.
func (s *stack) setFractions(i int, c []float64) error {
	sum := 0.0
	for _, f := range c {
		sum += max(f, 0)
	}
	if !(sum > 0) || math.IsInf(sum, 1) {
		return fmt.Errorf("matrix: mass fractions with sum %g; at least one must be above 0 and all finite", sum)
	}
	b := &s.slabs[i]
	for k, f := range c {
		b.c[k] = max(f, 0) / sum
		b.cs[k] = constituent{s.a.atoms[k].zf, s.a.atoms[k].weight, b.c[k]}
	}
	b.target = newTarget(b.cs)
	b.target.phi0 = s.a.opt.Surface
	return nil
}

// setThickness places the slabs: thickness of each but the last, g/cm².
func (s *stack) setThickness(t []float64) {
	x := 0.0
	for i, d := range t {
		s.slabs[i].top, s.slabs[i].bottom = x, x+d
		x += d
	}
	s.slabs[len(t)].top = x
}

// evaluate fills area, direct and second of the lines [first, last).
func (s *stack) evaluate(first, last int) error {
	s.forget()
	if s.a.opt.Model == ModelZAF {
		s.classical(first, last)
		return s.err
	}
	for i := range s.slabs {
		b := &s.slabs[i]
		for k := first; k < last; k++ {
			l := &s.a.lines[k]
			c := s.curve(i, l.level)
			if s.err != nil {
				return s.err
			}
			s.chi[i][k] = s.a.cosecant * mix(b.c, l.mu)
			s.out[i][k] = s.exit(i, l.mu)
			s.area[i][k] = c.Emitted(0, b.top, b.bottom)
			s.direct[i][k] = s.out[i][k] * c.Emitted(s.chi[i][k], b.top, b.bottom)
			s.second[i][k] = 0
		}
	}
	s.excited(first, last)
	return s.err
}

// forget drops the curves, which belong to other compositions.
func (s *stack) forget() {
	clear(s.bulk)
	clear(s.film)
	s.err = nil
}

// curve returns the depth curve of a level in slab i, built on first use. After
// a failure, which err holds, it returns an empty curve.
func (s *stack) curve(i, level int) Curve {
	curves := s.bulk
	if i < len(s.slabs)-1 {
		curves = s.film
	}
	if curves[level] == nil {
		var err error
		l := s.a.levels[level].level
		switch last := &s.slabs[len(s.slabs)-1]; {
		case s.a.opt.Model == ModelXPP:
			s.xpp[level], err = last.target.xpp(l, s.a.beam)
			curves[level] = &s.xpp[level]
		case i == len(s.slabs)-1:
			s.pap[level], err = newPAP(s.covered(l))
			curves[level] = &s.pap[level]
		default:
			at := len(s.bulk) + level
			s.pap[at], err = newPAP(s.weighted(l))
			curves[level] = &s.pap[at]
		}
		if err != nil && s.err == nil {
			lv := &s.a.levels[level]
			s.err = fmt.Errorf("matrix: %s of %s %s at %g keV: %w", s.a.opt.Model, s.a.atoms[lv.atom].z, lv.shell, s.a.beam, err)
		}
	}
	return curves[level]
}

// exit returns the transmission of the slabs above slab i towards the detector.
func (s *stack) exit(i int, mu []float64) float64 {
	path := 0.0
	for k := range i {
		path += mix(s.slabs[k].c, mu) * s.slabs[k].thickness()
	}
	return math.Exp(-s.a.cosecant * path)
}

// classical fills the results with the factors of ZAF; area is R/S, in units
// that cancel against a standard.
func (s *stack) classical(first, last int) {
	b := &s.slabs[0]
	for k := first; k < last; k++ {
		l := &s.a.lines[k]
		edge := s.a.levels[l.level].edge
		s.chi[0][k] = s.a.cosecant * mix(b.c, l.mu)
		s.area[0][k] = zafGenerated(b.cs, edge, s.a.beam)
		s.direct[0][k] = s.area[0][k] * zafAbsorption(b.cs, edge, s.a.beam, s.chi[0][k])
		s.second[0][k] = 0
		s.out[0][k] = 1
	}
	s.excited(first, last)
}

// excited adds the fluorescence asked for to second.
func (s *stack) excited(first, last int) {
	if s.a.opt.Fluorescence == CharacteristicReed {
		s.reed(first, last)
	}
	s.fluoresce(first, last) // no exciters with NoFluorescence
	if s.a.opt.Fluorescence == WithContinuum {
		s.fluoresceContinuum(first, last)
	}
}
