package fit

import (
	"cmp"
	"fmt"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/poisson"
	"example.org/fleck/spectra/xray"
)

// IdentifyOptions steer Identify. The zero value works.
type IdentifyOptions struct {
	Detector spectra.Detector
	// Candidates limits the search. Default: every element from Be to Am but
	// the noble gases and those without a long-lived isotope.
	Candidates []xray.Element
	// Q is the false discovery rate over all candidates. Default 0.01.
	Q float64
	// ModelError is the relative error of the model (continuum, peak shape)
	// that a weak line must exceed beside the counting statistics. Default
	// 0.02 (common practice, no source).
	ModelError float64
	// Specimen makes the specimen from the elements found so far, strongest
	// first; nil means no specimen absorption.
	Specimen func(*Result) Specimen
	// Coating lists the elements of a coating: where they show, they are named as
	// artefacts and not among the elements.
	Coating []xray.Element
	// LowEV and HighEV bound the range as in Options.
	LowEV, HighEV float64
	// MaxElements bounds the list. Default 20.
	MaxElements int
}

// Presence says whether an element was identified.
type Presence string

// Values of Presence.
const (
	Present   Presence = "present"
	Ambiguous Presence = "ambiguous" // present, or another element of its group
	Absent    Presence = "absent"
)

// Identified is one element of an Identification.
type Identified struct {
	Element   xray.Element
	Family    xray.Family // its most significant family
	NetCounts float64     // of that family
	Sigma     float64
	QValue    float64
	Status    Presence
	LinesSeen int            // line groups of the element that stand out on their own
	Group     []xray.Element // elements that explain the same peaks about as well; empty when none
}

// Identification is the answer of Identify.
type Identification struct {
	Elements  []Identified // by falling significance
	Artefacts []Artefact
	Fit       *Result // the fit with the elements found
	Tested    int     // candidates tested
}

// Identify finds which elements a spectrum shows. Elements are added one at a
// time, each as a whole with all its families, the one that explains most of
// what is left first; after each the spectrum is fitted again. At the end
// every element must still be significant with all others in place, with the
// false discovery rate over all candidates controlled (Benjamini & Hochberg
// 1995), its p-value being that of its most significant family.
//
// Escape and sum peaks and silicon of the detector are part of the model, so
// they are reported as artefacts and not as elements.
func Identify(s *spectra.Spectrum, opt IdentifyOptions) (*Identification, error) {
	if err := s.Validate(); err != nil {
		return nil, err
	}
	if opt.Q == 0 {
		opt.Q = 0.01
	}
	if opt.Q <= 0 || opt.Q >= 1 {
		return nil, fmt.Errorf("fit: a false discovery rate of %g; between 0 and 1 is accepted", opt.Q)
	}
	if opt.ModelError == 0 {
		opt.ModelError = 0.02
	}
	if opt.MaxElements == 0 {
		opt.MaxElements = 20
	}
	if opt.Candidates == nil {
		opt.Candidates = DefaultCandidates()
	}
	id := &identifier{s: s, opt: opt}
	if err := id.prepare(); err != nil {
		return nil, err
	}
	out, err := id.run()
	if err != nil {
		return nil, err
	}
	out.Fit.doubts(s)
	return out, nil
}

type identifier struct {
	s           *spectra.Spectrum
	opt         IdentifyOptions
	fitOpt      Options
	candidates  []candidate
	chosen      []candidate
	specimen    Specimen
	specimenFor *Result // the result that specimen was made from
	own, ownOf  *Result // the fit that rivals to the elements of ownOf are compared with
	refined     *Result // the last fit that refined scale and resolution
	fixShares   bool    // line shares as computed
	silicon     bool    // the detector's own silicon is in the model
}

func (id *identifier) prepare() error {
	id.fitOpt = Options{Detector: id.opt.Detector, LowEV: id.opt.LowEV, HighEV: id.opt.HighEV}
	o, err := id.fitOpt.withDefaults(id.s)
	if err != nil {
		return err
	}
	// The main line must lie clear of the ends of the range.
	for _, z := range id.opt.Candidates {
		low := o.LowEV
		if id.opt.LowEV == 0 {
			low = LowEV([]xray.Element{z}, id.s.BeamEnergy)
		}
		fams := FamiliesOf([]xray.Element{z}, id.s.BeamEnergy, low+20, o.HighEV-50)
		if len(fams) > 0 {
			id.candidates = append(id.candidates, candidate{z, fams})
		}
	}
	if len(id.candidates) == 0 {
		return fmt.Errorf("fit: no candidate element has a line between %.0f and %.0f eV at a beam energy of %g keV", o.LowEV, o.HighEV, id.s.BeamEnergy.KeV())
	}
	return nil
}

// forward fits the elements chosen so far. The scale is refined while strong
// elements come in; weak ones do not move it.
func (id *identifier) forward(r *Result, z float64) (*Result, error) {
	id.fixShares = true
	defer func() { id.fixShares = false }()
	return id.fit(len(id.chosen) > 8 && z < 30, r)
}

// fit fits the chosen candidates; quick keeps scale and resolution of the
// previous result.
func (id *identifier) fit(quick bool, previous *Result) (*Result, error) {
	o := id.options(previous)
	o.FixWeights = id.fixShares
	for _, c := range id.chosen {
		o.Families = append(o.Families, c.families...)
	}
	if previous != nil && quick {
		moved := *id.s
		moved.Calibration = previous.Calibration
		o.Detector = previous.Detector
		o.FixCalibration = true
		return spectrum(&moved, o, nil)
	}
	if len(id.chosen) == 0 {
		o.FixCalibration = true
		return spectrum(id.s, o, nil)
	}
	r, err := spectrum(id.s, o, id.refined)
	if err == nil {
		id.refined = r
	}
	return r, err
}

// options returns the options of a fit that follows on previous: the specimen is
// made of the elements found so far.
func (id *identifier) options(previous *Result) Options {
	o := id.fitOpt
	o.NoDetectorSilicon = !id.silicon
	if id.opt.Specimen != nil && previous != nil && len(previous.Families) > 0 {
		if id.specimenFor != previous {
			id.specimen, id.specimenFor = id.opt.Specimen(previous), previous
		}
		o.Specimen = id.specimen
	}
	return o
}

// trials prepares trials of candidates in place of or beside those of r. While
// elements may be missing they keep the stated scale and detector: fitted ones
// would have moved to make up for what is missing.
func (id *identifier) trials(r *Result, fitted bool) (*trials, error) {
	s, o := *id.s, id.options(r)
	o.LowEV, o.HighEV = r.Options.LowEV, r.Options.HighEV
	if fitted {
		s.Calibration, o.Detector = r.Calibration, r.Detector
	}
	return newTrials(&s, o)
}

func (id *identifier) run() (*Identification, error) {
	r, err := id.fit(false, nil)
	if err != nil {
		return nil, err
	}
	if r.Status == Empty {
		return &Identification{Fit: r, Tested: len(id.candidates)}, nil
	}
	for len(id.chosen) < id.opt.MaxElements {
		best, z, err := id.best(r)
		if err != nil {
			return nil, err
		}
		if best < 0 {
			break
		}
		id.chosen = append(id.chosen, id.candidates[best])
		// Line shares stay as computed until all elements are in: free shares
		// of one element would take the peaks of the next.
		next, err := id.forward(r, z)
		if err != nil {
			return nil, err
		}
		r = next
	}
	swapped, err := id.swap(r)
	if err != nil {
		return nil, err
	}
	if swapped {
		if r, err = id.fit(false, r); err != nil {
			return nil, err
		}
	}
	id.detectorSilicon(r)
	for round := 0; ; round++ {
		id.refined = nil // with the line shares free, a fit of its own
		if r, err = id.fit(false, r); err != nil {
			return nil, err
		}
		if round < maxPreferRounds {
			preferred, err := id.prefer(r)
			if err != nil {
				return nil, err
			}
			if preferred {
				continue
			}
		}
		keep := id.significant(r)
		if len(keep) == len(id.chosen) {
			break
		}
		id.chosen = keep
	}
	return id.report(r)
}

// maxPreferRounds bounds the rounds in which rivals may still take the place of
// chosen elements; after that elements can only be dropped.
const maxPreferRounds = 4

// maxDetectorSilicon is the share of the counts above the silicon K edge up to
// which a silicon peak may come from the detector itself: dead layer, window
// grid, collimator. Common practice, no source.
const maxDetectorSilicon = 0.02

// detectorSilicon takes silicon off the list when its peak is weak enough to
// come from the detector; the model's own term then takes its place.
func (id *identifier) detectorSilicon(r *Result) {
	i := slices.IndexFunc(r.Families, func(f FamilyResult) bool { return f.Element == 14 && f.Family.Family == xray.FamilyK })
	above := window(r.counts, r.Calibration.Channel(1950)-float64(r.LowChannel), float64(len(r.counts)))
	if i >= 0 && r.Families[i].NetCounts > maxDetectorSilicon*above {
		return
	}
	id.chosen = slices.DeleteFunc(id.chosen, func(c candidate) bool { return c.element == 14 })
	id.silicon = true
}

func (id *identifier) report(r *Result) (*Identification, error) {
	tr, err := id.trials(r, true)
	if err != nil {
		return nil, err
	}
	out := &Identification{Fit: r, Tested: len(id.candidates)}
	z := id.elementZ(r)
	p := make([]float64, len(id.candidates))
	for i := range p {
		p[i] = 1
	}
	for k, c := range id.chosen {
		for i := range id.candidates {
			if id.candidates[i].element == c.element {
				p[i] = tail(z[k])
			}
		}
	}
	q := poisson.BenjaminiHochberg(p)
	var coating []Artefact
	i := 0
	for _, c := range id.chosen {
		e := Identified{Element: c.element, Status: Present}
		top := r.Families[id.strongest(r, i, c)]
		e.Family, e.NetCounts, e.Sigma = top.Family.Family, top.NetCounts, top.Sigma
		for range c.families {
			e.LinesSeen += id.groupsSeen(r, i)
			i++
		}
		for j := range id.candidates {
			if id.candidates[j].element == c.element {
				e.QValue = q[j]
			}
		}
		if e.Group, err = id.rivals(r, tr, c, func(candidate) bool { return true }); err != nil {
			return nil, err
		}
		if len(e.Group) > 0 {
			e.Status = Ambiguous
		}
		if slices.Contains(id.opt.Coating, c.element) {
			coating = append(coating, coatingLine(e, id.s.BeamEnergy))
			continue
		}
		out.Elements = append(out.Elements, e)
	}
	slices.SortStableFunc(out.Elements, func(a, b Identified) int {
		return cmp.Compare(b.NetCounts/b.Sigma, a.NetCounts/a.Sigma)
	})
	out.Artefacts = append(artefacts(r), coating...)
	slices.SortStableFunc(out.Artefacts, func(a, b Artefact) int { return cmp.Compare(a.EnergyEV, b.EnergyEV) })
	return out, nil
}
