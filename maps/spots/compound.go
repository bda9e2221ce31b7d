package spots

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// parts returns the parts of a template; those of a template that states none are
// its own line family, exact, and the rest, uncertain by sigma.
func (t Template) parts(sigma float64) []Part {
	switch {
	case t.Parts != nil:
		return t.Parts
	case t.Line == nil:
		return []Part{{t.Spectrum, 0}}
	}
	line, rest := t.split()
	return []Part{{line, 0}, {rest, sigma}}
}

// candidate is the evidence for one compound alone.
type candidate struct {
	t        Template
	spectrum []float64 // with the parts at their best strengths
	lnL      float64   // with the price of departing from the template
	free     float64   // with the strength of every part free, at no price
	dof      int       // parts less one
	off      float64   // departure of the part furthest off, in its uncertainty
}

// compound fits template t beside the spectra in others. Every part may depart
// from the template by a factor exp(l) at the price l²/2σ², its own uncertainty,
// which is taken off the log-likelihood.
//
// Where the best strengths lie is found from the fit with all parts free and its
// covariance (the likelihood is close to a Gaussian in the amplitudes); what the
// template is worth there is an exact fit again, so that an error of the place
// costs second order only.
func (e *evidence) compound(t Template, others [][]float64, sigma float64) candidate {
	ps := t.parts(sigma)
	c := candidate{t: t, spectrum: t.Spectrum, dof: len(ps) - 1}
	with := func(spectrum []float64) float64 {
		return e.fit(append([][]float64{spectrum}, others...), false, false).lnL
	}
	c.lnL = with(t.Spectrum)
	c.free = c.lnL
	if len(ps) == 1 {
		return c
	}
	var spectra [][]float64
	for _, p := range ps {
		spectra = append(spectra, p.Spectrum)
	}
	amplitude, cov, lnL := e.freeParts(append(spectra, others...), len(ps))
	c.free = math.Max(c.free, lnL)
	l := bestStrengths(ps, amplitude, cov)
	if l == nil {
		return c
	}
	price := 0.0
	moved := make([]float64, len(t.Spectrum))
	off := 0.0
	for j, p := range ps {
		f := math.Exp(l[j])
		for i, v := range p.Spectrum {
			moved[i] += f * v
		}
		if p.Sigma > 0 {
			z := l[j] / p.Sigma
			price += z * z / 2
			off = math.Max(off, math.Abs(z))
		}
	}
	if v := with(moved) - price; v > c.lnL {
		c.lnL, c.spectrum, c.off = v, moved, off
	}
	return c
}

// freeParts fits all spectra freely and returns amplitudes and covariance of the
// first n.
func (e *evidence) freeParts(spectra [][]float64, n int) (amplitude []float64, cov *mat.SymDense, lnL float64) {
	f := e.fit(spectra, true, false)
	cov = mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			cov.SetSym(i, j, f.cov[i*len(spectra)+j])
		}
	}
	return f.f[:n], cov, f.lnL
}

// bestStrengths returns the logarithms l of the factors on the parts that minimise
//
//	(a−â)ᵀ·C⁻¹·(a−â)/2 + sum l_j²/2σ_j², a_j = exp(u+l_j),
//
// over l and the common strength exp(u), by damped Gauss–Newton steps; nil when
// the covariance cannot be inverted or nothing was found.
func bestStrengths(ps []Part, found []float64, cov *mat.SymDense) []float64 {
	k := len(ps)
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		return nil
	}
	var inverse mat.SymDense
	if chol.InverseTo(&inverse) != nil {
		return nil
	}
	start, weight := 0.0, 0.0
	for j, a := range found {
		start += math.Max(a, 0) * inverse.At(j, j)
		weight += inverse.At(j, j)
	}
	if !(start > 0) {
		return nil
	}
	x := make([]float64, k+1) // l …, u
	x[k] = math.Log(start / weight)
	a := make([]float64, k)
	value := func(x []float64) float64 {
		t := 0.0
		for j := range k {
			a[j] = math.Exp(x[k]+x[j]) - found[j]
			if s := ps[j].Sigma; s > 0 {
				t += x[j] * x[j] / (2 * s * s)
			}
		}
		for i := range k {
			for j := range k {
				t += a[i] * inverse.At(i, j) * a[j] / 2
			}
		}
		return t
	}
	damping := 1e-3
	now := value(x)
	for range 60 {
		h, g := mat.NewSymDense(k+1, nil), mat.NewVecDense(k+1, nil)
		for i := range k {
			ai := math.Exp(x[k] + x[i])
			row := 0.0
			for j := range k {
				row += inverse.At(i, j) * (math.Exp(x[k]+x[j]) - found[j])
			}
			free := ps[i].Sigma > 0
			g.SetVec(k, g.AtVec(k)-ai*row)
			if free {
				s2 := ps[i].Sigma * ps[i].Sigma
				g.SetVec(i, -ai*row-x[i]/s2)
				h.SetSym(i, i, h.At(i, i)+1/s2)
			} else {
				h.SetSym(i, i, 1)
			}
			for j := range k {
				w := ai * inverse.At(i, j) * math.Exp(x[k]+x[j])
				h.SetSym(k, k, h.At(k, k)+w)
				if free {
					h.SetSym(i, k, h.At(i, k)+w)
				}
				if j >= i && free && ps[j].Sigma > 0 {
					h.SetSym(i, j, h.At(i, j)+w)
				}
			}
		}
		for i := range k + 1 {
			h.SetSym(i, i, h.At(i, i)*(1+damping))
		}
		var c mat.Cholesky
		var step mat.VecDense
		if !c.Factorize(h) || c.SolveVecTo(&step, g) != nil {
			break
		}
		try := make([]float64, k+1)
		size := 0.0
		for i := range try {
			d := math.Max(-1, math.Min(1, step.AtVec(i)))
			try[i] = x[i] + d
			size = math.Max(size, math.Abs(d))
		}
		if v := value(try); v <= now {
			x, now, damping = try, v, damping/5
			if size < 1e-4 {
				break
			}
		} else if damping *= 10; damping > 1e8 {
			break
		}
	}
	return x[:k]
}
