package msa

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"

	"example.org/fleck/spectra"
)

// WriteOptions are the choices of Write. The zero value keeps what the file
// had, and gives version 1.0 and Y data for a fresh one.
type WriteOptions struct {
	// Version is Version1 or Version2; "" keeps File.Version, or is Version1 if
	// that is empty. Version 1.0 is the one that most programs read.
	Version string
	// DataType is DataY or DataXY; "" means XY if File.X is set, otherwise Y.
	DataType DataType
	// Columns is the number of values or pairs per line, 1 to 5. 0 keeps NCOLUMNS
	// of the header if it is in that range, otherwise means 5 for Y and 1 for XY.
	Columns int
}

// FromSpectrum returns a fresh file that holds s. DATE, TIME and OWNER are
// empty; see File.Set. ELEVANGLE is written for the take-off angle and
// XTILTSTGE for the tilt. Conditions that are zero are not stated.
func FromSpectrum(s spectra.Spectrum) *File {
	f := &File{
		Spectrum: s,
		Trailer:  []Keyword{{Name: "ENDOFDATA", Value: endText}},
		Version:  Version1,
	}
	for _, name := range requiredHeader {
		k := Keyword{Name: name}
		switch name {
		case "YUNITS":
			k.Value = "counts"
		case "SPECTRUM":
			f.Header = append(f.Header, Keyword{Name: "SIGNALTYPE", Value: "EDS"})
			k.Value = spectrumText
		}
		f.Header = append(f.Header, k)
	}
	o := output{header: f.Header}
	if !s.Calibration.Valid() {
		o.setChannels()
	}
	o.setSpectrum(s)
	o.set("FORMAT", formatText)
	o.set("VERSION", Version1)
	o.set("DATATYPE", string(DataY))
	o.setCount("NPOINTS", len(s.Counts))
	o.setCount("NCOLUMNS", defaultColumns(DataY))
	f.Header = o.header
	return f
}

// Texts of the lines that carry free text.
const (
	spectrumText = "Spectral data start on the next line"
	endText      = "End of data"
)

func defaultColumns(t DataType) int {
	if t == DataXY {
		return 1
	}
	return 5
}

// Write writes f in the canonical layout: keyword field of 12 characters, unit
// tag at its right end, colon in position 14, value from position 16, lines
// ended by LF.
//
// Spectrum is what counts. A header value that means the same keeps its text;
// one that does not (NPOINTS after channels were cut, LIVETIME after it was
// corrected) is replaced, a keyword that is not there is added, and one whose
// condition is no longer stated is left out. All other keywords, also those
// unknown to the format, are kept in order. FORMAT and VERSION come first;
// required keywords that are missing are added empty; CHECKSUM is left out.
// Keywords of the format get their standard spelling, numbers a decimal point
// and an E exponent.
//
// Counts and energies are the shortest texts that read back exactly, whole
// counts without a point. The x column of an XY file is File.X as long as
// Spectrum has its energy scale, otherwise computed from the scale. Angles that
// did not come from a file may differ by one part in 10^15. Text outside 7-bit
// ASCII is written as UTF-8, which is a deviation.
//
// Counts that are NaN or infinite, values that hold a line break, more than
// 2^20 channels and unknown options are errors.
func Write(w io.Writer, f *File, opt WriteOptions) error {
	o := output{header: append([]Keyword(nil), f.Header...)}
	if err := o.resolve(f, opt); err != nil {
		return err
	}
	x, err := o.xColumn(f)
	if err != nil {
		return err
	}
	bw := bufio.NewWriter(w)
	for _, k := range o.header {
		if err := writeKeyword(bw, k); err != nil {
			return err
		}
	}
	counts := f.Spectrum.Counts
	for i, n := range counts {
		if x != nil {
			bw.WriteString(x(i))
			bw.WriteString(", ")
		}
		bw.WriteString(formatNumber(n, 0))
		if (i+1)%o.columns == 0 || i+1 == len(counts) {
			bw.WriteByte('\n')
		} else {
			bw.WriteString(", ")
		}
	}
	end := Keyword{Name: "ENDOFDATA", Value: endText}
	if k, found := lookup(f.Trailer, end.Name); found {
		end.Value = k.Value
	}
	if err := writeKeyword(bw, end); err != nil {
		return err
	}
	return bw.Flush()
}

// xColumn returns the texts of the x column, nil for Y data.
func (o *output) xColumn(f *File) (func(i int) string, error) {
	if o.dataType == DataY {
		return nil, nil
	}
	c := f.Spectrum.Calibration
	if len(f.X) == len(f.Spectrum.Counts) {
		for i, x := range f.X {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return nil, fmt.Errorf("msa: write: x of channel %d is %g; it must be finite", i, x)
			}
		}
		v := readHeader(f.Header, 0, nil)
		stated, _, ok := v.scale()
		if !c.Valid() || ok && c == stated || c == straight(f.X) {
			return func(i int) string { return formatNumber(f.X[i], -o.exponent) }, nil
		}
	}
	if !c.Valid() {
		return nil, fmt.Errorf("msa: write: XY data need an energy scale; offset is %g eV, gain %g eV per channel", c.OffsetEV, c.GainEV)
	}
	if last := c.Energy(float64(len(f.Spectrum.Counts) - 1)).EV(); math.IsInf(last, 0) {
		return nil, fmt.Errorf("msa: write: the energy of the last channel is not finite")
	}
	return func(i int) string { return formatAxis(c.Energy(float64(i)).EV(), c.GainEV, -o.exponent) }, nil
}

// writeKeyword writes one header line.
func writeKeyword(w *bufio.Writer, k Keyword) error {
	name, value := strings.Trim(k.Name, blanks), strings.Trim(k.Value, blanks)
	if strings.ContainsAny(name, ":\r\n\x00") || strings.ContainsAny(value, "\r\n\x00") || strings.ContainsAny(k.Unit, ":\r\n\x00") {
		return fmt.Errorf("msa: write: keyword %q, unit %q, value %q: line breaks, zero bytes and colons in a name cannot be written", shorten(name), shorten(k.Unit), shorten(value))
	}
	tag := k.Unit
	if info := lookupKeyword(name); info != nil && tag == "" {
		tag = info.unit
	}
	if tag != "" {
		tag = "-" + tag
	}
	line := "#" + name + strings.Repeat(" ", max(0, fieldWidth-width(name)-width(tag))) + tag + ": " + value + "\n"
	if len(line) > maxLineBytes {
		return fmt.Errorf("msa: write: keyword %q: line of %d bytes; at most %d", shorten(name), len(line), maxLineBytes)
	}
	_, err := w.WriteString(line)
	return err
}
