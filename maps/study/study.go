// Package study runs the whole job for a set of mapped fields: check that they
// belong together, fit the pooled sum spectrum, map the net counts, find and
// name the spots, and compare treated with blank fields.
//
// It is the room where all others meet; every stage is a call of the room that
// owns it.
package study

import (
	"fmt"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/peaks"
	"example.org/fleck/maps/spots"
	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/fit"
	"example.org/fleck/spectra/xray"
)

// Study is what is asked: which compound, on what, in which fields.
type Study struct {
	Title     string
	Target    xray.Material
	Substrate xray.Material
	Coating   *xray.Material // with thickness; nil = none
	Order     template.CoatingOrder
	Confusers []xray.Material // other compounds that spots may be
	// Elements are fitted; nil means those of target, substrate, coating and
	// confusers.
	Elements []xray.Element
	Fields   []FieldInput
	// Detector is the starting point of the fit; zero = default.
	Detector spectra.Detector
	Options  Options
	Store    Store // what earlier runs computed; nil = nothing is kept
}

// FieldInput is one field with its cube.
type FieldInput struct {
	maps.Field
	Source cube.Source
	Input  string // name of the input, for the record
	SHA256 string // of the input, of several files that of their digests, hexadecimal; "" = not known
}

// Options steer a study. The zero value works.
type Options struct {
	Q         float64 // false discovery rate of the spot list; default 0.05
	Alpha     float64 // false-alarm rate of the verdict on a field; default 0.05
	Bootstrap int     // replicas for null heights; default 199
	NoLimit   bool    // leave out the injection that finds the detection limit
	NoMaps    bool    // leave out the net-count maps and the spectra of parts
	Seed      uint64
	Workers   int // 0 = all cores
	LowEV     float64
	HighEV    float64
}

// Stage names a part of the work, for progress.
type Stage string

// Stages in order.
const (
	StageSum   Stage = "sum spectra"
	StageFit   Stage = "fit"
	StageMaps  Stage = "maps"
	StageSpots Stage = "spots"
	// StageStability compares the halves of the frames, of fields that have them.
	StageStability Stage = "stability"
	StageCompare   Stage = "comparison"
)

// Progress is told how far a stage is; any of its calls may be the last of its
// stage.
type Progress func(stage Stage, done, total int)

// FieldResult is the outcome for one field.
type FieldResult struct {
	maps.Field
	Input, SHA256 string
	Header        cube.Header
	Sums          cube.Sums
	Maps          *peaks.Result
	Spots         *spots.Result
	Observation   compare.Observation
	Evidence      *Evidence // nil with Options.NoMaps
	// Stability compares the first half of the frames with the second; nil where
	// Source is no cube.Framed or has a single frame.
	Stability *spots.StabilityResult
	Reused    []Stage // stages taken from Study.Store
}

// Result is the outcome of a study.
type Result struct {
	Study       *Study
	Sum         *spectra.Spectrum // pooled over all fields
	Fit         *fit.Result       // of the pooled sum spectrum
	Families    []fit.Family
	Target      Predicted
	Confusers   []Predicted
	Fields      []FieldResult
	Occurrences []spots.Occurrence
	Comparison  *compare.Result // nil without treated or without blank fields
	// Mean is the target that treated fields hold on average beyond blank ones, in
	// spots or not; nil without treated fields.
	Mean *spots.Mean
	// BlankCounts is the number of counts behind the blank spectrum; 0 when
	// there is no blank field.
	BlankCounts float64
	Remarks     []string
}

// Predicted is a compound with its predicted spectrum over the searched
// channels.
type Predicted struct {
	Material xray.Material
	Template spots.Template
	Own      string // family that tells the compound, "Ti K"
	// Particles are compact particles of it by transport; nil without a density.
	Particles *template.Particles
}

func (s *Study) check() error {
	if len(s.Target.Components) == 0 {
		return fmt.Errorf("study: no target compound")
	}
	if len(s.Substrate.Components) == 0 {
		return fmt.Errorf("study: no substrate")
	}
	if len(s.Fields) == 0 {
		return fmt.Errorf("study: no fields")
	}
	if s.Coating != nil && s.Coating.MassDepth <= 0 {
		return fmt.Errorf("study: the coating %q states no thickness; write for example C:2.0g/cm3:8nm", s.Coating.Name)
	}
	if s.Coating != nil {
		switch s.Order {
		case template.Under, template.Over, template.Both:
		default:
			return fmt.Errorf("study: coating order %q; accepted are under, over and both: where the coating lies relative to the particles", s.Order)
		}
	}
	first := s.Fields[0].Source.Header()
	if !first.CalibrationKnown {
		return fmt.Errorf("study: field %q: the energy axis is unknown; state offset and channel width", s.Fields[0].Name)
	}
	if first.Conditions.BeamEnergy <= 0 {
		return fmt.Errorf("study: field %q: the beam energy is unknown; state it", s.Fields[0].Name)
	}
	if e := first.Conditions.BeamEnergy; e > quant.MaxBeamEnergy {
		return fmt.Errorf("study: a beam energy of %g keV; up to %g is accepted", e.KeV(), quant.MaxBeamEnergy.KeV())
	}
	seen := map[string]bool{}
	for _, f := range s.Fields {
		if seen[f.Name] {
			return fmt.Errorf("study: two fields are named %q", f.Name)
		}
		seen[f.Name] = true
		if err := sameConditions(s.Fields[0].Name, first, f.Name, f.Source.Header()); err != nil {
			return err
		}
	}
	return nil
}

// SameConditions is an error, which names the difference, unless two fields were
// recorded alike.
func SameConditions(a, b FieldInput) error {
	return sameConditions(a.Name, a.Source.Header(), b.Name, b.Source.Header())
}

// sameConditions refuses fields that cannot be compared and names the
// difference.
func sameConditions(nameA string, a cube.Header, nameB string, b cube.Header) error {
	what, x, y := a.Differs(b)
	if what == "" {
		return nil
	}
	return fmt.Errorf("study: field %q differs from %q in %s: %v against %v; only fields recorded alike can be compared", nameB, nameA, what, y, x)
}

// elements returns the elements to fit.
func (s *Study) elements() []xray.Element {
	if len(s.Elements) > 0 {
		return s.Elements
	}
	var out []xray.Element
	seen := map[xray.Element]bool{}
	add := func(m xray.Material) {
		for _, c := range m.Components {
			if c.Element > 3 && !seen[c.Element] {
				seen[c.Element] = true
				out = append(out, c.Element)
			}
		}
	}
	add(s.Target)
	add(s.Substrate)
	if s.Coating != nil {
		add(*s.Coating)
	}
	for _, m := range s.Confusers {
		add(m)
	}
	return out
}

// traceFactor is how many times more of an element the target must hold than the
// substrate, which has a trace of it, for its lines to tell (choice of this package).
const traceFactor = 3

// Distinct returns the elements of the target that the substrate and the coating
// lack, or of which the substrate has a trace only. Without any EDS cannot tell the
// target from what it lies on.
func Distinct(target, substrate xray.Material, coating *xray.Material) []xray.Element {
	var out []xray.Element
	for _, c := range target.Components {
		below := substrate.Fraction(c.Element)
		if c.Element < 4 || below > 0.01 || target.Fraction(c.Element) < traceFactor*below || coating != nil && coating.Fraction(c.Element) > 0 {
			continue
		}
		out = append(out, c.Element)
	}
	return out
}
