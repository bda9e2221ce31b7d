package cube

import (
	"fmt"
	"math"
)

// Limits of the checks below: common practice, no source. They are set so that
// a spectrum of X-rays does not reach them.
const (
	sanityMinValues   = 50   // non-zero values needed before the byte order is judged
	sanityMultiples   = 0.8  // share of multiples of 256 that looks like swapped bytes
	sanityMinChannels = 64   // channels needed before the shape of the sum is judged
	sanityFlat        = 0.1  // squared coefficient of variation; a continuum falling linearly to zero has 1/3
	sanityFlatNoise   = 0.02 // standard error of that number above which it is not judged
	sanityJagged      = 0.5  // squared steps over twice the variance: 0 smooth, 1 without any order
	sanityPeriodic    = 0.6  // correlation of the sum with itself, shifted by one row or column of the image
	sanityDip         = 0.3  // by which that exceeds the correlation at some shorter shift
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
	if w := checkShape(h, sum, total); w != "" {
		warnings = append(warnings, w)
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

// checkShape judges the channels of a sum spectrum by their variance and by the
// squared steps between neighbours, both less what counting statistics alone
// gives: the variance of a Poisson variable is its mean, that of the difference
// of two the sum of their means.
//
// With the axes mistaken the sum holds lines of the image instead of a
// spectrum, so that it repeats itself after a row or a column.
func checkShape(h Header, sum []uint64, total float64) string {
	n := float64(len(sum))
	mean := total / n
	// The variance of n Poisson variables of equal mean scatters by mean·√(2/n).
	if len(sum) < sanityMinChannels || math.Sqrt(2/n)/mean > sanityFlatNoise {
		return ""
	}
	var variance, steps float64
	for i, v := range sum {
		d := float64(v) - mean
		variance += d * d
		if i > 0 {
			d := float64(v) - float64(sum[i-1])
			steps += d*d - float64(v) - float64(sum[i-1])
		}
	}
	variance = (variance - total) / n
	steps /= n
	switch {
	case variance < sanityFlat*mean*mean:
		return fmt.Sprintf("the sum spectrum is flat (channels differ by %.0f %% of their mean): wrong axis order or number of channels?", 100*math.Sqrt(max(variance, 0))/mean)
	case steps > 2*sanityJagged*variance:
		return fmt.Sprintf("neighbouring channels of the sum spectrum are unrelated (squared steps %.2f of those without any order): wrong axis order, byte order or number of channels?", steps/(2*variance))
	}
	for _, period := range []int{h.Width, h.Height} {
		if period >= 8 && 4*period <= len(sum) && periodic(sum, mean, variance, period) {
			return fmt.Sprintf("the sum spectrum repeats itself every %d channels, as many as the image has columns or rows: wrong axis order?", period)
		}
	}
	return ""
}

// periodic reports whether the correlation of sum with itself is high at the
// given shift and lower at some shorter one; a smooth spectrum only falls.
func periodic(sum []uint64, mean, variance float64, period int) bool {
	correlation := func(shift int) float64 {
		t := 0.0
		for i, v := range sum[shift:] {
			t += (float64(v) - mean) * (float64(sum[i]) - mean)
		}
		return t / (float64(len(sum)-shift) * variance)
	}
	at := correlation(period)
	if at < sanityPeriodic {
		return false
	}
	for k := range 9 { // shifts from 1/4 to 3/4 of the period
		if at-correlation(period/4+k*period/16) > sanityDip {
			return true
		}
	}
	return false
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
