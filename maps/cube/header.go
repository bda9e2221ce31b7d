package cube

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/spectra"
)

// Type is the unsigned type in which counts are stored. The zero value means
// "not stated".
type Type uint8

// Types of counts.
const (
	U8  Type = iota + 1 // 8 bit
	U16                 // 16 bit
	U32                 // 32 bit
)

func (t Type) String() string {
	switch t {
	case U8:
		return "u8"
	case U16:
		return "u16"
	case U32:
		return "u32"
	}
	return "not stated"
}

// Size returns the number of bytes of one value, 0 when the type is not stated.
func (t Type) Size() int {
	switch t {
	case U8:
		return 1
	case U16:
		return 2
	case U32:
		return 4
	}
	return 0
}

// Max returns the largest count that t can hold, 2³²−1 when it is not stated.
func (t Type) Max() uint32 {
	switch t {
	case U8:
		return math.MaxUint8
	case U16:
		return math.MaxUint16
	}
	return math.MaxUint32
}

// ParseType reads "u8", "u16" or "u32" (also "uint8" …), ignoring case.
func ParseType(s string) (Type, error) {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "u8", "uint8":
		return U8, nil
	case "u16", "uint16":
		return U16, nil
	case "u32", "uint32":
		return U32, nil
	}
	return 0, fmt.Errorf("cube: type %q is not known; use u8, u16 or u32", s)
}

// KeyValue is one free statement of a file, such as NRRD's key:=value.
type KeyValue struct {
	Key, Value string
}

// Header says what a cube is.
type Header struct {
	Width, Height, Channels int  // x, y, c; all > 0
	Type                    Type // smallest type that holds what the file stores

	// Calibration is the energy scale, meaningful when CalibrationKnown.
	Calibration      spectra.Calibration
	CalibrationKnown bool
	Pixel            maps.Pixel // zero = not stated
	// Conditions of the measurement. Times are those of the whole field, so that
	// they are the times of its sum spectrum.
	Conditions spectra.Conditions

	// Frames is the number of complete scans of the field that were recorded one
	// after the other, 0 where they cannot be told apart. The counts, and the times of
	// Conditions, are the sum over the frames in Selected.
	Frames   int
	Selected FrameRange

	Title    string
	Keys     []KeyValue // other statements of the file, in its order
	Warnings []string   // what looks wrong or had to be assumed
}

// Shape returns height, width and channels.
func (h Header) Shape() (height, width, channels int) { return h.Height, h.Width, h.Channels }

// Pixels returns the number of pixels.
func (h Header) Pixels() int { return h.Width * h.Height }

// RowLen returns the number of values of one row, Width·Channels.
func (h Header) RowLen() int { return h.Width * h.Channels }

// Key returns the value of the first statement called name, ignoring case.
func (h Header) Key(name string) (string, bool) {
	for _, kv := range h.Keys {
		if strings.EqualFold(kv.Key, name) {
			return kv.Value, true
		}
	}
	return "", false
}

// Check reports sizes that are not positive or whose product overflows, and a pixel
// size that CheckPixel refuses.
func (h Header) Check() error {
	if h.Width <= 0 || h.Height <= 0 || h.Channels <= 0 {
		return fmt.Errorf("cube: %d × %d pixels with %d channels; all must be above 0", h.Width, h.Height, h.Channels)
	}
	if _, ok := product(8, h.Height, h.Width, h.Channels); !ok {
		return fmt.Errorf("cube: %d × %d pixels with %d channels are more than can be addressed", h.Width, h.Height, h.Channels)
	}
	if h.Pixel != (maps.Pixel{}) {
		if err := CheckPixel(h.Pixel); err != nil {
			return fmt.Errorf("cube: %w", err)
		}
	}
	return nil
}

// Differs names the first difference that forbids adding up or comparing the counts
// of two cubes, with both values, or returns "" where they were recorded alike.
func (h Header) Differs(o Header) (what string, here, there any) {
	a, b := h, o
	switch {
	case a.Channels != b.Channels:
		return "channels", a.Channels, b.Channels
	case math.Abs(a.Calibration.GainEV-b.Calibration.GainEV) > 1e-4*a.Calibration.GainEV:
		return "channel width (eV)", a.Calibration.GainEV, b.Calibration.GainEV
	case math.Abs(a.Calibration.OffsetEV-b.Calibration.OffsetEV) > 0.1*a.Calibration.GainEV:
		return "energy of the first channel (eV)", a.Calibration.OffsetEV, b.Calibration.OffsetEV
	case math.Abs(float64(a.Conditions.BeamEnergy-b.Conditions.BeamEnergy)) > 0.005*float64(a.Conditions.BeamEnergy):
		return "beam energy (keV)", a.Conditions.BeamEnergy.KeV(), b.Conditions.BeamEnergy.KeV()
	case math.Abs(a.Conditions.TakeOff.Degrees()-b.Conditions.TakeOff.Degrees()) > 0.5:
		return "take-off angle (degrees)", a.Conditions.TakeOff.Degrees(), b.Conditions.TakeOff.Degrees()
	case a.Pixel.Known() != b.Pixel.Known() || math.Abs(float64(a.Pixel.X-b.Pixel.X)) > 0.01*float64(a.Pixel.X):
		return "pixel size (µm)", a.Pixel.X.Um(), b.Pixel.X.Um()
	}
	return "", nil, nil
}

func (h Header) clone() Header {
	h.Keys = slices.Clone(h.Keys)
	h.Warnings = slices.Clone(h.Warnings)
	return h
}

func (h *Header) warn(format string, args ...any) {
	h.Warnings = append(h.Warnings, fmt.Sprintf(format, args...))
}

// RowReader delivers the rows of a cube in order. It is for one goroutine.
type RowReader interface {
	Header() Header
	// ReadRow reads the next row into dst, whose length must be Width·Channels,
	// [x][c] with the channel fastest. It returns io.EOF after the last row and an
	// error wrapping io.ErrUnexpectedEOF, with the row number, when the data end
	// early. After an error dst holds nothing of use.
	ReadRow(dst []uint32) error
}

// Source is a cube that can be streamed several times. Each call of Rows
// starts again at the first row. A RowReader that also is an io.Closer may be
// closed before its end is reached; at its end it closes itself.
type Source interface {
	Header() Header
	Rows() (RowReader, error)
}

// product returns the product of the factors, ok = false when one is negative
// or the product exceeds an int64.
func product(factors ...int) (p int64, ok bool) {
	p = 1
	for _, f := range factors {
		if f < 0 {
			return 0, false
		}
		if f != 0 && p > math.MaxInt64/int64(f) {
			return 0, false
		}
		p *= int64(f)
	}
	return p, true
}

func closeRows(r RowReader) {
	if c, ok := r.(io.Closer); ok {
		c.Close()
	}
}

var errClosed = errors.New("cube: rows read after Close")
