package analysis

import (
	"math"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// TestPredict: k-ratios are those of the matrix correction, layers of no
// thickness are nothing, a specimen that is its own standard has k = 1, and the
// silica layer on aluminium has the k-ratios of an independent program (100 nm
// at 15 keV, take-off 35 deg: Si K 0.0227 of pure Si), 3 % for its other tables
// and for fluorescence, which it left out.
func TestPredict(t *testing.T) {
	g := quant.Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 35 * xray.Degree}
	si, o := peak(t, "Si K"), peak(t, "O K")
	list, err := Predict(nil, material(t, "SiO2"), []quant.Peak{si, o}, g, PredictOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want, err := matrix.KRatios(material(t, "SiO2"), []quant.Peak{si, o}, g, matrix.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range list {
		if p.KRatio != want[i].KRatio || p.Z != want[i].Z || p.A != want[i].A || p.F != want[i].F || p.Standard != "pure "+p.Peak.Element.Symbol() {
			t.Errorf("%+v, want %+v", p, want[i])
		}
		if !(p.Photons > 0 && p.Counts > 0) {
			t.Errorf("%s: %g photons, %g counts", p.Peak, p.Photons, p.Counts)
		}
	}
	if !strings.Contains(strings.Join(list[1].Remarks, " "), "attenuation decides") {
		t.Errorf("remarks on O K in silica: %q", list[1].Remarks)
	}

	self := PredictOptions{Matrix: matrix.Options{Standards: []quant.Standard{{Peak: si, Material: material(t, "SiO2")}}}}
	list, err = Predict(nil, material(t, "SiO2"), []quant.Peak{si}, g, self)
	if err != nil {
		t.Fatal(err)
	}
	if p := list[0]; math.Abs(p.KRatio-1) > 1e-12 || math.Abs(p.Z-1) > 1e-12 || math.Abs(p.A-1) > 1e-12 || math.Abs(p.F-1) > 1e-12 || p.Standard != "SiO2" {
		t.Errorf("silica against itself: %+v", p)
	}

	list, err = Predict(layersOf(t, "SiO2:2.2g/cm3:100nm"), material(t, "Al"), []quant.Peak{si, peak(t, "Al K")}, g, PredictOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if k := list[0].KRatio; math.Abs(k/0.0227-1) > 0.03 {
		t.Errorf("Si K of 100 nm silica on Al: k %.5f, want 0.0227", k)
	}
	for _, p := range list {
		if sum := p.PerLayer[0] + p.PerLayer[1]; math.Abs(sum-p.KRatio) > 1e-12 {
			t.Errorf("%s: layers %v, whole %g", p.Peak, p.PerLayer, p.KRatio)
		}
	}
}

func TestPredictErrors(t *testing.T) {
	good := quant.Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 35 * xray.Degree}
	si := []quant.Peak{peak(t, "Si K")}
	silica := material(t, "SiO2")
	half := xray.Material{Name: "half", Components: []xray.Component{{Element: 14, MassFraction: 0.5}}}
	for _, tt := range []struct {
		name   string
		layers []xray.Material
		m      xray.Material
		peaks  []quant.Peak
		g      quant.Geometry
		want   string
	}{
		{"no peaks", nil, silica, nil, good, "no peaks"},
		{"no material", nil, xray.Material{}, si, good, "no material"},
		{"fractions that do not sum", nil, half, si, good, "sum to 0.5"},
		{"layer whose fractions do not sum", []xray.Material{half}, silica, si, good, "layer 1 of 1"},
		{"layer without thickness", []xray.Material{silica}, silica, si, good, "states no thickness"},
		{"take-off 0", nil, silica, si, quant.Geometry{BeamEnergy: 15 * xray.KeV}, "take-off angle 0 deg"},
		{"take-off 90", nil, silica, si, quant.Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 90 * xray.Degree}, "take-off angle 90 deg"},
		{"beam below the edge", nil, silica, si, quant.Geometry{BeamEnergy: 1500, TakeOff: 35 * xray.Degree}, "does not excite Si K"},
		{"beam 0", nil, silica, si, quant.Geometry{TakeOff: 35 * xray.Degree}, "beam energy 0"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Predict(tt.layers, tt.m, tt.peaks, tt.g, PredictOptions{})
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v, want one that holds %q", err, tt.want)
			}
		})
	}
}

func TestPeaksOf(t *testing.T) {
	got := ""
	for _, p := range PeaksOf([]xray.Element{8, 26, 79}, 15*xray.KeV) {
		got += p.String() + ","
	}
	if got != "O K,Fe K,Fe L,Au M," {
		t.Errorf("peaks %s", got)
	}
}
