package cube

import (
	"errors"
	"fmt"
	"io"
	"slices"
)

// Series is one field recorded in several cubes, in order of time. Its counts are the
// sum; its frames are those of the cubes, one for a cube that has none.
type Series struct {
	h     Header
	parts []Source
	first []int // of the frames of each part
}

// NewSeries returns the series of two or more cubes, which must have the same size and
// must have been recorded alike. Files share their bound on memory from then on.
func NewSeries(parts ...Source) (*Series, error) {
	if len(parts) < 2 {
		return nil, fmt.Errorf("cube: a series of %d; two cubes or more are accepted", len(parts))
	}
	s := &Series{h: parts[0].Header(), parts: slices.Clone(parts)}
	first := s.h
	h := &s.h
	h.Frames, h.Type, h.Warnings = 0, 0, nil
	var largest uint64
	for i, p := range parts {
		o := p.Header()
		what, here, there := first.Differs(o)
		if o.Width != first.Width || o.Height != first.Height {
			what = "size (pixels)"
			here, there = fmt.Sprintf("%d × %d", first.Width, first.Height), fmt.Sprintf("%d × %d", o.Width, o.Height)
		}
		if what != "" {
			return nil, fmt.Errorf("cube: cube %d of a series differs from the first in %s: %v against %v; only cubes recorded alike can be added up", i+1, what, there, here)
		}
		s.first = append(s.first, h.Frames)
		h.Frames += o.selected().Count()
		largest += uint64(o.Type.Max())
		for _, w := range o.Warnings {
			if !slices.Contains(h.Warnings, w) {
				h.Warnings = append(h.Warnings, w)
			}
		}
	}
	h.Selected = FrameRange{0, h.Frames}
	h.Type = typeFor(largest)
	s.addTimes(h, parts)
	for _, p := range parts {
		if f, ok := p.(*File); ok {
			f.mu.Lock()
			f.readers = len(parts)
			f.mu.Unlock()
		}
	}
	return s, nil
}

// addTimes puts the times of the parts into h; a time that one part does not state is
// not known of the sum.
func (s *Series) addTimes(h *Header, parts []Source) {
	live, real := 0., 0.
	knownLive, knownReal := true, true
	for _, p := range parts {
		c := p.Header().Conditions
		live, real = live+c.LiveTimeS, real+c.RealTimeS
		knownLive, knownReal = knownLive && c.LiveTimeS > 0, knownReal && c.RealTimeS > 0
	}
	if !knownLive {
		live = 0
	}
	if !knownReal {
		real = 0
	}
	h.Conditions.LiveTimeS, h.Conditions.RealTimeS = live, real
}

// Header returns what the sum is.
func (s *Series) Header() Header { return s.h.clone() }

// FrameSum returns the sum over a range of the frames of all cubes.
func (s *Series) FrameSum(r FrameRange) (Source, error) {
	if r.From < 0 || r.From >= r.To || r.To > s.h.Frames {
		return nil, fmt.Errorf("cube: frames %d to %d asked for (counted from 0); the series has %d frames", r.From, r.To-1, s.h.Frames)
	}
	var parts []Source
	for i, p := range s.parts {
		sel := p.Header().selected()
		from, to := max(r.From-s.first[i], 0), min(r.To-s.first[i], sel.Count())
		if from >= to {
			continue
		}
		if to-from < sel.Count() {
			var err error
			if p, err = p.(Framed).FrameSum(FrameRange{sel.From + from, sel.From + to}); err != nil {
				return nil, err
			}
		}
		parts = append(parts, p)
	}
	out := &Series{h: s.Header(), parts: parts}
	out.h.Selected = r
	s.addTimes(&out.h, parts)
	return out, nil
}

// Rows returns a reader of the sums that starts at the first row.
func (s *Series) Rows() (RowReader, error) {
	out := &seriesRows{h: s.Header(), one: make([]uint32, s.h.RowLen())}
	for _, p := range s.parts {
		r, err := p.Rows()
		if err != nil {
			out.Close()
			return nil, err
		}
		out.parts = append(out.parts, r)
	}
	return out, nil
}

// Close closes the cubes that can be closed.
func (s *Series) Close() error {
	var errs []error
	for _, p := range s.parts {
		if c, ok := p.(io.Closer); ok {
			errs = append(errs, c.Close())
		}
	}
	return errors.Join(errs...)
}

// seriesRows adds up the rows of the cubes of a series.
type seriesRows struct {
	h     Header
	parts []RowReader
	one   []uint32
	y     int
	err   error // sticky
}

func (r *seriesRows) Header() Header { return r.h.clone() }

func (r *seriesRows) ReadRow(dst []uint32) error {
	if r.err != nil {
		return r.err
	}
	if err := checkDst(dst, r.h); err != nil {
		return err
	}
	if r.err = r.readRow(dst); r.err != nil {
		err := r.err
		r.Close()
		return err
	}
	r.y++
	return nil
}

func (r *seriesRows) readRow(dst []uint32) error {
	clear(dst)
	for i, p := range r.parts {
		err := p.ReadRow(r.one)
		switch {
		case errors.Is(err, io.EOF) && r.y < r.h.Height:
			return fmt.Errorf("cube: cube %d of a series: %w", i+1, &shortError{"row", r.y, r.h.Height})
		case errors.Is(err, io.EOF) && i < len(r.parts)-1:
			continue // all are read to their end, where checksums stand
		case err != nil:
			return err
		}
		if k := addCounts(dst, r.one); k >= 0 {
			return sumTooLarge(fmt.Sprintf("cube %d of a series", i+1), r.y, k/r.h.Channels, k%r.h.Channels)
		}
	}
	return nil
}

// Close ends the rows of all cubes.
func (r *seriesRows) Close() error {
	for _, p := range r.parts {
		closeRows(p)
	}
	if r.err == nil {
		r.err = errClosed
	}
	return nil
}
