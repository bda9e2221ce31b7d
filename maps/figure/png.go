package figure

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"math"
	"strconv"
)

// writePNG encodes img with its display resolution (pHYs), the physical size of
// one output pixel in metres (sCAL; left out when a side is zero), a title and a
// description (tEXt, or iTXt where the text leaves ASCII).
//
// Chunk layouts: Portable Network Graphics Specification 1.2 (1999), sections 3.2,
// 4.2.3 and 4.2.4; sCAL: Extensions to the PNG 1.2 Specification, section 2.2.
func writePNG(w io.Writer, img image.Image, dpi int, title, description string, pixelX, pixelY float64) error {
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		return fmt.Errorf("figure: %w", err)
	}
	raw := buf.Bytes()
	const ihdrEnd = 8 + 25 // signature and the IHDR chunk of fixed length
	if len(raw) < ihdrEnd {
		return fmt.Errorf("figure: encoded PNG has %d bytes, want at least %d", len(raw), ihdrEnd)
	}
	head := append([]byte(nil), raw[:ihdrEnd]...)

	perMetre := uint32(math.Round(float64(dpi) / 0.0254))
	phys := binary.BigEndian.AppendUint32(nil, perMetre)
	phys = binary.BigEndian.AppendUint32(phys, perMetre)
	head = appendChunk(head, "pHYs", append(phys, 1)) // 1 = per metre

	if pixelX > 0 && pixelY > 0 && finite(pixelX) && finite(pixelY) {
		scal := []byte{1} // metres
		scal = strconv.AppendFloat(scal, pixelX, 'e', 9, 64)
		scal = append(scal, 0)
		scal = strconv.AppendFloat(scal, pixelY, 'e', 9, 64)
		head = appendChunk(head, "sCAL", scal)
	}
	head = appendText(head, "Title", title)
	head = appendText(head, "Description", description)

	for _, b := range [][]byte{head, raw[ihdrEnd:]} {
		if _, err := w.Write(b); err != nil {
			return fmt.Errorf("figure: %w", err)
		}
	}
	return nil
}

// appendChunk appends length, type, data and CRC of one chunk.
func appendChunk(dst []byte, kind string, data []byte) []byte {
	dst = binary.BigEndian.AppendUint32(dst, uint32(len(data)))
	start := len(dst)
	dst = append(dst, kind...)
	dst = append(dst, data...)
	return binary.BigEndian.AppendUint32(dst, crc32.ChecksumIEEE(dst[start:]))
}

// appendText appends a text chunk; empty text appends nothing.
func appendText(dst []byte, keyword, text string) []byte {
	if text == "" {
		return dst
	}
	ascii := true
	var b []byte
	for _, r := range text { // an invalid byte is ranged over as U+FFFD
		if r == 0 {
			r = ' '
		}
		ascii = ascii && r < 128
		b = append(b, string(r)...)
	}
	data := append([]byte(keyword), 0)
	if ascii {
		return appendChunk(dst, "tEXt", append(data, b...))
	}
	// Not compressed, no language, no translated keyword.
	data = append(data, 0, 0, 0, 0)
	return appendChunk(dst, "iTXt", append(data, b...))
}
