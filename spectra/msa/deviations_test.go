package msa

import (
	"reflect"
	"strings"
	"testing"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// replace returns an edit of the example that replaces each old text, which
// must be there, by the new one.
func replace(oldNew ...string) func(t *testing.T, text string) string {
	return func(t *testing.T, text string) string {
		for i := 0; i < len(oldNew); i += 2 {
			if !strings.Contains(text, oldNew[i]) {
				t.Fatalf("the example does not contain %q", oldNew[i])
			}
			text = strings.Replace(text, oldNew[i], oldNew[i+1], 1)
		}
		return text
	}
}

// dataOf returns an edit that replaces the data block (40 values, 8 lines).
func dataOf(data string, oldNew ...string) func(t *testing.T, text string) string {
	return func(t *testing.T, text string) string {
		text = replace(oldNew...)(t, text)
		head, rest, _ := strings.Cut(text, "next line\n")
		_, end, _ := strings.Cut(rest, "\n#ENDOFDATA")
		return head + "next line\n" + data + "\n#ENDOFDATA" + end
	}
}

const exampleData = `60, 60, 59, 59, 58
58, 58, 58, 60, 74
123, 249, 480, 759, 941
900, 665, 388, 192, 96
63, 55, 57, 67, 89
123, 155, 169, 155, 121
87, 64, 52, 48, 47
46, 46, 45, 45, 44`

// xyData returns the example data as 40 lines "x sep y" with x = 1200, 1220, …
// written by format.
func xyData(sep string, x func(i int) string) string {
	values := strings.FieldsFunc(exampleData, func(r rune) bool { return r == ',' || r == ' ' || r == '\n' })
	var lines []string
	for i, v := range values {
		lines = append(lines, x(i)+sep+v)
	}
	return strings.Join(lines, "\n")
}

func evX(i int) string  { return formatNumber(1200+20*float64(i), 0) }
func kevX(i int) string { return formatNumber(1200+20*float64(i), -3) }

// pairs turns the header of the example into that of an XY file.
var pairs = []string{": 5.\n", ": 1.\n", "DATATYPE    : Y", "DATATYPE    : XY"}

// deviationTests holds each deviation that files have in practice: the edit of
// the example, all deviations that Read must list, and what differs in the
// spectrum.
var deviationTests = []struct {
	name   string
	edit   func(t *testing.T, text string) string
	want   []string
	change func(s *spectra.Spectrum)
}{
	// Line ends and characters.
	{"lone CR", func(_ *testing.T, s string) string { return strings.ReplaceAll(s, "\n", "\r") },
		[]string{"line 1: lines end in CR, not LF"}, nil},
	{"mixed line ends", replace("#VERSION     : 1.0\n", "#VERSION     : 1.0\r\n", "05\n", "05\r"),
		[]string{"line 1: mixed line ends: 37 LF, 1 CR LF, 1 CR"}, nil},
	{"no final line end", func(_ *testing.T, s string) string { return strings.TrimSuffix(s, "\n") },
		[]string{"line 39: no line end after the last line"}, nil},
	{"UTF-8 micro sign in a unit tag", replace("##PIXELSIZE  : 0.05 um (user-defined keyword)", "#THICKNESS-µm: 0.5"),
		[]string{"line 29: THICKNESS: characters outside 7-bit ASCII", `line 29: THICKNESS: unit "µm" instead of nm; converted`}, nil},
	{"Latin-1 Angstrom in a text", replace("Example lab", "\xC5ngstr\xF6m lab"),
		[]string{"line 6: OWNER: characters outside 7-bit ASCII"}, nil},

	// Layout of header lines.
	{"blanks before #", replace("#TITLE ", " \t#TITLE "),
		[]string{"line 3: TITLE: blanks before '#'"}, nil},
	{"blank after #", replace("#TITLE       :", "# TITLE       :"),
		[]string{"line 3: TITLE: colon in position 15, not 14", "line 3: TITLE: blanks between '#' and the keyword"}, nil},
	{"keyword and end mark without colon", replace("#SPECTRUM    : Spectral data start on the next line", "#SPECTRUM", "#ENDOFDATA   : End of data", "#ENDOFDATA"),
		[]string{"line 30: SPECTRUM: no colon after the keyword", "line 39: ENDOFDATA: no colon after the keyword"}, nil},
	{"other keywords without colon", replace("#TITLE       : ", "#TITLE ", "#TIME        : ", "#TIME ", "#LIVETIME  -s: ", "#LIVETIME "),
		[]string{"line 3: TITLE: no colon after the keyword", "line 5: TIME: no colon after the keyword",
			"line 21: LIVETIME: no colon after the keyword", `line 21: LIVETIME: unit tag "-s" missing; s assumed`}, nil},
	{"mixed case", replace("#TITLE", "#Title"),
		[]string{`line 3: TITLE: keyword spelled "Title"`}, nil},
	{"SOLIDANGLE", replace("#SOLIDANGL-sR", "#SOLIDANGLE -sR"),
		[]string{"line 25: SOLIDANGL: colon in position 16, not 14", `line 25: SOLIDANGL: keyword spelled "SOLIDANGLE"`}, nil},
	{"unknown keyword", replace("##PIXELSIZE  :", "#PIXELSIZE   :"),
		[]string{"line 29: PIXELSIZE: not a keyword of the format; user-defined keywords begin with ##"}, nil},
	{"blank lines", func(t *testing.T, s string) string {
		return replace("#OWNER", "\n#OWNER", "900,", " \t\n900,")(t, s) + "\n\n"
	}, []string{"line 6: blank line; also on line 35"}, nil},
	{"line without #", replace("#OWNER", "continued title\n#OWNER"),
		[]string{"line 6: header line without '#'; ignored"}, nil},
	{"numbers before #SPECTRUM", replace("#OWNER", "12 13\n#OWNER"),
		[]string{"line 6: header line without '#'; ignored"}, nil},
	{"out of order", func(t *testing.T, s string) string {
		s = replace("#NCOLUMNS    : 5.\n", "")(t, s)
		return replace("#DATATYPE", "#NCOLUMNS    : 5.\n#DATATYPE")(t, s)
	}, []string{"line 10: NCOLUMNS: out of order: it belongs before YUNITS"}, nil},
	{"FORMAT and VERSION late", func(t *testing.T, s string) string {
		s = strings.TrimPrefix(s, "#FORMAT      : EMSA/MAS Spectral Data File\n#VERSION     : 1.0\n")
		return replace("#DATE", "#FORMAT      : EMSA/MAS Spectral Data File\n#VERSION     : 1.0\n#DATE")(t, s)
	}, []string{"line 2: FORMAT: must be line 1", "line 3: VERSION: must be line 2"}, nil},
	{"FORMAT in other words", replace("EMSA/MAS Spectral", "EMSA Spectral"),
		[]string{`line 1: FORMAT: value "EMSA Spectral Data File"; expected "EMSA/MAS Spectral Data File"`}, nil},
	{"unknown version", replace(": 1.0\n", ": 1.7\n"),
		[]string{`line 2: VERSION: version "1.7" is not known; 1.0 and TC202v2.0 are`}, nil},
	{"version 2.0", replace(": 1.0\n", ": TC202v2.0\n"), nil, nil},
	{"required keywords missing", replace("#OWNER       : Example laboratory\n", "", "#YUNITS      : counts\n", ""),
		[]string{"line 28: OWNER: required keyword missing", "line 28: YUNITS: required keyword missing"}, nil},
	{"required values empty", replace("Example laboratory", "", "03-FEB-2024", ""),
		[]string{"line 4: DATE: value is empty", "line 6: OWNER: value is empty"}, nil},
	{"repeated keyword", replace("#COMMENT     : ", "#LIVETIME  -s: 99.\n#COMMENT     : one\n#COMMENT     : "),
		[]string{"line 28: LIVETIME: repeated; the value on line 21 is used"}, nil},
	{"no #SPECTRUM", replace("#SPECTRUM    : Spectral data start on the next line\n", ""),
		[]string{"line 30: SPECTRUM: keyword missing before the data"}, nil},
	{"keyword between data lines", replace("900,", "#COMMENT     : here\n900,"),
		[]string{"line 34: COMMENT: keyword line between the data lines; kept as part of the header"}, nil},
	{"live time after the data", replace("#LIVETIME  -s: 12.5\n", "", "#ENDOFDATA", "#LIVETIME  -s: 12.5\n#ENDOFDATA"),
		[]string{"line 38: LIVETIME: keyword line between the data lines; kept as part of the header"}, nil},

	// Values.
	{"date with mixed case", replace("03-FEB-2024", "07-Jul-1998"),
		[]string{`line 4: DATE: "07-Jul-1998" is not in the form DD-MMM-YYYY (07-JUL-1998)`}, nil},
	{"ISO date", replace("03-FEB-2024", "2024-02-03"),
		[]string{`line 4: DATE: "2024-02-03" is not in the form DD-MMM-YYYY (03-FEB-2024)`}, nil},
	{"ambiguous date", replace("03-FEB-2024", "03/02/2024"),
		[]string{`line 4: DATE: "03/02/2024" is not a date that can be read in one way only; DD-MMM-YYYY expected`}, nil},
	{"date that has one reading", replace("03-FEB-2024", "23.02.2024"),
		[]string{`line 4: DATE: "23.02.2024" is not in the form DD-MMM-YYYY (23-FEB-2024)`}, nil},
	{"localised month", replace("03-FEB-2024", "03-MAI-2024"),
		[]string{`line 4: DATE: "03-MAI-2024" is not a date that can be read in one way only; DD-MMM-YYYY expected`}, nil},
	{"time with seconds", replace("14:05", "14:05:33"), []string{`line 5: TIME: "14:05:33" is not in the form HH:MM`}, nil},
	{"time with PM", replace("14:05", "2:05 PM"), []string{`line 5: TIME: "2:05 PM" is not in the form HH:MM`}, nil},
	{"integers without point", replace(": 40.", ": 40", ": 5.\n", ": 5\n"), nil, nil},
	{"exponents in the header", replace(": 40.", ": 4.0E+01", ": 1200.0", ": 12.0e2"), nil, nil},
	{"decimal comma in the header", replace(": 20.0", ": 20,0", ": 12.5", ": 12,5"),
		[]string{`line 12: XPERCHAN: decimal comma in "20,0"`, `line 21: LIVETIME: decimal comma in "12,5"`}, nil},
	{"D exponent in the header", replace(": 1200.0", ": 1.2D+03"),
		[]string{`line 13: OFFSET: exponent letter "D" in "1.2D+03"; E expected`}, nil},
	{"unit after the value", replace("#BEAMKV   -kV: 5.0", "#BEAMKV      : 5 kV", "#LIVETIME  -s: 12.5", "#LIVETIME    : 12500ms"),
		[]string{`line 18: BEAMKV: unit "kV" after the number`, `line 21: LIVETIME: unit "ms" after the number`,
			`line 21: LIVETIME: unit "ms" instead of s; converted`}, nil},
	{"unit tag missing or after blanks", replace("#PROBECUR -nA:", "#PROBECUR    :", "#ELEVANGLE-dg:", "#ELEVANGLE dg:"),
		[]string{`line 19: PROBECUR: unit tag "-nA" missing; nA assumed`, `line 23: ELEVANGLE: unit tag "dg" does not begin with '-'`}, nil},
	{"other unit tags", replace("#PROBECUR -nA: 0.85", "#PROBECUR -pA: 850.", "#LIVETIME  -s: 12.5", "#LIVETIME -ms: 12500.", "#BEAMKV   -kV: 5.0", "#BEAMKV    -V: 5000."),
		[]string{`line 18: BEAMKV: unit "V" instead of kV; converted`, `line 19: PROBECUR: unit "pA" instead of nA; converted`,
			`line 21: LIVETIME: unit "ms" instead of s; converted`}, nil},
	{"unit tag in other case", replace("-kV", "-KV"), []string{`line 18: BEAMKV: unit tag spelled "KV", not "kV"`}, nil},
	{"unit that is not understood", replace("#LIVETIME  -s", "#LIVETIME -xx"),
		[]string{`line 21: LIVETIME: unit "xx" not understood; value not used`}, func(s *spectra.Spectrum) { s.LiveTimeS = 0 }},
	{"unit tag on a bare keyword", replace("#MAGCAM      :", "#MAGCAM    -x:"),
		[]string{`line 20: MAGCAM: unit tag "x" on a keyword that has none`}, nil},
	{"position with unit", replace("##PIXELSIZE  : 0.05 um (user-defined keyword)", "#XPOSITION mm: 1.6789"),
		[]string{`line 29: XPOSITION: unit tag "mm" does not begin with '-'`}, nil},
	{"live time no number", replace(": 12.5", ": unknown"),
		[]string{`line 21: LIVETIME: value "unknown" is not a number; not used`}, func(s *spectra.Spectrum) { s.LiveTimeS = 0 }},
	{"NaN live time", replace(": 12.5", ": NaN"),
		[]string{`line 21: LIVETIME: value "NaN" is not a number; not used`}, func(s *spectra.Spectrum) { s.LiveTimeS = 0 }},
	{"hexadecimal current", replace(": 0.85", ": 0x10"),
		[]string{`line 19: PROBECUR: value "0x10" is not a number; not used`}, func(s *spectra.Spectrum) { s.ProbeCurrentNA = 0 }},
	{"underscore", replace(": 0.85", ": 1_000"),
		[]string{`line 19: PROBECUR: value "1_000" is not a number; not used`}, func(s *spectra.Spectrum) { s.ProbeCurrentNA = 0 }},
	{"signal code EDX", replace(": EDS", ": EDX"), []string{`line 14: SIGNALTYPE: code "EDX" stands for "EDS"`}, nil},
	{"signal code EELS", replace(": EDS", ": EELS"),
		[]string{`line 14: SIGNALTYPE: code "EELS" stands for "ELS"`, `line 14: SIGNALTYPE: "EELS" is not an energy-dispersive X-ray spectrum`}, nil},
	{"CHOFFSET disagrees", replace("-60.0", "-70.0"),
		[]string{"line 15: CHOFFSET: -70.0 disagrees with −OFFSET/XPERCHAN = -60; not used"}, nil},
	{"CHOFFSET one channel off", replace("-60.0", "-59.0"), nil, nil},

	// Conditions.
	{"no live time", replace("#LIVETIME  -s: 12.5\n", ""), []string{"line 29: LIVETIME: live time missing: no count rates"},
		func(s *spectra.Spectrum) { s.LiveTimeS = 0 }},
	{"no real time", replace("#REALTIME  -s: 15.0\n", ""), []string{"line 29: REALTIME: real time missing: no dead time"},
		func(s *spectra.Spectrum) { s.RealTimeS = 0 }},
	{"live time zero", replace(": 12.5", ": 0.0"), []string{"line 21: LIVETIME: live time is 0 s: no count rates"},
		func(s *spectra.Spectrum) { s.LiveTimeS = 0 }},
	{"live time longer than real time", replace(": 12.5", ": 16.5"),
		[]string{"line 21: LIVETIME: live time 16.5 s is longer than the real time 15 s: no dead time"},
		func(s *spectra.Spectrum) { s.LiveTimeS = 16.5 }},
	{"tilted specimen", replace("#ELEVANGLE", "#XTILTSTGE-dg: 20.0\n#ELEVANGLE"),
		[]string{"line 24: ELEVANGLE: taken as take-off angle, which it is for an untilted specimen; XTILTSTGE is 20 degrees"},
		func(s *spectra.Spectrum) { s.Tilt = 20 * xray.Degree }},
	{"beam voltage in volts", replace("-kV: 5.0", "-kV: 5000."), []string{"line 18: BEAMKV: beam voltage of 5000 kV; 0.1 to 1000 expected: check the unit"},
		func(s *spectra.Spectrum) { s.BeamEnergy = 5e6 }},
	{"scale in eV called keV", replace(": eV", ": keV"), []string{"line 9: XUNITS: channels of 20000 eV; 2 to 40 eV are usual: check the unit"},
		func(s *spectra.Spectrum) { s.Calibration = spectra.Calibration{OffsetEV: 1.2e6, GainEV: 2e4} }},
	{"scale in keV called eV", replace(": 20.0", ": 0.02", ": 1200.0", ": 1.2"), []string{"line 9: XUNITS: channels of 0.02 eV; 2 to 40 eV are usual: check the unit"},
		func(s *spectra.Spectrum) { s.Calibration = spectra.Calibration{OffsetEV: 1.2, GainEV: 0.02} }},
	{"not counts", replace(": counts", ": counts/s"),
		[]string{`line 10: YUNITS: "counts/s" are not counts: Poisson statistics may not hold`}, nil},

	// Energy scale.
	{"XUNITS KeV", replace(": eV", ": KeV", ": 20.0", ": 0.02", ": 1200.0", ": 1.2"), []string{`line 9: XUNITS: "KeV" taken as keV`}, nil},
	{"XUNITS EV", replace(": eV", ": EV"), []string{`line 9: XUNITS: "EV" taken as eV`}, nil},
	{"XUNITS label", replace(": eV", ": Energy (keV)", ": 20.0", ": 0.02", ": 1200.0", ": 1.2"), []string{`line 9: XUNITS: "Energy (keV)" taken as keV`}, nil},
	{"XUNITS empty, eV", replace(": eV", ":"),
		[]string{"line 9: XUNITS: value is empty", "line 9: XUNITS: no energy unit stated; eV assumed because XPERCHAN is at least 0.5"}, nil},
	{"XUNITS unclear, keV", replace(": eV", ": Energy", ": 20.0", ": 0.02", ": 1200.0", ": 1.2"),
		[]string{"line 9: XUNITS: no energy unit stated; keV assumed because XPERCHAN is below 0.5"}, nil},
	{"XUNITS missing", replace("#XUNITS      : eV\n", ""),
		[]string{"line 29: XUNITS: required keyword missing", "line 29: XUNITS: no energy unit stated; eV assumed because XPERCHAN is at least 0.5"}, nil},
	{"unit tag of XPERCHAN", replace("#XUNITS      : eV", "#XUNITS      : Energy", "#XPERCHAN    : 20.0", "#XPERCHAN-keV: 0.02", ": 1200.0", ": 1.2"),
		[]string{"line 9: XUNITS: no energy unit stated; the unit tag of XPERCHAN is used",
			`line 12: XPERCHAN: unit tag "keV" on a keyword that has none; the value is taken in keV`}, nil},
	{"XUNITS channels", replace(": eV", ": channel"), []string{`line 9: XUNITS: "channel" is no energy: the spectrum has no energy scale`},
		func(s *spectra.Spectrum) { s.Calibration = spectra.Calibration{} }},
	{"XPERCHAN missing", replace("#XPERCHAN    : 20.0\n", ""),
		[]string{"line 29: XPERCHAN: required keyword missing", "line 29: XPERCHAN: no channel width: the spectrum has no energy scale"},
		func(s *spectra.Spectrum) { s.Calibration = spectra.Calibration{} }},
	{"XPERCHAN zero", replace(": 20.0", ": 0."), []string{"line 12: XPERCHAN: channel width 0.; it must be above 0: the spectrum has no energy scale"},
		func(s *spectra.Spectrum) { s.Calibration = spectra.Calibration{} }},
	{"OFFSET missing", replace("#OFFSET      : 1200.0\n", "", "#CHOFFSET    : -60.0\n", ""),
		[]string{"line 28: OFFSET: required keyword missing", "line 28: OFFSET: no energy of the first channel; 0 assumed"},
		func(s *spectra.Spectrum) { s.OffsetEV = 0 }},

	// Data lines.
	{"NCOLUMNS missing", replace("#NCOLUMNS    : 5.\n", ""), []string{"line 29: NCOLUMNS: required keyword missing"}, nil},
	{"NCOLUMNS disagrees", replace(": 5.\n", ": 4.\n"),
		[]string{"line 31: NCOLUMNS: header says 4, but the line holds another number of values; also on lines 32-38"}, nil},
	{"NCOLUMNS out of range", dataOf(strings.ReplaceAll(exampleData, "\n", ", "), ": 5.\n", ": 40.\n"),
		[]string{`line 8: NCOLUMNS: "40."; 1 to 5 expected`}, nil},
	{"NPOINTS too large", replace(": 40.", ": 41."), []string{"line 7: NPOINTS: header says 41, found 40 values"}, nil},
	{"NPOINTS too small", replace(": 40.", ": 39."), []string{"line 7: NPOINTS: header says 39, found 40 values"}, nil},
	{"NPOINTS no count", replace(": 40.", ": 40.5"), []string{`line 7: NPOINTS: "40.5" is not a whole number above 0; found 40 values`}, nil},
	{"trailing commas", replace("59, 58\n", "59, 58,\n"), []string{"line 31: separator after the last value of the line"}, nil},
	{"several commas", replace("59, 58\n", "59,, 58\n"), []string{"line 31: several commas between two values"}, nil},
	{"semicolons", dataOf(strings.ReplaceAll(exampleData, ", ", ";")),
		[]string{"line 31: values separated by semicolons; commas expected; also on lines 32-38"}, nil},
	{"tabs", dataOf(strings.ReplaceAll(exampleData, ", ", "\t")),
		[]string{"line 31: values separated by tabs; commas expected; also on lines 32-38"}, nil},
	{"blanks", dataOf(strings.ReplaceAll(exampleData, ", ", "  ")),
		[]string{"line 31: values separated by blanks; commas expected; also on lines 32-38"}, nil},
	{"commas without blanks", dataOf(strings.ReplaceAll(exampleData, ", ", ",")), nil, nil},
	{"mixed number forms", dataOf(strings.Replace(exampleData, "60, 60, 59", "+6.0E+01, 60., .59e2", 1)), nil, nil},
	{"D exponents", dataOf(strings.Replace(exampleData, "60, 60, 59", "6.0D+01, 60, 5.9d1", 1)),
		[]string{"line 31: exponents with the letter D; E expected"}, nil},
	{"fractional counts", dataOf(strings.Replace(exampleData, "123, 249", "123.5, 249.25", 1)),
		[]string{"line 33: counts are not whole numbers: Poisson statistics do not hold (first 123.5 in channel 10, 2 of 40 values)"},
		func(s *spectra.Spectrum) { s.Counts[10], s.Counts[11] = 123.5, 249.25 }},
	{"negative counts", dataOf(strings.Replace(exampleData, "123, 249", "-123, 249", 1)),
		[]string{"line 33: negative counts: not raw counts (first -123 in channel 10, 1 of 40 values)"},
		func(s *spectra.Spectrum) { s.Counts[10] = -123 }},

	// XY data.
	{"XY", dataOf(xyData(", ", evX), pairs...), nil, nil},
	{"XY without DATATYPE", dataOf(xyData(", ", evX), ": 5.\n", ": 1.\n", "#DATATYPE    : Y\n", ""),
		[]string{"line 29: DATATYPE: required keyword missing", "line 29: DATATYPE: states neither Y nor XY; read as XY from the lines"}, nil},
	{"Y without DATATYPE", replace("#DATATYPE    : Y\n", ""),
		[]string{"line 29: DATATYPE: required keyword missing", "line 29: DATATYPE: states neither Y nor XY; read as Y from the lines"}, nil},
	{"XY without DATATYPE and NPOINTS", dataOf(xyData(", ", evX), ": 5.\n", ": 1.\n", "#DATATYPE    : Y\n", "", "#NPOINTS     : 40.\n", ""),
		[]string{"line 28: NPOINTS: required keyword missing", "line 28: DATATYPE: required keyword missing",
			"line 28: DATATYPE: states neither Y nor XY; read as XY from the lines"}, nil},
	{"XY called Y", dataOf(xyData(", ", evX), ": 5.\n", ": 1.\n"),
		[]string{"line 11: DATATYPE: header says Y, but the lines hold pairs whose first number is OFFSET + i·XPERCHAN; read as XY"}, nil},
	{"XY called Y, commas without blanks", dataOf(xyData(",", evX), ": 5.\n", ": 1.\n"),
		[]string{"line 11: DATATYPE: header says Y, but the lines hold pairs whose first number is OFFSET + i·XPERCHAN; read as XY"}, nil},
	{"NPOINTS counts numbers", dataOf(xyData(", ", evX), append([]string{": 40.", ": 80."}, pairs...)...),
		[]string{"line 7: NPOINTS: header says 80, found 40 pairs; NPOINTS counts pairs, not numbers"}, nil},
	{"XY without XPERCHAN", dataOf(xyData(", ", evX), append([]string{"#XPERCHAN    : 20.0\n", "#XPERCHAN    :\n"}, pairs...)...),
		[]string{"line 12: XPERCHAN: value is empty", "line 12: XPERCHAN: no channel width; taken from the x column"}, nil},
	{"XY with XPERCHAN zero", dataOf(xyData(", ", evX), append([]string{": 20.0", ": 0."}, pairs...)...),
		[]string{"line 12: XPERCHAN: no channel width; taken from the x column"}, nil},
	{"XY in keV without unit and width", dataOf(xyData(", ", kevX), append([]string{": eV", ":", ": 20.0", ":", ": 1200.0", ":"}, pairs...)...),
		[]string{"line 9: XUNITS: value is empty",
			"line 9: XUNITS: no energy unit stated; keV assumed because the step of the x column is below 0.5",
			"line 12: XPERCHAN: value is empty", "line 12: XPERCHAN: no channel width; taken from the x column",
			"line 13: OFFSET: value is empty"}, nil},
	{"header disagrees with x", dataOf(xyData(", ", evX), append([]string{": 1200.0", ": 1190.0", "-60.0", "-59.5"}, pairs...)...),
		[]string{"line 12: XPERCHAN: the scale of the header (1190 eV + i·20 eV) disagrees with the x column by 10 eV on line 31; the x column is used (1200 eV + i·20 eV)"}, nil},
	{"pair cut off", func(t *testing.T, s string) string {
		s = dataOf(xyData(", ", evX), pairs...)(t, s)
		return s[:strings.Index(s, ", 44")] // the last count
	}, []string{"line 7: NPOINTS: header says 40, found 39 pairs", "line 70: no line end after the last line", "line 70: the last pair is incomplete; left out",
		"line 70: ENDOFDATA: truncated: end mark missing and 39 of 40 pairs found; the last value may be cut"},
		func(s *spectra.Spectrum) { s.Counts = s.Counts[:39] }},

	{"XY in channels", dataOf(xyData(", ", func(i int) string { return formatNumber(float64(i), 0) }), append([]string{": eV", ": channel"}, pairs...)...),
		[]string{`line 9: XUNITS: "channel" is no energy: the spectrum has no energy scale`},
		func(s *spectra.Spectrum) { s.Calibration = spectra.Calibration{} }},
	{"XY of one point, header agrees", dataOf("1200, 60", append([]string{": 40.", ": 1."}, pairs...)...), nil,
		func(s *spectra.Spectrum) { s.Counts = s.Counts[:1] }},
	{"XY of one point, header disagrees", dataOf("1210, 60", append([]string{": 40.", ": 1."}, pairs...)...),
		[]string{"line 12: XPERCHAN: the scale of the header (1200 eV + i·20 eV) disagrees with the x column by 10 eV on line 31; the x column is used (1210 eV + i·20 eV)"},
		func(s *spectra.Spectrum) { s.Counts, s.OffsetEV = s.Counts[:1], 1210 }},
	{"XY of one point, no scale", dataOf("1200, 60", append([]string{": 40.", ": 1.", ": eV", ":", ": 20.0", ":"}, pairs...)...),
		[]string{"line 9: XUNITS: value is empty", "line 9: XUNITS: no energy unit stated; eV assumed", "line 12: XPERCHAN: value is empty", "line 31: one data point: no energy scale"},
		func(s *spectra.Spectrum) { s.Counts, s.Calibration = s.Counts[:1], spectra.Calibration{} }},
	{"separator before the first value", replace("\n900,", "\n, 900,"), []string{"line 34: separator before the first value of the line"}, nil},
	{"#SPECTRUM repeated", replace("900,", "#SPECTRUM    : again\n900,"), []string{"line 34: SPECTRUM: repeated between the data lines; ignored"}, nil},

	// End of the file.
	{"no end mark, complete", func(_ *testing.T, s string) string { return s[:strings.Index(s, "#END")] },
		[]string{"line 38: ENDOFDATA: end mark missing; the data are complete"}, nil},
	{"truncated", func(_ *testing.T, s string) string { return s[:strings.Index(s, "46, 46")] },
		[]string{"line 7: NPOINTS: header says 40, found 35 values",
			"line 37: ENDOFDATA: truncated: end mark missing and 35 of 40 values found; the last value may be cut"},
		func(s *spectra.Spectrum) { s.Counts = s.Counts[:35] }},
	{"truncated without NPOINTS", func(t *testing.T, s string) string {
		return replace("#NPOINTS     : 40.\n", "")(t, s[:strings.Index(s, "46, 46")])
	}, []string{"line 29: NPOINTS: required keyword missing", "line 36: ENDOFDATA: end mark missing; the file may be truncated"},
		func(s *spectra.Spectrum) { s.Counts = s.Counts[:35] }},
	{"checksum", func(_ *testing.T, s string) string { return s + "#CHECKSUM    : 58856\n" }, nil, nil},
	{"checksum in the header", replace("#OWNER", "#CHECKSUM    : 58856\n#OWNER"), []string{"line 6: CHECKSUM: before #ENDOFDATA; it must be the last line"}, nil},
	{"endless line after the end", func(_ *testing.T, s string) string { return s + strings.Repeat("x", 70<<10) }, nil, nil},
	{"Ctrl-Z and blank lines at the end", func(_ *testing.T, s string) string { return s + "\n\n\x1a" },
		[]string{"line 42: no line end after the last line"}, nil},
	{"text after the end", func(_ *testing.T, s string) string { return s + "exported\nby hand\n" },
		[]string{"line 40: text after #ENDOFDATA; ignored; also on line 41"}, nil},
	{"several spectra", func(_ *testing.T, s string) string { return s + s + s },
		[]string{"line 40: FORMAT: another spectrum begins; the file holds 3, only the first is read"}, nil},
	{"several spectra without end mark", func(t *testing.T, s string) string {
		return s[:strings.Index(s, "#END")] + s
	}, []string{"line 39: FORMAT: another spectrum begins; the file holds 2, only the first is read",
		"line 39: ENDOFDATA: end mark missing; the data are complete"}, nil},
}

func TestReadDeviations(t *testing.T) {
	text := twoPeak(t)
	for _, x := range deviationTests {
		t.Run(x.name, func(t *testing.T) {
			edited := x.edit(t, text)
			f, err := Read(strings.NewReader(edited))
			if err != nil {
				t.Fatalf("Read: %v", err)
			}
			if got := deviationTexts(f.Deviations); !reflect.DeepEqual(got, x.want) {
				t.Errorf("deviations\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(x.want, "\n"))
			}
			want := mustRead(t, text).Spectrum
			if x.change != nil {
				x.change(&want)
			}
			if err := sameSpectrum(f.Spectrum, want); err != nil {
				t.Error(err)
			}
			checkRoundTrip(t, f)
		})
	}
}
