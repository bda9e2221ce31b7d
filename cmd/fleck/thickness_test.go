package main

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"
)

// TestFilmThickness: measured k-ratios of Bastin & Heijligers 2000, part I, of an
// Al film of 24.9 µg/cm² on Fe at 15 keV; 4 % is the spread of the model.
func TestFilmThickness(t *testing.T) {
	dir := t.TempDir()
	path := write(t, filepath.Join(dir, "al.csv"), "element,line,k_ratio,sigma\nAl,Ka,0.06538,0.0005\nFe,Ka,0.9,0.01\n")
	args := []string{"quantify", "--kratios", path, "--beam", "15", "--takeoff", "40", "--film", "Al:2.7g/cm3", "--substrate", "Fe"}
	m := answer(t, exitDone, args...)
	has(t, m, "thickness", "model", "remarks")
	rows := m["thickness"].([]any)
	if len(rows) != 1 {
		t.Fatalf("%d rows, want that of Al", len(rows))
	}
	r := row(t, rows[0])
	has(t, r, "symbol", "line", "k_ratio", "mass_depth_ug_cm2", "sigma", "thickness_nm")
	if ug := r["mass_depth_ug_cm2"].(float64); math.Abs(ug/24.9-1) > 0.04 || math.Abs(r["thickness_nm"].(float64)-ug/0.27) > 1e-6 {
		t.Errorf("film %v, want 24.9 µg/cm²", r)
	}
	thick := write(t, filepath.Join(dir, "thick.csv"), "element,line,k_ratio,sigma\nAl,Ka,1.0,0.01\n")
	args[2] = thick
	if r := row(t, answer(t, exitDone, args...)["thickness"].([]any)[0]); r["thickness_nm"] != nil || !strings.Contains(r["thickness_nm_reason"].(string), "at least") {
		t.Errorf("a film too thick to see through: %v", r)
	}
	for _, tt := range []struct {
		args []string
		exit int
		want string
	}{
		{[]string{"--kratios", path, "--beam", "15", "--film", "Al"}, exitUsage, "belong together"},
		{[]string{"x.msa", "--elements", "Al", "--film", "Al", "--substrate", "Fe"}, exitUsage, "--film needs --kratios"},
		{[]string{"--kratios", path, "--beam", "15", "--film", "Al", "--substrate", "Fe", "--form", "film"}, exitUsage, "--form belongs"},
		{[]string{"--kratios", path, "--beam", "15", "--film", "Cu", "--substrate", "Fe"}, exitFailed, "none of the 2 k-ratios"},
	} {
		_, errs, code := fleckIn(t, context.Background(), "", append([]string{"quantify"}, tt.args...)...)
		if code != tt.exit || !strings.Contains(errs, tt.want) {
			t.Errorf("%v: exit code %d, %q; want %d and %q", tt.args, code, errs, tt.exit, tt.want)
		}
	}
}
