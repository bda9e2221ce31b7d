package matrix

import (
	"fmt"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// avogadro is the number of atoms per mole, SI 2019.
const avogadro = 6.02214076e23

// assembly is everything about a set of elements, peaks and a geometry that
// does not depend on the composition. It does not change once it is made.
type assembly struct {
	opt      Options
	beam     float64 // keV
	cosecant float64
	atoms    []atom // ascending
	levels   []sublevel
	lines    []emitter
	peaks    []peakLines
	exciters []exciter
	grid     []continuumGrid // one for each level that continuum excites; nil unless asked for
}

// atom is one element that may occur in the specimen.
type atom struct {
	z      xray.Element
	zf     float64 // atomic number
	weight float64 // g/mol
}

// sublevel is a shell of an atom that the beam ionises.
type sublevel struct {
	level
	atom  int
	shell xray.Shell
	cross float64 // ionisation cross section at the beam energy, cm²
}

// emitter is one line of a peak.
type emitter struct {
	line    xray.Line
	atom    int
	level   int
	photons float64   // photons per atom, electron and unit area, cm²
	coat    float64   // transmission of the coat, times the efficiency of the detector
	mu      []float64 // attenuation by each atom, cm²/g
}

// peakLines are the lines [first, last) of one peak.
type peakLines struct {
	quant.Peak
	atom        int
	first, last int
}

// newAssembly prepares the elements that may occur, ascending and without
// repeats, and the peaks, whose elements must be among them.
func newAssembly(elements []xray.Element, peaks []quant.Peak, coat xray.Material, g quant.Geometry, opt Options) (*assembly, error) {
	g, err := coated(coat, g)
	if err != nil {
		return nil, err
	}
	a := &assembly{opt: opt, beam: g.BeamEnergy.KeV(), cosecant: g.Cosecant()}
	for _, z := range elements {
		if !z.Valid() {
			return nil, fmt.Errorf("matrix: no element with atomic number %d; 1 to %d are known", int(z), int(xray.MaxElement))
		}
		a.atoms = append(a.atoms, atom{z, float64(z), z.AtomicWeight()})
	}
	for _, p := range peaks {
		i := slices.IndexFunc(a.atoms, func(t atom) bool { return t.z == p.Element })
		if i < 0 {
			return nil, fmt.Errorf("matrix: element of peak %s is not among the elements of the specimen", p)
		}
		if err := a.addPeak(p, i, g.BeamEnergy); err != nil {
			return nil, err
		}
	}
	for i := range a.lines {
		e := a.lines[i].line.Energy
		a.lines[i].coat = CoatTransmission(coat, e, g.TakeOff)
		if opt.Efficiency != nil {
			seen := opt.Efficiency(e)
			if !(seen >= 0 && seen <= 1) {
				return nil, fmt.Errorf("matrix: detector efficiency %g at %s; it must be from 0 to 1", seen, a.lines[i].line)
			}
			a.lines[i].coat *= seen
		}
	}
	if opt.Fluorescence != NoFluorescence {
		a.addExciters(g.BeamEnergy)
	}
	if opt.Fluorescence == WithContinuum {
		a.addContinuum()
	}
	return a, nil
}

// addPeak appends the lines of peak p of atom i.
func (a *assembly) addPeak(p quant.Peak, i int, beam xray.Energy) error {
	family := xray.FamilyWeights(p.Element, p.Family, beam)
	lines := family
	if p.Single() {
		lines = nil
		for _, l := range family {
			if l.Initial == p.Initial && l.Final == p.Final {
				lines = append(lines, l)
			}
		}
	}
	if len(lines) == 0 {
		return notEmitted(p, beam)
	}
	production := xray.ProductionCrossSection(p.Element, p.Family, beam)
	first := len(a.lines)
	for _, l := range lines {
		lv, err := a.levelOf(i, l.Initial, beam)
		if err != nil {
			return err
		}
		a.lines = append(a.lines, emitter{
			line: l.Line, atom: i, level: lv,
			photons: production * l.Weight,
			mu:      a.attenuation(l.Energy),
		})
	}
	a.peaks = append(a.peaks, peakLines{p, i, first, len(a.lines)})
	return nil
}

// notEmitted says why a peak has no lines at this beam energy.
func notEmitted(p quant.Peak, beam xray.Energy) error {
	shell := p.Initial
	if !p.Single() {
		if !p.Family.Valid() {
			return fmt.Errorf("matrix: peak %s; accepted families are K, L and M", p)
		}
		shells := p.Family.Shells()
		shell = shells[len(shells)-1]
	}
	if edge, ok := p.Element.Edge(shell); ok && beam <= edge {
		return fmt.Errorf("matrix: a beam of %g keV does not excite %s, whose edge %s lies at %.4g keV", beam.KeV(), p, shell, edge.KeV())
	}
	return fmt.Errorf("matrix: no emission of %s is known", p)
}

// levelOf returns the index of a shell of atom i, added if it is new.
func (a *assembly) levelOf(i int, s xray.Shell, beam xray.Energy) (int, error) {
	for k, l := range a.levels {
		if l.atom == i && l.shell == s {
			return k, nil
		}
	}
	t := a.atoms[i]
	edge, ok := t.z.Edge(s)
	if !ok || edge >= beam {
		return 0, fmt.Errorf("matrix: a beam of %g keV does not ionise %s %s", beam.KeV(), t.z, s)
	}
	l := sublevel{level: level{z: t.zf, edge: edge.KeV(), m: exponentOf(t.z, s)}, atom: i, shell: s, cross: xray.IonisationCrossSection(t.z, s, beam)}
	a.levels = append(a.levels, l)
	return len(a.levels) - 1, nil
}

// exponentOf returns m of (1.1).
func exponentOf(z xray.Element, s xray.Shell) float64 {
	switch s.Family() {
	case xray.FamilyK:
		return exponentK(float64(z))
	case xray.FamilyL:
		return exponentL
	}
	return exponentM
}

// attenuation returns the total attenuation by each atom at energy e.
func (a *assembly) attenuation(e xray.Energy) []float64 {
	mu := make([]float64, len(a.atoms))
	for i, t := range a.atoms {
		mu[i] = float64(t.z.Attenuation(e))
	}
	return mu
}

// mix returns Σ c·mu.
func mix(c, mu []float64) float64 {
	s := 0.0
	for i, f := range c {
		s += f * mu[i]
	}
	return s
}
