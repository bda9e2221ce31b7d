package spots

import (
	"fmt"
	"math"
	"slices"

	"example.org/fleck/maps"
)

// Combine joins what two fields of one place, recorded at different beam energies,
// say about each spot of the first: the log-likelihoods of a compound in both add
// up, since the counts are independent. A spot of the second belongs to one of the
// first within distanceUm, the nearest first, each once; positions are those in
// micrometres, so that the fields must be registered (see FindOffset and Offset.Move).
// margin is that of Options; 0 means its default.
//
// Spots without a partner stay as they are; pairs counts the others. A compound that was not offered in both
// fields, or named together with another in one, takes no part. Spots that hold
// counts no compound explains in either field get no name.
func Combine(first, second []maps.Spot, distanceUm, margin float64) (list []maps.Spot, pairs int, err error) {
	if margin == 0 {
		margin = defaultMargin
	}
	if !(distanceUm > 0) || math.IsInf(distanceUm, 0) || !(margin > 0) {
		return nil, 0, fmt.Errorf("spots: distance %g µm, margin %g; both must be above 0", distanceUm, margin)
	}
	type pair struct {
		a, b int
		d    float64
	}
	var near []pair
	for a, s := range first {
		for b, o := range second {
			d := math.Hypot(s.XUm-o.XUm, s.YUm-o.YUm)
			if math.IsNaN(d) {
				return nil, 0, fmt.Errorf("spots: spot %d or %d has no position in µm; both fields must state their pixel size", s.ID, o.ID)
			}
			if d <= distanceUm {
				near = append(near, pair{a, b, d})
			}
		}
	}
	slices.SortStableFunc(near, func(p, q pair) int {
		switch {
		case p.d < q.d:
			return -1
		case p.d > q.d:
			return 1
		}
		return 0
	})
	list = slices.Clone(first)
	usedA, usedB := make([]bool, len(first)), make([]bool, len(second))
	for _, p := range near {
		if !usedA[p.a] && !usedB[p.b] {
			usedA[p.a], usedB[p.b] = true, true
			list[p.a] = joined(first[p.a], second[p.b], margin)
			pairs++
		}
	}
	return list, pairs, nil
}

// joined returns spot a with the verdict of both.
func joined(a, b maps.Spot, margin float64) maps.Spot {
	sum := map[string]float64{}
	var names []string
	for n, v := range a.Evidence {
		if w, ok := b.Evidence[n]; ok {
			sum[n] = v + w
			names = append(names, n)
		}
	}
	slices.Sort(names)
	if len(names) == 0 {
		return a
	}
	best := names[0]
	for _, n := range names {
		if sum[n] < sum[best] {
			best = n
		}
	}
	gap, rival := math.Inf(1), ""
	for _, n := range names {
		if d := sum[n] - sum[best]; n != best && d < gap {
			gap, rival = d, n
		}
	}
	s := a
	s.Evidence = make(map[string]float64, len(names))
	for _, n := range names {
		s.Evidence[n] = sum[n] - sum[best]
	}
	s.Verdict, s.Compound = maps.CannotTell, ""
	switch {
	case a.Doubt != "" || b.Doubt != "":
		s.Reason = a.Doubt
		if a.Doubt == "" {
			s.Reason = b.Doubt
		}
		s.Doubt = s.Reason
	case gap < margin:
		s.Reason = fmt.Sprintf("%s and %s fit alike in both fields together: log-likelihoods %.2f apart, %.2f are needed", best, rival, gap, margin)
	default:
		s.Verdict, s.Compound = maps.OtherCompound, best
		if a.Target != "" && best == a.Target {
			s.Verdict = maps.TargetVerdict
		}
		s.Reason = fmt.Sprintf("%s fits best in both fields together", best)
		if rival != "" {
			s.Reason += fmt.Sprintf(", better than %s by %.1f in log-likelihood", rival, gap)
		}
	}
	return s
}
