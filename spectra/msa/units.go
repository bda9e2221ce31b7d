package msa

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// dimension is what a numeric keyword measures.
type dimension uint8

const (
	dimNone dimension = iota
	dimVoltage
	dimCurrent
	dimLength
	dimTime
	dimAngle
	dimSolidAngle
	dimEnergy
)

// unit is 10^exponent of the base unit (V, A, m, s, rad, sr, eV), or the
// degree.
type unit struct {
	exponent int
	degree   bool
}

// units by dimension, in lower case. Prefixes that differ from another only
// by case (mV, MV) are left out: in a spectral data file they are more likely
// a slip.
var units = map[dimension]map[string]unit{
	dimVoltage:    {"v": {}, "ev": {}, "kv": {exponent: 3}, "kev": {exponent: 3}},
	dimCurrent:    {"a": {}, "ma": {exponent: -3}, "ua": {exponent: -6}, "na": {exponent: -9}, "pa": {exponent: -12}},
	dimLength:     {"m": {}, "cm": {exponent: -2}, "mm": {exponent: -3}, "um": {exponent: -6}, "micron": {exponent: -6}, "microns": {exponent: -6}, "nm": {exponent: -9}, "a": {exponent: -10}, "å": {exponent: -10}, "angstrom": {exponent: -10}, "pm": {exponent: -12}},
	dimTime:       {"s": {}, "sec": {}, "second": {}, "seconds": {}, "ms": {exponent: -3}, "us": {exponent: -6}, "ns": {exponent: -9}},
	dimAngle:      {"dg": {degree: true}, "deg": {degree: true}, "degree": {degree: true}, "degrees": {degree: true}, "°": {degree: true}, "rad": {}, "r": {}, "mrad": {exponent: -3}, "mr": {exponent: -3}},
	dimSolidAngle: {"sr": {}, "msr": {exponent: -3}},
	dimEnergy:     {"ev": {}, "kev": {exponent: 3}, "mev": {exponent: 6}},
}

// lookupUnit returns the unit of that spelling, whatever its case.
func lookupUnit(dim dimension, spelling string) (unit, bool) {
	u, ok := units[dim][normalUnit(spelling)]
	return u, ok
}

// normalUnit returns spelling in lower case with u for µ.
func normalUnit(spelling string) string {
	return strings.ToLower(microToU.Replace(spelling))
}

// microToU replaces the micro sign, the Greek mu and the Ångström sign.
var microToU = strings.NewReplacer("\u00b5", "u", "\u03bc", "u", "\u212b", "\u00e5")

// unitText reports whether s may be a unit: letters and unit signs, no digits.
func unitText(s string) bool {
	if s == "" || utf8.RuneCountInString(s) > 14 {
		return false
	}
	for _, r := range s {
		if !unicode.IsLetter(r) && !strings.ContainsRune("°%/-()[] .²", r) {
			return false
		}
	}
	return true
}

// tagText returns the unit in rest, the part of a keyword field after the name:
// "-kV", "  -s", " mm", "(kV)". It reports false if rest is something else.
func tagText(rest string) (unit string, ok bool) {
	if rest == "" {
		return "", true
	}
	first, _ := utf8.DecodeRuneInString(rest)
	if !strings.ContainsRune(blanks+"-([", first) {
		return "", false
	}
	unit = strings.Trim(rest, "-()[]"+blanks)
	if unit == "" {
		return "", true
	}
	if utf8.RuneCountInString(unit) > 8 {
		return "", false
	}
	for _, r := range unit {
		if !unicode.IsLetter(r) && r != '°' && r != '%' && r != '/' {
			return "", false
		}
	}
	return unit, true
}

// readUnit settles the unit of q and reports whether it is understood. When no
// unit is given the standard one is assumed.
func (q *quantity) readUnit(info *keywordInfo, dev *collector) bool {
	k := q.keyword
	if !q.stated {
		if info.unit != "" {
			assumed := info.unit
			if q.unit.degree {
				assumed = "degrees"
			}
			dev.add(k.Line, info.name, "unit tag \"-%s\" missing; %s assumed", info.unit, assumed)
		}
		return true
	}
	if info.dim == dimNone {
		dev.add(k.Line, info.name, "unit tag %q on a keyword that has none", q.spelling)
		return true
	}
	u, ok := lookupUnit(info.dim, q.spelling)
	switch {
	case !ok:
		dev.add(k.Line, info.name, "unit %q not understood; value not used", shorten(q.spelling))
		return false
	case info.unit == "":
		if info.dim == dimEnergy {
			dev.add(k.Line, info.name, "unit tag %q on a keyword that has none; the value is taken in %s", q.spelling, q.spelling)
		}
	case u != q.unit:
		dev.add(k.Line, info.name, "unit %q instead of %s; converted", q.spelling, info.unit)
	case q.spelling != info.unit:
		dev.add(k.Line, info.name, "unit tag spelled %q, not %q", q.spelling, info.unit)
	}
	q.unit = u
	return true
}

// axisKind says what XUNITS states.
type axisKind uint8

const (
	axisUnclear axisKind = iota // missing, empty or a text without a unit
	axisEnergy
	axisChannel
	axisOther // a unit that is not an energy
)

// readXUnits returns what the text of XUNITS states, the power of ten of an
// energy unit, and whether the spelling is the usual one.
func readXUnits(text string) (kind axisKind, exponent int, usual bool) {
	switch text {
	case "eV", "keV", "MeV":
		return axisEnergy, units[dimEnergy][strings.ToLower(text)].exponent, true
	case "A", "Å", "\u212b":
		return axisOther, 0, true
	}
	words := strings.FieldsFunc(strings.ToLower(microToU.Replace(text)), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r)
	})
	for _, w := range words {
		if u, ok := units[dimEnergy][w]; ok {
			return axisEnergy, u.exponent, false
		}
		switch w {
		case "electronvolt", "electronvolts":
			return axisEnergy, 0, false
		case "kiloelectronvolt", "kiloelectronvolts":
			return axisEnergy, 3, false
		}
	}
	for _, w := range words {
		switch w {
		case "channel", "channels", "chan", "ch", "bin", "bins":
			return axisChannel, 0, true
		case "nm", "um", "mm", "cm", "pm", "angstrom", "angstroms", "å", "ms", "s", "sec", "deg", "degree", "degrees", "rad", "mrad", "hz", "cm1":
			return axisOther, 0, true
		}
	}
	return axisUnclear, 0, false
}

// guessEnergyUnit is the unit assumed when the file states none, from the
// channel width: 0.5 or more means eV, less means keV. Common practice, no
// source: EDS channels are 2 to 40 eV wide.
func guessEnergyUnit(width float64) (exponent int) {
	if width >= 0.5 {
		return 0
	}
	return 3
}
