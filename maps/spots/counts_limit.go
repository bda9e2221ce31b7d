package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
)

// limit is that of search, but heights are worked out at the spots put in alone. A
// test holds both against each other.
func (s *countSearch) limit(ctx context.Context) (Limit, error) {
	width := s.opt.Widths[0]
	out := Limit{ExcessCounts: math.NaN(), Probability: limitProbability, WidthPx: width}
	k2, k1 := kernelEnergy(width)
	threshold := s.null.threshold(s.opt.Alpha)
	gap := 4 * reach * width
	per := max(1, min(limitPut, int(float64(s.w*s.h)/(2*gap*gap))))
	rounds := min(limitScans, (limitPut+per-1)/per)
	d := math.Sqrt(2 * math.Max(threshold, 1))
	full := 0
	for k := 0; full < 2; k++ {
		f := d / math.Sqrt(s.mean*s.info*k2)
		last := f >= s.m.most
		f = math.Min(f, s.m.most)
		d *= 1.19
		put, found := make([]int, rounds), make([]int, rounds)
		parallel(rounds, s.opt.Workers, func() func(int) {
			class, scan := newClassMaps(2, len(s.n)), newCountScan(s.bank, s.valid)
			return func(i int) {
				if ctx.Err() != nil {
					return
				}
				stream := uint64(1<<32 + k*rounds + i)
				s.draw(class, stream)
				rng := rand.New(rand.NewPCG(s.opt.Seed^0x9e3779b97f4a7c15, stream))
				places := s.injectAll(rng, class, width, f, per, gap)
				u := scan.around(class, places, 1.5*width+1)
				put[i] = len(places)
				for _, p := range places {
					if s.reached(u, p, width, threshold) {
						found[i]++
					}
				}
			}
		})
		if err := ctx.Err(); err != nil {
			return out, fmt.Errorf("spots: stopped: %w", err)
		}
		e := Efficiency{ExcessCounts: f * s.mean * k1}
		for i := range put {
			e.Put, e.Found = e.Put+put[i], e.Found+found[i]
		}
		out.Curve = append(out.Curve, e)
		if e.share() >= 0.97 {
			full++
		}
		if last {
			break
		}
	}
	for k, e := range out.Curve {
		eps := e.share()
		if eps < limitProbability {
			continue
		}
		out.ExcessCounts = e.ExcessCounts
		if k > 0 {
			prev := out.Curve[k-1]
			t := (limitProbability - prev.share()) / (eps - prev.share())
			out.ExcessCounts = prev.ExcessCounts + t*(e.ExcessCounts-prev.ExcessCounts)
		}
		return out, nil
	}
	out.Reason = "even a pixel of pure target is found less often than with probability 0.95"
	return out, nil
}
