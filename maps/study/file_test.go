package study

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/quant/template"
)

const whole = `fleck_format = 1
title = "Rinse on panels"
target = "TiO2:4.23g/cm3"
substrate = "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3"
coating = "C:2.0g/cm3:8nm"
coating_order = "over"
confusers = [
  "BaSO4:4.5g/cm3",
  "Al2O3:3.95g/cm3",
]
elements = ["Ti", "O", "Fe"]
detector = "detector.json"
beam_kev = 15
takeoff_deg = 40.0
pixel_um = 0.15
energy_first_ev = -10.0
energy_step_ev = 10.0
live_time_s = 1200.0
shape = [64, 48, 1024]
type = "u16"
endian = "little"
axes = "y,x,c"
offset = 512
beam_mode = "stationary"
probe_nm = 50.0
paired = true
q = 0.1
alpha = 0.01
bootstrap = 99
seed = 7
limit = false
low_ev = 300.0
high_ev = 14000.0

[[field]]
name = "T1"
coupon = "panel A"
role = "treated"
cube = "t1.raw"

[[field]]
name = "B1"
role = "untreated"
cube = "b1.raw"
later = ["b2.raw", "b3.raw"]
`

func TestParse(t *testing.T) {
	f, err := Parse(strings.NewReader(whole))
	if err != nil {
		t.Fatal(err)
	}
	if f.Title != "Rinse on panels" || f.Target.Name != "TiO2" || f.Coating == nil || f.Order != template.Over || len(f.Confusers) != 2 || len(f.Elements) != 3 || f.Detector != "detector.json" {
		t.Errorf("materials: %+v", f)
	}
	c := f.Cube
	if c.BeamEnergy.KeV() != 15 || math.Abs(c.TakeOff.Degrees()-40) > 1e-12 || math.Abs(c.Pixel.X.Um()-0.15) > 1e-12 || c.Calibration.OffsetEV != -10 || c.Calibration.GainEV != 10 ||
		c.LiveTimeS != 1200 || len(c.Shape) != 3 || c.Type != cube.U16 || c.Endian != cube.LittleEndian || c.Axes != "y,x,c" || c.Offset != 512 {
		t.Errorf("cubes: %+v", c)
	}
	o := f.Options
	if o.Q != 0.1 || o.Alpha != 0.01 || o.Bootstrap != 99 || o.Seed != 7 || !o.NoLimit || o.LowEV != 300 || o.HighEV != 14000 || !f.Paired || !f.Stationary || f.ProbeNM != 50 {
		t.Errorf("options: %+v, paired %v", o, f.Paired)
	}
	want := []FileField{
		{maps.Field{Name: "T1", Coupon: "panel A", Role: maps.Treated}, "t1.raw", nil, 35},
		{maps.Field{Name: "B1", Coupon: "B1", Role: maps.Untreated}, "b1.raw", []string{"b2.raw", "b3.raw"}, 41},
	}
	if !reflect.DeepEqual(f.Fields, want) {
		t.Errorf("fields %+v, want %+v", f.Fields, want)
	}
	for _, s := range f.Settings() {
		if s.Origin != FromFile {
			t.Errorf("setting %s has the origin %s, want file", s.Key, s.Origin)
		}
	}
	s := f.Study()
	if s.Title != f.Title || len(s.Fields) != 2 || s.Fields[0].Input != "t1.raw" || s.Fields[0].Field != want[0].Field {
		t.Errorf("study: %+v", s.Fields)
	}
}

// least is the shortest study file.
const least = `fleck_format = 1
target = "TiO2"
substrate = "Fe"
[[field]]
name = "a"
role = "treated"
cube = "a.nrrd"
`

func TestParseLeast(t *testing.T) {
	f, err := Parse(strings.NewReader(least))
	if err != nil {
		t.Fatal(err)
	}
	if f.Coating != nil || f.Options != (Options{}) {
		t.Errorf("%+v", f)
	}
	for _, s := range f.Settings() {
		if want := s.Key == "target" || s.Key == "substrate"; (s.Origin == FromFile) != want {
			t.Errorf("setting %s has the origin %s", s.Key, s.Origin)
		}
	}
}

// TestParseErrors replaces or adds one line in a sound file and wants the error
// at that line.
func TestParseErrors(t *testing.T) {
	if testing.Short() {
		t.Skip("reading starts no goroutine, and many files are read")
	}
	tests := []struct {
		name     string
		old, new string
		line     int
		want     string // part of the message
	}{
		{"unknown key", "axes =", "axis =", 22, `unknown key "axis"`},
		{"unknown key of a field", `cube = "b1.raw"`, "cube = \"b1.raw\"\nfile = \"b1\"", 45, `unknown key "field.file"`},
		{"unknown table", "[[field]]\nname = \"B1\"", "[other]\nx = 1\n[[field]]\nname = \"B1\"", 41, `unknown key "other"`},
		{"no TOML", `title = "Rinse on panels"`, `title = Rinse`, 2, ""},
		{"key twice", "seed = 7", "q = 0.2", 30, ""},
		{"text for a number", "q = 0.1", `q = "0.1"`, 27, "q is string; float is accepted"},
		{"text for a list", "shape = [64, 48, 1024]", `shape = "64"`, 19, "shape is string"},
		{"negative seed", "seed = 7", "seed = -7", 30, "seed"},
		{"format missing", "fleck_format = 1", "", 0, "no fleck_format"},
		{"newer format", "fleck_format = 1", "fleck_format = 2", 1, "newer format"},
		{"format zero", "fleck_format = 1", "fleck_format = 0", 1, "1 is accepted"},
		{"target missing", `target = "TiO2:4.23g/cm3"`, "", 0, "no target"},
		{"bad target", `"TiO2:4.23g/cm3"`, `"TiX2:4.23g/cm3"`, 3, "target: xray:"},
		{"bad substrate", `"Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3"`, `"Fe-18"`, 4, "substrate: xray:"},
		{"target in the substrate", `"TiO2:4.23g/cm3"`, `"FeCr:7g/cm3"`, 3, "cannot be told apart"},
		{"coating without thickness", "C:2.0g/cm3:8nm", "C:2.0g/cm3", 5, "states no thickness"},
		{"coating without order", `coating_order = "over"`, "", 5, "needs coating_order"},
		{"order without coating", `coating = "C:2.0g/cm3:8nm"`, "", 6, "without a coating"},
		{"bad order", `"over"`, `"above"`, 6, "under, over and both"},
		{"bad confuser in a list of many lines", "Al2O3", "Al2Oo3", 7, "confusers: xray:"},
		{"target as confuser", `"Al2O3:3.95g/cm3"`, `"TiO2:4.23g/cm3"`, 7, "target itself"},
		{"bad element", `"Ti", "O"`, `"Ti", "o"`, 11, "elements: xray:"},
		{"beam energy of zero", "beam_kev = 15", "beam_kev = 0", 13, "above 0"},
		{"beam energy in eV", "beam_kev = 15", "beam_kev = 15000", 13, "above 0 and up to"},
		{"beam energy not a number", "beam_kev = 15", "beam_kev = nan", 13, "NaN"},
		{"take-off angle", "takeoff_deg = 40.0", "takeoff_deg = -1", 14, "takeoff_deg"},
		{"pixel of zero", "pixel_um = 0.15", "pixel_um = 0", 15, "pixel_um"},
		{"pixel in metres", "pixel_um = 0.15", "pixel_um = 1.5e-7", 15, "pixel_um: pixel of 1.5e-07 × 1.5e-07 µm; sides from 0.0001 to 1000 µm are accepted"},
		{"pixel of nan", "pixel_um = 0.15", "pixel_um = nan", 15, "pixel_um"},
		{"first channel alone", "energy_step_ev = 10.0", "", 16, "without energy_step_ev"},
		{"channel width alone", "energy_first_ev = -10.0", "", 17, "without energy_first_ev"},
		{"shape of zero", "[64, 48, 1024]", "[64, 0, 1024]", 19, "sizes above 0"},
		{"type", `"u16"`, `"f32"`, 20, "type"},
		{"endian", `"little"`, `"middle"`, 21, "endian"},
		{"offset", "offset = 512", "offset = -1", 23, "0 or more"},
		{"beam mode", `"stationary"`, `"still"`, 24, "rastered and stationary"},
		{"stationary without probe", "probe_nm = 50.0", "", 24, "needs probe_nm"},
		{"q of zero", "q = 0.1", "q = 0", 27, "q: 0;"},
		{"alpha above a half", "alpha = 0.01", "alpha = 0.9", 28, "alpha"},
		{"few replicas", "bootstrap = 99", "bootstrap = 3", 29, "39 to"},
		{"few replicas by the name of the flag", "bootstrap = 99", "replicas = 3", 29, "replicas: 3; 39 to"},
		{"replicas by both names", "bootstrap = 99", "bootstrap = 99\nreplicas = 99", 30, "replicas: bootstrap is stated too"},
		{"range upside down", "high_ev = 14000.0", "high_ev = 200.0", 33, "above low_ev"},
		{"field without name", `name = "T1"`, "", 35, "has no name"},
		{"field without role", "role = \"untreated\"\n", "", 41, `"B1" has no role`},
		{"bad role", `role = "untreated"`, `role = "blank"`, 43, "a blank field is untreated"},
		{"field without cube", `cube = "b1.raw"`, "", 41, "has no cube"},
		{"later without a name", `"b3.raw"`, `""`, 45, `field "B1": later ""`},
		{"later twice", `"b3.raw"`, `"b2.raw"`, 45, "names of other cubes of the same field"},
		{"the cube itself later", `"b3.raw"`, `"b1.raw"`, 45, `later "b1.raw"`},
		{"later as text", `["b2.raw", "b3.raw"]`, `"b2.raw"`, 45, "later is string"},
		{"frames", "offset = 512", "frames = \"4-2\"", 23, "counted from 0, such as 0-4"},
		{"name twice, other case", `name = "B1"`, `name = "t1"`, 42, "used twice"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if !strings.Contains(whole, tt.old) {
				t.Fatalf("%q is not in the file", tt.old)
			}
			f, err := Parse(strings.NewReader(strings.Replace(whole, tt.old, tt.new, 1)))
			var fe *FileError
			if !errors.As(err, &fe) {
				t.Fatalf("Parse gives %+v and the error %v, want a *FileError", f, err)
			}
			if fe.Line != tt.line || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %q at line %d, want line %d and %q", err, fe.Line, tt.line, tt.want)
			}
			if !strings.HasPrefix(err.Error(), "study: ") {
				t.Errorf("error %q lacks the prefix", err)
			}
		})
	}
	t.Run("no fields", func(t *testing.T) {
		_, err := Parse(strings.NewReader(least[:strings.Index(least, "[[")]))
		if err == nil || !strings.Contains(err.Error(), "no [[field]]") {
			t.Errorf("error %v", err)
		}
	})
	t.Run("too long", func(t *testing.T) {
		_, err := Parse(strings.NewReader(strings.Repeat("# filling\n", maxFile/10+1)))
		if err == nil || !strings.Contains(err.Error(), "more than") {
			t.Errorf("error %v", err)
		}
	})
	t.Run("a statement of very many lines", func(t *testing.T) {
		long := "fleck_format = 1\nconfusers = [\n" + strings.Repeat("\"Fe\",\n", 8000) + "]\nunknown = 1\n"
		_, err := Parse(strings.NewReader(long))
		if err == nil || !strings.Contains(err.Error(), `unknown key "unknown"`) {
			t.Errorf("error %v", err)
		}
	})
	t.Run("newer format is known", func(t *testing.T) {
		_, err := Parse(strings.NewReader("fleck_format = 2"))
		if !errors.Is(err, ErrNewerFormat) {
			t.Errorf("error %v, want ErrNewerFormat", err)
		}
	})
}

func TestParseFrames(t *testing.T) {
	f, err := Parse(strings.NewReader(strings.Replace(whole, "offset = 512", `frames = "2-5"`, 1)))
	if err != nil {
		t.Fatal(err)
	}
	if f.Cube.Frames != (cube.FrameRange{From: 2, To: 6}) {
		t.Errorf("frames %+v", f.Cube.Frames)
	}
}

func FuzzParse(f *testing.F) {
	f.Add(whole)
	f.Add(least)
	f.Add("")
	f.Add("fleck_format = 1\ntarget = \"\"\"\nTiO2\"\"\"\n[[field]]\n[field.x]\n")
	f.Add("field = [{name = \"a\"}]\nfleck_format = 1\nx = [\n1,\n\n]\n")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := Parse(strings.NewReader(text))
		var fe *FileError
		switch {
		case err != nil && !errors.As(err, &fe):
			t.Errorf("error %v is no *FileError", err)
		case err != nil && (fe.Line < 0 || fe.Line > strings.Count(text, "\n")+1):
			t.Errorf("line %d of %d", fe.Line, strings.Count(text, "\n")+1)
		case err == nil && len(got.Fields) == 0:
			t.Error("a study without fields")
		}
	})
}

// A probe without a mode, and a mode that is not known, count as a stationary beam.
func TestUnknownBeamMode(t *testing.T) {
	const head = "fleck_format = 1\ntarget = \"TiO2:4.23g/cm3\"\nsubstrate = \"Fe:7.87g/cm3\"\n"
	const fields = "[[field]]\nname = \"a\"\ncoupon = \"a\"\nrole = \"treated\"\ncube = \"a.nrrd\"\n"
	for _, c := range []struct {
		text                string
		unknown, stationary bool
	}{{"", false, false}, {"probe_nm = 50.0\n", true, true}, {"beam_mode = \"unknown\"\nprobe_nm = 50.0\n", true, true},
		{"beam_mode = \"rastered\"\nprobe_nm = 50.0\n", false, false}, {"beam_mode = \"stationary\"\nprobe_nm = 50.0\n", false, true}} {
		f, err := Parse(strings.NewReader(head + c.text + fields))
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		if f.Unknown != c.unknown || f.Stationary != c.stationary {
			t.Errorf("%q: unknown %v, stationary %v", c.text, f.Unknown, f.Stationary)
		}
	}
	if _, err := Parse(strings.NewReader(head + "beam_mode = \"unknown\"\n" + fields)); err == nil {
		t.Error("an unknown mode without a probe is accepted")
	}
}
