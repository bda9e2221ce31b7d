package quant

import (
	"math"
	"testing"

	"example.org/fleck/spectra/xray"
	"pgregory.net/rapid"
)

func near(t testing.TB, what string, got, want, abs float64) {
	t.Helper()
	if !(math.Abs(got-want) <= abs) {
		t.Errorf("%s = %.8g, want %.8g ± %.1g", what, got, want, abs)
	}
}

func composition(t testing.TB, pairs ...float64) Composition {
	t.Helper()
	var el []xray.Element
	var mass []MassFraction
	for i := 0; i < len(pairs); i += 2 {
		el, mass = append(el, xray.Element(pairs[i])), append(mass, MassFraction(pairs[i+1]))
	}
	c, err := NewComposition(el, mass)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestOxideFactors: oxide per cation mass, from atomic weights (IUPAC 2021); the
// five digits of the table were computed with weights of two decimals, hence
// 2e-4.
func TestOxideFactors(t *testing.T) {
	for _, r := range []struct {
		z       xray.Element
		valence int
		formula string
		factor  float64
	}{
		{14, 0, "SiO2", 2.13920}, {13, 0, "Al2O3", 1.88988}, {12, 0, "MgO", 1.65789}, {20, 0, "CaO", 1.39920},
		{26, 0, "FeO", 1.28648}, {26, 3, "Fe2O3", 1.42972}, {22, 0, "TiO2", 1.66806}, {11, 0, "Na2O", 1.34783},
		{19, 0, "K2O", 1.20460}, {30, 0, "ZnO", 1.24472},
	} {
		v := map[xray.Element]int{}
		if r.valence > 0 {
			v[r.z] = r.valence
		}
		c := composition(t, float64(r.z), 0.5)
		o, excess, err := c.OxideFractions(v)
		if err != nil {
			t.Fatal(err)
		}
		if o[0].Formula != r.formula || o[0].Cation != r.z {
			t.Errorf("oxide %+v, want %s", o[0], r.formula)
		}
		near(t, r.formula, float64(o[0].Mass)/0.5, r.factor, 6e-4)
		near(t, "excess", float64(excess), -(float64(o[0].Mass) - 0.5), 1e-12)
	}
	if _, _, err := composition(t, 9, 1).OxideFractions(nil); err == nil {
		t.Error("oxide of F without an error")
	}
}

// TestGlass: K-411 (oxides of its certificate, from memory) to elements, computed
// digits: Si .25383 Fe .11209 Mg .08849 Ca .11056 O .42363, sum .9886.
func TestGlass(t *testing.T) {
	c := composition(t, 14, .25383, 26, .11209, 12, .08849, 20, .11056, 8, .42363)
	total, sigma := c.Total()
	near(t, "total", total, 0.98860, 1e-9)
	if !math.IsNaN(sigma) {
		t.Errorf("uncertainty of the total %g without a covariance, want NaN", sigma)
	}
	o, excess, err := c.OxideFractions(nil)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]float64{"SiO2": .5430, "FeO": .1442, "MgO": .1467, "CaO": .1547}
	for _, x := range o {
		near(t, x.Formula, float64(x.Mass), want[x.Formula], 1e-4)
		if !math.IsNaN(x.Sigma) {
			t.Errorf("%s: uncertainty %g without a covariance, want NaN", x.Formula, x.Sigma)
		}
	}
	near(t, "excess oxygen", float64(excess), 0, 2e-4)
}

// TestAtomFractions: silica is one third Si; its uncertainty by hand.
func TestAtomFractions(t *testing.T) {
	m, err := xray.ParseMaterial("SiO2")
	if err != nil {
		t.Fatal(err)
	}
	c, err := CompositionOf(m)
	if err != nil {
		t.Fatal(err)
	}
	c.Covariance = []float64{1e-6, 0, 0, 4e-6}
	x, s, err := c.AtomFractions()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "O", float64(x[0]), 2.0/3, 1e-9)
	near(t, "Si", float64(x[1]), 1.0/3, 1e-9)
	// x_Si = a/(a+b) with a = c_Si/A, b = c_O/A: σ² = (b²σ_a² + a²σ_b²)/(a+b)⁴.
	a, b := float64(c.Mass[1])/xray.Element(14).AtomicWeight(), float64(c.Mass[0])/Oxygen.AtomicWeight()
	sa, sb := 2e-3/xray.Element(14).AtomicWeight(), 1e-3/Oxygen.AtomicWeight()
	near(t, "σ of Si", s[1], math.Hypot(b*sa, a*sb)/((a+b)*(a+b)), 1e-12)
	near(t, "σ of O", s[0], s[1], 1e-12)
}

// TestCompositionProperties: normalised fractions sum to 1 with no uncertainty of
// the sum; normalising twice is normalising once; material and composition are
// inverse; order of the input does not matter.
func TestCompositionProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zs := rapid.SliceOfNDistinct(rapid.IntRange(1, 98), 1, 8, rapid.ID).Draw(t, "Z")
		n := len(zs)
		el, mass := make([]xray.Element, n), make([]MassFraction, n)
		for i, z := range zs {
			el[i], mass[i] = xray.Element(z), MassFraction(rapid.Float64Range(1e-4, 1).Draw(t, "c"))
		}
		c, err := NewComposition(el, mass)
		if err != nil {
			t.Fatal(err)
		}
		c.Covariance = make([]float64, n*n)
		for i := range n {
			c.Covariance[i*n+i] = rapid.Float64Range(0, 1e-4).Draw(t, "variance")
		}
		once, err := c.Normalised()
		if err != nil {
			t.Fatal(err)
		}
		sum, sigma := once.Total()
		if math.Abs(sum-1) > 1e-14*float64(n) || sigma > 1e-7 {
			t.Fatalf("normalised total %v ± %v", sum, sigma)
		}
		twice, err := once.Normalised()
		if err != nil {
			t.Fatal(err)
		}
		m, err := c.Material("x")
		if err != nil {
			t.Fatal(err)
		}
		back, err := CompositionOf(m)
		if err != nil {
			t.Fatal(err)
		}
		x, _, err := c.AtomFractions()
		if err != nil {
			t.Fatal(err)
		}
		atoms := 0.0
		for i, z := range c.Elements {
			if i > 0 && c.Elements[i-1] >= z {
				t.Fatal("elements not ascending")
			}
			if math.Abs(float64(twice.Mass[i]-once.Mass[i])) > 1e-14 || math.Abs(float64(back.Mass[i]-once.Mass[i])) > 1e-14 {
				t.Fatalf("%s: %v, %v, %v", z, once.Mass[i], twice.Mass[i], back.Mass[i])
			}
			if math.Abs(once.Sigma(z)-twice.Sigma(z)) > 1e-7 {
				t.Fatalf("%s: σ %v once, %v twice", z, once.Sigma(z), twice.Sigma(z))
			}
			atoms += float64(x[i])
		}
		if math.Abs(atoms-1) > 1e-14*float64(n) {
			t.Fatalf("atom fractions sum to %v", atoms)
		}
	})
}

func TestCompositionErrors(t *testing.T) {
	nan := MassFraction(math.NaN())
	for name, f := range map[string]func() error{
		"lengths": func() error { _, err := NewComposition([]xray.Element{14}, nil); return err },
		"twice":   func() error { _, err := NewComposition([]xray.Element{14, 14}, []MassFraction{1, 1}); return err },
		"unknown": func() error { _, err := NewComposition([]xray.Element{0}, []MassFraction{1}); return err },
		"NaN":     func() error { _, err := NewComposition([]xray.Element{14}, []MassFraction{nan}); return err },
		"empty":   func() error { _, err := CompositionOf(xray.Material{}); return err },
		"zero":    func() error { _, err := composition(t, 14, 0).Normalised(); return err },
		"none":    func() error { _, err := composition(t, 14, -1).Material(""); return err },
		"atoms":   func() error { _, _, err := composition(t, 14, 0).AtomFractions(); return err },
	} {
		if f() == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
