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

// manyCounts is the background above which the normal law serves.
const manyCounts = 1e4

// normal returns the standard normal deviate exceeded with probability p.
func normal(p float64) float64 { return math.Sqrt2 * math.Erfinv(1-2*p) }

// DoseFor returns the least dose, in nA·s, at which a signal over a known
// background, both in counts per nA·s, is missed with probability at most beta by a
// test with false alarms at most alpha. It is +Inf if there is none up to 1e8
// nA·s, and NaN for arguments out of range.
//
// The limit is exact Poisson (poisson.DetectionLimit); since whole counts make it
// jump, it can be missed again at a slightly greater dose. What is returned is
// good to 0.1 %. Above 10 000 counts of background the normal law takes over, within
// 1 %.
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
	za, zb := math.Max(0, normal(alpha)), math.Max(0, normal(beta))
	root := za*math.Sqrt(background) + zb*math.Sqrt(background+signal)
	if d := root * root / (signal * signal); background*d > manyCounts {
		if d > mostDose {
			return math.Inf(1)
		}
		return d
	}
	// Detection needs about ln(1/beta) counts at least, and a signal near the
	// critical level of normal theory; the search starts well below both.
	from := math.Max(leastDose, math.Max(-math.Log(beta)/2, 0.5*za*za*background/signal)/signal)
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
