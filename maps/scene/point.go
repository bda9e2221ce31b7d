package scene

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"example.org/fleck/quant/template"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/synth"
)

// Point is one simulated point spectrum: a bulk, films, or a particle under a beam.
type Point struct {
	Title string
	Setup template.Setup // with the detector's solid angle
	View  template.View
	// DoseNAs is current times time, in nA·s; Counts, if above 0, is the mean of all
	// counts instead.
	DoseNAs, Counts float64
	Seed            uint64
	Options         template.SphereOptions
}

// TrueFamily is one line family of the truth of a point.
type TrueFamily struct {
	Family      string
	Counts      float64 // expected
	OwnCounts   float64 // part that the particle sends
	RelativeErr float64 // of Counts, from the number of trajectories
}

// PointTruth is what a simulated spectrum holds.
type PointTruth struct {
	Families []TrueFamily // by name
	Counts   float64      // expected in all channels
	DoseNAs  float64
}

// Spectrum simulates the spectrum.
func (p Point) Spectrum(ctx context.Context) (*spectra.Spectrum, PointTruth, error) {
	if !(p.DoseNAs >= 0) || !(p.Counts >= 0) || (p.DoseNAs > 0) == (p.Counts > 0) || math.IsInf(p.DoseNAs+p.Counts, 0) {
		return nil, PointTruth{}, fmt.Errorf("scene: dose %g nA·s and %g counts; one of them above 0 is accepted", p.DoseNAs, p.Counts)
	}
	seen, err := template.Specimen(ctx, p.Setup, p.View, p.Options)
	if err != nil {
		return nil, PointTruth{}, fmt.Errorf("scene: %w", err)
	}
	total := seen.Whole.Total()
	if !(total > 0) {
		return nil, PointTruth{}, fmt.Errorf("scene: a beam of %g keV raises no counts", p.Setup.Geometry.BeamEnergy.KeV())
	}
	perNAs := electronsPerNAs * p.Setup.Detector.WithDefaults().SolidAngleSr / (4 * math.Pi)
	scale := p.DoseNAs * perNAs
	if p.Counts > 0 {
		scale = p.Counts / total
	}
	if scale*total > maxCounts {
		return nil, PointTruth{}, fmt.Errorf("scene: %g counts expected; at most %g are accepted", scale*total, float64(maxCounts))
	}
	truth := PointTruth{Counts: scale * total, DoseNAs: scale / perNAs}
	for name, part := range seen.Whole.Families {
		f := TrueFamily{Family: name, RelativeErr: seen.Err[name]}
		for _, v := range part {
			f.Counts += scale * v
		}
		for _, v := range seen.Own.Families[name] {
			f.OwnCounts += scale * v
		}
		truth.Families = append(truth.Families, f)
	}
	slices.SortFunc(truth.Families, func(a, b TrueFamily) int { return cmp.Compare(a.Family, b.Family) })
	expected := make([]float64, len(seen.Whole.Counts))
	for i, v := range seen.Whole.Counts {
		expected[i] = scale * v
	}
	g := p.Setup.Geometry
	return &spectra.Spectrum{
		Title: p.Title, Calibration: p.Setup.Calibration, Conditions: spectra.Conditions{BeamEnergy: g.BeamEnergy, TakeOff: g.TakeOff, Tilt: g.Tilt},
		Counts: synth.Noise(expected, rand.New(rand.NewPCG(p.Seed, 0x9017))),
	}, truth, nil
}

// maxCounts bounds the counts of a spectrum: counts are kept as whole numbers of 32
// bits per channel.
const maxCounts = 1e9
