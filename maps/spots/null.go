package spots

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"
)

// simulator draws class maps of a field without spots: the counts of every
// pixel, kept as observed, are shared out among the classes at random.
type simulator struct {
	totals []float64 // counts of each pixel
	share  []float64 // of the classes in the substrate
	counts float64   // counts behind share; 0 = known exactly
	refit  bool      // share was estimated from this very field
	order  []int     // classes, rarest first
}

func newSimulator(totals, share []float64, counts float64, refit bool) *simulator {
	s := &simulator{totals: totals, share: share, counts: counts, refit: refit}
	for g := range share {
		s.order = append(s.order, g)
	}
	for i := range s.order { // insertion sort: a handful of classes
		for j := i; j > 0 && share[s.order[j]] < share[s.order[j-1]]; j-- {
			s.order[j], s.order[j-1] = s.order[j-1], s.order[j]
		}
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
	p := s.share
	if s.counts > 0 && !s.refit {
		p = dirichlet(rng, s.share, s.counts)
	}
	for g := range class {
		clear(class[g])
	}
	// Conditional binomials, rarest class first.
	cond := make([]float64, len(s.order))
	left := 1.0
	for i, g := range s.order {
		cond[i] = 1
		if left > 0 {
			cond[i] = math.Min(1, p[g]/left)
		}
		left -= p[g]
	}
	last := len(s.order) - 1
	for px, n := range s.totals {
		for i, g := range s.order {
			if n == 0 {
				break
			}
			k := n
			if i < last {
				k = binomial(rng, n, cond[i])
			}
			class[g][px] = k
			n -= k
		}
	}
	if !s.refit {
		return
	}
	total := 0.0
	for _, n := range s.totals {
		total += n
	}
	for g := range class {
		sum := 0.0
		for _, v := range class[g] {
			sum += v
		}
		if sum == 0 {
			continue
		}
		scale := s.share[g] * total / sum
		for px := range class[g] {
			class[g][px] *= scale
		}
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
	if n*p > 20 {
		return distuv.Binomial{N: n, P: p, Src: rng}.Rand()
	}
	q := 1 - p
	ratio := p / q
	f := math.Exp(n * math.Log1p(-p))
	u := rng.Float64()
	k := 0.0
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
