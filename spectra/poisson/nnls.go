package poisson

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// NNLS returns the x ≥ 0 that minimises ‖a·x − b‖², for an M×N matrix a and M
// values b, and the root of that minimum. Columns that depend on each other
// are handled by taking one of them. Status is NotConverged if the step limit
// of 3·N column exchanges was reached.
//
// Counts per channel are better fitted by Mixture; this is for quantities with
// Gaussian errors.
//
// Source: Lawson & Hanson (1974), Solving Least Squares Problems, algorithm
// NNLS (23.10).
func NNLS(a mat.Matrix, b []float64) (x []float64, norm float64, status Status, err error) {
	m, n := a.Dims()
	if len(b) != m {
		return nil, 0, NotConverged, fmt.Errorf("poisson: nnls: %d values for %d rows: %w", len(b), m, ErrRange)
	}
	var largest float64 // of |a|·|b|, for the scale of the gradient
	for i, bi := range b {
		if math.IsNaN(bi) || math.IsInf(bi, 0) {
			return nil, 0, NotConverged, fmt.Errorf("poisson: nnls: value %d is %v, want finite: %w", i, bi, ErrRange)
		}
		for j := range n {
			v := a.At(i, j)
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, 0, NotConverged, fmt.Errorf("poisson: nnls: matrix entry (%d, %d) is %v, want finite: %w", i, j, v, ErrRange)
			}
			largest = math.Max(largest, math.Abs(v*bi))
		}
	}
	x = make([]float64, n)
	passive := make([]bool, n)
	blocked := make([]bool, n) // columns that depend on the passive ones
	res := make([]float64, m)
	for range 3*n + 1 {
		residual(res, a, x, b)
		// Step 2 to 4: the column with the steepest descent enters.
		best, steepest := -1, 1e-13*float64(m)*largest
		for j := range n {
			if passive[j] || blocked[j] {
				continue
			}
			var w float64
			for i, r := range res {
				w += a.At(i, j) * r
			}
			if w > steepest {
				best, steepest = j, w
			}
		}
		if best < 0 {
			status = Converged
			break
		}
		passive[best] = true
		z, ok := passiveSolution(a, b, passive)
		if !ok || z[best] <= 0 {
			passive[best], blocked[best] = false, true
			continue
		}
		clear(blocked)
		// Step 7 to 11: go towards z; columns that reach zero leave.
		for {
			alpha := 1.0
			for j, zj := range z {
				if passive[j] && zj <= 0 {
					alpha = math.Min(alpha, x[j]/(x[j]-zj))
				}
			}
			done := true
			for j := range x {
				if !passive[j] {
					continue
				}
				x[j] += alpha * (z[j] - x[j])
				if z[j] <= 0 {
					done = false
					if x[j] <= 1e-14*math.Abs(z[j]) || alpha == 0 {
						x[j], passive[j] = 0, false
					}
				}
			}
			if done {
				copy(x, z)
				break
			}
			if z, ok = passiveSolution(a, b, passive); !ok {
				break
			}
		}
	}
	residual(res, a, x, b)
	var sum float64
	for _, r := range res {
		sum += r * r
	}
	return x, math.Sqrt(sum), status, nil
}

// residual writes b − a·x to dst.
func residual(dst []float64, a mat.Matrix, x, b []float64) {
	for i := range dst {
		dst[i] = b[i]
		for j, v := range x {
			if v != 0 {
				dst[i] -= a.At(i, j) * v
			}
		}
	}
}

// passiveSolution returns the unconstrained least-squares solution on the
// passive columns, zero elsewhere; ok is false if they depend on each other.
func passiveSolution(a mat.Matrix, b []float64, passive []bool) (z []float64, ok bool) {
	m, n := a.Dims()
	z = make([]float64, n)
	var cols []int
	for j, p := range passive {
		if p {
			cols = append(cols, j)
		}
	}
	if len(cols) == 0 {
		return z, true
	}
	if len(cols) > m {
		return nil, false
	}
	s := mat.NewDense(m, len(cols), nil)
	for c, j := range cols {
		for i := range m {
			s.Set(i, c, a.At(i, j))
		}
	}
	var qr mat.QR
	qr.Factorize(s)
	var v mat.VecDense
	if err := qr.SolveVecTo(&v, false, mat.NewVecDense(m, append([]float64(nil), b...))); err != nil {
		cond, warn := err.(mat.Condition)
		if !warn || float64(cond) > 1e14 {
			return nil, false
		}
	}
	for c, j := range cols {
		z[j] = v.AtVec(c)
	}
	return z, true
}
