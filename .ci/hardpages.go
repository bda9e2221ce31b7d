//go:build ignore

// Hardpages writes reports of awkward data into a folder, for the browser to
// open: names that are markup, maps without values, no spots, hundreds of spots,
// sixty lines, no pixel size, one pixel.
package main

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"log"
	"math"
	"os"
	"path/filepath"
	"strings"

	"example.org/fleck/maps"
	"example.org/fleck/maps/report"
)

const evil = `<img src=x onerror=alert(1)></script><script>alert(2)</script> "quoted" & 'x'`

// page is a report with lines line families, spots spots and a field of w × h
// pixels; value gives the map.
func page(title, name string, lines, spots, w, h int, value func(p int) float64) report.Data {
	const channels = 50
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 300, 200))); err != nil {
		log.Fatal(err)
	}
	picture := report.Image{Data: b.Bytes(), Alt: name, Caption: title, File: "maps.png"}
	v := &report.Viewer{StepEV: 100, FirstEV: 100, FocusLow: 1000, FocusHigh: 2000, Missing: color.RGBA{200, 200, 200, 255}}
	region := report.Region{Pixels: 4, Counts: make([]float64, channels)}
	for k := range lines {
		line := name
		if k > 0 {
			line = fmt.Sprintf("%s %d", name, k)
		}
		v.Lines = append(v.Lines, report.ViewLine{Name: line, Why: name, High: 5})
		shape := make([]float64, channels)
		shape[k%channels] = 1
		v.Shapes = append(v.Shapes, report.Shape{Name: line, Line: name, EnergyEV: 100 * float64(1+k%channels), V: shape})
		region.Net, region.Sigma = append(region.Net, float64(k)), append(region.Sigma, 1)
		region.Counts[k%channels] = float64(k)
	}
	v.Shapes = append(v.Shapes, report.Shape{Name: "continuum", V: make([]float64, channels)})
	region.Net = append(region.Net, math.NaN())
	f := report.ViewField{Name: name, Role: "treated", Coupon: name, Width: w, Height: h, PixelUm: math.NaN(), Sum: region, BlockPx: 1, Columns: w}
	for range lines {
		m := make([]float64, w*h)
		for p := range m {
			m[p] = value(p)
		}
		f.Maps = append(f.Maps, m)
	}
	for range w * h {
		f.Blocks = append(f.Blocks, region)
	}
	field := report.Field{Name: name, Coupon: name, Role: "treated", Finding: title, PValue: math.NaN(), AreaMm2: math.NaN(), SpotMap: &picture,
		Limit: report.Limit{ExcessCounts: math.NaN(), SphereNM: math.NaN(), Reason: name}}
	for k := range spots {
		s := report.Spot{ID: k + 1, XPx: float64(k % w), YPx: float64(k * 7 % h), XUm: math.NaN(), YUm: math.NaN(), DiameterUm: math.NaN(), ExcessCounts: float64(1000 - k), ExcessSigma: 3,
			LineCounts: 5, LineSigma: math.NaN(), QValue: 0.01, Verdict: maps.CannotTell, Compound: name, Reason: title}
		field.Spots = append(field.Spots, s)
		if k < 100 {
			f.Spots = append(f.Spots, report.ViewSpot{ID: s.ID, XPx: s.XPx, YPx: s.YPx, RadiusPx: 1, Verdict: name, Class: "cannot-tell", Region: region})
		}
	}
	v.Fields = append(v.Fields, f)
	return report.Data{Title: title, Verdict: title, ErrorRates: title, Brief: report.Brief{Tested: []string{title}, Found: []string{title}, HowSure: []string{title}, Limits: []string{title}},
		TargetMaps: &picture, Fields: []report.Field{field}, Viewer: v, Settings: []report.Setting{{Key: name, Value: strings.Repeat("Al, Si, Fe, ", 40), Origin: "file"}},
		Inputs: []report.Input{{Field: name, Name: name, SHA256: strings.Repeat("0123456789abcdef", 4)}}, Files: []report.File{{Name: name, What: title}},
		Methods: []string{title}, Cite: []string{title}, Repeat: []string{title}, Remarks: []string{title}}
}

func main() {
	log.SetFlags(0)
	some := func(p int) float64 { return float64(p % 7) }
	for name, d := range map[string]report.Data{
		"markup":    page(evil, evil, 3, 5, 12, 9, some),
		"no-values": page("No values", "T1", 3, 0, 12, 9, func(int) float64 { return math.NaN() }),
		"no-spots":  page("No spots", "T1", 3, 0, 12, 9, some),
		"spots":     page("Many spots", "T1", 3, 700, 40, 40, some),
		"lines":     page("Many lines", "Xx K", 60, 3, 12, 9, some),
		"one-pixel": page("One pixel", "T1", 1, 1, 1, 1, some),
		"long":      page(strings.Repeat("long", 60), strings.Repeat("x", 150), 3, 5, 12, 9, some),
	} {
		var b bytes.Buffer
		if err := report.Write(&b, d); err != nil {
			log.Fatalf("%s: %v", name, err)
		}
		if err := os.WriteFile(filepath.Join(os.Args[1], name+".html"), b.Bytes(), 0o644); err != nil {
			log.Fatal(err)
		}
	}
}
