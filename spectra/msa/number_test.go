package msa

import (
	"math"
	"testing"

	"example.org/fleck/spectra/xray"
	"pgregory.net/rapid"
)

func TestParseNumber(t *testing.T) {
	for _, x := range []struct {
		text  string
		shift int
		want  float64
		ok    bool
	}{
		{"20", 0, 20, true},
		{"20.", 0, 20, true},
		{"20.0", 0, 20, true},
		{"2.0E+01", 0, 20, true},
		{"2.0d1", 0, 20, true},
		{"+.5", 0, 0.5, true},
		{"-0", 0, math.Copysign(0, -1), true},
		{"0.0103", 3, 10.3, true}, // 0.0103·1000 in floating point is 10.299999999999999
		{"15.05", 3, 15050, true},
		{"1E-05", -2, 1e-7, true},
		{"", 0, 0, false},
		{".", 0, 0, false},
		{"-", 0, 0, false},
		{"1.2.3", 0, 0, false},
		{"1e", 0, 0, false},
		{"e5", 0, 0, false},
		{" 1", 0, 0, false},
		{"NaN", 0, 0, false},
		{"inf", 0, 0, false},
		{"Infinity", 0, 0, false},
		{"0x10", 0, 0, false},
		{"0x1p4", 0, 0, false},
		{"1_0", 0, 0, false},
		{"1e400", 0, 0, false},
		{"1e99999999999999999999", 0, 0, false},
		{"1e9223372036854775807", 3, 0, false},
	} {
		got, ok := parseNumber(x.text, x.shift)
		if ok != x.ok || math.Float64bits(got) != math.Float64bits(x.want) && ok {
			t.Errorf("parseNumber(%q, %d) = %v, %v; want %v, %v", x.text, x.shift, got, ok, x.want, x.ok)
		}
	}
}

func TestFormatNumber(t *testing.T) {
	for _, x := range []struct {
		v     float64
		shift int
		want  string
	}{
		{60, 0, "60"},
		{1e6, 0, "1000000"},
		{123456789012345, 0, "123456789012345"},
		{1e20, 0, "1E20"},
		{1.5e-7, 0, "1.5E-7"},
		{0.001, 0, "0.001"},
		{10, -3, "0.01"},
		{15050, -3, "15.05"},
		{-200, -3, "-0.2"},
		{0.25, 0, "0.25"},
		{0, -3, "0"},
		{math.Copysign(0, -1), 0, "-0"},
	} {
		if got := formatNumber(x.v, x.shift); got != x.want {
			t.Errorf("formatNumber(%v, %d) = %q, want %q", x.v, x.shift, got, x.want)
		}
	}
}

// Numbers of degrees come back as they were typed.
func TestFormatDegrees(t *testing.T) {
	for _, x := range []struct {
		degrees float64
		want    string
	}{{35, "35.0"}, {18.6, "18.6"}, {-40.25, "-40.25"}, {90, "90.0"}, {0, "0.0"}} {
		if got := formatDegrees(xray.Angle(x.degrees) * xray.Degree); got != x.want {
			t.Errorf("formatDegrees(%g°) = %q, want %q", x.degrees, got, x.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		a := xray.Angle(rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "radians"))
		v, ok := parseNumber(formatDegrees(a), 0)
		got := xray.Angle(v) * xray.Degree
		// Degrees and back round three times, each by half a unit in the last of
		// 53 bits.
		if !ok || math.Abs(float64(got-a)) > 3*0x1p-53*math.Abs(float64(a)) {
			t.Fatalf("%v radians gives %q, %v radians", a, formatDegrees(a), got)
		}
	})
}

func TestDecimals(t *testing.T) {
	for text, want := range map[string]int{"1200": 0, "1200.": 0, "1.20": 2, "1.20E+03": 0, "1.2345E+03": 1, "1E-07": 7, "-0.20000": 5, "1.5d-1": 2} {
		if got := decimals(text); got != want {
			t.Errorf("decimals(%q) = %d, want %d", text, got, want)
		}
	}
}

// Source: code page cp1252 of the Python standard library for 0x80 to 0x9F,
// where the codes 81, 8D, 8F, 90 and 9D are unused; Latin-1 elsewhere.
func TestDecode(t *testing.T) {
	for _, x := range []struct{ in, want string }{
		{"plain", "plain"},
		{"5 \xB5m", "5 µm"},
		{"5 \xC2\xB5m", "5 µm"},
		{"\xC5\xB0\xB2\xFF", "Å°²ÿ"},
		{"\x80\x85\x96\x99\xB5\xE9", "€…–™µé"},
		{"\x81\x8D\x8F\x90\x9D\xB5", "\u0081\u008d\u008f\u0090\u009dµ"},
	} {
		if got := decode([]byte(x.in)); got != x.want {
			t.Errorf("decode(%q) = %q, want %q", x.in, got, x.want)
		}
	}
}

func TestReadXUnits(t *testing.T) {
	for _, x := range []struct {
		text     string
		kind     axisKind
		exponent int
		usual    bool
	}{
		{"eV", axisEnergy, 0, true},
		{"keV", axisEnergy, 3, true},
		{"MeV", axisEnergy, 6, true},
		{"KEV", axisEnergy, 3, false},
		{"ev", axisEnergy, 0, false},
		{"Energy [keV]", axisEnergy, 3, false},
		{"electron volts", axisUnclear, 0, false},
		{"electronvolts", axisEnergy, 0, false},
		{"Channel", axisChannel, 0, true},
		{"nm", axisOther, 0, true},
		{"A", axisOther, 0, true},
		{"µm", axisOther, 0, true},
		{"energy", axisUnclear, 0, false},
		{"", axisUnclear, 0, false},
	} {
		if kind, exponent, usual := readXUnits(x.text); kind != x.kind || exponent != x.exponent || kind == axisEnergy && usual != x.usual {
			t.Errorf("readXUnits(%q) = %v, %d, %v; want %v, %d, %v", x.text, kind, exponent, usual, x.kind, x.exponent, x.usual)
		}
	}
}

func TestParseDateAndClock(t *testing.T) {
	for _, x := range []struct {
		text     string
		want     string // "" if it cannot be read in one way only
		standard bool
	}{
		{"03-FEB-2024", "2024-02-03", true},
		{"29-FEB-2024", "2024-02-29", true},
		{"29-FEB-2023", "", false},
		{"3-FEB-2024", "2024-02-03", false},
		{"03 Feb 2024", "2024-02-03", false},
		{"2024/02/03", "2024-02-03", false},
		{"02/23/2024", "2024-02-23", false},
		{"23/02/2024", "2024-02-23", false},
		{"02/02/2024", "2024-02-02", false},
		{"03/02/2024", "", false},
		{"03-OKT-2024", "", false},
		{"03-EBM-2024", "", false}, // letters of two months
		{"31-FEB-2024", "", false},
		{"03-FEB-24", "", false},
		{"yesterday", "", false},
	} {
		day, standard, ok := parseDate(x.text)
		if got := day.Format("2006-01-02"); ok != (x.want != "") || ok && got != x.want || standard != x.standard {
			t.Errorf("parseDate(%q) = %s, %v, %v; want %q, %v", x.text, got, standard, ok, x.want, x.standard)
		}
	}
	for _, x := range []struct {
		text, want string
		standard   bool
	}{
		{"14:05", "14h5m0s", true},
		{"00:00", "0s", true},
		{"9:05", "9h5m0s", false},
		{"14:05:33", "14h5m33s", false},
		{"14:05:33.5", "14h5m33s", false},
		{"12:05 AM", "5m0s", false},
		{"12:05 p.m.", "12h5m0s", false},
		{"2:05pm", "14h5m0s", false},
		{"13:05 PM", "", false},
		{"24:00", "", false},
		{"noon", "", false},
	} {
		clock, standard, ok := parseClock(x.text)
		if ok != (x.want != "") || ok && clock.String() != x.want || standard != x.standard {
			t.Errorf("parseClock(%q) = %v, %v, %v; want %q, %v", x.text, clock, standard, ok, x.want, x.standard)
		}
	}
}
