package cube

import (
	"context"
	"fmt"
	"io"
)

// Memory is a cube held in memory. Data is [y][x][c] and has Height·Width·Channels
// values.
type Memory struct {
	Head Header
	Data []uint32
}

// NewMemory returns a cube of zeros.
func NewMemory(h Header) (*Memory, error) {
	if err := h.Check(); err != nil {
		return nil, err
	}
	if h.Type == 0 {
		h.Type = U32
	}
	return &Memory{Head: h.clone(), Data: make([]uint32, h.Height*h.RowLen())}, nil
}

// Header returns what the cube is.
func (m Memory) Header() Header { return m.Head.clone() }

// Row returns row y, which shares memory with the cube.
func (m Memory) Row(y int) []uint32 {
	n := m.Head.RowLen()
	return m.Data[y*n : (y+1)*n : (y+1)*n]
}

// Spectrum returns the counts of pixel (x, y), which share memory with the cube.
func (m Memory) Spectrum(x, y int) []uint32 {
	c := m.Head.Channels
	i := (y*m.Head.Width + x) * c
	return m.Data[i : i+c : i+c]
}

// Rows returns a reader that starts at the first row. It fails when header and
// data disagree.
func (m Memory) Rows() (RowReader, error) {
	if err := m.Head.Check(); err != nil {
		return nil, err
	}
	if want := m.Head.Height * m.Head.RowLen(); len(m.Data) != want {
		return nil, fmt.Errorf("cube: %d × %d pixels with %d channels are %d values, found %d", m.Head.Width, m.Head.Height, m.Head.Channels, want, len(m.Data))
	}
	return &memoryRows{m: m}, nil
}

type memoryRows struct {
	m Memory
	y int
}

func (r *memoryRows) Header() Header { return r.m.Header() }

func (r *memoryRows) ReadRow(dst []uint32) error {
	if err := checkDst(dst, r.m.Head); err != nil {
		return err
	}
	if r.y >= r.m.Head.Height {
		return io.EOF
	}
	copy(dst, r.m.Row(r.y))
	r.y++
	return nil
}

func checkDst(dst []uint32, h Header) error {
	if len(dst) != h.RowLen() {
		return fmt.Errorf("cube: row of %d values asked for; %d pixels × %d channels are %d", len(dst), h.Width, h.Channels, h.RowLen())
	}
	return nil
}

// Load reads a whole cube into memory. A cube that takes more than maxBytes
// there (4 bytes a value; 0 means DefaultMaxBytes) is refused.
func Load(ctx context.Context, src Source, maxBytes int64) (*Memory, error) {
	h := src.Header()
	if err := h.Check(); err != nil {
		return nil, err
	}
	if maxBytes <= 0 {
		maxBytes = DefaultMaxBytes
	}
	if n, ok := product(4, h.Height, h.Width, h.Channels); !ok || n > maxBytes {
		return nil, fmt.Errorf("cube: %d × %d pixels with %d channels take %d bytes in memory, allowed are %d", h.Width, h.Height, h.Channels, n, maxBytes)
	}
	m, err := NewMemory(h)
	if err != nil {
		return nil, err
	}
	err = Each(ctx, src, 1, func() func(int, []uint32) error {
		return func(y int, row []uint32) error { copy(m.Row(y), row); return nil }
	}, nil)
	if err != nil {
		return nil, err
	}
	return m, nil
}
