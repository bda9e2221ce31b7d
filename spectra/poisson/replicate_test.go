package poisson

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestPermutationSymmetry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Map(rapid.IntRange(0, 6), func(n int) float64 { return float64(n) / 3 }), 1, 5)
		a, b := values.Draw(t, "a"), values.Draw(t, "b")
		ab, err := PermutationTest(a, b, PermutationOptions{})
		if err != nil {
			t.Fatal(err)
		}
		ba, err := PermutationTest(b, a, PermutationOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if !ab.Exact || float64(ab.Splits) != binomial(len(a)+len(b), len(a)) {
			t.Fatalf("%d splits, exact %v", ab.Splits, ab.Exact)
		}
		if ab.TwoSided != ba.TwoSided || math.Abs(ab.Difference+ba.Difference) > 1e-12 {
			t.Fatalf("%+v and exchanged %+v", ab, ba)
		}
		// Both one-sided tests include the observed split and its ties.
		if ab.Greater+ba.Greater < 1+1/float64(ab.Splits)-1e-12 || ab.Greater <= 0 || ab.TwoSided < math.Min(ab.Greater, ba.Greater)-1e-12 {
			t.Fatalf("%+v and exchanged %+v", ab, ba)
		}
		// Shift and scale do not matter.
		shifted := func(x []float64) []float64 {
			y := make([]float64, len(x))
			for i, v := range x {
				y[i] = 3*v + 1000
			}
			return y
		}
		s, err := PermutationTest(shifted(a), shifted(b), PermutationOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if s.Greater != ab.Greater || s.TwoSided != ab.TwoSided {
			t.Fatalf("%+v, shifted and scaled %+v", ab, s)
		}
	})
}

// TestPermutationRandom compares random with enumerated splits within five
// standard errors, and repeats with the same seed.
func TestPermutationRandom(t *testing.T) {
	a := []float64{12, 0, 3, 25, 1, 7}
	b := []float64{2, 1, 0, 4, 0, 1}
	exact, err := PermutationTest(a, b, PermutationOptions{})
	if err != nil {
		t.Fatal(err)
	}
	opt := PermutationOptions{MaxSplits: -1, Samples: 50000, Seed: 9}
	got, err := PermutationTest(a, b, opt)
	if err != nil {
		t.Fatal(err)
	}
	if got.Exact || got.Splits != 50000 {
		t.Errorf("%d splits, exact %v, want 50000 random ones", got.Splits, got.Exact)
	}
	for _, c := range [][2]float64{{got.Greater, exact.Greater}, {got.TwoSided, exact.TwoSided}} {
		se := math.Sqrt(c[1] * (1 - c[1]) / 50000)
		if math.Abs(c[0]-c[1]) > 5*se+1./50000 {
			t.Errorf("random p %v, exact %v ± %v", c[0], c[1], se)
		}
	}
	again, err := PermutationTest(a, b, opt)
	if err != nil || again != got {
		t.Errorf("same seed: %+v, before %+v", again, got)
	}
	opt.Seed++
	if other, err := PermutationTest(a, b, opt); err != nil || other == got {
		t.Errorf("other seed gives the same result %+v", other)
	}
	// 20 against 20 cannot be enumerated.
	big := make([]float64, 20)
	for i := range big {
		big[i] = float64(i)
	}
	r, err := PermutationTest(big, big, PermutationOptions{})
	if err != nil || r.Exact || r.Splits != 9999 {
		t.Errorf("20 against 20: %+v, %v, want 9999 random splits", r, err)
	}
}

// TestPermutationLevel checks P(p ≤ 0.05) under the null for clustered counts,
// by simulation; the exact test never exceeds it. Limit: five standard errors.
func TestPermutationLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 18))
	const trials = 4000
	n := 0
	for range trials {
		x := make([]float64, 10)
		for i := range x {
			x[i] = math.Floor(math.Exp(2 * rng.NormFloat64()))
		}
		r, err := PermutationTest(x[:5], x[5:], PermutationOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if r.TwoSided <= 0.05 {
			n++
		}
	}
	if p := float64(n) / trials; p > 0.05+5*math.Sqrt(0.05*0.95/trials) {
		t.Errorf("rejects with probability %v under the null, want at most 0.05", p)
	}
}

func TestPermutationDomain(t *testing.T) {
	for _, c := range []struct {
		a, b []float64
		opt  PermutationOptions
	}{
		{nil, []float64{1}, PermutationOptions{}}, {[]float64{1}, nil, PermutationOptions{}},
		{[]float64{math.NaN()}, []float64{1}, PermutationOptions{}}, {[]float64{1}, []float64{math.Inf(1)}, PermutationOptions{}},
		{[]float64{1}, []float64{1}, PermutationOptions{Samples: -1}}, {[]float64{1}, []float64{1}, PermutationOptions{MaxSplits: -2}},
	} {
		if _, err := PermutationTest(c.a, c.b, c.opt); !errors.Is(err, ErrRange) {
			t.Errorf("PermutationTest(%v, %v, %+v): error %v, want ErrRange", c.a, c.b, c.opt, err)
		}
	}
}

// TestDispersionNull checks that p is uniform for Poisson counts of mean 20,
// where the chi-square law holds; P(p ≤ 0.05) within five standard errors.
func TestDispersionNull(t *testing.T) {
	d := distuv.Poisson{Lambda: 20, Src: rand.NewPCG(27, 28)}
	const trials = 20000
	n := 0
	for range trials {
		x := make([]int, 8)
		for i := range x {
			x[i] = int(d.Rand())
		}
		if _, p := DispersionTest(x); p <= 0.05 {
			n++
		}
	}
	if p := float64(n) / trials; math.Abs(p-0.05) > 5*math.Sqrt(0.05*0.95/trials) {
		t.Errorf("P(p ≤ 0.05) = %v for Poisson counts", p)
	}
	for _, bad := range [][]int{nil, {1}, {1, -1}} {
		if r, p := DispersionTest(bad); !math.IsNaN(r) || !math.IsNaN(p) {
			t.Errorf("DispersionTest(%v) = %v, %v, want NaN", bad, r, p)
		}
	}
	if r, p := DispersionTest([]int{0, 0}); !math.IsNaN(r) || p != 1 {
		t.Errorf("DispersionTest without counts = %v, %v, want NaN, 1", r, p)
	}
}

// clustered draws a negative binomial count as a Poisson count of gamma mean.
func clustered(rng *rand.Rand, mean, k float64) int {
	g := distuv.Gamma{Alpha: k, Beta: k / mean, Src: rng}
	return int(distuv.Poisson{Lambda: g.Rand(), Src: rng}.Rand())
}

// TestNegativeBinomialMaximum checks that the fit is the maximum: every other
// mean and K near and far has a lower likelihood.
func TestNegativeBinomialMaximum(t *testing.T) {
	rng := rand.New(rand.NewPCG(37, 38))
	for trial := range 50 {
		x := make([]int, 12)
		for i := range x {
			x[i] = clustered(rng, 1+float64(trial), 0.3+0.1*float64(trial))
		}
		nb, err := NegativeBinomialFit(x)
		if err != nil {
			t.Fatal(err)
		}
		for _, fm := range []float64{0.9, 1, 1.1} {
			for _, k := range []float64{nb.K * 0.5, nb.K * 0.99, nb.K * 1.01, nb.K * 2, 1e9, math.Inf(1)} {
				var l float64
				for _, n := range x {
					l += negBinLogPMF(n, nb.Mean*fm, k)
				}
				if l > nb.LogLikelihood+1e-8 {
					t.Errorf("counts %v: ln L(%v, %v) = %v above the maximum %v at K = %v", x, nb.Mean*fm, k, l, nb.LogLikelihood, nb.K)
				}
			}
		}
	}
	nb, err := NegativeBinomialFit([]int{3, 4, 3, 4})
	if err != nil || !math.IsInf(nb.K, 1) || !math.IsInf(nb.KMoments, 1) {
		t.Errorf("even counts: %+v, %v, want K = +Inf", nb, err)
	}
	for _, bad := range [][]int{nil, {1}, {1, -1}} {
		if _, err := NegativeBinomialFit(bad); !errors.Is(err, ErrRange) {
			t.Errorf("NegativeBinomialFit(%v): error %v, want ErrRange", bad, err)
		}
	}
}

// TestNegBinLogPMF checks that the law sums to one and has the stated moments,
// and that large n and k use expressions that agree with the small ones.
func TestNegBinLogPMF(t *testing.T) {
	for _, c := range []struct{ mu, k float64 }{{3, 0.5}, {10, 4}, {0.2, 100}, {40, 25}} {
		var sum, mean, second float64
		for n := range 3000 {
			p := math.Exp(negBinLogPMF(n, c.mu, c.k))
			sum += p
			mean += p * float64(n)
			second += p * float64(n) * float64(n)
		}
		v := second - mean*mean
		if math.Abs(sum-1) > 1e-10 || math.Abs(mean-c.mu) > 1e-8 || math.Abs(v-(c.mu+c.mu*c.mu/c.k)) > 1e-6*v {
			t.Errorf("mu %v, k %v: sum %v, mean %v, variance %v", c.mu, c.k, sum, mean, v)
		}
	}
	for _, n := range []int{65, 300, 5000} {
		for _, k := range []float64{0.1, 19.9, 20, 1000, 1e8} {
			var want float64
			for i := range n {
				want += math.Log(k + float64(i))
			}
			if got := logRising(n, k); math.Abs(got-want) > 1e-12*want+1e-9 {
				t.Errorf("logRising(%d, %v) = %.15g, want %.15g", n, k, got, want)
			}
		}
	}
}

// TestNegativeBinomialRateRatioPoisson checks the Poisson limit against the
// likelihood ratio written by hand.
func TestNegativeBinomialRateRatioPoisson(t *testing.T) {
	a := ClusteredCounts{Counts: []int{10, 10, 10}, Exposure: []float64{1, 1, 1}}
	b := ClusteredCounts{Counts: []int{5, 5}, Exposure: []float64{1, 1}}
	r, err := NegativeBinomialRateRatio(a, b, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(r.Ratio-2) > 1e-9 || !math.IsInf(r.K, 1) {
		t.Errorf("ratio %v, K %v, want 2, +Inf", r.Ratio, r.K)
	}
	// Binomial profile with k1 = 30 in 3, k2 = 10 in 2.
	lr := func(ratio float64) float64 {
		p := 3 * ratio / (3*ratio + 2)
		return 2 * (30*math.Log(0.75/p) + 10*math.Log(0.25/(1-p)))
	}
	const chi2 = 3.841458820694124 // chi-square, one degree of freedom, 0.95
	for _, end := range []float64{r.Low, r.High} {
		if math.Abs(lr(end)-chi2) > 1e-6 {
			t.Errorf("likelihood ratio at %v = %v, want %v", end, lr(end), chi2)
		}
	}
	if want := math.Erfc(math.Sqrt(lr(1) / 2)); math.Abs(r.PValue-want) > 1e-9 {
		t.Errorf("p = %v, want %v", r.PValue, want)
	}
}

func TestNegativeBinomialRateRatioSides(t *testing.T) {
	a := ClusteredCounts{Counts: []int{12, 0, 3, 25, 1}, Exposure: []float64{1, 2, 1, 1.5, 1}}
	b := ClusteredCounts{Counts: []int{2, 1, 0, 4, 0}}
	ab, err := NegativeBinomialRateRatio(a, b, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	ba, err := NegativeBinomialRateRatio(b, a, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	if !(ab.Low < ab.Ratio && ab.Ratio < ab.High) {
		t.Errorf("ratio %v outside %v to %v", ab.Ratio, ab.Low, ab.High)
	}
	// K and the ends come from searches with relative steps of 1e-9.
	for _, c := range [][2]float64{{ab.Ratio, 1 / ba.Ratio}, {ab.Low, 1 / ba.High}, {ab.High, 1 / ba.Low}, {ab.PValue, ba.PValue}, {ab.K, ba.K}} {
		if math.Abs(c[0]/c[1]-1) > 1e-6 {
			t.Errorf("%+v, sides exchanged %+v", ab, ba)
			break
		}
	}
	// p < 1 − level exactly where the interval leaves out 1.
	for _, level := range []float64{0.5, 0.8, 0.9, 0.95} {
		r, err := NegativeBinomialRateRatio(a, b, level)
		if err != nil {
			t.Fatal(err)
		}
		if out := r.Low > 1 || r.High < 1; out != (r.PValue < 1-level) {
			t.Errorf("level %v: interval %v to %v, p %v", level, r.Low, r.High, r.PValue)
		}
	}
	zero := ClusteredCounts{Counts: []int{0, 0, 0}}
	r, err := NegativeBinomialRateRatio(zero, b, 0.95)
	if err != nil || r.Ratio != 0 || r.Low != 0 || !(r.High > 0) || math.IsInf(r.High, 1) {
		t.Errorf("no counts on the first side: %+v, %v", r, err)
	}
	r, err = NegativeBinomialRateRatio(b, zero, 0.95)
	if err != nil || !math.IsInf(r.Ratio, 1) || !math.IsInf(r.High, 1) || !(r.Low > 0) {
		t.Errorf("no counts on the second side: %+v, %v", r, err)
	}
	r, err = NegativeBinomialRateRatio(zero, zero, 0.95)
	if err != nil || !math.IsNaN(r.Ratio) || r.Low != 0 || !math.IsInf(r.High, 1) || r.PValue != 1 {
		t.Errorf("no counts at all: %+v, %v", r, err)
	}
	for _, bad := range []ClusteredCounts{
		{}, {Counts: []int{-1}}, {Counts: []int{1}, Exposure: []float64{0}}, {Counts: []int{1}, Exposure: []float64{1, 1}},
	} {
		if _, err := NegativeBinomialRateRatio(bad, b, 0.95); !errors.Is(err, ErrRange) {
			t.Errorf("side %+v: error %v, want ErrRange", bad, err)
		}
	}
	if _, err := NegativeBinomialRateRatio(a, b, 1); !errors.Is(err, ErrRange) {
		t.Errorf("level 1: error %v, want ErrRange", err)
	}
}

// TestNegativeBinomialRateRatioCoverage simulates 25 fields a side. The
// likelihood-ratio interval is slightly short at that size; the limits are
// five standard errors around 0.92 to 0.95.
func TestNegativeBinomialRateRatioCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(47, 48))
	const trials, truth = 60, 2.0
	covered := 0
	for range trials {
		var a, b ClusteredCounts
		for range 25 {
			a.Counts = append(a.Counts, clustered(rng, 3*truth, 1))
			b.Counts = append(b.Counts, clustered(rng, 3, 1))
		}
		r, err := NegativeBinomialRateRatio(a, b, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if r.Low <= truth && truth <= r.High {
			covered++
		}
	}
	share := float64(covered) / trials
	se := math.Sqrt(0.95 * 0.05 / trials)
	if share < 0.92-5*se || share > 0.95+5*se {
		t.Errorf("coverage %v ± %v, want 0.92 to 0.95", share, se)
	}
}

func ExamplePermutationTest() {
	treated := []float64{12, 0, 3, 25, 1}
	blank := []float64{2, 1, 0, 4, 0}
	r, err := PermutationTest(treated, blank, PermutationOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("difference %.1f, one-sided p = %.3f from %d splits\n", r.Difference, r.Greater, r.Splits)
	// Output: difference 6.8, one-sided p = 0.135 from 252 splits
}

func BenchmarkNegativeBinomialRateRatio(b *testing.B) {
	x := ClusteredCounts{Counts: []int{12, 0, 3, 25, 1, 4, 0, 2, 9, 1}}
	y := ClusteredCounts{Counts: []int{2, 1, 0, 4, 0, 0, 1, 3, 0, 2}}
	for b.Loop() {
		if _, err := NegativeBinomialRateRatio(x, y, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPermutationTest(b *testing.B) {
	x := []float64{12, 0, 3, 25, 1, 4, 0, 2, 9, 1}
	y := []float64{2, 1, 0, 4, 0, 0, 1, 3, 0, 2}
	for b.Loop() {
		if _, err := PermutationTest(x, y, PermutationOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
