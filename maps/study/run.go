package study

import (
	"context"
	"fmt"
	"math"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/peaks"
	"example.org/fleck/maps/spots"
	"example.org/fleck/quant"
	"example.org/fleck/quant/analysis"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// Run does the whole job. The result is the same for any number of workers.
func Run(ctx context.Context, s *Study, progress Progress) (*Result, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	if progress == nil {
		progress = func(Stage, int, int) {}
	}
	r := &Result{Study: s}
	if err := r.sum(ctx, progress); err != nil {
		return nil, err
	}
	if err := r.fit(progress); err != nil {
		return nil, err
	}
	if !s.Options.NoMaps {
		if err := r.maps(ctx, progress); err != nil {
			return nil, err
		}
	}
	if err := r.templates(ctx); err != nil {
		return nil, err
	}
	if err := r.spots(ctx, progress); err != nil {
		return nil, err
	}
	if err := r.stability(ctx, progress); err != nil {
		return nil, err
	}
	if err := r.mean(); err != nil {
		return nil, err
	}
	if err := r.compare(progress); err != nil {
		return nil, err
	}
	return r, nil
}

func (r *Result) sum(ctx context.Context, progress Progress) error {
	s := r.Study
	total := 0
	for _, f := range s.Fields {
		total += f.Source.Header().Height
	}
	done := 0
	for _, f := range s.Fields {
		h := f.Source.Header()
		sums, err := cube.SumSpectra(ctx, f.Source, s.Options.Workers, func(d, _ int) { progress(StageSum, done+d, total) })
		if err != nil {
			return fmt.Errorf("study: field %q: %w", f.Name, err)
		}
		done += h.Height
		r.Fields = append(r.Fields, FieldResult{Field: f.Field, Input: f.Input, SHA256: f.SHA256, Header: h, Sums: sums})
		one := peaks.SumSpectrum(h, sums.Sum)
		if r.Sum == nil {
			one.Title = s.Title
			r.Sum = one
			continue
		}
		for c, n := range one.Counts {
			r.Sum.Counts[c] += n
		}
		r.Sum.LiveTimeS += one.LiveTimeS
		r.Sum.RealTimeS += one.RealTimeS
	}
	return nil
}

// geometry of the measurement.
func (r *Result) geometry() quant.Geometry {
	return quant.Geometry{BeamEnergy: r.Sum.BeamEnergy, TakeOff: r.Sum.TakeOff, Tilt: r.Sum.Tilt}
}

func (r *Result) fit(progress Progress) error {
	s := r.Study
	progress(StageFit, 0, 1)
	low, high := s.Options.LowEV, s.Options.HighEV
	if low == 0 {
		low = fit.LowEV(s.elements(), r.Sum.BeamEnergy)
	}
	top := high
	if top == 0 {
		top = float64(r.Sum.BeamEnergy)
	}
	families := fit.FamiliesOf(s.elements(), r.Sum.BeamEnergy, low, top)
	if len(families) == 0 {
		return fmt.Errorf("study: a beam of %g keV excites no line of the elements asked for within %.0f to %.0f eV", r.Sum.BeamEnergy.KeV(), low, top)
	}
	opt := fit.Options{Families: families, Detector: s.Detector, LowEV: s.Options.LowEV, HighEV: s.Options.HighEV}
	var layers []xray.Material
	if s.Coating != nil {
		layers = append(layers, *s.Coating)
	}
	spec, err := analysis.LayeredSpecimen(layers, s.Substrate, r.geometry())
	if err != nil {
		return fmt.Errorf("study: %w", err)
	}
	opt.Specimen = spec
	if r.Fit, err = fit.Spectrum(r.Sum, opt); err != nil {
		return fmt.Errorf("study: %w", err)
	}
	if r.Fit.Status == fit.Empty {
		return fmt.Errorf("study: the fields hold no counts between %.0f and %.0f eV", r.Fit.Options.LowEV, r.Fit.Options.HighEV)
	}
	r.Families = families
	for _, w := range r.Fit.Warnings {
		r.Remarks = append(r.Remarks, w.Text)
	}
	progress(StageFit, 1, 1)
	return nil
}

func (r *Result) maps(ctx context.Context, progress Progress) error {
	fitter, err := r.Fit.Freeze()
	if err != nil {
		return fmt.Errorf("study: %w", err)
	}
	total, done := 0, 0
	for _, f := range r.Fields {
		total += f.Header.Height
	}
	for i := range r.Fields {
		f := &r.Fields[i]
		f.Maps, err = r.mapsOf(ctx, i, r.Study.Fields[i].Source, fitter, peaks.Options{Workers: r.Study.Options.Workers,
			Progress: func(d, _ int) { progress(StageMaps, done+d, total) }})
		if err != nil {
			return fmt.Errorf("study: field %q: %w", f.Name, err)
		}
		done += f.Header.Height
	}
	return nil
}

// fieldSteps is how many steps of progress the search of one field counts.
const fieldSteps = 100

func (r *Result) spots(ctx context.Context, progress Progress) error {
	s := r.Study
	fields := make([]*spots.Field, len(r.Fields))
	for i := range r.Fields {
		var err error
		if fields[i], err = spots.Load(ctx, s.Fields[i].Source, r.channels(), s.Options.Workers, nil); err != nil {
			return fmt.Errorf("study: field %q: %w", r.Fields[i].Name, err)
		}
	}
	opt := spots.Options{Target: r.Target.Template, Nuisance: r.Nuisance(), Q: s.Options.Q, Alpha: s.Options.Alpha,
		Bootstrap: s.Options.Bootstrap, Seed: s.Options.Seed, Workers: s.Options.Workers, NoLimit: s.Options.NoLimit}
	for _, c := range r.Confusers {
		opt.Confusers = append(opt.Confusers, c.Template)
	}
	blanks := r.blankSpectra(fields)
	if err := r.maskBlanks(ctx, fields, blanks, opt); err != nil {
		return err
	}
	phases, err := r.blankPhases(fields, -1)
	if err != nil {
		return fmt.Errorf("study: %w", err)
	}
	// Blank fields come first: what they hold is left out of the blank spectrum
	// that the others are judged against.
	order := []int{}
	for pass := 0; pass < 2; pass++ {
		for i, f := range r.Fields {
			if (f.Role == maps.Treated) == (pass == 1) {
				order = append(order, i)
			}
		}
	}
	for k, i := range order {
		progress(StageSpots, k*fieldSteps, len(order)*fieldSteps)
		o := opt
		o.Progress = func(done, total int) {
			progress(StageSpots, k*fieldSteps+fieldSteps*done/max(1, total), len(order)*fieldSteps)
		}
		o.Substrate, o.SubstrateCounts = blanks.without(i)
		if o.Phases = phases; phases != nil && r.Fields[i].Role == maps.Untreated {
			if o.Phases, err = r.blankPhases(fields, i); err != nil {
				return fmt.Errorf("study: %w", err)
			}
		}
		o.Seed = s.Options.Seed + uint64(i)*0x9e3779b97f4a7c15
		res, err := r.find(ctx, i, fields[i], o)
		if err != nil {
			return fmt.Errorf("study: field %q: %w", r.Fields[i].Name, err)
		}
		r.Fields[i].Spots = res
		if r.Fields[i].Role == maps.Untreated {
			blanks.mask(i, fields[i], res)
		}
	}
	_, r.BlankCounts = blanks.without(-1)
	progress(StageSpots, len(order)*fieldSteps, len(order)*fieldSteps)
	if err := r.markSubstrate(); err != nil {
		return err
	}
	if s.Options.NoMaps {
		return nil
	}
	return r.evidence(fields)
}

func (r *Result) markSubstrate() error {
	var treated, blanks []spots.Population
	var at []int
	for i, f := range r.Fields {
		p := spots.Population{Spots: f.Spots.Spots, Area: float64(f.Header.Width * f.Header.Height)}
		switch f.Role {
		case maps.Treated:
			treated = append(treated, p)
			at = append(at, i)
		case maps.Untreated:
			blanks = append(blanks, p)
		}
	}
	if len(treated) == 0 || len(blanks) == 0 {
		return nil
	}
	marked, occ, err := spots.MarkSubstrate(treated, blanks, r.Study.Options.Alpha)
	if err != nil {
		return fmt.Errorf("study: %w", err)
	}
	r.Occurrences = occ
	for k, i := range at {
		r.Fields[i].Spots.Spots = marked[k].Spots
	}
	return nil
}

// targetSpots returns the spots that were named as the target: those with that
// verdict, and those that markSubstrate gave to the substrate because blank
// fields show the target as often. A comparison counts both sides alike.
func (r *Result) targetSpots(list []maps.Spot) []maps.Spot {
	var out []maps.Spot
	for _, s := range list {
		if s.Verdict == maps.TargetVerdict || s.Verdict == maps.SubstrateSpot && s.Compound == r.Target.Template.Name {
			out = append(out, s)
		}
	}
	return out
}

func (r *Result) compare(progress Progress) error {
	progress(StageCompare, 0, 1)
	var treated, blank []compare.Observation
	for i := range r.Fields {
		f := &r.Fields[i]
		px := f.Header.Pixel.AreaUm2() * 1e-6 // mm²
		if math.IsNaN(px) {
			r.Remarks = append(r.Remarks, "pixel size unknown: densities are per pixel of 1 µm")
			px = 1e-6
		}
		o := compare.Observation{Field: f.Field, AreaMm2: px * float64(f.Header.Width*f.Header.Height), ExpectedFalse: f.Spots.ExpectedFalse}
		variance := 0.0
		for _, s := range r.targetSpots(f.Spots.Spots) {
			o.Spots++
			o.SpotAreaMm2 += s.AreaPx * px
			o.ExcessCounts += s.ExcessCounts
			variance += s.ExcessSigma * s.ExcessSigma
		}
		o.SpotAreaMm2 = math.Min(o.SpotAreaMm2, o.AreaMm2) // spots reach beyond the frame
		o.ExcessSigma = math.Sqrt(variance)
		f.Observation = o
		switch f.Role {
		case maps.Treated:
			treated = append(treated, o)
		case maps.Untreated:
			blank = append(blank, o)
		}
	}
	if len(treated) == 0 || len(blank) == 0 {
		r.Remarks = append(r.Remarks, "no comparison: it needs treated and untreated fields")
		return nil
	}
	c, err := compare.Fields(treated, blank, compare.Options{Alpha: r.Study.Options.Alpha, Seed: r.Study.Options.Seed})
	if err != nil {
		return fmt.Errorf("study: %w", err)
	}
	r.Comparison = c
	progress(StageCompare, 1, 1)
	return nil
}

// SpectrumOf returns the sum spectrum of field i.
func (r *Result) SpectrumOf(i int) *spectra.Spectrum {
	return peaks.SumSpectrum(r.Fields[i].Header, r.Fields[i].Sums.Sum)
}
