package figure

import (
	"fmt"
	"image/color"
	"math"

	"example.org/fleck/maps"
)

// shade turns values of one or several maps into colours by one scale, and
// counts what the scale cannot show.
type shade struct {
	cm          ColourMap
	low, high   float64
	log         bool
	diverging   bool
	missing     int // NaN
	nonPositive int // zero or below, log scale only
	under, over int // outside the scale
}

// newShade resolves the scale of all maps together. given may be nil.
func newShade(ms []maps.Map, given *maps.Scale, log, diverging bool, cm ColourMap) (shade, error) {
	s := shade{cm: cm, log: log, diverging: diverging}
	if log && diverging {
		return s, fmt.Errorf("figure: a scale is either logarithmic or centred on zero, not both")
	}
	low, high, leastPositive := math.Inf(1), math.Inf(-1), math.Inf(1)
	for i, m := range ms {
		if err := m.Check(); err != nil {
			return s, fmt.Errorf("figure: map %d: %w", i, err)
		}
		if m.Unit != ms[0].Unit {
			return s, fmt.Errorf("figure: maps in %q and %q cannot share one scale", ms[0].Unit, m.Unit)
		}
		for j, v := range m.V {
			if math.IsInf(v, 0) {
				return s, fmt.Errorf("figure: map %d (%q): value %g at pixel (%d, %d), want finite or NaN", i, m.What, v, j%m.W, j/m.W)
			}
			if math.IsNaN(v) {
				continue
			}
			low, high = math.Min(low, v), math.Max(high, v)
			if v > 0 {
				leastPositive = math.Min(leastPositive, v)
			}
		}
	}
	if given != nil {
		if !finite(given.Low) || !finite(given.High) || given.Low > given.High {
			return s, fmt.Errorf("figure: scale from %g to %g, want finite and rising", given.Low, given.High)
		}
		low, high = given.Low, given.High
	}
	switch {
	case low > high:
		return s, fmt.Errorf("figure: %q has no value to draw: all %d pixels are NaN", ms[0].What, pixels(ms))
	case diverging:
		a := math.Max(math.Abs(low), math.Abs(high))
		if a == 0 {
			a = 1
		}
		low, high = -a, a
	case log:
		if high <= 0 {
			return s, fmt.Errorf("figure: logarithmic scale of %q: largest value is %g, want above 0", ms[0].What, high)
		}
		if low <= 0 {
			low = math.Min(leastPositive, high)
		}
		if low == high {
			low, high = low/2, high*2
		}
	case low == high: // all equal: show the value inside a range of its own size
		if low == 0 {
			high = 1
		} else {
			low, high = low-math.Abs(low)/2, high+math.Abs(high)/2
		}
	}
	if !finite(high-low) || !(high > low) {
		return s, fmt.Errorf("figure: scale from %g to %g is too wide or too narrow for 64-bit numbers", low, high)
	}
	s.low, s.high = low, high
	for _, m := range ms {
		for _, v := range m.V {
			switch {
			case math.IsNaN(v):
				s.missing++
			case log && v <= 0:
				s.nonPositive++
			case v < low:
				s.under++
			case v > high:
				s.over++
			}
		}
	}
	return s, nil
}

func pixels(ms []maps.Map) int {
	n := 0
	for _, m := range ms {
		n += len(m.V)
	}
	return n
}

// position returns the place of v on the scale, 0 at the low end and 1 at the
// high end.
func (s shade) position(v float64) float64 {
	if s.log {
		return math.Log(v/s.low) / math.Log(s.high/s.low)
	}
	return (v - s.low) / (s.high - s.low)
}

// colour returns the colour of a value that is not NaN.
func (s shade) colour(v float64) color.RGBA {
	if s.log && v <= 0 {
		return s.cm.below
	}
	return s.cm.At(s.position(v))
}

// ticks returns the marks of the colour bar, on a tall one more.
func (s shade) ticks(tall bool) axisTicks {
	if s.log && tall {
		return logTicks(s.low, s.high, 11)
	}
	if s.log {
		return logTicks(s.low, s.high, 6)
	}
	return linearTicks(s.low, s.high, 6, s.diverging)
}

// kind names the scale for descriptions.
func (s shade) kind() string {
	switch {
	case s.log:
		return "logarithmic"
	case s.diverging:
		return "linear, centred on zero"
	}
	return "linear"
}

// describe returns the lines of the description that state the scale.
func (s shade) describe(unit string) []string {
	form := "position = (value - low) / (high - low)"
	if s.log {
		form = "position = log(value / low) / log(high / low)"
	}
	d := []string{
		fmt.Sprintf("display range: low %g to high %g %s, %s", s.low, s.high, unit, s.kind()),
		fmt.Sprintf("colours: %s; %s", s.cm.Name(), form),
	}
	if s.missing > 0 {
		d = append(d, fmt.Sprintf("pixels without value (NaN, hatched grey): %d", s.missing))
	}
	if s.nonPositive > 0 {
		d = append(d, fmt.Sprintf("pixels at zero or below (one colour beyond the low end): %d", s.nonPositive))
	}
	if s.under+s.over > 0 {
		d = append(d, fmt.Sprintf("pixels outside the range, drawn in the end colours: %d below, %d above", s.under, s.over))
	}
	return d
}
