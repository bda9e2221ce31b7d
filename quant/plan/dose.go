package plan

import (
	"math"

	"example.org/fleck/spectra/poisson"
)

// Range of doses searched, nA·s.
const (
	leastDose = 1e-7
	mostDose  = 1e8
)

// DoseFor returns the least dose, in nA·s, at which a signal over a known
// background, both in counts per nA·s, is missed with probability at most beta by a
// test with false alarms at most alpha. It is +Inf if there is none up to 1e8
// nA·s, and NaN for arguments out of range.
//
// The limit is exact Poisson (poisson.DetectionLimit); since whole counts make it
// jump, it can be missed again at a slightly greater dose. What is returned is
// good to 0.1 %.
func DoseFor(signal, background, alpha, beta float64) float64 {
	if !(background >= 0) || !(alpha > 0 && alpha < 1) || !(beta > 0 && beta < 1) || math.IsNaN(signal) {
		return math.NaN()
	}
	if signal <= 0 {
		return math.Inf(1)
	}
	seen := func(d float64) bool {
		return signal*d >= poisson.DetectionLimit(background*d, alpha, beta)
	}
	// Detection needs about ln(1/beta) counts at least, and normal theory bounds it
	// from above.
	from := math.Max(leastDose, -math.Log(beta)/signal/2)
	const step = 1.02
	d := from
	for !seen(d) {
		d *= step
		if d > mostDose {
			return math.Inf(1)
		}
	}
	low := d / step
	for d/low > 1.001 {
		mid := math.Sqrt(low * d)
		if seen(mid) {
			d = mid
		} else {
			low = mid
		}
	}
	return d
}
