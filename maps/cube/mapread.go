package cube

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"io/fs"
	"math"
	"path"
	"slices"
	"strings"

	"example.org/fleck/maps"
)

// MapOptions describe a map made elsewhere. The zero value works.
type MapOptions struct {
	What  string     // what is mapped; "" means the description in the file or its name
	Unit  string     // "" means counts when all values are whole numbers ≥ 0
	Pixel maps.Pixel // zero keeps what the file says

	// MaxBytes bounds the size of the file, decompressed, and of the map in memory
	// (8 bytes a pixel). 0 means DefaultMaxBytes.
	MaxBytes int64
}

// ReadMap reads a map that was made elsewhere, recognised by its first bytes:
//
//   - TIFF with 8- or 16-bit grey values, uncompressed also 32-bit integers and
//     32- or 64-bit floating point (the resolution of a floating-point file in
//     pixels per centimetre is taken for its pixel size);
//   - PNG with 8- or 16-bit grey values;
//   - NPY with two axes, taken as y, x;
//   - text: one line per row of the map, numbers separated by tabs, semicolons,
//     commas or blanks, decimal point, nan for no value, lines beginning with #
//     and empty lines left out.
//
// Any of these may be inside gzip or zstd. Colour images are read only when all
// pixels are grey. Values are those of the file: whether an image holds counts
// or a scaled picture of them cannot be seen.
func ReadMap(fsys fs.FS, name string, opt MapOptions) (maps.Map, error) {
	if opt.MaxBytes == 0 {
		opt.MaxBytes = DefaultMaxBytes
	}
	if opt.MaxBytes < 0 {
		return maps.Map{}, fmt.Errorf("cube: option MaxBytes %d; must be above 0", opt.MaxBytes)
	}
	if opt.Pixel != (maps.Pixel{}) {
		if err := CheckPixel(opt.Pixel); err != nil {
			return maps.Map{}, fmt.Errorf("cube: option Pixel: %w", err)
		}
	}
	data, err := readWhole(fsys, name, opt.MaxBytes)
	if err != nil {
		return maps.Map{}, err
	}
	var m maps.Map
	switch {
	case bytes.HasPrefix(data, []byte("\x89PNG\r\n\x1a\n")):
		m, err = readPNG(data, opt.MaxBytes)
	case bytes.HasPrefix(data, []byte("II")) && len(data) > 3 && data[3] == 0, bytes.HasPrefix(data, []byte("MM\x00")):
		m, err = readTIFF(data, opt.MaxBytes)
	case bytes.HasPrefix(data, []byte(npyMagic)):
		m, err = readMapNPY(name, data, opt.MaxBytes)
	case slices.Contains(data[:min(len(data), 4096)], 0):
		err = errors.New("neither TIFF, PNG, NPY nor text")
	default:
		m, err = readMapText(data, opt.MaxBytes)
	}
	if err != nil {
		var parse *ParseError
		var size *SizeError
		if errors.As(err, &parse) {
			parse.File = name
			return maps.Map{}, parse
		}
		if errors.As(err, &size) {
			return maps.Map{}, err
		}
		return maps.Map{}, fmt.Errorf("cube: %s: %w", name, err)
	}
	for i, v := range m.V {
		if math.IsInf(v, 0) {
			return maps.Map{}, fmt.Errorf("cube: %s: row %d, column %d holds %g; values are finite, or nan for none", name, i/m.W, i%m.W, v)
		}
	}
	if opt.What != "" {
		m.What = opt.What
	}
	if m.What == "" {
		m.What = strings.TrimSuffix(path.Base(name), path.Ext(name))
	}
	if opt.Unit != "" {
		m.Unit = opt.Unit
	}
	if m.Unit == "" && !slices.ContainsFunc(m.V, func(v float64) bool { return v < 0 || v != math.Trunc(v) && !math.IsNaN(v) }) {
		m.Unit = "counts"
	}
	if opt.Pixel.Known() {
		m.Pixel = opt.Pixel
	}
	if err := checkStated(m.Pixel); err != nil {
		return maps.Map{}, fmt.Errorf("cube: %s: %w", name, err)
	}
	return m, nil
}

// readWhole reads a file, decompressed, of up to maxBytes.
func readWhole(fsys fs.FS, name string, maxBytes int64) ([]byte, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return nil, fmt.Errorf("cube: %w", err)
	}
	defer f.Close()
	tooLarge := fmt.Errorf("cube: %s: larger than %d bytes: %w", name, maxBytes, ErrTooLarge)
	read := func(r io.Reader, size int64) ([]byte, error) {
		b, err := readBounded(r, size, maxBytes)
		if errors.Is(err, ErrTooLarge) {
			return nil, tooLarge
		}
		if err != nil {
			return nil, fmt.Errorf("cube: %s: %w", name, err)
		}
		return b, nil
	}
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("cube: %w", err)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("cube: %s: not a regular file", name)
	}
	if info.Size() > maxBytes {
		return nil, tooLarge
	}
	data, err := read(f, info.Size())
	if err != nil {
		return nil, err
	}
	c := sniffCodec(data)
	if c == plain {
		return data, nil
	}
	r, done, err := c.decompress(bytes.NewReader(data), maxBytes)
	if err != nil {
		return nil, fmt.Errorf("cube: %s: %w", name, err)
	}
	defer done()
	return read(r, 0)
}

// readBounded reads r to its end, ErrTooLarge beyond maxBytes. It makes room for
// size bytes first and never for more than maxBytes.
func readBounded(r io.Reader, size, maxBytes int64) ([]byte, error) {
	b := make([]byte, 0, min(max(size+1, 64<<10), maxBytes+1))
	for {
		n, err := r.Read(b[len(b):cap(b)])
		b = b[:len(b)+n]
		switch {
		case int64(len(b)) > maxBytes:
			return nil, ErrTooLarge
		case err == io.EOF:
			return b, nil
		case err != nil:
			return nil, err
		}
		if len(b) == cap(b) {
			b = append(make([]byte, 0, min(2*int64(cap(b)), maxBytes+1)), b...)
		}
	}
}

// checkMapSize refuses sizes that are not positive or above the bound.
func checkMapSize(w, h int, maxBytes int64) error {
	if w <= 0 || h <= 0 {
		return fmt.Errorf("%d × %d pixels; both must be above 0", w, h)
	}
	if n, ok := product(8, w, h); !ok || n > maxBytes {
		return fmt.Errorf("%d × %d pixels take more than the allowed %d bytes: %w", w, h, maxBytes, ErrTooLarge)
	}
	return nil
}

// readPNG reads a PNG image. Go's decoder widens depths below 8 bits, so these
// are refused by the bit depth in the header (PNG 1.2, 4.1.1: byte 24 of the file).
func readPNG(data []byte, maxBytes int64) (maps.Map, error) {
	cfg, err := png.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return maps.Map{}, err
	}
	if err := checkMapSize(cfg.Width, cfg.Height, maxBytes); err != nil {
		return maps.Map{}, err
	}
	depth := int(data[24])
	if depth != 8 && depth != 16 {
		return maps.Map{}, fmt.Errorf("PNG with %d bits per value; 8 and 16 can be read", depth)
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		return maps.Map{}, err
	}
	return fromImage(img, depth)
}

// fromImage takes the grey values of an image with depth bits per value.
func fromImage(img image.Image, depth int) (maps.Map, error) {
	b := img.Bounds()
	m := maps.New(b.Dx(), b.Dy())
	for y := range m.H {
		for x := range m.W {
			var v uint32
			switch g := img.(type) {
			case *image.Gray:
				v = uint32(g.GrayAt(b.Min.X+x, b.Min.Y+y).Y)
			case *image.Gray16:
				v = uint32(g.Gray16At(b.Min.X+x, b.Min.Y+y).Y)
			default:
				c := color.NRGBA64Model.Convert(img.At(b.Min.X+x, b.Min.Y+y)).(color.NRGBA64)
				if c.R != c.G || c.G != c.B || c.A != 0xffff {
					return maps.Map{}, fmt.Errorf("row %d, column %d is coloured or transparent (red %d, green %d, blue %d of 65535); a map needs one grey value per pixel, best 16-bit grey", y, x, c.R, c.G, c.B)
				}
				if v = uint32(c.R); depth == 8 {
					v >>= 8
				}
			}
			m.Set(x, y, float64(v))
		}
	}
	return m, nil
}

// readMapNPY reads an NPY array with two axes.
func readMapNPY(name string, data []byte, maxBytes int64) (maps.Map, error) {
	h, start, err := readNPY(bytes.NewReader(data))
	if err != nil {
		return maps.Map{}, err
	}
	if len(h.shape) != 2 {
		return maps.Map{}, fmt.Errorf("array with %d axes; a map has two (y,x), a cube three (y,x,c), with frames four (f,y,x,c)", len(h.shape))
	}
	if err := checkMapSize(h.shape[1], h.shape[0], maxBytes); err != nil {
		return maps.Map{}, err
	}
	l, err := npyLayout(h, "yx")
	if err != nil {
		return maps.Map{}, err
	}
	data = data[start:]
	if int64(len(data)) < l.bytes() {
		return maps.Map{}, &SizeError{File: name, Expected: l.bytes(), Found: int64(len(data)), What: l.describe(), Cause: sizeCause(l, int64(len(data)))}
	}
	m := maps.New(l.w, l.h)
	for i := range l.values() {
		y, x, _ := l.place(i)
		m.Set(x, y, l.val.number(data[i*int64(l.val.size):]))
	}
	return m, nil
}

// MapAsSource returns a cube with one channel that holds the map. All values
// must be whole numbers from 0 to 2³²−1; the first that is not is named in the
// error, since rounding it or taking "no value" for 0 would invent counts.
func MapAsSource(m maps.Map) (Source, error) {
	if err := m.Check(); err != nil {
		return nil, err
	}
	c := Memory{
		Head: Header{Width: m.W, Height: m.H, Channels: 1, Type: U8, Pixel: m.Pixel, Title: m.What},
		Data: make([]uint32, len(m.V)),
	}
	for i, v := range m.V {
		if !(v >= 0) || v > math.MaxUint32 || v != math.Trunc(v) {
			return nil, fmt.Errorf("cube: map %q: row %d, column %d holds %g; counts are whole numbers from 0 to 4294967295", m.What, i/m.W, i%m.W, v)
		}
		c.Data[i] = uint32(v)
		for c.Data[i] > c.Head.Type.Max() {
			c.Head.Type++
		}
	}
	return c, nil
}
