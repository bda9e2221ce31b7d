package quant

import (
	"fmt"
	"math"

	"example.org/fleck/spectra/xray"
)

// Peak names what is measured of an element: the lines of a whole family, or
// one line of it. With Initial == Final, the zero value, it is the family.
// Peaks compare with ==.
type Peak struct {
	Element        xray.Element
	Family         xray.Family
	Initial, Final xray.Shell // levels of the single line
}

// Single reports whether p is one line.
func (p Peak) Single() bool { return p.Initial != p.Final }

// Holds reports whether line l belongs to the peak.
func (p Peak) Holds(l xray.Line) bool {
	if l.Element != p.Element || l.Initial.Family() != p.Family {
		return false
	}
	return !p.Single() || l.Initial == p.Initial && l.Final == p.Final
}

// String returns "Si K" for a family and "Si K-L3" for a line.
func (p Peak) String() string {
	if p.Single() {
		return xray.Line{Element: p.Element, Initial: p.Initial, Final: p.Final}.String()
	}
	return p.Element.Symbol() + " " + p.Family.String()
}

// PeakOf returns the peak of a single line.
func PeakOf(l xray.Line) Peak {
	return Peak{Element: l.Element, Family: l.Initial.Family(), Initial: l.Initial, Final: l.Final}
}

// ParsePeak reads "Si K", "Si K-L3" or "Si Ka1". A name of several unresolved
// lines, such as "Si Ka", stands for the one with the highest rate.
func ParsePeak(s string) (Peak, error) {
	if z, f, err := xray.ParseFamily(s); err == nil {
		return Peak{Element: z, Family: f}, nil
	}
	lines, err := xray.ParseLine(s)
	if err != nil {
		return Peak{}, err
	}
	best := lines[0]
	for _, l := range lines[1:] {
		if l.Rate > best.Rate {
			best = l
		}
	}
	return PeakOf(best), nil
}

// KRatio is the intensity of a peak in the specimen over that in the standard,
// at the same dose and conditions, with background taken off.
type KRatio struct {
	Peak
	Value float64
	Sigma float64 // standard uncertainty; 0 = not known
}

// String returns the k-ratio as it would be printed in a table.
func (k KRatio) String() string {
	if k.Sigma > 0 {
		return fmt.Sprintf("k(%s) = %.5f ± %.5f", k.Peak, k.Value, k.Sigma)
	}
	return fmt.Sprintf("k(%s) = %.5f", k.Peak, k.Value)
}

// NetCounts is a source of net counts per peak, for example a fitted spectrum.
type NetCounts interface {
	// NetCounts returns the counts of p above background with their standard
	// uncertainty; ok is false where p was not measured.
	NetCounts(p Peak) (n, sigma float64, ok bool)
}

// Dose is the charge that hit the specimen while the detector was live, in
// nA·s.
type Dose float64

// Ratio returns the k-ratio of p from the counts of a specimen and of its
// standard and their doses. The uncertainties of both counts enter, that of the
// doses does not.
func Ratio(p Peak, specimen NetCounts, specimenDose Dose, standard NetCounts, standardDose Dose) (KRatio, error) {
	n, sn, ok := specimen.NetCounts(p)
	if !ok {
		return KRatio{}, fmt.Errorf("quant: peak %s was not measured on the specimen", p)
	}
	m, sm, ok := standard.NetCounts(p)
	switch {
	case !ok:
		return KRatio{}, fmt.Errorf("quant: peak %s was not measured on the standard", p)
	case !(m > 0):
		return KRatio{}, fmt.Errorf("quant: peak %s has %g counts on the standard; there must be more than 0", p, m)
	case !(specimenDose > 0 && standardDose > 0):
		return KRatio{}, fmt.Errorf("quant: doses %g and %g nA·s of peak %s; both must be above 0", float64(specimenDose), float64(standardDose), p)
	}
	scale := float64(standardDose) / (float64(specimenDose) * m)
	k := n * scale
	return KRatio{p, k, math.Hypot(sn*scale, k*sm/m)}, nil
}

// Standard is a specimen of known composition on which a peak was measured.
type Standard struct {
	Peak     Peak
	Material xray.Material
}
