package cube

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"example.org/fleck/spectra"
)

// folder is a cube of one spectrum file per pixel.
type folder struct {
	fsys   fs.FS
	name   string
	files  []string // by pixel, row by row
	decode func(io.Reader) (spectra.Spectrum, error)
	first  spectra.Calibration
}

// openFolder finds the place of every file and reads the first one.
func (f *File) openFolder(fsys fs.FS, opt Options) error {
	fail := func(format string, args ...any) error {
		return fmt.Errorf("cube: folder %s: "+format, append([]any{f.name}, args...)...)
	}
	if len(opt.Shape) > 3 || strings.Contains(strings.ToLower(opt.Axes), "f") {
		return fail("shape %v, axes %q; a folder of spectra holds no frames", opt.Shape, opt.Axes)
	}
	if opt.DecodeSpectrum == nil {
		return fail("a folder of spectra needs a decoder for its files")
	}
	entries, err := fs.ReadDir(fsys, f.name)
	if err != nil {
		return fmt.Errorf("cube: %w", err)
	}
	var names []string
	for _, e := range entries {
		ok := !strings.HasPrefix(e.Name(), ".") && e.Type().IsRegular()
		if ok && opt.Pattern != "" {
			if ok, err = path.Match(opt.Pattern, e.Name()); err != nil {
				return fail("pattern %q: %w", opt.Pattern, err)
			}
		}
		if ok {
			names = append(names, e.Name())
		}
	}
	if len(names) == 0 {
		return fail("no files")
	}
	h, w, how, err := arrange(names, folderWidth(opt))
	if err != nil {
		return fail("%w", err)
	}
	if how.assumed {
		f.h.warn("%s", how.text)
	}
	f.h.Keys = append(f.h.Keys, KeyValue{"pixel order", how.text})
	f.folder = &folder{fsys: fsys, name: f.name, files: names, decode: opt.DecodeSpectrum}
	first, err := f.folder.read(0)
	if err != nil {
		return err
	}
	f.folder.first = first.Calibration
	if n := len(first.Counts); n == 0 {
		return fail("%s has no channels", names[0])
	}
	f.h.Width, f.h.Height, f.h.Channels, f.h.Type = w, h, len(first.Counts), U32
	if err := f.h.Check(); err != nil {
		return err
	}
	if want := folderShape(opt); want != nil && !slices.Equal(want, []int{h, w, len(first.Counts)}[:len(want)]) {
		return fail("shape %v stated, found %d × %d pixels (height × width) with %d channels", want, h, w, len(first.Counts))
	}
	if row, ok := product(4, w, len(first.Counts)); !ok || row > opt.MaxBytes {
		return fail("one row takes %d bytes, allowed are %d: %w", row, opt.MaxBytes, ErrTooLarge)
	}
	f.h.Title = first.Title
	f.h.Calibration, f.h.CalibrationKnown = first.Calibration, first.Calibration.Valid()
	f.h.Conditions = first.Conditions
	if n := float64(len(names)); n > 1 && (first.LiveTimeS > 0 || first.RealTimeS > 0) {
		f.h.Conditions.LiveTimeS *= n
		f.h.Conditions.RealTimeS *= n
		f.h.warn("live and real time are those of the first file times %d files", len(names))
	}
	opt.override(&f.h)
	f.l.frames = 1
	return f.selectFrames(opt.Frames)
}

// folderShape returns the stated shape in the order height, width, channels.
func folderShape(opt Options) []int {
	order := "yxc"
	if opt.Axes != "" {
		order, _ = parseAxes(opt.Axes)
	}
	var shape []int
	for _, a := range "yxc" {
		i := strings.IndexRune(order, a)
		if i < 0 || i >= len(opt.Shape) {
			break
		}
		shape = append(shape, opt.Shape[i])
	}
	return shape
}

func folderWidth(opt Options) int {
	if s := folderShape(opt); opt.Width == 0 && len(s) > 1 {
		return s[1]
	}
	return opt.Width
}

// rowColumn and columnRow find the two numbers in names such as r003_c017.msa,
// row3col17, y3-x17 and x17_y3.
var (
	rowColumn = regexp.MustCompile(`(?i)(?:^|[^a-z])(?:row|r|y)[ _=-]*(\d+)[ _,;-]*(?:column|col|c|x)[ _=-]*(\d+)`)
	columnRow = regexp.MustCompile(`(?i)(?:^|[^a-z])(?:column|col|c|x)[ _=-]*(\d+)[ _,;-]*(?:row|r|y)[ _=-]*(\d+)`)
)

type arrangement struct {
	text    string
	assumed bool
}

// arrange sorts names by pixel, row by row, and returns the size of the field.
// Names that all carry a row and a column number are placed by these; others
// are sorted naturally and need the width.
func arrange(names []string, width int) (h, w int, how arrangement, err error) {
	type place struct{ y, x int }
	places := make(map[string]place, len(names))
	at := make(map[place]string, len(names))
	low, high := place{math.MaxInt, math.MaxInt}, place{-1, -1}
	for _, name := range names {
		var ys, xs string
		if m := rowColumn.FindStringSubmatch(name); m != nil {
			ys, xs = m[1], m[2]
		} else if m := columnRow.FindStringSubmatch(name); m != nil {
			ys, xs = m[2], m[1]
		} else {
			break
		}
		y, errY := strconv.Atoi(ys)
		x, errX := strconv.Atoi(xs)
		if errY != nil || errX != nil {
			return 0, 0, how, fmt.Errorf("row or column number in %s is too large", name)
		}
		p := place{y, x}
		if other, ok := at[p]; ok {
			return 0, 0, how, fmt.Errorf("%s and %s are both row %d, column %d", other, name, y, x)
		}
		places[name], at[p] = p, name
		low = place{min(low.y, y), min(low.x, x)}
		high = place{max(high.y, y), max(high.x, x)}
	}
	if len(places) == len(names) {
		h, w = high.y-low.y+1, high.x-low.x+1
		if n, ok := product(h, w); !ok || n != int64(len(names)) {
			missing := "some pixels have no file"
			for i := range len(names) + 1 {
				p := place{low.y + i/w, low.x + i%w}
				if _, ok := at[p]; !ok {
					missing = fmt.Sprintf("row %d, column %d has no file", p.y, p.x)
					break
				}
			}
			return 0, 0, how, fmt.Errorf("%d files for rows %d to %d and columns %d to %d: %s", len(names), low.y, high.y, low.x, high.x, missing)
		}
		if width != 0 && width != w {
			return 0, 0, how, fmt.Errorf("width %d stated, the names have columns %d to %d", width, low.x, high.x)
		}
		slices.SortFunc(names, func(a, b string) int {
			p, q := places[a], places[b]
			if p.y != q.y {
				return p.y - q.y
			}
			return p.x - q.x
		})
		how.text = fmt.Sprintf("by row and column numbers in the file names, rows from %d, columns from %d", low.y, low.x)
		return h, w, how, nil
	}
	if width <= 0 {
		return 0, 0, how, fmt.Errorf("the names (such as %s) do not tell row and column (r003_c017); state the width", names[0])
	}
	if len(names)%width != 0 {
		return 0, 0, how, fmt.Errorf("%d files do not make rows of %d pixels", len(names), width)
	}
	slices.SortFunc(names, compareNatural)
	how = arrangement{fmt.Sprintf("files in natural order of their names, %d per row, from %s to %s", width, names[0], names[len(names)-1]), true}
	return len(names) / width, width, how, nil
}

// compareNatural compares names so that p2 comes before p10.
func compareNatural(a, b string) int {
	s, t := a, b
	for s != "" && t != "" {
		m, n := digits(s), digits(t)
		if m > 0 && n > 0 {
			p, q := strings.TrimLeft(s[:m], "0"), strings.TrimLeft(t[:n], "0")
			if len(p) != len(q) {
				return len(p) - len(q)
			}
			if c := strings.Compare(p, q); c != 0 {
				return c
			}
			s, t = s[m:], t[n:]
			continue
		}
		if s[0] != t[0] {
			return int(s[0]) - int(t[0])
		}
		s, t = s[1:], t[1:]
	}
	if len(s) != len(t) {
		return len(s) - len(t)
	}
	return strings.Compare(a, b)
}

// digits returns the number of leading digits.
func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// read decodes the file of pixel i.
func (d *folder) read(i int) (spectra.Spectrum, error) {
	name := path.Join(d.name, d.files[i])
	f, err := d.fsys.Open(name)
	if err != nil {
		return spectra.Spectrum{}, fmt.Errorf("cube: %w", err)
	}
	defer f.Close()
	s, err := d.decode(f)
	if err != nil {
		return s, fmt.Errorf("cube: %s: %w", name, err)
	}
	return s, nil
}

func (d *folder) rows(h Header) RowReader { return &folderRows{d: d, h: h} }

type folderRows struct {
	d   *folder
	h   Header
	y   int
	err error // sticky
}

func (r *folderRows) Header() Header { return r.h.clone() }

func (r *folderRows) ReadRow(dst []uint32) error {
	if r.err != nil {
		return r.err
	}
	if err := checkDst(dst, r.h); err != nil {
		return err
	}
	if r.y == r.h.Height {
		r.err = io.EOF
		return r.err
	}
	for x := range r.h.Width {
		if err := r.readPixel(x, dst[x*r.h.Channels:(x+1)*r.h.Channels]); err != nil {
			r.err = err
			return err
		}
	}
	r.y++
	return nil
}

func (r *folderRows) readPixel(x int, dst []uint32) error {
	i := r.y*r.h.Width + x
	s, err := r.d.read(i)
	if err != nil {
		if errors.Is(err, io.EOF) { // io.EOF alone would end the rows
			return fmt.Errorf("cube: %s: row %d of %d (counted from 0): %w", r.d.files[i], r.y, r.h.Height, io.ErrUnexpectedEOF)
		}
		return err
	}
	if len(s.Counts) != len(dst) {
		return fmt.Errorf("cube: %s: %d channels; the first file has %d", r.d.files[i], len(s.Counts), len(dst))
	}
	if !sameScale(s.Calibration, r.d.first, len(dst)) {
		return fmt.Errorf("cube: %s: energy scale offset %g eV, gain %g eV per channel; the first file has %g and %g", r.d.files[i], s.OffsetEV, s.GainEV, r.d.first.OffsetEV, r.d.first.GainEV)
	}
	for c, n := range s.Counts {
		if !(n >= 0) || n > math.MaxUint32 || n != math.Trunc(n) {
			return fmt.Errorf("cube: %s: row %d, column %d, channel %d holds %g; counts are whole numbers from 0 to 4294967295", r.d.files[i], r.y, x, c, n)
		}
		dst[c] = uint32(n)
	}
	return nil
}

// sameScale reports whether two scales agree within a hundredth of a channel
// at both ends: far below what a fit can see, above rounding in text files.
func sameScale(a, b spectra.Calibration, channels int) bool {
	last := float64(channels - 1)
	limit := 0.01 * math.Max(math.Abs(a.GainEV), math.Abs(b.GainEV))
	return math.Abs(a.OffsetEV-b.OffsetEV) <= limit &&
		math.Abs(a.OffsetEV+a.GainEV*last-b.OffsetEV-b.GainEV*last) <= limit
}
