package cube

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	mathbits "math/bits"
	"strings"

	"golang.org/x/image/tiff"

	"example.org/fleck/maps"
)

// Tags of TIFF 6.0 (1992), Appendix A.
const (
	tagWidth           = 256
	tagLength          = 257
	tagBitsPerSample   = 258
	tagCompression     = 259
	tagPhotometric     = 262
	tagFillOrder       = 266
	tagDescription     = 270
	tagStripOffsets    = 273
	tagSamplesPerPixel = 277
	tagRowsPerStrip    = 278
	tagStripByteCounts = 279
	tagXResolution     = 282
	tagYResolution     = 283
	tagResolutionUnit  = 296
	tagTileWidth       = 322
	tagSampleFormat    = 339
)

// tiffField is one entry of a directory: its raw values.
type tiffField struct {
	typ   uint16
	count uint32
	data  []byte
}

// tiffFile is the first directory of a file.
type tiffFile struct {
	data   []byte
	order  binary.ByteOrder
	fields map[uint16]tiffField
	pages  int // 2 = more than one
}

// tiffTypeSize is the size of the field types of TIFF 6.0, section 2.
var tiffTypeSize = [...]int{1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}

func parseTIFF(data []byte) (*tiffFile, error) {
	t := &tiffFile{data: data, order: binary.LittleEndian, fields: map[uint16]tiffField{}, pages: 1}
	short := errors.New("TIFF directory cut short")
	if len(data) < 8 {
		return nil, short
	}
	if data[0] == 'M' {
		t.order = binary.BigEndian
	}
	if v := t.order.Uint16(data[2:]); v != 42 {
		return nil, fmt.Errorf("TIFF version %d; 42 can be read", v)
	}
	off := int64(t.order.Uint32(data[4:]))
	if off+2 > int64(len(data)) {
		return nil, short
	}
	n := int64(t.order.Uint16(data[off:]))
	if off+2+12*n+4 > int64(len(data)) {
		return nil, short
	}
	for i := range n {
		e := data[off+2+12*i:]
		tag, f := t.order.Uint16(e), tiffField{typ: t.order.Uint16(e[2:]), count: t.order.Uint32(e[4:])}
		if int(f.typ) >= len(tiffTypeSize) || tiffTypeSize[f.typ] == 0 {
			continue // TIFF 6.0, section 2: readers skip unknown field types
		}
		size := int64(f.count) * int64(tiffTypeSize[f.typ])
		if size <= 4 {
			f.data = e[8 : 8+size]
		} else {
			at := int64(t.order.Uint32(e[8:]))
			if at+size > int64(len(data)) {
				return nil, fmt.Errorf("TIFF tag %d points outside the file", tag)
			}
			f.data = data[at : at+size]
		}
		t.fields[tag] = f
	}
	if t.order.Uint32(data[off+2+12*n:]) != 0 {
		t.pages = 2
	}
	return t, nil
}

// uints returns the values of a BYTE, SHORT or LONG field.
func (t *tiffFile) uints(tag uint16) []uint32 {
	f := t.fields[tag]
	var out []uint32
	switch f.typ {
	case 1:
		for _, b := range f.data {
			out = append(out, uint32(b))
		}
	case 3:
		for i := 0; i+2 <= len(f.data); i += 2 {
			out = append(out, uint32(t.order.Uint16(f.data[i:])))
		}
	case 4:
		for i := 0; i+4 <= len(f.data); i += 4 {
			out = append(out, t.order.Uint32(f.data[i:]))
		}
	}
	return out
}

// one returns the first value of a field or its default.
func (t *tiffFile) one(tag uint16, byDefault uint32) uint32 {
	if v := t.uints(tag); len(v) > 0 {
		return v[0]
	}
	return byDefault
}

func readTIFF(data []byte, maxBytes int64) (maps.Map, error) {
	t, err := parseTIFF(data)
	if err != nil {
		return maps.Map{}, err
	}
	if t.pages > 1 {
		return maps.Map{}, errors.New("TIFF with more than one image; a map is one image")
	}
	w, h := int(t.one(tagWidth, 0)), int(t.one(tagLength, 0))
	if err := checkMapSize(w, h, maxBytes); err != nil {
		return maps.Map{}, err
	}
	bits, format := int(t.one(tagBitsPerSample, 1)), t.one(tagSampleFormat, 1)
	grey := t.one(tagSamplesPerPixel, 1) == 1
	switch t.one(tagPhotometric, 1) {
	case 0:
		return maps.Map{}, errors.New("TIFF whose value 0 is white; a map has 0 black")
	case 3:
		return maps.Map{}, errors.New("TIFF with a colour table; a map needs one grey value per pixel")
	}
	var m maps.Map
	switch {
	case grey && t.one(tagCompression, 1) == 1 && t.fields[tagTileWidth].data == nil:
		m, err = t.readStrips(w, h, bits, format)
	case t.one(tagFillOrder, 1) != 1:
		err = errors.New("TIFF with reversed bits (fill order 2), compressed, tiled or coloured")
	case format != 1 || bits != 8 && bits != 16:
		err = fmt.Errorf("TIFF with %d-bit values of sample format %d, compressed, tiled or coloured; 8 and 16 bit unsigned can be read so", bits, format)
	default:
		var img, decodeErr = tiff.Decode(bytes.NewReader(data))
		if decodeErr != nil {
			return maps.Map{}, decodeErr
		}
		m, err = fromImage(img, bits)
	}
	if err != nil {
		return maps.Map{}, err
	}
	if f := t.fields[tagDescription]; f.typ == 2 {
		text := string(bytes.TrimRight(f.data, "\x00"))
		if !strings.ContainsRune(text, 0) && isText(oneLine(text)) {
			m.What, m.Unit = described(text)
		}
	}
	if format == 3 {
		m.Pixel = t.pixel()
	}
	return m, nil
}

// isText reports whether s is printable ASCII, as TIFF demands.
func isText(s string) bool {
	for _, b := range []byte(s) {
		if b < ' ' || b > '~' {
			return false
		}
	}
	return true
}

// readStrips reads uncompressed values.
func (t *tiffFile) readStrips(w, h, bits int, format uint32) (maps.Map, error) {
	v := value{size: bits / 8, big: t.order == binary.BigEndian}
	switch format {
	case 1:
		v.kind = unsigned
	case 2:
		v.kind = signed
	case 3:
		v.kind = floating
	default:
		return maps.Map{}, fmt.Errorf("TIFF sample format %d is not known", format)
	}
	if bits != 8 && bits != 16 && bits != 32 && bits != 64 || v.kind == floating && bits < 32 {
		return maps.Map{}, fmt.Errorf("TIFF with %d bits per value of sample format %d; 8, 16, 32 bit integers and 32, 64 bit floating point can be read", bits, format)
	}
	offsets, counts := t.uints(tagStripOffsets), t.uints(tagStripByteCounts)
	perStrip := min(int(t.one(tagRowsPerStrip, 1<<31)), h)
	if perStrip <= 0 {
		return maps.Map{}, errors.New("TIFF with 0 rows per strip")
	}
	if strips := (h + perStrip - 1) / perStrip; len(offsets) != strips || len(counts) != strips && len(counts) != 0 {
		return maps.Map{}, fmt.Errorf("TIFF with %d strip offsets and %d byte counts for %d strips", len(offsets), len(counts), strips)
	}
	// Every strip must lie in the file before the map is made.
	for s, off := range offsets {
		need := int64(min(perStrip, h-s*perStrip)) * int64(w) * int64(v.size)
		if end := int64(off) + need; end > int64(len(t.data)) || len(counts) > 0 && int64(counts[s]) < need {
			return maps.Map{}, fmt.Errorf("TIFF strip %d: %d bytes for %d rows of %d pixels needed, the file or the strip ends before", s, need, min(perStrip, h-s*perStrip), w)
		}
	}
	m := maps.New(w, h)
	row := make([]byte, w*v.size)
	for y := range h {
		copy(row, t.data[int64(offsets[y/perStrip])+int64(y%perStrip)*int64(len(row)):])
		if t.one(tagFillOrder, 1) == 2 { // TIFF 6.0, section 8: the first pixel stands in the low bits
			for i, b := range row {
				row[i] = mathbits.Reverse8(b)
			}
		}
		for x := range w {
			m.Set(x, y, v.number(row[x*v.size:]))
		}
	}
	return m, nil
}

// pixel returns the pixel size from the resolution in pixels per centimetre.
// Resolutions per inch are those of printing and are not taken.
func (t *tiffFile) pixel() maps.Pixel {
	if t.one(tagResolutionUnit, 2) != 3 {
		return maps.Pixel{}
	}
	side := func(tag uint16) maps.Length {
		f := t.fields[tag]
		if f.typ != 5 || f.count != 1 {
			return 0
		}
		num, den := float64(t.order.Uint32(f.data)), float64(t.order.Uint32(f.data[4:]))
		if num == 0 {
			return 0
		}
		return maps.Length(den / num / 100)
	}
	p := maps.Pixel{X: side(tagXResolution), Y: side(tagYResolution)}
	if !p.Known() {
		return maps.Pixel{}
	}
	return p
}

// described returns what a description says is mapped, and its unit where it
// names them on lines of their own, as figure.FloatTIFF writes them.
func described(text string) (what, unit string) {
	if !strings.HasPrefix(text, "quantity: ") {
		return oneLine(text), ""
	}
	for line := range strings.Lines(text) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), ": ")
		if value == "not stated" {
			value = ""
		}
		switch key {
		case "quantity":
			what = value
		case "unit":
			unit = value
		}
	}
	return what, unit
}
