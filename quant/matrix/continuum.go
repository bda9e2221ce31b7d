package matrix

import (
	"fmt"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
	"gonum.org/v1/gonum/integrate/quad"
)

// Kramers is the constant K of the generated continuum n(E) = K Z (E0 − E)/E,
// photons per electronvolt and electron into 4π, after Kramers 1923. 2.2e-9
// equals an efficiency of X-ray production of 1.1e-9·Z·V (value from memory,
// unverified); Green & Cosslett 1968 are quoted with 2e-9. Good to about 30 %.
const Kramers = 2.2e-9

// continuumLevel returns the level that stands for the continuum of photon
// energy e (keV): the depth curve is that of a K shell with its edge at e. The
// exponent is the one of a heavy element; the curve depends little on it.
func continuumLevel(e float64) level { return level{z: 30, edge: e, m: exponentK(30)} }

// generated returns K (E0 − E)/E in photons per eV, electron and atomic number.
func generated(e, beam float64) float64 { return Kramers * (beam - e) / e }

// Continuum returns the continuum photons that leave the specimen towards the
// detector, per electronvolt and electron and scaled to 4π, at each of the
// energies; 0 at and above the beam energy. Layers are ordered from the top and
// need a mass depth; there may be none.
//
// Approximations. The continuum generated is that of Kramers, isotropic, with
// the mass-weighted mean atomic number; for a layer the share of its slice of
// the depth curve. The depth curve is PAP with the edge at the photon energy,
// with weighted parameters in the layers and that of the bulk in the substrate.
// Backscattered electrons that return no continuum are in the constant. The
// steps of the specimen's own attenuation show at its edges. Expect 30 % in
// absolute size and about 10 % in shape above 1 keV.
func Continuum(layers []xray.Material, substrate xray.Material, g quant.Geometry, energies []xray.Energy) ([]float64, error) {
	if _, err := (Options{}).check(g); err != nil {
		return nil, err
	}
	s, err := newLayered(layers, substrate, nil, g, Options{Fluorescence: NoFluorescence})
	if err != nil {
		return nil, err
	}
	beam := g.BeamEnergy.KeV()
	out := make([]float64, len(energies))
	for n, e := range energies {
		if !(e > 0) {
			return nil, fmt.Errorf("matrix: continuum at photon energy %g eV; it must be above 0", float64(e))
		}
		if e >= g.BeamEnergy {
			continue
		}
		s.a.levels = append(s.a.levels[:0], sublevel{level: continuumLevel(e.KeV())})
		s.forget()
		mu := s.a.attenuation(e)
		for i := range s.slabs {
			b := &s.slabs[i]
			c := s.curve(i, 0)
			if s.err != nil {
				return nil, s.err
			}
			share := c.Emitted(s.a.cosecant*mix(b.c, mu), b.top, b.bottom) / c.Area()
			out[n] += generated(e.KeV(), beam) * b.target.zm * s.exit(i, mu) * share
		}
	}
	return out, nil
}

// continuumGrid holds the points of the integral over photon energies for one
// level of the peaks.
type continuumGrid struct {
	level  int
	points []continuumPoint
}

type continuumPoint struct {
	photons float64   // per electron and atomic number, times the width of the step
	tau     float64   // photoionisation of the level per mass of its element, cm²/g
	mu      []float64 // attenuation by each atom, cm²/g
}

// addContinuum prepares the integral over the continuum above the edge of each
// level of the peaks: 8-point Gauss–Legendre between the edges of all atoms.
func (a *assembly) addContinuum() {
	seen := map[int]bool{}
	for _, l := range a.lines {
		if seen[l.level] {
			continue
		}
		seen[l.level] = true
		lv := a.levels[l.level]
		grid := continuumGrid{level: l.level}
		cuts := []float64{lv.edge, a.beam}
		for _, t := range a.atoms {
			for _, e := range xray.EdgeSteps(t.z) {
				if k := e.KeV(); k > lv.edge && k < a.beam {
					cuts = append(cuts, k)
				}
			}
		}
		slices.Sort(cuts)
		var x, w [8]float64
		for i := range len(cuts) - 1 {
			if cuts[i+1] <= cuts[i] {
				continue
			}
			quad.Legendre{}.FixedLocations(x[:], w[:], cuts[i], cuts[i+1])
			for k, e := range x {
				energy := xray.Energy(e) * xray.KeV
				grid.points = append(grid.points, continuumPoint{
					photons: generated(e, a.beam) * 1000 * w[k],
					tau:     ionising(a.atoms[lv.atom].z, lv.shell, energy),
					mu:      a.attenuation(energy),
				})
			}
		}
		a.grid = append(a.grid, grid)
	}
}

// fluoresceContinuum adds the ionisations by the continuum to second (5.4); the
// stack is bulk. The normalised curve of the line stands in for that of the
// continuum.
func (s *stack) fluoresceContinuum(first, last int) {
	var src source
	for _, g := range s.a.grid {
		if !s.wanted(g.level, first, last) {
			continue
		}
		lv := &s.a.levels[g.level]
		c := s.curve(0, g.level)
		perIonisation := s.a.atoms[lv.atom].weight / (avogadro * lv.cross * c.Area())
		for _, p := range g.points {
			s.newSource(c, 0, p.mu, &src)
			f := p.photons * s.slabs[0].target.zm * p.tau * perIonisation
			for k := first; k < last; k++ {
				if s.a.lines[k].level == g.level {
					s.second[0][k] += f * s.excite(&src, 0, s.chi[0][k])
				}
			}
		}
	}
}

// wanted reports whether one of the lines [first, last) starts at the level.
func (s *stack) wanted(level, first, last int) bool {
	for k := first; k < last; k++ {
		if s.a.lines[k].level == level {
			return true
		}
	}
	return false
}
