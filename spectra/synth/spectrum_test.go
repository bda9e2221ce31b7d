package synth

import (
	"math"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// TestContinuumArea: the counts are photons per eV times channel width times
// efficiency; smearing only moves them.
func TestContinuumArea(t *testing.T) {
	det := spectra.DefaultDetector()
	for _, cal := range scales {
		per := make([]float64, int(cal.Channel(12000)))
		want := 0.0
		for i := range per {
			// Clear of both ends, so that nothing is smeared out of range.
			if e := float64(cal.Energy(float64(i))); e > 600 && e < 11000 {
				per[i] = 1e4 / e
				want += per[i] * cal.GainEV * det.Efficiency(xray.Energy(e))
			}
		}
		dst := make([]float64, len(per))
		AddContinuum(dst, det, cal, per)
		got, _, _ := moments(dst, cal, math.Inf(-1), math.Inf(1))
		if !(math.Abs(got/want-1) <= 1e-12) { // rounding
			t.Errorf("scale %v: %.12g counts, want %.12g", cal, got, want)
		}
	}
}

// TestContinuumWidth: the photons of one channel come out as a Gaussian at
// their energy with the variance of the detector's resolution.
func TestContinuumWidth(t *testing.T) {
	det, cal := spectra.DefaultDetector(), spectra.Calibration{OffsetEV: -100, GainEV: 5}
	for _, ch := range []int{150, 400, 1500} {
		per, dst := make([]float64, 2048), make([]float64, 2048)
		per[ch] = 1
		AddContinuum(dst, det, cal, per)
		e := cal.Energy(float64(ch))
		_, mean, variance := moments(dst, cal, math.Inf(-1), math.Inf(1))
		sigma := det.FWHM(e) / math.Sqrt(8*math.Ln2)
		// The Gaussian ends at four standard deviations, which takes 0.06 % of the
		// width.
		if !(math.Abs(mean-float64(e)) < 1e-6) || !(math.Abs(math.Sqrt(variance)/sigma-1) <= 1e-3) {
			t.Errorf("channel %d: %.4f ± %.4f eV, want %g ± %.4f", ch, mean, math.Sqrt(variance), float64(e), sigma)
		}
	}
}

// TestContinuumNothing: no photons, photons below 0 eV and negative ones add
// nothing.
func TestContinuumNothing(t *testing.T) {
	cal := spectra.Calibration{OffsetEV: -100, GainEV: 10}
	per, dst := make([]float64, 100), make([]float64, 100)
	for i := range 10 {
		per[i] = 1e6 // −100 to −10 eV
	}
	per[50] = -1
	AddContinuum(dst, spectra.DefaultDetector(), cal, per)
	for i, v := range dst {
		if v != 0 {
			t.Fatalf("channel %d holds %g", i, v)
		}
	}
}

// TestPileUp: of a spectrum with two lines, sums lie at the sums of two
// energies in the shares a², 2ab and b²; each takes two events and gives one,
// so that the total falls by share·total.
func TestPileUp(t *testing.T) {
	det := lossless()
	const share = 0.02
	for _, cal := range scales {
		dst := make([]float64, int(cal.Channel(10000)))
		// Both below the silicon K edge: no other peaks.
		const e1, e2, a, b = 1486.7, 677.0, 0.7, 0.3
		AddLines(dst, det, cal, []Line{{e1, 1e6 * a / det.Efficiency(e1)}, {e2, 1e6 * b / det.Efficiency(e2)}})
		AddPileUp(dst, cal, share)
		// Channels below 1e-7 of the total take no part in sums: at most 1e-7 of
		// the sums for each of the channels under the peaks.
		const limit = 2e-5
		total, _, _ := moments(dst, cal, math.Inf(-1), math.Inf(1))
		if want := 1e6 * (1 - share); !(math.Abs(total-want) <= limit*share*1e6) {
			t.Errorf("scale %v: %.3f counts, want %.3f", cal, total, want)
		}
		for _, p := range []struct{ at, counts float64 }{
			{e1, 1e6 * (a - 2*share*a)}, {e2, 1e6 * (b - 2*share*b)},
			{2 * e1, 1e6 * share * a * a}, {e1 + e2, 1e6 * share * 2 * a * b},
		} {
			// The sums of the weak line, at 1354 eV, lie under the strong one.
			low, high := p.at-260, p.at+260
			want, at := p.counts, p.at
			if p.at == e1 {
				pair := 1e6 * share * b * b
				at = (p.at*want + 2*e2*pair) / (want + pair)
				low, want = 2*e2-260, want+pair
			}
			got, mean, _ := moments(dst, cal, low, high)
			// Events are counted at their channels' centres: the centroids of the
			// lines hold to 0.01 eV, so do those of sums.
			if !(math.Abs(got-want) <= 1e-4*want) || !(math.Abs(mean-at) <= 0.05) {
				t.Errorf("scale %v: peak at %.3f eV of %.2f counts, want %.3f eV, %.2f", cal, mean, got, at, want)
			}
		}
	}
}

// TestPileUpNothing: without a share or counts nothing changes, and sums beyond
// the last channel are lost without harm.
func TestPileUpNothing(t *testing.T) {
	cal := spectra.Calibration{OffsetEV: -25, GainEV: 10}
	dst := []float64{0, 5, 7, 0}
	AddPileUp(dst, cal, 0)
	empty := make([]float64, 4)
	AddPileUp(empty, cal, 0.1)
	for i, want := range []float64{0, 5, 7, 0} {
		if dst[i] != want || empty[i] != 0 {
			t.Errorf("channel %d: %g and %g, want %g and 0", i, dst[i], empty[i], want)
		}
	}
	last := make([]float64, 200)
	last[199] = 1000
	AddPileUp(last, cal, 0.1)
	for i, v := range last {
		want := 0.0
		if i == 199 {
			want = 800
		}
		if v != want {
			t.Errorf("channel %d holds %g, want %g", i, v, want)
		}
	}
}
