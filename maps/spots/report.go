package spots

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
)

// report tests, names and sizes what was found.
func (s *cubeSearch) report(ctx context.Context, res *Result) error {
	f, opt := s.f, s.opt
	res.LLR = s.llrMap()
	res.Substrate, res.SubstrateCounts = s.ground.mean()
	res.SubstrateFrom = FromBlank
	if s.ground.refit() {
		res.SubstrateFrom = FromField
	}
	if res.BlankP = s.match.p; opt.Substrate != nil {
		res.Excess, res.ExcessSigma = s.match.excess, s.match.excessS
		res.LineExcess, res.LineExcessSigma = s.match.line, s.match.lineSigma
	}
	res.Information = s.info
	if len(s.ground.phases) > 1 {
		res.PhaseOf = append([]uint8(nil), s.ground.of...)
		res.Phases = phasesOf([]*Field{f}, [][]uint8{res.PhaseOf}, len(s.ground.phases))
	}
	res.Threshold = s.null.threshold(opt.Alpha)
	res.Uneven, res.OddShare = s.patches.uneven, s.patches.share

	list := make([]maps.Spot, len(s.spots))
	lineP := make([]float64, len(s.spots))
	j := newJudge(opt, f.Channels.From)
	s.m.sumUp()
	whole := append([]float64(nil), s.m.frac...)
	proofs := make([]*evidence, len(s.spots))
	parallel(len(s.spots), opt.Workers, func() func(int) {
		m := s.m.fork()
		return func(i int) {
			var win window
			list[i], win = s.measure(i, m, whole)
			proofs[i] = gather(f, &s.ground, opt.Nuisance, win)
			llr, n, sigma := j.ownLine(proofs[i])
			list[i].LineCounts, list[i].LineSigma = n, sigma
			lineP[i] = poisson.HalfChi2P(2 * llr)
		}
	})
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("spots: stopped: %w", err)
	}

	// The list: both the whole template and the own line must be significant, so
	// the p-value of a spot is the larger of the two (intersection–union test,
	// Berger 1982, Technometrics 24, 295). The maxima left over are part of the
	// family.
	n := len(list)
	p, template := make([]float64, n), make([]float64, n)
	for i := range list {
		template[i] = s.null.peakP(s.spots[i].u)
		p[i] = math.Max(template[i], math.Min(1, lineP[i]*s.perMaximum()))
		list[i].PValue = p[i]
	}
	for _, pk := range localMaxima(nil, s.last.u, s.w, s.h) {
		pv := s.null.peakP(pk.u)
		p, template = append(p, pv), append(template, pv)
	}
	q, loose := poisson.BenjaminiHochberg(p), poisson.BenjaminiHochberg(template)
	lowest := math.Inf(1)
	var keep []int
	for i := range n {
		list[i].QValue = q[i]
		switch {
		case q[i] <= opt.Q:
			keep = append(keep, i)
			lowest = math.Min(lowest, s.spots[i].u)
		case loose[i] <= opt.Q:
			list[i].Reason = fmt.Sprintf("the line family of %s itself is not significant (p = %.2g)", opt.Target.Name, lineP[i])
			res.Rejected = append(res.Rejected, list[i])
		}
	}
	parallel(len(keep), opt.Workers, func() func(int) {
		return func(k int) { j.verdict(&list[keep[k]], proofs[keep[k]]) }
	})
	for _, i := range keep {
		res.Spots = append(res.Spots, list[i])
	}
	strongest := func(a, b maps.Spot) int {
		return cmp.Or(cmp.Compare(b.LogLikelihood, a.LogLikelihood), cmp.Compare(a.YPx, b.YPx), cmp.Compare(a.XPx, b.XPx))
	}
	slices.SortStableFunc(res.Spots, strongest)
	slices.SortStableFunc(res.Rejected, strongest)
	for i := range res.Spots {
		res.Spots[i].ID = i + 1
	}
	for i := range res.Rejected {
		res.Rejected[i].ID = len(res.Spots) + i + 1
	}
	if len(keep) > 0 {
		res.ListThreshold = lowest
		res.ExpectedFalse = s.null.falsePeaks(lowest)
	}
	other := make([]bool, n)
	for _, i := range keep {
		other[i] = list[i].Verdict == maps.OtherCompound
	}
	s.fieldVerdict(res, j, whole, lineP, other)
	s.remark(res)
	if !opt.NoLimit {
		lim, err := s.limit(ctx)
		if err != nil {
			return err
		}
		res.Limit = lim
	}
	return nil
}

// fieldVerdict fills PValue: the smallest, over the spots not named as another
// compound and what is left beside them, of the larger of two p-values: of the
// field maximum, and of the own line times the number of places at which that
// line has been looked at.
func (s *cubeSearch) fieldVerdict(res *Result, j *judge, whole, lineP []float64, other []bool) {
	alpha := res.Options.Alpha
	us, ps := []float64{}, []float64{}
	passed := 0.0
	add := func(u, line float64) {
		us, ps = append(us, u), append(ps, line)
		if s.null.fieldP(u) <= alpha {
			passed++
		}
	}
	for i, sp := range s.spots {
		if other[i] {
			line := lineP[i]
			lineP[i] = 1
			add(sp.u, 1)
			lineP[i] = line
			continue
		}
		add(sp.u, lineP[i])
	}
	least, most := s.opt.MinWidthPx, 1.5*s.opt.Widths[len(s.opt.Widths)-1]
	for _, pk := range localMaxima(nil, s.last.u, s.w, s.h) {
		if s.null.fieldP(pk.u) > alpha {
			add(pk.u, 0)
			break
		}
		m := s.m.fork()
		copy(m.frac, whole)
		tr := s.bank.trials[s.last.arg[pk.p]]
		c := m.fit(component{x: float64(pk.p % s.w), y: float64(pk.p / s.w), s: s.opt.Widths[tr.width], f: tr.f}, least, most)
		if c.f <= 0 {
			continue
		}
		m.put(c, 1)
		llr, _, _ := j.ownLine(gather(s.f, &s.ground, s.opt.Nuisance, s.windowOf([]component{c}, m.frac)))
		add(pk.u, poisson.HalfChi2P(2*llr))
	}
	places := math.Max(passed, s.places())
	res.PValue = 1
	for i, u := range us {
		res.PValue = math.Min(res.PValue, math.Max(s.null.fieldP(u), math.Min(1, ps[i]*places)))
	}
	res.Detected = res.PValue <= alpha
}

// coveredShare is the share of a field above the decision threshold from which
// spots are the wrong picture (choice of this package).
const coveredShare = 0.3

// remark says what a reader should know about the run.
func (s *cubeSearch) remark(res *Result) {
	add := func(format string, args ...any) { res.Remarks = append(res.Remarks, fmt.Sprintf(format, args...)) }
	if m := s.match; m.p < blankAlpha {
		then := "the field's own spectrum was used instead"
		if !s.ground.refit() {
			then = "it was used all the same"
		}
		add("the blank spectrum does not describe the substrate of this field (p = %.2g; channels %d to %d hold %.0f counts where %.0f are expected): %s", m.p, s.f.Channels.From+m.from, s.f.Channels.From+m.to, m.got, m.want, then)
	}
	if s.ground.refit() {
		add("the substrate spectrum comes from the field itself, without the spots found; faint wide spots are lost more often than with a blank field")
	}
	if n := len(res.Phases); n > 1 {
		text := make([]string, n)
		for i, ph := range res.Phases {
			text[i] = fmt.Sprintf("%.0f %%", 100*ph.Share)
		}
		add("the substrate of this field has %d phases (%s of the pixels); each pixel was weighed against its own", n, strings.Join(text, ", "))
	}
	above := 0
	for _, u := range s.first.u {
		if u > res.Threshold {
			above++
		}
	}
	if share := float64(above) / float64(len(s.first.u)); share > coveredShare {
		add("%.0f %% of the field lie above the decision threshold: the target covers it rather than lies in spots; see the excess of the whole field", 100*share)
	}
	switch {
	case res.Uneven:
		add("the spectrum of the field varies from place to place by itself (relief, phases, films): the own line of %s must be significant over all places, so that faint spots are missed", res.Options.Target.Name)
	case res.OddShare > 0:
		add("%.2g %% of the field have another spectrum than the rest and are left out of the substrate", 100*res.OddShare)
	}
	if n := len(res.Rejected); n > 0 {
		add("%s", rejectedText(n, res.Options.Target.Name))
	}
	if n := float64(len(s.spots) + len(localMaxima(nil, s.last.u, s.w, s.h))); n > s.opt.Q*float64(len(s.null.heights)+1) {
		add("%d replicas are too few for this field: a spot alone among %.0f maxima cannot be listed at a false discovery rate of %.3g", s.opt.Bootstrap, n, s.opt.Q)
	}
	if len(s.spots) >= s.opt.MaxSpots {
		add("the search ended at %d spots", s.opt.MaxSpots)
	}
	if len(res.Options.Confusers) == 0 {
		add("no other compound was offered: a verdict %q rests on the ratio of the lines alone", maps.TargetVerdict)
	}
	if mean := s.total / float64(s.f.W*s.f.H); mean < 1 {
		add("%.2g counts per pixel: positions and widths are coarse", mean)
	}
}

func rejectedText(n int, target string) string {
	if n == 1 {
		return fmt.Sprintf("1 maximum of the whole template lacks the line family of %s and is not listed", target)
	}
	return fmt.Sprintf("%d maxima of the whole template lack the line family of %s and are not listed", n, target)
}
