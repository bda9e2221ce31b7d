package figure

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// TestOverlayColours: the eight mixtures of three layers differ from each other
// by at least 18 in ΔE*ab, eight just noticeable differences (2.3), for normal
// sight and under each deficiency. The search that chose them reached 20.0; 8-bit
// colours lose a little.
func TestOverlayColours(t *testing.T) {
	const limit = 18
	views := append(deficiencies[:len(deficiencies):len(deficiencies)], struct {
		name string
		m    [3][3]float64
	}{"normal sight", [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}})
	var mixed [8]color.RGBA
	for k := range mixed {
		mixed[k] = mixture([]float64{float64(k & 1), float64(k >> 1 & 1), float64(k >> 2)})
	}
	for _, d := range views {
		least, pair := math.Inf(1), ""
		for i, a := range mixed {
			for j, b := range mixed[:i] {
				if got := seen(a, d.m).distance(seen(b, d.m)); got < least {
					least, pair = got, fmt.Sprintf("%03b and %03b", i, j)
				}
			}
		}
		t.Logf("%s: least difference of eight mixtures %.1f (%s)", d.name, least, pair)
		if least < limit {
			t.Errorf("%s: mixtures %s differ by %.1f, want %d", d.name, pair, least, limit)
		}
	}
	// Each ramp gains lightness all the way.
	for k := range overlayPrimaries {
		last := -1.0
		for i := range 21 {
			var at [3]float64
			at[k] = float64(i) / 20
			if l := toLab(mixture(at[:])).L; l <= last {
				t.Errorf("ramp %d: lightness %.1f after %.1f", k, l, last)
			} else {
				last = l
			}
		}
	}
	if c := mixture([]float64{1, 1, 1}); min(c.R, c.G, c.B) < 235 {
		t.Errorf("all layers together make %v, want nearly white", c)
	}
}

// layers are three maps: ramps to the right and down, and a disc.
func overlayLayers() []Layer {
	var out []Layer
	for k, name := range []string{"Ti K", "Fe K", "O K"} {
		m := maps.New(40, 30)
		m.What, m.Unit, m.Pixel = name+" net counts", "counts", maps.Pixel{X: 0.2 * maps.Micrometre, Y: 0.2 * maps.Micrometre}
		for p := range m.V {
			x, y := float64(p%40), float64(p/40)
			m.V[p] = []float64{x, y, 20 * math.Exp(-math.Pow(math.Hypot(x-20, y-15)/6, 4))}[k]
		}
		out = append(out, Layer{Map: m, Name: name})
	}
	out[0].Map.V[5*40+3] = math.NaN()
	return out
}

func TestGoldenOverlay(t *testing.T) {
	d := draw(t, func(b *bytes.Buffer) error { return Overlay(b, overlayLayers(), OverlayOptions{DPI: 110}) })
	golden(t, "overlay.png", d.raw)
	if len(d.rects) != 4 {
		t.Fatalf("%d maps, want the overlay and three layers", len(d.rects))
	}
	// A pixel of the overlay has the mixture of its three values.
	f := d.rects[0]
	for _, p := range [][2]int{{39, 0}, {0, 29}, {20, 15}, {30, 20}} {
		got := rgbaAt(d.img, f.Min.X+p[0]*d.kx+d.kx/2, f.Min.Y+p[1]*d.ky+d.ky/2)
		l := overlayLayers()
		i := p[1]*40 + p[0]
		if want := mixture([]float64{l[0].Map.V[i] / 39, l[1].Map.V[i] / 29, l[2].Map.V[i] / 20}); got != want {
			t.Errorf("pixel %v is %v, want %v", p, got, want)
		}
	}
	for _, text := range []string{"layer 1: Ti K, blue, low 0 to high 39 counts", "layer 2: Fe K, ochre", "layer 3: O K, light green"} {
		if !strings.Contains(d.text, text) {
			t.Errorf("the description lacks %q", text)
		}
	}
	one := draw(t, func(b *bytes.Buffer) error {
		return Overlay(b, overlayLayers()[:2], OverlayOptions{Only: true, DPI: 60})
	})
	if len(one.rects) != 1 {
		t.Errorf("%d maps, want the overlay alone", len(one.rects))
	}
}

func TestOverlayErrors(t *testing.T) {
	three := overlayLayers()
	for _, c := range []struct {
		what   string
		layers []Layer
		want   string
	}{
		{"one layer", three[:1], "1 layers, want 2 or 3"},
		{"four layers", append(overlayLayers(), three[0]), "4 layers, want 2 or 3"},
		{"another size", []Layer{three[0], {Map: maps.New(3, 3)}}, "3 × 3 pixels"},
		{"a falling scale", []Layer{three[0], {Map: three[1].Map, Scale: &maps.Scale{Low: 2, High: 1}}}, "scale from 2 to 1"},
		{"no map", []Layer{three[0], {}}, "layer 2"},
	} {
		if err := Overlay(io.Discard, c.layers, OverlayOptions{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", c.what, err, c.want)
		}
	}
	three[1].Map.V[7] = math.Inf(1)
	if err := Overlay(io.Discard, three, OverlayOptions{}); err == nil || !strings.Contains(err.Error(), "pixel (7, 0)") {
		t.Errorf("error %v for an infinite value", err)
	}
	// Maps without any value are drawn hatched.
	none := overlayLayers()[:2]
	for k := range none {
		for i := range none[k].Map.V {
			none[k].Map.V[i] = math.NaN()
		}
	}
	if err := Overlay(io.Discard, none, OverlayOptions{DPI: 50}); err != nil {
		t.Errorf("maps without values: %v", err)
	}
}

func TestGoldenSignificance(t *testing.T) {
	value, _ := field(4, 48, 36, 3, 4)
	sigma := value
	sigma.V = make([]float64, len(value.V))
	for i, v := range value.V {
		sigma.V[i] = math.Sqrt(v)
	}
	d := draw(t, func(b *bytes.Buffer) error { return Significance(b, value, sigma, MapOptions{DPI: 110}) })
	golden(t, "significance.png", d.raw)
	zeros := 0
	for _, v := range value.V {
		if v == 0 {
			zeros++
		}
	}
	if want := fmt.Sprintf("pixels without value (NaN, hatched grey): %d", zeros); zeros == 0 || !strings.Contains(d.text, want) {
		t.Errorf("the description lacks %q", want)
	}
	sigma.V = make([]float64, len(value.V)) // no uncertainty anywhere
	if err := Significance(io.Discard, value, sigma, MapOptions{DPI: 50}); err != nil {
		t.Errorf("maps without uncertainty: %v", err)
	}
	if err := Significance(io.Discard, value, maps.New(2, 2), MapOptions{}); err == nil {
		t.Error("no error for uncertainties of another size")
	}
}
