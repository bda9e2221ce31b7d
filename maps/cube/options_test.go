package cube

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/spectra"
)

func TestParseNames(t *testing.T) {
	for _, typ := range []Type{U8, U16, U32} {
		if got, err := ParseType(" " + strings.ToUpper(typ.String())); err != nil || got != typ {
			t.Errorf("%v: %v, %v", typ, got, err)
		}
		if typ.Max() != 1<<(8*typ.Size())-1 {
			t.Errorf("%v: largest count %d", typ, typ.Max())
		}
	}
	for _, e := range []Endian{LittleEndian, BigEndian} {
		if got, err := ParseEndian(e.String()); err != nil || got != e {
			t.Errorf("%v: %v, %v", e, got, err)
		}
	}
	for _, e := range []Encoding{Raw, Gzip} {
		if got, err := ParseEncoding(e.String()); err != nil || got != e {
			t.Errorf("%v: %v, %v", e, got, err)
		}
	}
	_, err1 := ParseType("i16")
	_, err2 := ParseEndian("")
	_, err3 := ParseEncoding("hex")
	for _, err := range []error{err1, err2, err3} {
		if err == nil || !strings.Contains(err.Error(), "is not known; use") {
			t.Errorf("error %v", err)
		}
	}
}

func TestOptionsChecked(t *testing.T) {
	for want, opt := range map[string]Options{
		"MaxBytes":                 {MaxBytes: -1},
		"Offset":                   {Offset: -1},
		"Width":                    {Width: -1},
		"gain -1 eV":               {Calibration: spectra.Calibration{GainEV: -1}},
		"5 eV without a gain":      {Calibration: spectra.Calibration{OffsetEV: 5}},
		"option Pixel":             {Pixel: maps.Pixel{X: 1e-6}},
		"option BeamEnergy is -1":  {BeamEnergy: -1},
		"option LiveTimeS is NaN":  {LiveTimeS: math.NaN()},
		`axes ""`:                  {Axes: ","},
		`axes "yxc"; each of y, x`: {Axes: "yxc"},
	} {
		opt.Shape, opt.Type = []int{1, 1, 1}, U8
		if want == `axes ""` {
			want = `axes ","`
		}
		if _, err := Open(memFile("a"), "f", opt); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
}

// TestSkipsBeforeCompression: skipped lines stand before the compressed data,
// skipped bytes inside them.
func TestSkipsBeforeCompression(t *testing.T) {
	header := nrrdStart + "sizes: 2 2 2\nlabels: \"energy\" \"x\" \"y\"\nencoding: gzip\nline skip: 2\nbyte skip: %d\n\n"
	data := "one\n" + strings.Repeat("two", 30000) + "\n" + string(gz([]byte("abcdefgh\x00\x01\x02\x03\x04\x05\x06\x07")))
	for _, skip := range []int{8, -1} {
		m, _ := mustLoad(t, memFile(fmt.Sprintf(header, skip)+data), "f", Options{})
		if !slices.Equal(m.Data, []uint32{0, 1, 2, 3, 4, 5, 6, 7}) {
			t.Errorf("byte skip %d: %v", skip, m.Data)
		}
	}
}
