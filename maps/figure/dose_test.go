package figure

import (
	"bytes"
	"math"
	"strings"
	"testing"
)

func twoCurves() DoseData {
	return DoseData{Available: 10, Curves: []DoseCurve{
		{"5 keV", []float64{50, 100, 200, 400}, []float64{80, 10, 1.3, 0.2}},
		{"15 keV", []float64{50, 100, 200, 400}, []float64{math.Inf(1), 40, 5, 0.6}},
	}}
}

// A power law is a falling straight line on the page.
func TestDose(t *testing.T) {
	d := DoseData{Curves: []DoseCurve{{"a", []float64{10, 100, 1000}, []float64{1000, 10, 0.1}}}}
	if x, y, err := d.ranges(); err != nil || !(x[0] < 10 && x[1] > 1000 && y[0] < 0.1 && y[1] > 1000) {
		t.Fatalf("axes from %g and %g, %v", x, y, err)
	}
	var b bytes.Buffer
	if err := Dose(&b, d, DoseOptions{}); err != nil {
		t.Fatal(err)
	}
	img := decode(t, b.Bytes())
	width := img.Bounds().Dx()
	var rows []float64 // middle of the line in three columns, below the legend
	for _, px := range []int{width * 3 / 10, width * 5 / 10, width * 7 / 10} {
		sum, n := 0, 0
		for py := 90; py < img.Bounds().Dy(); py++ {
			if rgbaAt(img, px, py) == blue {
				sum += py
				n++
			}
		}
		if n == 0 {
			t.Fatalf("no line in column %d", px)
		}
		rows = append(rows, float64(sum)/float64(n))
	}
	if got, want := rows[1], (rows[0]+rows[2])/2; math.Abs(got-want) > 2 || !(rows[0] < rows[2]) {
		t.Errorf("rows %g; a power law is a straight line, its middle at %g", rows, want)
	}
}

func TestDoseText(t *testing.T) {
	var b bytes.Buffer
	if err := Dose(&b, twoCurves(), DoseOptions{Title: "SiO2 on Al", Caption: "rastered", Format: SVG}); err != nil {
		t.Fatal(err)
	}
	texts, title, description := svgText(t, b.Bytes())
	all := strings.Join(texts, "\n")
	for _, want := range []string{"5 keV", "15 keV", "available: 10 nA·s", "particle diameter (nm)", "dose to be seen (nA·s)", "rastered"} {
		if !strings.Contains(all, want) {
			t.Errorf("no text %q in\n%s", want, all)
		}
	}
	if title != "SiO2 on Al" || !strings.Contains(description, "available dose: 10 nA·s") {
		t.Errorf("title %q, description\n%s", title, description)
	}
}

func TestDoseErrors(t *testing.T) {
	for name, change := range map[string]func(*DoseData){
		"curves":    func(d *DoseData) { d.Curves = nil },
		"diameters": func(d *DoseData) { d.Curves[0].DiameterNM = d.Curves[0].DiameterNM[:3] },
		"rising":    func(d *DoseData) { d.Curves[0].DiameterNM = []float64{1, 2, 2, 3} },
		"above 0":   func(d *DoseData) { d.Curves[0].DoseNAs = []float64{1, 0, 1, 1} },
		"available": func(d *DoseData) { d.Available = math.NaN() },
		"no dose is": func(d *DoseData) {
			inf := math.Inf(1)
			d.Curves = []DoseCurve{{"a", []float64{1, 2}, []float64{inf, inf}}}
		},
	} {
		d := twoCurves()
		change(&d)
		if err := Dose(&bytes.Buffer{}, d, DoseOptions{}); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}
