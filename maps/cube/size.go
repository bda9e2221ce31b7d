package cube

import (
	"errors"
	"fmt"
)

// ErrTooLarge is wrapped by errors about data that take more memory than
// Options.MaxBytes allows.
var ErrTooLarge = errors.New("more than the allowed memory")

// SizeError reports a file whose length disagrees with what it should hold.
type SizeError struct {
	File            string
	Expected, Found int64  // bytes
	What            string // what the expected bytes are made of
	Cause           string // likely cause, "" if none comes to mind
}

func (e *SizeError) Error() string {
	s := fmt.Sprintf("cube: %s: expected %d bytes (%s), found %d", e.File, e.Expected, e.What, e.Found)
	if d := e.Found - e.Expected; d > 0 {
		s += fmt.Sprintf(", %d too many", d)
	} else {
		s += fmt.Sprintf(", %d missing", -d)
	}
	if e.Cause != "" {
		s += ": " + e.Cause
	}
	return s
}

// ParseError reports text that cannot be read.
type ParseError struct {
	File         string
	Line, Column int // counted from 1; 0 = not applicable
	Err          error
}

func (e *ParseError) Error() string {
	s := "cube: " + e.File
	if e.Line > 0 {
		s += fmt.Sprintf(": line %d", e.Line)
	}
	if e.Column > 0 {
		s += fmt.Sprintf(", column %d", e.Column)
	}
	return s + ": " + e.Err.Error()
}

func (e *ParseError) Unwrap() error { return e.Err }

// maxHeaderSlip is the largest surplus that is taken for an unskipped header:
// common practice, no source.
const maxHeaderSlip = 64 << 10

// sizeCause guesses why data after the stated offset have found bytes instead
// of those of l.
func sizeCause(l layout, found int64) string {
	want := l.bytes()
	if found > 0 && found%l.values() == 0 {
		if size := found / l.values(); size == 1 || size == 2 || size == 4 || size == 8 {
			return fmt.Sprintf("the type may be wrong: the bytes found fit values of %d bits", 8*size)
		}
	}
	row := want / int64(*l.length(l.order[0]))
	slowest := map[byte]string{'y': "rows", 'x': "columns", 'c': "channels"}[l.order[0]]
	switch {
	case found < want && found > 0 && found%row == 0:
		return fmt.Sprintf("the file ends after %d of %d %s: recording stopped early or wrong size?", found/row, want/row, slowest)
	case found > want && (found-want)%row == 0 && found-want > maxHeaderSlip:
		return fmt.Sprintf("room for %d %s instead of %d: wrong size?", found/row, slowest, want/row)
	case found > want && found-want <= maxHeaderSlip:
		return fmt.Sprintf("a header of %d bytes that was not skipped? (offset)", found-want)
	case found < want:
		return "the file is cut short, or a size or the type is wrong"
	}
	return "a size or the type is wrong"
}
