package analysis

import (
	"fmt"
	"math"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// leastOvervoltage is the ratio of beam energy to edge below which another
// family is preferred. Common practice: the generated intensity, about
// (U−1)^1.67, changes by 5 % for 1 % of beam energy there.
const leastOvervoltage = 1.5

// Overvoltage returns the beam energy over the edge of the sub-shell that the
// strongest line of the peak starts from, 0 when the beam excites none of it.
func Overvoltage(p quant.Peak, beam xray.Energy) float64 {
	shell := p.Initial
	if !p.Single() {
		l, ok := fit.MainLine(p.Element, p.Family, beam)
		if !ok {
			return 0
		}
		shell = l.Initial
	}
	edge, ok := p.Element.Edge(shell)
	if !ok || edge <= 0 {
		return 0
	}
	return float64(beam / edge)
}

// mainEnergy returns the energy of the strongest line of a peak.
func mainEnergy(p quant.Peak, beam xray.Energy) xray.Energy {
	if p.Single() {
		if l, ok := p.Element.LineOf(p.Initial, p.Final); ok {
			return l.Energy
		}
		return 0
	}
	l, _ := fit.MainLine(p.Element, p.Family, beam)
	return l.Energy
}

// choosePeaks returns for each element the index of the family of r to use.
func choosePeaks(r *fit.Result, elements []xray.Element, stated []quant.Peak, beam xray.Energy) ([]int, error) {
	out := make([]int, len(elements))
	for i, z := range elements {
		out[i] = -1
		for _, p := range stated {
			if p.Element != z {
				continue
			}
			for k, f := range r.Families {
				if f.Element == z && f.Family.Family == p.Family {
					out[i] = k
				}
			}
			if out[i] < 0 {
				return nil, fmt.Errorf("analysis: peak %s is chosen but was not fitted; the beam of %.4g keV does not excite it or it lies outside the range", p, beam.KeV())
			}
		}
		if out[i] < 0 {
			out[i] = chooseFamily(r, z, beam)
		}
		if out[i] < 0 {
			return nil, fmt.Errorf("analysis: no line of %s was fitted; a beam of %.4g keV excites none within the range", z, beam.KeV())
		}
	}
	return out, nil
}

// chooseFamily returns the family to use of element z: of those with enough
// overvoltage the first of K, L, M whose relative uncertainty is at most 2 % or
// three times the best; without any, the one of highest overvoltage.
func chooseFamily(r *fit.Result, z xray.Element, beam xray.Energy) int {
	relative := func(k int) float64 {
		f := r.Families[k]
		if f.AtZero || f.NetCounts <= 0 {
			return math.Inf(1)
		}
		return f.Sigma / f.NetCounts
	}
	best, first, fallback := math.Inf(1), -1, -1
	var able []int
	highest := 0.0
	for k, f := range r.Families {
		if f.Element != z {
			continue
		}
		u := Overvoltage(quant.Peak{Element: z, Family: f.Family.Family}, beam)
		if u > highest {
			highest, fallback = u, k
		}
		if u >= leastOvervoltage {
			able = append(able, k)
			best = math.Min(best, relative(k))
		}
	}
	for _, k := range able {
		if rel := relative(k); rel <= math.Max(0.02, 3*best) {
			if first < 0 || r.Families[k].Family.Family < r.Families[first].Family.Family {
				first = k
			}
		}
	}
	switch {
	case first >= 0:
		return first
	case len(able) > 0:
		return able[0]
	}
	return fallback
}
