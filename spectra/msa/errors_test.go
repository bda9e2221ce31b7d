package msa

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
)

// errorTests holds texts that Read refuses: the edit of the example, the cause
// and the whole message.
var errorTests = []struct {
	name  string
	edit  func(t *testing.T, text string) string
	cause error
	want  string
}{
	// Files of another kind.
	{"empty", is(""), ErrNotSpectrum, `msa: the file is empty; expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"blank", is("\n \n\t\n"), ErrNotSpectrum, `msa: the file is empty; expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"pixmap", is("P6\n2 2\n255\n....."), ErrNotSpectrum, `msa: line 1: starts with "P6" (a portable pixmap image); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"binary", is("\x7fELF\x02\x00\x00"), ErrNotSpectrum, `msa: line 1: starts with "\x7fELF\x02\x00\x00" (binary data); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"PNG", is("\x89PNG\r\n\x1a\n\x00\x00"), ErrNotSpectrum, `msa: line 1: starts with "�PNG\r\n\x1a\n" (a PNG image); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"NumPy", is("\x93NUMPY\x01\x00"), ErrNotSpectrum, `msa: line 1: starts with "�NUMPY\x01\x00" (a NumPy array); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"NRRD", is("NRRD0003\n"), ErrNotSpectrum, `msa: line 1: starts with "NRRD0003" (an NRRD array); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"UTF-16", is("\xFF\xFE#\x00F\x00"), ErrNotSpectrum, `msa: line 1: starts with "�#\x00F\x00" (UTF-16 text; save it as plain ASCII text); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"HTML", is("<!DOCTYPE html>\n<html>"), ErrNotSpectrum, `msa: line 1: starts with "<!DOCTYPE html>" (an HTML page); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"JSON", is("{\"a\": 1}"), ErrNotSpectrum, `msa: line 1: starts with "{\"a\": 1}" (JSON or a settings file); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"CSV", is("energy_ev,counts\n1200,60\n"), ErrNotSpectrum, `msa: line 1: starts with "energy_ev,counts" (a table of separated columns; ReadCSV reads one or two columns); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"CSV with comments", is("# live_time_s: 5\nchannel,counts\n0,1\n"), ErrNotSpectrum, `msa: line 1: starts with "# live_time_s: 5" (a table of separated columns; ReadCSV reads one or two columns); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"numbers", is("1 2 3\n4 5 6\n"), ErrNotSpectrum, `msa: line 1: starts with "1 2 3" (a table of numbers without header; ReadCSV reads one or two columns); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"prose", is("Dear all, here is the spectrum.\n"), ErrNotSpectrum, `msa: line 1: starts with "Dear all, here is the spectrum." (plain text); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"EMMPDL", is("#TITL    : NiO\n#BEAM-keV: 100\n1.0,2.0\n"), ErrNotSpectrum, `msa: line 1: starts with "#TITL    : NiO" (EMMPDL, the predecessor of the format); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"no #FORMAT", replace("#FORMAT      : EMSA/MAS Spectral Data File\n", ""), ErrNotSpectrum, `msa: line 1: starts with "#VERSION     : 1.0" (plain text); expected #FORMAT : EMSA/MAS Spectral Data File`},
	{"another #FORMAT", replace("EMSA/MAS Spectral Data File", "JCAMP"), ErrNotSpectrum, `msa: line 1: FORMAT: value "JCAMP"; expected "EMSA/MAS Spectral Data File"`},
	{"zero byte", replace("03-FEB", "03\x00FEB"), ErrNotSpectrum, `msa: line 4: zero byte in the line: binary data; a spectral data file is plain text`},

	// Nothing to read.
	{"ends in the header", cutAt("#DATATYPE"), ErrTruncated, `msa: line 10: the file ends within the header; #SPECTRUM and data lines expected`},
	{"ends before the data", cutAt("60, 60"), ErrTruncated, `msa: line 30: the file ends before its first data value`},
	{"no data", dataOf(""), ErrNoData, `msa: line 32: no data values between #SPECTRUM and the end mark`},
	{"no data block", replace("#SPECTRUM    : Spectral data start on the next line\n"+exampleData+"\n", ""), ErrNoData, `msa: line 30: ENDOFDATA: no data before the end mark; #SPECTRUM and data lines expected`},

	{"ends within the first pair", func(t *testing.T, s string) string { return cutAt(" 60, 59")(t, replace(pairs...)(t, s)) }, ErrTruncated,
		`msa: line 31: the file ends before its first pair of data values`},

	// Numbers.
	{"overflow in eV", dataOf(strings.Replace(xyData(", ", kevX), "1.98,", "1e308,", 1), append([]string{": eV", ": keV", ": 20.0", ": 0.02", ": 1200.0", ": 1.2"}, pairs...)...), ErrNumber,
		`msa: line 70: value "1e308" is not a number; digits, sign, point and E exponent expected`},
	{"NaN in the data", dataOf(strings.Replace(exampleData, "123", "NaN", 1)), ErrNumber, `msa: line 33: value "NaN" is not a number; digits, sign, point and E exponent expected`},
	{"Inf in the data", dataOf(strings.Replace(exampleData, "123", "-inf", 1)), ErrNumber, `msa: line 33: value "-inf" is not a number; digits, sign, point and E exponent expected`},
	{"hexadecimal", dataOf(strings.Replace(exampleData, "123", "0x10", 1)), ErrNumber, `msa: line 33: value "0x10" is not a number; digits, sign, point and E exponent expected`},
	{"hexadecimal float", dataOf(strings.Replace(exampleData, "123", "0x1p4", 1)), ErrNumber, `msa: line 33: value "0x1p4" is not a number; digits, sign, point and E exponent expected`},
	{"underscore", dataOf(strings.Replace(exampleData, "123", "1_000", 1)), ErrNumber, `msa: line 33: value "1_000" is not a number; digits, sign, point and E exponent expected`},
	{"too large a number", dataOf(strings.Replace(exampleData, "123", "1e999", 1)), ErrNumber, `msa: line 33: value "1e999" is not a number; digits, sign, point and E exponent expected`},
	{"words in the data", dataOf(strings.Replace(exampleData, "123", "none", 1)), ErrNumber, `msa: line 33: value "none" is not a number; digits, sign, point and E exponent expected`},
	{"OFFSET no number", replace(": 1200.0", ": 12x0.0"), ErrNumber, `msa: line 13: OFFSET: value "12x0.0" is not a number in the x unit; the energy scale needs it`},
	{"XPERCHAN NaN", replace(": 20.0", ": NaN"), ErrNumber, `msa: line 12: XPERCHAN: value "NaN" is not a number in the x unit; the energy scale needs it`},
	{"odd XY line", dataOf(strings.Replace(xyData(", ", evX), "1240, 59", "1240, 59, 7", 1), pairs...), ErrArrangement, `msa: line 33: line "1240, 59, 7" of an XY file holds 3 numbers; pairs x, y expected`},

	{"channels and counts called Y", dataOf(xyData(", ", func(i int) string { return formatNumber(float64(i), 0) }), ": 5.\n", ": 2.\n"), ErrArrangement,
		`msa: line 11: DATATYPE: header says Y and 40 points, but there are as many lines of two numbers and the first is not OFFSET + i·XPERCHAN; Y or XY data expected`},
	// Decimal commas.
	{"decimal commas, one a line", dataOf(strings.ReplaceAll(strings.ReplaceAll(exampleData, ", ", "\n"), "\n", ",0\n")+",0", ": 5.\n", ": 1.\n"), ErrDecimalComma,
		`msa: line 31: commas inside the numbers of "60,0" cannot be told from separators; write decimal points`},
	{"decimal commas, semicolons", dataOf(strings.ReplaceAll(strings.ReplaceAll(exampleData, ", ", ",0;"), "\n", ",0\n") + ",0"), ErrDecimalComma,
		`msa: line 31: commas inside the numbers of "60,0;60,0;59,0;59,0;58,0" cannot be told from separators; write decimal points`},
	{"decimal commas in XY", dataOf(xyData(", ", func(i int) string { return strings.Replace(kevX(i), ".", ",", 1) }), append([]string{": eV", ": keV", ": 20.0", ": 0,02", ": 1200.0", ": 1,2"}, pairs...)...), ErrDecimalComma,
		`msa: line 31: commas inside the numbers of "1,2, 60" cannot be told from separators; write decimal points`},
	{"decimal commas without NPOINTS", dataOf("60,0 59,5 58,0", "#NPOINTS     : 40.\n", ""), ErrDecimalComma,
		`msa: line 30: commas inside the numbers of "60,0 59,5 58,0" cannot be told from separators; write decimal points`},

	// Energy scale.
	{"wavelengths", replace(": eV", ": nm"), ErrUnit, `msa: line 9: XUNITS: "nm" is not an energy unit; eV, keV or MeV expected`},
	{"Angstrom", replace(": eV", ": \xC5"), ErrUnit, `msa: line 9: XUNITS: "Å" is not an energy unit; eV, keV or MeV expected`},
	{"irregular x", dataOf(strings.Replace(xyData(", ", evX), "1400,", "1411,", 1), pairs...), ErrSpacing,
		`msa: line 41: x = 1411 eV is 0.55 channels off the straight line through the first and last x; equally spaced energies expected`},
	{"descending x", dataOf(xyData(", ", func(i int) string { return evX(-i) }), pairs...), ErrSpacing,
		`msa: line 31: x runs from 1200 to 420 eV; ascending energies expected`},

	// Limits.
	{"NPOINTS over the limit", replace(": 40.", ": 1048577"), ErrTooLarge, `msa: line 7: NPOINTS: header says 1048577 values; at most 1048576 are read`},
	{"long line", replace("Example lab", strings.Repeat("x", 64<<10)), ErrTooLarge, `msa: line 6: line is longer than 64 KiB; a spectral data file has short lines`},
	{"many header lines", replace("#OWNER", strings.Repeat("##X: 1\n", 10_000)+"#OWNER"), ErrTooLarge, `msa: line 10001: more than 10000 header lines`},
}

// is returns an edit that replaces the whole text.
func is(text string) func(*testing.T, string) string {
	return func(*testing.T, string) string { return text }
}

// cutAt returns an edit that ends the text before mark.
func cutAt(mark string) func(*testing.T, string) string {
	return func(_ *testing.T, text string) string { return text[:strings.Index(text, mark)] }
}

func TestReadErrors(t *testing.T) {
	text := twoPeak(t)
	for _, x := range errorTests {
		t.Run(x.name, func(t *testing.T) {
			edited := x.edit(t, text)
			f, err := Read(strings.NewReader(edited))
			if err == nil {
				t.Fatalf("Read accepts it: %+v", f)
			}
			var parse *ParseError
			if !errors.Is(err, x.cause) || !errors.As(err, &parse) {
				t.Errorf("error %#v, want a *ParseError with cause %v", err, x.cause)
			}
			if err.Error() != x.want {
				t.Errorf("error\n%s\nwant\n%s", err, x.want)
			}
			if _, err := Check(strings.NewReader(edited)); !errors.Is(err, x.cause) {
				t.Errorf("Check gives %v, want %v", err, x.cause)
			}
		})
	}
}

// The parts of a ParseError stand in its fields too.
func TestParseErrorFields(t *testing.T) {
	_, err := Read(strings.NewReader(replace(": 1200.0", ": 12x0.0")(t, twoPeak(t))))
	var e *ParseError
	if !errors.As(err, &e) || e.Line != 13 || e.Keyword != "OFFSET" || e.Value != "12x0.0" {
		t.Errorf("%#v", e)
	}
}

// A failing reader gives its own error, with the line.
func TestReadReaderError(t *testing.T) {
	broken := errors.New("disk on fire")
	r := io.MultiReader(strings.NewReader("#FORMAT      : EMSA/MAS Spectral Data File\n#VER"), iotest.ErrReader(broken))
	_, err := Read(r)
	if !errors.Is(err, broken) || err.Error() != "msa: line 2: disk on fire" {
		t.Errorf("error %v", err)
	}
}

// endless is a text without end; reads counts what was taken from it.
type endless struct {
	head, body string
	reads      int
}

func (e *endless) Read(p []byte) (int, error) {
	if e.head != "" {
		n := copy(p, e.head)
		e.head = e.head[n:]
		return n, nil
	}
	n := 0
	for n+len(e.body) <= len(p) {
		n += copy(p[n:], e.body)
	}
	e.reads += n
	return n, nil
}

// Hostile texts end in ErrTooLarge after a bounded amount of input.
func TestReadLimits(t *testing.T) {
	header := strings.Split(twoPeak(t), "60, 60")[0]
	for _, x := range []struct {
		name, head, body string
		limit            int // bytes
	}{
		{"line", "#FORMAT", "x", 128 << 10},
		{"header", "#FORMAT : EMSA/MAS Spectral Data File\n", "#COMMENT : x\n", 256 << 10},
		{"header without #", "#FORMAT : EMSA/MAS Spectral Data File\n", "plain\n", 256 << 10},
		{"values", header, "1\n", 4<<20 + 8<<10},
		{"values in long lines", header, strings.Repeat("1,", 1000) + "\n", 64<<20 + 128<<10},
		{"separators", header, strings.Repeat(",", 1000) + "\n", 64<<20 + 128<<10},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := &endless{head: x.head, body: x.body}
			if _, err := Read(r); !errors.Is(err, ErrTooLarge) {
				t.Errorf("error %v, want ErrTooLarge", err)
			}
			if r.reads > x.limit {
				t.Errorf("%d bytes read, limit %d", r.reads, x.limit)
			}
		})
	}
}

// A deviation on many lines stays one entry of bounded length.
func TestDeviationsAreBounded(t *testing.T) {
	var b strings.Builder
	for i := range 100_000 {
		if i%2 == 0 {
			b.WriteString("1,\n")
		} else {
			b.WriteString("1\n")
		}
	}
	f := mustRead(t, dataOf(strings.TrimSuffix(b.String(), "\n"), ": 40.", ": 100000.", ": 5.\n", ": 1.\n")(t, twoPeak(t)))
	if len(f.Deviations) != 1 || len(f.Deviations[0].Message) > 400 {
		t.Errorf("%d deviations: %.600v", len(f.Deviations), f.Deviations)
	}
	want := fmt.Sprintf("and %d more", 50_000-maxRanges)
	if !strings.HasSuffix(f.Deviations[0].Message, want) {
		t.Errorf("message %q, want it to end in %q", f.Deviations[0].Message, want)
	}
}
