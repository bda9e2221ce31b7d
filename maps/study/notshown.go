package study

import (
	"fmt"
	"strings"

	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// An element of the substrate counts as not shown when it makes up at least this
// mass fraction, its line families stay below this many standard uncertainties,
// and the fields hold this many counts (choices of this package).
const (
	notShownFraction = 0.1
	notShownSigmas   = 3
	notShownCounts   = 10000
)

// NotShown returns the elements of the stated substrate whose lines the sum spectrum
// of all fields does not show: another substrate was stated than was measured, or
// something covers it. Families above 1 keV decide where there are any, since those
// below take up what other lines leave over.
func (r *Result) NotShown() []xray.Element {
	if r.Fit == nil || r.Sum == nil {
		return nil
	}
	if r.Sum.Total() < notShownCounts {
		return nil
	}
	var out []xray.Element
	for _, c := range r.Study.Substrate.Components {
		if c.MassFraction < notShownFraction {
			continue
		}
		hard, soft, seenHard, seenSoft := 0, 0, false, false
		for _, f := range r.Fit.Families {
			if f.Element != c.Element {
				continue
			}
			seen := f.NetCounts > notShownSigmas*f.Sigma
			if line, ok := fit.MainLine(f.Element, f.Family.Family, r.Sum.BeamEnergy); ok && line.Energy > xray.KeV {
				hard++
				seenHard = seenHard || seen
			} else {
				soft++
				seenSoft = seenSoft || seen
			}
		}
		if hard > 0 && !seenHard || hard == 0 && soft > 0 && !seenSoft {
			out = append(out, c.Element)
		}
	}
	return out
}

// SubstrateDoubt is what NotShown means for the answer, "" where nothing is missing.
func (r *Result) SubstrateDoubt() string {
	var names []string
	for _, z := range r.NotShown() {
		names = append(names, z.Symbol())
	}
	if names == nil {
		return ""
	}
	return fmt.Sprintf("The fields show no %s, which the stated substrate %s holds: another substrate was stated than was measured, or something covers it. What follows rests on a wrong prediction.",
		strings.Join(names, " and no "), r.Study.Substrate.Name)
}
