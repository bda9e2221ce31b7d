package cube

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/klauspost/compress/gzip"

	"example.org/fleck/maps"
)

// Encoding is how the data of an NRRD file are stored.
type Encoding uint8

// Encodings.
const (
	Raw Encoding = iota
	Gzip
)

func (e Encoding) String() string {
	switch e {
	case Raw:
		return "raw"
	case Gzip:
		return "gzip"
	}
	return fmt.Sprintf("encoding %d", uint8(e))
}

// ParseEncoding reads "raw" or "gzip", ignoring case.
func ParseEncoding(s string) (Encoding, error) {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "raw":
		return Raw, nil
	case "gzip", "gz":
		return Gzip, nil
	}
	return 0, fmt.Errorf("cube: encoding %q is not known; use raw or gzip", s)
}

// WriteNRRD writes the rows as an NRRD file with attached data, little-endian,
// channel fastest, in the type of h (u32 when it is not stated). The header
// carries title, energy scale, pixel size, conditions and keys; a count that
// the type cannot hold is an error.
func WriteNRRD(w io.Writer, h Header, rows RowReader, enc Encoding) error {
	return writeNRRD(w, h, 1, oneFrame(rows), enc)
}

// WriteNRRDFrames is WriteNRRD for n frames one after the other, with an axis of frames,
// the slowest; frame returns the rows of one, counted from 0. The times of h are those
// of all frames together.
func WriteNRRDFrames(w io.Writer, h Header, n int, frame func(k int) (RowReader, error), enc Encoding) error {
	if err := checkFrames(n); err != nil {
		return err
	}
	return writeNRRD(w, h, n, frame, enc)
}

// checkFrames refuses numbers of frames that a frame axis is not for.
func checkFrames(n int) error {
	if n < 2 {
		return fmt.Errorf("cube: %d frames; 2 or more are accepted", n)
	}
	return nil
}

// oneFrame returns rows as the only frame.
func oneFrame(rows RowReader) func(int) (RowReader, error) {
	return func(int) (RowReader, error) { return rows, nil }
}

func writeNRRD(w io.Writer, h Header, n int, frame func(k int) (RowReader, error), enc Encoding) error {
	if enc != Raw && enc != Gzip {
		return fmt.Errorf("cube: %v is not known; use raw or gzip", enc)
	}
	text, err := nrrdHeader(h, RawFile{Endian: LittleEndian, Encoding: enc, Frames: n})
	if err != nil {
		return err
	}
	if _, err := io.WriteString(w, text); err != nil {
		return err
	}
	if enc == Raw {
		return writeFrames(w, h, n, frame)
	}
	z := gzip.NewWriter(w)
	if err := writeFrames(z, h, n, frame); err != nil {
		return err
	}
	return z.Close()
}

// RawFile describes an existing file for WriteNRRDDetached.
type RawFile struct {
	Name     string   // beside the header or below its folder
	Endian   Endian   // needed for u16 and u32
	Axes     string   // slowest first; "" means y,x,c, with Frames f,y,x,c
	Frames   int      // in the file, one after the other; 0 or 1 = no such axis
	Offset   int64    // bytes before the data
	Encoding Encoding // Raw, or Gzip when the data in the file are compressed
}

// WriteNRRDDetached writes an NRRD header for an existing headerless file,
// which makes it self-describing without changing it. h.Type must be stated.
func WriteNRRDDetached(w io.Writer, h Header, raw RawFile) error {
	if _, err := neighbour("", raw.Name); err != nil || raw.Name != strings.TrimSpace(raw.Name) || strings.ContainsAny(raw.Name, "%\r\n") || strings.HasPrefix(raw.Name, "LIST") {
		return fmt.Errorf("cube: data file %q cannot be named in an NRRD header", raw.Name)
	}
	if h.Type.Size() == 0 {
		return errors.New("cube: detached NRRD header: the type of the data must be stated")
	}
	if h.Type != U8 && raw.Endian == 0 {
		return errors.New("cube: detached NRRD header: the byte order of the data must be stated")
	}
	if raw.Offset < 0 {
		return fmt.Errorf("cube: detached NRRD header: offset %d; must be 0 or above", raw.Offset)
	}
	text, err := nrrdHeader(h, raw)
	if err != nil {
		return err
	}
	_, err = io.WriteString(w, text)
	return err
}

// nrrdHeader returns the text of a header with its empty line.
func nrrdHeader(h Header, raw RawFile) (string, error) {
	if err := h.Check(); err != nil {
		return "", err
	}
	order := "yxc"
	if raw.Frames > 1 {
		order = "fyxc"
	}
	if raw.Axes != "" {
		all := len(order)
		var err error
		if order, err = parseAxes(raw.Axes); err != nil {
			return "", err
		}
		if len(order) != all || all == 4 && order[0] != 'f' || all == 3 && strings.Contains(order, "f") {
			return "", fmt.Errorf("cube: axes %q, %d frames; NRRD headers are written with all of y, x and c, and f before them where there are frames", raw.Axes, max(1, raw.Frames))
		}
	}
	var b strings.Builder
	field := func(name, format string, args ...any) { fmt.Fprintf(&b, name+": "+format+"\n", args...) }
	// perAxis writes one entry per axis, fastest first.
	perAxis := func(name, c, x, y, f string) {
		entries := map[byte]string{'c': c, 'x': x, 'y': y, 'f': f}
		var list []string
		for i := len(order) - 1; i >= 0; i-- {
			list = append(list, entries[order[i]])
		}
		field(name, "%s", strings.Join(list, " "))
	}
	b.WriteString("NRRD0003\n") // kinds and keys need version 3
	if h.Title != "" {
		field("content", "%s", oneLine(h.Title))
	}
	field("type", "%s", map[Type]string{U8: "unsigned char", U16: "unsigned short", U32: "unsigned int", 0: "unsigned int"}[h.Type])
	field("dimension", "%d", len(order))
	perAxis("sizes", strconv.Itoa(h.Channels), strconv.Itoa(h.Width), strconv.Itoa(h.Height), strconv.Itoa(raw.Frames))
	gain, offset, sideX, sideY := "nan", "nan", "nan", "nan"
	if h.CalibrationKnown && h.Calibration.Valid() {
		gain, offset = shortFloat(h.Calibration.GainEV), shortFloat(h.Calibration.OffsetEV)
	}
	if h.Pixel.Known() {
		sideX, sideY = micrometres(h.Pixel.X), micrometres(h.Pixel.Y)
	}
	if gain != "nan" || sideX != "nan" {
		perAxis("spacings", gain, sideX, sideY, "nan")
	}
	if gain != "nan" {
		// The min is the energy of the centre of channel 0: node-centred.
		perAxis("axis mins", offset, "nan", "nan", "nan")
		perAxis("centers", "node", "cell", "cell", "none")
	}
	perAxis("kinds", "domain", "space", "space", "time")
	perAxis("labels", `"energy"`, `"x"`, `"y"`, `"frame"`)
	perAxis("units", `"eV"`, `"um"`, `"um"`, `""`)
	if h.Type != U8 {
		field("endian", "%v", raw.Endian)
	}
	field("encoding", "%v", raw.Encoding)
	if raw.Offset > 0 {
		field("byte skip", "%d", raw.Offset)
	}
	for _, q := range quantities {
		if v := *q.field(&h.Conditions); v != 0 {
			fmt.Fprintf(&b, "%s:=%s %s\n", q.key, q.print(v), q.write)
		}
	}
	for _, kv := range h.Keys {
		key := strings.TrimSpace(kv.Key)
		if key == "" || key[0] == '#' || strings.Contains(key, ":") || strings.ContainsAny(key, "\r\n") {
			return "", fmt.Errorf("cube: key %q cannot be written to an NRRD header", kv.Key)
		}
		value := escapeNRRD(strings.ReplaceAll(strings.TrimSpace(kv.Value), "\r", ""))
		fmt.Fprintf(&b, "%s:=%s\n", key, value)
	}
	if raw.Name != "" {
		field("data file", "%s", raw.Name)
	}
	b.WriteString("\n")
	return b.String(), nil
}

// oneLine replaces line ends by blanks.
func oneLine(s string) string {
	return strings.TrimSpace(strings.NewReplacer("\r\n", " ", "\n", " ", "\r", " ").Replace(s))
}

func shortFloat(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// shortest returns the shortest decimal number that back turns into want.
func shortest(v float64, back func(float64) bool) string {
	for digits := 1; digits < 17; digits++ {
		s := strconv.FormatFloat(v, 'g', digits, 64)
		if f, err := strconv.ParseFloat(s, 64); err == nil && back(f) {
			return s
		}
	}
	return shortFloat(v)
}

// micrometres prints a length so that reading it gives the same length.
func micrometres(l maps.Length) string {
	return shortest(l.Um(), func(v float64) bool { return scaled(v, maps.Micrometre) == l })
}

// print returns the number to write for v in the unit that is written.
func (q quantity) print(v float64) string {
	f := q.units[strings.ToLower(q.write)]
	return shortest(v/f, func(n float64) bool { return n*f == v })
}

// writeFrames writes the rows of n frames.
func writeFrames(w io.Writer, h Header, n int, frame func(k int) (RowReader, error)) error {
	for k := range n {
		rows, err := frame(k)
		if err != nil {
			return err
		}
		err = writeRows(w, h, rows)
		if n == 1 {
			return err
		}
		closeRows(rows)
		if err != nil {
			return fmt.Errorf("cube: frame %d of %d: %w", k, n, err)
		}
	}
	return nil
}

// writeRows writes all rows little-endian in the type of h.
func writeRows(w io.Writer, h Header, rows RowReader) error {
	row := make([]uint32, h.RowLen())
	size := h.Type.Size()
	if size == 0 {
		size = 4
	}
	buf := make([]byte, len(row)*size)
	bw := bufio.NewWriterSize(w, 256<<10)
	if got := rows.Header(); got.Width != h.Width || got.Height != h.Height || got.Channels != h.Channels {
		return fmt.Errorf("cube: header of %d × %d pixels with %d channels for rows of %d × %d with %d", h.Width, h.Height, h.Channels, got.Width, got.Height, got.Channels)
	}
	for y := range h.Height {
		if err := rows.ReadRow(row); err != nil {
			if errors.Is(err, io.EOF) {
				return earlyEnd(y, h.Height)
			}
			return err
		}
		if i := encode(buf, row, size); i >= 0 {
			return fmt.Errorf("cube: row %d, column %d, channel %d holds %d; %v holds up to %d", y, i/h.Channels, i%h.Channels, row[i], h.Type, h.Type.Max())
		}
		if _, err := bw.Write(buf); err != nil {
			return err
		}
	}
	if err := rows.ReadRow(row); err == nil {
		return fmt.Errorf("cube: rows go on after row %d, the last", h.Height-1)
	} else if !errors.Is(err, io.EOF) {
		return err
	}
	return bw.Flush()
}

// encode stores counts little-endian in size bytes each and returns the index
// of the first that does not fit, or −1.
func encode(dst []byte, src []uint32, size int) int {
	switch size {
	case 1:
		for i, n := range src {
			if n > math.MaxUint8 {
				return i
			}
			dst[i] = byte(n)
		}
	case 2:
		for i, n := range src {
			if n > math.MaxUint16 {
				return i
			}
			binary.LittleEndian.PutUint16(dst[2*i:], uint16(n))
		}
	default:
		for i, n := range src {
			binary.LittleEndian.PutUint32(dst[4*i:], n)
		}
	}
	return -1
}
