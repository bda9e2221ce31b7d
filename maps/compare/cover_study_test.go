//go:build study

package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
	"gonum.org/v1/gonum/stat/distuv"
)

// draws returns counts of mean mu: negative binomial of shape k, Poisson for
// k = 0.
func draws(rng *rand.Rand, n int, mu, k float64) []int {
	out := make([]int, n)
	for i := range out {
		m := mu
		if k > 0 {
			m *= distuv.Gamma{Alpha: k, Beta: k, Src: rng}.Rand()
		}
		if m > 0 {
			out[i] = int(distuv.Poisson{Lambda: m, Src: rng}.Rand())
		}
	}
	return out
}

// tally counts intervals that hold the truth, and their widths.
type tally struct {
	held, n, open int
	width         []float64
}

func (t *tally) add(low, high, truth float64, log bool) {
	t.n++
	if math.IsNaN(high) || math.IsInf(high, 1) {
		t.open++
		high = math.Inf(1)
	}
	if low <= truth && truth <= high {
		t.held++
	}
	w := high - low
	if log {
		w = math.Log(high / math.Max(low, 1e-300))
	}
	t.width = append(t.width, w)
}

func (t *tally) String() string {
	p := float64(t.held) / float64(t.n)
	slices.Sort(t.width)
	return fmt.Sprintf("%.3f ± %.3f, width %7.3g, open %.3f", p, math.Sqrt(p*(1-p)/float64(t.n)), t.width[len(t.width)/2], float64(t.open)/float64(t.n))
}

// knownShape is the best interval there is: the shape k known, the sum of the
// counts being negative binomial with shape n·k, tails inverted (Garwood's for
// k = 0).
func knownShape(counts []int, k, level float64) (low, high float64) {
	s, n := 0, float64(len(counts))
	for _, c := range counts {
		s += c
	}
	if k == 0 {
		low, high = poisson.Garwood(s, level)
		return low / n, high / n
	}
	tail := func(mu float64, upTo int) float64 {
		t := 0.0
		for x := 0; x <= upTo; x++ {
			t += math.Exp(logNegativeBinomial(x, n*mu, n*k))
		}
		return t
	}
	solve := func(f func(mu float64) bool) float64 { // f holds below the root
		a, b := 1e-9, 1e9
		for range 80 {
			m := math.Sqrt(a * b)
			if f(m) {
				a = m
			} else {
				b = m
			}
		}
		return math.Sqrt(a * b)
	}
	if s > 0 {
		low = solve(func(mu float64) bool { return 1-tail(mu, s-1) < (1-level)/2 })
	}
	high = solve(func(mu float64) bool { return tail(mu, s) > (1-level)/2 })
	return low, high
}

// TestStudyCoverage prints how often the 95 % intervals of density, ratio and
// limit hold the truth over replicates of Poisson and of clustered counts, with
// their median widths (of the ratio: of its logarithm) beside those of the best
// interval known, for which the shape of the law is given. STUDIES sets the effort.
func TestStudyCoverage(t *testing.T) {
	studies := 2000
	if v, err := strconv.Atoi(os.Getenv("STUDIES")); err == nil {
		studies = v
	}
	if testing.Short() {
		studies = 40
	}
	for _, c := range []struct {
		n         int
		mu, ratio float64
		k         float64
	}{{5, 4, 1, .5}, {5, 20, 1, .5}, {5, 4, 4, .5}, {5, 20, 4, .5}, {5, 10, 2, 2}, {3, 10, 2, .5}, {10, 10, 2, .5}, {5, 4, 1, 0}, {5, 4, 4, 0}, {5, .2, 1, 0}} {
		var mu sync.Mutex
		var density, best, ratio, limit tally
		var wg sync.WaitGroup
		const parts = 2
		for part := range parts {
			wg.Go(func() {
				rng := rand.New(rand.NewPCG(uint64(part), uint64(1000*c.mu+10*c.ratio+c.k)))
				for range studies / parts {
					x, y := draws(rng, c.n, c.mu*c.ratio, c.k), draws(rng, c.n, c.mu, c.k)
					r, err := Fields(observations("t", x), observations("b", y), Options{Draws: 99})
					if err != nil {
						t.Error(err)
						return
					}
					mu.Lock()
					d := r.Density
					density.add(d.TreatedLow, d.TreatedHigh, c.mu*c.ratio, false)
					low, high := knownShape(x, c.k, .95)
					best.add(low, high, c.mu*c.ratio, false)
					ratio.add(d.Low, d.High, c.ratio, true)
					limit.add(0, r.Limit.PerMm2, c.mu*c.ratio, false)
					mu.Unlock()
				}
			})
		}
		wg.Wait()
		law := fmt.Sprintf("k %g", c.k)
		if c.k == 0 {
			law = "Poisson"
		}
		fmt.Printf("%d + %d replicates of mean %g and %g, %s (%d studies)\n  density %v\n  shape known %v\n  ratio   %v\n  limit   %v\n", c.n, c.n, c.mu*c.ratio, c.mu, law, density.n, &density, &best, &ratio, &limit)
	}
}

func observations(side string, counts []int) []Observation {
	var out []Observation
	for i, n := range counts {
		name := fmt.Sprintf("%s%d", side, i)
		out = append(out, Observation{Field: maps.Field{Name: name, Coupon: name}, AreaMm2: 1, Spots: n, Efficiency: 1, SpotAreaMm2: math.NaN(), ExcessCounts: math.NaN()})
	}
	return out
}
