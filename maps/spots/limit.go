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
	// Wider holds the limits of spots of Options.LimitWidths.
	Wider []Limit
}

// Efficiency is the share of the spots put in that were found.
type Efficiency struct {
	ExcessCounts float64
	Put, Found   int
}

// Share returns the probability of finding a spot of the smallest width with
// the given excess counts, by straight lines between the points of the curve; 0
// below the first and NaN without a curve.
func (l Limit) Share(excess float64) float64 {
	if len(l.Curve) == 0 || math.IsNaN(excess) {
		return math.NaN()
	}
	for i, e := range l.Curve {
		switch {
		case excess >= e.ExcessCounts:
			continue
		case i == 0:
			return 0
		}
		a := l.Curve[i-1]
		t := (excess - a.ExcessCounts) / (e.ExcessCounts - a.ExcessCounts)
		return a.share() + t*(e.share()-a.share())
	}
	return l.Curve[len(l.Curve)-1].share()
}

func noLimit(reason string) Limit {
	return Limit{ExcessCounts: math.NaN(), Probability: limitProbability, WidthPx: math.NaN(), Reason: reason}
}

const limitProbability = 0.95

// Injections per strength, and scans at most.
const (
	limitPut   = 100
	limitScans = 40
)

// limit puts spots of the smallest width, and of others asked for, into replicas, at
// random places between the pixels' centres, and
// counts those whose height reaches the decision threshold of the field, at
// rising strengths until nearly all are found. The strength at 95 % follows
// from a straight line through the two neighbouring points of the curve.
func (s *search) limit(ctx context.Context) (Limit, error) {
	out, err := s.limitAt(ctx, s.opt.Widths[0])
	for i := 0; i < len(s.opt.LimitWidths) && err == nil; i++ {
		var l Limit
		l, err = s.limitAt(ctx, s.opt.LimitWidths[i])
		out.Wider = append(out.Wider, l)
	}
	return out, err
}

// limitAt is limit for spots of one width.
func (s *search) limitAt(ctx context.Context, width float64) (Limit, error) {
	out := Limit{ExcessCounts: math.NaN(), Probability: limitProbability, WidthPx: width}
	k2, k1 := kernelEnergy(width)
	threshold := s.null.threshold(s.opt.Alpha)
	gap := 4 * reach * width
	per := max(1, min(limitPut, int(float64(s.w*s.h)/(2*gap*gap))))
	rounds := min(limitScans, (limitPut+per-1)/per)
	// The expected height of a spot is about d²/2 less the price of the trials.
	d := math.Sqrt(2 * math.Max(threshold, 1))
	full := 0 // strengths at which nearly all were found
	for k := 0; full < 2; k++ {
		f := d / math.Sqrt(s.mean*s.info*k2)
		last := f >= s.m.most
		f = math.Min(f, s.m.most)
		d *= 1.19 // four points per doubling
		put, found := make([]int, rounds), make([]int, rounds)
		parallel(rounds, s.opt.Workers, func() func(int) {
			scan := s.replicaScanner()
			class := newClassMaps(s.bank.law.n, s.w*s.h)
			return func(i int) {
				if ctx.Err() != nil {
					return
				}
				stream := uint64(1<<32 + k*rounds + i)
				s.draw(class, stream)
				rng := rand.New(rand.NewPCG(s.opt.Seed^0x9e3779b97f4a7c15, stream))
				places := s.injectAll(rng, class, width, f, per, gap)
				u := scan.around(class, places, reachedRadius(width))
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

// share returns the found share, 0 when none was put in.
func (e Efficiency) share() float64 { return float64(e.Found) / math.Max(1, float64(e.Put)) }

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
		ph := &s.ground.phases[s.ground.at(p)]
		own := class[ph.first : ph.first+ph.cl.n()]
		moved := 0.0
		for g := range own {
			n := binomial(rng, math.Round(own[g][p]), f*k)
			own[g][p] -= n
			moved += n
		}
		left := 1.0
		for g, share := range ph.cl.s1 { // multinomial over the classes of the target
			if moved == 0 {
				break
			}
			n := moved
			if g < len(own)-1 && left > 0 {
				n = binomial(rng, moved, math.Min(1, share/left))
			}
			own[g][p] += n
			left -= share
			moved -= n
		}
	})
}

// reachedRadius is how far from its place a spot put in may be found.
func reachedRadius(width float64) float64 { return 1.5*width + 1 }

// reached reports whether u reaches the threshold that near to the place.
func (s *search) reached(u []float64, p place, width, threshold float64) bool {
	r := reachedRadius(width)
	for y := max(0, int(p.y-r)); y <= min(s.h-1, int(p.y+r+1)); y++ {
		for x := max(0, int(p.x-r)); x <= min(s.w-1, int(p.x+r+1)); x++ {
			if math.Hypot(float64(x)-p.x, float64(y)-p.y) <= r && u[y*s.w+x] > threshold {
				return true
			}
		}
	}
	return false
}
