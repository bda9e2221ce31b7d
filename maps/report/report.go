// Package report writes the result of a study as one HTML page that needs no
// network and no other file: the verdict first, then the evidence, then
// settings, methods, sources, limits and cautions.
//
// Nothing that the verdict rests on needs script. The script of the page sorts
// tables and lets readers look at maps and spectra; a content policy in the page
// holds its digest, so that nothing else runs and nothing is loaded.
//
// The page shows what it is told. It declares the plain data that it draws and
// imports none of the packages that compute them. Text in Data is plain text:
// markup in titles and names is shown as it stands, never interpreted.
//
// Numbers that are NaN or infinite are missing; the page shows a dash, and the
// reason where there is one.
package report

import (
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"math"
	"strings"

	"example.org/fleck/maps"
)

// Data is what a page shows.
type Data struct {
	Title    string
	Invented string // how the data were simulated; "" for measured data

	// Verdict is one sentence, ErrorRates another: how often such a verdict is
	// wrong.
	Verdict    string
	ErrorRates string
	Brief      Brief
	LeastP     float64 // the least p-value of a field that can come out; 0 = not known

	Asked []Fact // what was looked for, on what, under which conditions

	TargetMaps *Image  // the target's own line in all fields, in one scale
	OtherMaps  []Image // the same for lines that matter to the verdict
	MapsBeside []File  // such maps that lie beside the page only
	Fields     []Field
	SpotLimit  int     // spots listed per field; 0 means 100
	Viewer     *Viewer // maps and spectra to look at, nil for none

	Comparison  *Comparison // nil without treated or without blank fields
	NoCompare   string      // why there is none
	Arms        []Arm       // vehicle and controls, if there are any
	Occurrences []Occurrence

	Spectra  []Image // sum spectrum with fit
	Families []Family

	Settings  []Setting
	Methods   []string // paragraphs to paste
	Checklist []CheckGroup
	Inputs    []Input
	Sources   []Fact // versions, tables, checksums
	Remarks   []string
	Repeat    []string // command lines that do the work again
	Cite      []string
	Files     []File // beside the page
}

// Brief is what a reader finds on the first screen besides the verdict: a few
// short sentences each.
type Brief struct {
	Tested, Found, HowSure, Limits []string
}

// Fact is a name with a value.
type Fact struct {
	Name, Value string
}

// Image is a figure: PNG or SVG, embedded in the page.
type Image struct {
	Data    []byte
	Alt     string // what the figure shows, for readers who do not see it
	Caption string
	File    string // name of the same figure beside the page, "" if there is none
}

// Field is one field with what was found on it.
type Field struct {
	Name, Coupon, Role string
	Finding            string // one sentence
	PValue             float64
	Detected           bool
	ExpectedFalse      float64 // listed spots expected by chance
	AreaMm2            float64
	SpotMap            *Image
	Spots              []Spot
	Limit              Limit
}

// AreaUm2 returns the area in µm².
func (f Field) AreaUm2() float64 { return f.AreaMm2 * 1e6 }

// Spot is one row of the table of spots.
type Spot struct {
	ID         int
	XUm, YUm   float64
	XPx, YPx   float64
	DiameterUm float64
	Unresolved bool
	// SphereNM is the diameter of the solid sphere of the target that sends the counts
	// of the own line, with the ends of its 95 % interval, nm; 0 or NaN for none.
	SphereNM, SphereLowNM, SphereHighNM float64
	ExcessCounts, ExcessSigma           float64
	LineCounts, LineSigma               float64
	QValue                              float64
	Verdict                             maps.Verdict
	Compound                            string
	Reason                              string
}

// Sphere is the sphere with its interval in words.
func (s Spot) Sphere() string {
	if !(s.SphereNM > 0) {
		return dash
	}
	return fmt.Sprintf("%s (%s to %s)", fixed(0, s.SphereNM), fixed(0, s.SphereLowNM), fixed(0, s.SphereHighNM))
}

// Limit is the detection limit of a field.
type Limit struct {
	ExcessCounts float64
	Probability  float64
	SphereNM     float64 // diameter of the sphere that gives so many counts
	Reason       string  // why there is none
}

// Comparison sets the treated fields against the blank ones.
type Comparison struct {
	Figure           *Image
	Sizes            *Image // histogram of diameters, nil without any
	Rows             []ComparisonRow
	TreatedSpots     int
	BlankSpots       int
	TreatedCoupons   int
	BlankCoupons     int
	Replicate        string // what the statistics take for a replicate
	UpperLimit       float64
	UpperLimitUnit   string
	UpperLimitReason string
	Mean             string // what whole fields hold beyond blank ones, "" when not known
	Remarks          []string
}

// ComparisonRow compares one quantity; intervals are coverage intervals.
type ComparisonRow struct {
	Quantity, Unit       string
	Treated, TLow, THigh float64
	Blank, BLow, BHigh   float64
	Ratio, RLow, RHigh   float64
	PValue               float64
	Method, Reason       string
}

// Arm compares the density of target spots between two roles of fields.
type Arm struct {
	Name, Unit                 string
	Density, Low, High         float64
	Other, OtherLow, OtherHigh float64
	PValue                     float64
	Meaning                    string
}

// Occurrence tells how often a compound was named on treated and blank fields.
type Occurrence struct {
	Compound       string
	Treated, Blank int
	PValue         float64
	Substrate      bool // its spots were given to the substrate
}

// Family is one line family of the fit of the sum spectrum.
type Family struct {
	Name        string // "Ti K"
	Line        string // main line in IUPAC notation
	EnergyEV    float64
	NetCounts   float64
	Sigma       float64
	OfTarget    bool
	AtZeroBound bool // the estimate is 0, its least value
}

// EnergyKeV returns the energy of the main line in keV.
func (f Family) EnergyKeV() float64 { return f.EnergyEV / 1000 }

// Setting is one resolved setting and where it comes from.
type Setting struct {
	Key, Value, Origin string
}

// Input is a file that the result rests on.
type Input struct {
	Field, Name, SHA256 string
}

// File is a file beside the page.
type File struct {
	Name, What string
}

//go:embed page.html page.css table.js viewer.js
var files embed.FS

func embedded(name string) string {
	data, err := files.ReadFile(name)
	if err != nil {
		panic(err) // the files are part of the program
	}
	return string(data)
}

// spotLimit is the default of Data.SpotLimit: the page stays printable and the
// rest stands in the table beside it.
const spotLimit = 100

// Write writes the page. An image that is neither PNG nor SVG and a map of the
// viewer that does not fit its field are errors.
func Write(w io.Writer, d Data) error {
	if d.SpotLimit == 0 {
		d.SpotLimit = spotLimit
	}
	for _, m := range d.images() {
		if _, err := mediaType(m.Data); err != nil {
			return fmt.Errorf("report: figure %q: %w", m.Caption, err)
		}
	}
	t, err := template.New("page").Funcs(functions).Parse(embedded("page.html"))
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	script := "\n" + embedded("table.js") + embedded("viewer.js")
	view := struct {
		Data
		CSS      template.CSS
		Script   template.JS
		Policy   string
		ViewData template.JS
	}{Data: d, CSS: template.CSS(embedded("page.css")), Script: template.JS(script), Policy: policy(script)}
	if d.Viewer != nil {
		if view.ViewData, err = d.Viewer.script(); err != nil {
			return err
		}
	}
	if err := t.Execute(w, view); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

// policy is the content policy of the page: nothing is loaded, and of scripts
// only the one given runs (W3C Content Security Policy Level 3).
func policy(script string) string {
	digest := sha256.Sum256([]byte(script))
	return "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; script-src 'sha256-" +
		base64.StdEncoding.EncodeToString(digest[:]) + "'"
}

// images returns all figures of the page.
func (d Data) images() []Image {
	var out []Image
	add := func(m *Image) {
		if m != nil {
			out = append(out, *m)
		}
	}
	add(d.TargetMaps)
	for i := range d.OtherMaps {
		add(&d.OtherMaps[i])
	}
	for _, f := range d.Fields {
		add(f.SpotMap)
	}
	if d.Comparison != nil {
		add(d.Comparison.Figure)
		add(d.Comparison.Sizes)
	}
	for i := range d.Spectra {
		add(&d.Spectra[i])
	}
	return out
}

// mediaType tells PNG from SVG by the first bytes.
func mediaType(data []byte) (string, error) {
	head := string(data[:min(len(data), 256)])
	switch {
	case strings.HasPrefix(head, "\x89PNG\r\n\x1a\n"):
		return "image/png", nil
	case strings.Contains(head, "<svg"):
		return "image/svg+xml", nil
	}
	return "", fmt.Errorf("neither PNG nor SVG")
}

// size returns width and height of a PNG from its IHDR chunk, 0 when unknown.
func size(data []byte) (w, h int) {
	if len(data) < 24 || string(data[12:16]) != "IHDR" {
		return 0, 0
	}
	be := func(b []byte) int { return int(b[0])<<24 | int(b[1])<<16 | int(b[2])<<8 | int(b[3]) }
	return be(data[16:20]), be(data[20:24])
}

// dataURI returns the image as an address that holds the image itself. The
// type is one of two fixed ones and base64 holds no markup, so the result is
// safe.
func dataURI(m Image) (template.URL, error) {
	kind, err := mediaType(m.Data)
	if err != nil {
		return "", err
	}
	return template.URL("data:" + kind + ";base64," + base64.StdEncoding.EncodeToString(m.Data)), nil
}

// missing reports a number that is not there.
func missing(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }
