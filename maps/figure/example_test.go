package figure_test

import (
	"bytes"
	"fmt"
	"image/png"
	"math"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/figure"
)

// ramp is a small map with one pixel without value.
func ramp() maps.Map {
	m := maps.New(16, 12)
	m.What, m.Unit = "Ti K net counts", "counts"
	m.Pixel = maps.Pixel{X: 0.5 * maps.Micrometre, Y: 0.5 * maps.Micrometre}
	for i := range m.V {
		m.V[i] = float64(i % 16)
	}
	m.V[20] = math.NaN()
	return m
}

// say prints the width of a PNG in output pixels.
func say(b *bytes.Buffer, err error) {
	if err != nil {
		fmt.Println(err)
		return
	}
	c, err := png.DecodeConfig(b)
	fmt.Println(c.Width, "pixels wide", err)
}

func ExampleElementMap() {
	var b bytes.Buffer
	err := figure.ElementMap(&b, ramp(), figure.MapOptions{Scale: &maps.Scale{Low: 0, High: 20}})
	say(&b, err)
	err = figure.ElementMap(&b, maps.Map{What: "empty"}, figure.MapOptions{})
	fmt.Println(err)
	// Output:
	// 1021 pixels wide <nil>
	// figure: map 0: maps: "empty" is 0 × 0 pixels with 0 values
}

func ExamplePanel() {
	var b bytes.Buffer
	err := figure.Panel(&b, []maps.Map{ramp(), ramp()}, figure.PanelOptions{
		Labels: []string{"treated T1 / field 1", "untreated U1 / field 1"},
	})
	say(&b, err)
	// Output: 1031 pixels wide <nil>
}

func ExampleSpotMap() {
	var b bytes.Buffer
	spots := []maps.Spot{{ID: 1, XPx: 14, YPx: 6, AreaPx: 9, Verdict: maps.TargetVerdict}}
	err := figure.SpotMap(&b, ramp(), spots, figure.SpotMapOptions{Title: "Spots of TiO2"})
	say(&b, err)
	// Output: 1021 pixels wide <nil>
}

func ExampleSpectrum() {
	d := figure.SpectrumData{Marks: []figure.Mark{{EnergyEV: 1740, Label: "Si K-L2,3"}}}
	for e := 0.0; e < 3000; e += 10 {
		x := (e - 1740) / 35
		d.EnergyEV = append(d.EnergyEV, e)
		d.Counts = append(d.Counts, math.Round(20+500*math.Exp(-x*x/2)))
	}
	var b bytes.Buffer
	if err := figure.Spectrum(&b, d, figure.SpectrumOptions{Log: true, Format: figure.SVG}); err != nil {
		fmt.Println(err)
	}
	fmt.Println(strings.Count(b.String(), "Si K-L2,3</text>"))
	// Output: 1
}

func ExampleComparison() {
	d := figure.ComparisonData{Groups: []figure.ComparisonGroup{
		{Label: "treated", Points: []figure.ComparisonPoint{{"T1", 380}, {"T2", 444}}, Estimate: 412, Low: 301, High: 563},
		{Label: "untreated", Points: []figure.ComparisonPoint{{"U1", 0}, {"U2", 0}}, Estimate: 0, Low: 0, High: 44},
	}}
	var b bytes.Buffer
	err := figure.Comparison(&b, d, figure.ComparisonOptions{Format: figure.SVG})
	fmt.Println(strings.Contains(b.String(), "412 (301 to 563)"), err)
	// Output: true <nil>
}

func ExampleSizeHistogram() {
	d := figure.SizeData{
		Edges:  []float64{0.25, 0.5, 1, 2},
		Series: []figure.SizeSeries{{Label: "treated", Count: []float64{12, 3, 0}}},
	}
	var b bytes.Buffer
	err := figure.SizeHistogram(&b, d, figure.SizeOptions{LogSize: true})
	say(&b, err)
	// Output: 1004 pixels wide <nil>
}

func ExampleFloatTIFF() {
	var b bytes.Buffer
	err := figure.FloatTIFF(&b, ramp())
	fmt.Println(b.Len() > 4*16*12, err)
	// Output: true <nil>
}
