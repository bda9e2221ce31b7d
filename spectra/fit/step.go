package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// solve returns the damped scoring step. Amplitudes that sit at zero and want
// to fall, and those the step would carry below zero, are held at zero.
func (sc *scorer) solve(s *state, g []float64, h *mat.SymDense, lambda float64) ([]float64, bool) {
	np := len(sc.kinds)
	delta := make([]float64, np)
	held := make([]bool, np)
	for i, p := range sc.kinds {
		if p.bounded() && *p.value(s) <= 0 && g[i] <= 0 {
			held[i] = true
		}
	}
	for round := 0; round < np; round++ {
		var free []int
		for i := range held {
			if !held[i] {
				free = append(free, i)
			}
		}
		x, ok := solveFree(h, g, delta, free, held, lambda)
		if !ok {
			return nil, false
		}
		again := false
		for k, i := range free {
			p := sc.kinds[i]
			if p.bounded() && *p.value(s)+x[k] < -1e-12 {
				held[i], again = true, true
				delta[i] = -*p.value(s)
				continue
			}
			delta[i] = x[k]
		}
		if !again {
			return delta, true
		}
		for k, i := range free {
			_ = k
			if !held[i] {
				delta[i] = 0
			}
		}
	}
	return nil, false
}

// solveFree solves (H+λD) x = g − H·δ(held) on the free parameters, scaled to
// unit diagonal.
func solveFree(h *mat.SymDense, g, delta []float64, free []int, held []bool, lambda float64) ([]float64, bool) {
	nf := len(free)
	if nf == 0 {
		return nil, true
	}
	scale := make([]float64, nf)
	for k, i := range free {
		scale[k] = 1
		if v := h.At(i, i); v > 0 {
			scale[k] = 1 / math.Sqrt(v)
		}
	}
	a := mat.NewSymDense(nf, nil)
	b := mat.NewVecDense(nf, nil)
	for k, i := range free {
		rhs := g[i]
		for j, isHeld := range held {
			if isHeld && delta[j] != 0 {
				rhs -= h.At(i, j) * delta[j]
			}
		}
		b.SetVec(k, rhs*scale[k])
		for l := 0; l <= k; l++ {
			v := h.At(i, free[l]) * scale[k] * scale[l]
			if l == k {
				v = v*(1+lambda) + 1e-12
			}
			a.SetSym(k, l, v)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) {
		return nil, false
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, b); err != nil {
		if _, isCond := err.(mat.Condition); !isCond {
			return nil, false
		}
	}
	out := make([]float64, nf)
	for k := range out {
		out[k] = x.AtVec(k) * scale[k]
		if math.IsNaN(out[k]) {
			return nil, false
		}
	}
	return out, true
}
