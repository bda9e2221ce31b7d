package msa

import (
	"errors"
	"fmt"
	"io"
	"strings"
)

// Read reads one spectral data file.
//
// It accepts the deviations that files have in practice and lists each in
// File.Deviations with its line, together with cautions about the data (live
// time missing, counts negative or not whole). The list is part of the
// evidence: it names every assumption, such as an energy unit that the file
// does not state. Of several spectra in a file the first is read.
//
// Errors are of type *ParseError. A text of another kind gives ErrNotSpectrum
// and a message that names what was found.
func Read(r io.Reader) (*File, error) {
	p := &parser{in: newLineScanner(r), dev: &collector{}}
	return p.file()
}

// Check reads one spectral data file strictly and returns every departure from
// the format, nil if there is none. It lists what Read lists, except cautions
// about data that the format allows, and in addition matters of layout: columns
// of keyword, unit tag, colon and value, codes, lengths.
//
// The error is that of Read; the departures found so far come with it, unless
// it is ErrNotSpectrum.
func Check(r io.Reader) ([]Deviation, error) {
	p := &parser{in: newLineScanner(r), dev: &collector{strict: true}}
	switch _, err := p.file(); {
	case errors.Is(err, ErrNotSpectrum):
		return nil, err
	case err != nil:
		return p.dev.finish(), err
	}
	return p.dev.list, nil
}

// parser reads one file.
type parser struct {
	in  *lineScanner
	dev *collector

	first    string // first line with text
	header   []Keyword
	between  []Keyword // keyword lines between the data lines
	trailer  []Keyword
	data     []dataLine
	bytes    int // of data
	spectrum int // line of #SPECTRUM or, without it, of the first data line
	implicit bool
	spectra  int // #FORMAT lines
	second   int // line of the second #FORMAT
	end      int // line of #ENDOFDATA, or of the line that stands for it; 0 at the end of the file
	lines    int // header lines
}

func (p *parser) file() (*File, error) {
	if what := foreignBytes(p.in.head()); what != "" {
		head := string(p.in.head())
		return nil, notSpectrum(1, strings.ToValidUTF8(head[:min(len(head), 8)], "\ufffd"), what)
	}
	if err := p.scan(); err != nil {
		return nil, err
	}
	p.in.reportEnds(p.dev)
	p.finishScan()
	f := &File{Header: p.header, Trailer: p.trailer}
	if err := p.interpret(f); err != nil {
		return nil, err
	}
	f.Deviations = p.dev.finish()
	return f, nil
}

// scan sorts the lines of the file into header, data and trailer.
func (p *parser) scan() error {
	for {
		raw, err := p.in.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			if p.end > 0 && errors.Is(err, ErrTooLarge) { // behind the spectrum: of no matter
				p.in.skipRest()
				break
			}
			return err
		}
		text := strings.Trim(raw, blanks)
		if text == "\x1a" { // Ctrl-Z, the end mark of old systems
			text = ""
		}
		if p.end > 0 {
			p.after(raw, text)
			continue
		}
		if err := p.line(raw, text); err != nil {
			return err
		}
	}
	switch {
	case p.first == "":
		return parseError(0, "", "", ErrNotSpectrum, "the file is empty; expected #FORMAT : "+formatText)
	case p.spectra == 0:
		return p.foreign(p.first)
	case p.spectrum == 0 && p.end == 0:
		return parseError(p.in.line, "", "", ErrTruncated, "the file ends within the header; #SPECTRUM and data lines expected")
	case p.spectrum == 0:
		return parseError(p.end, "ENDOFDATA", "", ErrNoData, "no data before the end mark; #SPECTRUM and data lines expected")
	}
	return nil
}

// foreign refuses a text of another kind, met at line.
func (p *parser) foreign(line string) error {
	return notSpectrum(1, p.first, foreignText(p.first, strings.Trim(line, blanks)))
}

// line takes one line up to the end mark.
func (p *parser) line(raw, text string) error {
	n := p.in.line
	if text == "" {
		p.dev.merge(n, "", "blank line")
		return nil
	}
	if p.first == "" {
		p.first = text
	}
	if strings.IndexByte(text, 0) >= 0 {
		return parseError(n, "", "", ErrNotSpectrum, "zero byte in the line: binary data; a spectral data file is plain text")
	}
	if text[0] != '#' {
		return p.plainLine(raw, text)
	}
	p.lines++
	if p.lines > maxHeaderLines {
		return parseError(n, "", "", ErrTooLarge, fmt.Sprintf("more than %d header lines", maxHeaderLines))
	}
	k, l := parseKeyword(n, raw)
	switch name := k.Standard(); {
	case name == "FORMAT" && p.spectrum > 0:
		p.spectra++
		p.second, p.end = n, n
		return nil
	case name == "FORMAT":
		p.spectra++
		if !isFormat(k.Value) {
			return parseError(n, "FORMAT", k.Value, ErrNotSpectrum, fmt.Sprintf("value %q; expected %q", shorten(k.Value), formatText))
		}
		p.header = append(p.header, k)
	case name == "SPECTRUM":
		if p.spectrum > 0 && !p.implicit {
			p.dev.add(n, "SPECTRUM", "repeated between the data lines; ignored")
			return nil
		}
		if p.spectra == 0 {
			return p.foreign(p.first)
		}
		p.restart(n)
		p.header = append(p.header, k)
	case name == "ENDOFDATA":
		p.end = n
		p.trailer = append(p.trailer, k)
	case name == "CHECKSUM":
		p.dev.add(n, "CHECKSUM", "before #ENDOFDATA; it must be the last line")
		p.trailer = append(p.trailer, k)
	case p.spectrum > 0:
		p.between = append(p.between, k)
	default:
		p.header = append(p.header, k)
	}
	checkLayout(k, l, raw, p.dev)
	return nil
}

// isFormat reports whether the value of FORMAT names this format, if need be
// in other words.
func isFormat(value string) bool {
	v := strings.ToLower(value)
	for _, words := range []string{"emsa", "spectral data file", "22029"} {
		if strings.Contains(v, words) {
			return true
		}
	}
	return false
}

// plainLine takes a line that does not begin with '#'.
func (p *parser) plainLine(raw, text string) error {
	n := p.in.line
	if p.spectra == 0 {
		return p.foreign(text)
	}
	if p.spectrum == 0 {
		if !rowOfNumber.MatchString(text) {
			p.lines++
			if p.lines > maxHeaderLines {
				return parseError(n, "", "", ErrTooLarge, fmt.Sprintf("more than %d header lines", maxHeaderLines))
			}
			p.dev.merge(n, "", "header line without '#'; ignored")
			return nil
		}
		p.spectrum, p.implicit = n, true
	}
	if p.bytes += len(text) + 1; p.bytes > maxDataBytes || len(p.data) == maxDataLines {
		return parseError(n, "", "", ErrTooLarge, fmt.Sprintf("more than 64 MiB or %d lines of data", maxDataLines))
	}
	if !ascii(raw) {
		p.dev.merge(n, "", "characters outside 7-bit ASCII")
	}
	p.data = append(p.data, dataLine{n, text})
	return nil
}

// restart begins the data block at #SPECTRUM. Lines of numbers before it were
// no data.
func (p *parser) restart(n int) {
	for _, l := range p.data {
		p.dev.merge(l.line, "", "header line without '#'; ignored")
	}
	p.header = append(p.header, p.between...)
	p.data, p.between, p.bytes = nil, nil, 0
	p.spectrum, p.implicit = n, false
}

// after takes a line behind the end mark: only a checksum belongs there.
func (p *parser) after(raw, text string) {
	if text == "" {
		return
	}
	if text[0] == '#' {
		k, l := parseKeyword(p.in.line, raw)
		switch k.Standard() {
		case "FORMAT":
			if p.spectra++; p.second == 0 {
				p.second = p.in.line
			}
			return
		case "CHECKSUM":
			if p.second == 0 && len(p.trailer) == 1 {
				p.trailer = append(p.trailer, k)
				checkLayout(k, l, raw, p.dev)
				return
			}
		}
	}
	if p.second == 0 {
		p.dev.merge(p.in.line, "", "text after #ENDOFDATA; ignored")
	}
}

// finishScan settles what is known only after the last line.
func (p *parser) finishScan() {
	if p.implicit {
		p.dev.add(p.spectrum, "SPECTRUM", "keyword missing before the data")
	}
	for _, k := range p.between {
		p.dev.add(k.Line, k.Standard(), "keyword line between the data lines; kept as part of the header")
	}
	p.header = insertBeforeSpectrum(p.header, p.between...)
	if p.second > 0 {
		p.dev.add(p.second, "FORMAT", "another spectrum begins; the file holds %d, only the first is read", p.spectra)
	}
}

// interpret turns header and data into the spectrum.
func (p *parser) interpret(f *File) error {
	checkHeader(p.header, p.spectrum, p.dev)
	v := readHeader(p.header, p.spectrum, p.dev)
	f.Version = v.version
	if n := v.points.raw(); n > maxPoints {
		return parseError(v.points.keyword.Line, "NPOINTS", v.points.text, ErrTooLarge,
			fmt.Sprintf("header says %s values; at most %d are read", shorten(v.points.text), maxPoints))
	}
	if v.axis == axisOther {
		return parseError(v.xunits.Line, "XUNITS", v.xunits.Value, ErrUnit,
			fmt.Sprintf("%q is not an energy unit; eV, keV or MeV expected", shorten(v.xunits.Value)))
	}
	b, err := readBlock(p.data, p.dev)
	if err != nil {
		return err
	}
	if len(b.tokens) == 0 {
		if p.end == 0 {
			return parseError(p.in.line, "", "", ErrTruncated, "the file ends before its first data value")
		}
		return parseError(p.end, "", "", ErrNoData, "no data values between #SPECTRUM and the end mark")
	}
	t, err := p.arrangement(&v, b)
	foundPairs := err == nil && t == DataXY && v.dataType == DataY
	if l := b.decimalCommas(&v); l != nil && !foundPairs {
		return decimalComma(l.line, l.text)
	}
	if err != nil {
		return err
	}
	b.checkColumns(&v, t, p.dev)

	var xs, ys []token
	if t == DataXY {
		if xs, ys, err = p.pairs(&v, b); err != nil {
			return err
		}
	} else {
		ys = b.tokens
	}
	if len(ys) > maxPoints {
		return tooManyPoints(ys[maxPoints].line)
	}
	p.checkPoints(&v, t, len(ys))
	f.Spectrum.Title = v.title
	f.Spectrum.Conditions = v.conditions()
	f.Spectrum.Counts = make([]float64, len(ys))
	for i, y := range ys {
		f.Spectrum.Counts[i], _ = parseNumber(y.text, 0) // checked by readBlock
	}
	if f.Spectrum.Calibration, f.X, err = p.energyScale(&v, xs); err != nil {
		return err
	}
	cautionCounts(f.Spectrum.Counts, func(i int) int { return ys[i].line }, p.dev)
	cautionHeader(p.header, &v, f.Spectrum, p.spectrum, p.dev)
	return nil
}

// at returns the line of k, or that of #SPECTRUM if k is not in the file.
func (p *parser) at(k Keyword) int {
	if k.Line > 0 {
		return k.Line
	}
	return p.spectrum
}
