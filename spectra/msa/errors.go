package msa

import "errors"

// Causes of a ParseError, for errors.Is.
var (
	// ErrNotSpectrum typically means that a file of another kind was given.
	ErrNotSpectrum = errors.New("not a spectral data file")
	// ErrTruncated typically means that a copy stopped early: the file ends
	// before its first data value. (A file that ends within its data is read,
	// with a deviation.)
	ErrTruncated = errors.New("file ends before the data")
	// ErrNoData means that the data block is there and holds no value.
	ErrNoData = errors.New("no data values")
	// ErrNumber means a number that is not digits, sign, point and exponent:
	// also NaN, Inf, hexadecimal forms and digits with underscores.
	ErrNumber = errors.New("not a number")
	// ErrDecimalComma means data with commas inside the numbers, which cannot
	// be told from separators.
	ErrDecimalComma = errors.New("decimal comma in the data")
	// ErrArrangement means data lines that are neither Y nor XY data.
	ErrArrangement = errors.New("neither counts nor pairs of energy and counts")
	// ErrUnit means an x axis that is not an energy.
	ErrUnit = errors.New("not an energy unit")
	// ErrSpacing means an x column that no linear energy scale describes.
	ErrSpacing = errors.New("energies are not equally spaced")
	// ErrTooLarge means that one of the limits against hostile files is
	// exceeded: 64 KiB a line, 10 000 header lines, 2^20 data points.
	ErrTooLarge = errors.New("file exceeds a limit")
	// ErrNewerFormat means a CSV table written by a newer version of this
	// project.
	ErrNewerFormat = errors.New("table of a newer format")
)

// ParseError says where and why a text could not be read.
type ParseError struct {
	Line    int    // line in the file, from 1; 0 if no line is concerned
	Keyword string // "" if no keyword is concerned
	Value   string // the offending text, shortened; "" if there is none
	Err     error  // the cause; errors.Is finds one of the sentinels above
}

// Error returns the error in the form "msa: line 12: value "NaN": not a number …".
func (e *ParseError) Error() string {
	return "msa: " + place(e.Line, e.Keyword) + e.Err.Error()
}

// Unwrap returns the cause.
func (e *ParseError) Unwrap() error { return e.Err }

// cause is a sentinel with words of its own.
type cause struct {
	sentinel error
	text     string
}

func (c *cause) Error() string { return c.text }
func (c *cause) Unwrap() error { return c.sentinel }

// parseError builds a ParseError whose text is given and whose cause is
// sentinel.
func parseError(line int, keyword, value string, sentinel error, text string) *ParseError {
	return &ParseError{Line: line, Keyword: keyword, Value: shorten(value), Err: &cause{sentinel, text}}
}

// shorten cuts s to 40 characters for messages.
func shorten(s string) string {
	const limit = 40
	n := 0
	for i := range s {
		if n == limit {
			return s[:i] + "…"
		}
		n++
	}
	return s
}
