package spots

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// detrend takes the polynomial of second order in x and y that fits best off a map,
// over the pixels that take part.
func detrend(v, in []float64, w, h int) {
	const terms = 6
	basis := func(p int) [terms]float64 {
		x, y := 2*float64(p%w)/float64(w)-1, 2*float64(p/w)/float64(h)-1
		return [terms]float64{1, x, y, x * x, x * y, y * y}
	}
	normal, right := mat.NewSymDense(terms, nil), mat.NewVecDense(terms, nil)
	for p := range v {
		if in[p] == 0 {
			continue
		}
		b := basis(p)
		for i := range terms {
			right.SetVec(i, right.AtVec(i)+b[i]*v[p])
			for j := i; j < terms; j++ {
				normal.SetSym(i, j, normal.At(i, j)+b[i]*b[j])
			}
		}
	}
	var chol mat.Cholesky
	var fit mat.VecDense
	if !chol.Factorize(normal) || chol.SolveVecTo(&fit, right) != nil {
		return // fewer than three rows or columns: no trend to tell from texture
	}
	for p := range v {
		if in[p] > 0 {
			for i, b := range basis(p) {
				v[p] -= fit.AtVec(i) * b
			}
		}
	}
}

// averaged returns the mean of a map weighted with a Gaussian of the given width about
// every pixel, over the pixels that take part.
func averaged(v, in []float64, w, h int, width float64) []float64 {
	r := int(math.Ceil(3 * width))
	weight := make([]float64, 2*r+1)
	for i := range weight {
		d := float64(i-r) / width
		weight[i] = math.Exp(-d * d / 2)
	}
	along := func(src []float64, n, step int, start func(line int) int, lines int) []float64 {
		out := make([]float64, len(src))
		for l := range lines {
			o := start(l)
			for i := range n {
				s := 0.0
				for k := max(-r, -i); k <= min(r, n-1-i); k++ {
					s += weight[k+r] * src[o+(i+k)*step]
				}
				out[o+i*step] = s
			}
		}
		return out
	}
	blur := func(src []float64) []float64 {
		rows := along(src, w, 1, func(l int) int { return l * w }, h)
		return along(rows, h, w, func(l int) int { return l }, w)
	}
	masked := make([]float64, len(v))
	for p := range v {
		masked[p] = v[p] * in[p]
	}
	sum, total := blur(masked), blur(in)
	for p := range sum {
		if total[p] > 0 {
			sum[p] /= total[p]
		}
	}
	return sum
}
