package cube

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

// codec is a compression.
type codec uint8

const (
	plain codec = iota
	gzipped
	zstandard
)

// Largest numbers of bytes that one compressed byte can stand for. Deflate: a
// match of 258 bytes takes at least 2 bits (RFC 1951, 3.2.5), 1032. Zstandard:
// a block of up to 128 KiB takes at least 4 bytes (RFC 8878, 3.1.1.2), 32768.
const (
	deflateRatio = 1032
	zstdRatio    = 32768
)

// zstdMaxWindow bounds the decoder's memory; 128 MiB is what the reference
// decoder accepts by default (RFC 8878 recommends at least 8 MiB).
const zstdMaxWindow = 128 << 20

func (c codec) ratio() int64 {
	switch c {
	case gzipped:
		return deflateRatio
	case zstandard:
		return zstdRatio
	}
	return 1
}

func sniffCodec(magic []byte) codec {
	switch {
	case bytes.HasPrefix(magic, []byte{0x1f, 0x8b, 8}): // RFC 1952, 2.3.1
		return gzipped
	case bytes.HasPrefix(magic, []byte{0x28, 0xb5, 0x2f, 0xfd}): // RFC 8878, 3.1.1
		return zstandard
	}
	return plain
}

// decompress wraps r; done releases the decoder.
func (c codec) decompress(r io.Reader, maxBytes int64) (out io.Reader, done func(), err error) {
	switch c {
	case gzipped:
		z, err := gzip.NewReader(r)
		if err != nil {
			return nil, nil, fmt.Errorf("gzip: %w", err)
		}
		return z, func() { z.Close() }, nil
	case zstandard:
		z, err := zstd.NewReader(r, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true),
			zstd.WithDecoderMaxMemory(uint64(min(maxBytes, zstdMaxWindow))))
		if err != nil {
			return nil, nil, fmt.Errorf("zstd: %w", err)
		}
		return z, z.Close, nil
	}
	return r, func() {}, nil
}

// part is one file that holds data of the cube.
type part struct {
	name     string
	outer    codec // around the whole file
	start    int64 // bytes of the header, in the decompressed file
	lineSkip int   // lines after the header
	inner    codec // around the data
	byteSkip int64 // bytes after that, decompressed
	bytes    int64 // bytes of the data
	fileSize int64
}

func (p part) compressed() bool { return p.outer != plain || p.inner != plain }

// stored is the bytes of a cube in the order of the file.
type stored struct {
	fsys     fs.FS
	parts    []part
	bytes    int64
	strict   bool // more bytes than the cube's are an error
	maxBytes int64
}

// stream is a reader of one or more parts, one after the other.
type stream struct {
	s     *stored
	next  int // part to open
	left  int64
	r     io.Reader
	close func()
	err   error // sticky
}

func (s *stored) stream() *stream { return &stream{s: s} }

// openPart returns a reader at the first byte of the data of p.
func (s *stored) openPart(p part) (r io.Reader, closeAll func(), err error) {
	f, err := s.fsys.Open(p.name)
	if err != nil {
		return nil, nil, fmt.Errorf("cube: %w", err)
	}
	closers := []func(){func() { f.Close() }}
	closeAll = func() {
		for i := len(closers) - 1; i >= 0; i-- {
			closers[i]()
		}
	}
	fail := func(err error) (io.Reader, func(), error) {
		closeAll()
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return nil, nil, fmt.Errorf("cube: %s: %w", p.name, err)
	}
	if s, ok := f.(io.Seeker); ok && p.outer == plain && p.lineSkip == 0 && p.inner == plain {
		if _, err := s.Seek(p.start+p.byteSkip, io.SeekStart); err != nil {
			return fail(err)
		}
		return f, closeAll, nil
	}
	br := bufio.NewReaderSize(f, 64<<10)
	r, done, err := p.outer.decompress(br, s.maxBytes)
	if err != nil {
		return fail(err)
	}
	closers = append(closers, done)
	if _, err := io.CopyN(io.Discard, r, p.start); err != nil {
		return fail(err)
	}
	if p.lineSkip > 0 || p.inner != plain {
		br := bufio.NewReaderSize(r, 64<<10)
		for range p.lineSkip {
			if err := skipLine(br); err != nil {
				return fail(err)
			}
		}
		if r, done, err = p.inner.decompress(br, s.maxBytes); err != nil {
			return fail(err)
		}
		closers = append(closers, done)
	}
	if _, err := io.CopyN(io.Discard, r, p.byteSkip); err != nil {
		return fail(err)
	}
	return r, closeAll, nil
}

func skipLine(r *bufio.Reader) error {
	for {
		_, err := r.ReadSlice('\n')
		if err != bufio.ErrBufferFull {
			return err
		}
	}
}

// Read reads the data of the parts and nothing else. At the end of each part
// the checksum of its compression and the surplus are looked at; an error found
// there is returned by the next call.
func (r *stream) Read(b []byte) (int, error) {
	if r.err != nil {
		return 0, r.err
	}
	if r.r == nil {
		if r.next == len(r.s.parts) {
			r.err = io.EOF
			return 0, io.EOF
		}
		p := r.s.parts[r.next]
		if r.r, r.close, r.err = r.s.openPart(p); r.err != nil {
			return 0, r.err
		}
		r.left = p.bytes
		r.next++
	}
	p := r.s.parts[r.next-1]
	n, err := r.r.Read(b[:min(int64(len(b)), r.left)])
	r.left -= int64(n)
	if r.left == 0 && (err == nil || errors.Is(err, io.EOF)) {
		if err == nil {
			err = r.surplus(p)
		}
		if errors.Is(err, io.EOF) {
			err = nil
		}
		r.release()
	} else if errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		r.err = fmt.Errorf("%s: %w", p.name, err)
		r.release()
		if n == 0 {
			return 0, r.err
		}
	}
	return n, nil
}

// surplus reads on after the data of p. It returns io.EOF when there is none
// or, after a bounded look, when it is accepted.
func (r *stream) surplus(p part) error {
	if !p.compressed() {
		return io.EOF // judged by the length of the file
	}
	limit := int64(1)
	if !r.s.strict {
		limit = 64 << 10 // far enough to meet the checksum after a short surplus
	}
	n, err := io.CopyN(io.Discard, r.r, limit)
	if n > 0 && r.s.strict {
		return fmt.Errorf("more than the expected %d bytes after decompression: a header that was not skipped (offset), or a wrong size or type?", p.bytes)
	}
	return err
}

func (r *stream) release() {
	if r.close != nil {
		r.close()
	}
	r.r, r.close = nil, nil
}

// Close releases the file that is open and ends the stream.
func (r *stream) Close() error {
	r.release()
	if r.err == nil {
		r.err = errClosed
	}
	return nil
}

// end reports what was found after the last byte; nil when all is well.
func (r *stream) end() error {
	n, err := r.Read(make([]byte, 1))
	switch {
	case n > 0:
		return errors.New("data go on after their end")
	case errors.Is(err, io.EOF):
		return nil
	}
	return err
}

// partsAt reads across uncompressed parts, opening them as needed.
type partsAt struct {
	s    *stored
	open []io.ReaderAt // by part, nil = opened for every read
}

func (a *partsAt) ReadAt(b []byte, off int64) (int, error) {
	done := 0
	for i, p := range a.s.parts {
		if off >= p.bytes {
			off -= p.bytes
			continue
		}
		for done < len(b) && off < p.bytes {
			want := b[done:min(int64(len(b)), int64(done)+p.bytes-off)]
			n, err := a.readPart(i, want, p.start+p.byteSkip+off)
			done += n
			off += int64(n)
			if n < len(want) {
				if err == nil || errors.Is(err, io.EOF) {
					err = io.ErrUnexpectedEOF
				}
				return done, fmt.Errorf("cube: %s: %w", p.name, err)
			}
		}
		off = 0
		if done == len(b) {
			return done, nil
		}
	}
	return done, io.ErrUnexpectedEOF
}

func (a *partsAt) readPart(i int, b []byte, off int64) (int, error) {
	if at := a.open[i]; at != nil {
		return at.ReadAt(b, off)
	}
	f, err := a.s.fsys.Open(a.s.parts[i].name)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	at, ok := f.(io.ReaderAt)
	if !ok {
		return 0, errors.New("no random access")
	}
	return at.ReadAt(b, off)
}

// randomAccess returns a reader at any place of the data and what must be
// closed; nil when the parts are compressed or their files cannot do it.
func (s *stored) randomAccess() (io.ReaderAt, func(), error) {
	a := &partsAt{s: s, open: make([]io.ReaderAt, len(s.parts))}
	for _, p := range s.parts {
		if p.compressed() || p.lineSkip > 0 {
			return nil, nil, nil
		}
	}
	f, err := s.fsys.Open(s.parts[0].name)
	if err != nil {
		return nil, nil, fmt.Errorf("cube: %w", err)
	}
	at, ok := f.(io.ReaderAt)
	if !ok {
		f.Close()
		return nil, nil, nil
	}
	if len(s.parts) > 1 { // many files: none stays open
		f.Close()
		return a, func() {}, nil
	}
	a.open[0] = at
	return a, func() { f.Close() }, nil
}

// load reads all data into memory. The caller has checked the bound.
func (s *stored) load() ([]byte, error) {
	st := s.stream()
	defer st.Close()
	b := make([]byte, s.bytes)
	if n, err := io.ReadFull(st, b); err != nil {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return nil, fmt.Errorf("cube: %w after %d of %d bytes", err, n, s.bytes)
	}
	if err := st.end(); err != nil {
		return nil, fmt.Errorf("cube: %w", err)
	}
	return b, nil
}
