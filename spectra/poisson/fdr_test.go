package poisson

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// TestFalseDiscoveryDefinition compares with the step-up procedure as printed:
// the largest k with p_(k) ≤ k·q/m.
func TestFalseDiscoveryDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 40).Draw(t, "p")
		level := rapid.Float64Range(0.01, 0.5).Draw(t, "q")
		got := Rejected(p, level)
		// For every k: if at least k values are ≤ k·q/m they are rejected.
		cut := -1.0
		for k := 1; k <= len(p); k++ {
			limit := float64(k) * level / float64(len(p))
			n := 0
			for _, v := range p {
				if v <= limit {
					n++
				}
			}
			if n >= k {
				cut = limit
			}
		}
		for i, v := range p {
			if math.Abs(v-cut) < 1e-12 {
				continue // on the edge to rounding
			}
			if got[i] != (v <= cut) {
				t.Fatalf("p = %v, level %v: entry %d rejected %v, cut %v", p, level, i, got[i], cut)
			}
		}
		// q-values keep the order of p and are not below it.
		q, y := BenjaminiHochberg(p), BenjaminiYekutieli(p)
		for i := range p {
			if q[i] < p[i]-1e-15 || q[i] > 1 || y[i] < q[i] {
				t.Fatalf("p %v: q %v, under any dependence %v", p[i], q[i], y[i])
			}
			for j := range p {
				if p[i] < p[j] && q[i] > q[j] {
					t.Fatalf("q-values change the order of %v and %v", p[i], p[j])
				}
			}
		}
	})
}

// TestFalseDiscoveryRate simulates 80 true and 20 false hypotheses: the mean
// share of false discoveries is 0.8·q exactly for independent tests
// (Benjamini & Yekutieli 2001, theorem 5.1). The limit is five standard errors.
func TestFalseDiscoveryRate(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	const trials, level = 5000, 0.1
	var sum, sum2 float64
	p := make([]float64, 100)
	for range trials {
		for i := range p {
			z := rng.NormFloat64()
			if i >= 80 {
				z += 3
			}
			p[i] = math.Erfc(z/math.Sqrt2) / 2
		}
		wrong, all := 0., 0.
		for i, r := range Rejected(p, level) {
			if r {
				all++
				if i < 80 {
					wrong++
				}
			}
		}
		share := wrong / math.Max(1, all)
		sum += share
		sum2 += share * share
	}
	mean := sum / trials
	se := math.Sqrt((sum2/trials - mean*mean) / trials)
	if math.Abs(mean-0.8*level) > 5*se {
		t.Errorf("share of false discoveries %v ± %v, want %v", mean, se, 0.8*level)
	}
}

func TestFalseDiscoveryMissing(t *testing.T) {
	p := []float64{0.01, math.NaN(), 0.02}
	q := BenjaminiHochberg(p)
	if math.Abs(q[0]-0.02) > 1e-15 || !math.IsNaN(q[1]) || math.Abs(q[2]-0.02) > 1e-15 {
		t.Errorf("BenjaminiHochberg(%v) = %v, want [0.02 NaN 0.02]", p, q)
	}
	if r := Rejected(p, 0.05); !r[0] || r[1] || !r[2] {
		t.Errorf("Rejected(%v) = %v", p, r)
	}
	if q := BenjaminiHochberg([]float64{0.1, 1.5}); !math.IsNaN(q[0]) {
		t.Errorf("entry above 1: q = %v, want NaN", q)
	}
	if q := BenjaminiHochberg(nil); len(q) != 0 {
		t.Errorf("no p-values: q = %v", q)
	}
}

func ExampleRejected() {
	// Benjamini & Hochberg (1995), section 3.2: four of 15 are rejected.
	p := []float64{
		.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1.000,
	}
	n := 0
	for _, r := range Rejected(p, 0.05) {
		if r {
			n++
		}
	}
	fmt.Println(n)
	// Output: 4
}
