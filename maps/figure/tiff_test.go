package figure

import (
	"bytes"
	"encoding/binary"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"example.org/fleck/maps"
)

// tiffFile is what a reader of TIFF 6.0 finds in a file of one directory.
type tiffFile struct {
	tags map[uint16]uint32
	text string
	x, y [2]uint32 // resolutions
	data []float32
}

// readTIFF follows TIFF 6.0, section 2, without the writer's constants.
func readTIFF(t interface{ Fatalf(string, ...any) }, b []byte) tiffFile {
	le := binary.LittleEndian
	if string(b[:4]) != "II*\x00" {
		t.Fatalf("header % x", b[:4])
	}
	at := le.Uint32(b[4:])
	if at%2 != 0 {
		t.Fatalf("directory at odd offset %d", at)
	}
	f := tiffFile{tags: map[uint16]uint32{}}
	n := int(le.Uint16(b[at:]))
	last := uint16(0)
	for i := range n {
		e := b[int(at)+2+12*i:]
		tag, kind, count := le.Uint16(e), le.Uint16(e[2:]), le.Uint32(e[4:])
		if tag <= last {
			t.Fatalf("tag %d after %d", tag, last)
		}
		last = tag
		value := le.Uint32(e[8:])
		switch kind {
		case 2:
			s := b[value : value+count]
			if s[len(s)-1] != 0 {
				t.Fatalf("text of tag %d does not end in NUL", tag)
			}
			f.text = string(s[:len(s)-1])
		case 3:
			f.tags[tag] = uint32(le.Uint16(e[8:]))
		case 4:
			f.tags[tag] = value
		case 5:
			r := [2]uint32{le.Uint32(b[value:]), le.Uint32(b[value+4:])}
			if tag == 282 {
				f.x = r
			} else {
				f.y = r
			}
		default:
			t.Fatalf("tag %d has type %d", tag, kind)
		}
	}
	if next := le.Uint32(b[int(at)+2+12*n:]); next != 0 {
		t.Fatalf("next directory at %d", next)
	}
	strip := b[f.tags[273]:]
	if uint32(len(strip)) != f.tags[279] {
		t.Fatalf("strip of %d bytes, tag says %d", len(strip), f.tags[279])
	}
	for len(strip) > 0 {
		f.data = append(f.data, math.Float32frombits(le.Uint32(strip)))
		strip = strip[4:]
	}
	return f
}

func TestFloatTIFF(t *testing.T) {
	m, _ := field(30, 7, 5, 1, 4)
	m.What, m.Unit = "Ti Kα net counts", "µg/cm²"
	m.V[3], m.V[4] = math.NaN(), -0.1
	var b bytes.Buffer
	if err := FloatTIFF(&b, m); err != nil {
		t.Fatal(err)
	}
	f := readTIFF(t, b.Bytes())
	// Tags of a float plane: TIFF 6.0, sections 4 and 19; 0.5 µm are 20 000
	// pixels per centimetre.
	for tag, want := range map[uint16]uint32{256: 7, 257: 5, 258: 32, 259: 1, 262: 1, 277: 1, 278: 5, 279: 140, 296: 3, 339: 3} {
		if f.tags[tag] != want {
			t.Errorf("tag %d = %d, want %d", tag, f.tags[tag], want)
		}
	}
	if want := [2]uint32{20000, 1}; f.x != want || f.y != want {
		t.Errorf("resolution %v and %v, want %v", f.x, f.y, want)
	}
	want := "quantity: Ti Kalpha net counts\nunit: ug/cm2\npixel size: 0.5 x 0.5 um\nNaN: no value here"
	if f.text != want {
		t.Errorf("description %q, want %q", f.text, want)
	}
	for i, v := range m.V {
		if got := f.data[i]; math.Float32bits(got) != math.Float32bits(float32(v)) {
			t.Errorf("value %d = %g, want %g", i, got, v)
		}
	}
}

func TestFloatTIFFUnknownSize(t *testing.T) {
	m := maps.New(3, 2)
	m.What = "漢"
	var b bytes.Buffer
	if err := FloatTIFF(&b, m); err != nil {
		t.Fatal(err)
	}
	f := readTIFF(t, b.Bytes())
	if f.tags[296] != 1 || f.x != [2]uint32{1, 1} {
		t.Errorf("resolution %v in unit %d, want 1/1 without unit", f.x, f.tags[296])
	}
	if !strings.Contains(f.text, "pixel size: unknown") || !strings.Contains(f.text, "quantity: ?") || !strings.Contains(f.text, "unit: not stated") {
		t.Errorf("description %q", f.text)
	}
}

func TestFloatTIFFErrors(t *testing.T) {
	big, inf := maps.New(2, 2), maps.New(2, 2)
	big.V[3], inf.V[1] = 1e39, math.Inf(-1)
	for _, tt := range []struct {
		name string
		m    maps.Map
		want string
	}{
		{"empty", maps.Map{}, "0 × 0"},
		{"beyond 32 bits", big, "1e+39 at pixel (1, 1)"},
		{"infinite", inf, "-Inf at pixel (1, 0)"},
	} {
		var b bytes.Buffer
		if err := FloatTIFF(&b, tt.m); err == nil || !strings.Contains(err.Error(), tt.want) || b.Len() > 0 {
			t.Errorf("%s: error %v and %d bytes, want an error with %q", tt.name, err, b.Len(), tt.want)
		}
	}
}

// TestPerCentimetre: the fraction gives back the pixel size to twelve digits
// where the parts of 32 bits allow it, else to one part in 2³¹.
func TestPerCentimetre(t *testing.T) {
	for _, tt := range []struct {
		m        float64
		num, den uint32
	}{{0.5e-6, 20000, 1}, {0.3e-6, 100000, 3}, {1e-9, 10000000, 1}, {0.31e-6, 1000000, 31}, {1e-3, 10, 1}, {0.05, 1, 5}} {
		if num, den, ok := perCentimetre(tt.m); !ok || num != tt.num || den != tt.den {
			t.Errorf("perCentimetre(%g) = %d/%d, want %d/%d", tt.m, num, den, tt.num, tt.den)
		}
	}
	for _, bad := range []float64{0, -1, math.NaN(), math.Inf(1), 1e-12 * 1e-6} {
		if num, den, ok := perCentimetre(bad); ok {
			t.Errorf("perCentimetre(%g) = %d/%d, want none", bad, num, den)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		m := math.Pow(10, rapid.Float64Range(-10, -2).Draw(t, "log10 size"))
		num, den, ok := perCentimetre(m)
		if got := 0.01 * float64(den) / float64(num); !ok || math.Abs(got-m) > m/float64(uint32(1)<<31)*4 {
			t.Fatalf("perCentimetre(%g) = %d/%d (%v), which is %g", m, num, den, ok, got)
		}
	})
}

func TestFloatTIFFProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := maps.New(rapid.IntRange(1, 9).Draw(t, "w"), rapid.IntRange(1, 9).Draw(t, "h"))
		m.What = rapid.String().Draw(t, "what")
		for i := range m.V {
			m.V[i] = float64(rapid.Float32().Draw(t, "v"))
			if math.IsInf(m.V[i], 0) {
				m.V[i] = math.NaN()
			}
		}
		var b bytes.Buffer
		if err := FloatTIFF(&b, m); err != nil {
			t.Fatal(err)
		}
		f := readTIFF(t, b.Bytes())
		for i, v := range m.V {
			if got := float64(f.data[i]); got != v && !(math.IsNaN(got) && math.IsNaN(v)) {
				t.Fatalf("value %d = %g, want %g", i, got, v)
			}
		}
		for _, r := range f.text {
			if r > 126 || r < 32 && r != '\n' {
				t.Fatalf("description holds %q", r)
			}
		}
	})
}
