package xray

import (
	"math"
	"testing"
)

// Mean ionisation energies: Berger & Seltzer 1964 and Wilson 1941, evaluated independently; one decimal.
func TestMeanIonisation(t *testing.T) {
	for z, want := range map[Element]float64{6: 69.0, 13: 162.8, 14: 172.1, 29: 313.9, 47: 486.9, 79: 796.5} {
		if got := float64(MeanIonisation(z)); math.Abs(got-want) > 0.051 {
			t.Errorf("%v: %g eV, want %g", z, got, want)
		}
	}
	if MeanIonisation(0) != 0 {
		t.Error("element 0")
	}
}

// Joy & Luo 1989 evaluated independently, MeV cm²/g, three or four digits; 0.3 % for the last digit and the other side's older
// atomic weights (Au 0.12 %). NIST ESTAR has 16.49 for Al at
// 10 keV (value from memory, unverified): the formula leaves out relativity and is 2 % low.
func TestStoppingPower(t *testing.T) {
	for _, tt := range []struct {
		z         Element
		keV, want float64
	}{{6, 10, 20.14}, {13, 10, 16.20}, {14, 10, 16.55}, {29, 10, 13.04}, {47, 10, 11.00}, {79, 10, 8.66}, {13, 1, 79.1}, {14, 1, 80.0}, {79, 1, 28.4}} {
		got := StoppingPower(Pure(tt.z), Energy(tt.keV*1000)) / 1e6
		if math.Abs(got/tt.want-1) > 0.003 {
			t.Errorf("%v at %g keV: %.4g MeV cm²/g, want %g", tt.z, tt.keV, got, tt.want)
		}
	}
	if got := StoppingPower(Pure(13), 10000) / 1e6; math.Abs(got/16.49-1) > 0.025 {
		t.Errorf("Al at 10 keV: %.4g MeV cm²/g, ESTAR 16.49", got)
	}
	if !math.IsNaN(StoppingPower(Material{}, 1000)) || !math.IsNaN(StoppingPower(Pure(13), 0)) {
		t.Error("want NaN")
	}
}

// Path lengths down to 50 eV from the same formulas, integrated independently, in µm at 5, 10, 15, 20, 30 keV; 0.5 % for the
// quadrature of either side.
func TestPathLength(t *testing.T) {
	for _, tt := range []struct {
		z       Element
		density float64
		want    []float64
	}{
		{6, 2.26, []float64{0.364, 1.235, 2.550, 4.284, 8.944}},
		{13, 2.70, []float64{0.405, 1.321, 2.678, 4.448, 9.159}},
		{14, 2.33, []float64{0.462, 1.502, 3.041, 5.046, 10.38}},
		{29, 8.96, []float64{0.163, 0.510, 1.014, 1.664, 3.378}},
		{79, 19.3, []float64{0.130, 0.378, 0.725, 1.164, 2.297}},
	} {
		for i, e0 := range []float64{5000, 10000, 15000, 20000, 30000} {
			const n = 4000
			sum, a, b := 0.0, math.Log(50), math.Log(e0)
			for j := range n { // midpoint rule in ln E
				e := math.Exp(a + (b-a)*(float64(j)+0.5)/n)
				sum += e / StoppingPower(Pure(tt.z), Energy(e))
			}
			got := sum * (b - a) / n / tt.density * 1e4
			if math.Abs(got/tt.want[i]-1) > 0.005 {
				t.Errorf("%v %g eV: %.4g µm, want %g", tt.z, e0, got, tt.want[i])
			}
		}
	}
}
