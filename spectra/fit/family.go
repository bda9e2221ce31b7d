package fit

import (
	"cmp"
	"fmt"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Family is one line family of one element, such as Ti K: the unit whose net
// counts are fitted.
type Family struct {
	Element xray.Element
	Family  xray.Family
}

// String returns the trade's short form, "Ti K".
func (f Family) String() string { return f.Element.Symbol() + " " + f.Family.String() }

// ParseFamily reads "Ti K".
func ParseFamily(s string) (Family, error) {
	z, f, err := xray.ParseFamily(s)
	if err != nil {
		return Family{}, fmt.Errorf("fit: %w", err)
	}
	return Family{z, f}, nil
}

// minOvervoltage is the ratio of beam energy to edge energy below which a
// family is not offered: too few counts to fit. Common practice, no source;
// the textbook rule for usable peaks is 1.25 (Goldstein et al. 2018, fig. 22.3).
const minOvervoltage = 1.05

// FamiliesOf returns the families of the elements that the beam can excite and
// whose strongest line lies within lowEV to highEV, in the order given, K
// before L before M. A beam energy of 0 means unknown: no limit.
func FamiliesOf(elements []xray.Element, beam xray.Energy, lowEV, highEV float64) []Family {
	var out []Family
	for _, z := range elements {
		for _, f := range []xray.Family{xray.FamilyK, xray.FamilyL, xray.FamilyM} {
			main, ok := MainLine(z, f, beam)
			if ok && usable(z, f) && float64(main.Energy) >= lowEV && float64(main.Energy) <= highEV {
				out = append(out, Family{z, f})
			}
		}
	}
	return out
}

// usable leaves out families whose atomic data are not fit for use: L below
// scandium (yields scatter by a factor of ten) and M below zirconium (no rates).
func usable(z xray.Element, f xray.Family) bool {
	return f == xray.FamilyK || f == xray.FamilyL && z >= 21 || f == xray.FamilyM && z >= 40
}

// DefaultLowEV is the low end of the fitted range, clear of the electronics'
// zero peak and of the steepest part of the window's absorption (common
// practice, no source).
const DefaultLowEV = 200

// lowestEV is the low end for elements whose M lines lie at 160 to 240 eV
// (zirconium to ruthenium): they would disturb the range above from outside.
const lowestEV = 150

// LowEV returns the low end of the range for a set of elements: DefaultLowEV,
// or 150 eV where an M line would lie just below.
func LowEV(elements []xray.Element, beam xray.Energy) float64 {
	for _, z := range elements {
		if main, ok := MainLine(z, xray.FamilyM, beam); ok && usable(z, xray.FamilyM) && main.Energy > 160 && main.Energy < 240 {
			return lowestEV
		}
	}
	return DefaultLowEV
}

// MainLine returns the line with the greatest weight of a family, ok = false
// when the beam cannot excite it.
func MainLine(z xray.Element, f xray.Family, beam xray.Energy) (xray.Line, bool) {
	var best xray.WeightedLine
	for _, w := range xray.FamilyWeights(z, f, beam) {
		if edge, ok := z.Edge(w.Line.Initial); beam > 0 && ok && float64(beam) < minOvervoltage*float64(edge) {
			continue
		}
		if w.Weight > best.Weight {
			best = w
		}
	}
	return best.Line, best.Weight > 0
}

// groupedLine is a line with its share of the family's detected counts.
type groupedLine struct {
	line    xray.Line
	weight  float64 // share of the family's net counts
	escape  float64 // escape peak / parent
	silicon float64 // Si K counts raised in the dead layer / parent
}

// lineGroup is a set of lines of one sub-shell that the detector does not
// separate. Its weight within the family may be refined on a strong spectrum.
type lineGroup struct {
	lines  []groupedLine
	weight float64    // sum of the lines' weights
	prior  float64    // standard uncertainty of ln(weight)
	ref    *Reference // measured peak in place of the lines; nil = modelled
}

// familyLines are the lines of a family as the detector sees them.
type familyLines struct {
	Family
	groups []lineGroup
}

// sharePrior is the relative uncertainty of a group's computed share of its
// family: K-M against K-L 10 %, L and M sub-shells 30 and 50 % (yields and
// ionisation of sub-shells; common practice, no source).
var sharePrior = [3]float64{0.1, 0.3, 0.5}

// negligibleWeight is the share of a family below which a line is left out.
const negligibleWeight = 2e-4

// linesOf returns the lines of a family: weights for electron excitation at
// the beam energy, times specimen factor and detector efficiency, normalised
// to 1 and gathered into groups.
func linesOf(f Family, beam xray.Energy, det spectra.Detector, spec Specimen) (familyLines, error) {
	out := familyLines{Family: f}
	var lines []groupedLine
	total := 0.0
	for _, w := range xray.FamilyWeights(f.Element, f.Family, beam) {
		g := groupedLine{line: w.Line, weight: w.Weight * det.Efficiency(w.Line.Energy)}
		if spec.LineFactor != nil {
			g.weight *= spec.LineFactor(w.Line)
		}
		if g.weight > 0 {
			total += g.weight
			lines = append(lines, g)
		}
	}
	if total == 0 {
		return out, fmt.Errorf("fit: no line of %s can be excited at a beam energy of %g keV and reach the detector", f, beam.KeV())
	}
	lines = slices.DeleteFunc(lines, func(g groupedLine) bool { return g.weight < negligibleWeight*total })
	total = 0
	for _, g := range lines {
		total += g.weight
	}
	slices.SortFunc(lines, func(a, b groupedLine) int {
		return cmp.Or(cmp.Compare(a.line.Initial, b.line.Initial), cmp.Compare(a.line.Energy, b.line.Energy))
	})
	for i := range lines {
		lines[i].weight /= total
	}
	if f.Family == xray.FamilyK && f.Element >= 11 && f.Element <= 17 {
		sum := 0.0
		for _, l := range radiativeAuger(f.Element) {
			out.groups = append(out.groups, lineGroup{lines: []groupedLine{l}, weight: l.weight, prior: 1})
			sum += l.weight
		}
		for i := range lines {
			lines[i].weight *= 1 - sum
		}
	}
	first := len(out.groups)
	for i, g := range lines {
		g.escape = det.EscapeRatio(g.line.Energy)
		g.silicon = det.InternalFluorescence(g.line.Energy)
		last := len(out.groups) - 1
		if len(out.groups) == first || lines[i-1].line.Initial != g.line.Initial ||
			float64(g.line.Energy-lines[i-1].line.Energy) > 0.4*det.FWHM(g.line.Energy) {
			out.groups = append(out.groups, lineGroup{prior: sharePrior[f.Family]})
			last++
		}
		out.groups[last].lines = append(out.groups[last].lines, g)
		out.groups[last].weight += g.weight
	}
	return out, nil
}

// measured replaces the groups of a family by its reference.
func (fl familyLines) measured(ref *Reference) familyLines {
	all := lineGroup{weight: 1, ref: ref}
	for _, g := range fl.groups {
		for _, l := range g.lines {
			l.escape, l.silicon = 0, 0 // as far as they lie in the reference
			all.lines = append(all.lines, l)
		}
	}
	fl.groups = []lineGroup{all}
	return fl
}

// radiativeAuger returns the satellites that a K vacancy of Na to Cl emits when
// a second L electron leaves with the photon: three lines at E_K − E_L − E_L',
// the second level taken from the next element (Z+1 approximation).
//
// Åberg & Utriainen 1969, Phys. Rev. Lett. 22, 1346 (radiative Auger effect in
// Mg, Al and Si). The shares, 0.2 % of the K lines in all, are values from
// memory, unverified; a strong spectrum refines them.
func radiativeAuger(z xray.Element) []groupedLine {
	k, okK := z.Edge(xray.K)
	l1, ok1 := z.Edge(xray.L1)
	l3, ok3 := z.Edge(xray.L3)
	n1, okN1 := (z + 1).Edge(xray.L1)
	n3, okN3 := (z + 1).Edge(xray.L3)
	if !(okK && ok1 && ok3 && okN1 && okN3) {
		return nil
	}
	var out []groupedLine
	for _, x := range []struct {
		e xray.Energy
		w float64
	}{{k - l3 - n3, 0.0010}, {k - l1 - n3, 0.0006}, {k - l1 - n1, 0.0004}} {
		out = append(out, groupedLine{line: xray.Line{Element: z, Initial: xray.K, Final: xray.L1, Energy: x.e}, weight: x.w})
	}
	return out
}

// peaks calls do for every peak of group g with the given area in the
// full-energy peaks: lines, their escape peaks and dead-layer fluorescence.
func (g lineGroup) peaks(area float64, do func(e xray.Energy, area float64)) {
	si := 0.0
	for _, l := range g.lines {
		a := area * l.weight / g.weight
		do(l.line.Energy, a)
		if l.escape > 0 {
			do(l.line.Energy-spectra.SiliconKEnergy, a*l.escape)
		}
		si += a * l.silicon
	}
	if si > 0 {
		do(spectra.SiliconKEnergy, si)
	}
}

// add adds the peaks of group g, see the method peaks.
func (g lineGroup) add(dst []float64, cal spectra.Calibration, det spectra.Detector, area float64) {
	if g.ref != nil {
		g.ref.add(dst, cal, area)
		return
	}
	g.peaks(area, func(e xray.Energy, a float64) { det.AddPeak(dst, cal, e, a) })
}

// addGradient adds their derivatives.
func (g lineGroup) addGradient(dst *spectra.PeakGradient, cal spectra.Calibration, det spectra.Detector, area float64) {
	if g.ref != nil {
		g.ref.addGradient(dst, cal, area)
		return
	}
	g.peaks(area, func(e xray.Energy, a float64) { det.AddPeakGradient(dst, cal, e, a) })
}
