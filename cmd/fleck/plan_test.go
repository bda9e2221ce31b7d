package main

import (
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
	m = answer(t, exitDone, "plan", "--target", "TiO2:4.23g/cm3", "--substrate", "Fe-18Cr:7.7g/cm3", "--confuser", "BaSO4:4.5g/cm3", "--diameter", "300", "--beam", "15", "--trajectories", "500")
	d := row(t, m["confusers"].([]any)[0])
	o := row(t, d["overlaps"].([]any)[0])
	if d["separable"] != true || o["family"] != "Ti K" || math.Abs(o["separation_ev"].(float64)+45) > 3 {
		t.Errorf("confuser %v", d)
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
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "--pixel", "0.05"}, "larger than the pixel", exitFailed},
		{[]string{"--target", "SiO2:2.2g/cm3", "--substrate", "Al", "file"}, "unexpected argument", exitUsage},
	} {
		out, errs, code := fleck(t, append([]string{"plan"}, tt.args...)...)
		if code != tt.code || out != "" || !strings.Contains(errs, tt.want) {
			t.Errorf("fleck plan %q: exit code %d, stderr %q; want %d and %q", tt.args, code, errs, tt.code, tt.want)
		}
	}
}
