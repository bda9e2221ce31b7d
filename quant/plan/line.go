package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// family is the lines that start in one shell of an element.
type family struct {
	element xray.Element
	family  xray.Family
}

// String returns "Si K".
func (f family) String() string { return f.element.Symbol() + " " + f.family.String() }

// Lines below lowestLine are not used: windows and noise end there. Common
// practice, no source.
const lowestLine = 150 * xray.EV

// families returns the families of a material that the beam excites, by element.
func families(m xray.Material, beam xray.Energy) []family {
	var out []family
	for _, c := range m.Components {
		for f := xray.FamilyK; f <= xray.FamilyM; f++ {
			if c.MassFraction <= 0 || xray.ProductionCrossSection(c.Element, f, beam) <= 0 {
				continue
			}
			if l, ok := (family{c.Element, f}).strongest(beam); ok && l.Energy >= lowestLine {
				out = append(out, family{c.Element, f})
			}
		}
	}
	return out
}

// strongest returns the line with the largest share of the family.
func (f family) strongest(beam xray.Energy) (xray.WeightedLine, bool) {
	ls := xray.FamilyWeights(f.element, f.family, beam)
	if len(ls) == 0 {
		return xray.WeightedLine{}, false
	}
	return slices.MaxFunc(ls, func(a, b xray.WeightedLine) int { return cmp.Compare(a.Weight, b.Weight) }), true
}

// overvoltage returns the beam energy over the edge of the strongest line.
func (f family) overvoltage(beam xray.Energy) float64 {
	l, ok := f.strongest(beam)
	if !ok {
		return 0
	}
	e, ok := f.element.Edge(l.Initial)
	if !ok {
		return 0
	}
	return float64(beam / e)
}

// window is the energies in which a family is counted.
type window struct {
	family family
	centre xray.Energy
	fwhm   float64 // eV
}

func newWindow(f family, beam xray.Energy, d spectra.Detector) window {
	l, _ := f.strongest(beam)
	return window{f, l.Energy, d.FWHM(l.Energy)}
}

func (w window) low() float64  { return float64(w.centre) - WindowFWHM/2*w.fwhm }
func (w window) high() float64 { return float64(w.centre) + WindowFWHM/2*w.fwhm }

// share returns the part of a Gaussian peak that falls into the window.
func (w window) share(e xray.Energy, fwhm float64) float64 {
	s := fwhm / (2 * math.Sqrt(2*math.Ln2)) * math.Sqrt2
	return 0.5 * (math.Erf((w.high()-float64(e))/s) - math.Erf((w.low()-float64(e))/s))
}

// covers reports whether an energy lies within one FWHM of the centre.
func (w window) covers(e xray.Energy) bool { return math.Abs(float64(e-w.centre)) <= w.fwhm }

// peak is one peak of the expected spectrum.
type peak struct {
	line   xray.Line
	energy xray.Energy // of the peak, which for an artefact is not that of the line
	counts float64     // per electron into 4π, or per nA·s
	from   Kind
	label  string // of an artefact
}

// name returns the line as "Si K-L3".
func (p peak) name() string { return p.line.String() }

// Kind says where an overlap comes from.
type Kind uint8

// Kinds of overlap.
const (
	FromTarget Kind = iota // another line of the target itself
	FromSubstrate
	FromCoating
	FromConfuser
	Escape               // escape of Si K from the detector
	Sum                  // two photons counted as one
	InternalFluorescence // Si K from the dead layer of the detector
)

// String returns the kind in words.
func (k Kind) String() string {
	switch k {
	case FromTarget:
		return "target"
	case FromSubstrate:
		return "substrate"
	case FromCoating:
		return "coating"
	case FromConfuser:
		return "confuser"
	case Escape:
		return "escape"
	case Sum:
		return "sum"
	case InternalFluorescence:
		return "internal fluorescence"
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Overlap is a peak within the resolution of a family of the target.
type Overlap struct {
	Family       string // of the target, such as "Ti K"
	Line         string // its strongest line
	With         string // what falls on it
	Kind         Kind
	EnergyEV     float64 // of the disturbing peak
	SeparationEV float64 // from the strongest line
	FWHMEV       float64
	// PerSignal is the counts that it puts into the window over those of the target;
	// NaN where no amount is known, as for a confuser.
	PerSignal float64
}

// String returns the overlap in one line.
func (o Overlap) String() string {
	s := fmt.Sprintf("%s (%s): %s at %.0f eV, %+.0f eV away (FWHM %.0f eV)", o.Line, o.Kind, o.With, o.EnergyEV, o.SeparationEV, o.FWHMEV)
	if !math.IsNaN(o.PerSignal) {
		s += fmt.Sprintf(", %.2g counts per count of signal", o.PerSignal)
	}
	return s
}
