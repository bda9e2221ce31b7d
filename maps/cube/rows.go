package cube

import (
	"bytes"
	"errors"
	"fmt"
	"io"
)

// blockBytes is the memory for a block of rows of a file whose rows do not lie
// in one piece. It holds many rows, so that each piece read is long.
const blockBytes = 64 << 20

// sequentialRows reads rows that lie one after the other.
type sequentialRows struct {
	h    Header
	name string
	l    layout
	in   *stream
	y    int
	buf  []byte
	tmp  []uint32 // a row [c][x], nil when channels are fastest
	err  error    // sticky
	done func()
}

func newSequentialRows(h Header, name string, l layout, in *stream, done func()) *sequentialRows {
	r := &sequentialRows{h: h, name: name, l: l, in: in, done: done}
	r.buf = make([]byte, l.w*l.c*l.val.size)
	if l.order == "ycx" {
		r.tmp = make([]uint32, l.w*l.c)
	}
	return r
}

func (r *sequentialRows) Header() Header { return r.h.clone() }

func (r *sequentialRows) ReadRow(dst []uint32) error {
	if r.err != nil {
		return r.err
	}
	if err := checkDst(dst, r.h); err != nil {
		return err
	}
	if err := r.readRow(dst); err != nil {
		r.err = err
		r.Close()
		return err
	}
	r.y++
	return nil
}

func (r *sequentialRows) readRow(dst []uint32) error {
	if r.y == r.l.h {
		if err := r.in.end(); err != nil {
			return fmt.Errorf("cube: %w", err)
		}
		return io.EOF
	}
	if _, err := io.ReadFull(r.in, r.buf); err != nil {
		return partError(r.name, "row", r.y, r.l.h, err)
	}
	out := dst
	if r.tmp != nil {
		out = r.tmp
	}
	if i, why := r.l.val.decode(out, r.buf); why != "" {
		return r.l.badValue(r.name, int64(r.y)*int64(len(dst))+int64(i), why)
	}
	if r.tmp != nil {
		spread(dst, r.tmp, r.l.w, r.l.c)
	}
	return nil
}

// spread turns a row [c][x] into [x][c], some channels at a time.
func spread(dst, src []uint32, w, channels int) {
	for c0 := 0; c0 < channels; c0 += channelGroup {
		c1 := min(c0+channelGroup, channels)
		for x := range w {
			from := src[c0*w+x:]
			out := dst[x*channels+c0 : x*channels+c1]
			for k := range out {
				out[k] = from[k*w]
			}
		}
	}
}

func (r *sequentialRows) Close() error {
	if r.err == nil {
		r.err = errClosed
	}
	r.in.Close()
	if r.done != nil {
		r.done()
		r.done = nil
	}
	return nil
}

// partError is the error of reading row or frame i of n.
func partError(name, what string, i, n int, err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("cube: %s: %w", name, &shortError{what, i, n})
	}
	return fmt.Errorf("cube: %s: %s %d of %d (counted from 0): %w", name, what, i, n, err)
}

// blockRows reads rows of which only pieces lie together, or the sums of rows of
// several frames, a block of rows at a time.
type blockRows struct {
	h     Header
	name  string
	l     layout
	at    io.ReaderAt
	sel   FrameRange // frames that are added up
	one   []uint32   // the block of one frame, where there are several
	rows  int        // per block
	block []uint32   // [row][x][c]
	first int        // first row of the block
	have  int        // rows in the block
	y     int
	buf   []byte
	piece []uint32
	err   error // sticky
}

// rowsPerBlock returns how many rows are read together into one of n blocks, which
// share the memory.
func rowsPerBlock(l layout, maxBytes int64, n int) int {
	maxBytes /= int64(n)
	budget := min(blockBytes/int64(n), maxBytes)
	if l.order[2] == 'y' {
		// Rows are fastest: every block passes over the whole file.
		budget = max(budget, maxBytes/2)
	}
	return int(min(max(budget/(4*int64(l.w)*int64(l.c)), 1), int64(l.h)))
}

// newBlockRows returns a reader of the sum over the frames sel; readers is how many
// are open together and share the memory.
func newBlockRows(h Header, name string, l layout, at io.ReaderAt, sel FrameRange, maxBytes int64, readers int) *blockRows {
	r := &blockRows{h: h, name: name, l: l, at: at, sel: sel}
	if sel.Count() > 1 {
		r.rows = rowsPerBlock(l, maxBytes, 2*readers)
		r.one = make([]uint32, r.rows*l.w*l.c)
	} else {
		r.rows = rowsPerBlock(l, maxBytes, readers)
	}
	r.block = make([]uint32, r.rows*l.w*l.c)
	return r
}

func (r *blockRows) Header() Header { return r.h.clone() }

func (r *blockRows) ReadRow(dst []uint32) error {
	if r.err != nil {
		return r.err
	}
	if err := checkDst(dst, r.h); err != nil {
		return err
	}
	if r.y == r.l.h {
		r.at, r.block, r.one, r.buf, r.piece = nil, nil, nil, nil, nil
		r.err = io.EOF
		return r.err
	}
	if r.y == r.first+r.have {
		r.first, r.have = r.y, min(r.rows, r.l.h-r.y)
		if err := r.fill(); err != nil {
			r.err = err
			return err
		}
	}
	n := len(dst)
	copy(dst, r.block[(r.y-r.first)*n:])
	r.y++
	return nil
}

// channelGroup channels are spread over the block together, so that what is
// written for one pixel fills a cache line (16 values of 4 bytes).
const channelGroup = 16

// fill reads rows first to first+have into the block, added up over the frames.
func (r *blockRows) fill() error {
	n := r.have * r.l.w * r.l.c
	if r.one == nil {
		return r.fillFrame(r.block[:n], r.sel.From)
	}
	clear(r.block[:n])
	for k := r.sel.From; k < r.sel.To; k++ {
		if err := r.fillFrame(r.one[:n], k); err != nil {
			return err
		}
		if i := addCounts(r.block[:n], r.one); i >= 0 {
			return sumTooLarge(r.name, r.first+i/r.h.RowLen(), i%r.h.RowLen()/r.l.c, i%r.l.c)
		}
	}
	return nil
}

// fillFrame reads rows first to first+have of one frame. With one index of the
// slowest axis fixed, if that is x or c, a plane over y and the other axis remains,
// of which the rows of the block are read.
func (r *blockRows) fillFrame(block []uint32, frame int) error {
	l, b := r.l, r.have
	start := int64(frame) * l.frame()
	if l.order[0] == 'y' {
		from := start + int64(r.first)*int64(l.w)*int64(l.c)
		if l.order == "yxc" {
			return r.readValues(block, from, len(block), len(block))
		}
		n := l.w * l.c
		if r.piece == nil {
			r.piece = make([]uint32, n)
		}
		for y := range b {
			if err := r.readValues(r.piece, from+int64(y)*int64(n), n, n); err != nil {
				return err
			}
			spread(block[y*n:(y+1)*n], r.piece, l.w, l.c)
		}
		return nil
	}
	slow := l.order[0]
	other := l.order[1]
	if other == 'y' {
		other = l.order[2]
	}
	n, m := *l.length(slow), *l.length(other)
	group := 1
	if slow == 'c' {
		group = min(channelGroup, n)
	}
	// One line more than needed: planes whose distance is a power of two would
	// compete for the same places of the cache.
	stride := b*m + channelGroup
	if r.piece == nil {
		r.piece = make([]uint32, group*(r.rows*m+channelGroup))
	}
	// Within a plane the value of row y and other index k stands at y·stepY + k·stepO.
	stepY, stepO := m, 1
	if l.order[2] == 'y' {
		stepY, stepO = 1, b
	}
	for i := 0; i < n; i += group {
		g := min(group, n-i)
		for k := range g {
			if err := r.readPlane(r.piece[k*stride:k*stride+b*m], start, i+k, m); err != nil {
				return err
			}
		}
		for y := range b {
			row := block[y*l.w*l.c : (y+1)*l.w*l.c]
			if slow == 'c' {
				for x := range m {
					from := r.piece[y*stepY+x*stepO:]
					out := row[x*l.c+i : x*l.c+i+g]
					for k := range out {
						out[k] = from[k*stride]
					}
				}
				continue
			}
			out, from := row[i*l.c:(i+1)*l.c], r.piece[y*stepY:]
			if stepO == 1 {
				copy(out, from)
				continue
			}
			for c := range out {
				out[c] = from[c*stepO]
			}
		}
	}
	return nil
}

// spanBytes is how much is read at once when pieces lie close together.
const spanBytes = 1 << 20

// readPlane reads the rows of the block at index i of the slowest axis, in the
// order of the file, of the frame that begins at value start; m is the length of the
// axis beside y.
func (r *blockRows) readPlane(dst []uint32, start int64, i, m int) error {
	l := r.l
	base := start + int64(i)*int64(m)*int64(l.h) // values before the plane
	if l.order[1] == 'y' {
		return r.readValues(dst, base+int64(r.first)*int64(m), len(dst), len(dst))
	}
	if r.have == l.h {
		return r.readValues(dst, base, len(dst), len(dst))
	}
	// Pieces of have values every h values: read as many as fit in a span.
	pieces := max(spanBytes/(l.h*l.val.size), 1)
	for k := 0; k < m; k += pieces {
		p := min(pieces, m-k)
		from := base + int64(k)*int64(l.h) + int64(r.first)
		if err := r.readValues(dst[k*r.have:(k+p)*r.have], from, r.have, l.h); err != nil {
			return err
		}
	}
	return nil
}

// readValues reads pieces of n values that begin every step values from value
// index from on, into dst without gaps.
func (r *blockRows) readValues(dst []uint32, from int64, n, step int) error {
	size := r.l.val.size
	pieces := len(dst) / n
	length := ((pieces-1)*step + n) * size
	if cap(r.buf) < length {
		r.buf = make([]byte, length)
	}
	buf := r.buf[:length]
	if got, err := r.at.ReadAt(buf, from*int64(size)); got < len(buf) {
		return r.l.endError(r.name, from+int64(got/size), err)
	}
	for k := range pieces {
		if i, why := r.l.val.decode(dst[k*n:(k+1)*n], buf[k*step*size:]); why != "" {
			return r.l.badValue(r.name, from+int64(k*step+i), why)
		}
	}
	return nil
}

// bytesAt is data in memory.
func bytesAt(b []byte) io.ReaderAt { return bytes.NewReader(b) }
