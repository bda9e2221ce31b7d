package cube

import (
	"context"
	"fmt"
	"math"
	"sync"

	"example.org/fleck/maps"
)

// Sums are the sums of a cube over pixels and over channels.
type Sums struct {
	Sum         []uint64 // counts per channel over all pixels; 64 bit, since 32 bit can overflow
	MaxPixel    []uint32 // largest count of any pixel, per channel
	Total       uint64   // all counts
	Pixels      int      // number of pixels summed
	PixelTotals maps.Map // counts per pixel; NaN outside the mask
	Warnings    []string // what the sum spectrum says against the header, see CheckSum
}

// SumSpectra returns the sum spectrum, the maximum-pixel spectrum and the total
// counts of every pixel. workers and progress as in Each.
func SumSpectra(ctx context.Context, src Source, workers int, progress func(done, total int)) (Sums, error) {
	return SumMasked(ctx, src, workers, progress, nil)
}

// SumMasked is SumSpectra over the pixels that are true in in, which is stored
// row by row; nil means all pixels.
func SumMasked(ctx context.Context, src Source, workers int, progress func(done, total int), in []bool) (Sums, error) {
	h := src.Header()
	if err := h.Check(); err != nil {
		return Sums{}, err
	}
	if in != nil && len(in) != h.Pixels() {
		return Sums{}, fmt.Errorf("cube: mask of %d pixels for %d × %d pixels", len(in), h.Width, h.Height)
	}
	s := Sums{
		Sum:         make([]uint64, h.Channels),
		MaxPixel:    make([]uint32, h.Channels),
		PixelTotals: maps.New(h.Width, h.Height),
	}
	s.PixelTotals.What, s.PixelTotals.Unit, s.PixelTotals.Pixel = "total counts", "counts", h.Pixel

	// Whole numbers: the order of the additions does not matter.
	type partial struct {
		sum []uint64
		max []uint32
		n   int
	}
	var mu sync.Mutex
	var partials []*partial
	err := Each(ctx, src, workers, func() func(int, []uint32) error {
		p := &partial{sum: make([]uint64, h.Channels), max: make([]uint32, h.Channels)}
		mu.Lock()
		partials = append(partials, p)
		mu.Unlock()
		return func(y int, row []uint32) error {
			for x := range h.Width {
				if in != nil && !in[y*h.Width+x] {
					s.PixelTotals.Set(x, y, math.NaN())
					continue
				}
				px := row[x*h.Channels : (x+1)*h.Channels]
				s.PixelTotals.Set(x, y, float64(addPixel(p.sum, p.max, px)))
				p.n++
			}
			return nil
		}
	}, progress)
	if err != nil {
		return Sums{}, err
	}
	for _, p := range partials {
		s.Pixels += p.n
		for c, n := range p.sum {
			s.Sum[c] += n
			s.Total += n
			s.MaxPixel[c] = max(s.MaxPixel[c], p.max[c])
		}
	}
	s.Warnings = CheckSum(h, s.Sum)
	return s, nil
}

// addPixel adds one pixel's counts to sum, raises the maxima and returns the
// pixel's total. Most channels of a map pixel are empty.
func addPixel(sum []uint64, maxima, px []uint32) uint64 {
	sum, maxima = sum[:len(px)], maxima[:len(px)]
	var total uint64
	for c, n := range px {
		if n == 0 {
			continue
		}
		sum[c] += uint64(n)
		total += uint64(n)
		if n > maxima[c] {
			maxima[c] = n
		}
	}
	return total
}
