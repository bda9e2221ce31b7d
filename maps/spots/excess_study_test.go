//go:build study

package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// TestStudyExcess prints how often the 95 % interval of the excess counts of a spot
// holds the truth, at strengths at which practically every spot is found, with its
// median width beside that of the best interval there is, for which place and width
// of the spot are known. FIELDS sets the effort.
func TestStudyExcess(t *testing.T) {
	fields := envInt("FIELDS", 400)
	if testing.Short() {
		fields = 2
	}
	s0, tgt := worldAluminium(), worldSilica()
	info := information(s0, tgt.Spectrum)
	const side, counts = 30, 60.0
	cells := []cell{{counts, 1, 9, 1}, {counts, 1, 15, 1}, {counts, 2, 9, 1}, {counts, 2, 15, 1}}
	if testing.Short() {
		cells = cells[:1]
	}
	for _, c := range cells {
		type outcome struct {
			held, known, found bool
			placed             bool // held with the place known
			given              bool // holds the counts that this dose is expected to give
			under, over        bool // the whole interval lies below, above the truth
			width, best        float64
		}
		out := make([]outcome, fields)
		parallel(fields, 0, func() func(int) {
			return func(i int) {
				rng := rand.New(rand.NewPCG(uint64(10*c.width+c.d), uint64(i)))
				q := planted{12 + 6*rng.Float64(), 12 + 6*rng.Float64(), c.width, c.fraction(info), tgt.Spectrum}
				f := worldField(rng, side, side, counts, s0, []planted{q})
				opt := blank.options(rng, f, s0)
				opt.Bootstrap, opt.Workers, opt.Widths = 99, 1, []float64{.8, 1.2, 1.8, 2.7}
				r, err := Find(context.Background(), f, opt)
				if err != nil {
					t.Error(err)
					return
				}
				s, d := nearest(r.Spots, q.x, q.y)
				if d > 2*c.width+.5 {
					return
				}
				_, k1 := kernelEnergy(c.width)
				truth := q.f * counts * k1
				o := &out[i]
				o.found, o.held, o.width = true, s.ExcessLow <= truth && truth <= s.ExcessHigh, s.ExcessHigh-s.ExcessLow
				o.under, o.over = s.ExcessHigh < truth, s.ExcessLow > truth
				search := searcher(f, opt)
				a, b := search.m.excessInterval(component{x: q.x, y: q.y, s: s.WidthPx, f: q.f}, search.opt.MinWidthPx, 1.5*opt.Widths[len(opt.Widths)-1])
				o.placed = a <= truth && truth <= b
				// Place and width known: only the strength is free.
				pr := newProfile(profile{}, q.x, q.y, q.s, side, side)
				_, llr := search.m.strength(pr, q.f)
				dosed := 0.0
				search.m.each(pr, func(p int, k float64) { dosed += q.f * search.m.weight[p] * k })
				o.given = s.ExcessLow <= dosed && dosed <= s.ExcessHigh
				low, high := 0.0, 0.0
				for x := 0.0; x < 3*q.f; x += q.f / 200 {
					if search.m.gain(pr, x) >= llr-intervalDrop {
						if low == 0 {
							low = x
						}
						high = x
					}
				}
				o.best, o.known = (high-low)*counts*k1, low <= q.f && q.f <= high
			}
		})
		var held, known, placed, given, under, over, n int
		var width, best []float64
		for _, o := range out {
			if o.found {
				n++
				held, known, placed = held+count(o.held), known+count(o.known), placed+count(o.placed)
				given += count(o.given)
				under, over = under+count(o.under), over+count(o.over)
				width, best = append(width, o.width), append(best, o.best)
			}
		}
		slices.Sort(width)
		slices.Sort(best)
		share := func(k int) string {
			p := float64(k) / float64(n)
			return fmt.Sprintf("%.3f ± %.3f", p, math.Sqrt(p*(1-p)/float64(n)))
		}
		fmt.Printf("width %g px, d %g: found %d of %d; interval holds %s (below the truth %s, above %s), median width %.1f counts; given the totals of the pixels %s; place known %s; place and width known %s, %.1f counts\n",
			c.width, c.d, n, fields, share(held), share(under), share(over), width[n/2], share(given), share(placed), share(known), best[n/2])
	}
}

// TestStudyExcessDrop prints the mean of twice the loss of log-likelihood at the true
// excess, at most 30, beside the factor that excessLikelihood gives it, and how often
// the truth lies within intervalDrop times that factor. It is made without the rounds
// of the search: the strongest maximum is fitted. FIELDS sets the effort.
func TestStudyExcessDrop(t *testing.T) {
	fields := envInt("FIELDS", 400)
	if testing.Short() {
		fields = 2
	}
	s0, tgt := worldAluminium(), worldSilica()
	info := information(s0, tgt.Spectrum)
	const side = 36
	for _, c := range []cell{{60, 1, 9, 1}, {60, 1, 15, 1}, {60, 1.4, 11, 1}, {60, 2, 9, 1}, {60, 2, 15, 1}, {60, 3, 9, 1},
		{20, 1, 9, 1}, {20, 2, 9, 1}, {20, 3, 11, 1}, {200, 1, 8, 1}, {200, 1.5, 8, 1}, {200, 2, 10, 1}, {200, 3, 8, 1}} {
		type outcome struct {
			found, held          bool
			drop, factor, excess float64
		}
		out := make([]outcome, fields)
		parallel(fields, 0, func() func(int) {
			return func(i int) {
				rng := rand.New(rand.NewPCG(uint64(10*c.width+c.d)+100, uint64(i)))
				q := planted{15 + 6*rng.Float64(), 15 + 6*rng.Float64(), c.width, c.fraction(info), tgt.Spectrum}
				f := worldField(rng, side, side, c.counts, s0, []planted{q})
				opt := blank.options(rng, f, s0)
				opt.Workers, opt.Widths = 1, []float64{.8, 1.2, 1.8, 2.7, 4}
				s := searcher(f, opt)
				best := localMaxima(nil, s.first.u, side, side)[0]
				x, y := float64(best.p%side), float64(best.p/side)
				if math.Hypot(x-q.x, y-q.y) > 2*c.width+1 {
					return
				}
				tr := s.bank.trials[s.first.arg[best.p]]
				least, most := s.opt.MinWidthPx, 1.5*s.opt.Widths[len(s.opt.Widths)-1]
				fitted := s.m.fit(component{x: x, y: y, s: s.opt.Widths[tr.width], f: tr.f}, least, most)
				l := newExcessLikelihood(s.m, fitted, least, most)
				truth := 0.0 // of the counts that this dose gave
				s.m.each(newProfile(profile{}, q.x, q.y, q.s, side, side), func(p int, k float64) { truth += q.f * s.m.weight[p] * k })
				drop := 2 * (l.top - l.at(truth))
				out[i] = outcome{true, drop <= 2*intervalDrop*l.factor, math.Min(30, drop), l.factor, l.excess / truth}
			}
		})
		var n, held int
		var drop, factor, excess float64
		for _, o := range out {
			if o.found {
				n, held = n+1, held+count(o.held)
				drop, factor, excess = drop+o.drop, factor+o.factor, excess+o.excess
			}
		}
		p := float64(held) / float64(n)
		fmt.Printf("%g counts per pixel, width %g px, d %g: found %d of %d; mean %.3f, given %.3f; excess %.3f of the true; within %.3f ± %.3f\n",
			c.counts, c.width, c.d, n, fields, drop/float64(n), factor/float64(n), excess/float64(n), p, math.Sqrt(p*(1-p)/float64(n)))
	}
}
