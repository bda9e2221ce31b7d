package cube

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
)

// FrameRange is a range of frames From ≤ i < To, counted from 0 in order of time.
type FrameRange struct {
	From, To int
}

// Count returns the number of frames.
func (r FrameRange) Count() int { return r.To - r.From }

// String writes the first and the last frame, "0-4", or the only one.
func (r FrameRange) String() string {
	if r.Count() == 1 {
		return strconv.Itoa(r.From)
	}
	return fmt.Sprintf("%d-%d", r.From, r.To-1)
}

// ParseFrames reads what String writes: one frame, or the first and the last.
func ParseFrames(s string) (FrameRange, error) {
	first, last, two := strings.Cut(strings.TrimSpace(s), "-")
	if !two {
		last = first
	}
	a, errA := strconv.Atoi(first)
	b, errB := strconv.Atoi(last)
	if errA != nil || errB != nil || a < 0 || b < a || b == math.MaxInt {
		return FrameRange{}, fmt.Errorf("cube: frames %q; one frame or the first and the last are accepted, counted from 0, such as 0-4", s)
	}
	return FrameRange{a, b + 1}, nil
}

// Framed is a Source that was recorded as several frames, complete scans of the
// field one after the other. Its own counts are the sum over those in
// Header.Selected.
type Framed interface {
	Source
	// FrameSum returns the sum over a range of the frames, which is read from the
	// source and ends with it.
	FrameSum(r FrameRange) (Source, error)
}

// Halves returns the first and the second half of the selected frames of src, each
// as a sum; of an odd number the second half has one frame more. ok is false when
// there are not two frames.
func Halves(src Source) (first, second Source, ok bool, err error) {
	h := src.Header()
	framed, ok := src.(Framed)
	sel := h.selected()
	if !ok || sel.Count() < 2 {
		return nil, nil, false, nil
	}
	middle := sel.From + sel.Count()/2
	if first, err = framed.FrameSum(FrameRange{sel.From, middle}); err != nil {
		return nil, nil, false, err
	}
	second, err = framed.FrameSum(FrameRange{middle, sel.To})
	return first, second, err == nil, err
}

// selected returns the range of the frames that are summed.
func (h Header) selected() FrameRange {
	if h.Selected == (FrameRange{}) {
		return FrameRange{0, max(1, h.Frames)}
	}
	return h.Selected
}

// unnamedFrames refuses four sizes without names, slowest first, that may not be
// f,y,x,c: that is taken only where the last axis is the longest, as that of the
// channels mostly is.
func unnamedFrames(sizes []int) error {
	if sizes[3] == slices.Max(sizes) {
		return nil
	}
	return fmt.Errorf("four axes without names and of sizes %v; f,y,x,c (frames, height, width, channels) are accepted where the last is the longest: state which they are (axes)", sizes)
}

// typeFor returns the smallest type that holds a count, U32 if none does.
func typeFor(largest uint64) Type {
	t := U8
	for t < U32 && largest > uint64(t.Max()) {
		t++
	}
	return t
}

// selectFrames puts the frames that are read into the header; zero means all.
func (f *File) selectFrames(sel FrameRange) error {
	n := f.l.frames
	if n > 1 {
		f.h.Frames, f.h.Selected = n, FrameRange{0, n}
	}
	if sel == (FrameRange{}) {
		sel.To = n
	}
	h, err := f.sumHeader(sel)
	if err != nil {
		return err
	}
	f.h = h
	return nil
}

// sumHeader returns the header of the sum over a range of the frames, whose share of
// the time goes by their number.
func (f *File) sumHeader(r FrameRange) (Header, error) {
	if r.From < 0 || r.From >= r.To || r.To > f.l.frames {
		has := "one frame"
		if f.l.frames > 1 {
			has = fmt.Sprintf("%d frames", f.l.frames)
		}
		return Header{}, fmt.Errorf("cube: %s: frames %d to %d asked for (counted from 0); the cube has %s", f.name, r.From, r.To-1, has)
	}
	h := f.Header()
	if f.l.frames == 1 {
		return h, nil
	}
	share := float64(r.Count()) / float64(h.selected().Count())
	h.Conditions.LiveTimeS *= share
	h.Conditions.RealTimeS *= share
	h.Type = typeFor(uint64(f.l.val.countType().Max()) * uint64(r.Count()))
	h.Selected = r
	return h, nil
}

// FrameSum returns the sum over a range of the frames.
func (f *File) FrameSum(r FrameRange) (Source, error) {
	h, err := f.sumHeader(r)
	if err != nil {
		return nil, err
	}
	return frameSum{f, h}, nil
}

// frameSum is a file with another selection of its frames.
type frameSum struct {
	f *File
	h Header
}

func (s frameSum) Header() Header { return s.h.clone() }

func (s frameSum) Rows() (RowReader, error) { return s.f.rows(s.Header()) }

// frameRows returns a reader of the frames that h has selected, of a file that has
// several. The caller holds the lock.
func (f *File) frameRows(h Header) (RowReader, error) {
	if f.at != nil {
		return newBlockRows(h, f.name, f.l, f.at, h.selected(), f.maxBytes, f.readers), nil
	}
	bytes, room := 4*f.l.frame(), f.maxBytes/int64(f.readers)
	if bytes > room {
		return nil, fmt.Errorf("cube: %s: the sum over the frames of a file without random access (compressed) takes %d bytes in memory, allowed are %d: decompress the file: %w", f.name, bytes, room, ErrTooLarge)
	}
	return &summedRows{f: f, h: h}, nil
}

// summedRows reads the sum over frames that cannot be read at any place. It is made
// in memory with the first row, and freed with the last.
type summedRows struct {
	f    *File
	h    Header
	rows *blockRows
	err  error // sticky
}

func (r *summedRows) Header() Header { return r.h.clone() }

func (r *summedRows) ReadRow(dst []uint32) error {
	if r.err != nil {
		return r.err
	}
	if r.rows == nil {
		sum, err := r.f.sumFrames(r.h.selected())
		if err != nil {
			r.err = err
			return err
		}
		l := r.f.l
		l.frames, l.val = 1, value{kind: unsigned, size: 4}
		room := r.f.maxBytes
		if l.order[0] == 'y' {
			room = 0 // one row at a time: they lie in one piece already
		}
		r.rows = newBlockRows(r.h, r.f.name, l, bytesAt(sum), FrameRange{0, 1}, room, r.f.readers)
	}
	return r.rows.ReadRow(dst)
}

// Close frees the memory and ends the rows.
func (r *summedRows) Close() error {
	r.rows = nil
	if r.err == nil {
		r.err = errClosed
	}
	return nil
}

// sumFrames adds up frames of a stream, in the order of the file, as 32 bit
// little-endian.
func (f *File) sumFrames(sel FrameRange) ([]byte, error) {
	st := f.data.stream()
	defer st.Close()
	l, size := f.l, int64(f.l.val.size)
	start := int64(sel.From) * l.frame()
	if n, err := io.CopyN(io.Discard, st, start*size); err != nil {
		return nil, l.endError(f.name, n/size, err)
	}
	sum := make([]byte, 4*l.frame())
	counts := make([]uint32, min(l.frame(), 64<<10))
	buf := make([]byte, int64(len(counts))*size)
	for k := range int64(sel.Count()) {
		for i := int64(0); i < l.frame(); i += int64(len(counts)) {
			n := min(int64(len(counts)), l.frame()-i)
			at := start + k*l.frame() + i
			if got, err := io.ReadFull(st, buf[:n*size]); err != nil {
				return nil, l.endError(f.name, at+int64(got)/size, err)
			}
			if j, why := l.val.decode(counts[:n], buf); why != "" {
				return nil, l.badValue(f.name, at+int64(j), why)
			}
			for j, c := range counts[:n] {
				if c == 0 {
					continue
				}
				b := sum[4*(i+int64(j)):]
				old := binary.LittleEndian.Uint32(b)
				if old > math.MaxUint32-c {
					y, x, ch := l.place(i + int64(j))
					return nil, sumTooLarge(f.name, y, x, ch)
				}
				binary.LittleEndian.PutUint32(b, old+c)
			}
		}
	}
	if sel.To < l.frames {
		return sum, nil
	}
	if err := st.end(); err != nil {
		return nil, fmt.Errorf("cube: %w", err)
	}
	return sum, nil
}

// addCounts adds counts to sum and returns the index of the first sum beyond 32
// bits, or −1.
func addCounts(sum, counts []uint32) int {
	counts = counts[:len(sum)]
	for i, n := range counts {
		if n == 0 {
			continue
		}
		if sum[i] += n; sum[i] < n {
			return i
		}
	}
	return -1
}

func sumTooLarge(name string, y, x, c int) error {
	return fmt.Errorf("cube: %s: row %d, column %d, channel %d: the sum over the frames exceeds 4294967295", name, y, x, c)
}
