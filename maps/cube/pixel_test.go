package cube

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// TestCheckPixel: the ends of the range are accepted, what lies beyond is not.
func TestCheckPixel(t *testing.T) {
	for _, tt := range []struct {
		x, y float64 // µm
		ok   bool
	}{
		{1, 1, true}, {1e-4, 1e-4, true}, {1e3, 1e3, true}, {1e-4, 1e3, true},
		{0, 0, false}, {1, 0, false}, {-1, 1, false}, {math.NaN(), 1, false}, {1, math.Inf(1), false},
		{1e-9, 1e-9, false}, {9.99e-5, 1, false}, {1, 1001, false}, {1e6, 1e6, false},
	} {
		p := maps.Pixel{X: maps.Length(tt.x) * maps.Micrometre, Y: maps.Length(tt.y) * maps.Micrometre}
		if err := CheckPixel(p); (err == nil) != tt.ok {
			t.Errorf("%g × %g µm: %v, want accepted %v", tt.x, tt.y, err, tt.ok)
		}
	}
}

// TestPixelOfFile: a header with an absurd pixel is refused with its value, unless the
// pixel size is stated; a side of no length leaves it unknown, with a warning.
func TestPixelOfFile(t *testing.T) {
	const file = "NRRD0003\ntype: uchar\ndimension: 3\nsizes: 4 1 1\nlabels: \"energy\" \"x\" \"y\"\nunits: \"eV\" \"%s\" \"%s\"\nspacings: nan %s %s\nencoding: raw\n\n0123"
	for _, tt := range []struct{ unit, x, y, want string }{
		{"m", "1", "1", "pixel of 1e+06 × 1e+06 µm; sides from 0.0001 to 1000 µm are accepted"},
		{"um", "1e-9", "1e-9", "pixel of 1e-09 × 1e-09 µm"},
		{"nm", "100", "1e9", "pixel of 0.1 × 1e+06 µm"},
	} {
		fsys := memFile(fmt.Sprintf(file, tt.unit, tt.unit, tt.x, tt.y))
		if _, err := Open(fsys, "f", Options{}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s × %s %s: error %v, want one about %q", tt.x, tt.y, tt.unit, err, tt.want)
		}
		stated := maps.Pixel{X: maps.Micrometre, Y: maps.Micrometre}
		if f, err := Open(fsys, "f", Options{Pixel: stated}); err != nil || f.Header().Pixel != stated {
			t.Errorf("%s × %s %s with the pixel size stated: %v", tt.x, tt.y, tt.unit, err)
		}
	}
	f, err := Open(memFile(fmt.Sprintf(file, "um", "um", "0", "1")), "f", Options{})
	if err != nil {
		t.Fatal(err)
	}
	if h := f.Header(); h.Pixel.Known() || !strings.Contains(strings.Join(h.Warnings, ""), "no length") {
		t.Errorf("spacing 0: pixel %v, warnings %q", h.Pixel, h.Warnings)
	}
}

// TestPixelElsewhere: options, headers made by programs and maps go by the same rule.
func TestPixelElsewhere(t *testing.T) {
	absurd := maps.Pixel{X: maps.Metre, Y: maps.Metre}
	_, err1 := Open(memFile("0123"), "f", Options{Shape: []int{2, 2, 1}, Type: U8, Pixel: absurd})
	_, err2 := ReadMap(memFile("1 2\n3 4\n"), "f", MapOptions{Pixel: absurd})
	_, err3 := NewMemory(Header{Width: 1, Height: 1, Channels: 1, Pixel: absurd})
	for i, err := range []error{err1, err2, err3} {
		if err == nil || !strings.Contains(err.Error(), "pixel of 1e+06 × 1e+06 µm") {
			t.Errorf("way %d: error %v", i, err)
		}
	}
}
