package figure

import (
	"bytes"
	"fmt"
	"image/color"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

func TestElementMapPixels(t *testing.T) {
	m, _ := field(1, 40, 30, 3, 4)
	for y := 10; y < 15; y++ {
		for x := 5; x < 12; x++ {
			m.Set(x, y, math.NaN())
		}
	}
	t.Run("linear", func(t *testing.T) {
		d := drawMap(t, m, MapOptions{})
		r, _ := m.Range()
		if d.low != r.Low || d.high != r.High {
			t.Errorf("display range %g to %g, want that of the values, %g to %g", d.low, d.high, r.Low, r.High)
		}
		checkPixels(t, d, 0, m, func(v float64) float64 { return (v - d.low) / (d.high - d.low) }, Sequential())
	})
	t.Run("shared scale", func(t *testing.T) {
		d := drawMap(t, m, MapOptions{Scale: &maps.Scale{Low: 2, High: 9}})
		if d.low != 2 || d.high != 9 {
			t.Errorf("display range %g to %g, want 2 to 9", d.low, d.high)
		}
		checkPixels(t, d, 0, m, func(v float64) float64 { return (v - 2) / 7 }, Sequential())
		if !strings.Contains(d.text, "pixels outside the range") {
			t.Errorf("description does not count clipped pixels:\n%s", d.text)
		}
	})
	t.Run("log", func(t *testing.T) {
		q := m
		q.V = append([]float64(nil), m.V...)
		for i := range q.V {
			q.V[i]++ // no zeros
		}
		d := drawMap(t, q, MapOptions{Log: true})
		checkPixels(t, d, 0, q, func(v float64) float64 { return math.Log(v/d.low) / math.Log(d.high/d.low) }, Sequential())
	})
	t.Run("log with zeros", func(t *testing.T) {
		d := drawMap(t, m, MapOptions{Log: true})
		r := d.rects[0]
		zeros := 0
		for i, v := range m.V {
			if v == 0 {
				zeros++
				if got := rgbaAt(d.img, r.Min.X+i%m.W*d.kx, r.Min.Y+i/m.W*d.ky); got != black {
					t.Fatalf("zero is drawn as %v, want black", got)
				}
			}
		}
		if want := fmt.Sprintf("zero or below (one colour beyond the low end): %d", zeros); zeros == 0 || !strings.Contains(d.text, want) {
			t.Errorf("description lacks %q:\n%s", want, d.text)
		}
	})
	t.Run("diverging", func(t *testing.T) {
		q := m
		q.V = append([]float64(nil), m.V...)
		for i := range q.V {
			q.V[i] -= 5
		}
		d := drawMap(t, q, MapOptions{Diverging: true})
		if d.low != -d.high {
			t.Errorf("display range %g to %g, want centred on zero", d.low, d.high)
		}
		checkPixels(t, d, 0, q, func(v float64) float64 { return (v - d.low) / (d.high - d.low) }, Diverging())
	})
}

// TestScaleBarLength: the drawn length equals value / pixel size within one
// output pixel, for several sizes of map and pixel.
func TestScaleBarLength(t *testing.T) {
	tests := []struct {
		w, h   int
		pixel  maps.Length
		length maps.Length // what the bar must stand for, by hand
	}{
		{40, 30, 0.5 * maps.Micrometre, 5 * maps.Micrometre},
		{33, 20, 0.37 * maps.Micrometre, 2 * maps.Micrometre},
		{128, 128, 0.31 * maps.Micrometre, 5 * maps.Micrometre},
		{300, 200, 7 * maps.Nanometre, 500 * maps.Nanometre},
		{90, 60, 55 * maps.Micrometre, 1 * maps.Millimetre},
	}
	for _, tt := range tests {
		m, _ := field(2, tt.w, tt.h, 2, 4)
		m.Pixel = maps.Pixel{X: tt.pixel, Y: tt.pixel}
		d := drawMap(t, m, MapOptions{})
		got, left := longestRun(d.img, d.rects[0].Max.Y+2, black)
		want := float64(tt.length/tt.pixel) * float64(d.kx)
		if math.Abs(float64(got)-want) > 1 {
			t.Errorf("%d px of %g µm: bar of %d output pixels, want %.1f", tt.w, tt.pixel.Um(), got, want)
		}
		if share := float64(got) / float64(d.rects[0].Dx()); share > 0.25+0.01 || share < 0.1-0.01 {
			t.Errorf("%d px of %g µm: bar is %.3f of the width", tt.w, tt.pixel.Um(), share)
		}
		if left != d.rects[0].Min.X {
			t.Errorf("bar starts at x = %d, map at %d", left, d.rects[0].Min.X)
		}
		// The physical size of an output pixel, and the display resolution.
		scal, ok := find(d.chunks, "sCAL")
		x, y, _ := strings.Cut(string(scal.data[1:]), "\x00")
		for _, s := range []string{x, y} {
			v, err := strconv.ParseFloat(s, 64)
			if want := float64(tt.pixel) / float64(d.kx); !ok || err != nil || math.Abs(v-want) > 1e-8*want {
				t.Errorf("sCAL side %q, want %g", s, want)
			}
		}
		if _, ok := find(d.chunks, "pHYs"); !ok {
			t.Errorf("no pHYs chunk")
		}
	}
}

func TestUnknownPixelSize(t *testing.T) {
	m, _ := field(2, 40, 30, 2, 4)
	m.Pixel = maps.Pixel{}
	d := drawMap(t, m, MapOptions{})
	if got, _ := longestRun(d.img, d.rects[0].Max.Y+2, black); got != 10*d.kx {
		t.Errorf("bar of %d output pixels, want 10 map pixels = %d", got, 10*d.kx)
	}
	if _, ok := find(d.chunks, "sCAL"); ok {
		t.Errorf("sCAL chunk without a pixel size")
	}
	if !strings.Contains(d.text, "size unknown") {
		t.Errorf("description does not say that the size is unknown:\n%s", d.text)
	}
}

func TestOblongPixels(t *testing.T) {
	m, _ := field(3, 40, 30, 2, 4)
	m.Pixel = maps.Pixel{X: 0.5 * maps.Micrometre, Y: 1 * maps.Micrometre}
	d := drawMap(t, m, MapOptions{})
	if d.ky != 2*d.kx {
		t.Errorf("pixels of 1:2 drawn as %d × %d", d.kx, d.ky)
	}
	if got, _ := longestRun(d.img, d.rects[0].Max.Y+2, black); math.Abs(float64(got)-10*float64(d.kx)) > 1 { // 5 µm
		t.Errorf("level bar of %d output pixels, want %d", got, 10*d.kx)
	}
}

// TestColourBar: beside the map stands a column that runs through the whole
// colour map from the high end at the top to the low end.
func TestColourBar(t *testing.T) {
	m, _ := field(4, 40, 40, 3, 4)
	for _, opt := range []MapOptions{{}, {Log: true}, {Diverging: true}} {
		cm := Sequential()
		if opt.Diverging {
			cm = Diverging()
		}
		d := drawMap(t, m, opt)
		x := d.rects[0].Max.X + int((gap+barWidth/2)*float64(dpiOf(t, d))/72)
		var column []color.RGBA
		for y := d.rects[0].Min.Y + 2; y < d.rects[0].Max.Y-2; y++ {
			column = append(column, rgbaAt(d.img, x, y))
		}
		if a, b := toLab(column[0]), toLab(cm.At(1)); a.distance(b) > 2 {
			t.Errorf("top of the colour bar is %v, want %v", a, b)
		}
		if a, b := toLab(column[len(column)-1]), toLab(cm.At(0)); a.distance(b) > 2 {
			t.Errorf("bottom of the colour bar is %v, want %v", a, b)
		}
		for i := range column {
			want := cm.At(1 - (float64(i)+2.5)/float64(d.rects[0].Dy()))
			if toLab(column[i]).distance(toLab(want)) > 2 {
				t.Errorf("colour bar at row %d is %v, want %v", i, column[i], want)
				break
			}
		}
	}
}

func dpiOf(t *testing.T, d drawn) int {
	t.Helper()
	c, ok := find(d.chunks, "pHYs")
	if !ok {
		t.Fatal("no pHYs chunk")
	}
	perMetre := int(c.data[0])<<24 | int(c.data[1])<<16 | int(c.data[2])<<8 | int(c.data[3])
	return int(math.Round(float64(perMetre) * 0.0254))
}

// TestPageWidth: the figure is as wide as asked for, in output pixels and in mm.
func TestPageWidth(t *testing.T) {
	m, _ := field(4, 40, 40, 3, 4)
	for _, width := range []float64{0, 60, 170} {
		d := drawMap(t, m, MapOptions{WidthMM: width})
		want := width
		if width == 0 {
			want = 85
		}
		dpi := dpiOf(t, d)
		if got := float64(d.img.Bounds().Dx()) / float64(dpi) * 25.4; math.Abs(got-want) > 25.4/float64(dpi) {
			t.Errorf("width %.2f mm, want %g", got, want)
		}
		if dpi < 300 {
			t.Errorf("%d dots per inch, want at least 300", dpi)
		}
	}
}

func TestMapErrors(t *testing.T) {
	good, _ := field(5, 8, 6, 1, 4)
	change := func(f func(m *maps.Map)) maps.Map {
		m := good
		m.V = append([]float64(nil), good.V...)
		f(&m)
		return m
	}
	allNaN := change(func(m *maps.Map) {
		for i := range m.V {
			m.V[i] = math.NaN()
		}
	})
	negative := change(func(m *maps.Map) {
		for i := range m.V {
			m.V[i] = -1
		}
	})
	tests := []struct {
		name string
		m    maps.Map
		opt  MapOptions
		want string // part of the message
	}{
		{"empty", maps.Map{}, MapOptions{}, "0 × 0 pixels"},
		{"short", maps.Map{W: 3, H: 3, V: make([]float64, 8)}, MapOptions{}, "3 × 3 pixels with 8 values"},
		{"all NaN", allNaN, MapOptions{}, "all 48 pixels are NaN"},
		{"infinite", change(func(m *maps.Map) { m.V[9] = math.Inf(1) }), MapOptions{}, "pixel (1, 1)"},
		{"log of negative values", negative, MapOptions{Log: true}, "largest value is -1"},
		{"log and diverging", good, MapOptions{Log: true, Diverging: true}, "not both"},
		{"falling scale", good, MapOptions{Scale: &maps.Scale{Low: 2, High: 1}}, "scale from 2 to 1"},
		{"NaN scale", good, MapOptions{Scale: &maps.Scale{Low: math.NaN(), High: 1}}, "scale from NaN"},
		{"too narrow a page", good, MapOptions{WidthMM: 20}, "width 20 mm"},
		{"resolution", good, MapOptions{DPI: -5}, "-5 dots per inch"},
		{"too wide a map", maps.New(20000, 2), MapOptions{}, "dots per inch"},
		{"range beyond float64", change(func(m *maps.Map) { m.V[0], m.V[1] = -math.MaxFloat64, math.MaxFloat64 }), MapOptions{}, "too wide"},
	}
	for _, tt := range tests {
		var b bytes.Buffer
		err := ElementMap(&b, tt.m, tt.opt)
		if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "figure: ") {
			t.Errorf("%s: error %v, want one with %q", tt.name, err, tt.want)
		}
		if b.Len() > 0 {
			t.Errorf("%s: %d bytes written beside an error", tt.name, b.Len())
		}
	}
	percent := change(func(m *maps.Map) { m.Unit = "%" })
	for _, tt := range []struct {
		name string
		ms   []maps.Map
		opt  PanelOptions
		want string
	}{
		{"no maps", nil, PanelOptions{}, "0 maps"},
		{"labels", []maps.Map{good}, PanelOptions{Labels: []string{"a", "b"}}, "2 labels for 1 maps"},
		{"units", []maps.Map{good, percent}, PanelOptions{}, "cannot share one scale"},
		{"columns", []maps.Map{good}, PanelOptions{Columns: -1}, "-1 columns"},
		{"too many columns", make20(good), PanelOptions{Columns: 20}, "20 maps beside each other"},
	} {
		if err := Panel(&bytes.Buffer{}, tt.ms, tt.opt); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("panel, %s: error %v, want one with %q", tt.name, err, tt.want)
		}
	}
}

func make20(m maps.Map) []maps.Map {
	ms := make([]maps.Map, 20)
	for i := range ms {
		ms[i] = m
	}
	return ms
}

// TestUnusualMaps: odd but legal maps are drawn.
func TestUnusualMaps(t *testing.T) {
	good, _ := field(5, 24, 18, 1, 4)
	constant := func(v float64) maps.Map {
		m := maps.New(6, 5)
		for i := range m.V {
			m.V[i] = v
		}
		return m
	}
	allNaN := constant(math.NaN())
	long := good
	long.What = strings.Repeat("a very long name of a quantity ", 30)
	long.Unit = strings.Repeat("unit", 100)
	word := good
	word.What = strings.Repeat("W", 500)
	tests := []struct {
		name string
		m    maps.Map
		opt  MapOptions
	}{
		{"all zero", constant(0), MapOptions{}},
		{"all five", constant(5), MapOptions{}},
		{"all minus five", constant(-5), MapOptions{}},
		{"all five, log", constant(5), MapOptions{Log: true}},
		{"all zero, diverging", constant(0), MapOptions{Diverging: true}},
		{"all NaN with a scale", allNaN, MapOptions{Scale: &maps.Scale{Low: 0, High: 1}}},
		{"one pixel", maps.New(1, 1), MapOptions{}},
		{"one row", maps.New(300, 1), MapOptions{}},
		{"one column", maps.New(1, 300), MapOptions{}},
		{"long name", long, MapOptions{Caption: strings.Repeat("caption ", 300)}},
		{"long word", word, MapOptions{}},
		{"control characters", good, MapOptions{Title: "a\x00b\nc\xff"}},
		{"huge values", constant(1e300), MapOptions{}},
		{"tiny values", constant(1e-300), MapOptions{Log: true}},
		{"negative pixel size", func() maps.Map { m := good; m.Pixel.X = -1; return m }(), MapOptions{}},
		{"slender pixels", func() maps.Map { m := good; m.Pixel.Y = 1e-3; return m }(), MapOptions{}},
		{"flat pixels", func() maps.Map { m := good; m.Pixel.X = 1e-3; return m }(), MapOptions{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d := drawMap(t, tt.m, tt.opt)
			if len(d.rects) != 1 || d.rects[0].Empty() || !d.rects[0].In(d.img.Bounds()) {
				t.Errorf("map area %v in a picture of %v", d.rects, d.img.Bounds())
			}
			// Nothing runs off the page: the outermost pixels stay white.
			b := d.img.Bounds()
			for x := b.Min.X; x < b.Max.X; x++ {
				for _, y := range []int{b.Min.Y, b.Max.Y - 1} {
					if got := rgbaAt(d.img, x, y); got != white {
						t.Fatalf("edge pixel (%d, %d) is %v, want white", x, y, got)
					}
				}
			}
			for y := b.Min.Y; y < b.Max.Y; y++ {
				for _, x := range []int{b.Min.X, b.Max.X - 1} {
					if got := rgbaAt(d.img, x, y); got != white {
						t.Fatalf("edge pixel (%d, %d) is %v, want white", x, y, got)
					}
				}
			}
		})
	}
}

// TestSameBytes: a figure has the same bytes every time.
func TestSameBytes(t *testing.T) {
	m, spots := field(7, 30, 30, 20, 4)
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		if err := SpotMap(w, m, spots, SpotMapOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("two drawings of one map differ")
	}
}

type failingWriter struct{}

func (failingWriter) Write([]byte) (int, error) { return 0, os.ErrClosed }

func TestWriteErrors(t *testing.T) {
	m, _ := field(7, 10, 10, 0, 4)
	if err := ElementMap(failingWriter{}, m, MapOptions{}); err == nil || !strings.HasPrefix(err.Error(), "figure: ") {
		t.Errorf("ElementMap to a broken writer: %v", err)
	}
	if err := FloatTIFF(failingWriter{}, m); err == nil || !strings.HasPrefix(err.Error(), "figure: ") {
		t.Errorf("FloatTIFF to a broken writer: %v", err)
	}
}

func BenchmarkElementMap(b *testing.B) {
	for _, n := range []int{128, 512} {
		b.Run(fmt.Sprintf("w=%d", n), func(b *testing.B) {
			m, _ := field(8, n, n, 20, 4)
			b.ReportAllocs()
			for b.Loop() {
				if err := ElementMap(&bytes.Buffer{}, m, MapOptions{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
