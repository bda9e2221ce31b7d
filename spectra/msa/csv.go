package msa

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"

	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// csvFormat is the number that WriteCSV gives its tables as fleck_format.
const csvFormat = 1

// csvExpected names what ReadCSV accepts.
const csvExpected = `a table with the columns "energy_ev,counts", "channel,counts" or "counts"`

// WriteCSV writes s as a table of the columns energy_ev and counts, preceded by
// lines "# name: value" for title, conditions and energy scale, as far as they
// are stated. A spectrum without energy scale gets the columns channel and
// counts. ReadCSV reads the same spectrum back; angles may differ by one part
// in 10^15.
func WriteCSV(w io.Writer, s spectra.Spectrum) error {
	f := FromSpectrum(s)
	o := output{}
	if err := checkSpectrum(s); err != nil {
		return err
	}
	if strings.ContainsAny(s.Title, "\r\n\x00") {
		return fmt.Errorf("msa: write: title %q holds a line break or a zero byte", shorten(s.Title))
	}
	bw := bufio.NewWriter(w)
	fmt.Fprintf(bw, "# fleck_format: %d\n", csvFormat)
	if title := strings.Trim(s.Title, blanks); title != "" {
		fmt.Fprintf(bw, "# title: %s\n", title)
	}
	number := func(name string, v float64, text string) {
		if v != 0 {
			fmt.Fprintf(bw, "# %s: %s\n", name, text)
		}
	}
	number("beam_kev", s.BeamEnergy.EV(), formatNumber(s.BeamEnergy.EV(), -3))
	number("takeoff_deg", s.TakeOff.Radians(), formatDegrees(s.TakeOff))
	number("tilt_deg", s.Tilt.Radians(), formatDegrees(s.Tilt))
	number("live_time_s", s.LiveTimeS, formatNumber(s.LiveTimeS, 0))
	number("real_time_s", s.RealTimeS, formatNumber(s.RealTimeS, 0))
	number("probe_current_na", s.ProbeCurrentNA, formatNumber(s.ProbeCurrentNA, 0))
	x := func(i int) string { return fmt.Sprint(i) }
	if s.Calibration.Valid() {
		fmt.Fprintf(bw, "# offset_ev: %s\n# gain_ev: %s\n", formatNumber(s.OffsetEV, 0), formatNumber(s.GainEV, 0))
		f.X = nil
		o.dataType = DataXY
		var err error
		if x, err = o.xColumn(f); err != nil {
			return err
		}
		bw.WriteString("energy_ev,counts\n")
	} else {
		bw.WriteString("channel,counts\n")
	}
	for i, n := range s.Counts {
		bw.WriteString(x(i))
		bw.WriteByte(',')
		bw.WriteString(formatNumber(n, 0))
		bw.WriteByte('\n')
	}
	return bw.Flush()
}

// ReadCSV reads a table of one spectrum: the columns energy_ev (or energy_kev)
// and counts, channel and counts, or counts alone, in any order, with or
// without a header line. Lines that begin with '#' are comments; those of the
// form "# name: value" with the names that WriteCSV writes are read, the others
// become COMMENT keywords. Semicolons and tabs are accepted as separators.
// File.X is set only if the energies are not equally spaced.
//
// A table without energies gives a zero Calibration and a deviation, unless
// offset_ev and gain_ev are stated. File.Header is that of FromSpectrum, so
// that Write can turn the table into a spectral data file.
//
// Errors are those of Read.
func ReadCSV(r io.Reader) (*File, error) {
	t := &csvTable{in: newLineScanner(r), dev: &collector{}, named: map[string]quantity{}}
	if what := foreignBytes(t.in.head()); what != "" {
		head := string(t.in.head())
		return nil, t.foreign(1, strings.ToValidUTF8(head[:min(len(head), 8)], "\ufffd"), what)
	}
	if err := t.scan(); err != nil {
		return nil, err
	}
	t.in.reportEnds(t.dev)
	return t.file()
}

// csvColumn is what a column holds.
type csvColumn uint8

const (
	csvNone csvColumn = iota
	csvCounts
	csvChannel
	csvEnergy  // in 10^exponent eV
	csvUnnamed // a first column without name: channels or energies
)

// csvTable is a table being read.
type csvTable struct {
	in  *lineScanner
	dev *collector

	title    string
	named    map[string]quantity // numbers of "# name: value"
	comments []Keyword
	columns  []csvColumn
	exponent int
	sep      string
	header   int // line of the column names, or of the first row
	xs, ys   []token
}

func (t *csvTable) foreign(line int, first, what string) error {
	return parseError(line, "", first, ErrNotSpectrum,
		fmt.Sprintf("starts with %q (%s); expected %s", shorten(first), what, csvExpected))
}

func (t *csvTable) scan() error {
	comments := 0
	for {
		raw, err := t.in.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		n, text := t.in.line, strings.Trim(raw, blanks)
		switch {
		case strings.IndexByte(text, 0) >= 0:
			return parseError(n, "", "", ErrNotSpectrum, "zero byte in the line: binary data; expected "+csvExpected)
		case text == "":
			t.dev.merge(n, "", "blank line")
		case text[0] == '#':
			if comments++; comments > maxHeaderLines {
				return parseError(n, "", "", ErrTooLarge, fmt.Sprintf("more than %d comment lines", maxHeaderLines))
			}
			if err := t.comment(n, text); err != nil {
				return err
			}
		case t.columns == nil:
			if err := t.columnNames(n, text); err != nil {
				return err
			}
		default:
			if err := t.row(n, text); err != nil {
				return err
			}
		}
	}
	if t.columns == nil {
		return parseError(0, "", "", ErrNotSpectrum, "the file holds no table; expected "+csvExpected)
	}
	if len(t.ys) == 0 {
		return parseError(t.header, "", "", ErrNoData, "no rows below the column names")
	}
	return nil
}

// csvNames are the names read from comment lines, with the power of ten of
// their unit: beam_kev is read in eV.
var csvNames = map[string]int{
	"fleck_format": 0, "beam_kev": 3, "takeoff_deg": 0, "tilt_deg": 0, "live_time_s": 0,
	"real_time_s": 0, "probe_current_na": 0, "offset_ev": 0, "gain_ev": 0,
}

// comment takes a line that begins with '#'.
func (t *csvTable) comment(n int, text string) error {
	body := strings.Trim(text[1:], blanks)
	name, value, _ := strings.Cut(body, ":")
	name, value = strings.ToLower(strings.Trim(name, blanks)), strings.Trim(value, blanks)
	exponent, known := csvNames[name]
	_, repeated := t.named[name]
	switch {
	case name == "format":
		return t.foreign(n, text, "a spectral data file; Read reads it")
	case name == "title" && t.title == "":
		t.title = value
	case known && repeated:
		t.dev.add(n, "", "%s repeated; the first value is used", name)
	case known:
		v, ok := parseNumber(value, exponent)
		if !ok {
			if name == "fleck_format" || name == "offset_ev" || name == "gain_ev" {
				return parseError(n, "", value, ErrNumber, fmt.Sprintf("%s: value %q is not a number", name, shorten(value)))
			}
			t.dev.add(n, "", "%s: value %q is not a number; not used", name, shorten(value))
			t.named[name] = quantity{present: true}
			return nil
		}
		if name == "fleck_format" && v > csvFormat {
			return parseError(n, "", value, ErrNewerFormat, fmt.Sprintf("fleck_format %s is newer than %d, the newest that is read", shorten(value), csvFormat))
		}
		t.named[name] = quantity{present: true, ok: true, text: plainNumber(value), unit: unit{exponent: exponent}, keyword: Keyword{Line: n}}
	case body != "":
		t.comments = append(t.comments, Keyword{Line: n, Name: "COMMENT", Value: body})
	}
	return nil
}

// value returns a number of the comment lines in base units, 0 without it.
func (t *csvTable) value(name string) float64 { return t.named[name].in(0) }

// columnNames takes the first line that is no comment: column names or, without
// them, the first row.
func (t *csvTable) columnNames(n int, text string) error {
	t.sep = ","
	for _, sep := range []string{";", "\t"} {
		if strings.Contains(text, sep) {
			t.sep = sep
			t.dev.add(n, "", "columns separated by %q; commas expected", sep)
			break
		}
	}
	t.header = n
	fields := t.fields(text)
	if len(fields) > 2 {
		return parseError(n, "", text, ErrNotSpectrum, fmt.Sprintf("%d columns; expected %s", len(fields), csvExpected))
	}
	numbers := true
	for _, f := range fields {
		if _, ok := parseNumber(f, 0); !ok {
			numbers = false
		}
	}
	if numbers {
		t.dev.add(n, "", "no line of column names")
		t.columns = []csvColumn{csvCounts}
		if len(fields) == 2 {
			t.columns = []csvColumn{csvUnnamed, csvCounts}
		}
		return t.row(n, text)
	}
	for _, f := range fields {
		c, exponent := csvName(f)
		if c == csvEnergy {
			t.exponent = exponent
		}
		t.columns = append(t.columns, c)
	}
	counts, other := 0, 0
	for _, c := range t.columns {
		switch c {
		case csvCounts:
			counts++
		case csvNone:
			if kind := foreignKind(text); kind != "" {
				return t.foreign(n, text, kind)
			}
			return t.badNames(n, text)
		default:
			other++
		}
	}
	if counts != 1 || other > 1 {
		return t.badNames(n, text)
	}
	return nil
}

func (t *csvTable) badNames(n int, text string) error {
	return parseError(n, "", text, ErrNotSpectrum, fmt.Sprintf("column names %q; expected %s", shorten(text), csvExpected))
}

// csvName returns what a column of that name holds, and the power of ten of an
// energy.
func csvName(name string) (csvColumn, int) {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return strings.ContainsRune(" _()[]/-", r) })
	for _, w := range words {
		switch w {
		case "counts", "count", "cts":
			return csvCounts, 0
		case "channel", "channels", "ch":
			return csvChannel, 0
		}
	}
	for _, w := range words {
		if u, ok := units[dimEnergy][w]; ok {
			return csvEnergy, u.exponent
		}
	}
	return csvNone, 0
}

// fields splits a row and strips quotation marks.
func (t *csvTable) fields(text string) []string {
	fields := strings.Split(text, t.sep)
	for i, f := range fields {
		f = strings.Trim(f, blanks)
		if len(f) >= 2 && f[0] == '"' && f[len(f)-1] == '"' {
			f = strings.Trim(f[1:len(f)-1], blanks)
		}
		fields[i] = f
	}
	return fields
}

// row takes one row of numbers.
func (t *csvTable) row(n int, text string) error {
	fields := t.fields(text)
	if len(fields) != len(t.columns) {
		sentinel := ErrNumber
		if strings.Contains(text, ",") && t.sep == "," && len(fields) == 2*len(t.columns) {
			sentinel = ErrDecimalComma
		}
		return parseError(n, "", text, sentinel, fmt.Sprintf("row %q has %d columns; %d expected, with decimal points", shorten(text), len(fields), len(t.columns)))
	}
	for i, f := range fields {
		if _, ok := parseNumber(f, 0); !ok {
			if strings.Contains(f, ",") {
				return decimalComma(n, text)
			}
			return notNumber(token{n, f})
		}
		if t.columns[i] == csvCounts {
			t.ys = append(t.ys, token{n, f})
		} else {
			t.xs = append(t.xs, token{n, f})
		}
	}
	if len(t.ys) > maxPoints {
		return tooManyPoints(n)
	}
	return nil
}

// file builds the File of the rows read.
func (t *csvTable) file() (*File, error) {
	s := spectra.Spectrum{
		Title: t.title,
		Conditions: spectra.Conditions{
			BeamEnergy:     xray.Energy(t.value("beam_kev")),
			TakeOff:        xray.Angle(t.value("takeoff_deg")) * xray.Degree,
			Tilt:           xray.Angle(t.value("tilt_deg")) * xray.Degree,
			LiveTimeS:      t.value("live_time_s"),
			RealTimeS:      t.value("real_time_s"),
			ProbeCurrentNA: t.value("probe_current_na"),
		},
		Counts: make([]float64, len(t.ys)),
	}
	for i, y := range t.ys {
		s.Counts[i], _ = parseNumber(y.text, 0) // checked by row
	}
	var x []float64
	var err error
	if s.Calibration, x, err = t.scale(); err != nil {
		return nil, err
	}
	cautionCounts(s.Counts, func(i int) int { return t.ys[i].line }, t.dev)
	cautionTimes(t.named["live_time_s"], t.named["real_time_s"], t.header, t.dev)
	f := FromSpectrum(s)
	if f.X = x; x != nil {
		f.Set("DATATYPE", string(DataXY))
		f.Set("NCOLUMNS", "1.")
	}
	f.Header = insertBeforeSpectrum(f.Header, t.comments...)
	f.Deviations = t.dev.finish()
	return f, nil
}
