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
	a      *assembly
	slabs  []slab
	film   []Curve // of each level in the slabs above the last; unused for bulk
	bulk   []Curve // of each level in the last slab
	pap    []PAP   // what the curves point at
	xpp    []XPP
	chi    [][]float64 // [slab][line] exit path per mass depth, cm²/g
	out    [][]float64 // [slab][line] transmission of the slabs above
	area   [][]float64 // [slab][line] ∫ φ over the slab: generated
	direct [][]float64 // [slab][line] of it, what leaves the surface
	second [][]float64 // [slab][line] what fluorescence adds to direct
}

// newStack makes room for n slabs.
func newStack(a *assembly, n int) *stack {
	s := &stack{a: a, slabs: make([]slab, n)}
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

// evaluate fills area, direct and second.
func (s *stack) evaluate() error {
	if s.a.opt.Model == ModelZAF {
		s.classical()
		return nil
	}
	if err := s.depthCurves(); err != nil {
		return err
	}
	for i := range s.slabs {
		b := &s.slabs[i]
		for k := range s.a.lines {
			l := &s.a.lines[k]
			c := s.curve(i, l.level)
			s.chi[i][k] = s.a.cosecant * mix(b.c, l.mu)
			s.out[i][k] = s.exit(i, l.mu)
			s.area[i][k] = c.Emitted(0, b.top, b.bottom)
			s.direct[i][k] = s.out[i][k] * c.Emitted(s.chi[i][k], b.top, b.bottom)
			s.second[i][k] = 0
		}
	}
	switch s.a.opt.Fluorescence {
	case Characteristic, WithContinuum:
		s.fluoresce()
	case CharacteristicReed:
		s.reed()
	}
	if s.a.opt.Fluorescence == WithContinuum {
		s.fluoresceContinuum()
	}
	return nil
}

// curve returns the depth curve of a level in slab i.
func (s *stack) curve(i, level int) Curve {
	if i == len(s.slabs)-1 {
		return s.bulk[level]
	}
	return s.film[level]
}

// exit returns the transmission of the slabs above slab i towards the detector.
func (s *stack) exit(i int, mu []float64) float64 {
	path := 0.0
	for k := range i {
		path += mix(s.slabs[k].c, mu) * s.slabs[k].thickness()
	}
	return math.Exp(-s.a.cosecant * path)
}

// depthCurves builds the curve of each level.
func (s *stack) depthCurves() error {
	last := &s.slabs[len(s.slabs)-1]
	for k, l := range s.a.levels {
		var err error
		if s.a.opt.Model == ModelXPP {
			s.xpp[k], err = last.target.xpp(l.level, s.a.beam)
			s.bulk[k] = &s.xpp[k]
		} else {
			s.pap[k], err = newPAP(last.target.pap(l.level, s.a.beam))
			s.bulk[k] = &s.pap[k]
		}
		if err == nil && s.film != nil {
			f := &s.pap[len(s.a.levels)+k]
			*f, err = newPAP(s.weighted(l.level))
			s.film[k] = f
		}
		if err != nil {
			return fmt.Errorf("matrix: %s of %s %s at %g keV: %w", s.a.opt.Model, s.a.atoms[l.atom].z, l.shell, s.a.beam, err)
		}
	}
	return nil
}

// classical fills the results with the factors of ZAF; area is R/S, in units
// that cancel against a standard.
func (s *stack) classical() {
	b := &s.slabs[0]
	for k := range s.a.lines {
		l := &s.a.lines[k]
		edge := s.a.levels[l.level].edge
		s.chi[0][k] = s.a.cosecant * mix(b.c, l.mu)
		s.area[0][k] = zafGenerated(b.cs, edge, s.a.beam)
		s.direct[0][k] = s.area[0][k] * zafAbsorption(b.cs, edge, s.a.beam, s.chi[0][k])
		s.second[0][k] = 0
	}
	if s.a.opt.Fluorescence == CharacteristicReed {
		s.reed()
	}
}
