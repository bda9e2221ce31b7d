package poisson

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestETestAgainstDoubleSum compares with the plain double sum of the
// definition, positive differences included.
func TestETestAgainstDoubleSum(t *testing.T) {
	for _, c := range []struct {
		k1   int
		t1   float64
		k2   int
		t2   float64
		diff float64
	}{
		{5, 1, 3, 1, 0}, {5, 1, 3, 1, 1.5}, {9, 2, 1, 3, 0.5}, {0, 1, 4, 1, 0}, {0, 1, 4, 1, 0.7},
		{30, 10, 12, 7, 0.3}, {4, 1, 4, 1, 0}, {8, 3, 5, 1.7, 0}, {3, 2, 6, 4, 0},
	} {
		rate2 := float64(c.k1+c.k2)/(c.t1+c.t2) - c.diff*c.t1/(c.t1+c.t2)
		observed := eStatistic(float64(c.k1), c.t1, float64(c.k2), c.t2, c.diff)
		var greater, both float64
		for x1 := range 150 {
			for x2 := range 150 {
				p := math.Exp(logPMF(x1, c.t1*(rate2+c.diff)) + logPMF(x2, c.t2*rate2))
				v := eStatistic(float64(x1), c.t1, float64(x2), c.t2, c.diff)
				if atLeast(v, observed) {
					greater += p
				}
				if atLeast(math.Abs(v), math.Abs(observed)) {
					both += p
				}
			}
		}
		g, b := ETest(c.k1, c.t1, c.k2, c.t2, c.diff)
		if math.Abs(g-greater) > 1e-12 || math.Abs(b-both) > 1e-12 {
			t.Errorf("ETest(%+v) = %.14g, %.14g, want %.14g, %.14g", c, g, b, greater, both)
		}
	}
}

// TestETestTies checks the case in which tied values of T carry probability
// 0.003: 15 in 10 against 30 in 40, where (5, 40) ties with the observation.
func TestETestTies(t *testing.T) {
	a := eStatistic(15, 10, 30, 40, 0)
	b := eStatistic(5, 10, 40, 40, 0)
	// T² = 10/3 for both in exact arithmetic.
	if math.Abs(a*a-10./3) > 1e-12 || math.Abs(b*b-10./3) > 1e-12 {
		t.Fatalf("T² = %v and %v, want 10/3", a*a, b*b)
	}
	if !atLeast(a, -b) || !atLeast(-b, a) {
		t.Errorf("%.17g and %.17g do not count as equal", a, -b)
	}
}

// testSize returns P(p ≤ 0.05) under equal rates, by summing over all pairs of
// counts.
func testSize(mu1, mu2 float64, p func(k1, k2 int) float64) float64 {
	f1, p1 := probabilities(mu1)
	f2, p2 := probabilities(mu2)
	var size float64
	for i, a := range p1 {
		for j, b := range p2 {
			if a*b > 1e-12 && p(f1+i, f2+j) <= 0.05 {
				size += a * b
			}
		}
	}
	return size
}

// TestRateTestSizes checks that the C-test never exceeds its nominal size and
// that the E-test comes close to it, as Krishnamoorthy & Thomson (2004) report
// (their figures stay below 0.06).
func TestRateTestSizes(t *testing.T) {
	for _, mu := range []float64{0.5, 2, 5, 10} {
		for _, t2 := range []float64{1, 2.5} {
			c := testSize(mu, t2*mu, func(k1, k2 int) float64 { _, p := CTest(k1, 1, k2, t2); return p })
			e := testSize(mu, t2*mu, func(k1, k2 int) float64 { _, p := ETest(k1, 1, k2, t2, 0); return p })
			if c > 0.05 {
				t.Errorf("mean %v, times 1 and %v: C-test rejects with probability %v, want at most 0.05", mu, t2, c)
			}
			if e > 0.06 || (mu >= 2 && e < c) {
				t.Errorf("mean %v, times 1 and %v: E-test rejects with probability %v (C-test %v), want at most 0.06 and, from mean 2, no less than the C-test", mu, t2, e, c)
			}
		}
	}
}

func TestRateSymmetries(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k1, k2 := rapid.IntRange(0, 200).Draw(t, "k1"), rapid.IntRange(0, 200).Draw(t, "k2")
		t1, t2 := rapid.Float64Range(0.1, 10).Draw(t, "t1"), rapid.Float64Range(0.1, 10).Draw(t, "t2")
		_, a := CTest(k1, t1, k2, t2)
		_, b := CTest(k2, t2, k1, t1)
		if math.Abs(a-b) > 1e-10 {
			t.Fatalf("two-sided C-test %v, sides exchanged %v", a, b)
		}
		_, a = ETest(k1, t1, k2, t2, 0)
		_, b = ETest(k2, t2, k1, t1, 0)
		if math.Abs(a-b) > 1e-10 {
			t.Fatalf("two-sided E-test %v, sides exchanged %v", a, b)
		}
		// The on/off probability is the one-sided C-test with the off
		// exposure as the second time.
		g, _ := CTest(k1, 1, k2, t2)
		if p := OnOffP(float64(k1), float64(k2), t2); math.Abs(p-g) > 1e-12 {
			t.Fatalf("OnOffP %v, C-test %v", p, g)
		}
		// The unit of time does not matter.
		c, _ := ETest(k1, t1, k2, t2, 0)
		d, _ := ETest(k1, 8*t1, k2, 8*t2, 0)
		if math.Abs(c-d) > 1e-10 {
			t.Fatalf("E-test %v, other unit of time %v", c, d)
		}
		r, low, high := RateRatio(k1, t1, k2, t2, 0.9)
		ri, lowI, highI := RateRatio(k2, t2, k1, t1, 0.9)
		if k1 > 0 && k2 > 0 {
			if !(low < r && r < high) {
				t.Fatalf("ratio %v outside %v to %v", r, low, high)
			}
			if math.Abs(r*ri-1) > 1e-12 || math.Abs(low*highI-1) > 1e-9 || math.Abs(high*lowI-1) > 1e-9 {
				t.Fatalf("interval %v to %v, sides exchanged %v to %v", low, high, lowI, highI)
			}
		}
		if z := LiMa(float64(k1), float64(k2), t1/t2); z != 0 && math.Signbit(z) != (float64(k1)-t1/t2*float64(k2) < 0) {
			t.Fatalf("LiMa = %v for excess %v", z, float64(k1)-t1/t2*float64(k2))
		}
	})
}

func TestOnOffZBelow(t *testing.T) {
	// Φ(Z_Bi) = 1 − p on both sides of zero.
	for on := range 30 {
		p := OnOffP(float64(on), 20, 2)
		z := OnOffZ(float64(on), 20, 2)
		if on == 0 {
			if !math.IsInf(z, -1) {
				t.Errorf("OnOffZ(0, 20, 2) = %v, want -Inf", z)
			}
			continue
		}
		if got := math.Erfc(z/math.Sqrt2) / 2; math.Abs(got-p) > 1e-12 {
			t.Errorf("OnOffZ(%d, 20, 2) = %v stands for p = %v, want %v", on, z, got, p)
		}
	}
}

func TestRateDomain(t *testing.T) {
	bad := math.NaN()
	if a, b := CTest(-1, 1, 1, 1); !math.IsNaN(a) || !math.IsNaN(b) {
		t.Errorf("CTest(-1, …) = %v, %v, want NaN", a, b)
	}
	if a, b := CTest(0, 1, 0, 1); a != 1 || b != 1 {
		t.Errorf("CTest without counts = %v, %v, want 1, 1", a, b)
	}
	if a, b := ETest(1, 0, 1, 1, 0); !math.IsNaN(a) || !math.IsNaN(b) {
		t.Errorf("ETest with no time = %v, %v, want NaN", a, b)
	}
	if a, b := ETest(1, 1, 1, 1, -1); !math.IsNaN(a) || !math.IsNaN(b) {
		t.Errorf("ETest with a negative difference = %v, %v, want NaN", a, b)
	}
	if a, b := ETest(1, 1, 0, 1, 5); a != 1 || b != 1 {
		t.Errorf("ETest with no room for the second rate = %v, %v, want 1, 1", a, b)
	}
	if r, l, h := RateRatio(0, 1, 0, 1, 0.9); !math.IsNaN(r) || l != 0 || !math.IsInf(h, 1) {
		t.Errorf("RateRatio without counts = %v, %v, %v, want NaN, 0, +Inf", r, l, h)
	}
	if r, _, h := RateRatio(2, 1, 0, 1, 0.9); !math.IsInf(r, 1) || !math.IsInf(h, 1) {
		t.Errorf("RateRatio(2, 1, 0, 1) = %v, high %v, want +Inf", r, h)
	}
	for _, v := range []float64{OnOffP(bad, 1, 1), OnOffP(1, -1, 1), OnOffZ(1, 1, 0), LiMa(1, 1, bad), LiMa(-1, 1, 1), AsimovZ(-1, 1), AsimovZ(1, 0)} {
		if !math.IsNaN(v) {
			t.Errorf("got %v for an argument out of range, want NaN", v)
		}
	}
}

func ExampleETest() {
	// Krishnamoorthy & Thomson (2004), section 6: no defect in one lot of
	// 100, 3 in another.
	_, p := ETest(0, 100, 3, 100, 0)
	fmt.Printf("%.4f\n", p)
	// Output: 0.0884
}

func BenchmarkETest(b *testing.B) {
	for b.Loop() {
		ETest(150, 10, 300, 40, 0)
	}
}
