//go:build study

package matrix

import (
	"maps"
	"slices"
	"testing"

	"example.org/fleck/quant"
)

// TestStudyFilms prints mean and spread of k_calculated/k_measured over the data
// of Bastin & Heijligers 2000, with and without fluorescence:
//
//	go test -tags study -run StudyFilms -v ./quant/matrix
func TestStudyFilms(t *testing.T) {
	for _, f := range []Fluorescence{NoFluorescence, Characteristic} {
		by := bastinSpreads(t, Options{Fluorescence: f})
		t.Logf("PAP, fluorescence: %s", f)
		for _, name := range slices.Sorted(maps.Keys(by)) {
			s := by[name]
			t.Logf("  %-26s %4d  mean %.4f  rms %.2f %%", name, s.n, s.mean(), 100*s.rms())
		}
	}
}

// TestStudyModels prints the ratio of k-ratios by XPP and ZAF to PAP on the
// alloys and compounds of testdata/computed.csv, with the data of the package.
func TestStudyModels(t *testing.T) {
	by := map[Model]*spread{ModelXPP: {}, ModelZAF: {}}
	for _, v := range vectors(t, "Z_factor") {
		c := compositionOf(t, v.composition)
		k := map[Model]float64{}
		for _, m := range []Model{ModelPAP, ModelXPP, ModelZAF} {
			mat, err := c.Material("")
			if err != nil {
				t.Fatal(err)
			}
			q, err := KRatios(mat, []quant.Peak{lineNamed(t, v.line)}, geometry(v.beam, v.takeoff), Options{Model: m})
			if err != nil {
				t.Fatal(err)
			}
			k[m] = q[0].KRatio
		}
		for m, s := range by {
			s.add(k[m] / k[ModelPAP])
		}
		t.Logf("%-45s %-5s %4g keV  PAP %.5f  XPP/PAP %.4f  ZAF/PAP %.4f", v.composition, v.line, v.beam, k[ModelPAP], k[ModelXPP]/k[ModelPAP], k[ModelZAF]/k[ModelPAP])
	}
	for _, m := range []Model{ModelXPP, ModelZAF} {
		t.Logf("%s/PAP: %d lines, mean %.4f, rms %.2f %%", m, by[m].n, by[m].mean(), 100*by[m].rms())
	}
}
