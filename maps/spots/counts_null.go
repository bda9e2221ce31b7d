package spots

import (
	"context"
	"fmt"
	"slices"
)

// simulate is that of search, without the heights of pixels that are no local maxima.
func (s *countSearch) simulate(ctx context.Context) error {
	heights, maxima := make([][]float64, s.opt.Bootstrap), make([]float64, s.opt.Bootstrap)
	parallel(len(heights), s.opt.Workers, func() func(int) {
		class, scan := newClassMaps(2, len(s.n)), newCountScan(s.bank, s.valid)
		return func(i int) {
			if ctx.Err() != nil {
				return
			}
			s.draw(class, uint64(i))
			var peaks []peak
			peaks, maxima[i] = scan.peaks(class)
			for _, p := range peaks {
				heights[i] = append(heights[i], p.u)
			}
			s.progress.step()
		}
	})
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("spots: stopped: %w", err)
	}
	s.null = nullLaw{replicas: len(maxima), maxima: maxima, heights: slices.Concat(heights...)}
	slices.Sort(s.null.heights)
	slices.Sort(s.null.maxima)
	return nil
}
