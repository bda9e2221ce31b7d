package plan

import (
	"cmp"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// sumPeaks is how many of the strongest lines are paired; the rest add up to
// little.
const sumPeaks = 12

// artefacts returns the peaks that the detector adds: silicon escape, Si K from
// the dead layer, and sums of two photons, in counts per nA·s.
func (r *Request) artefacts(peaks []peak) []peak {
	d := r.Detector
	var out []peak
	silicon, _ := xray.Element(14).LineOf(xray.K, xray.L3)
	fluorescence := 0.0
	for _, p := range peaks {
		if p.energy > spectra.SiliconKEdge {
			out = append(out, peak{p.line, p.energy - spectra.SiliconKEnergy, p.counts * d.EscapeRatio(p.energy), Escape, "Si escape of " + p.name()})
		}
		fluorescence += p.counts * d.InternalFluorescence(p.energy)
	}
	if fluorescence > 0 {
		out = append(out, peak{silicon, spectra.SiliconKEnergy, fluorescence, InternalFluorescence, "Si K of the detector's dead layer"})
	}
	strong := slices.Clone(peaks)
	slices.SortStableFunc(strong, func(a, b peak) int { return cmp.Compare(b.counts, a.counts) })
	strong = strong[:min(len(strong), sumPeaks)]
	for i, a := range strong {
		for j, b := range strong[:i+1] {
			// 2 R_A R_B τ per second for two lines, R² τ for one, with R counts per nA·s
			// times the current; over the current again per nA·s.
			n := 2 * a.counts * b.counts * d.PulsePairS * r.CurrentNA
			if i == j {
				n /= 2
			}
			out = append(out, peak{a.line, a.energy + b.energy, n, Sum, b.name() + " + " + a.name()})
		}
	}
	return out
}
