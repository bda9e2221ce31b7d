package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra/xray"
)

func TestBadInput(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string { return write(t, filepath.Join(dir, name), text) }
	counts := shape(1000, map[xray.Element]float64{14: 0.5})
	for i := range counts {
		counts[i] = float64(int(counts[i]))
	}
	whole := msaText(counts, testConditions)
	negative := append([]float64(nil), counts...)
	negative[100] = -3
	good := file("good.msa", whole)
	empty := file("empty.msa", "")
	cut := file("cut.msa", whole[:strings.Index(whole, "#SPECTRUM")])
	prose := file("prose.txt", "Dear reader,\nthis is a letter.\n")
	minus := file("minus.msa", msaText(negative, testConditions))
	words := file("words.msa", strings.Replace(whole, "#SPECTRUM    : Spectral data follow\n", "#SPECTRUM    : Spectral data follow\nseven,\n", 1))
	volts := file("volts.msa", msaText(counts, strings.Replace(testConditions, "10.", "10000.", 1)))
	noScale := file("noscale.csv", "counts\n1\n2\n3\n4\n")
	full := cubeFile(t, filepath.Join(dir, "full.nrrd"), true, 1)
	data, err := os.ReadFile(full)
	if err != nil {
		t.Fatal(err)
	}
	short := file("short.nrrd", string(data[:len(data)-1000]))
	raw := file("data.raw", strings.Repeat("\x00\x01", 100))
	array := func(shape ...int) string { // a header without values
		return arrayFile(t, filepath.Join(dir, fmt.Sprintf("array%d.npy", shape)), shape...)
	}
	png := file("picture.png", "\x89PNG\r\n\x1a\n")
	nowhere := filepath.Join(dir, "nowhere.msa")
	target := []string{"--target", "TiO2:4.23g/cm3", "--substrate", "Fe"}

	tests := []struct {
		name string
		args []string
		code string
		exit int
		line bool // a line is named
	}{
		{"missing file", []string{"inspect", nowhere}, codeNotFound, exitFailed, false},
		{"empty file", []string{"inspect", empty}, codeEmptyFile, exitFailed, false},
		{"empty cube", []string{"map", empty, "--out", filepath.Join(dir, "o1")}, codeEmptyFile, exitFailed, false},
		{"truncated file", []string{"inspect", cut}, codeTruncated, exitFailed, true},
		{"text that is no spectrum", []string{"inspect", prose}, codeNotSpectrum, exitFailed, true},
		{"text that is no spectrum, fit", []string{"fit", prose, "--elements", "Si"}, codeNotSpectrum, exitFailed, true},
		{"word for a number", []string{"fit", words, "--elements", "Si"}, codeBadNumber, exitFailed, true},
		{"negative counts, fit", []string{"fit", minus, "--elements", "Si"}, codeBadCounts, exitFailed, false},
		{"negative counts, identify", []string{"identify", minus}, codeBadCounts, exitFailed, false},
		{"no energy axis", []string{"fit", noScale, "--elements", "Si"}, codeNoEnergyAxis, exitFailed, false},
		{"picture", []string{"fit", png, "--elements", "Si"}, codeNotSpectrum, exitFailed, false},
		{"unknown element", []string{"fit", good, "--elements", "Xx"}, codeElement, exitUsage, false},
		{"element without lines here", []string{"fit", good, "--elements", "He"}, codeFailed, exitFailed, false},
		{"truncated cube", []string{"inspect", short}, codeSize, exitFailed, false},
		{"headerless without shape", []string{"inspect", raw}, codeNotCube, exitFailed, false},
		{"headerless without byte order", []string{"inspect", raw, "--shape", "5,5,4", "--type", "u16"}, codeUsage, exitUsage, false},
		{"size does not match", []string{"inspect", raw, "--shape", "5,5,5", "--type", "u16", "--endian", "little"}, codeSize, exitFailed, false},
		{"pixel far too small", []string{"inspect", full, "--pixel", "1e-9"}, codeUsage, exitUsage, false},
		{"pixel far too large", []string{"inspect", full, "--pixel", "1e6"}, codeUsage, exitUsage, false},
		{"pixel of one side too large", []string{"map", full, "--pixel", "1,2000", "--out", filepath.Join(dir, "o2")}, codeUsage, exitUsage, false},
		{"pixel of nothing", []string{"spots", full, "--pixel", "nan"}, codeUsage, exitUsage, false},
		{"spectrum for a cube", []string{"map", good, "--out", filepath.Join(dir, "o2")}, codeNotCube, exitFailed, false},
		{"spectrum for spots", append([]string{"spots", good}, target...), codeNotCube, exitFailed, false},
		{"array without pixels for spots", []string{"spots", array(0, 4, 100)}, codeNoData, exitFailed, false},
		{"map without pixels for spots", []string{"spots", array(4, 0)}, codeNoData, exitFailed, false},
		{"array cut short for spots", []string{"spots", array(4, 4, 100)}, codeSize, exitFailed, false},
		{"headerless for spots", []string{"spots", raw}, codeNotCube, exitFailed, false},
		{"size does not match for spots", []string{"spots", raw, "--shape", "5,5,5", "--type", "u8"}, codeSize, exitFailed, false},
		{"target equal to substrate", []string{"spots", full, "--target", "Fe2O3:5.2g/cm3", "--substrate", "Fe3O4:5.2g/cm3"}, codeInseparable, exitFailed, false},
		{"target equal to a substrate with traces", []string{"spots", full, "--target", "Fe-0.2Ti:7.8g/cm3", "--substrate", "Fe-0.2Ti:7.8g/cm3"}, codeInseparable, exitFailed, false},
		{"beam energy in eV, fit", []string{"fit", volts, "--elements", "Si"}, codeNoBeamEnergy, exitFailed, false},
		{"beam energy in eV, identify", []string{"identify", volts}, codeNoBeamEnergy, exitFailed, false},
		{"target element equal to substrate element", []string{"spots", full, "--target", "Fe", "--substrate", "Fe"}, codeInseparable, exitFailed, false},
		{"bad material", []string{"spots", full, "--target", "TiO2:4.23gcm3", "--substrate", "Fe"}, codeMaterial, exitUsage, false},
		{"coating without order", append([]string{"spots", full, "--coating", "C:2.0g/cm3:8nm"}, target...), codeUsage, exitUsage, false},
		{"coating without thickness", append([]string{"spots", full, "--coating", "Al", "--coating-order", "over"}, target...), codeMaterial, exitUsage, false},
		{"study with an unknown key", []string{"study", file("bad.toml", "fleck_format = 1\ntarget = \"TiO2\"\nsubstrat = \"Fe\"\n"), "--out", filepath.Join(dir, "o3")}, codeBadFile, exitFailed, true},
		{"study of a newer format", []string{"study", file("new.toml", "fleck_format = 99\ntarget = \"TiO2\"\nsubstrate = \"Fe\"\n"), "--out", filepath.Join(dir, "o3")}, codeNewerFormat, exitFailed, true},
		{"study without its cube", []string{"study", file("lost.toml", strings.ReplaceAll(studyText, "t.nrrd", "lost.nrrd")), "--out", filepath.Join(dir, "o3")}, codeNotFound, exitFailed, false},
		{"bad scene", []string{"simulate", prose, "--out", filepath.Join(dir, "s.nrrd")}, codeBadFile, exitFailed, false},
		{"bad detector", []string{"fit", good, "--elements", "Si", "--detector", file("d.json", "{\n \"fwhm\": 130\n}")}, codeBadFile, exitFailed, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			e := errorOf(t, answer(t, tt.exit, tt.args...))
			if e["code"] != tt.code {
				t.Errorf("fleck %q: code %v, want %s (%v)", tt.args, e["code"], tt.code, e["message"])
			}
			if _, ok := e["line"].(float64); ok != tt.line {
				t.Errorf("fleck %q: line %v, want one: %v", tt.args, e["line"], tt.line)
			}
			if left := leftovers(t, dir); left != nil {
				t.Errorf("fleck %q left %v", tt.args, left)
			}
		})
	}
	for _, o := range []string{"o1", "o2", "o3", "s.nrrd"} {
		if _, err := os.Stat(filepath.Join(dir, o)); err == nil {
			t.Errorf("%s was made by a run that failed", o)
		}
	}
}

// TestFaultInFolder: of a folder of spectra the file at fault is named, and a folder
// without files is said to be one before a flag is missed.
func TestFaultInFolder(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "s1.msa"), "Dear reader,\n")
	if e := errorOf(t, answer(t, exitFailed, "inspect", dir, "--shape", "1,1")); e["code"] != codeNotSpectrum || !strings.Contains(e["message"].(string), "s1.msa: neither") {
		t.Errorf("a letter among spectra: %v", e)
	}
	if e := errorOf(t, answer(t, exitFailed, "spots", t.TempDir())); !strings.Contains(e["message"].(string), "no files") {
		t.Errorf("a folder without files: %v", e)
	}
}

// arrayFile writes an NPY header without values.
func arrayFile(t *testing.T, path string, shape ...int) string {
	t.Helper()
	text := strings.ReplaceAll(strings.Trim(fmt.Sprint(shape), "[]"), " ", ", ")
	text = fmt.Sprintf("{'descr': '<u2', 'fortran_order': False, 'shape': (%s), }\n", text)
	return write(t, path, "\x93NUMPY\x01\x00"+string(rune(len(text)))+"\x00"+text)
}

// TestFaultOfFileFirst: what is wrong with the file is said before a flag is missed,
// with its name, once, and its shape.
func TestFaultOfFileFirst(t *testing.T) {
	path := arrayFile(t, filepath.Join(t.TempDir(), "none.npy"), 0, 4, 100)
	_, errs, code := fleck(t, "spots", path)
	if code != exitFailed || strings.Count(errs, "none.npy") != 1 || !strings.Contains(errs, "shape [0 4 100] holds no values") || strings.Contains(errs, "--target") {
		t.Errorf("exit code %d, %q; want %d, the file and its shape", code, errs, exitFailed)
	}
}

// A cube of one channel is a count map in any format.
func TestOneChannelCube(t *testing.T) {
	text := "NRRD0003\ntype: unsigned char\ndimension: 3\nsizes: 1 12 12\nencoding: raw\n\n"
	path := write(t, filepath.Join(t.TempDir(), "one.nrrd"), text+strings.Repeat("\x01", 143)+"\x64")
	m := answer(t, exitDone, "spots", path, "--no-limit")
	list := m["spots"].([]any)
	if len(list) != 1 || list[0].(map[string]any)["excess_counts"].(float64) < 50 {
		t.Errorf("spots %v; want one of some 99 counts", list)
	}
}

// Flags that replace what a cube states are named; the same value is none.
func TestReplacedConditions(t *testing.T) {
	path := cubeFile(t, filepath.Join(t.TempDir(), "t.nrrd"), false, 1)
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"--beam", "12"}, "the stated beam energy, 12 keV, replaces the 10 keV of the file"},
		{[]string{"--pixel", "2"}, "the stated pixel size, 2 µm, replaces the 0.5 µm of the file"},
		{[]string{"--energy-first", "7", "--energy-step", "30"}, "the stated energy axis, from 7 eV in steps of 30 eV, replaces"},
		{[]string{"--beam", "10", "--pixel", "0.5"}, ""},
	} {
		_, errs, _ := fleck(t, append([]string{"inspect", path}, tt.args...)...)
		if said := strings.Contains(errs, "replace"); said != (tt.want != "") || !strings.Contains(errs, tt.want) {
			t.Errorf("%v: %q; want %q", tt.args, errs, tt.want)
		}
	}
}

func TestWarnings(t *testing.T) {
	dir := t.TempDir()
	counts := shape(20000, map[xray.Element]float64{14: 0.5})
	fractional := write(t, filepath.Join(dir, "fractional.msa"), msaText(counts, testConditions))
	for i := range counts {
		counts[i] = float64(int(counts[i]))
	}
	noTime := write(t, filepath.Join(dir, "notime.msa"), msaText(counts, "#BEAMKV   -kV: 10.\n"))
	dead := write(t, filepath.Join(dir, "dead.msa"), msaText(counts, "#BEAMKV   -kV: 10.\n#LIVETIME  -s: 40.\n#REALTIME  -s: 100.\n"))
	beam := write(t, filepath.Join(dir, "beam.msa"), msaText(counts, "#BEAMKV   -kV: 5.\n#LIVETIME  -s: 40.\n"))
	negative := append([]float64(nil), counts...)
	negative[3] = -1
	minus := write(t, filepath.Join(dir, "minus.msa"), msaText(negative, testConditions))
	noScale := write(t, filepath.Join(dir, "noscale.csv"), "counts\n1\n2\n3\n")
	for _, tt := range []struct{ file, want string }{
		{fractional, "fractional counts"},
		{noTime, "live time missing"},
		{dead, "dead time 60 %"},
		{beam, "above the beam energy of 5 keV"},
		{minus, "negative counts"},
		{noScale, "no energy axis"},
	} {
		m := answer(t, exitDone, "inspect", tt.file)
		if got := fmt.Sprint(m["warnings"]); !strings.Contains(got, tt.want) {
			t.Errorf("inspect %s: warnings %v; want %q", filepath.Base(tt.file), got, tt.want)
		}
		out, errs, _ := fleck(t, "inspect", tt.file)
		if !strings.Contains(errs, tt.want) || strings.Contains(out, "warning") {
			t.Errorf("inspect %s: stderr %q; want %q there and not in stdout", filepath.Base(tt.file), errs, tt.want)
		}
		if _, errs, _ := fleck(t, "inspect", tt.file, "--quiet"); errs != "" {
			t.Errorf("inspect --quiet %s: stderr %q; want none", filepath.Base(tt.file), errs)
		}
	}
}

func TestOutputs(t *testing.T) {
	dir := t.TempDir()
	good := spectrumFile(t, dir)
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	at := func(name string) string { return filepath.Join(dir, name) }
	code := func(want string, args ...string) {
		t.Helper()
		exit := exitFailed
		if want == codeUsage {
			exit = exitUsage
		}
		if e := errorOf(t, answer(t, exit, args...)); e["code"] != want {
			t.Errorf("fleck %q: code %v, want %s (%v)", args, e["code"], want, e["message"])
		}
		if left := leftovers(t, dir); left != nil {
			t.Errorf("fleck %q left %v", args, left)
		}
	}

	// Files.
	write(t, at("old.csv"), "precious")
	code(codeExists, "convert", good, at("old.csv"))
	if data, _ := os.ReadFile(at("old.csv")); string(data) != "precious" {
		t.Error("an existing file was changed without --force")
	}
	answer(t, exitDone, "convert", good, at("old.csv"), "--force")
	if data, _ := os.ReadFile(at("old.csv")); !bytes.Contains(data, []byte("energy_ev,counts")) {
		t.Error("--force did not replace the file")
	}
	code(codeUsage, "convert", good, good, "--force")
	code(codeNotWritable, "convert", good, at("none/new.csv"))
	code(codeNotWritable, "fit", good, "--elements", "Si,Fe", "--figure", at("none/new.png"))

	// Folders.
	args := func(out string, more ...string) []string {
		return append([]string{"map", field, "--elements", "Fe", "--out", out}, more...)
	}
	write(t, at("afile"), "x")
	code(codeNotWritable, args(at("afile"))...)
	code(codeNotWritable, args(at("afile/below"))...)
	if err := os.Mkdir(at("full"), 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, at("full/notes.txt"), "mine")
	code(codeNotEmpty, args(at("full"))...)
	code(codeNotEmpty, args(at("full"), "--force")...)
	first := answer(t, exitDone, args(at("a/b/maps"))...)
	again := answer(t, exitDone, args(at("a/b/maps"))...)
	if fmt.Sprint(first) != fmt.Sprint(again) {
		t.Errorf("a complete folder gives another answer:\n%v\nthan the run that made it:\n%v", again, first)
	}
	code(codeOtherSettings, "map", field, "--elements", "Ti", "--out", at("a/b/maps"))
	answer(t, exitDone, "map", field, "--elements", "Ti", "--out", at("a/b/maps"), "--force")
	if _, err := os.Stat(at("a/b/maps/fe_k.png")); err == nil {
		t.Error("--force left files of the earlier run")
	}
	write(t, at("a/b/maps/fleck.json"), `{"fleck_format": 99}`)
	code(codeNewerFormat, args(at("a/b/maps"))...)

	// A failure after the folder was opened takes it away again.
	empty, err := cube.NewMemory(cube.Header{Width: 2, Height: 2, Channels: testChannels, Type: cube.U8, Calibration: testScale, CalibrationKnown: true})
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	rows, err := empty.Rows()
	if err != nil {
		t.Fatal(err)
	}
	if err := cube.WriteNRRD(&b, empty.Head, rows, cube.Raw); err != nil {
		t.Fatal(err)
	}
	code(codeNoData, "map", write(t, at("empty.nrrd"), b.String()), "--elements", "Fe", "--out", at("c/d"))
	if _, err := os.Stat(at("c")); err == nil {
		t.Error("folders of a run that failed were left")
	}

	// An interrupt leaves nothing.
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, errs, got := fleckIn(t, ctx, "", args(at("e/f"))...); got != exitFailed || !strings.Contains(errs, "stopped") {
		t.Errorf("interrupted: exit code %d, stderr %q", got, errs)
	}
	if _, err := os.Stat(at("e")); err == nil {
		t.Error("folders of an interrupted run were left")
	}
}

func TestShare(t *testing.T) {
	px := maps.Pixel{X: maps.Micrometre, Y: maps.Micrometre}
	for _, tt := range []struct {
		mode beamMode
		want float64
	}{
		{beamMode{}, 1},
		{beamMode{stationary: true, probe: 100 * maps.Nanometre}, 0.00785398}, // π/4·0.1²
		{beamMode{stationary: true, probe: 5 * maps.Micrometre}, 1},
	} {
		if got := tt.mode.share(px); got < tt.want-1e-8 || got > tt.want+1e-8 {
			t.Errorf("share of %+v: %g, want %g", tt.mode, got, tt.want)
		}
	}
}

// TestMeasurementTwice: one measurement is never two fields, whatever its name.
func TestMeasurementTwice(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	field, blank := cubeFile(t, at("t.nrrd"), true, 1), cubeFile(t, at("b.nrrd"), false, 2)
	data, err := os.ReadFile(field)
	if err != nil {
		t.Fatal(err)
	}
	again := write(t, at("again.nrrd"), string(data))
	text := "fleck_format = 1\ntarget = \"TiO2:4.23g/cm3\"\nsubstrate = \"Fe\"\n"
	for i, name := range []string{"t.nrrd", "b.nrrd", "./t.nrrd"} {
		text += fmt.Sprintf("[[field]]\nname = \"F%d\"\ncoupon = \"%d\"\nrole = \"treated\"\ncube = %q\n", i, i, name)
	}
	common := []string{"--target", "TiO2:4.23g/cm3", "--substrate", "Fe", "--replicas", "39", "--no-limit"}
	counts := write(t, at("counts.txt"), strings.Repeat("1 2 3 4 5 6\n", 6))
	for _, args := range [][]string{
		append([]string{"spots", field, "--blank", again}, common...),
		append([]string{"compare", "--treated", field, "--treated", again, "--blank", blank}, common...),
		{"study", write(t, at("s.toml"), text), "--out", at("o")},
		{"compare", "--treated", counts, "--blank", counts},
	} {
		if _, errs, code := fleck(t, args...); code != exitFailed || !strings.Contains(errs, "holds the same measurement as") {
			t.Errorf("fleck %v: exit code %d, %q", args, code, errs)
		}
	}
}

// TestPairsFirst: a coupon without its other side is named before the search, which the
// cubes of two beam energies would end.
func TestPairsFirst(t *testing.T) {
	dir := t.TempDir()
	at := func(names ...string) string { return filepath.Join(append([]string{dir}, names...)...) }
	for _, d := range []string{"a", "b"} {
		if err := os.Mkdir(at(d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	treated := cubeFile(t, at("a", "t.nrrd"), true, 1)
	blank := altered(t, cubeFile(t, at("b", "b.nrrd"), false, 2), "other.nrrd", "1e+01 keV", "12 keV")
	text := "fleck_format = 1\ntarget = \"TiO2:4.23g/cm3\"\nsubstrate = \"Fe\"\npaired = true\n"
	for i, role := range []string{"treated", "untreated"} {
		text += fmt.Sprintf("[[field]]\nname = \"F%d\"\ncoupon = \"%c\"\nrole = %q\ncube = %q\n", i, 'a'+i, role, []string{treated, blank}[i])
	}
	for _, args := range [][]string{
		{"compare", "--treated", treated, "--blank", blank, "--target", "TiO2:4.23g/cm3", "--substrate", "Fe", "--paired"},
		{"study", write(t, at("s.toml"), text), "--out", at("o")},
		{"compare", "--treated", write(t, at("a", "m.txt"), "1 2\n3 4\n"), "--blank", write(t, at("b", "m.txt"), "2 2\n3 4\n"), "--paired"},
	} {
		if _, errs, code := fleck(t, args...); code != exitUsage || !strings.Contains(errs, "has no untreated field; every coupon must have both") {
			t.Errorf("fleck %v: exit code %d, %q", args, code, errs)
		}
	}
}

// TestOnePixelField: one pixel says that it is not searched, and what it has in excess.
func TestOnePixelField(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	everywhere := func(int, int) bool { return true }
	blank := cubeFile(t, at("blank.nrrd"), false, 4)
	args := []string{"--blank", blank, "--target", "TiO2:4.23g/cm3", "--substrate", "Fe", "--replicas", "39", "--no-limit"}
	one := fieldFile(t, at("one.nrrd"), 1, 1, everywhere, 5)
	out, errs, code := fleck(t, append([]string{"spots", one}, args...)...)
	if code != exitDone || !strings.Contains(out, "one pixel") || !strings.Contains(out, "Ti K in excess") || !strings.Contains(errs, "one pixel") || strings.Contains(errs, "one.nrrd: 100 %") {
		t.Errorf("one pixel: exit code %d\n%s%s", code, out, errs)
	}
}
