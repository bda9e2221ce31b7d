package fit

import (
	"cmp"
	"math"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// ArtefactKind names a feature that is not a line of the specimen.
type ArtefactKind string

// Kinds of artefact.
const (
	EscapePeak      ArtefactKind = "escape"
	SumPeak         ArtefactKind = "sum"
	DetectorSilicon ArtefactKind = "detector silicon"
	CoatingLine     ArtefactKind = "coating"
)

// Artefact is a feature of the spectrum that is no line of the specimen.
type Artefact struct {
	Kind     ArtefactKind
	EnergyEV float64
	Counts   float64 // expected
	Of       string  // the lines it comes from
}

// coatingLine names an element as one of the coating.
func coatingLine(e Identified, beam xray.Energy) Artefact {
	main, _ := MainLine(e.Element, e.Family, beam)
	return Artefact{Kind: CoatingLine, EnergyEV: float64(main.Energy), Counts: e.NetCounts,
		Of: e.Element.Symbol() + " " + e.Family.String() + "; whether the specimen holds it too cannot be told"}
}

// artefacts lists escape, sum and detector-silicon features that hold counts
// beyond three standard deviations of the spectrum under them.
func artefacts(r *Result) []Artefact {
	var out []Artefact
	visible := func(e, counts float64) bool {
		ch := r.Calibration.Channel(xray.Energy(e)) - float64(r.LowChannel)
		w := r.Detector.FWHM(xray.Energy(e)) / r.Calibration.GainEV
		under := window(r.Model, ch-0.6*w, ch+0.6*w)
		return under > 0 && counts > 3*math.Sqrt(under)
	}
	type strong struct {
		label  string
		e      float64
		counts float64
	}
	var lines []strong
	for i, f := range r.Families {
		fl := r.design.families[i]
		for k, g := range fl.groups {
			area := g.weight * r.state.family[i] * math.Exp(r.state.dev[r.design.groupsOf[i][k]])
			main := slices.MaxFunc(g.lines, func(a, b groupedLine) int { return cmp.Compare(a.weight, b.weight) })
			e := float64(main.line.Energy)
			label := f.Element.Symbol() + " " + main.line.IUPAC()
			if area*main.escape > 0 && visible(e-float64(spectra.SiliconKEnergy), area*main.escape) {
				out = append(out, Artefact{Kind: EscapePeak, EnergyEV: e - float64(spectra.SiliconKEnergy), Counts: area * main.escape, Of: label})
			}
			if area > 0 {
				lines = append(lines, strong{label, e, area})
			}
		}
	}
	total := 0.0
	for _, n := range r.counts {
		total += n
	}
	if total > 0 && r.PileUpCounts > 0 {
		for i, a := range lines {
			for _, b := range lines[:i+1] {
				n := r.PileUpCounts * 2 * a.counts * b.counts / (total * total)
				of := b.label + " + " + a.label
				if a == b {
					n /= 2
				}
				if visible(a.e+b.e, n) {
					out = append(out, Artefact{Kind: SumPeak, EnergyEV: a.e + b.e, Counts: n, Of: of})
				}
			}
		}
	}
	if visible(float64(spectra.SiliconKEnergy), r.SiliconCounts) {
		out = append(out, Artefact{Kind: DetectorSilicon, EnergyEV: float64(spectra.SiliconKEnergy), Counts: r.SiliconCounts, Of: "silicon of detector and window; whether the specimen holds some too cannot be told"})
	}
	return out
}
