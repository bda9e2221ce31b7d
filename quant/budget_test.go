package quant

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/spectra/xray"
)

// TestBudget: to first order, a term is the difference between the solutions
// with the varied model and with the model, for every rule; the combined
// variance is the sum.
func TestBudget(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 1))
	for _, rule := range []Rule{NoRule, ByStoichiometry, ByDifference} {
		var others []xray.Element
		c := composition(t, 12, 0.2, 14, 0.5, 26, 0.3)
		if rule != NoRule {
			others = []xray.Element{8}
			o := 0.3
			if rule == ByStoichiometry {
				o = 0.15*bound(12, 8, 2, 2) + 0.3*bound(14, 8, 4, 2) + 0.2*bound(26, 8, 2, 2)
			}
			c = composition(t, 12, 0.15, 14, 0.3, 26, 0.2, 8, o)
		}
		a := newAlphas(rng, 1, others, 12, 14, 26)
		ks := kratios(t, a, c, 1e-4)
		opt := SolveOptions{Rule: rule, Tolerance: 1e-10}
		s, err := NewSolver(a, opt)
		if err != nil {
			t.Fatal(err)
		}
		r, err := s.Solve(ks)
		if err != nil || r.Status != Converged {
			t.Fatal(r, err)
		}
		moved := *a
		moved.alpha = [][]float64{{1, 0, 0, 0}, {0, 1, 0, 0}, {0, 0, 1, 0}}
		for i := range a.alpha {
			moved.alpha[i] = append([]float64(nil), a.alpha[i]...)
			for j := range moved.alpha[i] {
				if i != j {
					moved.alpha[i][j] *= 1 + 1e-3*rng.NormFloat64()
				}
			}
		}
		b, err := s.Budget(r, ks, []Variation{{Name: "alpha", Model: &moved}, {Name: "half", Model: &moved, Scale: 0.5}})
		if err != nil {
			t.Fatal(err)
		}
		again, err := Solve(&moved, ks, opt)
		if err != nil || again.Status != Converged {
			t.Fatal(again, err)
		}
		for i, z := range b.Elements {
			want := float64(again.Composition.Mass[i] - r.Composition.Mass[i])
			near(t, rule.String()+" change of "+z.Symbol(), b.Terms[1].Change[i], want, 2e-6) // second order: (1e-3)²
			near(t, "half of it", b.Terms[2].Change[i], b.Terms[1].Change[i]/2, 1e-15)
			v := r.Composition.Sigma(z)*r.Composition.Sigma(z) + 1.25*b.Terms[1].Change[i]*b.Terms[1].Change[i]
			near(t, "combined", b.Composition.Sigma(z), math.Sqrt(v), 1e-12)
		}
		if term, share, ok := b.Largest(14); !ok || share <= 0 || share > 1 || term.Name == "" {
			t.Errorf("largest %v %v %v", term, share, ok)
		}
		if len(b.Missing) != 0 {
			t.Errorf("missing %v", b.Missing)
		}
		for i := range ks {
			ks[i].Sigma = 0
		}
		r, _ = s.Solve(ks)
		if b, err = s.Budget(r, ks, nil); err != nil || len(b.Missing) != 1 || len(b.Terms) != 0 {
			t.Errorf("without uncertainties: %+v, %v", b, err)
		}
	}
	s, err := NewSolver(newAlphas(rng, 1, nil, 12, 14), SolveOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Budget(Result{Status: NotConverged}, nil, nil); err == nil {
		t.Error("budget of a result that did not converge")
	}
	if _, err := s.Budget(Result{}, nil, nil); err == nil {
		t.Error("budget of another solver's result")
	}
}
