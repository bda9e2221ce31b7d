package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// altered writes a copy of a cube with words of its header replaced.
func altered(t *testing.T, path, name string, replace ...string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	end := strings.Index(string(data), "\n\n")
	head := strings.NewReplacer(replace...).Replace(string(data[:end]))
	if head == string(data[:end]) {
		t.Fatalf("%v is not in the header:\n%s", replace, head)
	}
	return write(t, filepath.Join(filepath.Dir(path), name), head+string(data[end:]))
}

func TestFurtherQuestions(t *testing.T) {
	dir := t.TempDir()
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	blank := cubeFile(t, filepath.Join(dir, "b.nrrd"), false, 2)
	later := cubeFile(t, filepath.Join(dir, "later.nrrd"), true, 3)
	halves, gone := dealt(t, field, 2), dealt(t, cubeFile(t, filepath.Join(dir, "gone.nrrd"), false, 4), 2)
	other := altered(t, later, "twelve.nrrd", "1e+01 keV", "12 keV")
	var rows []string
	for y := range 16 {
		rows = append(rows, strings.Repeat(map[bool]string{true: "9 ", false: "1 "}[y >= 5 && y < 8], 20))
	}
	mask := write(t, filepath.Join(dir, "mask.txt"), strings.ReplaceAll(strings.Join(rows, "\n"), " \n", "\n")+"\n")
	common := []string{"--target", "TiO2:4.23g/cm3", "--substrate", "Fe:7.87g/cm3", "--replicas", "39", "--no-limit"}

	m := answer(t, exitDone, append([]string{"spots", halves[0], "--later", halves[1], "--blank", blank, "--mask", mask, "--mask-above", "5"}, common...)...)
	if a := row(t, m["association"]); a["inside"] != 1.0 || a["spots"] != 1.0 || !(a["p_attracted"].(float64) < .5) {
		t.Errorf("association %v; the one spot lies on the marked rows", a)
	}
	s := row(t, m["stability"])
	if len(s["remarks"].([]any)) != 0 || row(t, s["target"])["changed"] != false {
		t.Errorf("stability %v of the halves of one field", s)
	}
	has(t, row(t, m["spheres"]), "assumed", "spots")
	if m["sizes"] != nil || m["sizes_reason"] == nil {
		t.Errorf("sizes of one spot: %v", m["sizes"])
	}
	m = answer(t, exitDone, append([]string{"spots", halves[0], "--later", gone[1], "--blank", blank, "--screen"}, common...)...)
	if s := row(t, m["stability"]); row(t, s["target"])["changed"] != true || len(s["remarks"].([]any)) == 0 {
		t.Errorf("stability %v where the second half lacks the spot", s)
	}
	if list := m["screen"].([]any); len(list) != 0 {
		t.Errorf("screen %v; titanium and oxygen were asked for", list)
	}
	m = answer(t, exitDone, append([]string{"spots", field, "--other-beam", other, "--registered"}, common...)...)
	if o := row(t, m["other_beam"]); o["beam_kev"] != 12.0 || o["joined"] != 1.0 {
		t.Errorf("other beam %v; want one spot joined", o)
	}
}

// grooved writes a copy of a cube whose row y holds half of the counts.
func grooved(t *testing.T, path, name string, y, width int) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	row := 2 * width * testChannels
	from := strings.Index(string(data), "\n\n") + 2 + y*row
	for i := from; i < from+row; i += 2 { // little-endian
		v := (uint16(data[i]) | uint16(data[i+1])<<8) / 2
		data[i], data[i+1] = byte(v), byte(v>>8)
	}
	return write(t, filepath.Join(filepath.Dir(path), name), string(data))
}

// The mask of the field's own line features: none in an even field, although a spot is
// in it, and the groove in a field with one.
func TestTextureOfField(t *testing.T) {
	dir := t.TempDir()
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	common := []string{"--blank", cubeFile(t, filepath.Join(dir, "b.nrrd"), false, 2), "--target", "TiO2:4.23g/cm3", "--substrate", "Fe:7.87g/cm3", "--replicas", "39", "--no-limit", "--mask", "texture"}
	m := answer(t, exitDone, append([]string{"spots", field}, common...)...)
	if m["association"] != nil || m["association_reason"] == nil || row(t, m["texture"])["marked_share"] != 0.0 {
		t.Errorf("texture %v, association %v of an even field", m["texture"], m["association"])
	}
	m = answer(t, exitDone, append([]string{"spots", grooved(t, field, "groove.nrrd", 12, 20)}, common...)...)
	// One row of 16; a strong line is marked a pixel wider on both sides.
	if s := row(t, m["texture"])["marked_share"].(float64); s < 1./16 || s > 3./16 {
		t.Errorf("%g of the field is marked; the groove is 1/16", s)
	}
	if a := row(t, m["association"]); a["spots"] != 1.0 || a["inside"] != 0.0 {
		t.Errorf("association %v; the spot lies five rows away", a)
	}
}

// Fields recorded otherwise are refused, and the difference is named; so are
// questions without what they need.
func TestSpotsRefusals(t *testing.T) {
	dir := t.TempDir()
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	blank := cubeFile(t, filepath.Join(dir, "b.nrrd"), false, 2)
	small := write(t, filepath.Join(dir, "small.txt"), "1\t2\t3\n3\t4\t1\n2\t2\t5\n")
	common := []string{"--target", "TiO2:4.23g/cm3", "--substrate", "Fe", "--replicas", "39", "--no-limit"}
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"beam energy", []string{"--blank", altered(t, blank, "beam.nrrd", "1e+01 keV", "12 keV")}, "beam energy"},
		{"take-off angle", []string{"--blank", altered(t, blank, "angle.nrrd", "35 deg", "41 deg")}, "take-off angle"},
		{"channel width", []string{"--blank", altered(t, blank, "width.nrrd", "spacings: 20 ", "spacings: 21 ")}, "channel width"},
		{"first channel", []string{"--blank", altered(t, blank, "first.nrrd", "axis mins: 0 ", "axis mins: 40 ")}, "energy of the first channel"},
		{"pixel size", []string{"--blank", altered(t, blank, "pixel.nrrd", "0.5 0.5", "0.7 0.7")}, "pixel size"},
		{"later cube of another beam", []string{"--later", altered(t, blank, "half.nrrd", "1e+01 keV", "12 keV")}, "beam energy"},
		{"a cube twice", []string{"--later", field}, "given twice"},
		{"a later cube as blank", []string{"--later", blank, "--blank", blank}, "both as --later and as --blank"},
		{"frames of a cube without", []string{"--frames", "0-3"}, "the cube has one frame"},
		{"frames upside down", []string{"--frames", "3-0"}, "such as 0-4"},
		{"other beam without an offset", []string{"--other-beam", altered(t, blank, "twelve.nrrd", "1e+01 keV", "12 keV")}, "offset between the two fields cannot be established"},
		{"registered without another beam", []string{"--registered"}, "needs --other-beam"},
		{"other beam of the same energy", []string{"--other-beam", blank}, "another energy"},
		{"level without a mask", []string{"--mask-above", "3"}, "need --mask"},
		{"level of texture", []string{"--mask", "texture", "--mask-above", "3"}, "finds its level itself"},
		{"file called texture", []string{"--mask", "./texture"}, "texture"},
		{"two levels", []string{"--mask", small, "--mask-above", "3", "--mask-below", "2"}, "exclude each other"},
		{"a word for a level", []string{"--mask", small, "--mask-above", "high"}, "a number is accepted"},
		{"mask of another size", []string{"--mask", small, "--mask-above", "3"}, "3 × 3 pixels"},
		{"no such mask", []string{"--mask", filepath.Join(dir, "none.png")}, filepath.Join(dir, "none.png") + ": no such file"},
		{"empty mask", []string{"--mask", write(t, filepath.Join(dir, "empty.png"), "")}, "empty.png: the file is empty"},
	} {
		_, errs, code := fleck(t, append(append([]string{"spots", field}, c.args...), common...)...)
		if code == exitDone || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit code %d, %q; want %q", c.name, code, errs, c.want)
		}
	}
	// What is wrong with a mask or another cube is said before the search, which the blank would end.
	whole := write(t, filepath.Join(dir, "whole.txt"), strings.Repeat(strings.Repeat("7\t", 19)+"7\n", 16))
	other := []string{"--blank", altered(t, blank, "other.nrrd", "1e+01 keV", "12 keV")}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--mask", whole}, "every pixel lies above 0 (--mask-above), its values range from 7 to 7"},
		{[]string{"--mask", whole, "--mask-above", "7"}, "no pixel lies above 7 (--mask-above), its values range from 7 to 7"},
		{[]string{"--mask", whole, "--mask-below", "3"}, "no pixel lies below 3 (--mask-below)"},
		{[]string{"--other-beam", filepath.Join(dir, "none.nrrd")}, "none.nrrd: no such file"},
		{[]string{"--other-beam", blank}, "another energy is needed"},
		{[]string{"--mask", small, "--mask-above", "3"}, "has 3 × 3 pixels, the field 20 × 16"},
	} {
		_, errs, code := fleck(t, slices.Concat([]string{"spots", field}, c.args, other, common)...)
		if code == exitDone || !strings.Contains(errs, c.want) {
			t.Errorf("%v: exit code %d, %q; want %q", c.args, code, errs, c.want)
		}
	}
	if _, errs, code := fleck(t, "spots", small, "--screen", "--target", "TiO2", "--substrate", "Fe"); code != exitUsage || !strings.Contains(errs, "needs a cube") {
		t.Errorf("screen of a count map: exit code %d, %q", code, errs)
	}
}
