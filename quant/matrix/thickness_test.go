package matrix

import (
	"math"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// TestThickness: the thickness that a k-ratio was predicted for comes back, and
// measured k-ratios of Al on Fe (Bastin & Heijligers 2000) at 10 keV and above,
// where the films are thin to the beam, give the adopted thicknesses: films on
// Fe are predicted within 1 % by the mean over all rows, with a spread of 3 %, so
// the mean over one film may be off by 4 %.
func TestThickness(t *testing.T) {
	film := xray.Pure(aluminium)
	peak := quant.Peak{Element: aluminium, Family: xray.FamilyK, Initial: xray.K, Final: xray.L3}
	g := geometry(15, 40)
	for _, ug := range []float64{0.5, 4, 30, 150, 300} {
		layer := film
		layer.MassDepth = ug * 1e-6
		p, err := LayeredKRatios([]xray.Material{layer}, xray.Pure(26), []quant.Peak{peak}, g, Options{})
		if err != nil {
			t.Fatal(err)
		}
		k := quant.KRatio{Peak: peak, Value: p[0].KRatio, Sigma: 0.01 * p[0].KRatio}
		depth, sigma, err := Thickness(film, xray.Pure(26), k, g, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(depth.UgPerCm2()/ug-1) > 1e-5 {
			t.Errorf("%g µg/cm² came back as %g", ug, depth.UgPerCm2())
		}
		if ug <= 4 && math.Abs(float64(sigma/depth)/0.01-1) > 0.05 {
			t.Errorf("%g µg/cm²: a thin film known to %.2f %% from a k-ratio known to 1 %%", ug, 100*float64(sigma/depth))
		}
	}
	sums := map[float64][]float64{}
	for _, r := range bastin(t) {
		if r.peak.Element != aluminium || r.substrate != 26 || r.beam < 10 {
			continue
		}
		depth, _, err := Thickness(film, xray.Pure(r.substrate), quant.KRatio{Peak: r.peak, Value: r.k}, geometry(r.beam, 40), Options{})
		if err != nil {
			t.Fatal(err)
		}
		sums[r.thickness] = append(sums[r.thickness], float64(depth)/r.thickness)
	}
	if len(sums) != 6 {
		t.Fatalf("%d films, want 6", len(sums))
	}
	for thickness, ratios := range sums {
		mean := 0.0
		for _, q := range ratios {
			mean += q / float64(len(ratios))
		}
		t.Logf("Al %.2f µg/cm² on Fe: found/adopted %.3f over %d beam energies", thickness*1e6, mean, len(ratios))
		if math.Abs(mean-1) > 0.04 {
			t.Errorf("Al %.2f µg/cm² on Fe: found/adopted %.3f, limit 0.08 from 1", thickness*1e6, mean)
		}
	}
	for _, tt := range []struct {
		film xray.Material
		k    quant.KRatio
		want string
	}{
		{xray.Pure(14), quant.KRatio{Peak: peak, Value: 0.1}, "holds no Al"},
		{film, quant.KRatio{Peak: peak, Value: -0.1}, "-0.1"},
		{film, quant.KRatio{Peak: peak, Value: math.NaN()}, "NaN"},
		{film, quant.KRatio{Peak: peak, Value: 0.9999, Sigma: 0.01}, "at least about"},
	} {
		if _, _, err := Thickness(tt.film, xray.Pure(26), tt.k, g, Options{}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%v: error %v, want one that holds %q", tt.k, err, tt.want)
		}
	}
	if _, _, err := Thickness(film, film, quant.KRatio{Peak: peak, Value: 0.1}, g, Options{}); err == nil || !strings.Contains(err.Error(), "bare substrate") {
		t.Errorf("aluminium on aluminium: %v", err)
	}
}
