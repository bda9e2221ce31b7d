package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestPlainNamesNoPackage takes every package of the library from its folder.
func TestPlainNamesNoPackage(t *testing.T) {
	n := 0
	for _, room := range []string{"spectra", "quant", "maps"} {
		err := fs.WalkDir(os.DirFS(filepath.Join("..", "..")), room, func(path string, d fs.DirEntry, err error) error {
			if err != nil || !d.IsDir() {
				return err
			}
			if code, _ := fs.Glob(os.DirFS(filepath.Join("..", "..", path)), "*.go"); code == nil || d.Name() == "generate" {
				return nil
			}
			n++
			p := d.Name() + ": "
			for in, want := range map[string]string{
				p + "bad":                      "bad",
				p + p + "quant: bad":           "bad",
				"--material: " + p + "bad":     "--material: bad",
				"a.csv: line 3: " + p + "b: c": "a.csv: line 3: b: c",
				"the " + p + "bad":             "the " + p + "bad",
			} {
				if got := plain(in); got != want {
					t.Errorf("plain(%q) = %q; want %q", in, got, want)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if n < 20 {
		t.Errorf("%d packages found; more are there", n)
	}
}

func TestMessages(t *testing.T) {
	for _, tt := range []struct {
		args []string
		exit int
		want string
	}{
		{[]string{"predict", "--material", "Xy2", "--beam", "5"}, exitUsage, `--material: material "Xy2": column 1`},
		{[]string{"predict", "--material", "Fe", "--lines", "Fe K", "--beam", "5"}, exitFailed, "fleck predict: a beam of 5 keV does not excite Fe K"},
		{[]string{"predict", "--material", "SiO2", "--standard", "Fe", "--beam", "3"}, exitUsage, "fleck predict: standard Fe serves none"},
		{[]string{"lines", "Fe Q"}, exitUsage, `is accepted: line "Fe Q"`},
	} {
		_, errs, code := fleck(t, tt.args...)
		if code != tt.exit || !strings.Contains(errs, tt.want) {
			t.Errorf("fleck %q: exit code %d, stderr %q; want %d and %q", tt.args, code, errs, tt.exit, tt.want)
		}
	}
}

// TestKRatiosWithSemicolons reads a table as spreadsheets of some countries write it.
func TestKRatiosWithSemicolons(t *testing.T) {
	path := write(t, filepath.Join(t.TempDir(), "k.csv"), "element;line;k_ratio;sigma\nFe;K;0,5;0,003\n")
	e := errorOf(t, answer(t, exitFailed, "quantify", "--kratios", path, "--beam", "15"))
	if text := fmt.Sprint(e["message"]); !strings.Contains(text, "columns are separated by commas") {
		t.Errorf("message %q", text)
	}
}

// TestConvertAxis converts a cube without energy axis, and with one in the wrong unit.
func TestConvertAxis(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	bare := at("bare.npy")
	answer(t, exitDone, "convert", cubeFile(t, at("full.nrrd"), false, 1), bare)
	for _, tt := range []struct {
		args   []string
		want   string
		states bool
	}{
		{[]string{bare, at("none.nrrd")}, "none.nrrd states no energy axis", true},
		{[]string{bare, at("none.raw")}, "none.nhdr states no energy axis", true},
		{[]string{bare, at("kev.nrrd"), "--energy-first", "0", "--energy-step", "0.015"}, "in eV, not in keV?", true},
		{[]string{bare, at("ev.nrrd"), "--energy-first", "0", "--energy-step", "15"}, "in keV", false},
		{[]string{bare, at("ev2.nrrd"), "--energy-first", "0", "--energy-step", "15"}, "no energy axis", false},
	} {
		m := answer(t, exitDone, append([]string{"convert"}, tt.args...)...)
		if got := strings.Contains(fmt.Sprint(m["warnings"]), tt.want); got != tt.states {
			t.Errorf("convert %q: warnings %v; %q among them: %v, want %v", tt.args, m["warnings"], tt.want, got, tt.states)
		}
	}
}

func TestHelpAndVersionAsJSON(t *testing.T) {
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"--version"}, version},
		{[]string{"-h"}, "Commands:"},
		{[]string{"predict", "-h"}, "Usage: fleck predict"},
		{[]string{"study", "file", "--help"}, "Usage: fleck study"},
		{[]string{"help", "codes"}, codeTruncated},
		{[]string{"help", "fit"}, "Usage: fleck fit"},
	} {
		m := answer(t, exitDone, tt.args...)
		if text, _ := m["text"].(string); !strings.Contains(text, tt.want) || m["version"] == nil {
			t.Errorf("fleck %q --json: %v; want the key text with %q", tt.args, m, tt.want)
		}
	}
	if m := answer(t, exitDone, "--json", "--version"); m["version"] == nil {
		t.Errorf("fleck --json --version: %v", m)
	}
}

// TestNullHasReason looks for a key with null and nothing that says why.
func TestNullHasReason(t *testing.T) {
	dir := t.TempDir()
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	counts := write(t, filepath.Join(dir, "counts.txt"), strings.Repeat(strings.Repeat("1 0 2 ", 8)+"\n", 20))
	for _, args := range [][]string{
		{"spots", field, "--target", "TiO2:4.23g/cm3", "--substrate", "Fe", "--replicas", "39", "--no-limit"},
		{"spots", counts, "--replicas", "39"},
	} {
		m := answer(t, exitDone, args...)
		n := 0
		walkNulls("", m, func(path string, reason any) {
			n++
			if s, _ := reason.(string); s == "" {
				t.Errorf("fleck %q: %s is null without a reason", args, path)
			}
		})
		if n == 0 {
			t.Errorf("fleck %q: no null at all; a coating is not given", args)
		}
	}
}

// walkNulls calls found with every key that is null and the reason beside it. The
// reason of a spot without compound is the verdict's.
func walkNulls(path string, v any, found func(path string, reason any)) {
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			switch reason := v[k+"_reason"]; {
			case x == nil && k == "compound":
				found(path+"."+k, v["reason"])
			case x == nil:
				found(path+"."+k, reason)
			default:
				walkNulls(path+"."+k, x, found)
			}
		}
	case []any:
		for _, x := range v {
			walkNulls(path+"[]", x, found)
		}
	}
}
