package figure

import (
	"bytes"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"testing"

	"example.org/fleck/maps"
)

// field returns a simulated map of Poisson counts with round spots.
func field(seed uint64, w, h, spots int, background float64) (maps.Map, []maps.Spot) {
	r := rand.New(rand.NewPCG(seed, 1))
	m := maps.New(w, h)
	m.What, m.Unit = "Ti K net counts", "counts"
	m.Pixel = maps.Pixel{X: 0.5 * maps.Micrometre, Y: 0.5 * maps.Micrometre}
	mean := make([]float64, w*h)
	for i := range mean {
		mean[i] = background
	}
	verdicts := []maps.Verdict{maps.TargetVerdict, maps.OtherCompound, maps.Artefact, maps.SubstrateSpot, maps.CannotTell, ""}
	var out []maps.Spot
	for k := range spots {
		s := maps.Spot{ID: k + 1, XPx: r.Float64() * float64(w-1), YPx: r.Float64() * float64(h-1), WidthPx: 0.8 + 1.5*r.Float64()}
		s.AreaPx = 2 * math.Pi * math.Ln2 * s.WidthPx * s.WidthPx // above half of a Gaussian
		s.ExcessSigma = 3 + 10*r.ExpFloat64()
		s.Verdict = verdicts[k%len(verdicts)]
		reach := int(4*s.WidthPx) + 1
		for y := max(0, int(s.YPx)-reach); y < min(h, int(s.YPx)+reach+1); y++ {
			for x := max(0, int(s.XPx)-reach); x < min(w, int(s.XPx)+reach+1); x++ {
				d := math.Hypot(float64(x)-s.XPx, float64(y)-s.YPx) / s.WidthPx
				mean[y*w+x] += s.ExcessSigma * background * math.Exp(-d*d/2)
			}
		}
		out = append(out, s)
	}
	for i, l := range mean {
		// Knuth's product of uniforms; means here are below 500.
		n, p := -1, 1.0
		for limit := math.Exp(-l); p > limit; n++ {
			p *= r.Float64()
		}
		m.V[i] = float64(n)
	}
	return m, out
}

// drawn is a decoded figure with what its description says about the maps.
type drawn struct {
	raw    []byte
	img    image.Image
	chunks []chunk
	text   string
	rects  []image.Rectangle
	kx, ky int
	low    float64
	high   float64
}

var (
	mapLine   = regexp.MustCompile(`each drawn as (\d+) × (\d+) image pixels, in the image from x (\d+) to (\d+) and y (\d+) to (\d+)`)
	rangeLine = regexp.MustCompile(`display range: low (\S+) to high (\S+) `)
)

func draw(t *testing.T, f func(b *bytes.Buffer) error) drawn {
	t.Helper()
	var b bytes.Buffer
	if err := f(&b); err != nil {
		t.Fatal(err)
	}
	d := drawn{raw: b.Bytes(), img: decode(t, b.Bytes()), chunks: chunksOf(t, b.Bytes())}
	d.text = textOf(d.chunks, "Description")
	for _, m := range mapLine.FindAllStringSubmatch(d.text, -1) {
		var v [6]int
		for i := range v {
			v[i], _ = strconv.Atoi(m[i+1])
		}
		d.kx, d.ky = v[0], v[1]
		d.rects = append(d.rects, image.Rect(v[2], v[4], v[3], v[5]))
	}
	if m := rangeLine.FindStringSubmatch(d.text); m != nil {
		d.low, _ = strconv.ParseFloat(m[1], 64)
		d.high, _ = strconv.ParseFloat(m[2], 64)
	}
	return d
}

func drawMap(t *testing.T, m maps.Map, opt MapOptions) drawn {
	t.Helper()
	return draw(t, func(b *bytes.Buffer) error { return ElementMap(b, m, opt) })
}

// checkPixels compares every map pixel with the colour map: each is one block of
// one colour, so nothing is interpolated.
func checkPixels(t *testing.T, d drawn, k int, m maps.Map, position func(v float64) float64, cm ColourMap) {
	t.Helper()
	r := d.rects[k]
	if r.Dx() != m.W*d.kx || r.Dy() != m.H*d.ky {
		t.Fatalf("map %d covers %v, want %d × %d pixels of %d × %d", k, r, m.W, m.H, d.kx, d.ky)
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			v := m.At((x-r.Min.X)/d.kx, (y-r.Min.Y)/d.ky)
			got := rgbaAt(d.img, x, y)
			if math.IsNaN(v) {
				if got != missingLight && got != missingDark {
					t.Fatalf("NaN at image pixel (%d, %d) is %v, want a grey of the hatch", x, y, got)
				}
				continue
			}
			if want := cm.At(position(v)); got != want {
				t.Fatalf("value %g at image pixel (%d, %d) is %v, want %v", v, x, y, got, want)
			}
		}
	}
}

// longestRun returns the longest level run of one colour below y.
func longestRun(img image.Image, y int, c color.RGBA) (n, left int) {
	b := img.Bounds()
	for ; y < b.Max.Y; y++ {
		run := 0
		for x := b.Min.X; x < b.Max.X; x++ {
			if rgbaAt(img, x, y) != c {
				run = 0
				continue
			}
			if run++; run > n {
				n, left = run, x-run+1
			}
		}
	}
	return n, left
}
