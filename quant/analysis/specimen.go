// Package analysis goes from a spectrum to a composition: it iterates the peak
// fit (spectra/fit) and the matrix correction (quant/matrix), because each
// needs the other. The fit needs the specimen's absorption for the continuum's
// steps and the shares of the lines; the correction needs the net counts.
//
// It is the one place of this room that imports spectra/fit.
package analysis

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// DefaultTakeOff stands in for an unknown take-off angle: 35 degrees, as
// usual on scanning microscopes (common practice, no source).
const DefaultTakeOff = 35 * xray.Degree

// lineKey names a line without its energy.
type lineKey struct {
	z              xray.Element
	initial, final xray.Shell
}

// continuumGridEV is the spacing at which the specimen's continuum is
// tabulated; the detector smears it by ten times as much.
const continuumGridEV = 5.0

// Specimen returns what a bulk specimen of material m does to lines and
// continuum on the way out: the share of each line that escapes absorption and
// the emitted continuum (matrix.Continuum).
func Specimen(m xray.Material, g quant.Geometry) (fit.Specimen, error) {
	return LayeredSpecimen(nil, m, g)
}

// LayeredSpecimen is Specimen for layers, top first, on a substrate.
func LayeredSpecimen(layers []xray.Material, substrate xray.Material, g quant.Geometry) (fit.Specimen, error) {
	if g.BeamEnergy <= 0 {
		return fit.Specimen{}, fmt.Errorf("analysis: the beam energy is unknown; it is needed for the specimen's absorption")
	}
	if g.TakeOff == 0 {
		g.TakeOff = DefaultTakeOff
	}
	n := int(float64(g.BeamEnergy)/continuumGridEV) + 1
	energies := make([]xray.Energy, 0, n)
	for e := 50.0; e < float64(g.BeamEnergy); e += continuumGridEV {
		energies = append(energies, xray.Energy(e))
	}
	cont, err := matrix.Continuum(layers, substrate, g, energies)
	if err != nil {
		return fit.Specimen{}, fmt.Errorf("analysis: %w", err)
	}
	per, err := matrix.Layered(layers, substrate, g, matrix.Options{Fluorescence: matrix.NoFluorescence})
	if err != nil {
		return fit.Specimen{}, fmt.Errorf("analysis: %w", err)
	}
	emitted := map[lineKey]float64{}
	for _, layer := range per {
		for _, e := range layer {
			emitted[lineKey{e.Line.Element, e.Line.Initial, e.Line.Final}] += e.PhotonsPerElectron
		}
	}
	// The factor of a line is what is emitted over its share of the family.
	factors := map[lineKey]float64{}
	for k := range emitted {
		for _, w := range xray.FamilyWeights(k.z, k.initial.Family(), g.BeamEnergy) {
			if w.Initial == k.initial && w.Final == k.final && w.Weight > 0 {
				factors[k] = emitted[k] / w.Weight
			}
		}
	}
	name := substrate.Name
	for i := len(layers) - 1; i >= 0; i-- {
		name = layers[i].Name + " on " + name
	}
	return fit.Specimen{
		Name: name,
		LineFactor: func(l xray.Line) float64 {
			if f, ok := factors[lineKey{l.Element, l.Initial, l.Final}]; ok {
				return f
			}
			return 1
		},
		Continuum: func(e xray.Energy) float64 {
			x := (float64(e) - 50) / continuumGridEV
			i := int(math.Floor(x))
			if i < 0 {
				return cont[0]
			}
			if i+1 >= len(cont) {
				return 0
			}
			return cont[i] + (cont[i+1]-cont[i])*(x-float64(i))
		},
	}, nil
}

// EstimateMaterial returns a rough composition from the net counts of a fit,
// good enough for absorption in the continuum: a flat bulk specimen,
// standardless, all elements measured, normalised. Elements without counts are
// left out; ok is false when none is left or the beam energy is unknown.
func EstimateMaterial(r *fit.Result, g quant.Geometry) (m xray.Material, ok bool) {
	if g.BeamEnergy <= 0 {
		return m, false
	}
	if g.TakeOff == 0 {
		g.TakeOff = DefaultTakeOff
	}
	type entry struct {
		z      xray.Element
		family xray.Family
		counts float64
	}
	var entries []entry
	for _, f := range r.Families {
		if f.AtZero || f.NetCounts <= 0 || f.Significance() < 3 {
			continue
		}
		i := slices.IndexFunc(entries, func(e entry) bool { return e.z == f.Element })
		if i < 0 {
			entries = append(entries, entry{f.Element, f.Family.Family, f.NetCounts})
		} else if f.NetCounts > entries[i].counts {
			entries[i] = entry{f.Element, f.Family.Family, f.NetCounts}
		}
	}
	if len(entries) == 0 {
		return m, false
	}
	slices.SortFunc(entries, func(a, b entry) int { return int(a.z) - int(b.z) })
	c := make([]float64, len(entries))
	for i := range c {
		c[i] = 1 / float64(len(c))
	}
	for step := 0; step < 6; step++ {
		m = xray.Material{Name: "estimated"}
		for i, e := range entries {
			m.Components = append(m.Components, xray.Component{Element: e.z, MassFraction: c[i]})
		}
		em, err := matrix.Bulk(m, g, matrix.Options{Fluorescence: matrix.NoFluorescence})
		if err != nil {
			return m, false
		}
		sum := 0.0
		for i, e := range entries {
			predicted := 0.0
			for _, x := range em {
				if x.Line.Element == e.z && x.Line.Initial.Family() == e.family {
					predicted += x.PhotonsPerElectron * r.Options.Detector.Efficiency(x.Line.Energy)
				}
			}
			if predicted > 0 {
				c[i] *= e.counts / predicted
			}
			sum += c[i]
		}
		for i := range c {
			c[i] = math.Max(c[i]/sum, 1e-6)
		}
	}
	return m, true
}

// Spectrum fits a spectrum with the absorption of the specimen it shows: a
// first fit without absorption gives a rough composition, whose continuum and
// line shares the second fit uses. A Specimen given in the options is kept.
func Spectrum(s *spectra.Spectrum, opt fit.Options) (*fit.Result, error) {
	r, err := fit.Spectrum(s, opt)
	if err != nil || opt.Specimen.Continuum != nil || s.BeamEnergy <= 0 || r.Status == fit.Empty {
		return r, err
	}
	for range 2 {
		spec, ok := specimenOf(r, s)
		if !ok {
			return r, nil
		}
		next := opt
		next.Specimen = spec
		if r, err = fit.Spectrum(s, next); err != nil {
			return nil, err
		}
	}
	return r, nil
}

func specimenOf(r *fit.Result, s *spectra.Spectrum) (fit.Specimen, bool) {
	g := quant.Geometry{BeamEnergy: s.BeamEnergy, TakeOff: s.TakeOff}
	m, ok := EstimateMaterial(r, g)
	if !ok {
		return fit.Specimen{}, false
	}
	spec, err := Specimen(m, g)
	if err != nil {
		return fit.Specimen{}, false
	}
	spec.Name = "bulk of the composition found"
	return spec, true
}

// Identify finds the elements of a spectrum with the absorption of the
// elements found so far.
func Identify(s *spectra.Spectrum, opt fit.IdentifyOptions) (*fit.Identification, error) {
	if opt.Specimen == nil && s.BeamEnergy > 0 {
		opt.Specimen = func(r *fit.Result) fit.Specimen {
			spec, _ := specimenOf(r, s)
			return spec
		}
	}
	return fit.Identify(s, opt)
}
