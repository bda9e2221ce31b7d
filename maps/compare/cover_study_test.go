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

// studyCount is the number of studies per row.
func studyCount(usual int) int {
	if v, err := strconv.Atoi(os.Getenv("STUDIES")); err == nil {
		return v
	}
	if testing.Short() {
		return 40
	}
	return usual
}

// TestStudyCoverage prints how often the 95 % intervals of density, ratio, difference
// and limit hold the truth over replicates of Poisson and of clustered counts, with
// their median widths (of the ratio: of its logarithm) beside those of the best
// interval known, for which the shape of the law is given. STUDIES sets the effort.
func TestStudyCoverage(t *testing.T) {
	studies := studyCount(1600)
	for _, n := range []int{3, 5, 8} {
		for _, k := range []float64{.5, 2, 0} {
			for _, m := range [][2]float64{{4, 4}, {20, 10}, {16, 4}} {
				var mu sync.Mutex
				var density, best, ratio, difference, limit tally
				var wg sync.WaitGroup
				const parts = 2
				for part := range parts {
					wg.Go(func() {
						rng := rand.New(rand.NewPCG(uint64(part), uint64(1000*m[0]+100*m[1]+10*k+float64(n))))
						for range studies / parts {
							x, y := draws(rng, n, m[0], k), draws(rng, n, m[1], k)
							r, err := Fields(observations("t", x), observations("b", y), Options{Draws: 99})
							if err != nil {
								t.Error(err)
								return
							}
							mu.Lock()
							d := r.Density
							density.add(d.TreatedLow, d.TreatedHigh, m[0], false)
							low, high := knownShape(x, k, .95)
							best.add(low, high, m[0], false)
							ratio.add(d.Low, d.High, m[0]/m[1], true)
							difference.add(d.DifferenceLow, d.DifferenceHigh, m[0]-m[1], false)
							limit.add(0, r.Limit.PerMm2, m[0], false)
							mu.Unlock()
						}
					})
				}
				wg.Wait()
				law := fmt.Sprintf("k %g", k)
				if k == 0 {
					law = "Poisson"
				}
				fmt.Printf("%d + %d replicates of mean %g and %g, %s (%d studies)\n  density     %v\n  shape known %v\n  ratio       %v\n  difference  %v\n  limit       %v\n",
					n, n, m[0], m[1], law, density.n, &density, &best, &ratio, &difference, &limit)
			}
		}
	}
}

// areaLaw draws the areas of n replicates of a side.
type areaLaw struct {
	name  string
	draw  func(rng *rand.Rand, n int, treated bool) []float64
	ratio float64
	// the best interval there is, of the logarithm of the ratio: nil where none is
	// known
	best func(x, y []float64) (low, high float64)
}

// lognormalLaw has a share of zeros on either side; the best interval knows shares and
// sigma.
func lognormalLaw(sigma, treatedZeros, blankZeros, ratio float64) areaLaw {
	return areaLaw{
		name:  fmt.Sprintf("lognormal sigma %g, zeros %g and %g", sigma, treatedZeros, blankZeros),
		ratio: ratio,
		draw: func(rng *rand.Rand, n int, treated bool) []float64 {
			if treated {
				return lognormal(rng, n, sigma, treatedZeros, ratio*(1-blankZeros)/(1-treatedZeros))
			}
			return lognormal(rng, n, sigma, blankZeros, 1)
		},
		best: func(x, y []float64) (low, high float64) {
			var mean, n [2]float64
			for side, vs := range [2][]float64{x, y} {
				for _, v := range vs {
					if v > 0 {
						n[side]++
						mean[side] += math.Log(v)
					}
				}
				mean[side] /= n[side]
			}
			d := mean[0] - mean[1] + math.Log((1-treatedZeros)/(1-blankZeros))
			h := 1.959963984540054 * sigma * math.Sqrt(1/n[0]+1/n[1])
			return d - h, d + h
		},
	}
}

// unevenLaw has another sigma on either side: the values differ by more than a factor.
func unevenLaw(treated, blank, ratio float64) areaLaw {
	return areaLaw{
		name:  fmt.Sprintf("lognormal sigma %g and %g", treated, blank),
		ratio: ratio,
		draw: func(rng *rand.Rand, n int, isTreated bool) []float64 {
			if isTreated {
				return lognormal(rng, n, treated, 0, ratio*math.Exp((blank*blank-treated*treated)/2))
			}
			return lognormal(rng, n, blank, 0, 1)
		},
	}
}

// spotsLaw is the area of spots of lognormal areas (sigma 0.7), their number negative
// binomial of shape k, Poisson for k = 0.
func spotsLaw(k, mean, ratio float64) areaLaw {
	return areaLaw{
		name:  fmt.Sprintf("spots of mean %g and %g, k %g", mean*ratio, mean, k),
		ratio: ratio,
		draw: func(rng *rand.Rand, n int, treated bool) []float64 {
			mu := mean
			if treated {
				mu *= ratio
			}
			out := make([]float64, n)
			for i, c := range draws(rng, n, mu, k) {
				for _, v := range lognormal(rng, c, .7, 0, 1) {
					out[i] += v
				}
			}
			return out
		},
	}
}

// TestStudyAreaRatio prints how often the 95 % intervals of the ratio of area
// fractions hold the truth, with the median width of its logarithm, beside Fieller's interval and the best interval known, for which
// shares of zeros and sigma are given. Studies with a side of nothing but zeros have no
// ratio; their share is printed. STUDIES sets the effort.
func TestStudyAreaRatio(t *testing.T) {
	studies := studyCount(4000)
	for _, n := range []int{3, 5, 8} {
		for i, law := range []areaLaw{
			lognormalLaw(.5, 0, 0, 1), lognormalLaw(.5, 0, 0, 4), lognormalLaw(1, 0, 0, 4), lognormalLaw(.5, .2, .2, 4), lognormalLaw(1, .3, .3, 4), lognormalLaw(.5, .2, .4, 4),
			spotsLaw(.5, 4, 4), spotsLaw(2, 4, 4), spotsLaw(0, 4, 4), spotsLaw(.5, 10, 1), spotsLaw(1, 1.5, 3),
			unevenLaw(.5, 1, 4), unevenLaw(1, .5, 4),
		} {
			rng := rand.New(rand.NewPCG(uint64(n), uint64(i)))
			var ours, old, best tally
			nothing := 0
			for range studies {
				x, y := law.draw(rng, n, true), law.draw(rng, n, false)
				us := [2][]unit{covered(x...), covered(y...)}
				c, err := compareValues(us, area, false, Options{Level: .95, Draws: 99}, "")
				if err != nil {
					t.Fatal(err)
				}
				if c.Treated == 0 || c.Blank == 0 {
					nothing++
					continue
				}
				ours.add(c.Low, c.High, law.ratio, true)
				low, high, _ := fieller(sampleOf(us[0], area), sampleOf(us[1], area), .95)
				old.add(math.Max(0, low), high, law.ratio, true)
				if law.best != nil {
					low, high = law.best(x, y)
					best.add(math.Exp(low), math.Exp(high), law.ratio, true)
				}
			}
			fmt.Printf("%d + %d areas, %s, ratio %g (%d studies, %.3f with nothing on a side)\n  ratio   %v\n  Fieller %v\n", n, n, law.name, law.ratio, studies, float64(nothing)/float64(studies), &ours, &old)
			if law.best != nil {
				fmt.Printf("  best    %v\n", &best)
			}
		}
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
