package xray

import (
	"strings"
	"testing"
)

func TestParseLine(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"Si K-L3", "Si K-L3"},
		{"Si K-L2,3", "Si K-L2|Si K-L3"},
		{"Si Ka1", "Si K-L3"},
		{"Si Ka", "Si K-L2|Si K-L3"},
		{"Si Kα", "Si K-L2|Si K-L3"},
		{"Si Kα1", "Si K-L3"},
		{"Si Kα₂", "Si K-L2"},
		{"Fe Kb", "Fe K-M2|Fe K-M3"},
		{"Fe Kβ1,3", "Fe K-M2|Fe K-M3"},
		{"Fe La", "Fe L3-M4|Fe L3-M5"},
		{"Fe Lβ1", "Fe L2-M4"},
		{"Fe Lη", "Fe L2-M1"},
		{"Fe Ll", "Fe L3-M1"},
		{"Au Ma", "Au M5-N6|Au M5-N7"},
		{"Au Mζ", "Au M4-N2|Au M5-N3"},
		{"Au M4,5-N6,7", "Au M5-N6|Au M5-N7|Au M4-N6|Au M4-N7"},
		{"Ag Lβ2,15", "Ag L3-N4|Ag L3-N5"},
		{"Be Ka", "Be K-L2|Be K-L3"},
		{"Ca La", "Ca L3-M4|Ca L3-M5"},
	} {
		got, err := ParseLine(tt.in)
		var names []string
		for _, l := range got {
			names = append(names, l.String())
		}
		if err != nil || strings.Join(names, "|") != tt.want {
			t.Errorf("ParseLine(%q) = %v, %v; want %s", tt.in, names, err, tt.want)
		}
	}
	for in, want := range map[string]string{
		"":          "want an element and a line",
		"Si":        "want an element and a line",
		"K-L3":      "want an element and a line",
		"Sx K-L3":   `no element with symbol "Sx"`,
		"Si K":      "whole family",
		"Si Kq":     `no line "Kq"`,
		"Si K-":     "IUPAC",
		"Si K-L3,3": "IUPAC",
		"Si K-L4":   "IUPAC",
		"Si L3-K":   "initial vacancy comes first",
		"Au N1-O1":  "initial vacancy comes first",
		"Si K-N3":   "no such line",
		"H Ka":      "no such line",
		"Si  K-L3":  "IUPAC",
	} {
		if got, err := ParseLine(in); err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "xray: ") {
			t.Errorf("ParseLine(%q) = %v, %v; want error with %q", in, got, err, want)
		}
	}
}

func TestParseFamily(t *testing.T) {
	if z, f, err := ParseFamily("Au M"); z != 79 || f != FamilyM || err != nil {
		t.Errorf("Au M = %v, %v, %v", z, f, err)
	}
	for _, in := range []string{"Si", "Si N", "Si Ka", "Sx K", "K", ""} {
		if z, f, err := ParseFamily(in); err == nil {
			t.Errorf("ParseFamily(%q) = %v %v", in, z, f)
		}
	}
}

// Every line of the tables is found again by its IUPAC name, and its Siegbahn name finds it among others.
func TestLineNamesRoundTrip(t *testing.T) {
	for z := Element(1); z <= MaxElement; z++ {
		for f := FamilyK; f.Valid(); f++ {
			for _, l := range z.Lines(f) {
				if got, err := ParseLine(l.String()); err != nil || len(got) != 1 || got[0] != l {
					t.Fatalf("%v: %v, %v", l, got, err)
				}
				if l.Siegbahn() == "" {
					continue
				}
				got, err := ParseLine(z.Symbol() + " " + l.Siegbahn())
				found := false
				for _, g := range got {
					found = found || g == l
				}
				if err != nil || !found {
					t.Fatalf("%v, %s: %v, %v", l, l.Siegbahn(), got, err)
				}
			}
		}
	}
}

func FuzzParseLine(f *testing.F) {
	for _, s := range []string{"Si K-L3", "Si K-L2,3", "Si Ka", "Au Mα", "Au M4,5-N6,7", "Si K", "Fe Lβ2,15", " - ", "U L1-P2,3", "Si K-\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		ls, err := ParseLine(s)
		if (err == nil) != (len(ls) > 0) {
			t.Fatalf("%d lines, error %v", len(ls), err)
		}
		for i, l := range ls {
			if got, err := ParseLine(l.String()); err != nil || len(got) != 1 || got[0] != l {
				t.Fatalf("%v: %v, %v", l, got, err)
			}
			if i > 0 && compareLines(ls[i-1], l) >= 0 {
				t.Fatalf("%v after %v", l, ls[i-1])
			}
		}
		if z, fam, err := ParseFamily(s); err == nil {
			if z2, fam2, err := ParseFamily(z.Symbol() + " " + fam.String()); err != nil || z2 != z || fam2 != fam {
				t.Fatalf("family %v %v", z, fam)
			}
		}
	})
}
