package matrix

import (
	"cmp"
	"slices"

	"example.org/fleck/spectra/xray"
)

// exciter is a group of neighbouring characteristic lines of one element that
// ionises levels of the specimen: lines of one family within mergeWidth of each
// other with no absorption edge of the specimen between them, taken as one line
// at their mean energy.
type exciter struct {
	atom    int
	level   int       // ionised by the beam to make the line
	energy  float64   // keV
	share   float64   // share of the group in its family
	photons float64   // photons per atom, electron and unit area, cm²
	yield   float64   // fluorescence yield of the level
	mu      []float64 // attenuation by each atom, cm²/g
	tau     []float64 // for each level: photoionisation of it per mass of its element, cm²/g; 0 = not excited
}

// mergeWidth is the relative energy difference up to which lines are grouped:
// attenuation changes by three times as much, against a contribution of a few
// per cent of the line. Common practice, no source.
const mergeWidth = 0.02

// addExciters finds the lines of all atoms that ionise a level of the peaks.
func (a *assembly) addExciters(beam xray.Energy) {
	excited := len(a.levels) // levels of the peaks; exciters add more
	var edges []float64      // keV, of all atoms
	for _, t := range a.atoms {
		for _, e := range xray.EdgeSteps(t.z) {
			edges = append(edges, e.KeV())
		}
	}
	for i, t := range a.atoms {
		for _, f := range []xray.Family{xray.FamilyK, xray.FamilyL, xray.FamilyM} {
			production := xray.ProductionCrossSection(t.z, f, beam)
			for _, g := range group(xray.FamilyWeights(t.z, f, beam), edges) {
				x := exciter{atom: i, energy: g.Energy.KeV(), share: g.Weight, photons: production * g.Weight, yield: t.z.Yield(g.Initial)}
				x.tau = make([]float64, excited)
				any := false
				for k, l := range a.levels[:excited] {
					x.tau[k] = ionising(a.atoms[l.atom].z, l.shell, g.Energy)
					any = any || x.tau[k] > 0
				}
				if !any {
					continue
				}
				lv, err := a.levelOf(i, g.Initial, beam)
				if err != nil {
					continue // the beam does not make this line
				}
				x.level = lv
				x.mu = a.attenuation(g.Energy)
				a.exciters = append(a.exciters, x)
			}
		}
	}
}

// group merges lines; the result carries the levels of the strongest line.
func group(lines []xray.WeightedLine, edges []float64) []xray.WeightedLine {
	slices.SortStableFunc(lines, func(p, q xray.WeightedLine) int { return cmp.Compare(p.Energy, q.Energy) })
	var out []xray.WeightedLine
	strongest, start := 0.0, xray.Energy(0)
	for _, l := range lines {
		if n := len(out); n > 0 && l.Energy <= start*(1+mergeWidth) && !between(edges, start.KeV(), l.Energy.KeV()) {
			o := &out[n-1]
			sum := o.Weight + l.Weight
			o.Energy = (o.Energy*xray.Energy(o.Weight) + l.Energy*xray.Energy(l.Weight)) / xray.Energy(sum)
			if l.Weight > strongest {
				strongest, o.Initial, o.Final = l.Weight, l.Initial, l.Final
			}
			o.Weight = sum
			continue
		}
		strongest, start = l.Weight, l.Energy
		out = append(out, l)
	}
	return out
}

// between reports whether an edge lies in (low, high].
func between(edges []float64, low, high float64) bool {
	for _, e := range edges {
		if e > low && e <= high {
			return true
		}
	}
	return false
}

// ionising returns the part of the photoelectric attenuation of z at energy e
// that leaves a vacancy in shell s, in cm²/g: of what the open shells further
// in leave, the share (r−1)/r with r the jump ratio of s. It is 0 below the
// edge and where the jump ratio is unknown.
func ionising(z xray.Element, s xray.Shell, e xray.Energy) float64 {
	edge, ok := z.Edge(s)
	r := z.Jump(s)
	if !ok || e <= edge || r <= 1 {
		return 0
	}
	share := (r - 1) / r
	for inner := xray.K; inner < s; inner++ {
		if ei, ok := z.Edge(inner); ok && e > ei {
			if ri := z.Jump(inner); ri > 1 {
				share /= ri
			}
		}
	}
	return share * float64(z.Photo(e))
}
