//go:build study

package matrix

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// TestStudyFilms prints mean, spread and robust spread (1.48 times the median
// absolute deviation) of k_calculated/k_measured over the data of Bastin &
// Heijligers 2000, step by step of the physics: by line family, substrate,
// thickness and overvoltage, and which substrate values lie outside 0.8 to 1.2.
// Nothing is fitted to them. XPP and ZAF have no layers.
//
//	go test -tags study -run StudyFilms -v ./quant/matrix
//
// Wanted: film 1.00 ± 0.01 and rms 4.2 %, substrate inside 0.8 to 1.2 1.00 ± 0.01
// and 3.6 %. The last is reached on the values that the model of Bastin &
// Heijligers leaves inside as well, that is without the worst 4.9 %, not on all
// that are inside here, of which there are more.
//
// What is left of the substrates is at 4 and 6 keV: under the two thinnest films
// they come out 13 and 4 % high on every substrate and in every family, in
// package transport 5 to 9 % as well, as if 1 to 1.5 µg/cm² of oxygen or carbon,
// an oxide or contamination, lay in the beam. The data state none, so none is
// assumed; with 1.5 µg/cm² the values inside would reach 3.5 %.
func TestStudyFilms(t *testing.T) {
	for _, opt := range []Options{
		{Surface: SurfacePouchou, Fluorescence: NoFluorescence},
		{Surface: SurfacePouchou},
		{},
	} {
		by := map[string][]float64{}
		var outside []string
		var lines []float64
		add := func(name string, q float64) { by[name] = append(by[name], q) }
		for _, r := range bastin(t) {
			q := predictFilm(t, r, opt) / r.k
			thickness := fmt.Sprintf("%5.2f µg/cm²", r.thickness*1e6)
			if r.peak.Element == aluminium {
				add("1 film", q)
				if r.k >= 0.05 {
					add("1 film, k of 0.05 and above", q)
				}
				add("2 film on "+r.substrate.Symbol(), q)
				add("3 film of "+thickness, q)
				add(fmt.Sprintf("3 film at %2g keV", r.beam), q)
				continue
			}
			lines = append(lines, q)
			if q <= 0.8 || q >= 1.2 {
				outside = append(outside, fmt.Sprintf("%s under %s at %g keV: measured %.5f, ratio %.3f", r.peak, thickness, r.beam, r.k, q))
				continue
			}
			add("4 substrate", q)
			if u := r.beam / r.edge().KeV(); u < 2 {
				add("4 substrate, overvoltage below 2", q)
			} else {
				add("4 substrate, overvoltage of 2 and above", q)
			}
			add(fmt.Sprintf("4 substrate at %2g keV", r.beam), q)
			add("5 substrate "+r.peak.Family.String(), q)
			add("6 substrate "+r.peak.String(), q)
			add("7 substrate under "+thickness, q)
		}
		slices.SortFunc(lines, func(a, b float64) int { return cmp.Compare(math.Abs(a-1), math.Abs(b-1)) })
		by["4 substrate without the worst 4.9 %"] = lines[:int(math.Round(0.951*float64(len(lines))))]
		t.Log(opt)
		for _, name := range slices.Sorted(maps.Keys(by)) {
			logRatios(t, name[2:], by[name])
		}
		t.Logf("  outside 0.8 to 1.2: %d of %d", len(outside), len(lines))
		for _, o := range outside {
			t.Log("    " + o)
		}
	}
}

// edge returns the edge of the strongest line of a row.
func (r filmRow) edge() xray.Energy {
	s := map[xray.Family]xray.Shell{xray.FamilyK: xray.K, xray.FamilyL: xray.L3, xray.FamilyM: xray.M5}[r.peak.Family]
	e, _ := r.peak.Element.Edge(s)
	return e
}

// logRatios prints a set of ratios.
func logRatios(t *testing.T, name string, set []float64) {
	s := spread{}
	for _, q := range set {
		s.add(q)
	}
	t.Logf("  %-38s %4d  mean %.4f  rms %5.2f %%  median %.4f  robust %5.2f %%", name, s.n, s.mean(), 100*s.rms(), middle(set), 100*robust(set))
}

// middle returns the median.
func middle(x []float64) float64 {
	x = slices.Sorted(slices.Values(x))
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// robust returns 1.48 times the median absolute deviation, relative to the median.
func robust(x []float64) float64 {
	m := middle(x)
	var d []float64
	for _, v := range x {
		d = append(d, math.Abs(v-m))
	}
	return 1.48 * middle(d) / m
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
