package synth

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// means lie on both sides of 10, where the method changes.
var means = []float64{0.01, 0.5, 3, 9.99, 10, 10.5, 14, 60, 1234.5, 1e6}

// TestNoiseMoments: mean and variance of n counts are both mu. Their standard
// errors are √(mu/n) and √((mu + 2mu²)/n) (from the fourth central moment mu +
// 3mu²); the limits are five of them.
func TestNoiseMoments(t *testing.T) {
	const n = 200000
	for i, mu := range means {
		counts := Noise(slices.Repeat([]float64{mu}, n), rand.New(rand.NewPCG(1, uint64(i))))
		mean, variance := stat.MeanVariance(counts, nil)
		if limit := 5 * math.Sqrt(mu/n); !(math.Abs(mean-mu) <= limit) {
			t.Errorf("mean %g: got %.6g, limit ± %.2g", mu, mean, limit)
		}
		if limit := 5 * math.Sqrt((mu+2*mu*mu)/n); !(math.Abs(variance-mu) <= limit) {
			t.Errorf("mean %g: variance %.6g, limit ± %.2g", mu, variance, limit)
		}
		for _, c := range counts {
			if c < 0 || c != math.Trunc(c) {
				t.Fatalf("mean %g: count %g", mu, c)
			}
		}
	}
}

// TestNoiseDistribution compares the frequency of every count with Poisson's
// law as gonum computes it, by Pearson's chi-square over counts expected at
// least ten times. A correct generator fails once in 10⁶ comparisons.
func TestNoiseDistribution(t *testing.T) {
	const n = 200000
	for i, mu := range means[1:8] {
		rng := rand.New(rand.NewPCG(2, uint64(i)))
		seen := map[int]float64{}
		for range n {
			seen[int(Poisson(rng, mu))]++
		}
		law := distuv.Poisson{Lambda: mu}
		chi2, cells, rest, got := 0.0, 0, float64(n), float64(n)
		for k := range int(mu + 10*math.Sqrt(mu) + 10) {
			want := n * law.Prob(float64(k))
			if want < 10 {
				continue
			}
			chi2 += (seen[k] - want) * (seen[k] - want) / want
			cells++
			rest, got = rest-want, got-seen[k]
		}
		if rest > 1 { // all counts in the tails
			chi2 += (got - rest) * (got - rest) / rest
			cells++
		}
		if p := (distuv.ChiSquared{K: float64(cells - 1)}).Survival(chi2); !(p > 1e-6) {
			t.Errorf("mean %g: chi-square %.1f in %d cells, p = %.2g", mu, chi2, cells, p)
		}
	}
}

// TestNoiseSeed: the same seed gives the same counts, another seed others, and
// the expected counts stay as they were.
func TestNoiseSeed(t *testing.T) {
	expected := slices.Repeat([]float64{0, 0.3, 8, 50, 1e5}, 40)
	before := slices.Clone(expected)
	a := Noise(expected, rand.New(rand.NewPCG(5, 1)))
	b := Noise(expected, rand.New(rand.NewPCG(5, 1)))
	c := Noise(expected, rand.New(rand.NewPCG(6, 1)))
	if !slices.Equal(a, b) {
		t.Error("the same seed gives other counts")
	}
	if slices.Equal(a, c) {
		t.Error("another seed gives the same counts")
	}
	if !slices.Equal(expected, before) {
		t.Error("the expected counts were changed")
	}
}

// TestPoissonBounds: means without a count to draw.
func TestPoissonBounds(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	for _, tt := range []struct {
		mu   float64
		want uint32
	}{{0, 0}, {-3, 0}, {math.Inf(-1), 0}, {math.NaN(), 0}, {6e9, math.MaxUint32}, {1e12, math.MaxUint32}, {math.Inf(1), math.MaxUint32}} {
		if got := Poisson(rng, tt.mu); got != tt.want {
			t.Errorf("mean %g: %d, want %d", tt.mu, got, tt.want)
		}
	}
	got := Noise([]float64{math.NaN(), 0, -1}, rng)
	if !math.IsNaN(got[0]) || got[1] != 0 || got[2] != 0 {
		t.Errorf("noise on NaN, 0, −1: %v", got)
	}
}
