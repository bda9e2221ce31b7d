package main

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
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

// TestSimulateFrames: a scene that drifts is written as frames, which are read each and
// as their sum, and the halves of them show what was put in; without --frames, or with
// one, the cube has no frames.
func TestSimulateFrames(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	text := strings.NewReplacer("width = 128", "width = 32", "height = 128", "height = 32", "channels = 1024", "channels = 512", "gain_ev = 15.0", "gain_ev = 30.0",
		"number = 40", "number = 5", "shading = 0.1", "trajectories = 200\ncurrent_drift = 0.1\ndrift_um = [0.3, -0.2]").Replace(demoScene(t))
	scene := write(t, at("scene.toml"), text)
	simulate := func(out string, args ...string) {
		t.Helper()
		answer(t, exitDone, append([]string{"simulate", scene, "--seed", "7", "--out", at(out)}, args...)...)
	}
	simulate("frames.nrrd", "--field", "T1", "--frames", "6")
	simulate("array.npy", "--field", "T1", "--frames", "6")
	simulate("once.nrrd", "--field", "T1")
	simulate("one.nrrd", "--field", "T1", "--frames", "1")
	simulate("blank.nrrd", "--field", "B1")

	one, errA := os.ReadFile(at("one.nrrd"))
	once, errB := os.ReadFile(at("once.nrrd"))
	if errA != nil || errB != nil || string(one) != string(once) {
		t.Error("--frames 1 writes another cube than none")
	}
	total := 0.
	for k := range 6 {
		total += answer(t, exitDone, "inspect", at("frames.nrrd"), "--frames", strconv.Itoa(k))["counts_total"].(float64)
	}
	plain := answer(t, exitDone, "inspect", at("once.nrrd"))
	for _, name := range []string{"frames.nrrd", "array.npy"} {
		m := answer(t, exitDone, "inspect", at(name), "--axes", "f,y,x,c")
		n, want := m["counts_total"].(float64), plain["counts_total"].(float64)
		if m["frames"] != 6.0 || n != total || math.Abs(n-want) > 5*math.Sqrt(2*want) { // both are Poisson
			t.Errorf("%s: %v frames of %v counts together, %v in the sum, %v in a single scan", name, m["frames"], total, n, want)
		}
	}
	if plain["frames"] != 1.0 {
		t.Errorf("%v frames without --frames", plain["frames"])
	}

	halves := func(name string) map[string]any {
		t.Helper()
		m := answer(t, exitDone, "spots", at(name), "--blank", at("blank.nrrd"), "--target", "TiO2:4.23g/cm3", "--substrate", "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3",
			"--coating", "C:2.0g/cm3:8nm", "--coating-order", "over", "--replicas", "39", "--no-limit")
		return row(t, m["stability"])
	}
	s := halves("frames.nrrd")
	sigma := s["drift_sigma_px"].(float64)
	// The middles of the halves lie half of the whole time apart: 1 px and −2/3 px.
	dx, dy := s["drift_x_px"].(float64), s["drift_y_px"].(float64)
	if s["drifted"] != true || math.Abs(dx-1) > 5*sigma || math.Abs(dy+2./3) > 5*sigma {
		t.Errorf("drifted %v, by (%g, %g) ± %g px, want (1, −0.67)", s["drifted"], dx, dy, sigma)
	}
	d := row(t, s["dose"])
	if ratio := d["second"].(float64) / d["first"].(float64); d["changed"] != true || math.Abs(ratio-1.025/0.975) > 5*d["sigma"].(float64)/d["first"].(float64) {
		t.Errorf("dose of the halves %v, want a ratio of %.3f", d, 1.025/0.975)
	}

	// The middles of the halves lie at a quarter and at three quarters of the time.
	write(t, scene, strings.Replace(text, "current_drift = 0.1\ndrift_um = [0.3, -0.2]", "target_loss = 0.6\ncarbon_growth = 0.04", 1))
	simulate("damage.nrrd", "--field", "T1", "--frames", "6")
	s = halves("damage.nrrd")
	if s["drifted"] != false {
		t.Errorf("a drift of (%v, %v) ± %v px, none was put in", s["drift_x_px"], s["drift_y_px"], s["drift_sigma_px"])
	}
	change := func(key string) (first, second, sigma float64) {
		c := row(t, s[key])
		if c["changed"] != true {
			t.Errorf("no change of %s: %v", key, c)
		}
		return c["first"].(float64), c["second"].(float64), c["sigma"].(float64)
	}
	if a, b, sigma := change("carbon"); math.Abs(b-a-0.02) > 5*sigma {
		t.Errorf("carbon grew by %g ± %g of the counts between the halves, want 0.02", b-a, sigma)
	}
	if a, b, sigma := change("target"); math.Abs(b-a*0.55/0.85) > 5*sigma {
		t.Errorf("target %g, then %g ± %g counts, want %g", a, b, sigma, a*0.55/0.85)
	}
}

// demoScene is the text of the scene that the program carries.
func demoScene(t *testing.T) string {
	t.Helper()
	text, errs, code := fleck(t, "simulate", "--print-demo")
	if code != exitDone {
		t.Fatalf("simulate --print-demo: exit code %d, %s", code, errs)
	}
	return text
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
		{[]string{"--substrate", "Al", "--beam", "5", "--dose", "1", "--frames", "2", "--out", msa}, "--frames is for a scene", exitUsage},
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
