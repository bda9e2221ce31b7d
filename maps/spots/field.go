package spots

import (
	"fmt"
	"math"

	"example.org/fleck/maps"
)

// Range is a half-open range of channels From ≤ c < To of a cube. The zero
// value means all channels.
type Range struct {
	From, To int
}

// Field holds the counts of one cube as compressed sparse rows: for every
// pixel the list of channels that hold counts. It needs about 4 bytes per
// occupied (pixel, channel) pair, that is at most 4 bytes per count, plus
// 16 bytes per pixel.
type Field struct {
	W, H     int
	Pixel    maps.Pixel
	Channels Range // channels of the cube that were kept

	nc     int       // number of channels kept
	start  []int     // len W·H+1, first entry of each pixel
	ch     []uint16  // channel counted from Channels.From
	n      []uint16  // counts; larger counts take several entries
	totals []uint32  // counts of each pixel
	sum    []float64 // sum spectrum
}

// maxChannels is the largest number of channels that fits the index type.
const maxChannels = 1 << 16

// Builder collects the rows of a Field in order.
type Builder struct {
	f    *Field
	rows int
	all  int // channels of the rows offered
}

// NewBuilder returns a builder for a field of w × h pixels out of rows with
// channels channels, of which keep is kept.
func NewBuilder(w, h, channels int, keep Range, px maps.Pixel) (*Builder, error) {
	if w <= 0 || h <= 0 {
		return nil, fmt.Errorf("spots: field of %d × %d pixels; both sides must be at least 1", w, h)
	}
	if w > math.MaxInt32/h {
		return nil, fmt.Errorf("spots: field of %d × %d pixels has more than %d pixels", w, h, math.MaxInt32)
	}
	if keep == (Range{}) {
		keep = Range{0, channels}
	}
	if keep.From < 0 || keep.To > channels || keep.From >= keep.To {
		return nil, fmt.Errorf("spots: channels %d to %d asked for; the cube has channels 0 to %d", keep.From, keep.To-1, channels-1)
	}
	if keep.To-keep.From > maxChannels {
		return nil, fmt.Errorf("spots: %d channels asked for; at most %d can be kept", keep.To-keep.From, maxChannels)
	}
	f := &Field{W: w, H: h, Pixel: px, Channels: keep, nc: keep.To - keep.From}
	f.start = make([]int, 1, w*h+1)
	f.totals = make([]uint32, 0, w*h)
	f.sum = make([]float64, f.nc)
	return &Builder{f: f, all: channels}, nil
}

// AddRow appends one row: W·channels counts, channel fastest.
func (b *Builder) AddRow(row []uint32) error {
	f := b.f
	if b.rows == f.H {
		return fmt.Errorf("spots: row %d offered; the field has %d rows", b.rows+1, f.H)
	}
	if len(row) != f.W*b.all {
		return fmt.Errorf("spots: row %d of %d holds %d values; %d pixels × %d channels make %d", b.rows+1, f.H, len(row), f.W, b.all, f.W*b.all)
	}
	for x := range f.W {
		var total uint64
		for c, n := range row[x*b.all+f.Channels.From : x*b.all+f.Channels.To] {
			if n == 0 {
				continue
			}
			total += uint64(n)
			f.sum[c] += float64(n)
			for ; n > math.MaxUint16; n -= math.MaxUint16 {
				f.ch, f.n = append(f.ch, uint16(c)), append(f.n, math.MaxUint16)
			}
			f.ch, f.n = append(f.ch, uint16(c)), append(f.n, uint16(n))
		}
		if total > math.MaxUint32 {
			return fmt.Errorf("spots: row %d, pixel %d holds %d counts; at most %d fit", b.rows+1, x, total, uint32(math.MaxUint32))
		}
		f.totals = append(f.totals, uint32(total))
		f.start = append(f.start, len(f.ch))
	}
	b.rows++
	return nil
}

// Field returns the finished field; it is an error when rows are missing.
func (b *Builder) Field() (*Field, error) {
	if b.rows != b.f.H {
		return nil, fmt.Errorf("spots: %d of %d rows were given", b.rows, b.f.H)
	}
	return b.f, nil
}

// NewField returns the field of a dense cube, index [y][x][c], channel fastest.
func NewField(w, h, channels int, counts []uint32, px maps.Pixel) (*Field, error) {
	b, err := NewBuilder(w, h, channels, Range{}, px)
	if err != nil {
		return nil, err
	}
	if len(counts) != w*h*channels {
		return nil, fmt.Errorf("spots: %d counts given; %d × %d pixels × %d channels make %d", len(counts), w, h, channels, w*h*channels)
	}
	for y := range h {
		if err := b.AddRow(counts[y*w*channels : (y+1)*w*channels]); err != nil {
			return nil, err
		}
	}
	return b.Field()
}

// NumChannels returns the number of channels kept.
func (f *Field) NumChannels() int { return f.nc }

// Total returns the counts of all pixels.
func (f *Field) Total() float64 {
	t := 0.0
	for _, n := range f.totals {
		t += float64(n)
	}
	return t
}

// Totals returns the map of counts per pixel.
func (f *Field) Totals() maps.Map {
	m := maps.New(f.W, f.H)
	m.What, m.Unit, m.Pixel = "counts in the channels used", "counts", f.Pixel
	for i, n := range f.totals {
		m.V[i] = float64(n)
	}
	return m
}

// Sum returns the sum spectrum, counts per channel.
func (f *Field) Sum() []float64 { return append([]float64(nil), f.sum...) }

// SumOver returns the sum spectrum of the marked pixels.
func (f *Field) SumOver(mask maps.Mask) ([]float64, error) {
	if mask.W != f.W || mask.H != f.H {
		return nil, fmt.Errorf("spots: mask of %d × %d pixels on a field of %d × %d", mask.W, mask.H, f.W, f.H)
	}
	s := make([]float64, f.nc)
	for p, in := range mask.In {
		if in {
			f.addTo(s, p, 1)
		}
	}
	return s, nil
}

// SumBy returns the sum spectra of n regions: label p is the region of pixel p,
// row by row; a negative label leaves the pixel out.
func (f *Field) SumBy(labels []int32, n int) ([][]float64, error) {
	if len(labels) != f.W*f.H {
		return nil, fmt.Errorf("spots: %d labels for a field of %d × %d pixels", len(labels), f.W, f.H)
	}
	out := make([][]float64, n)
	for i := range out {
		out[i] = make([]float64, f.nc)
	}
	for p, l := range labels {
		if int(l) >= n {
			return nil, fmt.Errorf("spots: pixel %d belongs to region %d; there are %d", p, l, n)
		}
		if l >= 0 {
			f.addTo(out[l], p, 1)
		}
	}
	return out, nil
}

// addTo adds the counts of pixel p, times weight, to dst.
func (f *Field) addTo(dst []float64, p int, weight float64) {
	for i := f.start[p]; i < f.start[p+1]; i++ {
		dst[f.ch[i]] += weight * float64(f.n[i])
	}
}
