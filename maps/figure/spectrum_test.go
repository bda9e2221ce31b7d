package figure

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// gaussians returns a spectrum of n channels of 10 eV with peaks on a sloping
// continuum, its model, continuum and components.
func gaussians(n int, lines ...Mark) SpectrumData {
	d := SpectrumData{Marks: lines}
	for i := range n {
		e := 10 * float64(i)
		d.EnergyEV = append(d.EnergyEV, e)
		d.Continuum = append(d.Continuum, 200*math.Exp(-e/4000))
	}
	d.Model = append(d.Model, d.Continuum...)
	for k, l := range lines {
		c := Component{Label: l.Label, Counts: make([]float64, n)}
		sigma := 30 + l.EnergyEV/200
		for i, e := range d.EnergyEV {
			x := (e - l.EnergyEV) / sigma
			c.Counts[i] = 3000 / float64(k+1) * math.Exp(-x*x/2)
			d.Model[i] += c.Counts[i]
		}
		d.Components = append(d.Components, c)
	}
	for i, m := range d.Model {
		// A fixed pattern of about one standard deviation: no random numbers.
		d.Counts = append(d.Counts, math.Max(0, math.Round(m+math.Sqrt(m)*math.Sin(float64(7*i*i)))))
	}
	return d
}

var steelLines = []Mark{
	{EnergyEV: 6400, Label: "Fe K-L2,3"}, {EnergyEV: 5412, Label: "Cr K-L2,3"}, {EnergyEV: 4509, Label: "Ti K-L2,3"},
	{EnergyEV: 277, Label: "C K"}, {EnergyEV: 525, Label: "O K"}, {EnergyEV: 7058, Label: "Fe K-M2,3"},
	{EnergyEV: 4660, Label: "Fe K escape", Artefact: true},
}

func planned(d SpectrumData, opt SpectrumOptions) (*spectrumLayout, error) {
	if err := d.check(); err != nil {
		return nil, err
	}
	d, err := d.cut(opt.LowEV, opt.HighEV)
	if err != nil {
		return nil, err
	}
	width, _, err := pageSize(opt.WidthMM, opt.DPI)
	l := &spectrumLayout{d: d, opt: opt, width: width * mm}
	l.plan()
	return l, err
}

// checkLabels: no two labels overlap, none leaves the page or reaches into the
// frame or the legend, and every mark is either labelled or counted.
func checkLabels(t interface {
	Helper()
	Errorf(string, ...any)
}, l *spectrumLayout) {
	t.Helper()
	labelled := 0
	for i, a := range l.marks {
		if a.label == (box{}) {
			continue
		}
		labelled++
		if !a.label.inside(box{0, l.legendTop, l.width, l.main.y0}) {
			t.Errorf("label %q at %v leaves its band from y = %.1f to %.1f", a.Label, a.label, l.legendTop, l.main.y0)
		}
		for _, b := range l.marks[:i] {
			if b.label != (box{}) && a.label.overlaps(b.label) {
				t.Errorf("labels %q and %q overlap: %v, %v", a.Label, b.Label, a.label, b.label)
			}
		}
	}
	if labelled+l.unlabelled != len(l.marks) {
		t.Errorf("%d labelled and %d counted of %d marks", labelled, l.unlabelled, len(l.marks))
	}
}

// TestSpectrumLabels is the property of crowded marks.
func TestSpectrumLabels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 80).Draw(t, "n")
		var ms []Mark
		for range n {
			ms = append(ms, Mark{
				EnergyEV: rapid.Float64Range(0, 9990).Draw(t, "energy"),
				Label:    rapid.StringMatching(`[A-Z][a-z]? [KLM][0-9]?-[LMN][0-9](,[0-9])?( \([a-z ]{0,30}\))?`).Draw(t, "label"),
				Artefact: rapid.Bool().Draw(t, "artefact"),
				Weight:   rapid.Float64Range(0, 3).Draw(t, "weight"),
			})
		}
		d := gaussians(1000, steelLines[:2]...)
		d.Marks = ms
		l, err := planned(d, SpectrumOptions{Log: rapid.Bool().Draw(t, "log"), WidthMM: rapid.Float64Range(50, 200).Draw(t, "width")})
		if err != nil {
			t.Fatal(err)
		}
		checkLabels(t, l)
		if n > 0 && n <= 10 && l.width >= 85*mm && l.unlabelled > 0 {
			t.Errorf("%d of %d marks unlabelled on %g mm", l.unlabelled, n, l.width/mm)
		}
	})
}

// TestSpectrumDropsLeast: what is left out weighs least.
func TestSpectrumDropsLeast(t *testing.T) {
	d := gaussians(1000)
	for i := range 60 {
		d.Marks = append(d.Marks, Mark{EnergyEV: 1000 + 10*float64(i), Label: fmt.Sprintf("X%d K-L2,3", i), Weight: float64(i % 20)})
	}
	l, err := planned(d, SpectrumOptions{})
	if err != nil {
		t.Fatal(err)
	}
	checkLabels(t, l)
	if l.unlabelled < 20 {
		t.Fatalf("%d of 60 marks unlabelled on 85 mm, want at least 20", l.unlabelled)
	}
	least, most := math.Inf(1), math.Inf(-1)
	for _, m := range l.marks {
		if m.label != (box{}) {
			least = math.Min(least, m.Weight)
		} else {
			most = math.Max(most, m.Weight)
		}
	}
	if most > least {
		t.Errorf("a mark of weight %g is left out, one of %g has a label", most, least)
	}
}

func TestResiduals(t *testing.T) {
	nan := math.NaN()
	d := SpectrumData{Counts: []float64{9, 100, 0, 5, nan, 3}, Model: []float64{4, 81, 0, 0, 4, 16}}
	want := []float64{2.5, 19.0 / 9, 0, nan, nan, -13.0 / 4} // (n - m)/√m by hand
	for i, got := range d.residuals() {
		if math.Abs(got-want[i]) > 1e-15 || math.IsNaN(got) != math.IsNaN(want[i]) {
			t.Errorf("residual %d = %g, want %g", i, got, want[i])
		}
	}
}

func TestCountRange(t *testing.T) {
	d := SpectrumData{Counts: []float64{0, 1, 40, 200}}
	tests := []struct {
		log       bool
		given     float64
		low, high float64
	}{
		{false, 0, 0, 210},
		{false, 50, 0, 50},
		{true, 0, 0.5, 320}, // single counts stand above the edge
		{true, 1000, 0.5, 1000},
	}
	for _, tt := range tests {
		if low, high := d.countRange(tt.log, tt.given); low != tt.low || high != tt.high {
			t.Errorf("countRange(%v, %g) = %g, %g, want %g, %g", tt.log, tt.given, low, high, tt.low, tt.high)
		}
	}
}

// TestSpectrumPixels: the stepped line passes where the axes say. One channel
// stands alone on an empty spectrum.
func TestSpectrumPixels(t *testing.T) {
	d := SpectrumData{}
	for i := range 100 {
		d.EnergyEV = append(d.EnergyEV, 100*float64(i))
		d.Counts = append(d.Counts, 0)
	}
	d.Counts[40] = 80
	opt := SpectrumOptions{LowEV: 1, HighEV: 9900}
	l, err := planned(d, opt)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := Spectrum(&b, d, opt); err != nil {
		t.Fatal(err)
	}
	img := decode(t, b.Bytes())
	px := func(v float64) int { return int(v * 300 / 72) }
	x := px(l.main.x.at(4.0)) // the middle of the channel
	top := px(l.main.y0) + 6  // below the frame
	for y := top; y < px(l.main.y1)-6; y++ {
		if c := rgbaAt(img, x, y); c.R < 128 {
			if want := l.main.y.at(80) * 300 / 72; math.Abs(float64(y)-want) > 2 {
				t.Errorf("top of the peak at row %d, want %.1f", y, want)
			}
			break
		}
	}
	// The sides of the channel, at half height.
	y := px(l.main.y.at(40))
	var dark []int
	for x := px(l.main.x0) + 6; x < px(l.main.x1)-6; x++ {
		if rgbaAt(img, x, y).R < 128 {
			dark = append(dark, x)
		}
	}
	if len(dark) == 0 {
		t.Fatal("no line at half height of the peak")
	}
	left, right := l.main.x.at(3.95)*300/72, l.main.x.at(4.05)*300/72
	if math.Abs(float64(dark[0])-left) > 2 || math.Abs(float64(dark[len(dark)-1])-right) > 2 {
		t.Errorf("sides of the peak at %d and %d, want %.1f and %.1f", dark[0], dark[len(dark)-1], left, right)
	}
}

// svgText parses an SVG and returns its texts, title and description.
func svgText(t *testing.T, raw []byte) (texts []string, title, description string) {
	t.Helper()
	dec := xml.NewDecoder(bytes.NewReader(raw))
	var path []string
	for {
		tok, err := dec.Token()
		if err == io.EOF {
			return texts, title, description
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			path = append(path, e.Name.Local)
		case xml.EndElement:
			path = path[:len(path)-1]
		case xml.CharData:
			if len(path) == 0 {
				continue
			}
			switch path[len(path)-1] {
			case "text":
				texts = append(texts, string(e))
			case "title":
				title += string(e)
			case "desc":
				description += string(e)
			}
		}
	}
}

func TestSpectrumSVG(t *testing.T) {
	d := gaussians(900, steelLines...)
	var b bytes.Buffer
	if err := Spectrum(&b, d, SpectrumOptions{Title: "Steel & <titania>", Log: true, Format: SVG}); err != nil {
		t.Fatal(err)
	}
	texts, title, description := svgText(t, b.Bytes())
	if title != "Steel & <titania>" {
		t.Errorf("title %q", title)
	}
	all := strings.Join(texts, "\n")
	for _, want := range []string{"Ti K-L2,3", "Fe K escape", "X-ray energy (keV)", "counts per channel (log scale)", "residual (σ)", "+3", "−3", "measured", "model", "continuum"} {
		if !strings.Contains(all, want) {
			t.Errorf("no text %q in the figure", want)
		}
	}
	if !strings.Contains(description, "Ti K-L2,3 4.509 keV") {
		t.Errorf("description lacks a mark:\n%s", description)
	}
	if !strings.Contains(b.String(), "sans-serif") {
		t.Errorf("no generic font family for readers without the font")
	}
}

func TestGoldenSpectrum(t *testing.T) {
	d := gaussians(800, steelLines...)
	var b bytes.Buffer
	if err := Spectrum(&b, d, SpectrumOptions{Title: "Steel, 15 keV", Log: true, DPI: 72}); err != nil {
		t.Fatal(err)
	}
	golden(t, "spectrum.png", b.Bytes())
}

func TestSpectrumErrors(t *testing.T) {
	e := []float64{0, 10, 20}
	c := []float64{1, 2, 3}
	tests := []struct {
		name string
		d    SpectrumData
		opt  SpectrumOptions
		want string
	}{
		{"empty", SpectrumData{}, SpectrumOptions{}, "0 channels"},
		{"counts", SpectrumData{EnergyEV: e, Counts: c[:2]}, SpectrumOptions{}, "2 counts for 3 energies"},
		{"model", SpectrumData{EnergyEV: e, Counts: c, Model: c[:1]}, SpectrumOptions{}, "model has 1 channels"},
		{"component", SpectrumData{EnergyEV: e, Counts: c, Components: []Component{{"Si", c[:1]}}}, SpectrumOptions{}, `component "Si" has 1`},
		{"energies", SpectrumData{EnergyEV: []float64{0, 10, 10}, Counts: c}, SpectrumOptions{}, "channel 2"},
		{"infinite", SpectrumData{EnergyEV: e, Counts: []float64{1, math.Inf(1), 2}}, SpectrumOptions{}, "counts in channel 1"},
		{"mark", SpectrumData{EnergyEV: e, Counts: c, Marks: []Mark{{EnergyEV: math.NaN(), Label: "Si"}}}, SpectrumOptions{}, `mark "Si"`},
		{"range", SpectrumData{EnergyEV: e, Counts: c}, SpectrumOptions{LowEV: 100, HighEV: 200}, "0 channels between 100 and 200"},
		{"falling range", SpectrumData{EnergyEV: e, Counts: c}, SpectrumOptions{LowEV: 10, HighEV: 5}, "10 to 5"},
		{"format", SpectrumData{EnergyEV: e, Counts: c}, SpectrumOptions{Format: "gif"}, `format "gif"`},
	}
	for _, tt := range tests {
		var b bytes.Buffer
		if err := Spectrum(&b, tt.d, tt.opt); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want one with %q", tt.name, err, tt.want)
		}
	}
}

// TestUnusualSpectra: odd but legal spectra are drawn, in both formats.
func TestUnusualSpectra(t *testing.T) {
	nan := math.NaN()
	e := []float64{-20, -10, 0, 10, 20, 30}
	zero := make([]float64, 6)
	tests := []struct {
		name string
		d    SpectrumData
	}{
		{"all zero", SpectrumData{EnergyEV: e, Counts: zero, Model: zero}},
		{"negative", SpectrumData{EnergyEV: e, Counts: []float64{-1, -5, -2, -1, -1, -3}}},
		{"gaps", SpectrumData{EnergyEV: e, Counts: []float64{nan, 1, nan, nan, 3, nan}, Model: []float64{1, nan, nan, 1, 1, 1}, Continuum: []float64{nan, nan, nan, nan, nan, nan}}},
		{"all NaN", SpectrumData{EnergyEV: e, Counts: []float64{nan, nan, nan, nan, nan, nan}}},
		{"huge", SpectrumData{EnergyEV: e, Counts: []float64{1e300, 1, 1, 1, 1, 1e300}, Model: []float64{1, 1, 1, 1, 1, 1}}},
		{"long labels", SpectrumData{EnergyEV: e, Counts: zero, Marks: []Mark{{EnergyEV: 10, Label: strings.Repeat("very long ", 40)}, {EnergyEV: 12, Label: ""}, {EnergyEV: 5000, Label: "outside"}}}},
		{"two channels", SpectrumData{EnergyEV: []float64{1000, 1010}, Counts: []float64{3, 4}}},
	}
	for _, tt := range tests {
		for _, opt := range []SpectrumOptions{{}, {Log: true}, {Format: SVG}, {Log: true, Format: SVG, Title: "x\x00y", Caption: "c\nd"}} {
			var b bytes.Buffer
			if err := Spectrum(&b, tt.d, opt); err != nil {
				t.Errorf("%s, %+v: %v", tt.name, opt, err)
				continue
			}
			if opt.Format == SVG {
				svgText(t, b.Bytes())
				if strings.Contains(b.String(), "NaN") || strings.Contains(b.String(), "Inf") {
					t.Errorf("%s: NaN or Inf in the drawing", tt.name)
				}
			} else {
				decode(t, b.Bytes())
			}
		}
	}
}

// TestRealSpectra draws measured spectra with marks at positions as crowded as
// real ones.
func TestRealSpectra(t *testing.T) {
	dir := os.Getenv("FLECK_REAL_DATA")
	if dir == "" {
		t.Skip("FLECK_REAL_DATA is not set: measured spectra are not part of the source")
	}
	files, err := filepath.Glob(filepath.Join(dir, "sem-metals", "*.emsa"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no spectra in %s (%v)", dir, err)
	}
	for _, f := range files {
		raw, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		d := SpectrumData{Marks: steelLines}
		for line := range strings.Lines(string(raw)) {
			x, y, ok := strings.Cut(strings.TrimSpace(line), ",")
			if strings.HasPrefix(line, "#") || !ok {
				continue
			}
			keV, err1 := strconv.ParseFloat(strings.TrimSpace(x), 64)
			n, err2 := strconv.ParseFloat(strings.TrimSpace(y), 64)
			if err1 != nil || err2 != nil {
				t.Fatalf("%s: line %q", f, line)
			}
			d.EnergyEV, d.Counts = append(d.EnergyEV, 1000*keV), append(d.Counts, n)
		}
		for _, opt := range []SpectrumOptions{{}, {Log: true}} {
			l, err := planned(d, opt)
			if err != nil {
				t.Fatalf("%s: %v", f, err)
			}
			checkLabels(t, l)
			if err := Spectrum(&bytes.Buffer{}, d, opt); err != nil {
				t.Errorf("%s: %v", f, err)
			}
		}
	}
}

func BenchmarkSpectrum(b *testing.B) {
	d := gaussians(2048, steelLines...)
	for _, f := range []Format{PNG, SVG} {
		b.Run("ch=2048/format="+string(f), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := Spectrum(&bytes.Buffer{}, d, SpectrumOptions{Log: true, Format: f}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
