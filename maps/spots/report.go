package spots

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
)

// report tests, names and sizes what was found.
func (s *search) report(ctx context.Context, res *Result) error {
	f, opt := s.f, s.opt
	res.LLR = resultMap(f, s.first.u)
	res.Substrate = append([]float64(nil), s.bg.raw...)
	res.SubstrateCounts = s.bg.counts
	res.Information = s.cl.information()
	res.Threshold = s.null.threshold(opt.Alpha)

	list := make([]maps.Spot, len(s.spots))
	lineP := make([]float64, len(s.spots))
	j := newJudge(opt)
	s.m.sumUp(-1)
	whole := append([]float64(nil), s.m.frac...)
	proofs := make([]*evidence, len(s.spots))
	parallel(len(s.spots), opt.Workers, func() func(int) {
		own := *s.m // frac of its own
		own.frac = make([]float64, len(s.m.frac))
		return func(i int) {
			list[i], proofs[i] = s.measure(i, &own, whole)
			llr, n, sigma := proofs[i].ownLine(opt.Target, nil)
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
		p[i] = math.Max(template[i], lineP[i])
		list[i].PValue = p[i]
	}
	for _, pk := range localMaxima(nil, s.last.u, f.W, f.H) {
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
	s.fieldVerdict(res, lineP)
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

// fieldVerdict fills PValue: the smallest, over the spots found, of the larger
// of the two p-values: of the field maximum, and of the own line times the number
// of spots that pass the first.
func (s *search) fieldVerdict(res *Result, lineP []float64) {
	res.PValue = 1
	passed := 0
	for _, sp := range s.spots {
		if s.null.fieldP(sp.u) <= res.Options.Alpha {
			passed++
		}
	}
	for i, sp := range s.spots {
		pv := math.Max(s.null.fieldP(sp.u), math.Min(1, lineP[i]*float64(max(1, passed))))
		res.PValue = math.Min(res.PValue, pv)
	}
	if len(s.spots) == 0 {
		res.PValue = s.null.fieldP(slices.Max(s.first.u))
	}
	res.Detected = res.PValue <= res.Options.Alpha
}

// measure sizes spot i and gathers its spectra.
func (s *search) measure(i int, m *model, whole []float64) (maps.Spot, *evidence) {
	f, least := s.f, s.opt.MinWidthPx
	sp := maps.Spot{LogLikelihood: s.spots[i].u, Verdict: maps.CannotTell}
	parts := s.spots[i].parts
	main := s.m.parts[parts[0]]
	for _, k := range parts { // the strongest part names place and width
		if c := s.m.parts[k]; c.f*c.s*c.s > main.f*main.s*main.s {
			main = c
		}
	}
	// Fraction of target of this spot and of all others.
	own := make([]float64, len(whole))
	xa, ya, xb, yb := f.W, f.H, -1, -1
	variance := 0.0
	var pr profile
	for _, k := range parts {
		c := s.m.parts[k]
		copy(m.frac, whole)
		pr = newProfile(pr, c.x, c.y, c.s, f.W, f.H)
		for y := range pr.h {
			for x := range pr.w {
				q := (pr.y0+y)*f.W + pr.x0 + x
				v := c.f * pr.k[y*pr.w+x]
				own[q] += v
				m.frac[q] = math.Max(0, m.frac[q]-v)
			}
		}
		sx, sy, excess, sigma := m.uncertainty(c, least)
		sp.ExcessCounts += excess
		variance += sigma * sigma
		if c == main {
			sp.SigmaXPx, sp.SigmaYPx = sx, sy
		}
		r := radiusPx(c.s) + 3
		xa, ya = min(xa, int(c.x)-r), min(ya, int(c.y)-r)
		xb, yb = max(xb, int(c.x)+r), max(yb, int(c.y)+r)
	}
	sp.ExcessSigma = math.Sqrt(variance)
	sp.XPx, sp.YPx, sp.WidthPx = main.x, main.y, main.s
	sp.XUm, sp.YUm = micrometres(main.x, main.y, f.Pixel)
	xa, ya, xb, yb = max(xa, 0), max(ya, 0), min(xb, f.W-1), min(yb, f.H-1)
	w, h := xb-xa+1, yb-ya+1
	win, others := make([]float64, w*h), make([]float64, w*h)
	top := 0.0
	for y := range h {
		for x := range w {
			q := (ya+y)*f.W + xa + x
			win[y*w+x] = own[q]
			others[y*w+x] = math.Max(0, whole[q]-own[q])
			top = math.Max(top, own[q])
		}
	}
	for y := range h {
		for x := range w {
			if win[y*w+x] >= top/2 {
				sp.AreaPx++
				if fx, fy := xa+x, ya+y; fx == 0 || fy == 0 || fx == f.W-1 || fy == f.H-1 {
					sp.Touches = true
				}
			}
		}
	}
	s.size(&sp, len(parts) == 1)
	return sp, gather(f, s.bg.smooth, s.opt.Nuisance, xa, ya, w, h, win, others)
}

// fwhm is the full width at half maximum of a Gaussian of unit standard
// deviation, 2·sqrt(2 ln 2).
const fwhm = 2.3548200450309493

// size fills the area and the diameter: that of the circle at half height, with
// the smallest width (blur) taken off in quadrature, which is right for
// Gaussian-like profiles.
func (s *search) size(sp *maps.Spot, single bool) {
	least := s.opt.MinWidthPx
	sp.AreaUm2, sp.DiameterUm = math.NaN(), math.NaN()
	area := sp.AreaPx
	if single { // the fitted profile knows fractions of pixels
		area = math.Pi / 4 * fwhm * fwhm * sp.WidthPx * sp.WidthPx
	}
	sp.AreaPx = math.Max(1, area)
	// Apparent below 1.2 times the blur: the width says nothing about size.
	sp.Unresolved = single && sp.WidthPx < 1.2*least
	if s.f.Pixel.Known() {
		px := s.f.Pixel.AreaUm2()
		sp.AreaUm2 = sp.AreaPx * px
		blur := math.Pi / 4 * fwhm * fwhm * least * least
		if !sp.Unresolved {
			sp.DiameterUm = math.Sqrt(4 / math.Pi * math.Max(0, area-blur) * px)
		}
	}
}

// remark says what a reader should know about the run.
func (s *search) remark(res *Result) {
	add := func(format string, args ...any) { res.Remarks = append(res.Remarks, fmt.Sprintf(format, args...)) }
	if s.bg.refit {
		add("the substrate spectrum comes from the field itself, without the spots found; faint wide spots are lost more often than with a blank field")
	}
	if n := len(res.Rejected); n > 0 {
		add("%d maxima of the whole template lack the line family of %s and are not listed", n, res.Options.Target.Name)
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
