package matrix

import (
	"math"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// TestEfficiency: a detector that counts every photon alike changes no k-ratio;
// one that is blind to a line removes it from the family; emission is
// multiplied line by line.
func TestEfficiency(t *testing.T) {
	m, err := xray.ParseMaterial("Fe-20Ga-30As")
	if err != nil {
		t.Fatal(err)
	}
	peaks := []quant.Peak{{Element: 31, Family: xray.FamilyL}, {Element: 33, Family: xray.FamilyL}, {Element: 26, Family: xray.FamilyK}}
	g := geometry(15, 35)
	plain, err := KRatios(m, peaks, g, Options{})
	if err != nil {
		t.Fatal(err)
	}
	grey, err := KRatios(m, peaks, g, Options{Efficiency: func(xray.Energy) float64 { return 0.3 }})
	if err != nil {
		t.Fatal(err)
	}
	for i := range plain {
		if math.Abs(grey[i].KRatio-plain[i].KRatio) > 1e-12 {
			t.Errorf("%s: k %.9f with a grey detector, %.9f without", peaks[i], grey[i].KRatio, plain[i].KRatio)
		}
	}
	alpha, ok := xray.Element(26).LineOf(xray.K, xray.L3)
	if !ok {
		t.Fatal("no Fe K-L3")
	}
	only := func(e xray.Energy) float64 {
		if e == alpha.Energy {
			return 1
		}
		return 0
	}
	one, err := KRatios(m, []quant.Peak{{Element: 26, Family: xray.FamilyK}}, g, Options{Efficiency: only})
	if err != nil {
		t.Fatal(err)
	}
	line, err := KRatios(m, []quant.Peak{quant.PeakOf(alpha)}, g, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(one[0].KRatio-line[0].KRatio) > 1e-12 {
		t.Errorf("Fe K seen through a hole at K-L3: k %.9f, K-L3 itself %.9f", one[0].KRatio, line[0].KRatio)
	}
	slope := func(e xray.Energy) float64 { return float64(e) / 20000 }
	photons, err := Bulk(m, g, Options{})
	if err != nil {
		t.Fatal(err)
	}
	counts, err := Bulk(m, g, Options{Efficiency: slope})
	if err != nil {
		t.Fatal(err)
	}
	for i := range photons {
		want := photons[i].PhotonsPerElectron * slope(photons[i].Line.Energy)
		if math.Abs(counts[i].PhotonsPerElectron-want) > 1e-12*want {
			t.Errorf("%s: %g counts, want %g", photons[i].Line, counts[i].PhotonsPerElectron, want)
		}
	}
	if _, err := Bulk(m, g, Options{Efficiency: func(xray.Energy) float64 { return 1.5 }}); err == nil {
		t.Error("an efficiency of 1.5 was accepted")
	}
}
