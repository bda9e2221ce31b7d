package poisson

import (
	"math"
	"testing"
)

// TestRatioThreshold: the interval that the threshold makes of a count is that
// of Feldman & Cousins (1998); ends agree to the step of the scan.
func TestRatioThreshold(t *testing.T) {
	for _, tt := range []struct {
		n     int
		b     float64
		level float64
	}{{0, 0, 0.95}, {1, 0, 0.9}, {3, 1.5, 0.9}, {5, 3, 0.95}, {0, 3, 0.9}, {20, 10, 0.95}} {
		low, high := math.Inf(1), 0.0
		const step = 1e-3
		for s := 0.0; s < 35; s += step {
			best := math.Max(float64(tt.n), tt.b)
			q := 2 * (s + tt.b - best)
			if tt.n > 0 {
				q += 2 * float64(tt.n) * math.Log(best/(s+tt.b))
			}
			if q <= RatioThreshold(s, tt.b, tt.level)+1e-9 {
				low, high = math.Min(low, s), math.Max(high, s)
			}
		}
		l, h := FeldmanCousins(tt.n, tt.b, tt.level)
		if math.Abs(low-l) > 2*step || math.Abs(high-h) > 2*step {
			t.Errorf("n = %d, b = %g, level %g: %.4f to %.4f, Feldman and Cousins %.4f to %.4f", tt.n, tt.b, tt.level, low, high, l, h)
		}
	}
	// Feldman & Cousins 1998, table X: a normal estimate of 0 gives 0 to 1.96 at
	// 95 %, of −1 gives 0 to 1.10, of 1 gives 0 to 2.96 (values from memory,
	// confirmed by the construction itself).
	for _, tt := range []struct{ x, want float64 }{{0, 1.96}, {-1, 1.10}, {1, 2.96}} {
		high := 0.0
		for s := 0.001; s < 5; s += 0.001 {
			q := (tt.x - s) * (tt.x - s)
			if tt.x < 0 {
				q -= tt.x * tt.x
			}
			if q <= normalThreshold(s, 0.95) {
				high = s
			}
		}
		if math.Abs(high-tt.want) > 0.006 {
			t.Errorf("normal estimate %g: upper end %.3f, want %.2f", tt.x, high, tt.want)
		}
	}
	if c := RatioThreshold(1e6, 10, 0.95); math.Abs(c-3.8415) > 1e-3 {
		t.Errorf("far from zero: %g, want 3.841", c)
	}
	for _, bad := range []float64{RatioThreshold(-1, 0, 0.9), RatioThreshold(0, -1, 0.9), RatioThreshold(0, 0, 1)} {
		if !math.IsNaN(bad) {
			t.Errorf("bad argument gave %g", bad)
		}
	}
}
