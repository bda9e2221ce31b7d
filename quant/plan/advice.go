package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Verdict is what an advice comes to.
type Verdict uint8

// Verdicts, from the best.
const (
	Suitable Verdict = iota
	Limited          // masks something that supports the finding
	Rejected         // masks the element that the target is found by
)

// String returns "suitable", "limited" or "rejected".
func (v Verdict) String() string {
	switch v {
	case Suitable:
		return "suitable"
	case Limited:
		return "limited"
	case Rejected:
		return "rejected"
	}
	return fmt.Sprintf("verdict %d", uint8(v))
}

// Advice is what a coating or substrate does to the target's lines.
type Advice struct {
	Material string
	Verdict  Verdict
	Reasons  []string
	// Continuum is the background of a bare substrate under the target's own line
	// per eV, electron and 4π, at the lowest beam energy that excites it well; 0 for
	// a coating.
	Continuum float64
}

// notable is the least share of its family that makes a line count as masking.
// Common practice, no source.
const notable = 0.05

// masks returns what lines of a material do to the families of the target within
// one FWHM.
func masks(target, m xray.Material, beam xray.Energy, d spectra.Detector) (Verdict, []string) {
	v := Suitable
	var reasons []string
	say := func(severity Verdict, format string, args ...any) {
		v = max(v, severity)
		reasons = append(reasons, fmt.Sprintf(format, args...))
	}
	only := !slices.ContainsFunc(target.Components, func(c xray.Component) bool { return specific(c.Element) })
	severity := func(z xray.Element) Verdict {
		if specific(z) || only {
			return Rejected
		}
		return Limited
	}
	for _, c := range target.Components {
		if f := m.Fraction(c.Element); f > presence {
			say(severity(c.Element), "it holds %s, which the target is to be found by", c.Element)
		}
	}
	for _, f := range families(target, beam) {
		if m.Fraction(f.element) > presence || f.family != firstFamily(target, f.element, beam) {
			continue
		}
		w := newWindow(f, beam, d)
		if c := m.Fraction(f.element); c > 0 {
			say(Limited, "it holds %.2g %% %s", 100*c, f.element)
		}
		for _, g := range families(m, beam) {
			if g.element == f.element {
				continue
			}
			for _, l := range xray.FamilyWeights(g.element, g.family, beam) {
				if l.Weight < notable || !w.covers(l.Energy) {
					continue
				}
				s := severity(f.element)
				where := ""
				if s == Limited {
					where = fmt.Sprintf("; not where %s matters", f.element)
				}
				say(s, "%s at %.0f eV lies %.0f eV from %s (FWHM %.0f eV)%s", l.Line, float64(l.Energy), math.Abs(float64(l.Energy-w.centre)), f, w.fwhm, where)
				break
			}
		}
	}
	return v, reasons
}

// firstFamily returns the family that an element is usually found by: the one with
// the shortest wavelength that the beam excites well, U ≥ 1.5.
func firstFamily(m xray.Material, z xray.Element, beam xray.Energy) xray.Family {
	best := xray.FamilyK
	for _, f := range families(m, beam) {
		if f.element != z {
			continue
		}
		best = f.family
		if f.overvoltage(beam) >= 1.5 {
			return best
		}
	}
	return best
}

// candidateCoatings are the usual conductive coatings.
var candidateCoatings = []xray.Element{6, 24, 46, 47, 73, 74, 77, 78, 79}

// candidateSubstrates are substrates that can be bought pure and smooth.
var candidateSubstrates = []xray.Element{6, 13, 14, 22, 29, 32}

// adviseCoatings judges the coatings of the request and the usual ones.
func (r *Request) adviseCoatings(beam xray.Energy) []Advice {
	var out []Advice
	judge := func(m xray.Material) {
		v, why := masks(r.Target, m, beam, r.Detector)
		if m.Fraction(6) > 0.5 {
			why = append(why, "carbon itself can then not be judged")
			if r.Target.Fraction(14) > 0 {
				why = append(why, "Al + C sums lie 24 eV above Si K")
			}
		}
		out = append(out, Advice{Material: m.Name, Verdict: v, Reasons: why})
	}
	for _, c := range r.Coatings {
		if !c.None() && !slices.ContainsFunc(out, func(a Advice) bool { return a.Material == c.Layer.Name }) {
			judge(c.Layer)
		}
	}
	for _, z := range candidateCoatings {
		if m := xray.Pure(z); !slices.ContainsFunc(out, func(a Advice) bool { return a.Material == m.Name }) {
			judge(m)
		}
	}
	slices.SortStableFunc(out, func(a, b Advice) int { return cmp.Compare(a.Verdict, b.Verdict) })
	return out
}

// adviseSubstrates judges the substrates of the request and the usual ones.
func (r *Request) adviseSubstrates(beam xray.Energy) ([]Advice, error) {
	var out []Advice
	ms := slices.Clone(r.Substrates)
	for _, z := range candidateSubstrates {
		ms = append(ms, xray.Pure(z))
	}
	for _, m := range ms {
		if slices.ContainsFunc(out, func(a Advice) bool { return a.Material == m.Name }) {
			continue
		}
		v, why := masks(r.Target, m, beam, r.Detector)
		a := Advice{Material: m.Name, Verdict: v, Reasons: why}
		if f, ok := r.mainFamily(beam); ok {
			w := newWindow(f, beam, r.Detector)
			n, err := matrix.Continuum(nil, m, quant.Geometry{BeamEnergy: beam, TakeOff: r.TakeOff}, []xray.Energy{w.centre})
			if err != nil {
				return nil, fmt.Errorf("plan: %w", err)
			}
			a.Continuum = n[0]
			for _, s := range sums(m, beam) {
				if w.covers(s.energy) {
					a.Reasons = append(a.Reasons, fmt.Sprintf("sums %s at %.0f eV lie %.0f eV from %s: keep the count rate low", s.label, float64(s.energy), math.Abs(float64(s.energy-w.centre)), f))
				}
			}
		}
		out = append(out, a)
	}
	slices.SortStableFunc(out, func(a, b Advice) int {
		if c := cmp.Compare(a.Verdict, b.Verdict); c != 0 {
			return c
		}
		return cmp.Compare(a.Continuum, b.Continuum)
	})
	return out, nil
}

// mainFamily returns the family that the target is found by: of a specific element
// where there is one, with the most photons of those above 1 keV.
func (r *Request) mainFamily(beam xray.Energy) (family, bool) {
	var best family
	most := 0.0
	for _, f := range families(r.Target, beam) {
		l, _ := f.strongest(beam)
		n := r.Target.Fraction(f.element) / f.element.AtomicWeight() * xray.ProductionCrossSection(f.element, f.family, beam) * r.Detector.Efficiency(l.Energy)
		if !specific(f.element) {
			n *= 1e-6
		}
		if l.Energy < xray.KeV {
			n *= 1e-3
		}
		if n > most {
			best, most = f, n
		}
	}
	return best, most > 0
}

// sums returns the sum peaks of the strongest lines of a material with each other
// and with the C K and O K of its surface.
func sums(m xray.Material, beam xray.Energy) []peak {
	var lines []xray.Line
	for _, f := range families(m, beam) {
		if m.Fraction(f.element) < 0.1 {
			continue
		}
		if l, ok := f.strongest(beam); ok {
			lines = append(lines, l.Line)
		}
	}
	n := len(lines)
	for _, z := range []xray.Element{6, 8} {
		if m.Fraction(z) < 0.1 {
			if l, ok := (family{z, xray.FamilyK}).strongest(beam); ok {
				lines = append(lines, l.Line)
			}
		}
	}
	var out []peak
	for i, a := range lines[:n] {
		for _, b := range lines[i:] {
			out = append(out, peak{line: a, energy: a.Energy + b.Energy, from: Sum, label: a.String() + " + " + b.String()})
		}
	}
	return out
}
