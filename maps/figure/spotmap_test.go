package figure

import (
	"bytes"
	"fmt"
	"image/color"
	"math"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// TestSpotMapRings: the outline lies where the spot is and encloses as many
// pixels as it has.
func TestSpotMapRings(t *testing.T) {
	m, _ := field(20, 60, 40, 0, 4)
	s := maps.Spot{ID: 7, XPx: 30.25, YPx: 18.5, AreaPx: 80, Verdict: maps.TargetVerdict}
	d := draw(t, func(b *bytes.Buffer) error { return SpotMap(b, m, []maps.Spot{s}, SpotMapOptions{NoNumbers: true}) })
	r := d.rects[0]
	want := ringStyles[0].colour
	sumX, sumY, n := 0.0, 0.0, 0.0
	far, near := 0.0, math.Inf(1)
	cx := float64(r.Min.X) + (s.XPx+0.5)*float64(d.kx)
	cy := float64(r.Min.Y) + (s.YPx+0.5)*float64(d.ky)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if rgbaAt(d.img, x, y) != want {
				continue
			}
			sumX, sumY, n = sumX+float64(x)+0.5, sumY+float64(y)+0.5, n+1
			h := math.Hypot(float64(x)+0.5-cx, float64(y)+0.5-cy)
			far, near = math.Max(far, h), math.Min(near, h)
		}
	}
	if n == 0 {
		t.Fatal("no outline in the colour of the verdict")
	}
	if dx, dy := sumX/n-cx, sumY/n-cy; math.Abs(dx) > 0.5 || math.Abs(dy) > 0.5 {
		t.Errorf("outline is off its spot by (%.2f, %.2f) output pixels", dx, dy)
	}
	// The middle of the line is the circle; pixels at its rim are blended and
	// do not count, hence one output pixel.
	if radius := math.Sqrt(s.AreaPx/math.Pi) * float64(d.kx); math.Abs((far+near)/2-radius) > 1 {
		t.Errorf("outline has radius %.1f output pixels, want %.1f", (far+near)/2, radius)
	}
}

// TestSpotMapLargeRing: the outline of a spot larger than the map ends at the frame.
func TestSpotMapLargeRing(t *testing.T) {
	m, _ := field(20, 40, 40, 0, 4)
	s := maps.Spot{ID: 1, XPx: 20, YPx: 20, AreaPx: math.Pi * 24 * 24, Verdict: maps.TargetVerdict}
	d := draw(t, func(b *bytes.Buffer) error { return SpotMap(b, m, []maps.Spot{s}, SpotMapOptions{NoNumbers: true}) })
	r := d.rects[0]
	const line = 8 // output pixels that the width of the line may reach beyond
	for y := range r.Max.Y + line {
		for x := range d.img.Bounds().Max.X {
			outside := x < r.Min.X-line || x > r.Max.X+line || y < r.Min.Y-line
			if outside && rgbaAt(d.img, x, y) == ringStyles[0].colour {
				t.Fatalf("outline at (%d, %d), the map is %v", x, y, r)
			}
		}
	}
}

// TestSpotMapStyles: each verdict shows its colour on the map and is counted.
func TestSpotMapStyles(t *testing.T) {
	m, spots := field(21, 60, 60, 12, 4)
	d := draw(t, func(b *bytes.Buffer) error { return SpotMap(b, m, spots, SpotMapOptions{}) })
	count := map[color.RGBA]int{}
	r := d.rects[0]
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			count[rgbaAt(d.img, x, y)]++
		}
	}
	for _, st := range ringStyles {
		if count[st.colour] < 20 {
			t.Errorf("%q: %d pixels in its colour", st.name, count[st.colour])
		}
		if want := fmt.Sprintf("spots with verdict %q: 2", st.name); !strings.Contains(d.text, want) {
			t.Errorf("description lacks %q:\n%s", want, d.text)
		}
	}
}

func TestSpotMapMany(t *testing.T) {
	m, spots := field(22, 128, 128, 3000, 2)
	d := draw(t, func(b *bytes.Buffer) error { return SpotMap(b, m, spots, SpotMapOptions{}) })
	if !strings.Contains(d.text, "without number for lack of room") {
		t.Errorf("3000 spots on 128 × 128 pixels, and no number is missing:\n%s", d.text)
	}
	d = draw(t, func(b *bytes.Buffer) error { return SpotMap(b, m, nil, SpotMapOptions{}) })
	if !strings.Contains(d.text, "spots: 0") {
		t.Errorf("description of a map without spots:\n%s", d.text)
	}
}

func TestGoldenSpotMap(t *testing.T) {
	m, spots := field(6, 32, 24, 6, 5)
	m.V[100], m.V[101], m.V[132], m.V[133] = math.NaN(), math.NaN(), math.NaN(), math.NaN()
	var b bytes.Buffer
	if err := SpotMap(&b, m, spots, SpotMapOptions{Title: "Spots of TiO2", WidthMM: 60, DPI: 100}); err != nil {
		t.Fatal(err)
	}
	golden(t, "spotmap.png", b.Bytes())
}

func TestSpotMapErrors(t *testing.T) {
	m, _ := field(23, 20, 10, 0, 4)
	for _, tt := range []struct {
		name string
		s    maps.Spot
		want string
	}{
		{"NaN", maps.Spot{ID: 3, XPx: math.NaN(), YPx: 2}, "spot 3"},
		{"outside", maps.Spot{ID: 4, XPx: 40, YPx: 2}, "(40, 2), map is 20 × 10"},
		{"infinite", maps.Spot{ID: 5, XPx: 4, YPx: math.Inf(-1)}, "spot 5"},
	} {
		if err := SpotMap(&bytes.Buffer{}, m, []maps.Spot{tt.s}, SpotMapOptions{}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want one with %q", tt.name, err, tt.want)
		}
	}
	// A spot of unknown area, and one with an unknown verdict, are drawn.
	odd := []maps.Spot{{ID: 1, XPx: 3, YPx: 3, AreaPx: math.NaN()}, {ID: 2, XPx: 8, YPx: 3, AreaPx: -1, Verdict: "perhaps"}, {ID: 3, XPx: 12, YPx: 3, AreaPx: math.Inf(1)}}
	if err := SpotMap(&bytes.Buffer{}, m, odd[:2], SpotMapOptions{}); err != nil {
		t.Errorf("odd spots: %v", err)
	}
	if err := SpotMap(&bytes.Buffer{}, m, odd, SpotMapOptions{}); err == nil {
		t.Errorf("spot of infinite area was accepted")
	}
}
