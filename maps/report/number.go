package report

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"

	"example.org/fleck/maps"
)

// dash stands for a number that is missing.
const dash = "–"

// functions are what the page can call.
var functions = template.FuncMap{
	"num":      Number,
	"fixed":    fixed,
	"pvalue":   PValue,
	"measured": Measured,
	"interval": interval,
	"uri":      dataURI,
	"width":    func(m Image) int { w, _ := size(m.Data); return w },
	"height":   func(m Image) int { _, h := size(m.Data); return h },
	"missing":  missing,
	"verdict":  VerdictWords,
	"role":     RoleWords,
	"percent":  func(v float64) string { return Number(100*v) + " %" },
	"few":      func(n int, list []Spot) []Spot { return list[:min(n, len(list))] },
	"total":    totalSpots,
	"hidden":   hiddenSpots,
	"sortable": sortable,
	"about": func(heading string, lines []string) any {
		return struct {
			Heading string
			Lines   []string
		}{heading, lines}
	},
	"stated":     countStated,
	"short":      shortRole,
	"lengthUnit": lengthUnit,
	"class":      func(v maps.Verdict) string { return strings.ReplaceAll(string(v), "_", "-") },
}

// Number returns v with three significant digits and without an exponent where
// that is readable; a dash for a missing number. Whole numbers below a million
// keep all their digits; from 10 000 on they are grouped.
func Number(v float64) string {
	switch a := math.Abs(v); {
	case missing(v):
		return dash
	case v == 0:
		return "0"
	case a >= 1e9 || a < 1e-3:
		mant, exp, _ := strings.Cut(strconv.FormatFloat(v, 'e', 2, 64), "e")
		n, _ := strconv.Atoi(exp)
		return minus(strings.TrimSuffix(strings.TrimRight(mant, "0"), ".") + " × 10" + superscript(n))
	case a >= 1000 || v == math.Trunc(v):
		if a >= 1e6 || v != math.Trunc(v) {
			e := math.Pow(10, math.Floor(math.Log10(a))-2)
			v = math.Round(v/e) * e
		}
		return grouped(minus(strconv.FormatFloat(v, 'f', 0, 64)))
	default:
		text := strconv.FormatFloat(v, 'g', 3, 64)
		if f, err := strconv.ParseFloat(text, 64); err == nil {
			text = strconv.FormatFloat(f, 'f', -1, 64)
		}
		return minus(text)
	}
}

// fixed returns v with a fixed number of decimals, for columns.
func fixed(decimals int, v float64) string {
	if missing(v) {
		return dash
	}
	text := minus(strconv.FormatFloat(v, 'f', decimals, 64))
	if decimals == 0 {
		text = grouped(text)
	}
	return text
}

// grouped sets narrow spaces between groups of three digits of a whole number
// of five digits or more.
func grouped(text string) string {
	sign, digits := "", text
	if strings.HasPrefix(text, "−") {
		sign, digits = "−", strings.TrimPrefix(text, "−")
	}
	if len(digits) < 5 {
		return text
	}
	var b strings.Builder
	for i, r := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 {
			b.WriteRune('\u202f')
		}
		b.WriteRune(r)
	}
	return sign + b.String()
}

// PValue returns a probability with two significant digits.
func PValue(v float64) string {
	switch {
	case missing(v):
		return dash
	case v == 0:
		return "< 10" + superscript(-300)
	case v < 1e-4:
		e := int(math.Floor(math.Log10(v)))
		return fmt.Sprintf("%.1f × 10%s", v/math.Pow(10, float64(e)), superscript(e))
	}
	f, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 2, 64), 64)
	return strconv.FormatFloat(f, 'f', -1, 64)
}

// Measured returns a value with its standard uncertainty.
func Measured(v, sigma float64) string {
	if missing(v) {
		return dash
	}
	if missing(sigma) || sigma <= 0 {
		return Number(v)
	}
	decimals := 0
	if sigma < 1 {
		decimals = min(6, 1-int(math.Floor(math.Log10(sigma))))
	}
	return fixed(decimals, v) + " ± " + fixed(decimals, sigma)
}

// interval returns the two ends of a coverage interval.
func interval(low, high float64) string {
	switch {
	case missing(low) && missing(high):
		return dash
	case missing(high):
		return "from " + Number(low) + ", no upper end"
	case missing(low):
		return "up to " + Number(high)
	}
	return Number(low) + " to " + Number(high)
}

func minus(s string) string { return strings.Replace(s, "-", "−", 1) }

var raised = [...]string{"⁰", "¹", "²", "³", "⁴", "⁵", "⁶", "⁷", "⁸", "⁹"}

func superscript(n int) string {
	var b strings.Builder
	for _, r := range strconv.Itoa(n) {
		if r == '-' {
			b.WriteString("⁻")
			continue
		}
		b.WriteString(raised[r-'0'])
	}
	return b.String()
}

// VerdictWords says a verdict in words.
func VerdictWords(v maps.Verdict) string {
	switch v {
	case maps.TargetVerdict:
		return "target"
	case maps.OtherCompound:
		return "other compound"
	case maps.Artefact:
		return "artefact"
	case maps.SubstrateSpot:
		return "substrate"
	case maps.CannotTell:
		return "cannot tell"
	}
	return string(v)
}

// RoleWords says a role in words.
func RoleWords(r string) string {
	if maps.Role(r) == maps.Untreated {
		return "untreated (blank)"
	}
	return strings.ReplaceAll(r, "_", " ")
}

// sortable is a number for the script that sorts, "" for a missing one.
func sortable(v float64) string {
	if missing(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}

// lengthUnit is the unit of positions on the page: µm where every field that
// has spots states its pixel size.
func lengthUnit(fields []Field) string {
	for _, f := range fields {
		for _, s := range f.Spots {
			if missing(s.XUm) {
				return "px"
			}
		}
	}
	return "µm"
}

// hiddenSpots is how many spots the table leaves out.
func hiddenSpots(limit int, fields []Field) int {
	n := 0
	for _, f := range fields {
		n += max(0, len(f.Spots)-limit)
	}
	return n
}

// shortRole is a role in one word where there is one.
func shortRole(r string) string {
	if maps.Role(r) == maps.Untreated {
		return "blank"
	}
	return RoleWords(r)
}

func totalSpots(fields []Field) int {
	n := 0
	for _, f := range fields {
		n += len(f.Spots)
	}
	return n
}
