package quant

import (
	"fmt"
	"math"

	"example.org/fleck/spectra/xray"
)

// Variation is the model with one of its inputs moved by one standard
// uncertainty, everything else as it was. The model has the same peaks, in the
// same order.
type Variation struct {
	Name   string  // what was moved and by how much
	Source string  // where the uncertainty comes from
	Model  Model   // with the input moved
	Scale  float64 // factor on the change, for example 1/√3 when the input moved by the half-width of a rectangular distribution; 0 is 1
}

// Term is one line of a budget.
type Term struct {
	Name, Source string
	// Change of each mass fraction for one standard uncertainty of the input, in
	// the order of Budget.Elements; for counting, which has one input for each
	// peak, the standard uncertainty itself.
	Change []float64
}

// Budget is the uncertainty of a composition by cause, after ISO/IEC Guide 98-3
// (GUM), 5.1: inputs independent of each other, to first order.
type Budget struct {
	Elements []xray.Element
	Terms    []Term // counting first, if it is known
	// Composition with the combined covariance: counting and, for each other
	// term, the product of its changes.
	Composition Composition
	// Missing names what is not in the budget though it belongs there.
	Missing []string
}

// Budget returns the uncertainty budget of a converged result of the same
// k-ratios. The change of the composition by a variation is that which keeps
// the k-ratios as measured.
func (s *Solver) Budget(r Result, ks []KRatio, variations []Variation) (Budget, error) {
	if r.Status != Converged {
		return Budget{}, fmt.Errorf("quant: budget of a result that is %s", r.Status)
	}
	if len(ks) != len(s.peaks) || len(r.Composition.Elements) != len(s.elements) {
		return Budget{}, fmt.Errorf("quant: budget for %d k-ratios and %d elements; the solver has %d and %d", len(ks), len(r.Composition.Elements), len(s.peaks), len(s.elements))
	}
	n, all := len(s.peaks), len(s.elements)
	c := make([]float64, n)
	for i, at := range s.measured {
		c[i] = float64(r.Composition.Mass[at])
	}
	full, base, err := s.sensitivity(c)
	if err != nil {
		return Budget{}, err
	}
	b := Budget{Elements: s.elements, Composition: Composition{Elements: s.elements, Mass: append([]MassFraction(nil), r.Composition.Mass...)}}
	cov := make([]float64, all*all)
	if len(r.Composition.Covariance) == all*all {
		copy(cov, r.Composition.Covariance)
		b.Terms = append(b.Terms, Term{"counting", "k-ratios", diagonal(cov, all)})
	} else {
		b.Missing = append(b.Missing, "counting: the k-ratios state no uncertainty")
	}
	for _, v := range variations {
		f := make([]float64, n)
		if err := v.Model.Factors(f, r.Composition); err != nil {
			return Budget{}, fmt.Errorf("quant: variation %q: %w", v.Name, err)
		}
		scale := v.Scale
		if scale == 0 {
			scale = 1
		}
		change := make([]float64, all)
		for a := range all {
			for j := range n {
				// k stays: J dC + C df = 0.
				change[a] -= scale * full[a*n+j] * c[j] * (f[j] - base[j])
			}
		}
		for a := range all {
			for d := range all {
				cov[a*all+d] += change[a] * change[d]
			}
		}
		b.Terms = append(b.Terms, Term{v.Name, v.Source, change})
	}
	b.Composition.Covariance = cov
	return b, nil
}

// Largest returns the term that moves the mass fraction of z most, and its
// share of the variance, 0 to 1; false if z is absent or there is no term.
func (b Budget) Largest(z xray.Element) (term Term, share float64, ok bool) {
	i := b.Composition.Index(z)
	if i < 0 || len(b.Terms) == 0 {
		return Term{}, 0, false
	}
	best := 0
	for k, t := range b.Terms {
		if math.Abs(t.Change[i]) > math.Abs(b.Terms[best].Change[i]) {
			best = k
		}
	}
	s := b.Composition.Sigma(z)
	if s > 0 {
		share = b.Terms[best].Change[i] * b.Terms[best].Change[i] / (s * s)
	}
	return b.Terms[best], share, true
}
