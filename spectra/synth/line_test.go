package synth

import (
	"fmt"
	"math"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// lossless is the default detector without incomplete charge collection, so
// that peaks are Gaussians at the stated energy.
func lossless() spectra.Detector {
	d := spectra.DefaultDetector()
	d.LossFraction = -1
	return d
}

var scales = []spectra.Calibration{{OffsetEV: 0, GainEV: 10}, {OffsetEV: -203.7, GainEV: 5}, {OffsetEV: 12.5, GainEV: 20}}

// line returns the counts of one line with the scale's channels up to 21 keV.
func line(det spectra.Detector, cal spectra.Calibration, e xray.Energy, photons float64) []float64 {
	dst := make([]float64, int(cal.Channel(21000)))
	AddLines(dst, det, cal, []Line{{Energy: e, Photons: photons}})
	return dst
}

// moments returns the counts, centroid and variance (eV, eV²) between two
// energies.
func moments(counts []float64, cal spectra.Calibration, low, high float64) (sum, mean, variance float64) {
	for pass := range 2 {
		for i, n := range counts {
			e := float64(cal.Energy(float64(i)))
			switch {
			case e < low || e > high:
			case pass == 0:
				sum += n
				mean += n * e
			default:
				variance += n * (e - mean) * (e - mean)
			}
		}
		if pass == 0 {
			mean /= sum
		}
	}
	return sum, mean, variance / sum
}

// peakReach leaves out 4e-8 of a Gaussian's area (5.5 standard deviations); the
// relative limits on areas are a few of it.
const peakReach = 2e-7

// TestLineArea: all counts of a line are its photons times efficiency, with
// what the detector itself adds above the silicon K edge: escape peak and
// fluorescence of the dead layer. The loss of charge moves counts, it does not
// take them.
func TestLineArea(t *testing.T) {
	for _, det := range []spectra.Detector{spectra.DefaultDetector(), lossless()} {
		for _, cal := range scales {
			// C K and O K, Al K-L3, Si K-L3, P K-L3, Ti K-L3, Fe K-L3, Cu K-L3 and
			// Mo K-L3: Deslattes et al. 2003, rounded.
			for _, e := range []xray.Energy{277, 524.9, 1486.7, 1740, 2013.7, 4510.9, 6404, 8047.8, 17479} {
				want := 1e6 * det.Efficiency(e)
				if e > 1839 {
					want *= 1 + det.EscapeRatio(e) + det.InternalFluorescence(e)
				}
				counts := line(det, cal, e, 1e6)
				got := 0.0
				for _, n := range counts {
					got += n
				}
				if !(math.Abs(got/want-1) <= peakReach) {
					t.Errorf("%g eV, scale %v, loss %g: %.9g counts, want %.9g", e, cal, det.LossFraction, got, want)
				}
			}
		}
	}
}

// TestLinesAdd: lines add up to what each gives alone, on top of what was
// there; lines without photons add nothing.
func TestLinesAdd(t *testing.T) {
	det, cal := spectra.DefaultDetector(), scales[0]
	got := make([]float64, 1024)
	for i := range got {
		got[i] = 3
	}
	AddLines(got, det, cal, []Line{{1486.7, 1000}, {6404, 0}, {2013.7, -5}, {4510.9, 500}, {1740, math.NaN()}})
	a, b := line(det, cal, 1486.7, 1000), line(det, cal, 4510.9, 500)
	for i, v := range got {
		if want := 3 + a[i] + b[i]; !(math.Abs(v-want) <= 1e-12*want) { // rounding
			t.Fatalf("channel %d: %g, want %g", i, v, want)
		}
	}
}

// TestLinePosition: without loss of charge the centroid is the stated energy;
// with it the centroid is lower by the mean loss and, above 1 keV, the highest
// channel stays within a channel of the energy.
func TestLinePosition(t *testing.T) {
	for _, cal := range scales {
		for _, e := range []xray.Energy{524.9, 1040.98, 1486.7, 1740, 4510.9, 6404, 8047.8} {
			det := lossless()
			reach := 5.6 * det.FWHM(e) / 2.35
			_, mean, _ := moments(line(det, cal, e, 1e6), cal, float64(e)-reach, float64(e)+reach)
			// Integration over channels of up to a standard deviation keeps the
			// centroid to e^(−2π²) of a channel (Fourier series of the sampling).
			if !(math.Abs(mean-float64(e)) < 0.01) {
				t.Errorf("%g eV, scale %v: centroid %.4f", float64(e), cal, mean)
			}
			det = spectra.DefaultDetector()
			counts := line(det, cal, e, 1e6)
			_, mean, _ = moments(counts, cal, float64(e)*(1-det.LossFraction)-reach, float64(e)+reach)
			// Other peaks must stay outside the window: only below the edge.
			if want := float64(e) - det.MeanShift(e); e < 1839 && !(math.Abs(mean-want) < 0.01) {
				t.Errorf("%g eV, scale %v: centroid with loss %.4f, want %.4f", float64(e), cal, mean, want)
			}
			top := 0
			for i, n := range counts {
				if n > counts[top] {
					top = i
				}
			}
			if e > 1000 && !(math.Abs(float64(top)-cal.Channel(e)) <= 1) {
				t.Errorf("%g eV, scale %v: highest channel %d, want %.1f", float64(e), cal, top, cal.Channel(e))
			}
		}
	}
}

// TestLineWidth measures the full width at half maximum of the counts.
//
// FWHM² = noise² + 8 ln 2·F·ε·E (Fiori & Newbury 1978, form from memory), with
// ε = 3.65 eV and F = 0.115 for silicon, and the noise that gives 129 eV at Mn
// K-L3 (Goldstein et al. 2018, fig. 22.3). The detector keeps 8 ln 2·F·ε and
// the noise to three digits: 0.2 %.
func TestLineWidth(t *testing.T) {
	const statistics = 8 * math.Ln2 * 0.115 * 3.65
	noise2 := 129*129 - statistics*5898.8
	cal := spectra.Calibration{GainEV: 1}
	for _, e := range []xray.Energy{277, 524.9, 1486.7, 1740, 5898.8, 8047.8, 17479} {
		counts := line(lossless(), cal, e, 1e6)
		top := int(math.Round(cal.Channel(e)))
		// Half of the maximum of the curve, which lies between channels.
		half := math.Max(counts[top], math.Max(counts[top-1], counts[top+1])) / 2
		cross := func(step int) float64 {
			i := top
			for counts[i] > half {
				i += step
			}
			f := (half - counts[i]) / (counts[i-step] - counts[i])
			return float64(cal.Energy(float64(i) - f*float64(step)))
		}
		got, want := cross(1)-cross(-1), math.Sqrt(noise2+statistics*float64(e))
		if !(math.Abs(got/want-1) <= 0.002) {
			t.Errorf("%g eV: FWHM %.2f eV, want %.2f", float64(e), got, want)
		}
	}
}

// TestEscapePeak: a line above the silicon K edge has a satellite 1740 eV (Si
// K-L3, Deslattes et al. 2003) below, a line beneath the edge has none.
//
// Shares: ε/(1−ε), ε = ω(r−1)/(2r)·[1 − μK/μE·ln(1 + μE/μK)] (Reed & Ware 1972)
// with ω = 0.0504, r = 10.39 and μK = 356.7 cm²/g, in per cent. Those constants
// differ from the tabulated ones by a few per cent: limit 5 %.
func TestEscapePeak(t *testing.T) {
	det, cal := lossless(), scales[1]
	det.DeadLayerNM = 1e-9 // no Si K of its own, which would lie under the escape peak of Ca K
	for _, tt := range []struct {
		e       xray.Energy
		percent float64
	}{{2013.7, 1.66}, {2307.9, 1.54}, {3691.7, 0.92}, {4510.9, 0.66}, {6404, 0.32}, {8047.8, 0.18}} {
		t.Run(fmt.Sprintf("%g", float64(tt.e)), func(t *testing.T) {
			counts := line(det, cal, tt.e, 1e6)
			at := float64(tt.e) - 1740
			reach := 5.6 * det.FWHM(xray.Energy(at)) / 2.35
			area, mean, _ := moments(counts, cal, at-reach, at+reach)
			parent := 1e6 * det.Efficiency(tt.e)
			if !(math.Abs(mean-at) <= 0.05) {
				t.Errorf("escape peak at %.2f eV, want %.2f", mean, at)
			}
			if got := 100 * area / parent; !(math.Abs(got/tt.percent-1) <= 0.05) {
				t.Errorf("escape peak of %.3f %%, want %.2f", got, tt.percent)
			}
		})
	}
	for _, e := range []xray.Energy{1486.7, 1740, 1838} {
		below, _, _ := moments(line(det, cal, e, 1e6), cal, -300, float64(e)-6*det.FWHM(e)/2.35)
		if below != 0 {
			t.Errorf("%g eV: %g counts below the peak, want none", float64(e), below)
		}
	}
}

// TestZeroDetector: the zero value stands for the default detector.
func TestZeroDetector(t *testing.T) {
	cal := scales[0]
	var got, want [512]float64
	per := make([]float64, 512)
	for i := range per {
		per[i] = 1
	}
	AddLines(got[:], spectra.Detector{}, cal, []Line{{1740, 1000}, {4510.9, 1000}})
	AddLines(want[:], spectra.DefaultDetector(), cal, []Line{{1740, 1000}, {4510.9, 1000}})
	AddContinuum(got[:], spectra.Detector{}, cal, per)
	AddContinuum(want[:], spectra.DefaultDetector(), cal, per)
	if got != want {
		t.Errorf("sums of counts: zero value %g, default %g at channel 174", got[174], want[174])
	}
}
