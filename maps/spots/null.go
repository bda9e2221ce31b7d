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
	most   int       // largest number of counts with a table of its own
}

// tableCounts bounds the tables of P(0 of n).
const tableCounts = 1024

func newSimulator(totals, share []float64, counts float64, refit bool) *simulator {
	s := &simulator{totals: totals, share: share, counts: counts, refit: refit}
	for g := range share {
		s.order = append(s.order, g)
	}
	for _, n := range totals {
		s.most = max(s.most, int(math.Min(n, tableCounts)))
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
	none := make([][]float64, last) // P(0 of n) of every class but the last
	for i := range none {
		none[i] = make([]float64, s.most+1)
		l := math.Log1p(-math.Min(cond[i], 0.5))
		for n := range none[i] {
			none[i][n] = math.Exp(float64(n) * l)
		}
	}
	for px, n := range s.totals {
		for i, g := range s.order {
			if n == 0 {
				break
			}
			k := n
			switch {
			case i == last:
			case n <= float64(s.most) && cond[i] > 0 && cond[i] <= 0.5 && n*cond[i] <= inversionMean:
				k = inversion(rng, n, cond[i], none[i][int(n)])
			default:
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
