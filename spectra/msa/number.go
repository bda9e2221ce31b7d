package msa

import (
	"math"
	"strconv"
	"strings"

	"example.org/fleck/spectra/xray"
)

// splitNumber returns the length of the number at the start of s: sign,
// digits with an optional point, optional exponent with E or D. It returns
// the position of the exponent letter too (−1 without one), and 0, −1 if s does
// not start with a number.
func splitNumber(s string) (n, exponent int) {
	i := 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	digits := 0
	for ; i < len(s) && isDigit(s[i]); i++ {
		digits++
	}
	if i < len(s) && s[i] == '.' {
		i++
		for ; i < len(s) && isDigit(s[i]); i++ {
			digits++
		}
	}
	if digits == 0 {
		return 0, -1
	}
	if i < len(s) && strings.IndexByte("eEdD", s[i]) >= 0 {
		j := i + 1
		if j < len(s) && (s[j] == '+' || s[j] == '-') {
			j++
		}
		if j < len(s) && isDigit(s[j]) {
			for ; j < len(s) && isDigit(s[j]); j++ {
			}
			return j, i
		}
	}
	return i, -1
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// maxExponent bounds what is passed to ParseFloat; no float64 has a larger
// exponent unless its digits fill a whole line.
const maxExponent = maxLineBytes

// parseNumber returns the number s times 10^shift, rounded once. It reports
// false for anything but a plain finite number: ParseFloat alone would take
// NaN, Inf, hexadecimal forms and underscores.
func parseNumber(s string, shift int) (float64, bool) {
	n, e := splitNumber(s)
	if n == 0 || n != len(s) {
		return 0, false
	}
	if e >= 0 {
		exponent, err := strconv.Atoi(s[e+1:])
		if err != nil || exponent > maxExponent || exponent < -maxExponent {
			return 0, false
		}
		shift += exponent
		s = s[:e]
	}
	if shift != 0 {
		s += "e" + strconv.Itoa(shift)
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

// plainNumber rewrites the number s (as splitNumber accepts it) with an E
// exponent.
func plainNumber(s string) string {
	return strings.NewReplacer("d", "E", "D", "E").Replace(s)
}

// decimals returns how many digits stand after the point when the number s is
// written without exponent; at least 0.
func decimals(s string) int {
	_, e := splitNumber(s)
	exponent := 0
	if e >= 0 {
		exponent, _ = strconv.Atoi(s[e+1:]) // an exponent out of range was refused before
		s = s[:e]
	}
	point := strings.IndexByte(s, '.')
	if point < 0 {
		return max(0, -exponent)
	}
	return max(0, len(s)-point-1-exponent)
}

// formatNumber returns the shortest text that reads back as v when the decimal
// point is moved back: v·10^shift, whole numbers without a point.
func formatNumber(v float64, shift int) string {
	return moveDecimal(strconv.FormatFloat(v, 'e', -1, 64), shift)
}

// moveDecimal multiplies the number s, in the form of FormatFloat 'e', by
// 10^shift and writes it without exponent where that stays short.
func moveDecimal(s string, shift int) string {
	mantissa, exp, _ := strings.Cut(s, "e")
	exponent, err := strconv.Atoi(exp)
	if err != nil { // NaN and Inf have no exponent
		return s
	}
	sign := ""
	if mantissa[0] == '-' {
		sign, mantissa = "-", mantissa[1:]
	}
	digits := strings.TrimRight(strings.Replace(mantissa, ".", "", 1), "0")
	if digits == "" {
		return sign + "0"
	}
	exponent += shift
	point := exponent + 1 // digits before the point
	switch {
	case point < -3 || point > 15:
		if len(digits) > 1 {
			digits = digits[:1] + "." + digits[1:]
		}
		return sign + digits + "E" + strconv.Itoa(exponent)
	case point <= 0:
		return sign + "0." + strings.Repeat("0", -point) + digits
	case point >= len(digits):
		return sign + digits + strings.Repeat("0", point-len(digits))
	default:
		return sign + digits[:point] + "." + digits[point:]
	}
}

// formatHeader is formatNumber with a decimal point, as header numbers are
// customarily printed.
func formatHeader(v float64, shift int) string { return withPoint(formatNumber(v, shift)) }

func withPoint(s string) string {
	if strings.Contains(s, ".") {
		return s
	}
	if mantissa, exponent, ok := strings.Cut(s, "E"); ok {
		return mantissa + ".0E" + exponent
	}
	return s + ".0"
}

// formatAxis writes the energy e (eV) times 10^shift. Twelve digits hide the
// rounding of offset + i·gain (72.1, not 72.10000000000001) unless the gain is
// so small that they would matter.
func formatAxis(e, gain float64, shift int) string {
	s := strconv.FormatFloat(e, 'e', 11, 64)
	if v, err := strconv.ParseFloat(s, 64); err != nil || math.Abs(v-e) > 1e-4*gain {
		return formatNumber(e, shift)
	}
	return moveDecimal(s, shift)
}

// formatDegrees returns the shortest number of degrees that reads back as a.
// If rounding leaves no such number the nearest one is returned, wrong by less
// than one part in 10^15.
func formatDegrees(a xray.Angle) string {
	d := a.Degrees()
	for _, v := range []float64{d, math.Nextafter(d, 0), math.Nextafter(d, 2*d)} {
		for digits := 14; digits <= 16; digits++ {
			s := strconv.FormatFloat(v, 'e', digits, 64)
			if w, err := strconv.ParseFloat(s, 64); err == nil && xray.Angle(w)*xray.Degree == a {
				return withPoint(moveDecimal(s, 0))
			}
		}
	}
	return formatHeader(d, 0)
}

// quantity is the value of a numeric header keyword.
type quantity struct {
	present  bool    // the keyword is there and its value is not empty
	ok       bool    // the value is a number in a unit that is understood
	text     string  // the number, plain
	unit     unit    // unit of the number; the standard one if none was given
	stated   bool    // the unit was given, in the tag or after the number
	spelling string  // the unit as spelled, without its '-'
	keyword  Keyword // where it stands
}

// in returns the value in units of 10^exponent of the base unit (V, A, m, s,
// sr, eV), 0 if q is not ok.
func (q quantity) in(exponent int) float64 {
	if !q.ok {
		return 0
	}
	v, _ := parseNumber(q.text, q.unit.exponent-exponent)
	return v
}

// energy returns the value in eV; an axis quantity without a unit of its own is
// in 10^axis eV.
func (q quantity) energy(axis int) float64 {
	if q.stated {
		axis = q.unit.exponent
	}
	if !q.ok {
		return 0
	}
	v, _ := parseNumber(q.text, axis)
	return v
}

// raw returns the bare number.
func (q quantity) raw() float64 { return q.in(q.unit.exponent) }

// angle returns the value of an angle keyword.
func (q quantity) angle() xray.Angle {
	if q.unit.degree {
		return xray.Angle(q.raw()) * xray.Degree
	}
	return xray.Angle(q.in(0))
}

// readQuantity reads the value of the numeric keyword k and lists what is
// unusual about it.
func readQuantity(k Keyword, info *keywordInfo, dev *collector) quantity {
	q := quantity{keyword: k, present: k.Value != ""}
	q.unit, _ = lookupUnit(info.dim, info.unit)
	if !q.present {
		return q
	}
	text, rest := cutNumber(k, dev)
	if text == "" {
		return q
	}
	q.text = text
	if k.Unit != "" {
		q.stated, q.spelling = true, k.Unit
	}
	if rest != "" {
		if info.dim == dimNone {
			dev.add(k.Line, info.name, "text %q after the number", shorten(rest))
		} else {
			dev.add(k.Line, info.name, "unit %q after the number", shorten(rest))
			q.stated, q.spelling = true, strings.Trim(rest, "-()[]"+blanks)
		}
	}
	q.ok = q.readUnit(info, dev)
	if q.ok {
		_, q.ok = parseNumber(q.text, q.unit.exponent)
	}
	return q
}

// cutNumber splits the value of k into a plain number and what follows it.
func cutNumber(k Keyword, dev *collector) (number, rest string) {
	value := k.Value
	if strings.Count(value, ",") == 1 && !strings.Contains(value, ".") {
		before, after, _ := strings.Cut(value, ",")
		if before != "" && isDigit(before[len(before)-1]) && after != "" && isDigit(after[0]) {
			value = before + "." + after
		}
	}
	n, e := splitNumber(value)
	rest = strings.Trim(value[n:], blanks)
	// A letter, digit or sign glued to the number makes it another form (0x10,
	// 1_000, 12-14), except a unit such as 15kV.
	if _, ok := parseNumber(value[:n], 0); !ok || rest != "" && !unitText(rest) || len(value) > n && n == 1 && value[0] == '0' && (value[n] == 'x' || value[n] == 'X') {
		dev.add(k.Line, k.Standard(), "value %q is not a number; not used", shorten(k.Value))
		return "", ""
	}
	if value != k.Value {
		dev.add(k.Line, k.Standard(), "decimal comma in %q", shorten(k.Value))
	}
	number = plainNumber(value[:n])
	if e >= 0 && number != value[:n] && value[e] != 'e' {
		dev.add(k.Line, k.Standard(), "exponent letter %q in %q; E expected", value[e:e+1], shorten(k.Value))
	}
	return number, rest
}
