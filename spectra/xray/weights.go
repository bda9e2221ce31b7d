package xray

import "math"

// WeightedLine is a line and its share of the photons of its family.
type WeightedLine struct {
	Line
	Weight float64 // 0 to 1
}

// FamilyWeights returns the lines of one family with their shares of the photons emitted after electron impact at the
// beam energy; the shares sum to 1 and the lines ascend in energy. Vacancies come from IonisationCrossSection at the
// beam energy itself (no slowing down), move by Coster-Kronig transitions, and decay by yield and rate. Sub-shells
// whose edge is not below the beam energy are left out. A beam of 0 stands for the limit of infinite overvoltage.
// The result is empty if nothing is emitted. Vacancies left behind by decays of deeper shells are not counted.
func FamilyWeights(z Element, f Family, beam Energy) []WeightedLine {
	photons := familyPhotons(z, f, beam)
	var out []WeightedLine
	sum := 0.0
	for _, l := range z.Lines(f) {
		if w := photons[l.Initial] * l.Rate; w > 0 {
			out = append(out, WeightedLine{l, w})
			sum += w
		}
	}
	for i := range out {
		out[i].Weight /= sum
	}
	return out
}

// ProductionCrossSection returns the photons of one family per atom and per electron of the beam energy in a unit area,
// in cm²: the sum over sub-shells of ionisation, Coster-Kronig transfer and yield. It is 0 for a beam at or below all
// edges, for the beam 0, and for a family without lines in the tables.
func ProductionCrossSection(z Element, f Family, beam Energy) float64 {
	if !(beam > 0) {
		return 0
	}
	sum := 0.0
	for _, p := range familyPhotons(z, f, beam) {
		sum += p
	}
	return sum
}

// familyPhotons returns the photons per sub-shell, in cm² (relative for the beam 0).
func familyPhotons(z Element, f Family, beam Energy) (photons [numInner]float64) {
	first, last := f.bounds()
	if !z.Valid() || first == last || !(beam >= 0) {
		return photons
	}
	var vacancies [numInner]float64
	for s := first; s < last; s++ {
		vacancies[s] = impact(z, s, beam)
		for from := first; from < s; from++ {
			vacancies[s] += z.CosterKronig(from, s) * vacancies[from]
		}
		if tables().radiates[z][s] {
			photons[s] = vacancies[s] * z.Yield(s)
		}
	}
	return photons
}

// impact is the ionisation cross section, or for the beam 0 its factor n·I^(m-2) that is left when U grows without
// limit; K has one sub-shell and needs no factor.
func impact(z Element, s Shell, beam Energy) float64 {
	if beam > 0 {
		return IonisationCrossSection(z, s, beam)
	}
	r := z.inner(s)
	if r.edge <= 0 {
		return 0
	}
	m := exponentL
	if s.Family() == FamilyM {
		m = exponentM
	}
	return float64(r.electrons) * math.Pow(float64(r.edge), m-2)
}
