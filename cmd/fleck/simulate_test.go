package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A spectrum of a sphere is written with its truth, and another command reads it.
func TestSimulateSpectrum(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "silica.msa")
	m := answer(t, exitDone, "simulate", "--substrate", "Al", "--target", "SiO2:2.2g/cm3", "--diameter", "300", "--beam", "5", "--dose", "10", "--trajectories", "1000", "--out", out)
	has(t, m, head...)
	has(t, m, "dose_na_s", "counts", "families", "file", "truth_file")
	own := map[string]float64{}
	for _, f := range m["families"].([]any) {
		r := row(t, f)
		own[r["family"].(string)] = r["own_counts"].(float64)
	}
	if !(own["Si K"] > 1000 && own["Al K"] == 0) {
		t.Errorf("counts of the sphere %v", own)
	}
	if _, err := os.Stat(filepath.Join(dir, "silica-truth.json")); err != nil {
		t.Error(err)
	}
	i := answer(t, exitDone, "inspect", out)
	if n, want := i["counts_total"].(float64), m["counts"].(float64); n < 0.95*want || n > 1.05*want || i["beam_kev"] != 5.0 {
		t.Errorf("read back %g counts at %v keV, want about %g at 5", n, i["beam_kev"], want)
	}
}

func TestSimulateUsage(t *testing.T) {
	dir := t.TempDir()
	msa := filepath.Join(dir, "a.msa")
	scene := filepath.Join(dir, "scene.toml")
	if err := os.WriteFile(scene, []byte("fleck_format = 1\nwdith = 3\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		args []string
		want string
		code int
	}{
		{[]string{"--out", msa}, "one scene file, or --substrate", exitUsage},
		{[]string{scene, "--out", filepath.Join(dir, "a.nrrd")}, `line 2: unknown key "wdith"`, exitFailed},
		{[]string{scene, "--beam", "5", "--out", filepath.Join(dir, "a.nrrd")}, "--beam is for one spectrum", exitUsage},
		{[]string{"--substrate", "Al", "--beam", "5", "--dose", "1"}, "--out is missing", exitUsage},
		{[]string{"--substrate", "Al", "--beam", "5", "--dose", "1", "--out", filepath.Join(dir, "a.nrrd")}, ".msa or .csv", exitUsage},
		{[]string{"--substrate", "Al", "--dose", "1", "--out", msa}, "--beam is missing", exitUsage},
		{[]string{"--substrate", "Al", "--beam", "0.2", "--dose", "1", "--out", msa}, "--beam 0.2", exitUsage},
		{[]string{"--substrate", "Al", "--beam", "5", "--out", msa}, "--dose and --counts", exitUsage},
		{[]string{"--substrate", "Al", "--beam", "5", "--dose", "1", "--counts", "5", "--out", msa}, "--dose and --counts", exitUsage},
		{[]string{"--substrate", "SiO2", "--beam", "5", "--dose", "1", "--out", msa}, "density", exitUsage},
		{[]string{"--substrate", "Al", "--target", "SiO2", "--diameter", "100", "--beam", "5", "--dose", "1", "--out", msa}, "density", exitUsage},
		{[]string{"--substrate", "Al", "--target", "SiO2:2.2g/cm3", "--beam", "5", "--dose", "1", "--out", msa}, "--target needs --diameter", exitUsage},
		{[]string{"--substrate", "Al", "--diameter", "100", "--beam", "5", "--dose", "1", "--out", msa}, "--diameter without --target", exitUsage},
		{[]string{"--substrate", "Al", "--target", "SiO2:2.2g/cm3", "--diameter", "-5", "--beam", "5", "--dose", "1", "--out", msa}, "--diameter -5", exitUsage},
		{[]string{"--substrate", "Al", "--target", "SiO2:2.2g/cm3", "--diameter", "600", "--pixel", "0.5", "--beam", "5", "--dose", "1", "--out", msa}, "larger than the pixel of 500 nm", exitUsage},
		{[]string{"--substrate", "Al", "--layer", "SiO2:2.2g/cm3", "--beam", "5", "--dose", "1", "--out", msa}, "no thickness", exitUsage},
		{[]string{"--substrate", "Al", "--layer", "SiO2:2.2g/cm3:-5nm", "--beam", "5", "--dose", "1", "--out", msa}, "-5", exitUsage},
		{[]string{"--substrate", "Al", "--coating", "C:2.0g/cm3:8nm", "--beam", "5", "--dose", "1", "--out", msa}, "--coating-order", exitUsage},
		{[]string{"--substrate", "Xx", "--beam", "5", "--dose", "1", "--out", msa}, "Xx", exitUsage},
	} {
		_, errs, code := fleck(t, append([]string{"simulate"}, tt.args...)...)
		if code != tt.code || !strings.Contains(errs, tt.want) {
			t.Errorf("fleck simulate %q: exit code %d, stderr %q; want %d and %q", tt.args, code, errs, tt.code, tt.want)
		}
	}
}
