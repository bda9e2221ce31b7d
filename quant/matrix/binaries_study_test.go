//go:build study

package matrix_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// binaries are the peaks and matrices that the studies run over.
var binaries = [][2]string{
	{"Al K", "Mg"}, {"Mg K", "Al"}, {"Al K", "Si"}, {"Si K", "Al"}, {"Al K", "Ni"}, {"Ni K", "Al"}, {"Al K", "Cu"}, {"Cu K", "Al"},
	{"Si K", "Fe"}, {"Fe K", "Si"}, {"Ti K", "Al"}, {"Al K", "Ti"}, {"Ti K", "Ni"}, {"Ni K", "Ti"}, {"Cr K", "Fe"}, {"Fe K", "Cr"},
	{"Fe K", "Ni"}, {"Ni K", "Fe"}, {"Cu K", "Zn"}, {"Zn K", "Cu"}, {"Fe K", "Au"}, {"Au M", "Fe"}, {"Cu K", "Au"}, {"Au M", "Cu"},
	{"Ag L", "Au"}, {"Au M", "Ag"}, {"Mo L", "W"}, {"W M", "Mo"}, {"Nb L", "Ti"}, {"Ti K", "Nb"}, {"Pb M", "Si"}, {"Si K", "Pb"},
	{"Ca K", "Ba"}, {"Ba L", "Ca"}, {"Sn L", "Cu"}, {"Cu K", "Sn"},
}

func binary(t testing.TB, pair [2]string, c float64) (xray.Material, quant.Peak) {
	t.Helper()
	peak := parsePeak(t, pair[0])
	other, err := xray.ParseElement(pair[1])
	if err != nil {
		t.Fatal(err)
	}
	m := xray.Material{Name: "binary", Density: 5, Components: []xray.Component{{Element: peak.Element, MassFraction: c}, {Element: other, MassFraction: 1 - c}}}
	return m, peak
}

func bulkRatio(t testing.TB, m xray.Material, p quant.Peak, beam float64, opt matrix.Options) float64 {
	t.Helper()
	q, err := matrix.KRatios(m, []quant.Peak{p}, geometryOf(beam), opt)
	if err != nil {
		t.Fatal(err)
	}
	return q[0].KRatio
}

// TestStudyBinaries compares the models with each other on 36 binaries of 1, 10,
// 50 and 90 mass %, 15 and 25 keV, take-off 40 deg: no measured set of bulk
// k-ratios was at hand, so that only the disagreement of models can be stated.
func TestStudyBinaries(t *testing.T) {
	kinds := []matrix.Options{{Surface: matrix.SurfacePouchou}, {Model: matrix.ModelXPP}, {Model: matrix.ModelZAF}, {Fluorescence: matrix.CharacteristicReed}, {Fluorescence: matrix.WithContinuum}}
	names := []string{"PAP as published", "XPP", "ZAF", "Reed's fluorescence", "continuum fluorescence"}
	all := make([]tally, len(kinds))
	for _, pair := range binaries {
		worst := make([]float64, len(kinds))
		for _, beam := range []float64{15, 25} {
			for _, c := range []float64{0.01, 0.1, 0.5, 0.9} {
				m, peak := binary(t, pair, c)
				base := bulkRatio(t, m, peak, beam, matrix.Options{})
				for i, opt := range kinds {
					q := bulkRatio(t, m, peak, beam, opt) / base
					all[i].add(q)
					if math.Abs(q-1) > math.Abs(worst[i]) {
						worst[i] = q - 1
					}
				}
			}
		}
		var line strings.Builder
		for i, n := range names {
			fmt.Fprintf(&line, "  %s %+.1f %%", n, 100*worst[i])
		}
		t.Logf("%-5s in %-2s%s at worst", pair[0], pair[1], line.String())
	}
	for i, n := range names {
		t.Logf("%-22s over PAP: %v", n, &all[i])
		if m := all[i].sum / all[i].n; math.Abs(m-1) > 0.03 {
			t.Errorf("%s differs from PAP by %.1f %% on the mean, limit 3", n, 100*(m-1))
		}
	}
}

// TestStudyBinariesTransport sets the models against transport on the same
// binaries of 50 mass %, 20 keV, take-off 40 deg, all without fluorescence. The
// deviation is compared with its standard error.
func TestStudyBinariesTransport(t *testing.T) {
	every, electrons := 1, 20000
	if testing.Short() {
		every, electrons = 9, 2000
	}
	names := []string{"PAP", "PAP as published", "XPP", "ZAF"}
	kinds := []matrix.Options{{}, {Surface: matrix.SurfacePouchou}, {Model: matrix.ModelXPP}, {Model: matrix.ModelZAF}}
	all, noise := make([]tally, len(kinds)), 0.0
	for n := 0; n < len(binaries); n += every {
		m, peak := binary(t, binaries[n], 0.5)
		peaks := []quant.Peak{peak}
		std := simulate(t, geometryOf(20), nil, solid(t, peak.Element.Symbol()), peaks, electrons)[0]
		k, sigma := simulated(simulate(t, geometryOf(20), nil, m, peaks, electrons)[0], std)
		noise += sigma * sigma / (k * k)
		var line strings.Builder
		for i, opt := range kinds {
			opt.Fluorescence = matrix.NoFluorescence
			q := bulkRatio(t, m, peak, 20, opt) / k
			all[i].add(q)
			fmt.Fprintf(&line, "  %s %.3f", names[i], q)
		}
		t.Logf("%-5s in %-2s transport %.4f ± %.4f, over it%s", binaries[n][0], binaries[n][1], k, sigma, line.String())
	}
	noise = math.Sqrt(noise / all[0].n)
	for i, name := range names {
		t.Logf("%-16s over transport: %v (noise of the simulation %.2f %%)", name, &all[i], 100*noise)
		// 2 % for what the two differ in on the mean, and five standard errors.
		if m := all[i].sum / all[i].n; i < 3 && math.Abs(m-1) > 0.02+5*noise/math.Sqrt(all[i].n) {
			t.Errorf("%s differs from transport by %.1f %% on the mean", name, 100*(m-1))
		}
	}
}

// TestStudySurface sets both surface ionisations against transport: Al K made in
// 0.5 µg/cm² of Al on a substrate, over the same layer alone.
func TestStudySurface(t *testing.T) {
	electrons := 20000
	if testing.Short() {
		electrons = 500
	}
	al := []quant.Peak{parsePeak(t, "Al K")}
	edge, _ := al[0].Element.Edge(xray.K)
	film := solid(t, "Al")
	film.MassDepth = 0.5e-6
	film.ThicknessM = film.MassDepth / film.Density * 1e-2
	kinds := []matrix.Surface{matrix.SurfaceLove, matrix.SurfacePouchou}
	all := map[string]*tally{}
	for _, beam := range []float64{3, 4, 6, 10, 15, 20, 30} {
		alone := simulate(t, geometryOf(beam), []xray.Material{film}, xray.Material{}, al, electrons)[0]
		for _, sub := range []string{"Be", "C", "Si", "Cr", "Cu", "Mo", "Pd", "Hf", "Pt", "Bi"} {
			x := simulate(t, geometryOf(beam), []xray.Material{film}, solid(t, sub), al, electrons)[0]
			phi := x.Generated / alone.Generated
			line := ""
			for _, s := range kinds {
				c, err := matrix.DepthCurve(solid(t, sub), al[0].Element, xray.K, xray.Energy(beam)*xray.KeV, matrix.Options{Surface: s})
				if err != nil {
					t.Fatal(err)
				}
				q := c.Value(0) / phi
				line += fmt.Sprintf("  %s %.3f", s, q)
				class := s.String() + ", Be to Si"
				if z := solid(t, sub).Components[0].Element; z > 60 {
					class = s.String() + ", Hf to Bi"
				} else if z > 20 {
					class = s.String() + ", Cr to Pd"
				}
				if all[class] == nil {
					all[class] = &tally{}
				}
				all[class].add(q)
			}
			t.Logf("%2g keV (U %.2f) on %-2s transport %.3f ± %.3f, over it%s", beam, beam/edge.KeV(), sub, phi, x.GeneratedErr/alone.Generated, line)
		}
	}
	for _, s := range kinds {
		for _, z := range []string{", Be to Si", ", Cr to Pd", ", Hf to Bi"} {
			t.Logf("%-20s over transport: %v", s.String()+z, all[s.String()+z])
		}
	}
	if m := all["Love, Hf to Bi"]; math.Abs(m.sum/m.n-1) > 0.04 {
		t.Errorf("surface ionisation of Love over transport %.3f on heavy elements, limit 4 %%", m.sum/m.n)
	}
}
