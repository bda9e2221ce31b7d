package poisson

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// bruteNNLS solves non-negative least squares by trying every set of positive
// columns.
func bruteNNLS(a *mat.Dense, b []float64) float64 {
	m, n := a.Dims()
	best := math.Inf(1)
	for set := range 1 << n {
		passive := make([]bool, n)
		for j := range n {
			passive[j] = set>>j&1 == 1
		}
		z, ok := passiveSolution(a, b, passive)
		if !ok {
			continue
		}
		feasible := true
		for _, v := range z {
			feasible = feasible && v >= 0
		}
		if !feasible {
			continue
		}
		r := make([]float64, m)
		residual(r, a, z, b)
		var sum float64
		for _, v := range r {
			sum += v * v
		}
		best = math.Min(best, math.Sqrt(sum))
	}
	return best
}

func TestNNLSAgainstAllSubsets(t *testing.T) {
	rng := rand.New(rand.NewPCG(57, 58))
	for trial := range 400 {
		m, n := 1+rng.IntN(8), 1+rng.IntN(6)
		a := mat.NewDense(m, n, nil)
		for i := range m {
			for j := range n {
				v := rng.NormFloat64()
				if trial%2 == 0 {
					v = math.Abs(v)
				}
				a.Set(i, j, v)
			}
		}
		if n > 2 && trial%5 == 0 { // two equal columns
			for i := range m {
				a.Set(i, 1, a.At(i, 0))
			}
		}
		b := make([]float64, m)
		for i := range b {
			b[i] = rng.NormFloat64()
		}
		x, norm, status, err := NNLS(a, b)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range x {
			if v < 0 {
				t.Errorf("trial %d: x = %v", trial, x)
			}
		}
		want := bruteNNLS(a, b)
		if status != Converged || math.Abs(norm-want) > 1e-9*(1+want) {
			t.Errorf("trial %d (%d×%d): %v, norm %v, want %v", trial, m, n, status, norm, want)
		}
	}
}

func TestNNLSDomain(t *testing.T) {
	a := mat.NewDense(2, 1, []float64{1, 1})
	if _, _, _, err := NNLS(a, []float64{1}); !errors.Is(err, ErrRange) {
		t.Errorf("wrong length: %v", err)
	}
	if _, _, _, err := NNLS(a, []float64{1, math.NaN()}); !errors.Is(err, ErrRange) {
		t.Errorf("NaN value: %v", err)
	}
	if _, _, _, err := NNLS(mat.NewDense(2, 1, []float64{1, math.Inf(1)}), []float64{1, 1}); !errors.Is(err, ErrRange) {
		t.Errorf("infinite entry: %v", err)
	}
	x, norm, status, err := NNLS(a, []float64{-1, -2})
	if err != nil || status != Converged || x[0] != 0 || math.Abs(norm-math.Sqrt(5)) > 1e-12 {
		t.Errorf("negative values: %v, %v, %v, %v, want 0, √5", x, norm, status, err)
	}
	if x, norm, status, err = NNLS(a, []float64{0, 0}); err != nil || status != Converged || x[0] != 0 || norm != 0 {
		t.Errorf("zero values: %v, %v, %v, %v", x, norm, status, err)
	}
}

func BenchmarkNNLS(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	a := mat.NewDense(100, 12, nil)
	for i := range 100 {
		for j := range 12 {
			a.Set(i, j, rng.Float64())
		}
	}
	y := make([]float64, 100)
	for i := range y {
		y[i] = rng.NormFloat64()
	}
	for b.Loop() {
		if _, _, _, err := NNLS(a, y); err != nil {
			b.Fatal(err)
		}
	}
}
