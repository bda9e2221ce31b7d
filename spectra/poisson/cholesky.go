package poisson

import "math"

// cholesky replaces the lower triangle of the n×n matrix h (row by row) by its
// Cholesky factor. It reports false if a pivot is below 1e-14 of its diagonal
// entry, that is, if the matrix is singular to rounding.
func cholesky(h []float64, n int) bool {
	for i := range n {
		hi := h[i*n : i*n+i+1]
		diag := hi[i]
		for j := range i {
			hj := h[j*n : j*n+j+1]
			v := hi[j]
			for k := range j {
				v -= hi[k] * hj[k]
			}
			hi[j] = v / hj[j]
			diag -= hi[j] * hi[j]
		}
		if !(diag > 1e-14*hi[i]) {
			return false
		}
		hi[i] = math.Sqrt(diag)
	}
	return true
}

// choleskySolve solves h·x = b for the factor h from cholesky; b becomes x.
func choleskySolve(h []float64, n int, b []float64) {
	for i := range n {
		v := b[i]
		for k := range i {
			v -= h[i*n+k] * b[k]
		}
		b[i] = v / h[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		v := b[i]
		for k := i + 1; k < n; k++ {
			v -= h[k*n+i] * b[k]
		}
		b[i] = v / h[i*n+i]
	}
}
