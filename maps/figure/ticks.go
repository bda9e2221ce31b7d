package figure

import (
	"math"
	"strconv"
	"strings"
)

// tick is one mark of an axis; label is empty for minor marks.
type tick struct {
	v     float64
	label string
}

// axisTicks are the marks of an axis and the power of ten that all labels leave
// out (0 for none).
type axisTicks struct {
	ticks []tick
	power int
}

// step125 returns the smallest of 1, 2, 5 × 10^n that is not below v.
func step125(v float64) float64 {
	n := int(math.Floor(math.Log10(v)))
	for ; ; n++ {
		for _, m := range []float64{1, 2, 5} {
			if s := m * math.Pow(10, float64(n)); s >= v*(1-1e-9) {
				return s
			}
		}
	}
}

// linearTicks returns at most about most labelled marks between low and high,
// at multiples of a round step. signed writes "+" before positive numbers.
func linearTicks(low, high float64, most int, signed bool) axisTicks {
	span := high - low
	if !(span > 0) || !finite(span) || most < 2 {
		return axisTicks{ticks: []tick{{low, number(low, -1, signed)}}}
	}
	step := step125(span / float64(most))
	largest := math.Max(math.Abs(low), math.Abs(high))
	power := 0
	if largest >= 1e6 || largest < 1e-3 {
		power = 3 * int(math.Floor(math.Log10(largest)/3))
	}
	scale := math.Pow(10, float64(power))
	decimals := 0
	if d := int(math.Ceil(-math.Log10(step/scale) - 1e-9)); d > 0 {
		decimals = min(d, 15)
	}
	var t []tick
	first, last := math.Ceil(low/step-1e-6), math.Floor(high/step+1e-6)
	if last-first > 100 || !(last-first >= 0) || math.Abs(first) > 1<<50 || math.Abs(last) > 1<<50 { // the step is lost in rounding
		return axisTicks{ticks: []tick{{low, number(low, -1, signed)}, {high, number(high, -1, signed)}}}
	}
	for i := first; i <= last; i++ {
		v := i * step
		t = append(t, tick{math.Min(high, math.Max(low, v)), number(v/scale, decimals, signed)})
	}
	return axisTicks{t, power}
}

// logTicks returns labelled marks at powers of ten, at 1, 2 and 5 where the
// range is short, and minor marks between when there is room.
func logTicks(low, high float64, most int) axisTicks {
	if !(low > 0) || !(high > low) {
		return axisTicks{ticks: []tick{{low, number(low, -1, false)}}}
	}
	a, b := math.Log10(low), math.Log10(high)
	if b-a < 0.7 { // less than a factor of five: powers of ten say too little
		return linearTicks(low, high, most, false)
	}
	every := math.Max(1, math.Ceil((b-a)/float64(max(most, 2))))
	between := (b-a)*3 <= float64(most) // room for labels at 2 and 5
	for {
		var t []tick
		labels := 0
		for n := math.Floor(a); n <= math.Ceil(b); n++ {
			for m := 1; m <= 9; m++ {
				v := float64(m) * math.Pow(10, n)
				if v < low*(1-1e-9) || v > high*(1+1e-9) {
					continue
				}
				label := ""
				switch {
				case m == 1 && math.Mod(n, every) == 0:
					label = powerOfTen(int(n), a > -4 && b < 6)
				case (m == 2 || m == 5) && between && n > -5 && n < 5:
					label = number(v, max(0, -int(n)), false)
				case m != 1 && every > 1:
					continue
				}
				if label != "" {
					labels++
				}
				t = append(t, tick{v, label})
			}
		}
		switch {
		case labels >= 2 || between && labels == 1:
			return axisTicks{ticks: t}
		case between: // nothing round lies in the range
			return linearTicks(low, high, most, false)
		}
		// One number alone does not make a scale.
		if every > 1 {
			every--
		} else {
			between = true
		}
	}
}

// powerOfTen writes 10^n, as a number if plain or near 1.
func powerOfTen(n int, plain bool) string {
	if plain || n >= -3 && n <= 3 {
		return number(math.Pow(10, float64(n)), max(0, -n), false)
	}
	return "10^" + strings.Replace(strconv.Itoa(n), "-", "−", 1)
}

// number writes v with a true minus sign and thin spaces between groups of
// three digits from five digits on; decimals < 0 means as many as needed, up to
// six significant digits.
func number(v float64, decimals int, signed bool) string {
	var s string
	if decimals < 0 {
		s = strconv.FormatFloat(v, 'g', 6, 64)
	} else {
		s = strconv.FormatFloat(v, 'f', decimals, 64)
	}
	neg := strings.HasPrefix(s, "-")
	s = strings.TrimPrefix(s, "-")
	if strings.Trim(s, "0.") == "" { // no "−0"
		neg, signed = false, false
	}
	if !strings.ContainsAny(s, "eE") {
		whole, frac, dot := strings.Cut(s, ".")
		if len(whole) > 4 {
			for i := len(whole) - 3; i > 0; i -= 3 {
				whole = whole[:i] + "\u202f" + whole[i:]
			}
		}
		if s = whole; dot {
			s += "." + frac
		}
	}
	switch {
	case neg:
		return "−" + s
	case signed:
		return "+" + s
	}
	return s
}

// withPower puts the power of ten that the labels leave out before a unit.
func (a axisTicks) withPower(unit string) string {
	if a.power == 0 {
		return unit
	}
	return strings.TrimSpace("× " + "10^" + strings.Replace(strconv.Itoa(a.power), "-", "−", 1) + " " + unit)
}

// significant writes v with at most three significant digits.
func significant(v float64) string {
	r, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 3, 64), 64)
	if err != nil || r == 0 || !finite(r) {
		return number(v, 0, false)
	}
	if a := math.Abs(r); a < 1e-4 || a >= 1e7 {
		return number(r, -1, false)
	}
	_, frac, _ := strings.Cut(strconv.FormatFloat(r, 'f', -1, 64), ".")
	return number(r, len(frac), false)
}
