package spots

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// simulator draws class maps of a field without spots: the counts of every
// pixel, kept as observed, are shared out among the classes at random.
type simulator struct {
	totals []float64 // counts of each pixel
	ground *ground
	order  [][]int // of every phase: its classes, rarest first
	most   int     // largest number of counts with a table of its own
}

// tableCounts bounds the tables of P(0 of n).
const tableCounts = 1024

func newSimulator(totals []float64, g *ground) *simulator {
	s := &simulator{totals: totals, ground: g}
	for i := range g.phases {
		share := g.phases[i].cl.s0
		order := make([]int, len(share))
		for k := range order {
			order[k] = k
		}
		slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(share[a], share[b]) })
		s.order = append(s.order, order)
	}
	for _, n := range totals {
		s.most = max(s.most, int(math.Min(n, tableCounts)))
	}
	return s
}

// draw fills class with one replica, drawn from stream number of seed.
//
// With a substrate from other fields, whose counts are finite, the true shares
// of the replica are drawn around the estimate (a Dirichlet distribution with
// counts·share). With the substrate from the same field the replica is
// scaled to the shares of its own estimate: the class maps carry totals in
// proportion to share, as the observed ones do.
func (s *simulator) draw(class [][]float64, seed, stream uint64) {
	rng := rand.New(rand.NewPCG(seed, stream))
	for g := range class {
		clear(class[g])
	}
	shares := make([]sharing, len(s.ground.phases))
	for i := range s.ground.phases {
		ph := &s.ground.phases[i]
		p := ph.cl.s0
		if ph.counts > 0 && !ph.refit {
			p = dirichlet(rng, p, ph.counts)
		}
		shares[i] = newSharing(p, s.order[i], s.most)
	}
	for px, n := range s.totals {
		k := s.ground.at(px)
		shares[k].draw(rng, class[s.ground.phases[k].first:], px, n)
	}
	if !s.ground.refit() {
		return
	}
	for i := range s.ground.phases {
		ph := &s.ground.phases[i]
		for g, share := range ph.cl.s0 {
			m := class[ph.first+g]
			sum := 0.0
			for _, v := range m {
				sum += v
			}
			if sum == 0 {
				continue
			}
			scale := share * ph.total / sum
			for px := range m {
				m[px] *= scale
			}
		}
	}
}

// sharing shares the counts of a pixel out among the classes of its phase by
// conditional binomials, rarest class first.
type sharing struct {
	order []int
	cond  []float64   // probability of a class among those left
	none  [][]float64 // P(0 of n) of every class but the last
	most  float64
}

func newSharing(p []float64, order []int, most int) sharing {
	s := sharing{order: order, cond: make([]float64, len(order)), none: make([][]float64, len(order)-1), most: float64(most)}
	left := 1.0
	for i, g := range order {
		s.cond[i] = 1
		if left > 0 {
			s.cond[i] = math.Min(1, p[g]/left)
		}
		left -= p[g]
	}
	for i := range s.none {
		s.none[i] = make([]float64, most+1)
		l := math.Log1p(-math.Min(s.cond[i], 0.5))
		for n := range s.none[i] {
			s.none[i][n] = math.Exp(float64(n) * l)
		}
	}
	return s
}

// draw fills pixel px of the class maps with n counts.
func (s *sharing) draw(rng *rand.Rand, class [][]float64, px int, n float64) {
	last := len(s.order) - 1
	for i, g := range s.order {
		if n == 0 {
			return
		}
		k, c := n, s.cond[i]
		switch {
		case i == last:
		case n <= s.most && c > 0 && c <= 0.5 && n*c <= inversionMean:
			k = inversion(rng, n, c, s.none[i][int(n)])
		default:
			k = binomial(rng, n, c)
		}
		class[g][px] = k
		n -= k
	}
}

func dirichlet(rng *rand.Rand, share []float64, counts float64) []float64 {
	out := make([]float64, len(share))
	t := 0.0
	for g, p := range share {
		if p > 0 {
			out[g] = distuv.Gamma{Alpha: p * counts, Beta: 1, Src: rng}.Rand()
		}
		t += out[g]
	}
	for g := range out {
		out[g] /= t
	}
	return out
}

// binomial draws from the binomial distribution: by inversion where few
// successes are expected (Kachitvichyanukul & Schmeiser 1988, algorithm BINV),
// else by the generator of gonum.
func binomial(rng *rand.Rand, n, p float64) float64 {
	if p <= 0 || n <= 0 {
		return 0
	}
	if p >= 1 {
		return n
	}
	if p > 0.5 {
		return n - binomial(rng, n, 1-p)
	}
	if n*p > inversionMean {
		return distuv.Binomial{N: n, P: p, Src: rng}.Rand()
	}
	return inversion(rng, n, p, math.Exp(n*math.Log1p(-p)))
}

// inversionMean is the number of expected successes up to which inversion is
// the faster way.
const inversionMean = 20

// inversion draws from the binomial distribution with P(0) = none, p ≤ 1/2.
func inversion(rng *rand.Rand, n, p, none float64) float64 {
	u := rng.Float64()
	if u <= none {
		return 0
	}
	ratio := p / (1 - p)
	f, k := none, 0.0
	for u > f && k < n {
		u -= f
		k++
		f *= ratio * (n - k + 1) / k
		if f < 1e-300 && k > n*p {
			break
		}
	}
	return k
}
