package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
)

// Limit is the detection limit of one field, found by putting spots of known
// strength into replicas of the field without spots and looking for them.
type Limit struct {
	// ExcessCounts is the smallest excess of a spot that is found with probability
	// Probability; NaN, with a Reason, where there is none.
	ExcessCounts float64
	Probability  float64 // 0.95
	WidthPx      float64 // of the spots put in: the smallest width
	Curve        []Efficiency
	Reason       string
}

// Efficiency is the share of the spots put in that were found.
type Efficiency struct {
	ExcessCounts float64
	Put, Found   int
}

func noLimit(reason string) Limit {
	return Limit{ExcessCounts: math.NaN(), Probability: limitProbability, WidthPx: math.NaN(), Reason: reason}
}

const limitProbability = 0.95

// limit puts spots of the smallest width into replicas, at random places, and
// counts those whose height reaches the decision threshold of the field. The
// strength at 95 % follows from a straight line through the two neighbouring
// points of the curve.
func (s *search) limit(ctx context.Context) (Limit, error) {
	width := s.opt.Widths[0]
	out := Limit{ExcessCounts: math.NaN(), Probability: limitProbability, WidthPx: width}
	k2, k1 := kernelEnergy(width)
	threshold := s.null.threshold(s.opt.Alpha)
	var strengths []float64
	for d := 5.0; d < 40; d *= 1.19 { // 4 points per doubling
		f := d / math.Sqrt(s.mean*s.info*k2)
		if f > s.m.most {
			break
		}
		strengths = append(strengths, f)
	}
	if n := len(strengths); s.m.most < 1 && (n == 0 || strengths[n-1] < 0.8*s.m.most) {
		strengths = append(strengths, s.m.most)
	}
	gap := 4 * reach * width
	per := max(1, min(60, int(float64(s.w*s.h)/(2*gap*gap))))
	rounds := (120 + per - 1) / per
	put, found := make([]int, len(strengths)*rounds), make([]int, len(strengths)*rounds)
	parallel(len(put), s.opt.Workers, func() func(int) {
		sc := s.bank.newScratch()
		scan := newScanned(s.w * s.h)
		class := newClassMaps(s.bank.law.n, s.w*s.h)
		return func(i int) {
			if ctx.Err() != nil {
				return
			}
			stream := uint64(1<<32 + i)
			s.draw(class, stream)
			rng := rand.New(rand.NewPCG(s.opt.Seed^0x9e3779b97f4a7c15, stream))
			places := s.injectAll(rng, class, width, strengths[i/rounds], per, gap)
			s.bank.scan(scan, class, sc)
			put[i] = len(places)
			for _, p := range places {
				if s.reached(scan.u, p, width, threshold) {
					found[i]++
				}
			}
		}
	})
	if err := ctx.Err(); err != nil {
		return out, fmt.Errorf("spots: stopped: %w", err)
	}
	for k, f := range strengths {
		e := Efficiency{ExcessCounts: f * s.mean * k1}
		for i := k * rounds; i < (k+1)*rounds; i++ {
			e.Put, e.Found = e.Put+put[i], e.Found+found[i]
		}
		out.Curve = append(out.Curve, e)
		if e.Put == 0 {
			continue
		}
		eps := float64(e.Found) / float64(e.Put)
		if eps < limitProbability || !math.IsNaN(out.ExcessCounts) {
			continue
		}
		out.ExcessCounts = e.ExcessCounts
		if k > 0 {
			prev := out.Curve[k-1]
			before := float64(prev.Found) / float64(prev.Put)
			if before < eps {
				t := (limitProbability - before) / (eps - before)
				out.ExcessCounts = prev.ExcessCounts + t*(e.ExcessCounts-prev.ExcessCounts)
			}
		}
	}
	if math.IsNaN(out.ExcessCounts) {
		out.Reason = "even a pixel of pure target is found less often than with probability 0.95"
	}
	return out, nil
}

type place struct{ x, y float64 }

// injectAll puts per spots of strength f into a replica, gap apart.
func (s *search) injectAll(rng *rand.Rand, class [][]float64, width, f float64, per int, gap float64) []place {
	var out []place
	var pr profile
	for try := 0; len(out) < per && try < 20*per; try++ {
		p := place{rng.Float64() * float64(s.w-1), rng.Float64() * float64(s.h-1)}
		ok := true
		for _, o := range out {
			ok = ok && math.Hypot(o.x-p.x, o.y-p.y) >= gap
		}
		if ok {
			out = append(out, p)
			pr = newProfile(pr, p.x, p.y, width, s.w, s.h)
			s.inject(rng, class, pr, f)
		}
	}
	return out
}

// injectTarget replaces the share f·k of the counts by counts of the target,
// count by count.
func (s *cubeSearch) injectTarget(rng *rand.Rand, class [][]float64, pr profile, f float64) {
	s.m.each(pr, func(p int, k float64) {
		moved := 0.0
		for g := range class {
			n := binomial(rng, math.Round(class[g][p]), f*k)
			class[g][p] -= n
			moved += n
		}
		left := 1.0
		for g := range class { // multinomial over the classes of the target
			if moved == 0 {
				break
			}
			n := moved
			if g < len(class)-1 && left > 0 {
				n = binomial(rng, moved, math.Min(1, s.cl.s1[g]/left))
			}
			class[g][p] += n
			left -= s.cl.s1[g]
			moved -= n
		}
	})
}

// reached reports whether u reaches the threshold within 1.5 widths + 1 px of
// the place.
func (s *search) reached(u []float64, p place, width, threshold float64) bool {
	r := 1.5*width + 1
	for y := max(0, int(p.y-r)); y <= min(s.h-1, int(p.y+r+1)); y++ {
		for x := max(0, int(p.x-r)); x <= min(s.w-1, int(p.x+r+1)); x++ {
			if math.Hypot(float64(x)-p.x, float64(y)-p.y) <= r && u[y*s.w+x] > threshold {
				return true
			}
		}
	}
	return false
}
