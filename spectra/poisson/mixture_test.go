package poisson

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// lineTemplates returns k templates over c channels that look like X-ray line
// families: one or two Gaussian peaks each, the last one a falling continuum.
// With dense set, every template has a little of the continuum, so no entry is
// zero.
func lineTemplates(k, c int, dense bool, seed uint64) [][]float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	out := make([][]float64, k)
	for j := range out {
		t := make([]float64, c)
		if j == k-1 {
			for i := range t {
				t[i] = math.Exp(-3 * float64(i) / float64(c))
			}
			out[j] = t
			continue
		}
		pos := float64(c) * (0.05 + 0.9*rng.Float64())
		pos2 := pos * 1.07
		sigma := 3 + 2*rng.Float64()
		for i := range t {
			x := (float64(i) - pos) / sigma
			x2 := (float64(i) - pos2) / sigma
			v := math.Exp(-x*x/2) + 0.15*math.Exp(-x2*x2/2)
			if v < 1e-6 {
				v = 0
			}
			if dense {
				v += 1e-5
			}
			t[i] = v
		}
		out[j] = t
	}
	for _, t := range out {
		var sum float64
		for _, v := range t {
			sum += v
		}
		for i := range t {
			t[i] /= sum
		}
	}
	return out
}

func sparse(dense []float64) (ch []int32, n []float64) {
	for i, v := range dense {
		if v != 0 {
			ch = append(ch, int32(i))
			n = append(n, v)
		}
	}
	return ch, n
}

func draw(mean []float64, src rand.Source) []float64 {
	out := make([]float64, len(mean))
	for i, m := range mean {
		if m > 0 {
			out[i] = distuv.Poisson{Lambda: m, Src: src}.Rand()
		}
	}
	return out
}

// kkt returns the largest violation of the optimality conditions at a: for
// positive amplitudes the score in units of its standard deviation, for zero
// ones the score per unit sum, which must not be positive.
func kkt(templates [][]float64, counts, a []float64) float64 {
	var worst float64
	m := make([]float64, len(counts))
	for j, t := range templates {
		for i, v := range t {
			m[i] += a[j] * v
		}
	}
	for j, t := range templates {
		var u, sum, info float64
		for i, v := range t {
			sum += v
			if counts[i] > 0 && v > 0 {
				u += v * counts[i] / m[i]
				info += v * v * counts[i] / (m[i] * m[i])
			}
		}
		if sum == 0 {
			continue
		}
		g := (u - sum) / sum
		if a[j] > 0 {
			// Distance to the optimum along this axis in standard deviations.
			worst = math.Max(worst, math.Abs(g)*sum/math.Sqrt(info))
		} else {
			worst = math.Max(worst, g)
		}
	}
	return worst
}

// TestMixtureOptimality fits random spectra, from few to a million counts and
// from well separated to almost dependent templates, and checks the conditions
// that hold at the maximum of the likelihood and nowhere else.
func TestMixtureOptimality(t *testing.T) {
	src := rand.NewPCG(11, 12)
	rng := rand.New(src)
	var scratch MixtureScratch
	var res MixtureResult
	worstIter := 0
	var worst float64
	for trial := range 3000 {
		k := 1 + rng.IntN(14)
		c := 64 << rng.IntN(5)
		templates := lineTemplates(k, c, trial%2 == 0, uint64(trial))
		a := make([]float64, k)
		total := math.Exp(rng.Float64() * 14)
		for j := range a {
			if rng.Float64() < 0.6 {
				a[j] = rng.Float64() * total / float64(k)
			}
		}
		mix, err := NewMixture(templates)
		if err != nil {
			t.Fatal(err)
		}
		mean, err := mix.Expected(nil, a)
		if err != nil {
			t.Fatal(err)
		}
		counts := draw(mean, src)
		ch, n := sparse(counts)
		if err := mix.Fit(&res, ch, n, &scratch); err != nil {
			t.Fatal(err)
		}
		var sumN, sumM float64
		for _, v := range n {
			sumN += v
		}
		if sumN == 0 {
			if res.Status != Empty {
				t.Errorf("trial %d: status %v, want empty", trial, res.Status)
			}
			continue
		}
		for _, v := range res.Amplitude {
			sumM += v
		}
		if math.Abs(sumM-sumN) > 1e-12*sumN {
			t.Errorf("trial %d: Σm = %v, want Σn = %v", trial, sumM, sumN)
		}
		if res.Status != Converged {
			t.Errorf("trial %d (k=%d c=%d total=%.0f): %v after %d steps, violation %g", trial, k, c, sumN, res.Status, res.Iterations, kkt(templates, counts, res.Amplitude))
			continue
		}
		worstIter = max(worstIter, res.Iterations)
		v := kkt(templates, counts, res.Amplitude)
		worst = math.Max(worst, v)
		// The fit promises 1e-7 standard deviations.
		if v > 1e-7 {
			t.Errorf("trial %d (k=%d c=%d total=%.0f): violation %g, iterations %d", trial, k, c, sumN, v, res.Iterations)
		}
	}
	t.Logf("most iterations %d, worst violation %g standard deviations", worstIter, worst)
}

func mixtureCase(dense bool) (*Mixture, [][]int32, [][]float64) {
	templates := lineTemplates(12, 1024, dense, 3)
	mix, err := NewMixture(templates)
	if err != nil {
		panic(err)
	}
	a := []float64{40, 5, 0, 12, 0, 3, 0, 20, 1, 0, 9, 60}
	mean, err := mix.Expected(nil, a)
	if err != nil {
		panic(err)
	}
	src := rand.NewPCG(5, 6)
	var chs [][]int32
	var ns [][]float64
	for range 200 {
		ch, n := sparse(draw(mean, src))
		chs, ns = append(chs, ch), append(ns, n)
	}
	return mix, chs, ns
}

func BenchmarkMixtureFit(b *testing.B) {
	for _, dense := range []bool{false, true} {
		name := "ch=1024/k=12/counts=150/templates=local"
		if dense {
			name = "ch=1024/k=12/counts=150/templates=dense"
		}
		b.Run(name, func(b *testing.B) {
			mix, chs, ns := mixtureCase(dense)
			var res MixtureResult
			var scratch MixtureScratch
			b.ReportAllocs()
			i, it := 0, 0
			for b.Loop() {
				if err := mix.Fit(&res, chs[i%200], ns[i%200], &scratch); err != nil {
					b.Fatal(err)
				}
				it += res.Iterations
				i++
			}
			b.ReportMetric(float64(it)/float64(i), "newton/op")
		})
	}
}
