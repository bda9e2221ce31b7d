package msa

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
)

// signatures are the first bytes of files that are given by mistake.
var signatures = []struct{ magic, name string }{
	{"\x93NUMPY", "a NumPy array"},
	{"NRRD", "an NRRD array"},
	{"\x89PNG", "a PNG image"},
	{"II*\x00", "a TIFF image"},
	{"MM\x00*", "a TIFF image"},
	{"\xFF\xD8\xFF", "a JPEG image"},
	{"GIF8", "a GIF image"},
	{"BM", "a BMP image"},
	{"\x1F\x8B", "a gzip archive"},
	{"\x28\xB5\x2F\xFD", "a zstd archive"},
	{"BZh", "a bzip2 archive"},
	{"PK\x03\x04", "a ZIP archive"},
	{"%PDF", "a PDF document"},
	{"\x89HDF", "an HDF5 file"},
	{"\xD0\xCF\x11\xE0", "a compound document"},
	{"\xFF\xFE", "UTF-16 text; save it as plain ASCII text"},
	{"\xFE\xFF", "UTF-16 text; save it as plain ASCII text"},
}

// foreignBytes names a file that is not a text, "" if head may be text.
func foreignBytes(head []byte) string {
	isText := bytes.IndexByte(head, 0) < 0 || bytes.HasPrefix(bytes.TrimLeft(head, " \t\r\n"), []byte("#"))
	for _, s := range signatures {
		if strings.HasPrefix(string(head), s.magic) && (s.magic != "BM" || !isText) {
			return s.name
		}
	}
	if !isText {
		return "binary data"
	}
	return ""
}

var (
	pnmLine     = regexp.MustCompile(`^P[1-7](\s|$)`)
	htmlLine    = regexp.MustCompile(`(?i)^<(!doctype\s+html|html|head|body)`)
	predecessor = regexp.MustCompile(`^#[A-Za-z0-9]{4}(-.{0,4})? *$`)
	separated   = regexp.MustCompile(`[;\t]|,\S`) // prose has a blank after its commas
	rowOfNumber = regexp.MustCompile(`^[0-9eEdD+\-., ;\t]+$`)
)

// foreignText names the kind of text that line, which is no header line,
// belongs to. first is the first line with text.
func foreignText(first, line string) string {
	switch kind := foreignKind(first); {
	case kind != "":
		return kind
	case rowOfNumber.MatchString(line):
		return "a table of numbers without header; ReadCSV reads one or two columns"
	case separated.MatchString(line):
		return "a table of separated columns; ReadCSV reads one or two columns"
	}
	return "plain text"
}

// foreignKind names a kind of text by its first line, "" if it is none of
// those that are known.
func foreignKind(first string) string {
	switch {
	case pnmLine.MatchString(first):
		return "a portable pixmap image"
	case htmlLine.MatchString(first):
		return "an HTML page"
	case strings.HasPrefix(first, "<"):
		return "XML or HTML"
	case strings.HasPrefix(first, "{"), strings.HasPrefix(first, "["):
		return "JSON or a settings file"
	case isPredecessor(first):
		return "EMMPDL, the predecessor of the format"
	}
	return ""
}

// isPredecessor reports whether line is a header line of EMMPDL 1.1: a
// descriptor of four letters, a unit of up to four, the colon always the 10th
// character. Source: an EMMPDL 1.1 file of the Apache Tika test collection
// (046189.txt).
func isPredecessor(line string) bool {
	return len(line) > 9 && line[9] == ':' && predecessor.MatchString(line[:9])
}

// notSpectrum is the refusal of a file of another kind.
func notSpectrum(line int, first, what string) error {
	return parseError(line, "", first, ErrNotSpectrum,
		fmt.Sprintf("starts with %q (%s); expected #FORMAT : %s", shorten(first), what, formatText))
}
