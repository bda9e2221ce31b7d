package fit

import (
	"fmt"
	"math"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// Reference is the measured peak of a line family, to be fitted in place of the
// modelled one: line shares, shape and tails are then those of the specimen and
// detector it was measured on. It is immutable.
type Reference struct {
	Family  Family
	startEV float64
	stepEV  float64
	density []float64 // net counts per eV and net count of the family
	// Counts is the number of net counts it rests on; its own noise is not
	// propagated, so it should hold many more than the spectra it is used for.
	Counts float64
}

// referenceReach is the share of the family's highest channel down to which
// the reference is taken.
const referenceReach = 1e-4

// minReferenceCounts is the least number of net counts of a reference; at 10⁴
// its own noise is 1 %. Common practice, no source.
const minReferenceCounts = 1e4

// NewReference takes the peak of a family from a spectrum in which it is
// strong: the spectrum is fitted with the options (whose families must include
// it), and the continuum and all other families are taken off.
func NewReference(s *spectra.Spectrum, f Family, opt Options) (*Reference, error) {
	r, err := Spectrum(s, opt)
	if err != nil {
		return nil, err
	}
	index := -1
	for i, fr := range r.Families {
		if fr.Family == f {
			index = i
		}
	}
	if index < 0 {
		return nil, fmt.Errorf("fit: the reference of %s: the family is not among those fitted", f)
	}
	net := r.Families[index].NetCounts
	if net < minReferenceCounts {
		return nil, fmt.Errorf("fit: the reference of %s holds %.0f net counts; at least %.0f are needed", f, net, float64(minReferenceCounts))
	}
	own := r.FamilyModel(index)
	peak := 0.0
	for _, v := range own {
		peak = math.Max(peak, v)
	}
	ref := &Reference{Family: f, startEV: float64(r.Calibration.Energy(float64(r.LowChannel))), stepEV: r.Calibration.GainEV,
		density: make([]float64, len(own)), Counts: net}
	sum := 0.0
	for c, v := range own {
		if v > referenceReach*peak {
			// The peak as measured: what is left when all else is taken off.
			ref.density[c] = math.Max(0, r.counts[c]-(r.Model[c]-v))
			sum += ref.density[c]
		}
	}
	modelled := 0.0
	for _, v := range own {
		modelled += v
	}
	// One net count of the family stands for modelled/net counts in range, the
	// escape peaks included.
	scale := modelled / net / sum / ref.stepEV
	for c := range ref.density {
		ref.density[c] *= scale
	}
	return ref, nil
}

// add adds the reference peak with the given net counts.
func (ref *Reference) add(dst []float64, cal spectra.Calibration, area float64) {
	for i := range dst {
		dst[i] += area * cal.GainEV * ref.at(cal.Energy(float64(i)))
	}
}

// at returns the density at an energy.
func (ref *Reference) at(e xray.Energy) float64 {
	x := (float64(e) - ref.startEV) / ref.stepEV
	j := int(math.Floor(x))
	if j < 0 || j+1 >= len(ref.density) {
		return 0
	}
	u := x - float64(j)
	return ref.density[j]*(1-u) + ref.density[j+1]*u
}

// addGradient adds the density at the borders of the channels; the resolution
// does not change a measured peak.
func (ref *Reference) addGradient(dst *spectra.PeakGradient, cal spectra.Calibration, area float64) {
	for i := range dst.Density {
		dst.Density[i] += area * ref.at(cal.Energy(float64(i)-0.5))
	}
}
