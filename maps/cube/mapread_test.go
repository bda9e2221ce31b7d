package cube

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"golang.org/x/image/tiff"
	"pgregory.net/rapid"

	"example.org/fleck/maps"
)

// greyValues are those of testdata/README.md.
func greyValues(mod int, divisor float64) []float64 {
	v := make([]float64, 12)
	for i := range v {
		v[i] = float64((7919*i+13)%mod) / divisor
	}
	return v
}

func TestReadMapFixtures(t *testing.T) {
	v16, v8, vf := greyValues(65521, 1), greyValues(251, 1), greyValues(65521, 8)
	tests := []struct {
		file, what, unit string
		want             []float64
		pixel            maps.Pixel
	}{
		{"grey16.png", "grey16", "counts", v16, maps.Pixel{}},
		{"grey8.png", "grey8", "counts", v8, maps.Pixel{}},
		{"rgb_grey.png", "rgb_grey", "counts", v8, maps.Pixel{}},
		{"grey16.tif", "grey16", "counts", v16, maps.Pixel{}},
		{"grey8.tif", "grey8", "counts", v8, maps.Pixel{}}, // two strips, reversed bits
		{"grey_f32.tif", "Ti K net counts", "", vf, maps.Pixel{X: 0.5e-6, Y: 1e-6}},
		{"grey_u32.tif", "grey_u32", "counts", v16, maps.Pixel{}},
		{"grey16_lzw.tif", "grey16_lzw", "counts", v16, maps.Pixel{}},
		{"grey16_zip.tif", "grey16_zip", "counts", v16, maps.Pixel{}},
		{"grey16_be.tif", "grey16_be", "counts", v16, maps.Pixel{}},
		{"grey_tab.txt", "grey_tab", "counts", v16, maps.Pixel{}},
		{"grey_tab.txt.gz", "grey_tab.txt", "counts", v16, maps.Pixel{}},
		{"grey_comma.csv", "grey_comma", "", vf, maps.Pixel{}},
		{"grey_blank.txt", "grey_blank", "counts", v16, maps.Pixel{}},
	}
	for _, tt := range tests {
		m, err := ReadMap(os.DirFS("testdata"), tt.file, MapOptions{})
		if err != nil {
			t.Error(err)
			continue
		}
		if m.W != 4 || m.H != 3 || !slices.Equal(m.V, tt.want) || m.What != tt.what || m.Unit != tt.unit {
			t.Errorf("%s: got %+v\nwant %v", tt.file, m, tt.want)
		}
		// 1e-18 m: rounding of 1/20000 cm.
		if math.Abs(float64(m.Pixel.X-tt.pixel.X)) > 1e-18 || math.Abs(float64(m.Pixel.Y-tt.pixel.Y)) > 1e-18 {
			t.Errorf("%s: pixel %+v, want %+v", tt.file, m.Pixel, tt.pixel)
		}
	}
	m, err := ReadMap(os.DirFS("testdata"), "map_f8.npy", MapOptions{What: "Si K", Unit: "cps", Pixel: maps.Pixel{X: 1e-6, Y: 1e-6}})
	if err != nil || m.W != 3 || m.H != 2 || m.At(1, 0) != 1.5 || !math.IsNaN(m.At(1, 1)) || m.At(2, 1) != 5 || m.What != "Si K" || m.Unit != "cps" || m.Pixel.X != 1e-6 {
		t.Errorf("map_f8: %+v, %v", m, err)
	}
	m, err = ReadMap(os.DirFS("testdata"), "map_u2_fortran.npy", MapOptions{})
	if err != nil || m.W != 3 || m.H != 2 || !slices.Equal(m.V, []float64{0, 1, 2, 3, 4, 5}) {
		t.Errorf("map_u2_fortran: %+v, %v", m, err)
	}
}

// TestReadMapRefusals gives bad maps and expects where and why.
func TestReadMapRefusals(t *testing.T) {
	gray1 := image.NewPaletted(image.Rect(0, 0, 2, 2), color.Palette{color.Black, color.White})
	var png1 bytes.Buffer
	if err := png.Encode(&png1, gray1); err != nil {
		t.Fatal(err)
	}
	clear := image.NewNRGBA(image.Rect(0, 0, 2, 2))
	var pngClear bytes.Buffer
	if err := png.Encode(&pngClear, clear); err != nil {
		t.Fatal(err)
	}
	f32, err := os.ReadFile("testdata/grey_f32.tif")
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		data string
		want string
	}{
		{"empty", "", "no numbers"},
		{"letters", "1\t2\n3\tx\n", `line 2, column 2: "x" is not a number`},
		{"names", "a,b\n1,2\n", "line of column names"},
		{"ragged", "# c\n1 2 3\n4 5\n", "line 3: 2 numbers; line 2, the first of the map, has 3"},
		{"empty cell", "1,,3\n", "line 1, column 2: the cell is empty"},
		{"decimal comma", "1,5\t2\n", "decimal comma"},
		{"decimal comma semicolon", "1;2,5\n", "decimal comma"},
		{"hex", "0x10\n", "not a number"},
		{"underscore", "1_0\n", "not a number"},
		{"inf", "1 inf\n", "not a number"},
		{"huge", "1e999\n", "not a number"},
		{"binary", "1 2\x00", "neither TIFF, PNG, NPY nor text"},
		{"png 1 bit", png1.String(), "1 bits per value"},
		{"png transparent", pngClear.String(), "row 0, column 0 is coloured or transparent"},
		{"png cut", png1.String()[:40], "EOF"},
		{"tiff cut", string(f32[:100]), "TIFF"},
		{"tiff short strip", string(f32[:56]), "TIFF"},
		{"npy 3 axes", string(npyHeader("|u1", 1, 1, 1)) + "1", "3 axes"},
		{"npy short", string(npyHeader("<u2", 2, 2)) + "1234567", "expected 8 bytes"},
		{"npy inf", string(npyHeader("<f4", 1, 1)) + "\x00\x00\x80\x7f", "row 0, column 0 holds +Inf"},
	}
	for _, tt := range tests {
		m, err := ReadMap(fstest.MapFS{"f": {Data: []byte(tt.data)}}, "f", MapOptions{})
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "cube: f: ") {
			t.Errorf("%s: %+v, error %v, want %q", tt.name, m, err, tt.want)
		}
	}
	for file, want := range map[string]string{
		"rgb_colour.png":   "row 1, column 2 is coloured",
		"two_pages.tif":    "more than one image",
		"grey_f32_lzw.tif": "32-bit values of sample format 3",
		"small_c.npy":      "3 axes",
		"objects.npy":      "pickle",
		"none":             "none",
		".":                "not a regular file",
	} {
		if _, err := ReadMap(os.DirFS("testdata"), file, MapOptions{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v, want %q", file, err, want)
		}
	}
	var parse *ParseError
	_, err = ReadMap(fstest.MapFS{"f": {Data: []byte("1\n2\nq\n")}}, "f", MapOptions{})
	if !errors.As(err, &parse) || parse.Line != 3 || parse.Column != 1 || parse.File != "f" {
		t.Errorf("ParseError %+v", parse)
	}
}

func TestReadMapBounds(t *testing.T) {
	fsys := os.DirFS("testdata")
	for _, file := range []string{"grey16.png", "grey16.tif", "grey16_lzw.tif", "map_f8.npy", "grey_tab.txt", "grey_tab.txt.gz"} {
		if _, err := ReadMap(fsys, file, MapOptions{MaxBytes: 40}); !errors.Is(err, ErrTooLarge) {
			t.Errorf("%s: %v, want ErrTooLarge", file, err)
		}
	}
	// A PNG whose header promises 60000 × 60000 pixels must be refused by its size.
	data, _ := os.ReadFile("testdata/grey16.png")
	data = slices.Clone(data)
	copy(data[16:], []byte{0, 0, 0xea, 0x60, 0, 0, 0xea, 0x60})
	_, err := ReadMap(fstest.MapFS{"f": {Data: data}}, "f", MapOptions{MaxBytes: 1 << 20})
	if err == nil {
		t.Error("hostile PNG accepted")
	}
}

func TestReadMapCutCompression(t *testing.T) {
	data, err := os.ReadFile("testdata/grey_tab.txt.gz")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []int{12, 30, len(data) - 5} {
		if m, err := ReadMap(fstest.MapFS{"f": {Data: data[:n]}}, "f", MapOptions{}); err == nil {
			t.Errorf("%d of %d bytes read as %v", n, len(data), m.V)
		}
	}
}

// TestTIFFAgainstEncoder reads what x/image/tiff writes, uncompressed through
// the own reader and deflated through the decoder of x/image.
func TestTIFFAgainstEncoder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, h := rapid.IntRange(1, 40).Draw(t, "w"), rapid.IntRange(1, 40).Draw(t, "h")
		img := image.NewGray16(image.Rect(0, 0, w, h))
		for i := range img.Pix {
			img.Pix[i] = rapid.Byte().Draw(t, "b")
		}
		for _, c := range []tiff.CompressionType{tiff.Uncompressed, tiff.Deflate} {
			var b bytes.Buffer
			if err := tiff.Encode(&b, img, &tiff.Options{Compression: c, Predictor: c == tiff.Deflate}); err != nil {
				t.Fatal(err)
			}
			m, err := ReadMap(fstest.MapFS{"f": {Data: b.Bytes()}}, "f", MapOptions{})
			if err != nil {
				t.Fatal(err)
			}
			for i, v := range m.V {
				if want := float64(img.Gray16At(i%w, i/w).Y); v != want {
					t.Fatalf("pixel %d is %g, want %g", i, v, want)
				}
			}
		}
	})
}

func TestMapNPYRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := maps.New(rapid.IntRange(1, 9).Draw(t, "w"), rapid.IntRange(1, 9).Draw(t, "h"))
		for i := range m.V {
			m.V[i] = rapid.Float64().Draw(t, "v")
			if rapid.IntRange(0, 9).Draw(t, "nan") == 0 {
				m.V[i] = math.NaN()
			}
		}
		var b bytes.Buffer
		if err := WriteMapNPY(&b, m); err != nil {
			t.Fatal(err)
		}
		got, err := ReadMap(fstest.MapFS{"f": {Data: b.Bytes()}}, "f", MapOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if got.W != m.W || got.H != m.H || !slices.EqualFunc(got.V, m.V, func(a, b float64) bool {
			return math.Float64bits(a) == math.Float64bits(b) || math.IsNaN(a) && math.IsNaN(b)
		}) {
			t.Fatalf("got %v, want %v", got, m)
		}
	})
}

// The map of NumPy's fixture, written again, must give NumPy's bytes.
func TestWriteMapNPYBytes(t *testing.T) {
	want, err := os.ReadFile("testdata/map_f8.npy")
	if err != nil {
		t.Fatal(err)
	}
	m := maps.New(3, 2)
	copy(m.V, []float64{0, 1.5, 2, 3, math.Float64frombits(0x7ff8000000000000), 5}) // NumPy's nan
	var b bytes.Buffer
	if err := WriteMapNPY(&b, m); err != nil || !bytes.Equal(b.Bytes(), want) {
		t.Errorf("%v\n%q\n%q", err, b.Bytes(), want)
	}
}

func TestMapAsSource(t *testing.T) {
	m := maps.New(3, 2)
	copy(m.V, []float64{0, 1, 2, 300, 4, 70000})
	m.Pixel = maps.Pixel{X: 1e-6, Y: 1e-6}
	src, err := MapAsSource(m)
	if err != nil {
		t.Fatal(err)
	}
	h := src.Header()
	if h.Channels != 1 || h.Width != 3 || h.Height != 2 || h.Type != U32 || h.Pixel != m.Pixel {
		t.Errorf("header %+v", h)
	}
	s, err := SumSpectra(t.Context(), src, 2, nil)
	if err != nil || s.Total != 70307 || !slices.Equal(s.PixelTotals.V, m.V) {
		t.Errorf("sums %+v, %v", s, err)
	}
	for _, bad := range []float64{-1, 0.5, math.NaN(), math.Inf(1), 1 << 32} {
		m.V[4] = bad
		if _, err := MapAsSource(m); err == nil || !strings.Contains(err.Error(), "row 1, column 1 holds") {
			t.Errorf("%g: error %v", bad, err)
		}
	}
}

// TestOoidMaps reads count maps of a microprobe. Sizes are those stated with
// the data; sums and largest values were computed with awk.
func TestOoidMaps(t *testing.T) {
	root := os.Getenv("FLECK_REAL_DATA")
	if root == "" {
		t.Skip("FLECK_REAL_DATA is not set; it names the folder of measured data")
	}
	for element, want := range map[string]struct{ sum, max float64 }{
		"Fe": {2380257, 879},
		"Mg": {284000699, 2368},
		"Mn": {3409050, 62},
		"Si": {155046048, 7453},
		"Sr": {465308, 612},
	} {
		m, err := ReadMap(os.DirFS(filepath.Join(root, "epma-maps-ooid")), fmt.Sprintf("MD6_258_6_E1_%s.txt", element), MapOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if st := m.Stats(); m.W != 400 || m.H != 600 || st.Sum != want.sum || st.Max != want.max || m.Unit != "counts" {
			t.Errorf("%s: %d × %d, sum %g, max %g %s, want %v", element, m.W, m.H, st.Sum, st.Max, m.Unit, want)
		}
		if _, err := MapAsSource(m); err != nil {
			t.Error(err)
		}
	}
}
