package figure

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"example.org/fleck/maps"
)

// TestMarkupInNames: names that are markup stay text, in SVG as in the chunks of
// PNG.
func TestMarkupInNames(t *testing.T) {
	const evil = `</title><script>alert(1)</script> & "x" <b>`
	plots := map[string]func(w io.Writer) error{
		"spectrum": func(w io.Writer) error {
			d := SpectrumData{EnergyEV: []float64{100, 200, 300}, Counts: []float64{1, 2, 3}, Components: []Component{{Label: evil, Counts: []float64{1, 1, 1}}},
				Marks: []Mark{{EnergyEV: 200, Label: evil, Weight: 1}}}
			return Spectrum(w, d, SpectrumOptions{Title: evil, Format: SVG})
		},
		"comparison": func(w io.Writer) error {
			d := twoGroups()
			d.Quantity, d.Unit, d.Groups[0].Label, d.Groups[0].Points[0].Coupon = evil, evil, evil, evil
			return Comparison(w, d, ComparisonOptions{Title: evil, Format: SVG})
		},
		"sizes": func(w io.Writer) error {
			d := twoSeries()
			d.Series[0].Label, d.Quantity = evil, evil
			return SizeHistogram(w, d, SizeOptions{Title: evil, Caption: evil, Format: SVG})
		},
	}
	for name, draw := range plots {
		var b bytes.Buffer
		if err := draw(&b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		dec := xml.NewDecoder(&b)
		for {
			tok, err := dec.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if e, ok := tok.(xml.StartElement); ok && (e.Name.Local == "script" || e.Name.Local == "b") {
				t.Errorf("%s: a name became the element %s", name, e.Name.Local)
			}
		}
	}
	m := maps.New(8, 8)
	m.What, m.Unit = evil, evil
	m.V[3] = 5
	d := draw(t, func(b *bytes.Buffer) error { return ElementMap(b, m, MapOptions{Title: evil, DPI: 50}) })
	if !strings.Contains(textOf(d.chunks, "Title"), "alert(1)") {
		t.Error("the title of the file lacks the name as it stands")
	}
}
