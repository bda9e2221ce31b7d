package figure

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strings"

	"example.org/fleck/maps"
)

// Tags and types of TIFF 6.0 (1992), section 2 and appendix A.
const (
	tiffASCII    = 2
	tiffShort    = 3
	tiffLong     = 4
	tiffRational = 5
)

// FloatTIFF writes a map as one 32-bit floating-point plane, little-endian and
// uncompressed in a single strip, with pixels per centimetre from the pixel
// size (no unit if unknown) and an ImageDescription of quantity, unit and the
// meaning of NaN in 7-bit ASCII.
//
// Values are rounded to 32 bits; a value beyond their range and an infinite
// value are errors, as is a map of 4 GiB or more.
func FloatTIFF(w io.Writer, m maps.Map) error {
	if err := m.Check(); err != nil {
		return fmt.Errorf("figure: %w", err)
	}
	if uint64(len(m.V)) >= 1<<30-4096 {
		return fmt.Errorf("figure: TIFF of %d × %d pixels, want less than 4 GiB", m.W, m.H)
	}
	for i, v := range m.V {
		if math.Abs(v) > math.MaxFloat32 {
			return fmt.Errorf("figure: %q: value %g at pixel (%d, %d) does not fit 32 bits", m.What, v, i%m.W, i/m.W)
		}
	}

	xNum, xDen, xOK := perCentimetre(float64(m.Pixel.X))
	yNum, yDen, yOK := perCentimetre(float64(m.Pixel.Y))
	unit := uint32(3) // centimetre
	if !xOK || !yOK {
		unit, xNum, xDen, yNum, yDen = 1, 1, 1, 1, 1 // no unit
	}
	description := tiffDescription(m)

	const entries = 14
	const ifd = 8
	const after = ifd + 2 + entries*12 + 4
	rationalAt := uint32(after)
	textAt := rationalAt + 16
	dataAt := (textAt + uint32(len(description)) + 3) &^ 3

	le := binary.LittleEndian
	b := append([]byte(nil), "II*\x00"...)
	b = le.AppendUint32(b, ifd)
	b = le.AppendUint16(b, entries)
	entry := func(tag, kind uint16, count, value uint32) {
		b = le.AppendUint16(b, tag)
		b = le.AppendUint16(b, kind)
		b = le.AppendUint32(b, count)
		b = le.AppendUint32(b, value) // a SHORT is left-justified, which is the same here
	}
	entry(256, tiffLong, 1, uint32(m.W))                    // ImageWidth
	entry(257, tiffLong, 1, uint32(m.H))                    // ImageLength
	entry(258, tiffShort, 1, 32)                            // BitsPerSample
	entry(259, tiffShort, 1, 1)                             // Compression: none
	entry(262, tiffShort, 1, 1)                             // PhotometricInterpretation: black is zero
	entry(270, tiffASCII, uint32(len(description)), textAt) // ImageDescription
	entry(273, tiffLong, 1, dataAt)                         // StripOffsets
	entry(277, tiffShort, 1, 1)                             // SamplesPerPixel
	entry(278, tiffLong, 1, uint32(m.H))                    // RowsPerStrip
	entry(279, tiffLong, 1, uint32(4*len(m.V)))             // StripByteCounts
	entry(282, tiffRational, 1, rationalAt)                 // XResolution
	entry(283, tiffRational, 1, rationalAt+8)               // YResolution
	entry(296, tiffShort, 1, unit)                          // ResolutionUnit
	entry(339, tiffShort, 1, 3)                             // SampleFormat: IEEE floating point
	b = le.AppendUint32(b, 0)                               // no further image
	for _, v := range []uint32{xNum, xDen, yNum, yDen} {
		b = le.AppendUint32(b, v)
	}
	b = append(b, description...)
	for uint32(len(b)) < dataAt {
		b = append(b, 0)
	}

	out := bufio.NewWriterSize(w, 1<<16)
	if _, err := out.Write(b); err != nil {
		return fmt.Errorf("figure: %w", err)
	}
	var four [4]byte
	for _, v := range m.V {
		le.PutUint32(four[:], math.Float32bits(float32(v)))
		if _, err := out.Write(four[:]); err != nil {
			return fmt.Errorf("figure: %w", err)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("figure: %w", err)
	}
	return nil
}

// perCentimetre returns pixels per centimetre as a fraction of 32-bit numbers,
// the best by continued fractions; ok is false if the size is unknown or its
// inverse does not fit.
func perCentimetre(metres float64) (num, den uint32, ok bool) {
	if !(metres > 0) || !finite(metres) {
		return 0, 0, false
	}
	v := 0.01 / metres
	if !(v < math.MaxUint32) || v < 1.0/math.MaxUint32 {
		return 0, 0, false
	}
	h0, k0, h1, k1 := 0.0, 1.0, 1.0, 0.0 // convergents h/k
	x := v
	for range 40 {
		a := math.Floor(x)
		h2, k2 := a*h1+h0, a*k1+k0
		if h2 > math.MaxUint32 || k2 > math.MaxUint32 {
			break
		}
		h0, k0, h1, k1 = h1, k1, h2, k2
		// Twelve digits are more than a pixel size is known to.
		if math.Abs(h1/k1-v) <= 1e-12*v || x == a {
			break
		}
		x = 1 / (x - a)
	}
	if h1 < 1 || k1 < 1 {
		return 0, 0, false
	}
	return uint32(h1), uint32(k1), true
}

// tiffDescription returns the NUL-terminated description.
func tiffDescription(m maps.Map) string {
	s := "quantity: " + firstOf(m.What, "not stated") + "\nunit: " + firstOf(m.Unit, "not stated")
	if m.Pixel.Known() {
		s += fmt.Sprintf("\npixel size: %g x %g um", m.Pixel.X.Um(), m.Pixel.Y.Um())
	} else {
		s += "\npixel size: unknown"
	}
	return ascii(s+"\nNaN: no value here") + "\x00"
}

// ascii writes s in 7-bit ASCII: what the trade writes with other signs is
// spelled, the rest becomes a question mark.
func ascii(s string) string {
	s = strings.NewReplacer("µ", "u", "μ", "u", "²", "2", "³", "3", "·", ".", "×", "x", "−", "-", "–", "-", "—", "-",
		"α", "alpha", "β", "beta", "γ", "gamma", "σ", "sigma", "₂", "2", "₃", "3", "₄", "4", "±", "+-", "°", "deg ").Replace(s)
	return strings.Map(func(r rune) rune {
		if r > 126 || r < 32 && r != '\n' {
			return '?'
		}
		return r
	}, s)
}
