package main

import (
	"math"
	"path/filepath"
	"testing"
)

// Fields of one place that lie 4 and −3 px apart: the offset is found from the spots,
// and all that both fields hold are joined.
func TestOtherBeamOffset(t *testing.T) {
	places := [][2]int{{5, 6}, {12, 25}, {19, 11}, {33, 8}, {26, 20}, {35, 24}, {9, 16}, {22, 27}}
	at := func(dx, dy int) func(x, y int) bool {
		return func(x, y int) bool {
			for _, p := range places {
				if a, b := x+dx-p[0], y+dy-p[1]; a >= -1 && a <= 1 && b >= -1 && b <= 1 {
					return true
				}
			}
			return false
		}
	}
	dir := t.TempDir()
	field := fieldFile(t, filepath.Join(dir, "ten.nrrd"), 40, 32, at(0, 0), 1)
	other := altered(t, fieldFile(t, filepath.Join(dir, "moved.nrrd"), 40, 32, at(4, -3), 2), "twelve.nrrd", "1e+01 keV", "12 keV")
	common := []string{"--target", "TiO2:4.23g/cm3", "--substrate", "Fe:7.87g/cm3", "--replicas", "39", "--no-limit"}
	m := answer(t, exitDone, append([]string{"spots", field, "--other-beam", other}, common...)...)
	o := row(t, m["other_beam"])
	off := row(t, o["offset"])
	if x, y := off["x_px"].(float64), off["y_px"].(float64); math.Abs(x-4) > .5 || math.Abs(y+3) > .5 || !(off["sigma_x_px"].(float64) > 0) {
		t.Errorf("offset %v, want (4, −3) px", off)
	}
	if off["common_spots"].(float64) < 7 || o["joined"].(float64) < 7 || off["from"] == "registered" || off["x_um"].(float64) != .5*off["x_px"].(float64) {
		t.Errorf("%v: eight spots lie in both fields", o)
	}
	// Taken as registered, the shifted spots have no partner.
	m = answer(t, exitDone, append([]string{"spots", field, "--other-beam", other, "--registered"}, common...)...)
	if o = row(t, m["other_beam"]); o["joined"] != 0.0 || row(t, o["offset"])["from"] != "registered" {
		t.Errorf("registered: %v", o)
	}
}
