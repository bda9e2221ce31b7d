package spectra

import (
	"fmt"
	"math"
	"testing"

	"example.org/fleck/spectra/xray"
)

// TestFWHM checks FWHM² = N² + kE against values computed independently for
// common splits of noise and statistics (a silicon detector of 123, 129 and
// 133 eV at Mn K-L3).
func TestFWHM(t *testing.T) {
	tests := []struct {
		noise, k float64
		e        xray.Energy
		want     float64 // eV, one decimal
	}{
		{37.5, 2.33, 277.0, 45.3}, {37.5, 2.33, 524.9, 51.3}, {37.5, 2.33, 1486.7, 69.8}, {37.5, 2.33, 1740, 73.9}, {37.5, 2.33, 8047.8, 141.9},
		{54.0, 2.33, 277.0, 59.7}, {54.0, 2.33, 524.9, 64.4}, {54.0, 2.33, 1486.7, 79.9}, {54.0, 2.33, 1740, 83.5}, {54.0, 2.33, 8047.8, 147.1},
		{45.3, 2.47, 277.0, 52.3}, {45.3, 2.47, 1740, 79.7}, {45.3, 2.47, 8047.8, 148.2},
		{63.0, 2.33, 277.0, 67.9}, {63.0, 2.33, 1740, 89.5}, {63.0, 2.33, 8047.8, 150.7},
	}
	for _, tt := range tests {
		got := Detector{NoiseEV: tt.noise, FanoEV: tt.k}.FWHM(tt.e)
		// The noise is given to 0.1 eV, the line energies differ by tenths of an
		// eV between tables: 0.15 eV covers both.
		if math.Abs(got-tt.want) > 0.15 {
			t.Errorf("FWHM(%g eV) with N = %g, k = %g: %.2f eV, want %.1f", float64(tt.e), tt.noise, tt.k, got, tt.want)
		}
	}
	if got := DefaultDetector().FWHM(5898.8); math.Abs(got-129) > 0.3 {
		t.Errorf("default detector: %.1f eV at Mn K-L3, want 129 (Goldstein et al. 2018, fig. 22.3)", got)
	}
}

// TestEscapeRatio compares with the same formula (Reed & Ware 1972; Statham
// 1976, form from memory) evaluated independently on other photon tables; 4 %
// covers the difference of the attenuation used.
func TestEscapeRatio(t *testing.T) {
	d := DefaultDetector()
	for _, tt := range []struct {
		line string
		e    xray.Energy
		want float64 // per cent
	}{
		{"P K", 2013.7, 1.66}, {"S K", 2307.9, 1.54}, {"Cl K", 2622.4, 1.38}, {"Ag L", 2984.3, 1.20}, {"K K", 3313.9, 1.06},
		{"Ca K", 3691.7, 0.92}, {"Ti K", 4510.9, 0.66}, {"Cr K", 5414.8, 0.46}, {"Mn K", 5898.8, 0.38}, {"Fe K", 6404, 0.32}, {"Cu K", 8047.8, 0.18}, {"Zn K", 8638.9, 0.15},
	} {
		if got := 100 * d.EscapeRatio(tt.e); math.Abs(got-tt.want) > 0.04*tt.want+0.005 {
			t.Errorf("%s: escape ratio %.3f %%, want %.2f %%", tt.line, got, tt.want)
		}
	}
	for _, e := range []xray.Energy{100, 1486.7, 1740, 1838} {
		if got := d.EscapeRatio(e); got != 0 {
			t.Errorf("escape ratio %g below the silicon K edge at %g eV, want 0", got, float64(e))
		}
	}
}

// TestInternalFluorescence compares with f = ω(r−1)/(2r)(1 − exp(−μt)) evaluated
// independently for a dead layer of 100 nm.
func TestInternalFluorescence(t *testing.T) {
	d := DefaultDetector()
	d.DeadLayerNM = 100
	for _, tt := range []struct {
		e    xray.Energy
		want float64
	}{{1900, 1.6e-3}, {2000, 1.4e-3}, {3000, 5.1e-4}, {5000, 1.3e-4}, {8000, 3.3e-5}} {
		if got := d.InternalFluorescence(tt.e); math.Abs(got-tt.want) > 0.06*tt.want {
			t.Errorf("%g eV: %.3g, want %.2g", float64(tt.e), got, tt.want)
		}
	}
}

// TestTransmission checks the window arithmetic on ice, whose relative
// efficiency was published (Rickerby 1996); density 1.0 g/cm³ is assumed there
// and here. Oxygen, silicon and nickel lines agree to 0.0005 with any modern
// attenuation; carbon and boron depend on the table by more and are left out.
func TestTransmission(t *testing.T) {
	ice := func(nm float64) xray.Material {
		m := layer("H2O", 1.0, nm*1e-9, []part{{1, 2}, {8, 1}})
		return m
	}
	bare := Detector{Window: []xray.Material{}, GridOpen: 1, DeadLayerNM: 0.001, ActiveUM: 450}
	for _, tt := range []struct {
		nm    float64
		e     xray.Energy
		want  float64
		limit float64
	}{
		{100, 524.9, 0.9893, 0.001}, {100, 1740, 0.9909, 0.0005}, {500, 524.9, 0.9478, 0.004}, {500, 1740, 0.9552, 0.002}, {1000, 524.9, 0.8983, 0.008}, {1000, 1740, 0.9124, 0.004}, {100, 851.5, 0.9414, 0.003},
	} {
		with := bare
		with.Window = []xray.Material{ice(tt.nm)}
		got := with.Efficiency(tt.e) / bare.Efficiency(tt.e)
		if math.Abs(got-tt.want) > tt.limit {
			t.Errorf("%g nm of ice at %g eV: %.4f, want %.4f", tt.nm, float64(tt.e), got, tt.want)
		}
	}
}

// TestPeakArea checks that a peak keeps its area and that its centroid lies at
// the table energy less the mean loss.
func TestPeakArea(t *testing.T) {
	cal := Calibration{OffsetEV: -200, GainEV: 10}
	for _, e := range []xray.Energy{277, 524.9, 1486.7, 2013.7, 2293.2, 6404} {
		for _, d := range []Detector{DefaultDetector(), {NoiseEV: 40, FanoEV: 2.4, LossFraction: -1, LossDepthNM: 1}, {NoiseEV: 30, FanoEV: 2.4, LossFraction: 0.6, LossDepthNM: 60}} {
			dst := make([]float64, 1024)
			d.AddPeak(dst, cal, e, 1000)
			area, mean := 0.0, 0.0
			for i, v := range dst {
				if v < -1e-9 {
					t.Fatalf("%g eV: channel %d holds %g", float64(e), i, v)
				}
				area += v
				mean += v * float64(cal.Energy(float64(i)))
			}
			mean /= area
			if math.Abs(area-1000) > 1e-3 {
				t.Errorf("%g eV: area %.6f, want 1000", float64(e), area)
			}
			if want := float64(e) - d.MeanShift(e); math.Abs(mean-want) > 0.05 {
				t.Errorf("%g eV, loss %g × %g nm: centroid %.3f eV, want %.3f", float64(e), d.LossFraction, d.LossDepthNM, mean, want)
			}
		}
	}
}

// TestNormalTable compares the interpolated Φ and ∫Φ with their definitions.
func TestNormalTable(t *testing.T) {
	for x := -7.0; x <= 7; x += 0.0137 {
		cdf := 0.5 * math.Erfc(-x/math.Sqrt2)
		cum := x*cdf + math.Exp(-x*x/2)/math.Sqrt(2*math.Pi)
		if got := normalCDF(x); math.Abs(got-cdf) > 2e-9 {
			t.Fatalf("Φ(%g) = %.12g, want %.12g", x, got, cdf)
		}
		if got := normalCum(x); math.Abs(got-cum) > 2e-9 {
			t.Fatalf("∫Φ(%g) = %.12g, want %.12g", x, got, cum)
		}
	}
}

// TestCalibrationInverse: Channel undoes Energy.
func TestCalibrationInverse(t *testing.T) {
	c := Calibration{OffsetEV: -201.3, GainEV: 9.987}
	for _, ch := range []float64{0, 1, 17.25, 2047} {
		if got := c.Channel(c.Energy(ch)); math.Abs(got-ch) > 1e-9 {
			t.Errorf("channel %g came back as %g", ch, got)
		}
	}
}

func TestCheckCounts(t *testing.T) {
	for _, tt := range []struct {
		counts []float64
		kind   CountKind
		at     int
	}{
		{[]float64{0, 1, 2}, WholeCounts, -1},
		{[]float64{0, 1.5, 2}, FractionalCounts, 1},
		{[]float64{0, 1.5, -2}, InvalidCounts, 2},
		{[]float64{math.NaN()}, InvalidCounts, 0},
		{nil, WholeCounts, -1},
	} {
		kind, at := CheckCounts(tt.counts)
		if kind != tt.kind || at != tt.at {
			t.Errorf("CheckCounts(%v) = %v, %d; want %v, %d", tt.counts, kind, at, tt.kind, tt.at)
		}
	}
}

func TestDeadTime(t *testing.T) {
	if got := (Conditions{LiveTimeS: 12.5, RealTimeS: 15}).DeadTimeFraction(); math.Abs(got-1.0/6) > 1e-12 {
		t.Errorf("dead-time fraction %g, want 1/6", got)
	}
	for _, c := range []Conditions{{}, {LiveTimeS: 2, RealTimeS: 1}, {LiveTimeS: 2}} {
		if got := c.DeadTimeFraction(); !math.IsNaN(got) {
			t.Errorf("%+v: dead-time fraction %g, want NaN", c, got)
		}
	}
}

func ExampleDetector_FWHM() {
	d := DefaultDetector()
	fmt.Printf("%.0f eV at Si K-L3, %.0f eV at Mn K-L3\n", d.FWHM(1740), d.FWHM(5898.8))
	// Output: 83 eV at Si K-L3, 129 eV at Mn K-L3
}

func BenchmarkAddPeak(b *testing.B) {
	d := DefaultDetector()
	dst := make([]float64, 2048)
	cal := Calibration{GainEV: 10}
	for b.Loop() {
		d.AddPeak(dst, cal, 2293.2, 1000)
	}
}
