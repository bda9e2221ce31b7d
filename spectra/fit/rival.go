package fit

import (
	"math"
	"slices"

	"example.org/fleck/spectra/xray"
)

// rivalMisfit is the misfit, above that of the chosen elements, up to which a
// trial leaves open whether a rival describes the spectrum as well once its line
// shares are refined. Common practice, no source.
const rivalMisfit = 60

// rivalDeviance is the excess of the deviance, in units of its scatter, beyond
// which a rival is excluded: five standard deviations.
const rivalDeviance = 25

// rivals returns the elements that, put in place of c, describe the spectrum
// about as well at the fitted scale and resolution, among those asked for.
func (id *identifier) rivals(r *Result, tr *trials, c candidate, asked func(candidate) bool) ([]xray.Element, error) {
	chosen, refined := id.chosen, id.refined
	defer func() { id.chosen, id.refined = chosen, refined }()
	without := slices.DeleteFunc(slices.Clone(chosen), func(x candidate) bool { return x.element == c.element })
	reference := tr.misfit(chosen)
	var out []xray.Element
	for _, rival := range id.candidates {
		if slices.ContainsFunc(chosen, func(x candidate) bool { return x.element == rival.element }) || !near(rival, c, id.s.BeamEnergy, r.Detector) || !asked(rival) {
			continue
		}
		if tr.with(without, rival)-reference > rivalMisfit {
			continue
		}
		if id.ownOf != r {
			own, err := id.rivalFit(r)
			if err != nil {
				return nil, err
			}
			id.own, id.ownOf = own, r
		}
		id.chosen, id.refined = append(slices.Clone(without), rival), refined
		other, err := id.rivalFit(r)
		if err != nil {
			return nil, err
		}
		scatter := math.Max(1, id.own.Deviance/id.own.ExpectedDeviance)
		if other.penalised()-id.own.penalised() < rivalDeviance*scatter && consistent(other, rival.element) {
			out = append(out, rival.element)
		}
	}
	return out, nil
}

// rivalFit fits the chosen candidates with as many steps as a set that describes
// the spectrum needs.
func (id *identifier) rivalFit(r *Result) (*Result, error) {
	defer func(n int) { id.fitOpt.MaxIterations = n }(id.fitOpt.MaxIterations)
	id.fitOpt.MaxIterations = 25
	return id.fit(false, r)
}

// strongest returns the index of the most significant of the families of c, the
// first of which has index i.
func (id *identifier) strongest(r *Result, i int, c candidate) int {
	best := i
	for j := i; j < i+len(c.families); j++ {
		if id.significance(r, j) > id.significance(r, best) {
			best = j
		}
	}
	return best
}

// prefer replaces chosen elements by rivals that describe the spectrum about as
// well with a family whose line shares are better known, K before L before M:
// the more the shares may vary, the easier a family fits what is not its own.
func (id *identifier) prefer(r *Result) (bool, error) {
	tr, err := id.trials(r, true)
	if err != nil {
		return false, err
	}
	changed := false
	first := 0
	for k, c := range slices.Clone(id.chosen) {
		own := r.Families[id.strongest(r, first, c)].Family
		first += len(c.families)
		if own.Family == xray.FamilyK {
			continue
		}
		simpler := func(x candidate) bool {
			f, ok := nearestFamily(x, own, id.s.BeamEnergy)
			return ok && f.Family < own.Family
		}
		rivals, err := id.rivals(r, tr, c, simpler)
		if err != nil {
			return false, err
		}
		for _, z := range rivals {
			x := id.candidates[slices.IndexFunc(id.candidates, func(x candidate) bool { return x.element == z })]
			if simpler(x) {
				own, _ = nearestFamily(x, own, id.s.BeamEnergy)
				id.chosen[k], changed = x, true
			}
		}
	}
	return changed, nil
}

// swap replaces chosen elements by near rivals that leave a smaller misfit:
// what looked best when it stood alone need not be once the others are in.
func (id *identifier) swap(r *Result) (bool, error) {
	changed := false
	tr, err := id.trials(r, false)
	if err != nil {
		return false, err
	}
	for k := range id.chosen {
		base := tr.misfit(id.chosen)
		best, lowest := -1, base-9
		for i, rival := range id.candidates {
			if slices.ContainsFunc(id.chosen, func(x candidate) bool { return x.element == rival.element }) ||
				!near(rival, id.chosen[k], id.s.BeamEnergy, r.Detector) {
				continue
			}
			if m := tr.with(slices.Delete(slices.Clone(id.chosen), k, k+1), rival); m < lowest {
				best, lowest = i, m
			}
		}
		if best >= 0 {
			id.chosen[k] = id.candidates[best]
			changed = true
		}
	}
	return changed, nil
}
