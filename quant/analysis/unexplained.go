package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// mostNamed bounds the families that are named for a band; the nearest come first.
const mostNamed = 6

// nearBand returns the families, of elements without one in the fit, that the beam
// excites well and whose strongest line lies within one width of the band (one
// resolution) from its middle, the nearest first.
func nearBand(b fit.Band, fitted []xray.Element, beam xray.Energy) []fit.Family {
	middle, width := (b.FromEV+b.ToEV)/2, b.ToEV-b.FromEV
	elements := slices.DeleteFunc(fit.DefaultCandidates(), func(z xray.Element) bool { return slices.Contains(fitted, z) })
	out := slices.DeleteFunc(fit.FamiliesOf(elements, beam, middle-width, middle+width), func(f fit.Family) bool {
		return beam > 0 && Overvoltage(quant.Peak{Element: f.Element, Family: f.Family}, beam) < refusedOvervoltage
	})
	away := func(f fit.Family) float64 {
		l, _ := fit.MainLine(f.Element, f.Family, beam)
		return math.Abs(float64(l.Energy) - middle)
	}
	slices.SortStableFunc(out, func(a, c fit.Family) int { return cmp.Compare(away(a), away(c)) })
	return out[:min(len(out), mostNamed)]
}

// bandText says which elements the counts of a band may come from, "" if none
// comes to mind.
func bandText(b fit.Band, r *fit.Result, beam xray.Energy) string {
	var fitted []xray.Element
	for _, f := range r.Families {
		fitted = append(fitted, f.Element)
	}
	var names []string
	for _, f := range nearBand(b, fitted, beam) {
		l, _ := fit.MainLine(f.Element, f.Family, beam)
		names = append(names, fmt.Sprintf("%s at %.0f eV", f, float64(l.Energy)))
	}
	if names == nil {
		return ""
	}
	return " (strongest lines near: " + strings.Join(names, ", ") + ")"
}
