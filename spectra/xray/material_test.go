package xray

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// drawMaterial makes a material from a drawn formula or alloy with drawn qualifiers.
func drawMaterial(t *rapid.T) Material {
	s := drawNotation(t)
	m, err := ParseMaterial(s)
	if err != nil {
		t.Fatalf("ParseMaterial(%q): %v", s, err)
	}
	return m
}

func drawNotation(t *rapid.T) string {
	symbol := func(label string) string { return Element(rapid.IntRange(1, 98).Draw(t, label)).Symbol() }
	var b strings.Builder
	if rapid.Bool().Draw(t, "alloy") {
		zs := rapid.SliceOfNDistinct(rapid.IntRange(1, 98), 2, 6, rapid.ID).Draw(t, "elements")
		b.WriteString(Element(zs[0]).Symbol())
		for _, z := range zs[1:] {
			fmt.Fprintf(&b, "-%d.%d%v", rapid.IntRange(1, 19).Draw(t, "percent"), rapid.IntRange(0, 9).Draw(t, "tenth"), Element(z))
		}
	} else {
		for i := range rapid.IntRange(1, 4).Draw(t, "parts") {
			if i > 0 {
				b.WriteString("·")
				b.WriteString(rapid.SampledFrom([]string{"", "2", "0.5", "1.5"}).Draw(t, "coefficient"))
			}
			fmt.Fprintf(&b, "%s%s(%s2(%s%d)3)%s", symbol("a"), rapid.SampledFrom([]string{"", "2", "0.25"}).Draw(t, "n"), symbol("b"), symbol("c"),
				rapid.IntRange(1, 30).Draw(t, "m"), rapid.SampledFrom([]string{"", "4", "2.5"}).Draw(t, "k"))
		}
	}
	if rapid.Bool().Draw(t, "dense") {
		fmt.Fprintf(&b, ":%.3fg/cm3", rapid.Float64Range(0.01, 25).Draw(t, "density"))
	}
	b.WriteString(rapid.SampledFrom([]string{"", ":8nm", ":12.5nm", ":0.3um", ":1500um", ":3.55ug/cm2", ":0.01ug/cm2"}).Draw(t, "layer"))
	return b.String()
}

// same compares within 1e-11, the accuracy of printed materials.
func same(a, b Material) bool {
	near := func(x, y float64) bool { return x == y || math.Abs(x/y-1) < 1e-11 }
	if a.Name != b.Name || len(a.Components) != len(b.Components) || a.DensityDefault != b.DensityDefault || !near(a.Density, b.Density) ||
		!near(a.ThicknessM, b.ThicknessM) || !near(a.MassDepth, b.MassDepth) {
		return false
	}
	for i, c := range a.Components {
		if c.Element != b.Components[i].Element || !near(c.MassFraction, b.Components[i].MassFraction) {
			return false
		}
	}
	return true
}

func TestMaterialRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMaterial(t)
		back, err := ParseMaterial(m.String())
		if err != nil || !same(m, back) || back.String() != m.String() {
			t.Fatalf("%q: %+v, %v; want %+v", m.String(), back, err, m)
		}
		sum, atoms := 0.0, 0.0
		for i, c := range m.Components {
			sum += c.MassFraction
			if i > 0 && c.Element <= m.Components[i-1].Element || !(c.MassFraction > 0) || m.Fraction(c.Element) != c.MassFraction {
				t.Fatalf("components %v", m.Components)
			}
		}
		for _, a := range m.AtomFractions() {
			atoms += a
		}
		if math.Abs(sum-1) > 1e-12 || math.Abs(atoms-1) > 1e-12 {
			t.Fatalf("sums %g, %g", sum, atoms)
		}
	})
}

// Mass fractions by hand from the IUPAC weights.
func TestParseMaterial(t *testing.T) {
	for _, tt := range []struct {
		in, name, printed string
		z                 Element
		want              float64 // mass fraction of z
		meanZ             float64
	}{
		{"TiO2:4.23g/cm3", "TiO2", "TiO2:4.23g/cm3", 22, 0.59934, 16.391}, // 47.867/79.865
		{"SiO2", "SiO2", "SiO2", 14, 0.46743, 10.805},                     // 28.085/60.083
		{"Ca(OH)2", "Ca(OH)2", "Ca(OH)2", 20, 0.54092, 14.299},            // 40.078/74.092
		{"CuSO4·5H2O", "CuSO4·5H2O", "CuSO4·5H2O", 29, 0.25451, 14.089},   // 63.546/249.677
		{"CuSO4*5H2O", "CuSO4·5H2O", "CuSO4·5H2O", 29, 0.25451, 14.089},
		{"TiC0.5N0.5:5.1g/cm3", "TiC0.5N0.5", "TiC0.5N0.5:5.1g/cm3", 22, 0.78630, 18.696}, // 47.867/60.876
		{"Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3", "Fe-18Cr-0.5Nb-0.2Ti", "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3", 26, 0.813, 25.707},
		{"CaSO4·0.5H2O", "CaSO4·0.5H2O", "CaSO4·0.5H2O", 20, 0.27613, 0}, // 40.078/145.14
		{"((CH3)2SiO)3", "((CH3)2SiO)3", "((CH3)2SiO)3", 14, 0.37874, 0}, // 28.085/74.154
		{"Fe0.95O", "Fe0.95O", "Fe0.95O", 26, 0.76830, 0},                // 53.05275/69.05175
	} {
		m, err := ParseMaterial(tt.in)
		if err != nil {
			t.Errorf("%q: %v", tt.in, err)
			continue
		}
		if m.Name != tt.name || m.String() != tt.printed || math.Abs(m.Fraction(tt.z)-tt.want) > 1.5e-5 {
			t.Errorf("%q: %q, %q, fraction %.5f; want %q, %q, %.5f", tt.in, m.Name, m.String(), m.Fraction(tt.z), tt.name, tt.printed, tt.want)
		}
		if tt.meanZ > 0 && math.Abs(m.MeanZ()-tt.meanZ) > 2e-3 {
			t.Errorf("%q: mean Z %.4f, want %.3f", tt.in, m.MeanZ(), tt.meanZ)
		}
	}
	if a := must(t, "TiO2").AtomFractions(); math.Abs(a[0]-2./3) > 1e-12 || math.Abs(a[1]-1./3) > 1e-12 {
		t.Errorf("atom fractions %v", a)
	}
}

func must(t *testing.T, s string) Material {
	t.Helper()
	m, err := ParseMaterial(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestMaterialLayersAndDensity(t *testing.T) {
	for _, tt := range []struct {
		in                            string
		density, thickness, massDepth float64
		isDefault, required           bool
	}{
		{"C:2.0g/cm3:8nm", 2, 8e-9, 1.6e-6, false, false},
		{"C:8nm:2.0g/cm3", 2, 8e-9, 1.6e-6, false, false},
		{"C:8nm", 0, 8e-9, 0, false, true}, // carbon layers state their density
		{"C:2ug/cm2", 0, 0, 2e-6, false, true},
		{"C", 2.2, 0, 0, true, false},
		{"Al:3.55ug/cm2", 2.6989, 3.55e-6 / 2.6989 / 100, 3.55e-6, true, false},
		{"Al:3.55µg/cm²", 2.6989, 3.55e-6 / 2.6989 / 100, 3.55e-6, true, false},
		{"Au:0.02um", 19.32, 2e-8, 3.864e-5, true, false},
		{"SiO2:20nm", 0, 2e-8, 0, false, true},
		{"SiO2:2.2g/cm³:20nm", 2.2, 2e-8, 4.4e-6, false, false},
		{"Fe-18Cr", 0, 0, 0, false, true},
	} {
		m := must(t, tt.in)
		near := func(a, b float64) bool { return a == b || math.Abs(a/b-1) < 1e-12 }
		if !near(m.Density, tt.density) || !near(m.ThicknessM, tt.thickness) || !near(m.MassDepth, tt.massDepth) || m.DensityDefault != tt.isDefault {
			t.Errorf("%q: %+v", tt.in, m)
		}
		if err := m.RequireDensity(); (err != nil) != tt.required {
			t.Errorf("%q: RequireDensity() = %v", tt.in, err)
		}
	}
	err := must(t, "SiO2:20nm").RequireDensity()
	if err == nil || !strings.Contains(err.Error(), "SiO2:2.0g/cm3") {
		t.Errorf("error %v", err)
	}
	if (Material{}).RequireDensity() == nil || !math.IsNaN((Material{}).MeanZ()) || !math.IsNaN(float64((Material{}).Photo(1000))) {
		t.Error("empty material")
	}
	if m := Pure(26); m.String() != "Fe" || !m.DensityDefault || m.Fraction(26) != 1 || m.Fraction(25) != 0 {
		t.Errorf("Pure(Fe) = %+v", m)
	}
	if m := Pure(0); m.Components != nil {
		t.Errorf("Pure(0) = %+v", m)
	}
}

func TestParseMaterialErrors(t *testing.T) {
	for _, tt := range []struct {
		in     string
		column int
		want   string
	}{
		{"", 1, "empty"},
		{"Sx", 1, `no element with symbol "Sx"`},
		{"SiOx", 3, `no element with symbol "Ox"`},
		{"tio2", 1, "want an element symbol"},
		{"2H2O", 1, "a composition starts with a symbol"},
		{"18Cr-Fe", 1, "balance element"},
		{"TiO2 ", 5, "unexpected ' '"},
		{"TiO0", 4, "count 0"},
		{"TiO9999999", 4, "count"},
		{"Ca(OH", 3, "not closed"},
		{"Ca(OH))2", 7, "unexpected ')'"},
		{"Ca()2", 4, "want an element symbol"},
		{"CuSO4·", 7, "ends too early"},
		{"CuSO4·0H2O", 7, "coefficient 0"},
		{"CuSO4··5H2O", 7, "unexpected '·'"},
		{"CuSO4.5H2O", 6, "write CuSO4·5H2O for the hydrate or CuS(O4.5)H2O for the number of atoms"},
		{"Ca(OH)2.5H2O", 8, "write Ca(OH)2·5H2O for the hydrate or Ca((OH)2.5)H2O for the number of atoms"},
		{"CaO.5H2O", 4, "write CaO·5H2O for the hydrate or Ca(O0.5)H2O for the number of atoms"},
		{"TiO.5", 4, "a digit before the point"},
		{"Si02:2.2g/cm3", 3, "the letter O of oxygen"},
		{"Ca(OH)02", 7, "the letter O of oxygen"},
		{"Ti\nO", 3, "control character"},
		{"TiO2.", 6, "digit after the decimal point"},
		{"TiO2.:4g/cm3", 6, "digit after the decimal point"},
		{"Fe-Cr", 4, "no mass percent"},
		{"Fe-18", 6, "element symbol after the mass percent"},
		{"Fe-18Cr2", 8, "cannot be mixed"},
		{"Fe2O3-5Cr", 3, "cannot be mixed"},
		{"Fe-0Cr", 4, "mass percent 0"},
		{"Fe-60Cr-40Ni", 9, "nothing is left for the balance element Fe"},
		{"Fe-18Fe", 6, "Fe is given twice"},
		{"Fe-18Cr-2Cr", 10, "Cr is given twice"},
		{"TiO2:", 6, "a density in g/cm3, a thickness in nm or um, or a mass thickness in ug/cm2"},
		{"TiO2:4.23", 10, "number without a unit"},
		{"TiO2:4.23kg/m3", 10, `unknown unit "kg/m3"`},
		{"TiO2:4.23 g/cm3", 10, `unknown unit " g/cm3"`},
		{"TiO2:g/cm3", 6, "number first"},
		{"TiO2:-4g/cm3", 6, "number first"},
		{"TiO2:0g/cm3", 6, "out of range"},
		{"Al:0.0000000001nm", 4, "out of range"},
		{"TiO2:4g/cm3:5g/cm3", 13, "density is given twice"},
		{"Al:3nm:3ug/cm2", 8, "thickness and mass thickness are both given"},
		{"CuSO4·5H2O:4", 13, "number without a unit"}, // columns count characters
		{"TiO2\xff", 5, "not valid UTF-8"},
		{strings.Repeat("(", 30) + "O" + strings.Repeat(")", 30), 21, "nested"},
		{strings.Repeat("O", 500), 401, "longer than 400 bytes"},
	} {
		m, err := ParseMaterial(tt.in)
		var se *SyntaxError
		if !errors.As(err, &se) {
			t.Errorf("%q = %+v, %v; want a syntax error", tt.in, m, err)
			continue
		}
		if se.Column != tt.column || !strings.Contains(se.Problem, tt.want) || !strings.HasPrefix(err.Error(), "xray: material ") {
			t.Errorf("%q: column %d: %s; want column %d and %q", tt.in, se.Column, se.Problem, tt.column, tt.want)
		}
	}
	// Both readings that an ambiguous point offers can be read.
	hydrate, atoms := must(t, "CuSO4·5H2O"), must(t, "CuS(O4.5)H2O")
	if hydrate.Fraction(29) >= atoms.Fraction(29) {
		t.Error("readings do not differ")
	}
}

func FuzzParseMaterial(f *testing.F) {
	for _, s := range []string{"TiO2:4.23g/cm3", "Ca(OH)2", "CuSO4·5H2O", "CuSO4*5H2O", "CuSO4.5H2O", "TiC0.5N0.5:5.1g/cm3",
		"Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3", "C:2.0g/cm3:8nm", "Al:3.55ug/cm2", "Al:1e9nm", "((((", "Fe-", "H0.000000000000000000001", "O:99999999999999999999999um", "\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := ParseMaterial(s)
		if err != nil {
			var se *SyntaxError
			if !errors.As(err, &se) || se.Column < 1 || strings.ContainsAny(se.Problem, "\n") {
				t.Fatalf("%q: %v", s, err)
			}
			return
		}
		back, err := ParseMaterial(m.String())
		if err != nil || !same(m, back) {
			t.Fatalf("%q prints as %q: %+v, %v; want %+v", s, m.String(), back, err, m)
		}
		sum := 0.0
		for _, c := range m.Components {
			sum += c.MassFraction
		}
		if math.Abs(sum-1) > 1e-9 {
			t.Fatalf("%q: fractions sum to %g", s, sum)
		}
	})
}
