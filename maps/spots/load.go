package spots

import (
	"context"
	"fmt"

	"example.org/fleck/maps/cube"
)

// Load reads the channels of a cube that the search uses into a Field. One
// reader feeds the rows; workers 0 means all cores. For the memory see Field; while
// the rows are joined it takes up to twice as much.
func Load(ctx context.Context, src cube.Source, channels Range, workers int, progress func(done, total int)) (*Field, error) {
	h := src.Header()
	if err := h.Check(); err != nil {
		return nil, fmt.Errorf("spots: %w", err)
	}
	b, err := NewBuilder(h.Width, h.Height, h.Channels, channels, h.Pixel)
	if err != nil {
		return nil, err
	}
	// Every row is packed by its worker and joined in the order of rows.
	rows := make([]*Field, h.Height)
	err = cube.Each(ctx, src, workers, func() func(int, []uint32) error {
		return func(y int, row []uint32) error {
			one, err := NewBuilder(h.Width, 1, h.Channels, b.f.Channels, h.Pixel)
			if err != nil {
				return err
			}
			if err := one.AddRow(row); err != nil {
				return fmt.Errorf("spots: row %d of %d: %w", y, h.Height, err)
			}
			rows[y] = one.f
			one.f.sum = nil // added up once, below
			return nil
		}
	}, progress)
	if err != nil {
		return nil, err
	}
	n := 0
	for _, r := range rows {
		n += len(r.ch)
	}
	f := b.f
	f.ch, f.n = make([]uint16, 0, n), make([]uint16, 0, n)
	for y, r := range rows {
		for x := range f.W {
			f.start = append(f.start, len(f.ch)+r.start[x+1])
		}
		f.ch, f.n = append(f.ch, r.ch...), append(f.n, r.n...)
		f.totals = append(f.totals, r.totals...)
		for i, c := range r.ch {
			f.sum[c] += float64(r.n[i])
		}
		rows[y] = nil
	}
	b.rows = f.H
	return b.Field()
}
