package xray

import (
	"math"
	"testing"
)

func TestParseElement(t *testing.T) {
	for z := Element(1); z <= MaxElement; z++ {
		if got, err := ParseElement(z.Symbol()); err != nil || got != z {
			t.Errorf("ParseElement(%q) = %v, %v", z.Symbol(), got, err)
		}
	}
	for _, s := range []string{"", "Sx", "si", "SI", "?1", " Si"} {
		if got, err := ParseElement(s); err == nil {
			t.Errorf("ParseElement(%q) = %v, want an error", s, got)
		}
	}
	if _, err := ParseElement("Sx"); err == nil || err.Error() != `xray: no element with symbol "Sx"` {
		t.Errorf("error text: %v", err)
	}
}

// Atomic weights: IUPAC 2021 abridged; densities: handbook values, three digits (NIST STAR list, CRC).
func TestWeightsAndDensities(t *testing.T) {
	for _, tt := range []struct {
		z               Element
		weight, density float64
	}{
		{1, 1.008, 8.4e-5}, {6, 12.011, 2.2}, {8, 15.999, 0.00133}, {12, 24.305, 1.74}, {13, 26.982, 2.70}, {14, 28.085, 2.33}, {15, 30.974, 1.82},
		{22, 47.867, 4.54}, {26, 55.845, 7.87}, {29, 63.546, 8.96}, {69, 168.93, 9.32}, {70, 173.05, 6.97}, {79, 196.97, 19.3}, {92, 238.03, 18.95},
	} {
		if math.Abs(tt.z.AtomicWeight()-tt.weight) > 1e-9 || math.Abs(tt.z.Density()/tt.density-1) > 5e-3 {
			t.Errorf("%v: %g g/mol, %g g/cm³; want %g, %g", tt.z, tt.z.AtomicWeight(), tt.z.Density(), tt.weight, tt.density)
		}
	}
	last := 0.0
	for z := Element(1); z <= MaxElement; z++ {
		w := z.AtomicWeight()
		if a := w / float64(z); a < 0.99 || a > 3.01 || z.Density() <= 0 {
			t.Errorf("%v: %g g/mol, %g g/cm³", z, w, z.Density())
		}
		// Weights grow with Z but for Ar-K, Co-Ni, Te-I, Th-Pa, U-Np, Pu-Am.
		if w < last-1.6 {
			t.Errorf("%v: weight %g after %g", z, w, last)
		}
		last = w
	}
	for _, z := range []Element{-5, 0, 99} {
		if z.Valid() || z.AtomicWeight() != 0 || z.Density() != 0 {
			t.Errorf("element %d is valid", int(z))
		}
	}
}

func TestTables(t *testing.T) {
	if _, err := readTables(); err != nil {
		t.Fatal(err)
	}
	if c := TableChecksum(); len(c) != 16 || c != TableChecksum() {
		t.Errorf("checksum %q", c)
	}
	for _, bad := range []string{"", "z\n", "z,a\n1\n"} {
		if _, err := readRows("x.csv", []byte(bad)); err == nil {
			t.Errorf("%q: no error", bad)
		}
	}
	rows, err := readRows("x.csv", []byte("z,v,shell\n0,x,K\n"))
	if err != nil {
		t.Fatal(err)
	}
	rows[0].element()
	if err := rows[0].f.err; err == nil || err.Error() != `x.csv line 2: z: "0"` {
		t.Errorf("error %v", err)
	}
}

func TestShells(t *testing.T) {
	for s := K; s < numShells; s++ {
		if got, ok := shellOf(s.String()); !ok || got != s {
			t.Errorf("%v", s)
		}
		if s.Family().Valid() != (s <= M5) {
			t.Errorf("%v: family %v", s, s.Family())
		}
	}
	if numShells.String() != "Shell(29)" || noFamily.String() != "Family(3)" || FamilyM.String() != "M" {
		t.Error("names")
	}
	if n := len(FamilyK.Shells()) + 10*len(FamilyL.Shells()) + 100*len(FamilyM.Shells()) + len(noFamily.Shells()); n != 531 {
		t.Errorf("sub-shells per family: %d", n)
	}
}
