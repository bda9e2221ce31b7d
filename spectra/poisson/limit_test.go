package poisson

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestCriticalCountDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := math.Exp(rapid.Float64Range(-6, 12).Draw(t, "ln background"))
		alpha := math.Exp(rapid.Float64Range(-15, -0.1).Draw(t, "ln alpha"))
		beta := rapid.Float64Range(0.01, 0.5).Draw(t, "beta")
		n := CriticalCount(b, alpha)
		if TailP(n+1, b) > alpha {
			t.Fatalf("CriticalCount(%v, %v) = %d is too small", b, alpha, n)
		}
		if n > 0 && TailP(n, b) <= alpha {
			t.Fatalf("CriticalCount(%v, %v) = %d is not the smallest", b, alpha, n)
		}
		// The signal at the limit is missed with probability beta.
		d := DetectionLimit(b, alpha, beta)
		if p := cumulative(n, b+d); d > 0 && math.Abs(p-beta) > 1e-9 {
			t.Fatalf("P(N ≤ %d) at the detection limit = %v, want %v", n, p, beta)
		}
	})
}

// TestCurrieEquation checks L_D = L_C + k_β·√(L_D + σ0²), the equation behind
// Currie's closed forms, for unequal errors.
func TestCurrieEquation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.Float64Range(0, 1000).Draw(t, "b")
		alpha := rapid.Float64Range(1e-6, 0.4).Draw(t, "alpha")
		beta := rapid.Float64Range(1e-6, 0.4).Draw(t, "beta")
		kb := normalUpperQuantile(beta)
		for v0, l := range map[float64]CurrieLimits{b: CurrieKnown(b, alpha, beta), 2 * b: CurriePaired(b, alpha, beta)} {
			want := l.Critical + kb*math.Sqrt(l.Detection+v0)
			if math.Abs(l.Detection-want) > 1e-9*(1+want) {
				t.Fatalf("L_D = %v, equation gives %v", l.Detection, want)
			}
			if q := l.Quantification; math.Abs(math.Sqrt(q+v0)/q-0.1) > 1e-12 {
				t.Fatalf("relative standard deviation at L_Q = %v, want 0.1", math.Sqrt(q+v0)/q)
			}
		}
	})
}

func TestLimitDomain(t *testing.T) {
	for _, c := range [][2]float64{{-1, 0.05}, {math.NaN(), 0.05}, {math.Inf(1), 0.05}, {1, 0}, {1, 1}, {1, math.NaN()}} {
		if n := CriticalCount(c[0], c[1]); n != -1 {
			t.Errorf("CriticalCount(%v, %v) = %d, want -1", c[0], c[1], n)
		}
		if d := DetectionLimit(c[0], c[1], 0.05); !math.IsNaN(d) {
			t.Errorf("DetectionLimit(%v, %v, 0.05) = %v, want NaN", c[0], c[1], d)
		}
	}
	if l := CurrieKnown(-1, 0.05, 0.05); !math.IsNaN(l.Critical) {
		t.Errorf("CurrieKnown(-1) = %v, want NaN", l)
	}
	if l := CurriePaired(1, 0.5, 0.05); !math.IsNaN(l.Detection) {
		t.Errorf("CurriePaired(alpha 0.5) = %v, want NaN", l)
	}
}

// TestISO11929Equations checks the defining equations of the standard at
// unequal error probabilities.
func TestISO11929Equations(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := GrossCount{
			Gross:          float64(rapid.IntRange(0, 500).Draw(t, "gross")),
			GrossTime:      rapid.Float64Range(1, 1000).Draw(t, "gross time"),
			Background:     float64(rapid.IntRange(1, 500).Draw(t, "background")),
			BackgroundTime: rapid.Float64Range(1, 1000).Draw(t, "background time"),
			Factor:         rapid.Float64Range(0.1, 10).Draw(t, "factor"),
			FactorRelSD:    rapid.Float64Range(0, 0.3).Draw(t, "u_rel"),
			Alpha:          rapid.Float64Range(0.001, 0.3).Draw(t, "alpha"),
			Beta:           rapid.Float64Range(0.001, 0.3).Draw(t, "beta"),
			Gamma:          rapid.Float64Range(0.01, 0.3).Draw(t, "gamma"),
		}
		r, err := ISO11929(c)
		if err != nil {
			t.Fatal(err)
		}
		r0 := c.Background / c.BackgroundTime
		u := func(y float64) float64 {
			return math.Sqrt(c.Factor*c.Factor*((y/c.Factor+r0)/c.GrossTime+r0/c.BackgroundTime) + c.FactorRelSD*c.FactorRelSD*y*y)
		}
		if want := normalUpperQuantile(c.Alpha) * u(0); math.Abs(r.DecisionThreshold-want) > 1e-12*want {
			t.Fatalf("y* = %v, want %v", r.DecisionThreshold, want)
		}
		if d := r.DetectionLimit; !math.IsInf(d, 1) {
			want := r.DecisionThreshold + normalUpperQuantile(c.Beta)*u(d)
			// 1 − k²·u_rel² can come near zero; 1e-7 leaves room for that.
			if math.Abs(d-want) > 1e-7*want {
				t.Fatalf("y# = %v, equation gives %v", d, want)
			}
		}
		if r.Uncertainty > 0 && r.Value/r.Uncertainty > -5 {
			if !(0 <= r.Low && r.Low <= r.Best && r.Best <= r.High) {
				t.Fatalf("interval %v to %v, best %v", r.Low, r.High, r.Best)
			}
		}
	})
}

func TestISO11929Domain(t *testing.T) {
	good := GrossCount{Gross: 1, GrossTime: 1, Background: 1, BackgroundTime: 1}
	for name, change := range map[string]func(*GrossCount){
		"negative gross":  func(c *GrossCount) { c.Gross = -1 },
		"no gross time":   func(c *GrossCount) { c.GrossTime = 0 },
		"NaN background":  func(c *GrossCount) { c.Background = math.NaN() },
		"infinite time":   func(c *GrossCount) { c.BackgroundTime = math.Inf(1) },
		"negative factor": func(c *GrossCount) { c.Factor = -1 },
		"alpha 1":         func(c *GrossCount) { c.Alpha = 1 },
		"negative gamma":  func(c *GrossCount) { c.Gamma = -0.1 },
	} {
		c := good
		change(&c)
		if _, err := ISO11929(c); !errors.Is(err, ErrRange) {
			t.Errorf("%s: error %v, want ErrRange", name, err)
		}
	}
	c := good
	c.FactorRelSD = 0.7 // above 1/k
	if r, err := ISO11929(c); err != nil || !math.IsInf(r.DetectionLimit, 1) {
		t.Errorf("factor too uncertain: detection limit %v, %v, want +Inf", r.DetectionLimit, err)
	}
	if r, err := ISO11929(GrossCount{GrossTime: 1, BackgroundTime: 1}); err != nil || r.Uncertainty != 0 || r.High != 0 {
		t.Errorf("no counts: %+v, %v, want zeros", r, err)
	}
}

func ExampleDetectionLimit() {
	// Half a background count expected in the window of one spot.
	const background, alpha, beta = 0.5, 0.001, 0.05
	fmt.Printf("a spot shows at more than %d counts; %.1f net counts are needed to show\n",
		CriticalCount(background, alpha), DetectionLimit(background, alpha, beta))
	// Output: a spot shows at more than 4 counts; 8.7 net counts are needed to show
}
