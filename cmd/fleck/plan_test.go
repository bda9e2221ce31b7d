package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestPlan(t *testing.T) {
	cache := filepath.Join(t.TempDir(), "cache")
	args := []string{"plan", "--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--diameter", "100", "--beam", "5,15", "--confuser", "SiOC2H6:0.97g/cm3", "--trajectories", "1000", "--cache", cache}
	m := answer(t, exitDone, args...)
	has(t, m, head...)
	has(t, m, "separable", "cases", "recommendations", "coatings", "substrates", "confusers", "residues", "cautions")
	cases := m["cases"].([]any)
	if len(cases) != 2 {
		t.Fatalf("%d cases, want 2", len(cases))
	}
	c := row(t, cases[0])
	has(t, c, "beam_kev", "diameter_nm", "substrate", "coating", "visible", "counts_per_na_s", "background_per_na_s", "dose_na_s", "overlaps", "cautions")
	if c["visible"] != true || c["family"] != "Si K" || c["beam_kev"] != 5.0 || c["diameter_nm"] != 100.0 {
		t.Errorf("case %v", c)
	}
	if best := row(t, m["recommendations"].([]any)[0]); best["beam_kev"] != 5.0 {
		t.Errorf("best at %v keV, want 5", best["beam_kev"])
	}
	files, err := os.ReadDir(cache)
	if err != nil || len(files) == 0 {
		t.Fatalf("cache: %v, %d files", err, len(files))
	}
	again := row(t, answer(t, exitDone, args...)["cases"].([]any)[0])
	if again["dose_na_s"] != c["dose_na_s"] {
		t.Errorf("dose %v, from the cache %v", c["dose_na_s"], again["dose_na_s"])
	}
}

// Not visible is an answer.
func TestPlanInseparable(t *testing.T) {
	m := answer(t, exitDone, "plan", "--target", "SiO2:2.2g/cm3", "--substrate", "SiO2:2.2g/cm3", "--diameter", "100", "--beam", "5", "--trajectories", "200")
	if m["separable"] != false || !strings.Contains(m["reason"].(string), "cannot separate") {
		t.Errorf("separable %v: %v", m["separable"], m["reason"])
	}
	c := row(t, m["cases"].([]any)[0])
	if c["visible"] != false || c["dose_na_s"] != nil || c["dose_na_s_reason"] == "" {
		t.Errorf("case %v", c)
	}
	out, _, code := fleck(t, "plan", "--target", "SiO2:2.2g/cm3", "--substrate", "SiO2:2.2g/cm3", "--diameter", "100", "--beam", "5", "--trajectories", "200")
	if code != exitDone || !strings.HasPrefix(out, "Not visible: ") {
		t.Errorf("exit code %d, %.100q", code, out)
	}
}

func TestPlanCoatingsAndConfusers(t *testing.T) {
	m := answer(t, exitDone, "plan", "--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--coating", "none", "--coating", "W:5nm", "--coating-order", "over", "--diameter", "100", "--beam", "5", "--trajectories", "500")
	for i, want := range []bool{true, false} {
		if c := row(t, m["cases"].([]any)[i]); c["visible"] != want {
			t.Errorf("coating %v: visible %v (%v)", c["coating"], c["visible"], c["reason"])
		}
	}
	verdicts := map[string]string{}
	for _, x := range m["coatings"].([]any) {
		r := row(t, x)
		verdicts[r["material"].(string)] = r["verdict"].(string)
		if r["material"] == "Cr" && !strings.Contains(fmt.Sprint(r["reasons"]), "not where O matters") {
			t.Errorf("chromium: %v", r["reasons"])
		}
	}
	for name, want := range map[string]string{"W": "rejected", "Ta": "rejected", "Cr": "limited", "C": "suitable", "Au": "suitable"} {
		if verdicts[name] != want {
			t.Errorf("coating %s is %q, want %q", name, verdicts[name], want)
		}
	}
	m = answer(t, exitDone, "plan", "--target", "TiO2:4.23g/cm3", "--substrate", "Fe-18Cr:7.7g/cm3", "--confuser", "BaSO4:4.5g/cm3", "--diameter", "300", "--beam", "15", "--trajectories", "500")
	d := row(t, m["confusers"].([]any)[0])
	o := row(t, d["overlaps"].([]any)[0])
	if d["separable"] != true || o["family"] != "Ti K" || math.Abs(o["separation_ev"].(float64)+45) > 3 {
		t.Errorf("confuser %v", d)
	}
	if !strings.Contains(fmt.Sprint(d["evidence"]), "S K-L3") {
		t.Errorf("evidence %v, want S K", d["evidence"])
	}
}

// The figure is drawn, and its curves are in the answer.
func TestPlanFigure(t *testing.T) {
	for _, name := range []string{"dose.png", "dose.svg"} {
		path := filepath.Join(t.TempDir(), name)
		m := answer(t, exitDone, "plan", "--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--diameter", "100", "--beam", "5,15", "--pixel", "0.25", "--trajectories", "300", "--figure", path)
		curves := m["curves"].([]any)
		if len(curves) != 26 || m["figure"] != path {
			t.Errorf("%d points of curves, figure %v", len(curves), m["figure"])
		}
		has(t, row(t, curves[0]), "beam_kev", "diameter_nm", "family", "dose_na_s")
		b, err := os.ReadFile(path)
		if err != nil || len(b) < 1000 {
			t.Errorf("%s: %d bytes, %v", name, len(b), err)
		}
	}
	_, errs, code := fleck(t, "plan", "--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--figure", "a.pdf")
	if code != exitUsage || !strings.Contains(errs, ".png or .svg") {
		t.Errorf("exit code %d, %q", code, errs)
	}
	// Nothing to draw is an answer, too.
	path := filepath.Join(t.TempDir(), "none.png")
	_, errs, code = fleck(t, "plan", "--target", "SiO2:2.2g/cm3", "--substrate", "SiO2:2.2g/cm3", "--diameter", "100", "--beam", "5", "--trajectories", "200", "--figure", path)
	if _, err := os.Stat(path); code != exitDone || err == nil || !strings.Contains(errs, "no figure drawn") {
		t.Errorf("exit code %d, %q, file %v", code, errs, err)
	}
}

// A substrate that shows nothing of the target takes one line, whatever the conditions;
// confusers are told from the target on the first specimen, which is named.
func TestPlanHopelessSubstrate(t *testing.T) {
	text, _, code := fleck(t, "plan", "--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--substrate", "Si", "--confuser", "Al2O3:3.97g/cm3", "--diameter", "100,200", "--beam", "5,10", "--trajectories", "200")
	if n := strings.Count(text, "the substrate Si holds Si itself"); code != exitDone || n != 1 || strings.Count(text, "not visible") != 1 {
		t.Errorf("exit code %d, %d lines on silicon, want 1:\n%s", code, n, text)
	}
	if !strings.Contains(text, "Confusers (on Al, coating none)") {
		t.Errorf("confusers on which substrate?\n%s", text)
	}
}

func TestPlanUsage(t *testing.T) {
	for _, tt := range []struct {
		args []string
		want string
		code int
	}{
		{[]string{"--substrate", "Al"}, "--target is missing", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3"}, "--substrate is missing", exitUsage},
		{[]string{"--target", "SiO2", "--substrate", "Al"}, "density", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--coating", "Au:5nm"}, "--coating-order", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--coating", "Au", "--coating-order", "over"}, "no thickness", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--coating-order", "over"}, "without --coating", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--diameter", "0"}, "--diameter 0", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--diameter", "100;200"}, "commas", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--beam", "15000"}, "--beam 15000", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--beam", "0.5"}, "--beam 0.5", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--diameter", "-100"}, "--diameter -100", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "SiO2"}, "density", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Unobtainium"}, "Unobtainium", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--coating", "Au:0nm", "--coating-order", "over"}, "0nm", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--coating", "Au:-5nm", "--coating-order", "over"}, "-5nm", exitUsage},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--pixel", "0.05"}, "larger than the pixel", exitFailed},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "file"}, "unexpected argument", exitUsage},
	} {
		out, errs, code := fleck(t, append([]string{"plan"}, tt.args...)...)
		if code != tt.code || out != "" || !strings.Contains(errs, tt.want) {
			t.Errorf("fleck plan %q: exit code %d, stderr %q; want %d and %q", tt.args, code, errs, tt.code, tt.want)
		}
	}
}
