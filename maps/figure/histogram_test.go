package figure

import (
	"bytes"
	"math"
	"strings"
	"testing"
)

// Garwood's 95 % limits of a Poisson mean for 0, 3, 10 and 12 counts: Garwood
// (1936), Biometrika 28, 437; values from memory, unverified.
func twoSeries() SizeData {
	return SizeData{
		Edges: []float64{0.25, 0.5, 1, 2, 4}, Resolution: 0.4,
		Series: []SizeSeries{
			{"treated", []float64{12, 10, 3, 0}, []float64{6.2, 4.8, 0.62, 0}, []float64{20.96, 18.39, 8.77, 3.69}},
			{"untreated", []float64{0, 3, 0, 0}, []float64{0, 0.62, 0, 0}, []float64{3.69, 8.77, 3.69, 3.69}},
		},
	}
}

// TestSizeHistogram: the columns are as high as the numbers, on one scale.
func TestSizeHistogram(t *testing.T) {
	d := twoSeries()
	d.Series = d.Series[:1]
	d.Resolution = 0
	d.Series[0].Low, d.Series[0].High = nil, nil
	var b bytes.Buffer
	if err := SizeHistogram(&b, d, SizeOptions{LogSize: true}); err != nil {
		t.Fatal(err)
	}
	img := decode(t, b.Bytes())
	// Rows of the fill colour per column of the picture, below the legend.
	var heights []int
	fill := columnFill(0)
	below := int(math.Floor((margin + 0.5*mm + flowStep) * 300 / 72))
	prev := 0
	for x := range img.Bounds().Dx() {
		n := 0
		for y := below; y < img.Bounds().Dy(); y++ {
			if rgbaAt(img, x, y) == fill {
				n++
			}
		}
		if n > 0 && prev == 0 {
			heights = append(heights, 0)
		}
		if n > 0 {
			heights[len(heights)-1] = max(heights[len(heights)-1], n)
		}
		prev = n
	}
	if len(heights) != 3 {
		t.Fatalf("columns of heights %v, want 3 (the empty bin has none)", heights)
	}
	// Half of the outline on each side is not of the fill colour: 0.8 pt at 300
	// per inch, so 3.3 output pixels, and one for rounding.
	edge := 0.8 * 300.0 / 72
	for i, want := range []float64{1, 10.0 / 12, 3.0 / 12} {
		got := (float64(heights[i]) + edge) / (float64(heights[0]) + edge)
		if math.Abs(got-want) > 1.5/float64(heights[0]) {
			t.Errorf("column %d is %.4f of the first, want %.4f", i, got, want)
		}
	}
}

func TestSizeHistogramText(t *testing.T) {
	var b bytes.Buffer
	if err := SizeHistogram(&b, twoSeries(), SizeOptions{LogSize: true, Format: SVG}); err != nil {
		t.Fatal(err)
	}
	texts, title, description := svgText(t, b.Bytes())
	all := strings.Join(texts, "\n")
	for _, want := range []string{"treated", "untreated", "95 % coverage interval", "not resolved", "number of spots", "equivalent circle diameter (µm)"} {
		if !strings.Contains(all, want) {
			t.Errorf("no text %q in\n%s", want, all)
		}
	}
	if title == "" || !strings.Contains(description, "series treated: 25 in all") {
		t.Errorf("title %q, description\n%s", title, description)
	}
}

func TestSizeHistogramErrors(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(d *SizeData)
		want   string
	}{
		{"no edges", func(d *SizeData) { d.Edges = nil }, "0 edges"},
		{"falling edges", func(d *SizeData) { d.Edges[2] = 0.1 }, "edge 2 is 0.1"},
		{"log of zero", func(d *SizeData) { d.Edges[0] = 0 }, "sizes from 0"},
		{"no series", func(d *SizeData) { d.Series = nil }, "0 series"},
		{"counts", func(d *SizeData) { d.Series[1].Count = d.Series[1].Count[:2] }, "2 numbers for 4 bins"},
		{"one end", func(d *SizeData) { d.Series[0].High = nil }, "upper ends"},
		{"negative", func(d *SizeData) { d.Series[0].Count[1] = -1 }, "number -1 in bin 1"},
		{"falling interval", func(d *SizeData) { d.Series[0].Low[1] = 99 }, "interval 99 to"},
		{"resolution", func(d *SizeData) { d.Resolution = math.NaN() }, "resolution NaN"},
	} {
		d := twoSeries()
		tt.change(&d)
		if err := SizeHistogram(&bytes.Buffer{}, d, SizeOptions{LogSize: true}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want one with %q", tt.name, err, tt.want)
		}
	}
}

func TestSizeHistogramOdd(t *testing.T) {
	empty := twoSeries()
	for i := range empty.Series {
		empty.Series[i] = SizeSeries{Label: strings.Repeat("long ", 50), Count: make([]float64, 4)}
	}
	for _, opt := range []SizeOptions{{}, {LogSize: true}, {Format: SVG}} {
		if err := SizeHistogram(&bytes.Buffer{}, empty, opt); err != nil {
			t.Errorf("empty histogram: %v", err)
		}
	}
}

// TestColumnFills: the fills of the series differ by two just noticeable
// differences at least, also under a colour deficiency.
func TestColumnFills(t *testing.T) {
	for i := range maxSeries {
		for j := range i {
			a, b := columnFill(i), columnFill(j)
			for _, d := range deficiencies {
				if got := seen(a, d.m).distance(seen(b, d.m)); got < 2*2.3 {
					t.Errorf("%s: fills %d and %d (%v, %v) differ by %.1f", d.name, j, i, a, b, got)
				}
			}
		}
	}
}
