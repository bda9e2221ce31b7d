package fit

import (
	"gonum.org/v1/gonum/mat"
)

// projector answers for a fitted model: how much would a further template of
// unit area improve it, after the templates already there have adapted?
type projector struct {
	r    *Result
	cols [][]float64 // free templates of the model
	span [][2]int
	inv  *mat.SymDense
}

func newProjector(r *Result) *projector {
	d := r.design
	cols := d.newColumns()
	d.columns(cols, r.state.shape)
	p := &projector{r: r}
	// One column per family with its fitted line shares, then the rest.
	for i := range d.families {
		if r.Families[i].AtZero {
			continue
		}
		p.cols = append(p.cols, r.FamilyModel(i))
	}
	base := d.groups()
	for k, a := range r.state.rest {
		if a > 0 {
			p.cols = append(p.cols, cols[base+k])
		}
	}
	n := len(p.cols)
	h := mat.NewSymDense(n, nil)
	idx := make([]int, n)
	for i := range p.cols {
		p.span = append(p.span, support(p.cols[i]))
		idx[i] = i
		for j := 0; j <= i; j++ {
			h.SetSym(i, j, p.dot(p.cols[i], p.span[i], p.cols[j], p.span[j]))
		}
	}
	if n > 0 {
		p.inv, _ = inverse(h, idx)
	}
	return p
}

// dot is Σ x y / m over the common range.
func (p *projector) dot(x []float64, sx [2]int, y []float64, sy [2]int) float64 {
	sum := 0.0
	for c := max(sx[0], sy[0]); c < min(sx[1], sy[1]); c++ {
		sum += x[c] * y[c] / p.r.Model[c]
	}
	return sum
}

// score returns the score of template t at amplitude zero and the information
// left after the model's own templates are adapted. The score of those is zero
// at the optimum.
func (p *projector) score(t []float64) (u, info float64) {
	st := support(t)
	for c := st[0]; c < st[1]; c++ {
		u += t[c] * (p.r.counts[c]/p.r.Model[c] - 1)
	}
	info = p.dot(t, st, t, st)
	if p.inv == nil {
		return u, info
	}
	b := make([]float64, len(p.cols))
	for i := range p.cols {
		b[i] = p.dot(t, st, p.cols[i], p.span[i])
	}
	full := info
	for i := range b {
		for j := range b {
			info -= b[i] * p.inv.At(i, j) * b[j]
		}
	}
	if info < 1e-3*full {
		return 0, 0 // no direction of its own is left
	}
	return u, info
}
