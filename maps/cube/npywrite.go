package cube

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"

	"example.org/fleck/maps"
)

// npyHeader returns magic, version 1.0 and header text, padded so that the
// data begin at a multiple of 64 bytes (numpy.lib.format, 1.24).
func npyHeader(descr string, shape ...int) []byte {
	dims := strings.Trim(strings.ReplaceAll(fmt.Sprint(shape), " ", ", "), "[]")
	text := fmt.Sprintf("{'descr': '%s', 'fortran_order': False, 'shape': (%s), }", descr, dims)
	length := (10+len(text)+1+63)/64*64 - 10
	b := append([]byte(npyMagic), 1, 0)
	b = binary.LittleEndian.AppendUint16(b, uint16(length))
	return append(b, text+strings.Repeat(" ", length-len(text)-1)+"\n"...)
}

// WriteNPY writes the rows as an NPY array of shape (height, width, channels),
// little-endian, C order, in the type of h (u32 when it is not stated). NPY
// carries no axis names, pixel size or energy scale; WriteNRRD does.
func WriteNPY(w io.Writer, h Header, rows RowReader) error {
	return writeNPY(w, h, oneFrame(rows), h.Height, h.Width, h.Channels)
}

// WriteNPYFrames is WriteNPY for n frames one after the other, of shape (frames,
// height, width, channels); frame returns the rows of one, counted from 0.
func WriteNPYFrames(w io.Writer, h Header, n int, frame func(k int) (RowReader, error)) error {
	if err := checkFrames(n); err != nil {
		return err
	}
	return writeNPY(w, h, frame, n, h.Height, h.Width, h.Channels)
}

// writeNPY writes an array whose shape ends in height, width, channels, of which there
// are as many frames as the size before them says.
func writeNPY(w io.Writer, h Header, frame func(k int) (RowReader, error), shape ...int) error {
	if err := h.Check(); err != nil {
		return err
	}
	descr := map[Type]string{U8: "|u1", U16: "<u2", U32: "<u4", 0: "<u4"}[h.Type]
	if _, err := w.Write(npyHeader(descr, shape...)); err != nil {
		return err
	}
	n := 1
	if len(shape) == 4 {
		n = shape[0]
	}
	return writeFrames(w, h, n, frame)
}

// WriteMapNPY writes a map as an NPY array of shape (height, width) of 64-bit
// floating-point numbers, little-endian. NaN stays NaN.
func WriteMapNPY(w io.Writer, m maps.Map) error {
	if err := m.Check(); err != nil {
		return err
	}
	bw := bufio.NewWriterSize(w, 64<<10)
	bw.Write(npyHeader("<f8", m.H, m.W)) // errors stay until Flush
	var b [8]byte
	for _, v := range m.V {
		binary.LittleEndian.PutUint64(b[:], math.Float64bits(v))
		bw.Write(b[:])
	}
	return bw.Flush()
}
