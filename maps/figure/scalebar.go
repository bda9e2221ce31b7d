package figure

import (
	"math"
	"strconv"
)

// bar is a scale bar: its round length, the map pixels it spans, its label.
// With an unknown scale the label counts pixels.
type bar struct {
	label   string
	pixels  float64 // map pixels, not rounded; 0 for no bar
	unknown bool
}

const scaleUnknown = "scale unknown"

// text returns the label with what has to be said about an unknown scale.
func (b bar) text() string {
	switch {
	case b.pixels == 0:
		return scaleUnknown
	case b.unknown:
		return b.label + ", " + scaleUnknown
	}
	return b.label
}

// drawn returns the length in output pixels at k output pixels per map pixel.
func (b bar) drawn(k int) int { return max(1, int(math.Round(b.pixels*float64(k)))) }

// newBar chooses the longest length of the series 1, 2, 5 × 10^n that is not
// above a quarter of a field of n pixels of the given size in metres, so that it
// is at least a tenth. With an unknown size (0) the bar counts whole pixels;
// fields below four pixels then get none.
//
// A round length of the series is chosen first and its drawn length follows
// (R.H. Cross 1999); the quarter is common practice, no source.
func newBar(n int, pixel float64) bar {
	if !(pixel > 0) || !finite(pixel) {
		if n < 4 {
			return bar{unknown: true}
		}
		m, e := floor125(float64(n) / 4)
		l := m * math.Pow(10, float64(e))
		label := plural(int(l), "pixel")
		return bar{label, l, true}
	}
	m, e := floor125(float64(n) * pixel / 4)
	return bar{lengthLabel(m, e), m * math.Pow(10, float64(e)) / pixel, false}
}

// floor125 returns m (1, 2 or 5) and e such that m·10^e is the largest of its
// series not above v.
func floor125(v float64) (m float64, e int) {
	e = int(math.Floor(math.Log10(v)))
	if math.Pow(10, float64(e)) > v*(1+1e-9) {
		e--
	}
	for _, m := range []float64{10, 5, 2} {
		if m*math.Pow(10, float64(e)) <= v*(1+1e-9) {
			if m == 10 {
				return 1, e + 1
			}
			return m, e
		}
	}
	return 1, e
}

// lengthLabel writes m·10^e metres in nm below 1 µm, in µm below 1 mm, else in mm.
func lengthLabel(m float64, e int) string {
	unit, shift := "mm", 3
	switch {
	case e < -6:
		unit, shift = "nm", 9
	case e < -3:
		unit, shift = "µm", 6
	}
	if e += shift; e >= 0 {
		return number(m*math.Pow(10, float64(e)), 0, false) + " " + unit
	}
	return strconv.FormatFloat(m/math.Pow(10, float64(-e)), 'g', 3, 64) + " " + unit
}
