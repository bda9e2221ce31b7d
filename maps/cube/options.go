package cube

import (
	"fmt"
	"io"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

// DefaultMaxBytes is the bound on memory when Options.MaxBytes is 0: 2 GiB.
const DefaultMaxBytes int64 = 2 << 30

// Endian is the order of the bytes of a value. The zero value means "not
// stated".
type Endian uint8

// Byte orders.
const (
	LittleEndian Endian = iota + 1 // least significant byte first
	BigEndian                      // most significant byte first
)

func (e Endian) String() string {
	switch e {
	case LittleEndian:
		return "little"
	case BigEndian:
		return "big"
	}
	return "not stated"
}

// ParseEndian reads "little" or "big", ignoring case.
func ParseEndian(s string) (Endian, error) {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "little":
		return LittleEndian, nil
	case "big":
		return BigEndian, nil
	}
	return 0, fmt.Errorf("cube: byte order %q is not known; use little or big", s)
}

// Options describe what a file does not say itself and override what it says.
// The zero value takes everything from the file.
type Options struct {
	// Shape holds the sizes of a headerless cube in the order of Axes, slowest
	// first: height, width, channels for the default axes, or frames, height, width,
	// channels.
	Shape []int
	// Type of the values of a headerless cube.
	Type Type
	// Endian is the byte order of a headerless cube of 16- or 32-bit values.
	Endian Endian
	// Axes names the axes from slowest to fastest varying, for example "y,x,c"
	// (default: each pixel's spectrum in one piece) or "c,y,x" (one image per
	// channel after the other). An axis left out has length 1. An axis f holds frames,
	// which must come one after the other, so that f is the slowest. For NPY files the
	// names follow the order of the array's shape, whether C or Fortran order. For
	// NRRD files, which may name their axes, it overrides them.
	Axes string
	// Offset is the number of bytes before the data of a headerless cube.
	Offset int64
	// AllowExcess accepts a headerless cube followed by more bytes.
	AllowExcess bool

	// Width is the number of pixels per row of a folder of spectra whose names do
	// not tell it.
	Width int
	// Pattern selects the files of a folder of spectra, as in path.Match; "" means
	// all that do not begin with a point.
	Pattern string
	// DecodeSpectrum reads one spectrum file of a folder.
	DecodeSpectrum func(r io.Reader) (spectra.Spectrum, error)

	// Frames are the frames that are read, as their sum; zero = all.
	Frames FrameRange

	// Overrides; zero keeps what the file says.
	Calibration    spectra.Calibration // used when GainEV is not 0
	Pixel          maps.Pixel
	BeamEnergy     xray.Energy
	TakeOff        xray.Angle
	Tilt           xray.Angle
	LiveTimeS      float64 // of the whole field, all frames together
	RealTimeS      float64 // of the whole field, all frames together
	ProbeCurrentNA float64

	// MaxBytes bounds the memory that reading takes: one row of counts, one map of
	// the field, the block of rows of a file in another axis order or with frames, and
	// the whole cube where it must be loaded (compressed files in another axis order)
	// or the sum over its frames (compressed files with frames, 4 bytes a value). 0
	// means DefaultMaxBytes. The length of a streamed file is not bounded by it.
	MaxBytes int64
}

func (o Options) withDefaults() (Options, error) {
	if o.MaxBytes == 0 {
		o.MaxBytes = DefaultMaxBytes
	}
	switch {
	case o.MaxBytes < 0:
		return o, fmt.Errorf("cube: option MaxBytes %d; must be above 0", o.MaxBytes)
	case o.Offset < 0:
		return o, fmt.Errorf("cube: option Offset %d; must be 0 or above", o.Offset)
	case o.Frames != FrameRange{} && (o.Frames.From < 0 || o.Frames.From >= o.Frames.To):
		return o, fmt.Errorf("cube: option Frames from %d to before %d; must hold one frame or more, counted from 0", o.Frames.From, o.Frames.To)
	case o.Width < 0:
		return o, fmt.Errorf("cube: option Width %d; must be 0 or above", o.Width)
	case o.Calibration.GainEV != 0 && !o.Calibration.Valid():
		return o, fmt.Errorf("cube: option Calibration: offset %g eV, gain %g eV per channel; the gain must be above 0", o.Calibration.OffsetEV, o.Calibration.GainEV)
	case o.Calibration.GainEV == 0 && o.Calibration.OffsetEV != 0:
		return o, fmt.Errorf("cube: option Calibration: offset %g eV without a gain", o.Calibration.OffsetEV)
	}
	if o.Pixel != (maps.Pixel{}) {
		if err := CheckPixel(o.Pixel); err != nil {
			return o, fmt.Errorf("cube: option Pixel: %w", err)
		}
	}
	for _, v := range []struct {
		name  string
		value float64
	}{{"BeamEnergy", float64(o.BeamEnergy)}, {"LiveTimeS", o.LiveTimeS}, {"RealTimeS", o.RealTimeS}, {"ProbeCurrentNA", o.ProbeCurrentNA}} {
		if !(v.value >= 0) {
			return o, fmt.Errorf("cube: option %s is %g; must be 0 or above", v.name, v.value)
		}
	}
	if o.Axes != "" {
		if _, err := parseAxes(o.Axes); err != nil {
			return o, err
		}
	}
	return o, nil
}

// override applies the overrides to h.
func (o Options) override(h *Header) {
	if o.Calibration.GainEV != 0 {
		h.Calibration, h.CalibrationKnown = o.Calibration, true
	}
	if o.Pixel.Known() {
		h.Pixel = o.Pixel
	}
	if o.BeamEnergy > 0 {
		h.Conditions.BeamEnergy = o.BeamEnergy
	}
	if o.TakeOff != 0 {
		h.Conditions.TakeOff = o.TakeOff
	}
	if o.Tilt != 0 {
		h.Conditions.Tilt = o.Tilt
	}
	if o.LiveTimeS > 0 {
		h.Conditions.LiveTimeS = o.LiveTimeS
	}
	if o.RealTimeS > 0 {
		h.Conditions.RealTimeS = o.RealTimeS
	}
	if o.ProbeCurrentNA > 0 {
		h.Conditions.ProbeCurrentNA = o.ProbeCurrentNA
	}
}

// parseAxes reads "y,x,c" and the like into the letters, slowest first.
func parseAxes(s string) (string, error) {
	var order []byte
	wrong := fmt.Errorf("cube: axes %q; each of y, x and c once, slowest first, such as y,x,c, or f,y,x,c with frames", s)
	for _, f := range strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return r == ',' || r == ' ' }) {
		if len(f) != 1 || !strings.Contains("fyxc", f) || strings.Contains(string(order), f) {
			return "", wrong
		}
		order = append(order, f[0])
	}
	if len(order) == 0 {
		return "", wrong
	}
	return string(order), nil
}
