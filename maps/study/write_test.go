package study

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/compare"
	"example.org/fleck/maps/cube"
	"example.org/fleck/maps/scene"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
)

// memorySink keeps files that were closed.
type memorySink struct {
	files map[string][]byte
	open  int
}

type memoryFile struct {
	bytes.Buffer
	sink *memorySink
	name string
}

func (f *memoryFile) Close() error {
	f.sink.open--
	f.sink.files[f.name] = f.Bytes()
	return nil
}

func (s *memorySink) Create(name string) (io.WriteCloser, error) {
	if _, ok := s.files[name]; ok {
		return nil, fmt.Errorf("%s twice", name)
	}
	s.open++
	return &memoryFile{sink: s, name: name}, nil
}

// small is the demo scene with two fields of 48 × 48 pixels of its own.
func small() *scene.Scene {
	sc := scene.Demo()
	sc.Width, sc.Height = 48, 48
	of := func(text string, number int, minNM, maxNM float64) scene.Population {
		m, err := xray.ParseMaterial(text)
		if err != nil {
			panic(err)
		}
		return scene.Population{Compound: m, Number: number, MinNM: minNM, MaxNM: maxNM}
	}
	sc.Specs = []scene.FieldSpec{
		{Field: maps.Field{Name: "T1", Coupon: "panel A", Role: maps.Treated}, Populations: []scene.Population{
			of("TiO2:4.23g/cm3", 4, 200, 300), of("TiO2:4.23g/cm3", 2, 400, 900), of("BaSO4:4.5g/cm3", 1, 300, 600), of("Al2O3:3.95g/cm3", 1, 300, 600)}},
		{Field: maps.Field{Name: "B1", Coupon: "panel D", Role: maps.Untreated}, Populations: []scene.Population{
			of("TiC0.5N0.5:5.1g/cm3", 1, 500, 800)}},
	}
	return sc
}

// smallCubes are the rendered fields of the small scene.
var smallCubes = sync.OnceValues(func() ([]*cube.Memory, error) { return renderScene(small()) })

func renderScene(sc *scene.Scene) ([]*cube.Memory, error) {
	rd, err := scene.NewRenderer(sc)
	if err != nil {
		return nil, err
	}
	var cubes []*cube.Memory
	for i := range sc.Specs {
		m, _, err := rd.Render(i, 3, 2)
		if err != nil {
			return nil, err
		}
		cubes = append(cubes, m)
	}
	return cubes, nil
}

// runSmall runs the study of the small scene, in short runs of the tiny one.
func runSmall(workers int) (*Result, error) {
	render, sc := smallCubes, small()
	if testing.Short() {
		render, sc = tinyCubes, tiny()
	}
	cubes, err := render()
	if err != nil {
		return nil, err
	}
	st := FromScene(sc, cubes)
	st.Options = Options{Bootstrap: 49, Seed: 3, NoLimit: true, Workers: workers}
	return Run(context.Background(), st, nil)
}

// smallResult is run once for all tests; they must not change it.
var smallResult = sync.OnceValues(func() (*Result, error) { return runSmall(2) })

func result(t *testing.T) *Result {
	t.Helper()
	r, err := smallResult()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// coarse is the resolution of figures in most tests, to save time.
const coarse = 50

// notShort skips tests of writing in short runs, which look for races: writing
// starts no goroutine.
func notShort(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("writing starts no goroutine")
	}
}

// plain holds the files of the result without options.
var plain = sync.OnceValues(func() (map[string][]byte, error) {
	r, err := smallResult()
	if err != nil {
		return nil, err
	}
	s := &memorySink{files: map[string][]byte{}}
	return s.files, write(r, s, WriteOptions{}, coarse)
})

func plainFiles(t *testing.T) map[string][]byte {
	t.Helper()
	notShort(t)
	files, err := plain()
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func written(t *testing.T, r *Result, opt WriteOptions) map[string][]byte {
	t.Helper()
	notShort(t)
	s := &memorySink{files: map[string][]byte{}}
	if err := write(r, s, opt, coarse); err != nil {
		t.Fatal(err)
	}
	if s.open != 0 {
		t.Errorf("%d files were not closed", s.open)
	}
	return s.files
}

// changed returns a copy of the result whose fields and study can be changed.
func changed(t *testing.T) *Result {
	r := *result(t)
	st := *r.Study
	r.Study = &st
	r.Fields = slices.Clone(r.Fields)
	for i := range r.Fields {
		sp := *r.Fields[i].Spots
		sp.Spots = slices.Clone(sp.Spots)
		r.Fields[i].Spots = &sp
	}
	return &r
}

// find returns the value at a path of keys and indices.
func find(t *testing.T, v any, path ...any) any {
	t.Helper()
	for _, p := range path {
		switch p := p.(type) {
		case string:
			m, ok := v.(map[string]any)
			if !ok {
				t.Fatalf("%v: no object at %q", path, p)
			}
			if _, ok := m[p]; !ok {
				t.Fatalf("%v: no key %q", path, p)
			}
			v = m[p]
		case int:
			a, ok := v.([]any)
			if !ok || p >= len(a) {
				t.Fatalf("%v: no element %d", path, p)
			}
			v = a[p]
		}
	}
	return v
}

func decode(t *testing.T, data []byte) any {
	t.Helper()
	var v any
	if err := json.Unmarshal(data, &v); err != nil {
		t.Fatalf("no JSON: %v", err)
	}
	return v
}

// reasons checks that every null has a reason beside it, but for those whose
// null is an answer of its own.
func reasons(t *testing.T, file string, v any) {
	t.Helper()
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			_, has := v[k+"_reason"]
			if x == nil && !has && k != "compound" && k != "coating" && k != "value" {
				t.Errorf("%s: %s is null without a reason", file, k)
			}
			reasons(t, file, x)
		}
	case []any:
		for _, x := range v {
			reasons(t, file, x)
		}
	}
}

var fileName = regexp.MustCompile(`^([a-z0-9_-]+/)?[a-z0-9_-]+\.(png|svg|tif|npy|csv|json|msa|html)$`)

func TestWrite(t *testing.T) {
	r := result(t)
	files := written(t, r, WriteOptions{Command: "demo", Version: "1.2.3", Platform: "here", Invented: "Simulated.", Repeat: "fleck demo --out DIR",
		Settings: []Setting{{"q", 0.05, FromFlag}}, Warnings: []string{"a warning"}})
	want := []string{"index.html", "result.json", "spots.csv", "spots.json", "comparison.json", "comparison.png", "sum_spectrum.msa", "sum_spectrum.png",
		"sum_spectrum_ti_k.png", "sum_spectrum.svg", "comparison.svg", "maps_ti_k.png", "maps_ba_l.png", "maps_fe_k.png"}
	for _, folder := range []string{"t1/", "b1/"} {
		for _, name := range []string{"ti_k.npy", "ti_k_sigma.npy", "ti_k.tif", "ti_k.png", "c_k.npy", "status.npy", "continuum.npy", "counts.npy", "likelihood.npy", "spots.png", "spectra.json", "overlay.png", "ti_k_sigma.png", "ti_k_significance.png"} {
			want = append(want, folder+name)
		}
		if _, ok := files[folder+"c_k.png"]; ok {
			t.Errorf("a picture of %sc_k, which nobody needs", folder)
		}
	}
	for _, name := range want {
		if len(files[name]) == 0 {
			t.Errorf("no file %s", name)
		}
	}
	lower := map[string]bool{}
	for name, data := range files {
		if !fileName.MatchString(name) || lower[strings.ToLower(name)] {
			t.Errorf("file name %q", name)
		}
		lower[strings.ToLower(name)] = true
		switch {
		case strings.HasSuffix(name, ".json"):
			v := decode(t, data)
			reasons(t, name, v)
			if find(t, v, "fleck_format") != float64(FormatNumber) || find(t, v, "version") != "1.2.3" || find(t, v, "invented") != "Simulated." {
				t.Errorf("%s lacks its head", name)
			}
		case strings.HasSuffix(name, ".png"):
			if _, err := png.Decode(bytes.NewReader(data)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		case strings.HasSuffix(name, ".html"), strings.HasSuffix(name, ".csv"):
			if regexp.MustCompile(`\bNaN\b|\bInf\b|%!`).Match(data) {
				t.Errorf("%s holds NaN, Inf or a wrong verb", name)
			}
		}
	}
	res := decode(t, files["result.json"])
	listed := find(t, res, "files").([]any)
	if len(listed) != len(files) {
		t.Errorf("result.json lists %d files of %d", len(listed), len(files))
	}
	for _, f := range listed {
		if _, ok := files[f.(string)]; !ok {
			t.Errorf("result.json lists %v, which is not there", f)
		}
	}
	for i, f := range r.Fields {
		if got := find(t, res, "fields", i, "field", "name"); got != f.Name {
			t.Errorf("field %d is %v, want %s", i, got, f.Name)
		}
		if n := len(find(t, res, "fields", i, "spots").([]any)); n != len(f.Spots.Spots) {
			t.Errorf("field %s: %d spots, want %d", f.Name, n, len(f.Spots.Spots))
		}
		for what, name := range find(t, res, "fields", i, "files").(map[string]any) {
			if _, ok := files[name.(string)]; !ok {
				t.Errorf("field %s: %s is %v, which is not there", f.Name, what, name)
			}
		}
	}
	if find(t, res, "settings", "q", "origin") != "flag" || find(t, res, "settings", "alpha", "origin") != "default" || find(t, res, "settings", "bootstrap", "value") != 49.0 {
		t.Error("settings lack their origin")
	}
	if find(t, res, "verdict") != r.Comparison.Verdict || find(t, res, "density", "p_value") != r.Comparison.Density.PValue {
		t.Error("the comparison is another one")
	}
	page := string(files["index.html"])
	for _, text := range []string{"Invented data. Simulated.", "a warning", "fleck demo --out DIR", "1.2.3", "decision threshold", "Error rates"} {
		if !strings.Contains(page, text) {
			t.Errorf("the page lacks %q", text)
		}
	}
	named := 0
	for i, f := range r.Fields {
		for _, s := range f.Spots.Spots {
			size := r.Size(i, s)
			if math.IsNaN(size.DiameterNM) {
				continue
			}
			named++
			if text := fmt.Sprintf(">%.0f (%.0f to %.0f)<", size.DiameterNM, size.LowNM, size.HighNM); !strings.Contains(page, text) {
				t.Errorf("field %s: the page lacks the sphere of spot %d, %s", f.Name, s.ID, text)
			}
		}
	}
	if named == 0 {
		t.Error("no spot has a sphere")
	}
	if len(page) > 6<<20 {
		t.Errorf("the page has %d bytes", len(page))
	}
	f, err := msa.Read(bytes.NewReader(files["sum_spectrum.msa"]))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(f.Spectrum.Counts, r.Sum.Counts) {
		t.Error("the sum spectrum was not written as it is")
	}
}

// TestWriteSpotTable compares the table with the spots and the JSON with the
// table.
func TestWriteSpotTable(t *testing.T) {
	r := result(t)
	total := 0
	for _, f := range r.Fields {
		total += len(f.Spots.Spots)
	}
	if total == 0 {
		t.Fatal("the scene has no spots: the test would say nothing")
	}
	files := plainFiles(t)
	text := string(files["spots.csv"])
	first, rest, _ := strings.Cut(text, "\n")
	if first != fmt.Sprintf("# fleck_format: %d", FormatNumber) {
		t.Errorf("first line %q", first)
	}
	rows, err := csv.NewReader(strings.NewReader(rest)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != total+1 || !slices.Equal(rows[0][:4], []string{"field", "coupon", "role", "id"}) {
		t.Fatalf("%d rows, want %d", len(rows), total+1)
	}
	list := find(t, decode(t, files["spots.json"]), "spots").([]any)
	k := 1
	for _, f := range r.Fields {
		for _, s := range f.Spots.Spots {
			o := list[k-1].(map[string]any)
			for c, col := range rows[0] {
				got := rows[k][c]
				switch v := o[col].(type) {
				case nil:
					if got != "" {
						t.Errorf("row %d, %s: %q, want nothing", k, col, got)
					}
				case float64:
					if x, err := strconv.ParseFloat(got, 64); err != nil || x != v {
						t.Errorf("row %d, %s: %q, want %g", k, col, got, v)
					}
				default:
					if got != fmt.Sprint(v) {
						t.Errorf("row %d, %s: %q, want %v", k, col, got, v)
					}
				}
			}
			if rows[k][0] != f.Name || rows[k][1] != f.Coupon || rows[k][2] != string(f.Role) || o["x_px"] != s.XPx || o["excess_counts"] != s.ExcessCounts || o["beam_kev"] != 15.0 {
				t.Errorf("row %d is %v, want a spot of field %s", k, rows[k], f.Name)
			}
			k++
		}
	}
}

func TestWriteAnyWorkers(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the study again")
	}
	r, err := runSmall(3)
	if err != nil {
		t.Fatal(err)
	}
	one, two := plainFiles(t), written(t, r, WriteOptions{})
	if len(one) != len(two) {
		t.Errorf("%d and %d files", len(one), len(two))
	}
	for name, data := range one {
		if !bytes.Equal(data, two[name]) {
			t.Errorf("%s depends on the number of workers", name)
		}
	}
}

const evil = `<b>&"x"</b> <script>alert(1)</script>`

func TestWriteNames(t *testing.T) {
	r := changed(t)
	r.Study.Title = evil
	r.Fields[0].Name, r.Fields[0].Coupon, r.Fields[0].Input = evil, evil, evil
	r.Fields[1].Name = strings.ToUpper(evil)
	r.Remarks = []string{evil}
	files := written(t, r, WriteOptions{Version: evil, Platform: evil, Repeat: evil, Invented: evil, Settings: []Setting{{evil, evil, FromFile}}})
	if page := string(files["index.html"]); strings.Contains(page, "<b>") || strings.Contains(page, "alert(1)</") || strings.Count(page, "<script") != 2 || strings.Contains(page, "ZgotmplZ") {
		t.Error("markup of names reaches the page")
	}
	for name := range files {
		if !fileName.MatchString(name) {
			t.Errorf("file name %q", name)
		}
	}
	for _, folder := range []string{"b_x_b_script_alert_1_script/", "b_x_b_script_alert_1_script_2/"} {
		if files[folder+"ti_k.npy"] == nil {
			t.Errorf("no folder %s", folder)
		}
	}
	if got := find(t, decode(t, files["result.json"]), "title"); got != evil {
		t.Errorf("title %v", got)
	}
}

func TestWriteNoSpots(t *testing.T) {
	r := changed(t)
	for i := range r.Fields {
		sp := r.Fields[i].Spots
		sp.Spots, sp.Rejected, sp.PValue, sp.Detected, sp.ListThreshold = nil, nil, 0.7, false, math.NaN()
		r.Fields[i].Observation.Spots = 0
	}
	r.Occurrences, r.Comparison = nil, nil
	files := written(t, r, WriteOptions{})
	page := string(files["index.html"])
	for _, text := range []string{"No spot with the pattern of TiO2 passes the decision threshold on any of the 2 fields", "No spot passes the threshold of the list in any field", "No comparison", "no limit was asked for"} {
		if !strings.Contains(page, text) {
			t.Errorf("the page lacks %q", text)
		}
	}
	if n := strings.Count(string(files["spots.csv"]), "\n"); n != 2 {
		t.Errorf("spots.csv has %d lines, want its two heads", n)
	}
	res := decode(t, files["result.json"])
	reasons(t, "result.json", res)
	if find(t, res, "verdict") != nil || files["comparison.json"] != nil || files["comparison.png"] != nil {
		t.Error("a comparison that was not made is written")
	}
}

func TestWriteManySpots(t *testing.T) {
	r := changed(t)
	sp := r.Fields[0].Spots
	one := sp.Spots[0]
	sp.Spots = nil
	for i := range 400 {
		one.ID, one.XPx, one.YPx = i+1, float64(i%47), float64(i*7%47)
		one.Verdict = []maps.Verdict{maps.TargetVerdict, maps.OtherCompound, maps.Artefact, maps.SubstrateSpot, maps.CannotTell}[i%5]
		sp.Spots = append(sp.Spots, one)
	}
	files := written(t, r, WriteOptions{})
	if n := len(find(t, decode(t, files["spots.json"]), "spots").([]any)); n < 400 {
		t.Errorf("%d spots in spots.json", n)
	}
	if page := string(files["index.html"]); !strings.Contains(page, "80 “target”, 80 “other compound”, 80 “artefact”, 80 “substrate”, 80 “cannot tell”") || !strings.Contains(page, "the first 100 of each field are shown") {
		t.Error("the page does not count its spots")
	}
}

func TestWriteUnknownPixel(t *testing.T) {
	r := changed(t)
	for i := range r.Fields {
		f := &r.Fields[i]
		f.Header.Pixel = maps.Pixel{}
		for k := range f.Spots.Spots {
			s := &f.Spots.Spots[k]
			s.XUm, s.YUm, s.AreaUm2, s.DiameterUm = math.NaN(), math.NaN(), math.NaN(), math.NaN()
		}
	}
	c := *r.Comparison
	c.Verdict = "The treated fields hold more spots of the target than the blank ones: 6.33e+03 per mm² against none in 0.00111 mm² (p = 0.0024)."
	r.Comparison = &c
	files := written(t, r, WriteOptions{})
	res := decode(t, files["result.json"])
	reasons(t, "result.json", res)
	for _, path := range [][]any{{"density", "treated_per_mm2"}, {"limit", "per_mm2"}, {"signal_per_mm2", "treated"}, {"area_mm2", "treated"}, {"fields", 0, "field", "area_mm2"}} {
		if v := find(t, res, path...); v != nil {
			t.Errorf("%v is %v without a pixel size", path, v)
		}
	}
	if find(t, res, "density", "p_value") == nil {
		t.Error("the p-value needs no pixel size")
	}
	page := string(files["index.html"])
	if !strings.Contains(page, "6330 per 10⁶ pixels against none in 0.00111 · 10⁶ pixels") || !strings.Contains(page, "pixel size not known") {
		t.Error("the page does not say that the pixel size is unknown")
	}
	if strings.Contains(page, "per mm²") {
		t.Error("the page gives densities per mm²")
	}
}

// TestWriteComparison compares the numbers of comparison.json with those of the
// comparison.
func TestWriteComparison(t *testing.T) {
	r := changed(t)
	c := *r.Comparison
	c.Density = compare.Density{TreatedPerMm2: 2, TreatedLow: 1, TreatedHigh: 3, BlankPerMm2: 5, BlankLow: 4, BlankHigh: 6, Ratio: 7, Low: 8, High: math.NaN(),
		Difference: -3, DifferenceLow: -4.5, DifferenceHigh: -1.5, PValue: 0.01, PTwoSided: 0.02, Permutation: 0.03, Method: "m", Reason: "why"}
	r.Comparison = &c
	d := find(t, decode(t, written(t, r, WriteOptions{})["comparison.json"]), "density").(map[string]any)
	want := map[string]any{"treated_per_mm2": 2.0, "treated_low": 1.0, "treated_high": 3.0, "blank_per_mm2": 5.0, "blank_low": 4.0, "blank_high": 6.0, "ratio": 7.0, "low": 8.0,
		"high": nil, "high_reason": "why", "difference": -3.0, "difference_low": -4.5, "difference_high": -1.5, "p_value": 0.01, "p_value_two_sided": 0.02, "p_value_permutation": 0.03, "method": "m"}
	if len(d) != len(want) {
		t.Errorf("%v, want %v", d, want)
	}
	for k, v := range want {
		if d[k] != v {
			t.Errorf("%s is %v, want %v", k, d[k], v)
		}
	}
}

// brokenSink fails at one file.
type brokenSink struct {
	memorySink
	at string
}

var errBroken = errors.New("no room")

func (s *brokenSink) Create(name string) (io.WriteCloser, error) {
	if name == s.at {
		return nil, errBroken
	}
	return s.memorySink.Create(name)
}

func TestWriteFails(t *testing.T) {
	notShort(t)
	for _, name := range []string{"t1/ti_k.npy", "t1/ti_k.png", "index.html"} {
		err := Write(result(t), &brokenSink{memorySink{files: map[string][]byte{}}, name}, WriteOptions{})
		if !errors.Is(err, errBroken) || !strings.HasPrefix(err.Error(), "study: "+name) {
			t.Errorf("error %v where %s cannot be written", err, name)
		}
	}
}
