package xray

import "cmp"

// Line is one characteristic X-ray line: an electron of level Final fills a vacancy of level Initial.
type Line struct {
	Element        Element
	Initial, Final Shell
	Energy         Energy
	Rate           float64 // fraction of the radiative decays of Initial, 0 to 1; 0 = energy known, rate not
	Source         string  // publication of the energy
}

// IUPAC returns the line in IUPAC notation without the element, for example "K-L3".
func (l Line) IUPAC() string { return l.Initial.String() + "-" + l.Final.String() }

// Siegbahn returns the line in Siegbahn notation, with Latin letters for the Greek, for example "Ka1". It is "" for a
// line that has no Siegbahn name.
func (l Line) Siegbahn() string { return siegbahnOf(l.Initial, l.Final) }

// String returns element and IUPAC name, for example "Si K-L3".
func (l Line) String() string { return l.Element.Symbol() + " " + l.IUPAC() }

// compareLines orders by family, energy, then level, so that the order never depends on the file.
func compareLines(a, b Line) int {
	return cmp.Or(cmp.Compare(a.Initial.Family(), b.Initial.Family()), cmp.Compare(a.Energy, b.Energy),
		cmp.Compare(a.Initial, b.Initial), cmp.Compare(a.Final, b.Final))
}

// Lines returns the lines of one family that have a rate, by ascending energy. Lines below 30 eV and transitions with
// less than 1e-6 of the decays of their sub-shell are not in the tables. The result is empty where the tables know none:
// K below Li, L below Na, M below Zr; from Zr to Ag the M family holds M4,5-N2,3 only.
func (z Element) Lines(f Family) []Line {
	if !z.Valid() {
		return nil
	}
	var out []Line
	for _, l := range tables().lines[z] {
		if l.Initial.Family() == f && l.Rate > 0 {
			out = append(out, l)
		}
	}
	return out
}

// LineOf returns the line between two levels. Lines whose energy is measured but whose rate is unknown are found too,
// with Rate 0.
func (z Element) LineOf(initial, final Shell) (Line, bool) {
	if !z.Valid() {
		return Line{}, false
	}
	for _, l := range tables().lines[z] {
		if l.Initial == initial && l.Final == final {
			return l, true
		}
	}
	return Line{}, false
}
