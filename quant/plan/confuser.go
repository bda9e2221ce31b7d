package plan

import (
	"fmt"
	"math"
	"strings"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// Distinction says whether a confuser can be told from the target at one beam
// energy, and by what.
type Distinction struct {
	Confuser  string
	Beam      xray.Energy
	Separable bool
	Overlaps  []Overlap // lines of the confuser on those of the target
	Shared    []string  // elements of both
	Evidence  []string  // what separates them
	Reason    string    // why they cannot be told apart, "" if they can
}

// distinguish compares the target with a confuser on the first substrate and
// coating.
func (r *Request) distinguish(m xray.Material, beam xray.Energy) (Distinction, error) {
	d := Distinction{Confuser: m.Name, Beam: beam}
	s := setting{r.Substrates[0], r.Coatings[0], beam}
	for _, c := range r.Target.Components {
		if c.MassFraction > 0 && m.Fraction(c.Element) > 0 {
			d.Shared = append(d.Shared, c.Element.Symbol())
		}
	}
	// Lines of the confuser on the target's, per count of an equally thick particle.
	for _, f := range families(r.Target, beam) {
		w := newWindow(f, beam, r.Detector)
		own := thinCounts(r, r.Target, f, beam, w)
		for _, g := range families(m, beam) {
			if g.element == f.element {
				continue
			}
			if o, ok := r.confusion(w, m, g, beam, own); ok {
				d.Overlaps = append(d.Overlaps, o)
			}
		}
	}
	d.Evidence = append(r.onlyIn(m, r.Target, s), r.onlyIn(r.Target, m, s)...)
	if len(d.Evidence) > 0 {
		d.Separable = true
		return d, nil
	}
	return d, r.byRatio(&d, m, s)
}

// thinCounts returns the counts within a window of one family of a thin particle,
// per electron and g/cm².
func thinCounts(r *Request, m xray.Material, f family, beam xray.Energy, w window) float64 {
	n := avogadro * m.Fraction(f.element) / f.element.AtomicWeight() * xray.ProductionCrossSection(f.element, f.family, beam)
	sum := 0.0
	for _, l := range xray.FamilyWeights(f.element, f.family, beam) {
		sum += n * l.Weight * r.Detector.Efficiency(l.Energy) * w.share(l.Energy, r.Detector.FWHM(l.Energy))
	}
	return sum
}

// confusion returns the overlap of a family of the confuser with a window of the
// target.
func (r *Request) confusion(w window, m xray.Material, g family, beam xray.Energy, own float64) (Overlap, bool) {
	var best xray.WeightedLine
	for _, l := range xray.FamilyWeights(g.element, g.family, beam) {
		if l.Weight >= notable && w.covers(l.Energy) && l.Weight > best.Weight {
			best = l
		}
	}
	if best.Weight == 0 {
		return Overlap{}, false
	}
	line, _ := w.family.strongest(beam)
	return Overlap{
		Family: w.family.String(), Line: line.Line.String(), With: best.Line.String() + " of " + m.Name, Kind: FromConfuser,
		EnergyEV: float64(best.Energy), SeparationEV: float64(best.Energy - w.centre), FWHMEV: w.fwhm,
		PerSignal: thinCounts(r, m, g, beam, w) / own,
	}, true
}

// onlyIn lists the lines of elements of one compound that neither the other nor
// substrate and coating have, free of lines of the other.
func (r *Request) onlyIn(m, other xray.Material, s setting) []string {
	var out []string
	for _, f := range families(m, s.beam) {
		if other.Fraction(f.element) > 0 || hidden(f.element, s) != "" || !specific(f.element) || f.overvoltage(s.beam) < 1.2 {
			continue
		}
		// The strongest line that nothing of the other covers.
		var free xray.WeightedLine
		for _, l := range xray.FamilyWeights(f.element, f.family, s.beam) {
			if l.Weight > notable && l.Weight > free.Weight && !r.covered(l.Energy, other, s.beam) {
				free = l
			}
		}
		// Soft M lines are too poorly known, and too easily confused, to prove much.
		if free.Weight == 0 || f.family == xray.FamilyM && free.Energy < xray.KeV {
			continue
		}
		text := fmt.Sprintf("%s at %.0f eV is in %s alone", free.Line, float64(free.Energy), m.Name)
		if strong, _ := f.strongest(s.beam); strong.Line != free.Line {
			text = fmt.Sprintf("%s at %.0f eV (%.0f %% of the family) is free of %s", free.Line, float64(free.Energy), 100*free.Weight, other.Name)
		}
		out = append(out, text)
	}
	return out
}

// covered reports whether a notable line of m lies within one FWHM of an energy.
func (r *Request) covered(e xray.Energy, m xray.Material, beam xray.Energy) bool {
	w := r.Detector.FWHM(e)
	for _, f := range families(m, beam) {
		for _, l := range xray.FamilyWeights(f.element, f.family, beam) {
			if l.Weight >= notable && math.Abs(float64(l.Energy-e)) <= w {
				return true
			}
		}
	}
	return false
}

// byRatio compares intensity ratios of elements that both compounds have, between
// the limits of a thin particle and of bulk; where the intervals meet, a particle of
// unknown size cannot be named.
func (r *Request) byRatio(d *Distinction, m xray.Material, s setting) error {
	fs := families(r.Target, s.beam)
	for i, a := range fs {
		for _, b := range fs[:i] {
			if a.element == b.element || m.Fraction(a.element) == 0 || m.Fraction(b.element) == 0 || hidden(a.element, s) != "" || hidden(b.element, s) != "" {
				continue
			}
			t, err := r.ratioRange(r.Target, a, b, s.beam)
			if err != nil {
				return err
			}
			c, err := r.ratioRange(m, a, b, s.beam)
			if err != nil {
				return err
			}
			text := fmt.Sprintf("%s/%s is %.2g to %.2g for %s and %.2g to %.2g for %s (thin to bulk)", a, b, t[0], t[1], r.Target.Name, c[0], c[1], m.Name)
			// A tenth apart at least: what absorption and composition leave open.
			if t[0] > 1.1*c[1] || c[0] > 1.1*t[1] {
				d.Separable = true
				d.Evidence = append(d.Evidence, text)
			} else if d.Reason == "" {
				d.Reason = text + ": a particle of unknown size cannot be named by it"
			}
		}
	}
	if d.Separable {
		d.Reason = ""
	} else if d.Reason == "" {
		d.Reason = "no line is in one of them alone, and no ratio of lines can be measured on this substrate"
		if but := append(r.weakIn(r.Target, m, s), r.weakIn(m, r.Target, s)...); len(but) > 0 {
			d.Reason = "not by the presence of a line: " + strings.Join(but, "; ") + "; how much of it a spot adds to its surroundings may tell where the particle sends enough counts"
		}
	}
	return nil
}

// weakIn lists the families of elements of one compound that the other lacks but
// the surface has, so that their presence proves nothing.
func (r *Request) weakIn(m, other xray.Material, s setting) []string {
	var out []string
	for _, f := range families(m, s.beam) {
		if other.Fraction(f.element) > 0 || f.overvoltage(s.beam) < 1.2 {
			continue
		}
		why := hidden(f.element, s)
		if why == "" && !specific(f.element) {
			why = "every surface carries some"
		}
		if why != "" {
			out = append(out, fmt.Sprintf("%s is in %s alone, but %s", f, m.Name, why))
		}
	}
	return out
}

// ratioRange returns the ratio of two families between a thin particle and bulk,
// lower end first.
func (r *Request) ratioRange(m xray.Material, a, b family, beam xray.Energy) ([2]float64, error) {
	thin := func(f family) float64 {
		return m.Fraction(f.element) / f.element.AtomicWeight() * xray.ProductionCrossSection(f.element, f.family, beam)
	}
	bulk := map[family]float64{}
	es, err := matrix.Bulk(m, quant.Geometry{BeamEnergy: beam, TakeOff: r.TakeOff}, matrix.Options{Fluorescence: matrix.NoFluorescence})
	if err != nil {
		return [2]float64{}, fmt.Errorf("plan: %w", err)
	}
	for _, e := range es {
		bulk[family{e.Line.Element, e.Line.Initial.Family()}] += e.PhotonsPerElectron
	}
	x, y := thin(a)/thin(b), bulk[a]/bulk[b]
	return [2]float64{math.Min(x, y), math.Max(x, y)}, nil
}
