package cube

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"sync"
)

// ErrAxes is wrapped by errors about an array with another number of axes than a
// cube has, which may be a map.
var ErrAxes = errors.New("a cube has three, with frames four")

// ErrNoValues is wrapped by errors about an array that holds nothing.
var ErrNoValues = errors.New("no values")

// File is a cube in a file or folder. Its rows may be read several times and
// at the same time; Close ends all of them.
type File struct {
	h        Header
	name     string
	l        layout
	data     *stored
	folder   *folder     // for a folder of spectra
	at       io.ReaderAt // nil = no random access
	maxBytes int64
	readers  int // of as many files together, which share the memory

	mu      sync.Mutex
	release func()
	closed  bool
	loaded  []byte // the data, where they had to be loaded
	open    map[*sequentialRows]bool
}

// Open opens the cube called name. It reads the header, checks it against the
// length of the file and looks at a sample of the values; see Options for what
// must be stated and Header.Warnings for what was found or assumed.
func Open(fsys fs.FS, name string, opt Options) (*File, error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return nil, err
	}
	info, err := fs.Stat(fsys, name)
	if err != nil {
		return nil, fmt.Errorf("cube: %w", err)
	}
	f := &File{name: name, maxBytes: opt.MaxBytes, readers: 1, open: map[*sequentialRows]bool{}}
	if info.IsDir() {
		if err := f.openFolder(fsys, opt); err != nil {
			return nil, err
		}
		return f, nil
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("cube: %s: not a regular file", name)
	}
	f.data = &stored{fsys: fsys, maxBytes: opt.MaxBytes}
	if err := f.recognise(fsys, info.Size(), opt); err != nil {
		return nil, err
	}
	if err := f.checkSizes(opt); err != nil {
		return nil, err
	}
	h := &f.h
	h.Width, h.Height, h.Channels, h.Type = f.l.w, f.l.h, f.l.c, f.l.val.countType()
	opt.override(h)
	if err := checkStated(h.Pixel); err != nil {
		return nil, fmt.Errorf("cube: %s: %w", name, err)
	}
	if err := f.selectFrames(opt.Frames); err != nil {
		return nil, err
	}
	if f.at, f.release, err = f.data.randomAccess(); err != nil {
		return nil, err
	}
	if err := f.look(); err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}

// recognise finds out what the file is and fills layout, parts and header.
func (f *File) recognise(fsys fs.FS, size int64, opt Options) error {
	p := part{name: f.name, fileSize: size}
	file, err := fsys.Open(f.name)
	if err != nil {
		return fmt.Errorf("cube: %w", err)
	}
	defer file.Close()
	br := bufio.NewReader(file)
	magic, _ := br.Peek(8) // a shorter file has a shorter magic
	var r io.Reader = br
	if p.outer = sniffCodec(magic); p.outer != plain {
		in, done, err := p.outer.decompress(br, opt.MaxBytes)
		if err != nil {
			return fmt.Errorf("cube: %s: %w", f.name, err)
		}
		defer done()
		br = bufio.NewReader(in)
		if magic, err = br.Peek(8); err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("cube: %s: %w", f.name, err)
		}
		r = br
	}
	switch {
	case bytes.HasPrefix(magic, []byte("NRRD000")):
		return f.openNRRD(r, p, opt)
	case bytes.HasPrefix(magic, []byte(npyMagic)):
		return f.openNPY(r, p, opt)
	}
	return f.openRaw(p, opt)
}

func (f *File) openRaw(p part, opt Options) error {
	fail := func(format string, args ...any) error {
		return fmt.Errorf("cube: %s: "+format, append([]any{f.name}, args...)...)
	}
	if len(opt.Shape) == 0 || opt.Type == 0 {
		return fail("neither NRRD nor NPY by its first bytes; a headerless cube needs shape, type, byte order and axes stated")
	}
	if opt.Type.Size() == 0 {
		return fail("type %d is not known", opt.Type)
	}
	if opt.Type != U8 && opt.Endian == 0 {
		return fail("a headerless cube of %v needs its byte order stated (little or big)", opt.Type)
	}
	order := "yxc"
	switch {
	case opt.Axes != "":
		order, _ = parseAxes(opt.Axes) // checked by withDefaults
	case len(opt.Shape) == 4:
		order = "fyxc"
	}
	l, err := newLayout(order, opt.Shape, value{unsigned, opt.Type.Size(), opt.Endian == BigEndian && opt.Type != U8})
	if err != nil {
		return fail("%w", err)
	}
	f.l = l
	p.byteSkip, p.bytes = opt.Offset, l.bytes()
	f.data.parts = []part{p}
	f.data.strict = !opt.AllowExcess
	return nil
}

func (f *File) openNPY(r io.Reader, p part, opt Options) error {
	h, start, err := readNPY(r)
	if err != nil {
		return fmt.Errorf("cube: %s: %w", f.name, err)
	}
	axes := "yxc"
	switch {
	case opt.Axes != "":
		axes, _ = parseAxes(opt.Axes)
	case len(h.shape) == 4:
		if err := unnamedFrames(h.shape); err != nil {
			return fmt.Errorf("cube: %s: %w", f.name, err)
		}
		axes = "fyxc"
	case len(h.shape) != 3:
		return fmt.Errorf("cube: %s: array with %d axes; %w. State which they are (axes), for example y,x for a single channel", f.name, len(h.shape), ErrAxes)
	}
	if opt.Axes == "" {
		f.h.warn("NPY files do not name their axes; shape %v taken as %s", h.shape, spell(axes))
	}
	if f.l, err = npyLayout(h, axes); err != nil {
		return fmt.Errorf("cube: %s: %w", f.name, err)
	}
	p.start, p.bytes = start, f.l.bytes()
	f.data.parts = []part{p}
	return nil
}

func (f *File) openNRRD(r io.Reader, p part, opt Options) error {
	h, length, err := readNRRD(r, f.name)
	if err != nil {
		return err
	}
	fail := func(err error) error { return fmt.Errorf("cube: %s: %w", f.name, err) }
	f.h.Warnings = append(f.h.Warnings, h.warnings...)
	order, assumed, err := h.axes()
	if opt.Axes != "" {
		stated, _ := parseAxes(opt.Axes)
		if len(stated) != h.dim {
			return fail(fmt.Errorf("axes %q stated for a file with %d axes", opt.Axes, h.dim))
		}
		if err == nil && assumed == "" && stated != order {
			f.h.warn("the file says that its axes are %s; taken as %s as stated", spell(order), spell(stated))
		}
		order, assumed, err = stated, "", nil
	}
	if err != nil {
		return fail(err)
	}
	if assumed != "" {
		f.h.warn("%s", assumed)
	}
	val := h.val
	endian := h.endian
	if endian == 0 {
		endian = opt.Endian
	}
	if val.size > 1 {
		if endian == 0 {
			return fail(errors.New("field endian is missing; values of more than one byte need it"))
		}
		val.big = endian == BigEndian
	}
	slowFirst := slices.Clone(h.sizes)
	slices.Reverse(slowFirst)
	if f.l, err = newLayout(order, slowFirst, val); err != nil {
		return fail(err)
	}
	f.h.Title = h.content
	f.h.Pixel = h.pixel(order, f.h.warn)
	f.h.Calibration, f.h.CalibrationKnown = h.calibration(order, f.h.warn)
	f.h.Conditions, f.h.Keys = conditions(h.keys, f.h.warn)
	return f.nrrdParts(h, p, length)
}

// nrrdParts says where the data of an NRRD file are.
func (f *File) nrrdParts(h *nrrd, p part, length int64) error {
	if !h.detached {
		p.start, p.lineSkip, p.inner, p.byteSkip, p.bytes = length, h.lineSkip, h.encoding, h.byteSkip, f.l.bytes()
		f.data.parts = []part{p}
		return nil
	}
	n := len(h.dataFiles)
	fail := func(err error) error { return &ParseError{File: f.name, Line: h.seen["datafile"], Err: err} }
	if h.subdim > 0 && h.subdim < h.dim {
		if slices, _ := product(h.sizes[h.subdim:]...); slices != int64(n) {
			return fail(fmt.Errorf("data file: %d files for %d parts of %d axes", n, slices, h.subdim))
		}
	}
	if f.l.values()%int64(n) != 0 {
		return fail(fmt.Errorf("data file: %d values cannot be spread evenly over %d files", f.l.values(), n))
	}
	for _, ref := range h.dataFiles {
		name, err := neighbour(f.name, ref)
		if err != nil {
			return fail(err)
		}
		info, err := fs.Stat(f.data.fsys, name)
		if err != nil {
			return fail(err)
		}
		if !info.Mode().IsRegular() {
			return fail(fmt.Errorf("data file %s is not a regular file", name))
		}
		f.data.parts = append(f.data.parts, part{
			name: name, lineSkip: h.lineSkip, inner: h.encoding, byteSkip: h.byteSkip,
			bytes: f.l.bytes() / int64(n), fileSize: info.Size(),
		})
	}
	return nil
}

// sampleBytes are looked at in each of samplePlaces places of the file.
const (
	sampleBytes  = 64 << 10
	samplePlaces = 8
)

// look reads a sample of the values: it warns about swapped bytes and refuses
// floating-point values that are no counts. Rows check every value again.
func (f *File) look() error {
	size := f.l.val.size
	b := make([]byte, min(sampleBytes, f.l.bytes()))
	var sample []uint32
	take := func(b []byte, first int64) error {
		n := len(sample)
		sample = append(sample, make([]uint32, len(b)/size)...)
		if i, why := f.l.val.decode(sample[n:], b); why != "" {
			return f.l.badValue(f.name, first+int64(i), why)
		}
		return nil
	}
	if f.at != nil {
		last := (f.l.bytes() - int64(len(b))) / int64(size)
		for k := range int64(samplePlaces) {
			first := last * k / (samplePlaces - 1)
			if _, err := f.at.ReadAt(b, first*int64(size)); err != nil && !errors.Is(err, io.EOF) {
				return err
			}
			if err := take(b, first); err != nil {
				return err
			}
			if last == 0 {
				break
			}
		}
	} else {
		st := f.data.stream()
		defer st.Close()
		n, err := io.ReadFull(st, b)
		if n == 0 && err != nil {
			return fmt.Errorf("cube: %w", err)
		}
		if err := take(b[:n-n%size], 0); err != nil {
			return err
		}
	}
	if f.l.val.kind == floating {
		f.h.warn("values are stored as %v; whole numbers so far, taken as counts", f.l.val)
	}
	if w := byteOrderWarning(sample, size); w != "" {
		f.h.warn("%s", w)
	}
	return nil
}

// Header returns what the cube is.
func (f *File) Header() Header { return f.h.clone() }

// Rows returns a reader that starts at the first row, of the sum over the selected
// frames.
func (f *File) Rows() (RowReader, error) { return f.rows(f.Header()) }

// rows returns a reader of the frames that h has selected.
func (f *File) rows(h Header) (RowReader, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		return nil, errClosed
	}
	if f.folder != nil {
		return f.folder.rows(h), nil
	}
	if f.l.frames > 1 {
		return f.frameRows(h)
	}
	if f.l.order[0] == 'y' {
		var r *sequentialRows
		r = newSequentialRows(h, f.name, f.l, f.data.stream(), func() {
			f.mu.Lock()
			defer f.mu.Unlock()
			delete(f.open, r)
		})
		f.open[r] = true
		return r, nil
	}
	at := f.at
	if at == nil {
		if f.loaded == nil {
			if f.l.bytes() > f.maxBytes {
				return nil, fmt.Errorf("cube: %s: the axes %s of a file without random access (compressed) need all %d bytes in memory, allowed are %d: decompress the file or store it as y,x,c: %w", f.name, spell(f.l.order), f.l.bytes(), f.maxBytes, ErrTooLarge)
			}
			b, err := f.data.load()
			if err != nil {
				return nil, err
			}
			f.loaded = b
		}
		at = bytesAt(f.loaded)
	}
	return newBlockRows(h, f.name, f.l, at, FrameRange{0, 1}, f.maxBytes, f.readers), nil
}

// Close releases the file. Rows that are not yet read to their end may fail from
// then on; it must not be called while another goroutine reads a row.
func (f *File) Close() error {
	f.mu.Lock()
	if f.closed {
		f.mu.Unlock()
		return nil
	}
	f.closed = true
	open := make([]*sequentialRows, 0, len(f.open))
	for r := range f.open {
		open = append(open, r)
	}
	if f.release != nil {
		f.release()
	}
	f.loaded = nil
	f.mu.Unlock()
	for _, r := range open {
		r.Close()
	}
	return nil
}
