package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra/xray"
)

// FamilyCase is one line family of the target in one case. Counts are per nA·s in
// the window of the family.
type FamilyCase struct {
	Family       string
	LineEV       float64 // strongest line
	Overvoltage  float64
	Signal       float64
	Continuum    float64
	Lines        float64 // lines and artefacts within the window
	Dose         float64 // nA·s for the stated error rates; +Inf if none is enough
	Usable       bool
	Reason       string  // why it is not usable, or why no dose is enough
	Specific     bool    // of an element other than H, C, N, O, which are everywhere
	Significance float64 // signal over the systematic part of the background
}

// Case is one particle diameter at one beam energy on one coated substrate.
type Case struct {
	Beam      xray.Energy
	Diameter  float64 // m
	Substrate string
	Coating   string
	Method    string // MethodLaw or MethodTransport

	Visible bool
	// Family is the one that the numbers below are for: that with the least dose
	// among the specific ones; "" if none is usable.
	Family     string
	Signal     float64 // counts per nA·s
	Background float64 // counts per nA·s
	Dose       float64 // nA·s, +Inf if none is enough
	TimeS      float64 // at the current of the request
	Reason     string  // why it is not visible, "" if it is
	Families   []FamilyCase
	Overlaps   []Overlap
	Cautions   []string
}

// significance is how many standard uncertainties of the background the signal
// must have over it; the usual factor for a decision, common practice.
const significance = 3

// lineSystematic is how much worse known the lines within a window are than the
// continuum beside them. Common practice, no source.
const lineSystematic = 3

// leastOvervoltage is the beam energy over the edge below which a line is not
// planned with: charging by a few hundred volts takes it away. Common practice;
// Goldstein et al. 2018, fig. 22.3, asks for 1.25.
const leastOvervoltage = 1.1

// coatingShare is the counts of the coating per count of signal above which a
// family is no evidence, since the coating's thickness follows the shape of
// particles. Common practice, no source.
const coatingShare = 0.1

// electronsPerNAs is 1e-9 A·s over the elementary charge (SI 2019).
const electronsPerNAs = 1e-9 / 1.602176634e-19

// specific reports whether an element says something about a compound: not
// hydrogen, carbon, nitrogen and oxygen, which surfaces carry anyway.
func specific(z xray.Element) bool { return z != 1 && z != 6 && z != 7 && z != 8 }

// presence is the mass fraction above which a substrate hides an element of the
// target. Common practice, no source.
const presence = 0.01

// hidden says why an element of the target is no evidence on this specimen, "" if
// it is.
func hidden(z xray.Element, s setting) string {
	if c := s.substrate.Fraction(z); c > presence {
		return fmt.Sprintf("the substrate %s holds %s itself (%.3g %%)", s.substrate.Name, z, 100*c)
	}
	if !s.coating.None() && s.coating.Layer.Fraction(z) > 0 {
		return fmt.Sprintf("the coating %s holds %s itself", s.coating.Layer.Name, z)
	}
	return ""
}

// scene is the expected spectrum of one case, counts per nA·s.
type scene struct {
	peaks     []peak  // without artefacts
	coverage  float64 // share of the substrate's lines that remains under the particle
	artefacts []peak
}

// spectrum turns yields into peaks and artefacts.
func (r *Request) spectrum(s setting, y, bare yields) scene {
	d := r.Detector
	scale := electronsPerNAs * d.SolidAngleSr / (4 * math.Pi)
	var sc scene
	below, bareBelow := 0.0, 0.0
	for _, l := range bare.Lines {
		bareBelow += l.Substrate
	}
	for _, l := range y.Lines {
		below += l.Substrate
		line, ok := l.line()
		if !ok {
			continue
		}
		n := scale * d.Efficiency(line.Energy)
		for _, part := range []struct {
			yield float64
			from  Kind
		}{{l.Particle, FromTarget}, {l.Coating, FromCoating}, {l.Substrate, FromSubstrate}} {
			if part.yield > 0 {
				sc.peaks = append(sc.peaks, peak{line, line.Energy, part.yield * n, part.from, ""})
			}
		}
	}
	sc.coverage = 1
	if bareBelow > 0 {
		sc.coverage = math.Min(1, below/bareBelow)
	}
	sc.artefacts = r.artefacts(sc.peaks)
	return sc
}

// family evaluates one family of the target.
func (r *Request) family(f family, s setting, sc scene, continuum func(low, high float64) (float64, error)) (FamilyCase, []Overlap, error) {
	w := newWindow(f, s.beam, r.Detector)
	c := FamilyCase{Family: f.String(), LineEV: float64(w.centre), Overvoltage: f.overvoltage(s.beam), Specific: specific(f.element), Usable: true}
	for _, p := range sc.peaks {
		n := p.counts * w.share(p.energy, r.Detector.FWHM(p.energy))
		if p.from == FromTarget && p.line.Element == f.element && p.line.Initial.Family() == f.family {
			c.Signal += n
		} else {
			c.Lines += n
		}
	}
	for _, p := range sc.artefacts {
		c.Lines += p.counts * w.share(p.energy, r.Detector.FWHM(p.energy))
	}
	var err error
	if c.Continuum, err = continuum(w.low(), w.high()); err != nil {
		return c, nil, err
	}
	c.Dose = DoseFor(c.Signal, c.Continuum+c.Lines, r.Alpha, r.Beta)
	c.Significance = c.Signal / (r.Systematic * (c.Continuum + lineSystematic*c.Lines))
	overlaps := r.overlaps(w, sc, c.Signal)
	switch why := hidden(f.element, s); {
	case why != "":
		c.Usable, c.Reason = false, why
	case c.Overvoltage < leastOvervoltage:
		c.Usable, c.Reason = false, fmt.Sprintf("the beam hardly excites it, overvoltage %.2f", c.Overvoltage)
	case c.Significance < significance:
		c.Usable = false
		c.Reason = fmt.Sprintf("the signal is %.2g times the background, whose systematic part hides it at any dose", c.Signal/(c.Continuum+c.Lines))
		if len(overlaps) > 0 && c.Lines > c.Continuum {
			c.Reason += "; most of it is " + overlaps[0].With
		}
	}
	if i := slices.IndexFunc(overlaps, func(o Overlap) bool { return o.Kind == FromCoating && o.PerSignal > coatingShare }); c.Usable && i >= 0 {
		c.Usable = false
		c.Reason = fmt.Sprintf("%s of the coating lies %.0f eV away, and a coating is never as thick on a particle as beside it", overlaps[i].With, math.Abs(overlaps[i].SeparationEV))
	}
	if !c.Usable {
		c.Dose = math.Inf(1)
	}
	return c, overlaps, nil
}

// overlaps lists what falls within the resolution of a window, the largest first.
// Peaks of one family and kind count together under the strongest.
func (r *Request) overlaps(w window, sc scene, signal float64) []Overlap {
	type key struct {
		f    family
		kind Kind
		name string
	}
	found := map[key]*Overlap{}
	largest := map[key]float64{}
	var order []key
	line, _ := w.family.element.LineOf(strongestOf(w.family, r.Beams))
	for _, p := range slices.Concat(sc.peaks, sc.artefacts) {
		own := p.line.Element == w.family.element && p.line.Initial.Family() == w.family.family
		if own && p.from == FromTarget || !w.covers(p.energy) {
			continue
		}
		n := p.counts * w.share(p.energy, r.Detector.FWHM(p.energy)) / signal
		k := key{family{p.line.Element, p.line.Initial.Family()}, p.from, ""}
		name := p.name()
		if p.from >= Escape {
			name = p.label
			k = key{kind: p.from, name: name}
		}
		o := found[k]
		if o == nil {
			o = &Overlap{Family: w.family.String(), Line: line.String(), Kind: p.from, FWHMEV: w.fwhm}
			found[k] = o
			order = append(order, k)
		}
		o.PerSignal += n
		if n >= largest[k] {
			largest[k] = n
			o.With, o.EnergyEV, o.SeparationEV = name, float64(p.energy), float64(p.energy-w.centre)
		}
	}
	var out []Overlap
	for _, k := range order {
		// Less than a hundredth of the signal changes no decision.
		if o := found[k]; o.PerSignal > 0.01 {
			out = append(out, *o)
		}
	}
	slices.SortStableFunc(out, func(a, b Overlap) int { return cmp.Compare(b.PerSignal, a.PerSignal) })
	return out
}

// strongestOf returns the levels of the strongest line at the highest beam energy.
func strongestOf(f family, beams []xray.Energy) (initial, final xray.Shell) {
	l, _ := f.strongest(slices.Max(beams))
	return l.Initial, l.Final
}

// choose fills in what the case says as a whole.
func (r *Request) choose(c *Case, target []family) {
	anySpecific := slices.ContainsFunc(target, func(f family) bool { return specific(f.element) })
	best := -1
	for i, f := range c.Families {
		if !f.Usable || anySpecific && !f.Specific {
			continue
		}
		if best < 0 || f.Dose < c.Families[best].Dose {
			best = i
		}
	}
	c.Dose = math.Inf(1)
	c.TimeS = math.Inf(1)
	if best < 0 {
		c.Reason = reasonOf(c.Families, anySpecific)
		return
	}
	f := c.Families[best]
	c.Family, c.Signal, c.Background, c.Dose = f.Family, f.Signal, f.Continuum+f.Lines, f.Dose
	c.TimeS = f.Dose / r.CurrentNA
	switch {
	case math.IsInf(f.Dose, 1):
		c.Reason = "no dose is enough"
	case f.Dose > r.DoseNAs:
		c.Reason = fmt.Sprintf("%s needs %.3g nA·s per pixel or point, more than the %.3g that are available", f.Family, f.Dose, r.DoseNAs)
	default:
		c.Visible = true
	}
	// Overlaps of the chosen family first.
	slices.SortStableFunc(c.Overlaps, func(a, b Overlap) int {
		return cmp.Compare(boolRank(a.Family != c.Family), boolRank(b.Family != c.Family))
	})
}

func boolRank(b bool) int {
	if b {
		return 1
	}
	return 0
}

// reasonOf says why no family is usable.
func reasonOf(fs []FamilyCase, anySpecific bool) string {
	if len(fs) == 0 {
		return "the beam excites no line of the target above 150 eV; raise the beam energy"
	}
	text, others := "", ""
	for _, f := range fs {
		switch {
		case anySpecific && !f.Specific && f.Usable:
			others = fmt.Sprintf("; %s remains, but its element is on every surface and proves no compound", f.Family)
		case f.Specific || !anySpecific:
			if text != "" {
				text += "; "
			}
			text += f.Family + ": " + f.Reason
		}
	}
	if text == "" {
		text = "the beam excites no line of an element that is specific for the target"
	}
	return text + others
}
