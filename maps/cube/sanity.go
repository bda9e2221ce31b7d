package cube

import (
	"fmt"
	"slices"
)

// Limits of the checks below: common practice, no source. They are set so that
// a spectrum of X-rays does not reach them.
const (
	sanityMinValues   = 50   // non-zero values needed before the byte order is judged
	sanityMultiples   = 0.8  // share of multiples of 256 that looks like swapped bytes
	sanityMinChannels = 64   // channels needed before the shape of the sum is judged
	sanityMinCounts   = 20   // counts per channel needed before its shape is judged
	sanityFlat        = 2.0  // peak over median of a spectrum that has no peaks
	sanityJagged      = 0.5  // squared steps over twice the variance: 0 smooth, 1 without any order
	sanityAboveBeam   = 0.02 // share of counts above the beam energy that pile-up does not explain
)

// CheckSum compares a sum spectrum with the header of its cube and returns what
// speaks for a wrong statement about the file: a spectrum without peaks or with
// unordered neighbours (wrong axis order), and counts above the beam energy
// (wrong energy scale, axis order or beam energy). Nothing is corrected.
func CheckSum(h Header, sum []uint64) []string {
	var total float64
	for _, n := range sum {
		total += float64(n)
	}
	if total == 0 {
		return []string{"the cube holds no counts"}
	}
	var warnings []string
	if n := len(sum); n >= sanityMinChannels && total >= sanityMinCounts*float64(n) {
		sorted := slices.Clone(sum)
		slices.Sort(sorted)
		median, peak := float64(sorted[n/2]), float64(sorted[n-1])
		mean := total / float64(n)
		var variance, steps float64
		for i, v := range sum {
			d := float64(v) - mean
			variance += d * d
			if i > 0 {
				// Subtract what counting statistics alone gives: the variance of a
				// difference of two Poisson variables is the sum of their means.
				d := float64(v) - float64(sum[i-1])
				steps += d*d - float64(v) - float64(sum[i-1])
			}
		}
		variance -= total
		switch {
		case peak < sanityFlat*median:
			warnings = append(warnings, fmt.Sprintf("the sum spectrum has no peaks (highest channel %g, median %g counts): wrong axis order?", peak, median))
		case variance > 0 && steps > 2*sanityJagged*variance:
			warnings = append(warnings, fmt.Sprintf("neighbouring channels of the sum spectrum are unrelated (steps %.2f of those without any order): wrong axis order, byte order or number of channels?", steps/(2*variance)))
		}
	}
	if e0 := h.Conditions.BeamEnergy; e0 > 0 && h.CalibrationKnown && h.Calibration.Valid() {
		// One channel more, since the channel of the beam energy still belongs to it.
		if first := h.Calibration.Channel(e0) + 1; first < float64(len(sum)) {
			var above float64
			for _, n := range sum[int(max(first, 0)):] {
				above += float64(n)
			}
			if above > sanityAboveBeam*total {
				warnings = append(warnings, fmt.Sprintf("%.1f %% of the counts lie above the beam energy of %g keV: wrong energy scale, axis order or beam energy?", 100*above/total, e0.KeV()))
			}
		}
	}
	return warnings
}

// byteOrderWarning judges a sample of stored values of 16 bits or more: with
// the wrong byte order small counts n become n·256 (16 bit) or n·2²⁴ (32 bit).
func byteOrderWarning(sample []uint32, size int) string {
	if size < 2 {
		return ""
	}
	unit := uint32(1) << (8 * (size - 1)) // 2⁸ or 2²⁴
	if size > 4 {
		return ""
	}
	nonZero, multiples := 0, 0
	for _, v := range sample {
		if v != 0 {
			nonZero++
			if v%unit == 0 {
				multiples++
			}
		}
	}
	if nonZero < sanityMinValues || float64(multiples) < sanityMultiples*float64(nonZero) {
		return ""
	}
	return fmt.Sprintf("%d of %d non-zero values looked at are multiples of %d: wrong endianness?", multiples, nonZero, unit)
}
