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

// TestStudyBinaries compares PAP, XPP and ZAF on 36 binaries of 1, 10, 50 and
// 90 mass %, 15 and 25 keV, take-off 40 deg: no measured set of bulk k-ratios
// was at hand, so that only the disagreement of models can be stated.
func TestStudyBinaries(t *testing.T) {
	pairs := [][2]string{
		{"Al K", "Mg"}, {"Mg K", "Al"}, {"Al K", "Si"}, {"Si K", "Al"}, {"Al K", "Ni"}, {"Ni K", "Al"}, {"Al K", "Cu"}, {"Cu K", "Al"},
		{"Si K", "Fe"}, {"Fe K", "Si"}, {"Ti K", "Al"}, {"Al K", "Ti"}, {"Ti K", "Ni"}, {"Ni K", "Ti"}, {"Cr K", "Fe"}, {"Fe K", "Cr"},
		{"Fe K", "Ni"}, {"Ni K", "Fe"}, {"Cu K", "Zn"}, {"Zn K", "Cu"}, {"Fe K", "Au"}, {"Au M", "Fe"}, {"Cu K", "Au"}, {"Au M", "Cu"},
		{"Ag L", "Au"}, {"Au M", "Ag"}, {"Mo L", "W"}, {"W M", "Mo"}, {"Nb L", "Ti"}, {"Ti K", "Nb"}, {"Pb M", "Si"}, {"Si K", "Pb"},
		{"Ca K", "Ba"}, {"Ba L", "Ca"}, {"Sn L", "Cu"}, {"Cu K", "Sn"},
	}
	kinds := []Options{{Model: ModelXPP}, {Model: ModelZAF}, {Fluorescence: CharacteristicReed}, {Fluorescence: WithContinuum}}
	names := []string{"XPP", "ZAF", "PAP with Reed's fluorescence", "PAP with continuum fluorescence"}
	all := make([][]float64, len(kinds))
	for _, pair := range pairs {
		peak, err := quant.ParsePeak(pair[0])
		if err != nil {
			t.Fatal(err)
		}
		other, err := xray.ParseElement(pair[1])
		if err != nil {
			t.Fatal(err)
		}
		line := fmt.Sprintf("%-5s in %-2s", pair[0], pair[1])
		worst := make([]float64, len(kinds))
		for _, beam := range []float64{15, 25} {
			for _, c := range []float64{0.01, 0.1, 0.5, 0.9} {
				m := xray.Material{Name: "binary", Components: []xray.Component{{Element: peak.Element, MassFraction: c}, {Element: other, MassFraction: 1 - c}}}
				k := func(opt Options) float64 {
					p, err := KRatios(m, []quant.Peak{peak}, geometry(beam, 40), opt)
					if err != nil {
						t.Fatal(err)
					}
					return p[0].KRatio
				}
				base := k(Options{})
				for i, opt := range kinds {
					q := k(opt) / base
					all[i] = append(all[i], q)
					if math.Abs(q-1) > math.Abs(worst[i]) {
						worst[i] = q - 1
					}
				}
			}
		}
		for i, n := range names {
			line += fmt.Sprintf("  %s %+.1f %%", n, 100*worst[i])
		}
		t.Log(line + " at worst")
	}
	for i, n := range names {
		s := spread{}
		for _, q := range all[i] {
			s.add(q)
		}
		t.Logf("%s over PAP: %d values, mean %.4f, rms %.2f %%, robust %.2f %%", n, s.n, s.mean(), 100*s.rms(), 100*robust(all[i]))
		if math.Abs(s.mean()-1) > 0.03 {
			t.Errorf("%s differs from PAP by %.1f %% on the mean, limit 3", n, 100*(s.mean()-1))
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
