// Package msa reads, checks and writes spectral data files in the EMSA/MAS
// format, ISO 22029, and plain CSV tables of one spectrum.
//
// Read accepts what instruments really write and lists every deviation with
// its line; Check reports every departure from the format, down to the column
// of a colon; Write lays a file out by the book. ReadCSV and WriteCSV do the
// same for a table of energies and counts.
//
// Units inside: energies in eV, live and real time in s, beam voltage as
// landing energy in eV, angles in rad, probe current in nA. A file may use
// other units (keV, ms, pA, …); they are converted by shifting the decimal
// point of the text, so no rounding is added. OFFSET is the x value of the
// first data point and x(i) = OFFSET + i·XPERCHAN is taken as the centre of
// channel i; the format does not say whether it is the centre or the edge.
//
// Sources: R.F. Egerton, C.E. Fiori, J.A. Hunt, M.S. Isaacson, E.J. Kirkland,
// N.J. Zaluzec (1991), EMSA/MAS standard file format for spectral data
// exchange, version 1.0; ISO 22029:2003, 2012 and 2022. Only title and abstract
// of these texts were at hand: layout rules, keyword list, codes and limits in
// this package are values from memory, unverified, except the words of the
// FORMAT line. No limit that is in doubt makes Read fail.
//
// Not implemented: the CHECKSUM rule (kept on reading, never verified, never
// written), WDS and Auger keywords, files of several spectra beyond the first.
package msa

import (
	"fmt"
	"slices"
	"strings"

	"example.org/fleck/spectra"
)

// Versions of the format that Write knows.
const (
	Version1 = "1.0"       // 1991, ISO 22029:2003
	Version2 = "TC202v2.0" // ISO 22029:2012 and 2022
)

// File is one spectral data file: the spectrum and the header it came with.
type File struct {
	// Spectrum is what the file means. Negative and fractional counts are kept
	// as they stand, listed in Deviations and classified by spectra.CheckCounts.
	// The calibration is zero when the file states no energy scale.
	Spectrum spectra.Spectrum

	// Header holds the keywords in file order up to and including SPECTRUM.
	// Keywords that stood between the data lines come just before SPECTRUM.
	Header []Keyword

	// Trailer holds ENDOFDATA and CHECKSUM, as far as they were present.
	Trailer []Keyword

	// X is the x column of an XY file in eV (in channels if XUNITS says so), nil
	// for a Y file.
	X []float64

	// Deviations from the format and cautions about the data, by line.
	Deviations []Deviation

	// Version is the text of the VERSION keyword, "" if it was missing.
	Version string
}

// Keyword is one header line.
type Keyword struct {
	Line  int    // line in the file, from 1; 0 if not read from a file
	Name  string // spelling of the file without the first '#'; user-defined keywords begin with '#'
	Unit  string // unit tag without its '-', "" if there is none
	Value string // text after the colon, without blanks around it
}

// User reports whether k is a user-defined keyword, "##NAME" in the file.
func (k Keyword) User() bool { return strings.HasPrefix(k.Name, "#") }

// Standard returns the standard spelling of the name: upper case for keywords
// of the format, the name itself for all others.
func (k Keyword) Standard() string {
	if info := lookupKeyword(k.Name); info != nil {
		return info.name
	}
	return k.Name
}

// Deviation is one place where a file departs from the format, or one caution
// about its data.
type Deviation struct {
	Line    int    // line in the file, from 1; 0 for the file as a whole
	Keyword string // "" if no keyword is concerned
	Message string
}

// String returns the deviation in the form
// "line 14: NPOINTS: header says 1024, found 1021 values".
func (d Deviation) String() string { return place(d.Line, d.Keyword) + d.Message }

// place returns "line N: KEYWORD: ", leaving out what is not known.
func place(line int, keyword string) string {
	s := ""
	if line > 0 {
		s = fmt.Sprintf("line %d: ", line)
	}
	if keyword != "" {
		s += keyword + ": "
	}
	return s
}

// Lookup returns the first header keyword of the given name. Upper and lower
// case do not matter for keywords of the format.
func (f *File) Lookup(name string) (Keyword, bool) {
	return lookup(f.Header, name)
}

func lookup(header []Keyword, name string) (Keyword, bool) {
	if i := find(header, name); i >= 0 {
		return header[i], true
	}
	return Keyword{}, false
}

// find returns the index of the first keyword of the given name, −1 if there
// is none.
func find(header []Keyword, name string) int {
	name = Keyword{Name: name}.Standard()
	for i, k := range header {
		if k.Standard() == name {
			return i
		}
	}
	return -1
}

// Set gives the first header keyword of the given name a new value; a keyword
// that is not there yet is added before SPECTRUM. What Spectrum holds (title,
// energy scale, conditions) is set there: Write takes it from Spectrum.
func (f *File) Set(name, value string) {
	if i := find(f.Header, name); i >= 0 {
		f.Header[i].Value = value
		return
	}
	f.Header = insertBeforeSpectrum(f.Header, Keyword{Name: Keyword{Name: name}.Standard(), Value: value})
}

// insertBeforeSpectrum adds keywords before the SPECTRUM keyword, or at the
// end.
func insertBeforeSpectrum(header []Keyword, k ...Keyword) []Keyword {
	i := find(header, "SPECTRUM")
	if i < 0 {
		i = len(header)
	}
	return slices.Insert(slices.Clip(header), i, k...) // never into memory that a copy of the File shares
}
