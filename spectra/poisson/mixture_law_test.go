package poisson

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"pgregory.net/rapid"
)

// TestMixtureFewCounts fits one to five counts with twelve templates, where
// the information is singular on most of the amplitudes.
func TestMixtureFewCounts(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	var scratch MixtureScratch
	var res MixtureResult
	for trial := range 2000 {
		templates := lineTemplates(12, 256, trial%3 == 0, uint64(trial%40))
		mix, err := NewMixture(templates)
		if err != nil {
			t.Fatal(err)
		}
		counts := make([]float64, 256)
		n := 1 + rng.IntN(5)
		for range n {
			counts[rng.IntN(256)]++
		}
		ch, v := sparse(counts)
		if err := mix.Fit(&res, ch, v, &scratch); err != nil {
			t.Fatal(err)
		}
		if res.Status != Converged {
			t.Errorf("trial %d, %d counts: %v after %d steps", trial, n, res.Status, res.Iterations)
			continue
		}
		if v := kkt(templates, counts, res.Amplitude); v > 1e-7 {
			t.Errorf("trial %d, %d counts: violation %g", trial, n, v)
		}
	}
}

// TestMixtureAgainstEM compares the maximum with that of 20 000 steps of
// expectation maximisation (Shepp & Vardi 1982), an independent path to it.
func TestMixtureAgainstEM(t *testing.T) {
	src := rand.NewPCG(31, 32)
	for trial := range 10 {
		templates := lineTemplates(4, 64, true, uint64(trial))
		mix, err := NewMixture(templates)
		if err != nil {
			t.Fatal(err)
		}
		mean, err := mix.Expected(nil, []float64{20, 0, 5, 30})
		if err != nil {
			t.Fatal(err)
		}
		counts := draw(mean, src)
		res, err := mix.FitDense(counts)
		if err != nil {
			t.Fatal(err)
		}
		a := []float64{1, 1, 1, 1}
		next := make([]float64, 4)
		for range 20000 {
			clear(next)
			for i, n := range counts {
				if n == 0 {
					continue
				}
				var m float64
				for j := range a {
					m += a[j] * templates[j][i]
				}
				for j := range a {
					next[j] += a[j] * templates[j][i] * n / m
				}
			}
			a, next = next, a
		}
		m, err := mix.Expected(nil, a)
		if err != nil {
			t.Fatal(err)
		}
		em := Deviance(counts, m)
		// Expectation maximisation creeps towards amplitudes at zero; after
		// these steps it is 1e-4 above the optimum at most and never below.
		if res.Deviance > em+1e-9 || em-res.Deviance > 1e-4 {
			t.Errorf("trial %d: deviance %.9f, expectation maximisation reaches %.9f", trial, res.Deviance, em)
		}
		m, err = mix.Expected(m, res.Amplitude)
		if err != nil {
			t.Fatal(err)
		}
		if d := Deviance(counts, m); math.Abs(d-res.Deviance) > 1e-9*d {
			t.Errorf("trial %d: deviance %v in the result, %v from all channels", trial, res.Deviance, d)
		}
	}
}

// TestMixtureUnbiased checks over many spectra that the estimates scatter about
// the truth with the Cramér–Rao variance and that Sigma tells it. Limits are
// five standard errors of the mean and of the variance.
func TestMixtureUnbiased(t *testing.T) {
	templates := lineTemplates(5, 512, true, 8)
	mix, err := NewMixture(templates)
	if err != nil {
		t.Fatal(err)
	}
	truth := []float64{300, 500, 200, 400, 2000}
	mean, err := mix.Expected(nil, truth)
	if err != nil {
		t.Fatal(err)
	}
	bound, err := mix.CramerRao(truth)
	if err != nil {
		t.Fatal(err)
	}
	const trials = 4000
	src := rand.NewPCG(41, 42)
	var res MixtureResult
	var scratch MixtureScratch
	sum, sum2, pull2 := make([]float64, 5), make([]float64, 5), make([]float64, 5)
	for range trials {
		ch, n := sparse(draw(mean, src))
		if err := mix.Fit(&res, ch, n, &scratch); err != nil {
			t.Fatal(err)
		}
		mix.Covariance(&res, &scratch)
		for j, a := range res.Amplitude {
			d := a - truth[j]
			sum[j] += d
			sum2[j] += d * d
			pull2[j] += d * d / (res.Sigma[j] * res.Sigma[j])
		}
	}
	for j := range truth {
		v := bound[j*5+j]
		if z := sum[j] / math.Sqrt(v*trials); math.Abs(z) > 5 {
			t.Errorf("template %d: mean error %.3f, %.1f standard errors", j, sum[j]/trials, z)
		}
		// The variance of a variance of nearly Gaussian values is 2/trials.
		if z := (sum2[j]/trials/v - 1) / math.Sqrt(2./trials); math.Abs(z) > 5 {
			t.Errorf("template %d: variance is %.4f of the Cramér–Rao bound, %.1f standard errors", j, sum2[j]/trials/v, z)
		}
		if z := (pull2[j]/trials - 1) / math.Sqrt(2./trials); math.Abs(z) > 5 {
			t.Errorf("template %d: mean squared pull %.4f, %.1f standard errors from 1", j, pull2[j]/trials, z)
		}
	}
}

func TestMixtureCovarianceAtZero(t *testing.T) {
	peak := gaussian(121, 60, 4)
	flat := make([]float64, 121)
	for i := range flat {
		flat[i] = 2. / 121 // sum 2: the amplitude is half the counts
	}
	mix, err := NewMixture([][]float64{peak, flat})
	if err != nil {
		t.Fatal(err)
	}
	// No counts: one count has the standard deviation one count.
	res, err := mix.FitDense(make([]float64, 121))
	if err != nil {
		t.Fatal(err)
	}
	if res.Status != Empty || math.Abs(res.Sigma[0]-1) > 1e-12 || math.Abs(res.Sigma[1]-0.5) > 1e-12 {
		t.Errorf("empty spectrum: %v, sigma %v, want empty, [1 0.5]", res.Status, res.Sigma)
	}
	// Counts far from the peak: its amplitude is zero, the background is not.
	counts := make([]float64, 121)
	for i := range 10 {
		counts[i] = 12.1
		counts[120-i] = 12.1
	}
	res, err = mix.FitDense(counts)
	if err != nil {
		t.Fatal(err)
	}
	if res.Amplitude[0] != 0 || math.Abs(res.Amplitude[1]-121) > 1e-9 {
		t.Fatalf("amplitudes %v, want [0 121]", res.Amplitude)
	}
	// The bound at one count, by Information with both free.
	cov, err := mix.CramerRao([]float64{1, 121})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := res.Sigma[0], math.Sqrt(cov[0]); math.Abs(got-want) > 1e-12*want {
		t.Errorf("sigma of the peak at zero = %v, want %v", got, want)
	}
	if res.Covariance[1] != 0 || res.Covariance[2] != 0 {
		t.Errorf("covariance with an amplitude at zero = %v, %v, want 0", res.Covariance[1], res.Covariance[2])
	}
	// A single Poisson mean: variance of a in units of the template.
	if got, want := res.Covariance[3], 121./2; math.Abs(got-want) > 1e-9*want {
		t.Errorf("variance of the background = %v, want %v", got, want)
	}
}

func TestMixtureAllocations(t *testing.T) {
	mix, chs, ns := mixtureCase(true)
	var res MixtureResult
	var scratch MixtureScratch
	i := 0
	run := func(covariance bool) float64 {
		return testing.AllocsPerRun(20, func() {
			if err := mix.Fit(&res, chs[i%200], ns[i%200], &scratch); err != nil {
				t.Fatal(err)
			}
			if covariance {
				mix.Covariance(&res, &scratch)
			}
			i++
		})
	}
	for range 200 { // grow to the largest spectrum
		run(true)
	}
	if a := run(false); a != 0 {
		t.Errorf("fit allocates %v times, want 0", a)
	}
	if a := run(true); a != 0 {
		t.Errorf("fit with covariance allocates %v times, want 0", a)
	}
}

// TestMixtureSameBits checks that results depend on the data alone: any
// number of goroutines, any history of the scratch.
func TestMixtureSameBits(t *testing.T) {
	mix, chs, ns := mixtureCase(false)
	fit := func(i int, s *MixtureScratch) []float64 {
		var r MixtureResult
		if err := mix.Fit(&r, chs[i], ns[i], s); err != nil {
			t.Error(err)
		}
		mix.Covariance(&r, s)
		return append(append(r.Amplitude, r.Sigma...), r.Deviance, float64(r.Iterations))
	}
	want := make([][]float64, len(chs))
	for i := range chs {
		want[i] = fit(i, new(MixtureScratch))
	}
	for _, workers := range []int{1, 2, 3, 8} {
		var wg sync.WaitGroup
		for w := range workers {
			wg.Go(func() {
				var s MixtureScratch
				for i := w; i < len(chs); i += workers {
					for j, v := range fit(i, &s) {
						if math.Float64bits(v) != math.Float64bits(want[i][j]) {
							t.Errorf("%d workers, spectrum %d: value %d differs", workers, i, j)
						}
					}
				}
			})
		}
		wg.Wait()
	}
}

// TestMixtureProperties checks that amplitudes follow the scale of templates
// and counts, and the order of templates.
func TestMixtureProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(1, 5).Draw(t, "templates")
		c := rapid.IntRange(k, 30).Draw(t, "channels")
		templates := make([][]float64, k)
		for j := range templates {
			templates[j] = rapid.SliceOfN(rapid.Float64Range(0.01, 1), c, c).Draw(t, "template")
		}
		counts := make([]float64, c)
		for i := range counts {
			counts[i] = float64(rapid.IntRange(0, 50).Draw(t, "count"))
		}
		fit := func(templates [][]float64, counts []float64) *MixtureResult {
			m, err := NewMixture(templates)
			if err != nil {
				t.Fatal(err)
			}
			r, err := m.FitDense(counts)
			if err != nil {
				t.Fatal(err)
			}
			if r.Status == NotConverged {
				t.Fatalf("not converged: templates %v counts %v", templates, counts)
			}
			return r
		}
		base := fit(templates, counts)
		if v := kkt(templates, counts, base.Amplitude); base.Status == Converged && v > 1e-7 {
			t.Fatalf("violation %g", v)
		}
		scaled := make([][]float64, k)
		for j := range templates {
			for _, v := range templates[k-1-j] {
				scaled[j] = append(scaled[j], 8*v)
			}
		}
		// Reversed order and a scale of 8: the same maximum of the
		// likelihood, also where the amplitudes are not unique.
		other := fit(scaled, counts)
		if math.Abs(other.Deviance-base.Deviance) > 1e-9*(1+base.Deviance) {
			t.Fatalf("deviance %v with reversed and scaled templates, %v before", other.Deviance, base.Deviance)
		}
		var sum, n float64
		for j, a := range other.Amplitude {
			for _, v := range scaled[j] {
				sum += a * v
			}
		}
		for _, v := range counts {
			n += v
		}
		if math.Abs(sum-n) > 1e-9*n {
			t.Fatalf("Σm = %v, want Σn = %v", sum, n)
		}
	})
}

func TestMixtureInput(t *testing.T) {
	if _, err := NewMixture(nil); !errors.Is(err, ErrRange) {
		t.Errorf("no templates: %v", err)
	}
	if _, err := NewMixture([][]float64{{}}); !errors.Is(err, ErrRange) {
		t.Errorf("no channels: %v", err)
	}
	for _, bad := range [][][]float64{
		{{1, 2}, {1}}, {{1, -1}}, {{1, math.NaN()}}, {{1, math.Inf(1)}}, {{math.MaxFloat64, math.MaxFloat64}},
	} {
		if _, err := NewMixture(bad); !errors.Is(err, ErrRange) {
			t.Errorf("templates %v: error %v, want ErrRange", bad, err)
		}
	}
	mix, err := NewMixture([][]float64{{1, 1, 0, 0}, {0, 0, 0, 0}, {0, 1, 1, 0}})
	if err != nil {
		t.Fatal(err)
	}
	var res MixtureResult
	var scratch MixtureScratch
	for _, bad := range []struct {
		ch []int32
		n  []float64
	}{
		{[]int32{0}, nil}, {[]int32{-1}, []float64{1}}, {[]int32{4}, []float64{1}},
		{[]int32{0}, []float64{-1}}, {[]int32{0}, []float64{math.NaN()}}, {[]int32{0}, []float64{math.Inf(1)}},
		{[]int32{1, 1}, []float64{1, 1}},
	} {
		if err := mix.Fit(&res, bad.ch, bad.n, &scratch); !errors.Is(err, ErrRange) || res.Status != NotConverged {
			t.Errorf("channels %v, counts %v: error %v, status %v, want ErrRange, not converged", bad.ch, bad.n, err, res.Status)
		}
	}
	if _, err := mix.FitDense([]float64{1}); !errors.Is(err, ErrRange) {
		t.Errorf("wrong number of channels: %v", err)
	}
	// Channel 3 is out of reach of every template.
	r, err := mix.FitDense([]float64{4, 0, 2, 7})
	if err != nil {
		t.Fatal(err)
	}
	if r.Outside != 7 || r.Status != Converged {
		t.Errorf("outside %v, status %v, want 7, converged", r.Outside, r.Status)
	}
	if r.Amplitude[1] != 0 || !math.IsNaN(r.Sigma[1]) {
		t.Errorf("zero template: amplitude %v, sigma %v, want 0, NaN", r.Amplitude[1], r.Sigma[1])
	}
	// By hand: minimise 2a+2c − 4·ln a − 2·ln c, so a = 2, c = 1.
	if math.Abs(r.Amplitude[0]-2) > 1e-12 || math.Abs(r.Amplitude[2]-1) > 1e-12 {
		t.Errorf("amplitudes %v, want [2 0 1]", r.Amplitude)
	}
	if r, err = mix.FitDense([]float64{0, 0, 0, 7}); err != nil || r.Status != Empty || r.Outside != 7 {
		t.Errorf("only counts out of reach: %v, %+v, want empty", err, r)
	}
	// Two equal templates: any split is a maximum, none has a variance.
	twin, err := NewMixture([][]float64{{1, 2}, {1, 2}})
	if err != nil {
		t.Fatal(err)
	}
	if r, err = twin.FitDense([]float64{10, 20}); err != nil || r.Status != Converged {
		t.Fatal(err, r.Status)
	}
	if math.Abs(r.Amplitude[0]+r.Amplitude[1]-10) > 1e-12 || !math.IsNaN(r.Sigma[0]) {
		t.Errorf("equal templates: amplitudes %v, sigma %v, want sum 10, NaN", r.Amplitude, r.Sigma)
	}
	if _, err := twin.CramerRao([]float64{1, 1}); !errors.Is(err, ErrSingular) {
		t.Errorf("Cramér–Rao bound of equal templates: %v, want ErrSingular", err)
	}
	if _, err := mix.Information([]float64{1, 1, 0}); !errors.Is(err, ErrRange) {
		t.Errorf("information with an empty channel: %v, want ErrRange", err)
	}
	if _, err := mix.Information([]float64{1, -1, 1}); !errors.Is(err, ErrRange) {
		t.Errorf("information at a negative amplitude: %v, want ErrRange", err)
	}
}

// FuzzMixture looks for spectra and templates that break the fit.
func FuzzMixture(f *testing.F) {
	f.Add(uint64(1), 3, 8, 1.0, 10.0)
	f.Add(uint64(2), 12, 40, 1e-150, 1e12)
	f.Add(uint64(3), 5, 5, 1e100, 1e-9)
	f.Fuzz(func(t *testing.T, seed uint64, k, c int, scale, size float64) {
		if k < 1 || k > 20 || c < 1 || c > 200 || !(scale > 1e-200 && scale < 1e200) || !(size > 1e-12 && size < 1e15) {
			t.Skip()
		}
		rng := rand.New(rand.NewPCG(seed, 9))
		templates := make([][]float64, k)
		for j := range templates {
			templates[j] = make([]float64, c)
			for i := range templates[j] {
				if rng.Float64() < 0.7 {
					templates[j][i] = scale * math.Exp(-20*rng.Float64())
				}
			}
		}
		counts := make([]float64, c)
		for i := range counts {
			if rng.Float64() < 0.5 {
				counts[i] = size * rng.ExpFloat64()
			}
		}
		mix, err := NewMixture(templates)
		if err != nil {
			t.Fatal(err)
		}
		r, err := mix.FitDense(counts)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range r.Amplitude {
			if !(a >= 0) || math.IsInf(a, 1) {
				t.Fatalf("amplitude %v, status %v", a, r.Status)
			}
		}
		if math.IsNaN(r.Deviance) || r.Deviance < -1e-6 {
			t.Fatalf("deviance %v", r.Deviance)
		}
		// With more templates than channels with counts the amplitudes need
		// not be unique, and with more than a million counts per channel the
		// likelihood has too few digits; such fits may say not converged.
		filled := 0
		for _, n := range counts {
			if n > 0 {
				filled++
			}
		}
		if r.Status == NotConverged && size <= 1e6 && k <= filled {
			t.Fatalf("not converged")
		}
	})
}

func BenchmarkMixtureCovariance(b *testing.B) {
	for _, dense := range []bool{false, true} {
		mix, chs, ns := mixtureCase(dense)
		var res MixtureResult
		var scratch MixtureScratch
		if err := mix.Fit(&res, chs[0][:2], ns[0][:2], &scratch); err != nil { // most amplitudes are zero
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("ch=1024/k=12/dense=%v", dense), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				mix.Covariance(&res, &scratch)
			}
		})
	}
}

func ExampleMixture_Fit() {
	// Two overlapping peaks; only six channels hold counts.
	mix, err := NewMixture([][]float64{
		{0.1, 0.3, 0.3, 0.2, 0.1, 0, 0, 0},
		{0, 0, 0, 0.1, 0.2, 0.3, 0.3, 0.1},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	var res MixtureResult
	var scratch MixtureScratch // one per goroutine, used again for every pixel
	err = mix.Fit(&res, []int32{1, 2, 3, 4, 5, 6}, []float64{4, 2, 3, 1, 2, 1}, &scratch)
	if err != nil {
		fmt.Println(err)
		return
	}
	mix.Covariance(&res, &scratch)
	fmt.Printf("%v: %.1f ± %.1f and %.1f ± %.1f counts\n", res.Status, res.Amplitude[0], res.Sigma[0], res.Amplitude[1], res.Sigma[1])
	// Output: converged: 9.0 ± 3.2 and 4.0 ± 2.2 counts
}
