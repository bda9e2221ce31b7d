package fit

import (
	"cmp"
	"math"
	"slices"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

type candidate struct {
	element  xray.Element
	families []Family
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

// shortList is the number of candidates, best score first, that are tried by
// a fit before one is chosen: more for the first elements, whose strong peaks
// give many neighbours high scores.
func (id *identifier) shortList() int { return max(10, 40-10*len(id.chosen)) }

// best returns the candidate, not chosen yet, that explains most of what is
// left, and its significance. Each family is first judged by its score after
// the families already in the model have taken their share, with the model
// error added to the counting variance; the best few are then fitted.
func (id *identifier) best(r *Result) (int, float64, error) {
	proj := newProjector(r)
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
	tr, err := id.trials(r, false)
	if err != nil {
		return -1, 0, err
	}
	top, lowest := score{index: -1}, math.Inf(1)
	if len(scores) == 0 || scores[0].z < minScore {
		// Nothing is left to explain, but for what the window hides.
		scores, lowest = nil, tr.misfit(id.chosen)-hiddenGain
	}
	list := scores[:min(id.shortList(), len(scores))]
	list = append(slices.Clone(list), id.hidden(list)...)
	for _, sc := range list {
		if sc.z < minScore {
			continue
		}
		dev := tr.with(id.chosen, id.candidates[sc.index])
		if dev < lowest {
			top, lowest = sc, dev
		}
	}
	if top.index >= 0 && top.gain == 0 {
		id.refined = nil // its window stands in for the element
	}
	return top.index, top.z, nil
}

// score is what a candidate promises.
type score struct {
	index   int
	z, gain float64
}

// hidden lists the candidates among the elements of the window that are neither
// chosen nor on the list: while elements are missing, the refined window takes
// the place of their lines, for C K lies just below its edge. Trials, which keep
// the window, show them.
func (id *identifier) hidden(list []score) []score {
	var out []score
	absorbing := spectra.ExtraElements()
	for i, c := range id.candidates {
		window := slices.Contains(absorbing[:], c.element)
		taken := slices.ContainsFunc(id.chosen, func(x candidate) bool { return x.element == c.element }) ||
			slices.ContainsFunc(list, func(s score) bool { return s.index == i }) || id.silicon && c.element == 14
		if window && !taken {
			out = append(out, score{index: i, z: minScore})
		}
	}
	return out
}

// hiddenGain is how much the misfit must fall by an element that the window
// hides: five standard deviations.
const hiddenGain = 25

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

// nearestFamily returns the family of c whose main line lies closest to that of f.
func nearestFamily(c candidate, f Family, beam xray.Energy) (Family, bool) {
	at, ok := MainLine(f.Element, f.Family, beam)
	best, least := Family{}, math.Inf(1)
	for _, g := range c.families {
		if l, okG := MainLine(g.Element, g.Family, beam); okG && math.Abs(float64(l.Energy-at.Energy)) < least {
			best, least = g, math.Abs(float64(l.Energy-at.Energy))
		}
	}
	return best, ok && !math.IsInf(least, 1)
}
