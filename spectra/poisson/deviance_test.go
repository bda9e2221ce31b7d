package poisson

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

func TestDevianceTermNearEquality(t *testing.T) {
	// For m = n·(1+x) the term is n·(x² − 2x³/3 + x⁴/2 − …).
	for _, x := range []float64{1e-3, -1e-3, 1e-6, -1e-6, 1e-9} {
		n := 1000.
		m := n * (1 + x)
		e := (m - n) / n // the x that the rounded m stands for
		want := n * e * e * (1 - 2*e/3 + e*e/2 - 2*e*e*e/5)
		if got := DevianceTerm(n, m); math.Abs(got-want) > 1e-12*want {
			t.Errorf("DevianceTerm(1000, 1000·(1%+g)) = %.17g, want %.17g", x, got, want)
		}
	}
}

func TestDevianceDomain(t *testing.T) {
	for _, c := range []struct{ n, m, want float64 }{
		{0, 0, 0}, {0, 3, 6}, {2, 0, math.Inf(1)}, {4, 4, 0},
		{-1, 1, math.NaN()}, {1, -1, math.NaN()}, {math.NaN(), 1, math.NaN()}, {1, math.NaN(), math.NaN()},
	} {
		got := DevianceTerm(c.n, c.m)
		if got != c.want && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("DevianceTerm(%v, %v) = %v, want %v", c.n, c.m, got, c.want)
		}
	}
	if v := Deviance([]float64{1}, []float64{1, 2}); !math.IsNaN(v) {
		t.Errorf("Deviance of unequal lengths = %v, want NaN", v)
	}
	if v := Cash([]float64{1, 1}, []float64{0, 1}); !math.IsInf(v, 1) {
		t.Errorf("Cash with an impossible count = %v, want +Inf", v)
	}
	if v := GoodnessOfFit([]float64{1}, []float64{1}, 5); !math.IsNaN(v) {
		t.Errorf("GoodnessOfFit without degrees of freedom = %v, want NaN", v)
	}
	if m, v := ExpectedDeviance(0); m != 0 || v != 0 {
		t.Errorf("ExpectedDeviance(0) = %v, %v, want 0, 0", m, v)
	}
	if m, _ := ExpectedDeviance(-1); !math.IsNaN(m) {
		t.Errorf("ExpectedDeviance(-1) = %v, want NaN", m)
	}
}

// TestDevianceAndCash checks that the two statistics differ by a function of
// the counts alone.
func TestDevianceAndCash(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(1, 10).Draw(t, "channels")
		n := make([]float64, k)
		for i := range n {
			n[i] = float64(rapid.IntRange(0, 100).Draw(t, "count"))
		}
		models := rapid.SliceOfN(rapid.Float64Range(0.1, 100), k, k)
		m1, m2 := models.Draw(t, "m1"), models.Draw(t, "m2")
		d := Deviance(n, m1) - Deviance(n, m2)
		c := Cash(n, m1) - Cash(n, m2)
		// Rounding of the sums of both.
		if math.Abs(d-c) > 1e-11*(1+math.Abs(Cash(n, m1))+Deviance(n, m1)+Deviance(n, m2)) {
			t.Fatalf("differences %v and %v", d, c)
		}
	})
}

// TestExpectedDevianceSeries compares the series above the switch with the
// sum of the Poisson law over its whole range.
func TestExpectedDevianceSeries(t *testing.T) {
	exact := func(mu float64) (mean, variance float64) {
		first, p := probabilities(mu)
		var s1 float64
		for i, v := range p {
			s1 += v * DevianceTerm(float64(first+i), mu)
		}
		for i, v := range p {
			d := DevianceTerm(float64(first+i), mu) - s1
			variance += v * d * d
		}
		return s1, variance
	}
	for _, mu := range []float64{0.01, 1, 39.9, 40, 40.01, 45, 60, 100, 1000} {
		wantE, wantV := exact(mu)
		gotE, gotV := ExpectedDeviance(mu)
		tolE, tolV := 1e-12, 1e-11 // rounding of the sums
		if mu > expectedDevianceSwitch {
			tolE, tolV = 2e-10, 1e-8 // errors stated in the comment
		}
		if math.Abs(gotE-wantE) > tolE || math.Abs(gotV-wantV) > tolV {
			t.Errorf("ExpectedDeviance(%v) = %.14g, %.14g, want %.14g, %.14g (difference %.2g, %.2g)",
				mu, gotE, gotV, wantE, wantV, gotE-wantE, gotV-wantV)
		}
	}
}

// TestGoodnessOfFitLaw checks that z has mean 0 and variance 1 over simulated
// spectra, at a known model and after a fit. Limits are five standard errors.
func TestGoodnessOfFitLaw(t *testing.T) {
	const trials, channels = 600, 400
	flat := make([]float64, channels)
	slope := make([]float64, channels)
	for i := range flat {
		flat[i] = 1. / channels
		slope[i] = float64(i) / (channels * channels / 2)
	}
	mix, err := NewMixture([][]float64{flat, slope, gaussian(channels, 100, 5), gaussian(channels, 250, 6)})
	if err != nil {
		t.Fatal(err)
	}
	src := rand.NewPCG(3, 4)
	for _, perChannel := range []float64{0.2, 2, 20} {
		total := perChannel * channels
		// All amplitudes far above zero, so that four parameters are fitted.
		truth := []float64{0.4 * total, 0.2 * total, 0.2 * total, 0.2 * total}
		mean, err := mix.Expected(nil, truth)
		if err != nil {
			t.Fatal(err)
		}
		var res MixtureResult
		var scratch MixtureScratch
		var known, known2, fitted, fitted2, mixed, mixed2 float64
		for range trials {
			n := draw(mean, src)
			z := GoodnessOfFit(n, mean, 0)
			known += z
			known2 += z * z
			ch, v := sparse(n)
			if err := mix.Fit(&res, ch, v, &scratch); err != nil {
				t.Fatal(err)
			}
			m, err := mix.Expected(nil, res.Amplitude)
			if err != nil {
				t.Fatal(err)
			}
			free := 0
			for _, a := range res.Amplitude {
				if a > 0 {
					free++
				}
			}
			z = GoodnessOfFit(n, m, free)
			fitted += z
			fitted2 += z * z
			z = mix.GoodnessOfFit(&res, &scratch)
			mixed += z
			mixed2 += z * z
		}
		check := func(name string, sum, sum2 float64) {
			mean := sum / trials
			variance := sum2/trials - mean*mean
			// The law of z is nearly normal: standard errors 1/√trials and
			// √(2/trials).
			if math.Abs(mean)*math.Sqrt(trials) > 5 || math.Abs(variance-1)*math.Sqrt(trials/2) > 5 {
				t.Errorf("%g counts per channel, %s: z has mean %.3f and variance %.3f, want 0 and 1 within %.3f and %.3f",
					perChannel, name, mean, variance, 5/math.Sqrt(trials), 5*math.Sqrt(2./trials))
			}
		}
		check("known model", known, known2)
		if perChannel >= 1 { // as stated in the comment of GoodnessOfFit
			check("fitted model", fitted, fitted2)
		}
		check("mixture", mixed, mixed2)
	}
}

func TestHalfChi2PNull(t *testing.T) {
	// The law itself: half of the maxima of a one-sided likelihood of a
	// normal mean are at zero, the rest chi-square.
	rng := rand.New(rand.NewPCG(5, 6))
	const trials = 40000
	below := 0
	for range trials {
		z := math.Max(0, rng.NormFloat64())
		if HalfChi2P(z*z) <= 0.05 {
			below++
		}
	}
	if d := (float64(below)/trials - 0.05) / math.Sqrt(0.05*0.95/trials); math.Abs(d) > 5 {
		t.Errorf("share of p ≤ 0.05 under the null = %v, %.1f standard errors from 0.05", float64(below)/trials, d)
	}
	if p := HalfChi2P(0); p != 1 {
		t.Errorf("HalfChi2P(0) = %v, want 1", p)
	}
	if p := HalfChi2P(-1); !math.IsNaN(p) {
		t.Errorf("HalfChi2P(-1) = %v, want NaN", p)
	}
}

func TestTailPAgainstSum(t *testing.T) {
	for _, mu := range []float64{1e-6, 0.3, 4, 50} {
		d := distuv.Poisson{Lambda: mu}
		for n := 1; n < 12; n++ {
			var below float64
			for k := range n {
				below += d.Prob(float64(k))
			}
			want := 1 - below
			if want < 1e-3 {
				continue // the sum has lost its digits
			}
			if got := TailP(n, mu); math.Abs(got-want) > 1e-11 {
				t.Errorf("TailP(%d, %v) = %v, want %v", n, mu, got, want)
			}
		}
	}
	if TailP(0, 5) != 1 || TailP(-3, 5) != 1 || TailP(1, 0) != 0 || !math.IsNaN(TailP(1, -1)) || !math.IsNaN(TailP(0, math.NaN())) {
		t.Error("TailP at the edges: want 1, 1, 0, NaN, NaN")
	}
}

func BenchmarkExpectedDeviance(b *testing.B) {
	for _, c := range []struct {
		name string
		mu   float64
	}{{"mu=0.15", 0.15}, {"mu=5", 5}, {"mu=100", 100}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				ExpectedDeviance(c.mu)
			}
		})
	}
}
