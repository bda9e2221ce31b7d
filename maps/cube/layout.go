package cube

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
)

// kind is the kind of number that a file stores.
type kind uint8

const (
	unsigned kind = iota
	signed
	floating
)

// value is the stored form of one value.
type value struct {
	kind kind
	size int // bytes
	big  bool
}

func (v value) String() string {
	s := fmt.Sprintf("%c%d", "uif"[v.kind], 8*v.size)
	if v.size > 1 {
		if v.big {
			s += " big-endian"
		} else {
			s += " little-endian"
		}
	}
	return s
}

// countType returns the smallest type that holds the counts.
func (v value) countType() Type {
	switch {
	case v.kind == floating || v.size > 2:
		return U32
	case v.size == 2:
		return U16
	}
	return U8
}

// decode turns the stored values of src into counts. It returns the index of
// the first value that is not a count and why, or −1.
func (v value) decode(dst []uint32, src []byte) (bad int, why string) {
	src = src[:len(dst)*v.size]
	switch {
	case v.kind == unsigned && v.size == 1:
		for i := range dst {
			dst[i] = uint32(src[i])
		}
	case v.kind == unsigned && v.size == 2 && !v.big:
		for i := range dst {
			dst[i] = uint32(binary.LittleEndian.Uint16(src[2*i:]))
		}
	case v.kind == unsigned && v.size == 2:
		for i := range dst {
			dst[i] = uint32(binary.BigEndian.Uint16(src[2*i:]))
		}
	case v.kind == unsigned && v.size == 4 && !v.big:
		for i := range dst {
			dst[i] = binary.LittleEndian.Uint32(src[4*i:])
		}
	case v.kind == unsigned && v.size == 4:
		for i := range dst {
			dst[i] = binary.BigEndian.Uint32(src[4*i:])
		}
	default:
		for i := range dst {
			n, why := v.count(src[i*v.size:])
			if why != "" {
				return i, why
			}
			dst[i] = n
		}
	}
	return -1, ""
}

// count reads one value of any kind.
func (v value) count(src []byte) (n uint32, why string) {
	bits := v.bits(src)
	if v.kind == floating {
		f := v.float(bits)
		switch {
		case math.IsNaN(f) || f < 0 || f > math.MaxUint32:
			return 0, fmt.Sprintf("%g; counts are from 0 to 4294967295", f)
		case f != math.Trunc(f):
			return 0, fmt.Sprintf("%g; counts are whole numbers (averaged or processed data are no counts)", f)
		}
		return uint32(f), ""
	}
	if v.kind == signed {
		shift := 64 - 8*v.size
		if s := int64(bits<<shift) >> shift; s < 0 {
			return 0, fmt.Sprintf("%d; counts are not negative", s)
		}
	}
	if bits > math.MaxUint32 {
		return 0, fmt.Sprintf("%d; counts are from 0 to 4294967295", bits)
	}
	return uint32(bits), ""
}

// bits returns the stored bytes of one value as a number.
func (v value) bits(src []byte) uint64 {
	var bits uint64
	for i := range v.size {
		b := uint64(src[i])
		if v.big {
			bits = bits<<8 | b
		} else {
			bits |= b << (8 * i)
		}
	}
	return bits
}

// float interprets bits as an IEEE number of v's size.
func (v value) float(bits uint64) float64 {
	if v.size == 4 {
		return float64(math.Float32frombits(uint32(bits)))
	}
	return math.Float64frombits(bits)
}

// number returns one stored value as a float64.
func (v value) number(src []byte) float64 {
	bits := v.bits(src)
	switch v.kind {
	case floating:
		return v.float(bits)
	case signed:
		shift := 64 - 8*v.size
		return float64(int64(bits<<shift) >> shift)
	}
	return float64(bits)
}

// layout is how the values of a cube lie in their file.
type layout struct {
	w, h, c int
	frames  int    // one after the other; 1 without a frame axis
	order   string // within a frame: three letters of y, x, c, slowest first
	val     value
}

// newLayout takes the sizes of the axes named by order, slowest first. Axes not
// named have length 1. Frames (f) that do not come one after the other are refused.
func newLayout(order string, sizes []int, val value) (layout, error) {
	l := layout{w: 1, h: 1, c: 1, frames: 1, val: val}
	if len(order) != len(sizes) {
		return l, fmt.Errorf("%d sizes %v for the axes %s", len(sizes), sizes, spell(order))
	}
	for i, n := range sizes {
		if n <= 0 {
			return l, fmt.Errorf("axis %c has length %d; must be above 0", order[i], n)
		}
		*l.length(order[i]) = n
	}
	if _, ok := product(8, l.frames, l.w, l.h, l.c); !ok {
		return l, fmt.Errorf("sizes %v are more than can be addressed", sizes)
	}
	// An axis of length 1 may stand anywhere: y first and c last suit reading.
	var long strings.Builder
	for _, a := range order {
		if *l.length(byte(a)) > 1 {
			long.WriteRune(a)
		}
	}
	l.order = long.String()
	if l.frames > 1 {
		if l.order[0] != 'f' {
			return l, fmt.Errorf("axes %s with %d frames; accepted are frames one after the other, f slowest, such as f,y,x,c", spell(order), l.frames)
		}
		l.order = l.order[1:]
	}
	if l.h == 1 {
		l.order = "y" + l.order
	}
	if l.c == 1 {
		l.order += "c"
	}
	if l.w == 1 {
		l.order = l.order[:1] + "x" + l.order[1:]
	}
	return l, nil
}

// length returns the length of the axis called a.
func (l *layout) length(a byte) *int {
	switch a {
	case 'y':
		return &l.h
	case 'x':
		return &l.w
	case 'f':
		return &l.frames
	}
	return &l.c
}

// frame returns the number of values of a frame; newLayout has checked that it fits.
func (l layout) frame() int64 { return int64(l.w) * int64(l.h) * int64(l.c) }

// values returns the number of values of all frames.
func (l layout) values() int64 { return int64(l.frames) * l.frame() }

// bytes returns the stored size of all frames.
func (l layout) bytes() int64 { return l.values() * int64(l.val.size) }

// place returns the position, within its frame, of the value stored at index i.
func (l layout) place(i int64) (y, x, c int) {
	var at [3]int
	i %= l.frame()
	for k := 2; k >= 0; k-- {
		n := int64(*l.length(l.order[k]))
		at[k] = int(i % n)
		i /= n
	}
	for k, a := range []byte(l.order) {
		switch a {
		case 'y':
			y = at[k]
		case 'x':
			x = at[k]
		default:
			c = at[k]
		}
	}
	return y, x, c
}

func (l layout) badValue(name string, i int64, why string) error {
	y, x, c := l.place(i)
	if l.frames > 1 {
		name = fmt.Sprintf("%s: frame %d", name, i/l.frame())
	}
	return fmt.Errorf("cube: %s: row %d, column %d, channel %d holds %s", name, y, x, c, why)
}

// endError is the error of data that end or fail at value i.
func (l layout) endError(name string, i int64, err error) error {
	if l.frames > 1 {
		return partError(name, "frame", int(i/l.frame()), l.frames, err)
	}
	y, _, _ := l.place(i)
	return partError(name, "row", y, l.h, err)
}

// describe says what the stored bytes are made of.
func (l layout) describe() string {
	text := fmt.Sprintf("%d × %d pixels (width × height) with %d channels of %v", l.w, l.h, l.c, l.val)
	if l.frames > 1 {
		text = fmt.Sprintf("%d frames of ", l.frames) + text
	}
	return text
}

// spell writes axis letters with commas.
func spell(order string) string { return strings.Join(strings.Split(order, ""), ",") }
