package cube

import (
	"bufio"
	"errors"
	"fmt"
	"io"
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
	axis := l.order[0]
	if l.frames > 1 {
		axis = 'f'
	}
	row := want / int64(*l.length(axis))
	slowest := map[byte]string{'f': "frames", 'y': "rows", 'x': "columns", 'c': "channels"}[axis]
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

// checkSizes compares the sizes with the length of the files and the bound on
// memory, and settles where the data begin.
func (f *File) checkSizes(opt Options) error {
	l := f.l
	if row, ok := product(4, l.w, l.c); !ok || row > opt.MaxBytes {
		return fmt.Errorf("cube: %s: one row (%d pixels × %d channels) takes %d bytes, allowed are %d: %w", f.name, l.w, l.c, row, opt.MaxBytes, ErrTooLarge)
	}
	if px, ok := product(8, l.w, l.h); !ok || px > opt.MaxBytes {
		return fmt.Errorf("cube: %s: one map (%d × %d pixels) takes %d bytes, allowed are %d: %w", f.name, l.w, l.h, px, opt.MaxBytes, ErrTooLarge)
	}
	if int64(8*l.c) > opt.MaxBytes {
		return fmt.Errorf("cube: %s: a spectrum of %d channels takes %d bytes, allowed are %d: %w", f.name, l.c, 8*l.c, opt.MaxBytes, ErrTooLarge)
	}
	f.data.bytes = l.bytes()
	for i := range f.data.parts {
		p := &f.data.parts[i]
		whole := l // what the expected bytes are, for messages
		if len(f.data.parts) > 1 {
			whole = layout{w: 1, h: 1, c: int(p.bytes / int64(l.val.size)), frames: 1, order: "yxc", val: l.val}
		}
		if err := f.settle(p, whole, opt); err != nil {
			return err
		}
	}
	return nil
}

// settle checks one part.
func (f *File) settle(p *part, l layout, opt Options) error {
	if p.compressed() {
		room := p.fileSize
		for _, c := range []codec{p.outer, p.inner} {
			if r, ok := product(int(room), int(c.ratio())); ok {
				room = r
			}
		}
		if room += 64 << 10; p.bytes > room {
			return &SizeError{File: p.name, Expected: p.bytes, Found: p.fileSize, What: l.describe(),
				Cause: fmt.Sprintf("so many cannot come out of the compressed bytes found (at most %d)", room)}
		}
		if p.byteSkip >= 0 {
			return nil
		}
		return f.settleTail(p, l)
	}
	if p.lineSkip > 0 {
		if err := f.settleLines(p); err != nil {
			return err
		}
	}
	found := p.fileSize - p.start
	if p.byteSkip < 0 {
		p.byteSkip = max(found-p.bytes, 0)
	}
	found -= p.byteSkip
	switch {
	case found < p.bytes:
		return &SizeError{File: p.name, Expected: p.bytes, Found: max(found, 0), What: l.describe(), Cause: sizeCause(l, found)}
	case found > p.bytes && f.data.strict:
		return &SizeError{File: p.name, Expected: p.bytes, Found: found, What: l.describe(), Cause: sizeCause(l, found)}
	case found > p.bytes:
		f.h.warn("%s: %d bytes more than the %d of %s: %s", p.name, found-p.bytes, p.bytes, l.describe(), sizeCause(l, found))
	}
	return nil
}

// settleLines turns skipped lines into skipped bytes.
func (f *File) settleLines(p *part) error {
	file, err := f.data.fsys.Open(p.name)
	if err != nil {
		return fmt.Errorf("cube: %w", err)
	}
	defer file.Close()
	br := bufio.NewReader(file)
	if _, err := io.CopyN(io.Discard, br, p.start); err != nil {
		return fmt.Errorf("cube: %s: %w", p.name, err)
	}
	for ; p.lineSkip > 0; p.lineSkip-- {
		for {
			line, err := br.ReadSlice('\n')
			p.start += int64(len(line))
			if err == nil {
				break
			}
			if err != bufio.ErrBufferFull {
				return fmt.Errorf("cube: %s: line skip: %d lines are missing: %w", p.name, p.lineSkip, io.ErrUnexpectedEOF)
			}
		}
	}
	return nil
}

// settleTail finds where the data begin in a compressed part whose data are
// its last bytes (byte skip −1): it reads it once to learn its length.
func (f *File) settleTail(p *part, l layout) error {
	q := *p
	q.byteSkip = 0
	r, done, err := f.data.openPart(q)
	if err != nil {
		return err
	}
	defer done()
	n, err := io.CopyN(io.Discard, r, p.bytes+f.maxBytes)
	if err == nil {
		return fmt.Errorf("cube: %s: byte skip −1: more than %d bytes before the data: %w", p.name, f.maxBytes, ErrTooLarge)
	}
	if !errors.Is(err, io.EOF) {
		return fmt.Errorf("cube: %s: %w", p.name, err)
	}
	if n < p.bytes {
		return &SizeError{File: p.name, Expected: p.bytes, Found: n, What: l.describe(), Cause: sizeCause(l, n)}
	}
	p.byteSkip = n - p.bytes
	return nil
}
