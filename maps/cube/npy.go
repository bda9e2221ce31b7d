package cube

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

const npyMagic = "\x93NUMPY"

// maxNPYHeader is the limit of NumPy's own reader (numpy.lib.format, 1.24).
const maxNPYHeader = 10000

// npy is a parsed NPY header.
type npy struct {
	val     value
	fortran bool
	shape   []int
}

// readNPY reads a header, magic included, and returns it with its length.
func readNPY(r io.Reader) (npy, int64, error) {
	var pre [12]byte
	if _, err := io.ReadFull(r, pre[:10]); err != nil || string(pre[:6]) != npyMagic {
		return npy{}, 0, errors.New("no NPY header")
	}
	length, start := int64(binary.LittleEndian.Uint16(pre[8:])), int64(10)
	switch pre[6] {
	case 1:
	case 2, 3:
		if _, err := io.ReadFull(r, pre[10:12]); err != nil {
			return npy{}, 0, errors.New("NPY header cut short")
		}
		length, start = int64(binary.LittleEndian.Uint32(pre[8:])), 12
	default:
		return npy{}, 0, fmt.Errorf("NPY version %d.%d; 1 to 3 can be read", pre[6], pre[7])
	}
	if length > maxNPYHeader {
		return npy{}, 0, fmt.Errorf("NPY header of %d bytes; up to %d are read", length, maxNPYHeader)
	}
	text := make([]byte, length)
	if _, err := io.ReadFull(r, text); err != nil {
		return npy{}, 0, errors.New("NPY header cut short")
	}
	h, err := parseNPY(string(text))
	if err != nil {
		return npy{}, 0, fmt.Errorf("NPY header: %w", err)
	}
	return h, start + length, nil
}

// parseNPY reads the header text, a Python dictionary with exactly the keys
// descr, fortran_order and shape.
func parseNPY(text string) (h npy, err error) {
	p := &literal{s: text}
	seen := map[string]bool{}
	if !p.token("{") {
		return h, fmt.Errorf("%.20q does not begin with {", text)
	}
	for !p.token("}") {
		key, err := p.str()
		if err != nil {
			return h, err
		}
		if seen[key] {
			return h, fmt.Errorf("key %q twice", key)
		}
		seen[key] = true
		if !p.token(":") {
			return h, fmt.Errorf("no colon after %q", key)
		}
		switch key {
		case "descr":
			if p.peek() == '[' {
				return h, errors.New("descr is a list: structured arrays hold no counts")
			}
			s, err := p.str()
			if err != nil {
				return h, err
			}
			if h.val, err = parseDescr(s); err != nil {
				return h, err
			}
		case "fortran_order":
			switch {
			case p.token("True"):
				h.fortran = true
			case !p.token("False"):
				return h, errors.New("fortran_order is neither True nor False")
			}
		case "shape":
			if h.shape, err = p.tuple(); err != nil {
				return h, err
			}
			if slices.Contains(h.shape, 0) {
				return h, fmt.Errorf("shape %v holds %w; every size must be above 0", h.shape, ErrNoValues)
			}
		default:
			return h, fmt.Errorf("key %.40q; only descr, fortran_order and shape belong here", key)
		}
		if !p.token(",") && p.peek() != '}' {
			return h, fmt.Errorf("no comma after the value of %s", key)
		}
	}
	if p.peek() != 0 {
		return h, errors.New("text after the closing }")
	}
	for _, key := range []string{"descr", "fortran_order", "shape"} {
		if !seen[key] {
			return h, fmt.Errorf("key %q is missing", key)
		}
	}
	return h, nil
}

func parseDescr(s string) (value, error) {
	bad := func(why string) (value, error) {
		return value{}, fmt.Errorf("descr %.40q: %s; integers u1 to u8, i1 to i8 and floats f4, f8 can be read", s, why)
	}
	if len(s) == 3 {
		switch s[1] {
		case 'O':
			return bad("objects are a Python pickle, which is never decoded")
		case 'c', 'b', 'S', 'U', 'V', 'M', 'm':
			return bad("no numbers of counts")
		}
	}
	if strings.Contains(s, "O") {
		return bad("objects are a Python pickle, which is never decoded")
	}
	if len(s) != 3 {
		return bad("not known")
	}
	v := value{size: int(s[2] - '0'), big: s[0] == '>'}
	switch s[1] {
	case 'u':
		v.kind = unsigned
	case 'i':
		v.kind = signed
	case 'f':
		v.kind = floating
	default:
		return bad("not known")
	}
	switch {
	case v.size != 1 && v.size != 2 && v.size != 4 && v.size != 8 || v.kind == floating && v.size < 4:
		return bad("size not known")
	case s[0] == '|' && v.size == 1, s[0] == '<', s[0] == '>':
		if v.size == 1 {
			v.big = false
		}
		return v, nil
	}
	return bad("no byte order")
}

// literal reads the few Python literals that a header holds.
type literal struct {
	s string
}

func (p *literal) peek() byte {
	p.s = strings.TrimLeft(p.s, " \t\r\n")
	if p.s == "" {
		return 0
	}
	return p.s[0]
}

func (p *literal) token(t string) bool {
	p.peek()
	rest, ok := strings.CutPrefix(p.s, t)
	if ok {
		p.s = rest
	}
	return ok
}

func (p *literal) str() (string, error) {
	q := p.peek()
	if q != '\'' && q != '"' {
		return "", fmt.Errorf("%.20q is not a string", p.s)
	}
	s, rest, ok := strings.Cut(p.s[1:], string(q))
	if !ok || strings.Contains(s, `\`) {
		return "", fmt.Errorf("%.20q is not a plain string", p.s)
	}
	p.s = rest
	return s, nil
}

// tuple reads (2, 3, 4), also (2L, 3L) of old writers.
func (p *literal) tuple() ([]int, error) {
	if !p.token("(") {
		return nil, fmt.Errorf("shape %.20q is not a tuple", p.s)
	}
	shape := []int{}
	for !p.token(")") {
		p.peek()
		n := strings.IndexFunc(p.s, func(r rune) bool { return r < '0' || r > '9' })
		if n <= 0 {
			return nil, fmt.Errorf("shape: %.20q is not a whole number ≥ 0", p.s)
		}
		v, err := strconv.Atoi(p.s[:n])
		if err != nil {
			return nil, fmt.Errorf("shape: %.30s is too large", p.s[:n])
		}
		p.s = p.s[n:]
		p.token("L")
		comma := p.token(",")
		if !comma && (p.peek() != ')' || len(shape) == 0) {
			return nil, errors.New("shape: no comma between sizes")
		}
		shape = append(shape, v)
		if len(shape) > 32 { // NPY_MAXDIMS of NumPy 1
			return nil, errors.New("shape: more than 32 axes")
		}
	}
	return shape, nil
}

// npyLayout turns a header into a layout. The axes are named in the order of
// the shape; Fortran order stores the first one fastest.
func npyLayout(h npy, axes string) (layout, error) {
	sizes := h.shape
	if h.fortran {
		axes, sizes = reversed(axes, sizes)
	}
	return newLayout(axes, sizes, h.val)
}

func reversed(axes string, sizes []int) (string, []int) {
	a := make([]byte, len(axes))
	for i := range axes {
		a[len(axes)-1-i] = axes[i]
	}
	s := make([]int, len(sizes))
	for i := range sizes {
		s[len(sizes)-1-i] = sizes[i]
	}
	return string(a), s
}
