package msa

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"strings"
	"unicode/utf8"
)

// Limits against hostile files, far above any real one. Chosen here, no source.
const (
	maxLineBytes   = 64 << 10
	maxHeaderLines = 10_000
	maxPoints      = 1 << 20
	maxDataLines   = 2 * maxPoints // one number each of an XY file
	maxDataBytes   = 64 << 20      // 2 × maxPoints numbers of 32 characters
)

// slackBytes is how much longer than the line read a written line may become:
// "#", 12 characters, ": ".
const slackBytes = 16

// lineScanner splits a text into lines ended by LF, CR LF or CR and decodes
// each line.
type lineScanner struct {
	r       *bufio.Reader
	buf     []byte
	line    int // number of the line returned last
	lf      int // lines ended by LF alone
	crlf    int
	cr      int
	unended bool // the last line had no line end
	bom     bool
}

// newLineScanner also strips a UTF-8 byte-order mark.
func newLineScanner(r io.Reader) *lineScanner {
	s := &lineScanner{r: bufio.NewReaderSize(r, 4096)}
	if head, _ := s.r.Peek(3); string(head) == "\xEF\xBB\xBF" {
		s.r.Discard(3) // cannot fail: the bytes are buffered
		s.bom = true
	}
	return s
}

// head returns up to 512 bytes of what comes next.
func (s *lineScanner) head() []byte {
	b, _ := s.r.Peek(512)
	return b
}

// next returns the next line without its end. The error is io.EOF at the end
// of the text, otherwise a *ParseError.
func (s *lineScanner) next() (text string, err error) {
	s.buf = s.buf[:0]
	s.line++
	for {
		_, err := s.r.Peek(1)
		if errors.Is(err, io.EOF) {
			if len(s.buf) == 0 {
				s.line--
				return "", io.EOF
			}
			s.unended = true
			return s.finish()
		}
		if err != nil {
			return "", &ParseError{Line: s.line, Err: err}
		}
		chunk, _ := s.r.Peek(s.r.Buffered())
		end := bytes.IndexAny(chunk, "\r\n")
		part := chunk
		if end >= 0 {
			part = chunk[:end]
		}
		if len(s.buf)+len(part) > maxLineBytes {
			return "", s.tooLong()
		}
		s.buf = append(s.buf, part...)
		s.r.Discard(len(part)) // cannot fail: the bytes are buffered
		if end >= 0 {
			s.lineEnd()
			return s.finish()
		}
	}
}

// lineEnd takes the line end that comes next.
func (s *lineScanner) lineEnd() {
	first, _ := s.r.ReadByte()
	next, _ := s.r.Peek(1)
	switch {
	case first == '\n':
		s.lf++
	case len(next) == 1 && next[0] == '\n':
		s.r.Discard(1)
		s.crlf++
	default:
		s.cr++
	}
}

func (s *lineScanner) finish() (string, error) {
	text := decode(s.buf)
	if len(text)+slackBytes > maxLineBytes {
		return "", s.tooLong()
	}
	return text, nil
}

func (s *lineScanner) tooLong() error {
	return parseError(s.line, "", "", ErrTooLarge, "line is longer than 64 KiB; a spectral data file has short lines")
}

// skipRest reads to the end of the text after an over-long line that does not
// matter.
func (s *lineScanner) skipRest() { io.Copy(io.Discard, s.r) }

// reportEnds lists unusual line ends and the byte-order mark.
func (s *lineScanner) reportEnds(dev *collector) {
	if s.bom {
		dev.add(1, "", "UTF-8 byte-order mark before the text")
	}
	switch {
	case s.crlf > 0 && s.lf == 0 && s.cr == 0:
		dev.add(1, "", "lines end in CR LF, not LF")
	case s.cr > 0 && s.lf == 0 && s.crlf == 0:
		dev.add(1, "", "lines end in CR, not LF")
	case s.cr > 0 || s.crlf > 0:
		dev.add(1, "", "mixed line ends: %d LF, %d CR LF, %d CR", s.lf, s.crlf, s.cr)
	}
	if s.unended {
		dev.add(s.line, "", "no line end after the last line")
	}
}

// decode returns the text of a line: UTF-8 if it is valid, Windows-1252
// otherwise (of which Latin-1 text is a part).
func decode(line []byte) string {
	if utf8.Valid(line) {
		return string(line)
	}
	var b strings.Builder
	for _, c := range line {
		b.WriteRune(windows1252(c))
	}
	return b.String()
}

// c1 holds the characters of Windows-1252 at 0x80 to 0x9F; the five unused
// codes stand for themselves. Source: the code page cp1252 of the Python
// standard library.
var c1 = []rune("\u20ac\u0081\u201a\u0192\u201e\u2026\u2020\u2021\u02c6\u2030\u0160\u2039\u0152\u008d\u017d\u008f" +
	"\u0090\u2018\u2019\u201c\u201d\u2022\u2013\u2014\u02dc\u2122\u0161\u203a\u0153\u009d\u017e\u0178")

func windows1252(c byte) rune {
	if c < 0x80 || c > 0x9F {
		return rune(c)
	}
	return c1[c-0x80]
}

// ascii reports whether s is 7-bit ASCII without control characters other than
// the tab.
func ascii(s string) bool {
	for i := 0; i < len(s); i++ {
		if c := s[i]; c >= 0x7F || c < 0x20 && c != '\t' {
			return false
		}
	}
	return true
}

// blanks are what is trimmed around keywords and values.
const blanks = " \t"
