package fit

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

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

// ArtefactKind names a feature that is not a line of the specimen.
type ArtefactKind string

// Kinds of artefact.
const (
	EscapePeak      ArtefactKind = "escape"
	SumPeak         ArtefactKind = "sum"
	DetectorSilicon ArtefactKind = "detector silicon"
)

// Artefact is a feature of the spectrum that is no line of the specimen.
type Artefact struct {
	Kind     ArtefactKind
	EnergyEV float64
	Counts   float64 // expected
	Of       string  // the lines it comes from
}

// Identification is the answer of Identify.
type Identification struct {
	Elements  []Identified // by falling significance
	Artefacts []Artefact
	Fit       *Result // the fit with the elements found
	Tested    int     // candidates tested
}

// DefaultCandidates returns Be to Am without the noble gases and the elements
// that have no long-lived isotope.
func DefaultCandidates() []xray.Element {
	var out []xray.Element
	for z := xray.Element(4); z <= 92; z++ {
		switch z {
		case 10, 18, 36, 54, 86, 43, 61, 84, 85, 87, 88, 89, 91:
			continue
		}
		out = append(out, z)
	}
	return out
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
	return id.run()
}

type candidate struct {
	element  xray.Element
	families []Family
}

type identifier struct {
	s           *spectra.Spectrum
	opt         IdentifyOptions
	fitOpt      Options
	candidates  []candidate
	chosen      []candidate
	specimen    Specimen
	specimenFor *Result // the result that specimen was made from
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

func (id *identifier) fit(chosen []candidate, quick bool, previous *Result) (*Result, error) {
	return id.fitWith(chosen, quick, false, previous)
}

// forward fits the elements chosen so far. The scale is refined while strong
// elements come in; weak ones do not move it.
func (id *identifier) forward(r *Result, z float64) (*Result, error) {
	id.fixShares = true
	defer func() { id.fixShares = false }()
	return id.fit(id.chosen, len(id.chosen) > 8 && z < 30, r)
}

// fitWith fits a set of candidates. quick keeps scale and resolution of the
// previous result; trial keeps the stated scale and the computed line shares: with
// elements missing, a free scale would move to make up for them.
func (id *identifier) fitWith(chosen []candidate, quick, trial bool, previous *Result) (*Result, error) {
	o := id.fitOpt
	o.FixWeights = id.fixShares
	if trial {
		o.FixWeights, o.FixCalibration, o.MaxIterations = true, true, 20
	}
	o.NoDetectorSilicon = !id.silicon
	o.Families = nil
	for _, c := range chosen {
		o.Families = append(o.Families, c.families...)
	}
	s := id.s
	if previous != nil && quick {
		moved := *id.s
		moved.Calibration = previous.Calibration
		s = &moved
		o.Detector = previous.Detector
		o.FixCalibration = true
	}
	if len(chosen) == 0 {
		o.FixCalibration = true
	}
	if id.opt.Specimen != nil && previous != nil && len(previous.Families) > 0 {
		if id.specimenFor != previous {
			id.specimen, id.specimenFor = id.opt.Specimen(previous), previous
		}
		o.Specimen = id.specimen
	}
	return spectrum(s, o)
}

func (id *identifier) run() (*Identification, error) {
	r, err := id.fit(nil, false, nil)
	if err != nil {
		return nil, err
	}
	if r.Status == Empty {
		return &Identification{Fit: r, Tested: len(id.candidates)}, nil
	}
	for len(id.chosen) < id.opt.MaxElements {
		best, z := id.best(r)
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
	if id.swap(r) {
		if r, err = id.fit(id.chosen, false, r); err != nil {
			return nil, err
		}
	}
	id.detectorSilicon(r)
	for round := 0; round < 4; round++ {
		if r, err = id.fit(id.chosen, false, r); err != nil {
			return nil, err
		}
		keep := id.significant(r)
		if len(keep) == len(id.chosen) {
			break
		}
		id.chosen = keep
	}
	return id.report(r), nil
}

// maxDetectorSilicon is the share of the counts above the silicon K edge up to
// which a silicon peak may come from the detector itself: dead layer, window
// grid, collimator. Common practice, no source.
const maxDetectorSilicon = 0.02

// detectorSilicon takes silicon off the list when its peak is weak enough to
// come from the detector; the model's own term then takes its place.
func (id *identifier) detectorSilicon(r *Result) {
	i := slices.IndexFunc(r.Families, func(f FamilyResult) bool { return f.Element == 14 && f.Family.Family == xray.FamilyK })
	above := window(r.counts, r.Calibration.Channel(1950)-float64(r.LowChannel), math.Inf(1))
	if i >= 0 && r.Families[i].NetCounts > maxDetectorSilicon*above {
		return
	}
	id.chosen = slices.DeleteFunc(id.chosen, func(c candidate) bool { return c.element == 14 })
	id.silicon = true
}

// shortList is the number of candidates, best score first, that are tried by
// a fit before one is chosen: more for the first elements, whose strong peaks
// give many neighbours high scores.
func (id *identifier) shortList() int { return max(10, 40-10*len(id.chosen)) }

// best returns the candidate, not chosen yet, that explains most of what is
// left, and its significance. Each family is first judged by its score after
// the families already in the model have taken their share, with the model
// error added to the counting variance; the best few are then fitted.
func (id *identifier) best(r *Result) (int, float64) {
	proj := newProjector(r)
	type score struct {
		index   int
		z, gain float64
	}
	var scores []score
	for i, c := range id.candidates {
		if slices.ContainsFunc(id.chosen, func(x candidate) bool { return x.element == c.element }) ||
			id.silicon && c.element == 14 {
			continue
		}
		sc := score{index: i}
		for _, f := range c.families {
			fl, err := linesOf(f, id.s.BeamEnergy, r.Detector, r.Options.Specimen)
			if err != nil {
				continue
			}
			u, info := proj.score(templateOf(fl, r))
			if info <= 0 {
				continue
			}
			z := u / math.Sqrt(info+id.opt.ModelError*id.opt.ModelError)
			if z > 0 {
				sc.gain += z * z
			}
			sc.z = math.Max(sc.z, z)
		}
		if sc.z > 0 {
			scores = append(scores, sc)
		}
	}
	slices.SortStableFunc(scores, func(a, b score) int { return cmp.Compare(b.gain, a.gain) })
	if len(scores) == 0 || scores[0].z < minScore {
		return -1, 0
	}
	top, lowest := scores[0], math.Inf(1)
	for _, sc := range scores[:min(id.shortList(), len(scores))] {
		if sc.z < minScore {
			continue
		}
		dev := id.trialMisfit(r, append(slices.Clone(id.chosen), id.candidates[sc.index]))
		if dev < lowest {
			top, lowest = sc, dev
		}
	}
	return top.index, top.z
}

// minScore is the significance a candidate must reach to be tried at all; the
// false-discovery rule decides later.
const minScore = 4

// templateOf returns the unit-area template of a family over r's channels.
func templateOf(fl familyLines, r *Result) []float64 {
	dst := make([]float64, len(r.Model))
	cal := r.Calibration
	cal.OffsetEV = float64(cal.Energy(float64(r.LowChannel)))
	for _, g := range fl.groups {
		g.add(dst, cal, r.Detector, g.weight)
	}
	return dst
}

// significance returns a family's net counts over its uncertainty, with the
// model error of what lies under its main peak added.
func (id *identifier) significance(r *Result, i int) float64 {
	f := r.Families[i]
	if f.AtZero || !(f.Sigma > 0) {
		return 0
	}
	own := r.FamilyModel(i)
	under, area := 0.0, 0.0
	peak := slices.Max(own)
	for c, m := range own {
		if m > 0.3*peak {
			under += r.Model[c] - m
			area += m
		}
	}
	if area <= 0 {
		return 0
	}
	systematic := id.opt.ModelError * under * f.NetCounts / area
	return f.NetCounts / math.Hypot(f.Sigma, systematic)
}

// significant returns the chosen elements that pass the false-discovery rule
// and whose families fit together.
func (id *identifier) significant(r *Result) []candidate {
	z := id.elementZ(r)
	p := make([]float64, len(id.candidates))
	for i := range p {
		p[i] = 1
	}
	index := map[xray.Element]int{}
	for i, c := range id.candidates {
		index[c.element] = i
	}
	for k, c := range id.chosen {
		p[index[c.element]] = tail(z[k])
	}
	q := poisson.BenjaminiHochberg(p)
	var keep []candidate
	for _, c := range id.chosen {
		if q[index[c.element]] <= id.opt.Q && consistent(r, c.element) {
			keep = append(keep, c)
		}
	}
	return keep
}

// elementZ returns the greatest family significance of each chosen element.
func (id *identifier) elementZ(r *Result) []float64 {
	out := make([]float64, len(id.chosen))
	i := 0
	for k, c := range id.chosen {
		for range c.families {
			out[k] = math.Max(out[k], id.significance(r, i))
			i++
		}
	}
	return out
}

func tail(z float64) float64 { return distuv.UnitNormal.Survival(z) }

func (id *identifier) report(r *Result) *Identification {
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
	i := 0
	for _, c := range id.chosen {
		e := Identified{Element: c.element, Status: Present}
		bestZ := -1.0
		for range c.families {
			if zi := id.significance(r, i); zi > bestZ {
				bestZ = zi
				e.Family, e.NetCounts, e.Sigma = r.Families[i].Family.Family, r.Families[i].NetCounts, r.Families[i].Sigma
			}
			e.LinesSeen += id.groupsSeen(r, i)
			i++
		}
		for j := range id.candidates {
			if id.candidates[j].element == c.element {
				e.QValue = q[j]
			}
		}
		e.Group = id.rivals(r, c)
		if len(e.Group) > 0 {
			e.Status = Ambiguous
		}
		out.Elements = append(out.Elements, e)
	}
	slices.SortStableFunc(out.Elements, func(a, b Identified) int {
		return cmp.Compare(b.NetCounts/b.Sigma, a.NetCounts/a.Sigma)
	})
	out.Artefacts = artefacts(r)
	return out
}

// groupsSeen counts the line groups of family i that stand out on their own.
func (id *identifier) groupsSeen(r *Result, i int) int {
	d := r.design
	cal := r.Calibration
	cal.OffsetEV = float64(cal.Energy(float64(d.lo)))
	n := 0
	for k, g := range d.families[i].groups {
		area := d.families[i].groups[k].weight * r.state.family[i] * math.Exp(r.state.dev[d.groupsOf[i][k]])
		if area <= 0 {
			continue
		}
		t := make([]float64, len(r.Model))
		g.add(t, cal, r.Detector, 1)
		info := 0.0
		for c, v := range t {
			info += v * v / r.Model[c]
		}
		if area*info/math.Sqrt(info+id.opt.ModelError*id.opt.ModelError) > 3 {
			n++
		}
	}
	return n
}

// rivals returns the elements that, put in place of c, describe the spectrum
// about as well: their misfit is greater by less than 9 (three standard
// deviations).
func (id *identifier) rivals(r *Result, c candidate) []xray.Element {
	without := slices.DeleteFunc(slices.Clone(id.chosen), func(x candidate) bool { return x.element == c.element })
	reference := id.trialMisfit(r, id.chosen)
	var out []xray.Element
	for _, rival := range id.candidates {
		if slices.ContainsFunc(id.chosen, func(x candidate) bool { return x.element == rival.element }) || !near(rival, c, id.s.BeamEnergy, r.Detector) {
			continue
		}
		if id.trialMisfit(r, append(slices.Clone(without), rival))-reference < 9 {
			out = append(out, rival.element)
		}
	}
	return out
}

// near reports whether a main line of a lies within one FWHM of one of b.
func near(a, b candidate, beam xray.Energy, det spectra.Detector) bool {
	for _, fa := range a.families {
		la, _ := MainLine(fa.Element, fa.Family, beam)
		for _, fb := range b.families {
			lb, _ := MainLine(fb.Element, fb.Family, beam)
			if math.Abs(float64(la.Energy-lb.Energy)) < det.FWHM(lb.Energy) {
				return true
			}
		}
	}
	return false
}

// trialMisfit fits a set of candidates with computed line shares and returns
// its misfit: Σ (n−m)²/(m + (shapeError·max(n, m))² + 1), the squared residuals in units
// of counting statistics and model error. On strong peaks it asks whether a
// candidate explains the peak, not how exactly, which depends on shares and
// shapes that are refined later.
func (id *identifier) trialMisfit(r *Result, set []candidate) float64 {
	t, err := id.fitWith(set, false, true, r)
	if err != nil || !consistent(t, set[len(set)-1].element) {
		return math.Inf(1)
	}
	return misfit(t)
}

// consistent reports whether the families of element z have counts that fit
// together: where a softer family is seen, a harder one that the beam excites
// well must not be missing. Expected are the counts of a thin specimen;
// a bulk one has more of the harder family by absorption of the softer, and
// less near the threshold by slowing down. Less than missingShare of the
// expectation, with its uncertainty, is missing.
func consistent(r *Result, z xray.Element) bool {
	type seen struct {
		FamilyResult
		expected float64
	}
	var fams []seen
	for _, f := range r.Families {
		if f.Element != z {
			continue
		}
		main, ok := MainLine(z, f.Family.Family, r.beam)
		edge, okEdge := z.Edge(main.Initial)
		if !ok || !okEdge || r.beam > 0 && float64(r.beam) < 1.25*float64(edge) {
			continue
		}
		fams = append(fams, seen{f, xray.ProductionCrossSection(z, f.Family.Family, r.beam) * r.Options.Detector.Efficiency(main.Energy)})
	}
	for i, soft := range fams {
		for _, hard := range fams[:i] { // K before L before M
			if soft.expected <= 0 || !(soft.Significance() > 4) {
				continue
			}
			want := missingShare * soft.NetCounts * hard.expected / soft.expected
			if want > 20 && hard.NetCounts+3*hard.Sigma < want {
				return false
			}
		}
	}
	return true
}

// missingShare is the share of the expected counts below which a family counts
// as missing: a wide margin for absorption, thresholds and atomic data (common
// practice, no source).
const missingShare = 0.04

// shapeError is the relative model error of a trial fit, for line shares and
// peak shapes that are not refined yet; common practice, no source.
const shapeError = 0.05

func misfit(r *Result) float64 {
	sum := 0.0
	for c, m := range r.Model {
		d := r.counts[c] - m
		e := shapeError * math.Max(m, r.counts[c])
		sum += d * d / (m + float64(e*e) + 1)
	}
	return sum
}

// swap replaces chosen elements by near rivals that leave a smaller misfit:
// what looked best when it stood alone need not be once the others are in.
func (id *identifier) swap(r *Result) bool {
	changed := false
	for k := range id.chosen {
		base := id.trialMisfit(r, id.chosen)
		best, lowest := -1, base-9
		for i, rival := range id.candidates {
			if slices.ContainsFunc(id.chosen, func(x candidate) bool { return x.element == rival.element }) ||
				!near(rival, id.chosen[k], id.s.BeamEnergy, r.Detector) {
				continue
			}
			set := append(slices.Delete(slices.Clone(id.chosen), k, k+1), rival)
			if m := id.trialMisfit(r, set); m < lowest {
				best, lowest = i, m
			}
		}
		if best >= 0 {
			id.chosen[k] = id.candidates[best]
			changed = true
		}
	}
	return changed
}

// artefacts lists escape, sum and detector-silicon features that hold counts
// beyond three standard deviations of the spectrum under them.
func artefacts(r *Result) []Artefact {
	var out []Artefact
	visible := func(e, counts float64) bool {
		ch := r.Calibration.Channel(xray.Energy(e)) - float64(r.LowChannel)
		w := r.Detector.FWHM(xray.Energy(e)) / r.Calibration.GainEV
		under := window(r.Model, ch-0.6*w, ch+0.6*w)
		return under > 0 && counts > 3*math.Sqrt(under)
	}
	type strong struct {
		label  string
		e      float64
		counts float64
	}
	var lines []strong
	for i, f := range r.Families {
		fl := r.design.families[i]
		for k, g := range fl.groups {
			area := g.weight * r.state.family[i] * math.Exp(r.state.dev[r.design.groupsOf[i][k]])
			main := slices.MaxFunc(g.lines, func(a, b groupedLine) int { return cmp.Compare(a.weight, b.weight) })
			e := float64(main.line.Energy)
			label := f.Element.Symbol() + " " + main.line.IUPAC()
			if area*main.escape > 0 && visible(e-float64(spectra.SiliconKEnergy), area*main.escape) {
				out = append(out, Artefact{Kind: EscapePeak, EnergyEV: e - float64(spectra.SiliconKEnergy), Counts: area * main.escape, Of: label})
			}
			if area > 0 {
				lines = append(lines, strong{label, e, area})
			}
		}
	}
	total := 0.0
	for _, n := range r.counts {
		total += n
	}
	if total > 0 && r.PileUpCounts > 0 {
		for i, a := range lines {
			for _, b := range lines[:i+1] {
				n := r.PileUpCounts * 2 * a.counts * b.counts / (total * total)
				of := b.label + " + " + a.label
				if a == b {
					n /= 2
				}
				if visible(a.e+b.e, n) {
					out = append(out, Artefact{Kind: SumPeak, EnergyEV: a.e + b.e, Counts: n, Of: of})
				}
			}
		}
	}
	if visible(float64(spectra.SiliconKEnergy), r.SiliconCounts) {
		out = append(out, Artefact{Kind: DetectorSilicon, EnergyEV: float64(spectra.SiliconKEnergy), Counts: r.SiliconCounts, Of: "silicon of detector and window"})
	}
	slices.SortStableFunc(out, func(a, b Artefact) int { return cmp.Compare(a.EnergyEV, b.EnergyEV) })
	return out
}
