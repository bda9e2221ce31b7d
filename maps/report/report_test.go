package report

import (
	"bytes"
	"encoding/base64"
	"encoding/xml"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"example.org/fleck/maps"
)

// picture is a small PNG.
func picture(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 7, 5))); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// viewer is a viewer with one field and n spots on it.
func viewer(n int) *Viewer {
	region := Region{Pixels: 4, Counts: []float64{0, 0, 3, 300, 0, 1}, Net: []float64{12, 292}, Sigma: []float64{4}}
	f := ViewField{Name: "T1", Role: "treated", Width: 2, Height: 2, PixelUm: 0.5, Maps: [][]float64{{0, 1, math.NaN(), 40}}, Sum: region, BlockPx: 1, Columns: 2, Blocks: []Region{region, region, region, region}}
	for i := range n {
		f.Spots = append(f.Spots, ViewSpot{ID: i + 1, XPx: 1, YPx: 1, RadiusPx: 1, Verdict: "target", Class: "target", Region: region, Around: region.Counts, AroundPixels: 9})
	}
	return &Viewer{Lines: []ViewLine{{"Ti K", "own line", 10}}, Fields: []ViewField{f}, FirstEV: 0, StepEV: 10, FocusLow: 10, FocusHigh: 40,
		Shapes: []Shape{{"Ti K", "Ti K-L3", 4512, []float64{0, 0, 0.5, 0.5, 0, 0}}, {"continuum", "", 0, []float64{0.2, 0.2, 0.2, 0.2, 0.1, 0.1}}}}
}

// example is a page with every part, n spots on its first field.
func example(t testing.TB, n int) Data {
	img := Image{Data: picture(t), Alt: "alt text", Caption: "a caption.", File: "maps_ti_k.png"}
	d := Data{Title: "Rinse on panels", Verdict: "The treated fields hold more spots.", ErrorRates: "Error rates: 5 %.",
		Asked:   []Fact{{"Target", "TiO2"}},
		Brief:   Brief{Tested: []string{"TiO2 on steel."}, Found: []string{"5 spots."}, HowSure: []string{"p = 0.05."}, Limits: []string{"Detection limit: 60 counts."}},
		Methods: []string{"A paragraph to paste."}, Cite: []string{"This result: x."},
		Checklist: []CheckGroup{{"Identity", []CheckItem{{"specimens", Stated, "panel A", "ISO 22309"}, {"operator", NotStated, "add it", "ISO 22309"}, {"mass fractions", NotApplicable, "counts only", "ISO 22309"}}}},
		Viewer:    viewer(n), TargetMaps: &img, OtherMaps: []Image{img}, Spectra: []Image{img},
		Occurrences: []Occurrence{{"TiC", 3, 2, 0.4, true}}, Families: []Family{{Name: "Ti K", Line: "Ti K-L3", EnergyEV: 4512, NetCounts: 1234.5, Sigma: 30, OfTarget: true}},
		Settings: []Setting{{"q", "0.05", "default"}}, Inputs: []Input{{"T1", "t1.nrrd", "abc"}}, Sources: []Fact{{"Atomic data tables", "checksum 0123"}},
		Remarks: []string{"a remark"}, Repeat: []string{"fleck study x.toml"}, Files: []File{{"spots.csv", "spots"}}}
	d.Comparison = &Comparison{Figure: &img, TreatedSpots: 5, BlankSpots: 0, TreatedCoupons: 3, BlankCoupons: 1, Replicate: "coupon", UpperLimit: 400, UpperLimitUnit: "per mm²", Mean: "On average.",
		Remarks: []string{"3 + 3 replicates"},
		Rows:    []ComparisonRow{{Quantity: "Target spots", Unit: "per mm²", Treated: 6330, TLow: 3000, THigh: 9000, Blank: 0, BHigh: 3000, Ratio: math.NaN(), RLow: 2.5, RHigh: math.NaN(), PValue: 0.0024, Method: "E-test", Reason: "no upper end"}}}
	f := Field{Name: "T1", Coupon: "panel A", Role: "treated", Finding: "Found.", PValue: 0.005, Detected: true, AreaMm2: 3.7e-4, SpotMap: &img,
		Limit: Limit{ExcessCounts: 55, Probability: 0.95, SphereNM: 190}}
	for i := range n {
		f.Spots = append(f.Spots, Spot{ID: i + 1, XUm: 1.5, YUm: 2, XPx: 10, YPx: 13, DiameterUm: math.NaN(), SphereNM: 345.4, SphereLowNM: 303, SphereHighNM: 1383, ExcessCounts: 100 - float64(i)/10, ExcessSigma: 14, LineCounts: 40, LineSigma: 8,
			QValue: 1e-7, Verdict: maps.TargetVerdict, Compound: "TiO2", Reason: "fits better"})
	}
	d.Fields = []Field{f, {Name: "B1", Role: "untreated", PValue: 0.6, AreaMm2: math.NaN(), Limit: Limit{ExcessCounts: math.NaN(), SphereNM: math.NaN(), Reason: "not looked for"}}}
	return d
}

func write(t testing.TB, d Data) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, d); err != nil {
		t.Fatal(err)
	}
	checkPage(t, b.String())
	return b.String()
}

// void are the elements without an end tag (HTML, section 13.1.2).
var void = map[string]bool{"meta": true, "img": true, "br": true, "hr": true, "link": true, "input": true}

// checkPage checks what must hold for every page: tags that match, one main
// heading, an order of headings without gaps, images with alternative texts
// inside the page, table heads with a scope, captions, unique identifiers,
// links that lead somewhere, and nothing that loads or runs.
func checkPage(t testing.TB, page string) {
	t.Helper()
	if !utf8.ValidString(page) {
		t.Error("page is not UTF-8")
	}
	own := strings.Index(page, "<script>\n// Tables that sort")
	if own < 0 {
		t.Fatal("the page lacks its script")
	}
	for _, bad := range []string{"NaN", "Inf", "javascript:", "ZgotmplZ", "<no value>", "%!", "http://", "https://", "<nil>"} {
		if strings.Contains(page[:own], bad) {
			t.Errorf("page contains %q", bad)
		}
	}
	page = withoutScripts(t, page)
	if !strings.HasPrefix(page, "<!DOCTYPE html>\n<html lang=\"en\">") {
		t.Errorf("page begins with %.60q", page)
	}
	dec := xml.NewDecoder(strings.NewReader(strings.TrimPrefix(page, "<!DOCTYPE html>")))
	dec.Strict = false
	dec.Entity = xml.HTMLEntity
	var open []string
	seen, ids := map[string]int{}, map[string]bool{}
	var targets []string
	level := 0
	attr := func(e xml.StartElement, name string) (string, bool) {
		for _, a := range e.Attr {
			if a.Name.Local == name {
				return a.Value, true
			}
		}
		return "", false
	}
	for {
		tok, err := dec.RawToken()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("page cannot be read: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			name := e.Name.Local
			seen[name]++
			if id, ok := attr(e, "id"); ok {
				if ids[id] {
					t.Errorf("identifier %q twice", id)
				}
				ids[id] = true
			}
			switch name {
			case "h1", "h2", "h3":
				l := int(name[1] - '0')
				if l > level+1 {
					t.Errorf("heading %s after level %d", name, level)
				}
				level = l
			case "img":
				if alt, _ := attr(e, "alt"); alt == "" {
					t.Error("image without alternative text")
				}
				if src, _ := attr(e, "src"); !strings.HasPrefix(src, "data:image/") {
					t.Errorf("image from %.40q", src)
				}
			case "th":
				if s, _ := attr(e, "scope"); s != "col" && s != "row" && s != "rowgroup" {
					t.Error("table head without scope")
				}
			case "a":
				if h, _ := attr(e, "href"); strings.HasPrefix(h, "#") {
					targets = append(targets, h[1:])
				}
			}
			if !void[name] {
				open = append(open, name)
			}
		case xml.EndElement:
			if len(open) == 0 || open[len(open)-1] != e.Name.Local {
				t.Fatalf("</%s> closes %v", e.Name.Local, open)
			}
			open = open[:len(open)-1]
		}
	}
	if len(open) > 0 {
		t.Errorf("left open: %v", open)
	}
	if seen["h1"] != 1 || seen["main"] != 1 || seen["header"] != 1 || seen["nav"] != 1 || seen["footer"] != 1 {
		t.Errorf("landmarks: %v", seen)
	}
	if seen["table"] != seen["caption"] {
		t.Errorf("%d tables with %d captions", seen["table"], seen["caption"])
	}
	for _, id := range targets {
		if !ids[id] {
			t.Errorf("link to #%s leads nowhere", id)
		}
	}
}

// withoutScripts returns a page without the data and the script of its end, and
// fails when it holds others.
func withoutScripts(t testing.TB, page string) string {
	t.Helper()
	rest := page
	if a := strings.Index(page, `<script type="application/json" id="view-data">`); a >= 0 {
		rest = page[:a] + page[a+strings.Index(page[a:], "</script>")+len("</script>"):]
	}
	if a := strings.Index(rest, "<script>\n// Tables that sort"); a >= 0 {
		rest = rest[:a] + rest[a+strings.Index(rest[a:], "</script>")+len("</script>"):]
	}
	if strings.Contains(rest, "<script") {
		t.Error("the page holds a script that is not its own")
	}
	return rest
}

func TestWriteOrder(t *testing.T) {
	page := write(t, example(t, 3))
	at := -1
	for _, part := range []string{"The treated fields hold more spots.", "Error rates: 5 %.", "What was tested", "TiO2 on steel.", "What was found", "5 spots.", "How sure", "p = 0.05.", "Which limits apply", "Detection limit: 60 counts.",
		`id="evidence"`, `id="fields"`, `id="viewer"`, `id="spots"`, `id="comparison"`,
		`id="limits"`, `id="spectrum"`, `id="settings"`, `id="methods"`, "A paragraph to paste.", `id="checklist"`, "1 stated, 1 not stated, 1 without a place here", `id="sources"`, "checksum 0123", `id="claims"`, `id="cautions"`, `id="repeat"`, "fleck study x.toml"} {
		i := strings.Index(page, part)
		if i <= at {
			t.Errorf("%q stands at %d, after %d wanted", part, i, at)
		}
		at = i
	}
	for _, word := range []string{"decision threshold", "detection limit", "coverage interval", "Powders and sprays", "Abrading", "Solvents", "X-rays", "High voltage", "Vacuum", "Beam damage", "Local rules"} {
		if !strings.Contains(page, word) {
			t.Errorf("the page lacks %q", word)
		}
	}
	// Words that would claim more than counts can show.
	for _, word := range []string{"absent", "compliant", "compliance", "certified", "guarantee"} {
		if strings.Contains(strings.ToLower(withoutScripts(t, page)), word) {
			t.Errorf("the page says %q", word)
		}
	}
	if strings.Contains(page, "Invented data") {
		t.Error("measured data are called invented")
	}
	d := example(t, 0)
	d.Invented = "Simulated."
	if page := write(t, d); strings.Count(page, "Invented data. Simulated.") != 1 {
		t.Error("invented data are not called so")
	}
}

func TestWriteEscapes(t *testing.T) {
	const evil = `<script>alert("1")</script> & 'x' "y" --> </style> {{.}} javascript:alert(1)`
	img := Image{Data: picture(t), Alt: evil, Caption: evil, File: `javascript:alert(1)`}
	d := example(t, 1)
	d.Title, d.Verdict, d.ErrorRates, d.Invented, d.NoCompare = evil, evil, evil, evil, evil
	d.TargetMaps, d.OtherMaps, d.Spectra = &img, []Image{img}, []Image{img}
	d.Asked, d.Sources = []Fact{{evil, evil}}, []Fact{{evil, evil}}
	d.Settings, d.Inputs = []Setting{{evil, evil, evil}}, []Input{{evil, evil, evil}}
	d.Remarks, d.Repeat, d.Files = []string{evil}, []string{evil}, []File{{evil, evil}}
	d.Occurrences[0].Compound, d.Families[0].Name, d.Families[0].Line = evil, evil, evil
	f := &d.Fields[0]
	f.Name, f.Coupon, f.Role, f.Finding, f.Limit.Reason = evil, evil, evil, evil, evil
	f.Spots[0].Compound, f.Spots[0].Reason, f.Spots[0].Verdict = evil, evil, maps.Verdict(evil)
	d.Comparison.Replicate, d.Comparison.Remarks, d.Comparison.Mean = evil, []string{evil}, evil
	d.Comparison.Rows[0].Quantity, d.Comparison.Rows[0].Reason = evil, evil
	d.Brief = Brief{[]string{evil}, []string{evil}, []string{evil}, []string{evil}}
	d.Methods, d.Cite = []string{evil}, []string{evil}
	c := d.Checklist[0].Items
	d.Checklist[0].Name, c[0].Subject, c[0].Value, c[0].After = evil, evil, evil, evil
	v := d.Viewer
	v.Lines[0].Name, v.Lines[0].Why, v.Shapes[0].Name, v.Shapes[0].Line = evil, evil, evil, evil
	v.Fields[0].Name, v.Fields[0].Role, v.Fields[0].Coupon, v.Fields[0].Spots[0].Verdict, v.Fields[0].Spots[0].Class = evil, evil, evil, evil, evil
	var b bytes.Buffer
	if err := Write(&b, d); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(b.String(), "<script"); n != 2 {
		t.Errorf("%d scripts, want the data and the one of the page", n)
	}
	page := withoutScripts(t, b.String())
	if strings.Contains(page, `alert("1")`) || strings.Count(page, "</style>") != 1 {
		t.Error("markup of names reaches the page")
	}
	if regexp.MustCompile(`href="javascript`).MatchString(page) {
		t.Error("a file name becomes a script")
	}
	if !strings.Contains(page, "&lt;script&gt;") {
		t.Error("the names are not shown as they stand")
	}
	// The tags are those of a page with plain names.
	tags := regexp.MustCompile(`</?[a-z0-9]+`)
	plain := withoutScripts(t, write(t, example(t, 1)))
	if a, b := len(tags.FindAllString(page, -1)), len(tags.FindAllString(plain, -1)); a != b+2 { // the banner of invented data is one more paragraph
		t.Errorf("%d tags, want %d", a, b+2)
	}
}

func TestWriteEmpty(t *testing.T) {
	page := write(t, Data{})
	for _, text := range []string{"No spot passes", "No comparison", "No map"} {
		if !strings.Contains(page, text) {
			t.Errorf("an empty page lacks %q", text)
		}
	}
	none := write(t, example(t, 0))
	if !strings.Contains(none, "No spot passes the threshold of the list in any field") {
		t.Error("no spots are not said")
	}
}

func TestWriteManySpots(t *testing.T) {
	page := write(t, example(t, 450))
	if n := strings.Count(page, `<td class="v-target">`); n != spotLimit {
		t.Errorf("%d rows, want %d", n, spotLimit)
	}
	if !strings.Contains(page, "350 more are in spots.csv") || !strings.Contains(page, "the first 100 of each field are shown") {
		t.Error("it is not said that rows are left out")
	}
	d := example(t, 450)
	d.SpotLimit = 500
	if n := strings.Count(write(t, d), `<td class="v-target">`); n != 450 {
		t.Errorf("%d rows, want 450", n)
	}
}

func TestWriteUnknownPixel(t *testing.T) {
	d := example(t, 1)
	d.Fields[0].Spots[0].XUm, d.Fields[0].Spots[0].YUm = math.NaN(), math.NaN()
	page := write(t, d)
	if !strings.Contains(page, ">10.0</td>") || !strings.Contains(page, ">13.0</td>") || !strings.Contains(page, "x, px") {
		t.Error("positions without pixel size are not given in pixels")
	}
}

func TestWriteImages(t *testing.T) {
	d := example(t, 1)
	page := write(t, d)
	if want := base64.StdEncoding.EncodeToString(d.TargetMaps.Data); strings.Count(page, want) != 5 {
		t.Errorf("figure embedded %d times, want 5", strings.Count(page, want))
	}
	if !strings.Contains(page, `width="7" height="5"`) {
		t.Error("the size of the figure is not stated")
	}
	d.Spectra[0].Data = []byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`)
	if page := write(t, d); !strings.Contains(page, "data:image/svg&#43;xml;base64,") {
		t.Error("no SVG in the page")
	}
	d.Spectra[0].Data = []byte("GIF89a")
	if err := Write(io.Discard, d); err == nil || !strings.Contains(err.Error(), "neither PNG nor SVG") {
		t.Errorf("error %v for a figure of another kind", err)
	}
}

func TestWriteRepeats(t *testing.T) {
	d := example(t, 20)
	if a, b := write(t, d), write(t, d); a != b {
		t.Error("two pages of the same data differ")
	}
}

func TestNumber(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 6330: "6330", 6334.4: "6330", 12345: "12\u202f345", 123456.7: "123\u202f000", -1.64e6: "−1\u202f640\u202f000", 0.0512: "0.0512", 3.14159: "3.14", -2.5: "−2.5",
		99.96: "100", 1e-5: "1 × 10⁻⁵", 1.26e9: "1.26 × 10⁹", 2.4414e7: "24\u202f400\u202f000", 1.0: "1", 0.3686e-3: "3.69 × 10⁻⁴", math.Inf(1): dash} {
		if got := Number(v); got != want {
			t.Errorf("Number(%g) = %q, want %q", v, got, want)
		}
	}
	for v, want := range map[float64]string{0.0024: "0.0024", 0.94: "0.94", 1: "1", 3.2e-7: "3.2 × 10⁻⁷", 0.00104: "0.001"} {
		if got := PValue(v); got != want {
			t.Errorf("PValue(%g) = %q, want %q", v, got, want)
		}
	}
	for _, tt := range []struct {
		v, s float64
		want string
	}{{101.4, 14.2, "101 ± 14"}, {1.234, 0.056, "1.234 ± 0.056"}, {5, 0, "5"}, {5, math.NaN(), "5"}, {math.NaN(), 1, dash}} {
		if got := Measured(tt.v, tt.s); got != tt.want {
			t.Errorf("Measured(%g, %g) = %q, want %q", tt.v, tt.s, got, tt.want)
		}
	}
	if got := interval(1, math.NaN()) + "|" + interval(math.NaN(), 2) + "|" + interval(math.NaN(), math.NaN()) + "|" + interval(1, 2); got != "from 1, no upper end|up to 2|–|1 to 2" {
		t.Error(got)
	}
}

// TestContrast computes the contrast of the colours of text on the paper, WCAG
// 2.2, success criterion 1.4.3: at least 4.5 to 1.
func TestContrast(t *testing.T) {
	for _, name := range []string{"ink", "soft", "accent"} {
		m := regexp.MustCompile(`--` + name + `: #([0-9a-f]{6})`).FindStringSubmatch(embedded("page.css"))
		if m == nil {
			t.Fatalf("no colour %s", name)
		}
		var c [3]int
		if _, err := fmt.Sscanf(m[1], "%02x%02x%02x", &c[0], &c[1], &c[2]); err != nil {
			t.Fatal(err)
		}
		l := 0.0
		for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
			v := float64(c[i]) / 255
			if v <= 0.04045 {
				v /= 12.92
			} else {
				v = math.Pow((v+0.055)/1.055, 2.4)
			}
			l += weight * v
		}
		if contrast := 1.05 / (l + 0.05); contrast < 4.5 {
			t.Errorf("contrast of %s is %.2f, want 4.5", name, contrast)
		}
	}
}
