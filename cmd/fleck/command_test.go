package main

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// has checks that the answer has all keys.
func has(t *testing.T, m map[string]any, keys ...string) {
	t.Helper()
	for _, k := range keys {
		if _, ok := m[k]; !ok {
			t.Errorf("the answer lacks the key %q", k)
		}
	}
}

// head are the keys that every answer carries.
var head = []string{"fleck_format", "command", "version", "platform", "table_checksum", "seed", "settings", "inputs", "warnings"}

func row(t *testing.T, v any) map[string]any {
	t.Helper()
	m, ok := v.(map[string]any)
	if !ok {
		t.Fatalf("%v is no object", v)
	}
	return m
}

func TestInspectSpectrum(t *testing.T) {
	m := answer(t, exitDone, "inspect", spectrumFile(t, t.TempDir()), "--beam", "10.1")
	has(t, m, head...)
	has(t, m, "kind", "points", "energy_first_ev", "energy_step_ev", "counts_total", "live_time_s", "real_time_s", "beam_kev", "deviations")
	for k, want := range map[string]any{"kind": "spectrum", "points": 512.0, "energy_first_ev": 0.0, "energy_step_ev": 20.0, "live_time_s": 100.0, "real_time_s": 120.0, "beam_kev": 10.1} {
		if m[k] != want {
			t.Errorf("%s is %v, want %v", k, m[k], want)
		}
	}
	if m["probe_current_na"] != nil || m["probe_current_na_reason"] == nil {
		t.Errorf("a current that is not stated: %v, reason %v; want null and a reason", m["probe_current_na"], m["probe_current_na_reason"])
	}
	settings := row(t, m["settings"])
	for k, want := range map[string]string{"beam_kev": "flag", "live_time_s": "file"} {
		if got := row(t, settings[k])["origin"]; got != want {
			t.Errorf("origin of %s is %v, want %s", k, got, want)
		}
	}
	in := row(t, m["inputs"].([]any)[0])
	if sum, _ := in["sha256"].(string); len(sum) != 64 {
		t.Errorf("SHA-256 of the input is %q", sum)
	}
}

func TestInspectStandardInput(t *testing.T) {
	data, err := os.ReadFile(spectrumFile(t, t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	out, errs, code := fleckIn(t, context.Background(), string(data), "inspect", "-")
	if code != exitDone || errs != "" || !strings.Contains(out, "channels     512") {
		t.Errorf("inspect -: exit code %d, stderr %q, stdout %q", code, errs, out)
	}
}

func TestInspectCubeAndMap(t *testing.T) {
	dir := t.TempDir()
	m := answer(t, exitDone, "inspect", cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1))
	has(t, m, head...)
	for k, want := range map[string]any{"kind": "cube", "width": 20.0, "height": 16.0, "channels": 512.0, "points": 512.0, "pixel_width_um": 0.5, "beam_kev": 10.0} {
		if m[k] != want {
			t.Errorf("%s is %v, want %v", k, m[k], want)
		}
	}
	m = answer(t, exitDone, "inspect", write(t, filepath.Join(dir, "map.txt"), "1\t2\t3\n4\t5\t6\n"))
	for k, want := range map[string]any{"kind": "map", "width": 3.0, "height": 2.0, "counts_total": 21.0} {
		if m[k] != want {
			t.Errorf("map: %s is %v, want %v", k, m[k], want)
		}
	}
}

func TestLines(t *testing.T) {
	m := answer(t, exitDone, "lines", "Si K-L3")
	lines := m["lines"].([]any)
	if len(lines) != 1 {
		t.Fatalf("%d lines, want 1", len(lines))
	}
	l := row(t, lines[0])
	// Deslattes et al. 2003, Table V: Si K-L3 1739.985 eV.
	if e := l["energy_ev"].(float64); math.Abs(e-1739.985) > 0.05 || l["element"] != "Si" || l["iupac"] != "K-L3" || l["siegbahn"] != "Ka1" {
		t.Errorf("Si K-L3 is %v; want Ka1 at 1739.985 eV within 0.05 eV", l)
	}
	m = answer(t, exitDone, "lines", "--near", "4508", "--fwhm", "60")
	var names []string
	for _, l := range m["lines"].([]any) {
		names = append(names, row(t, l)["element"].(string)+" "+row(t, l)["iupac"].(string))
	}
	all := strings.Join(names, ",")
	if !strings.Contains(all, "Ti K-L3") || !strings.Contains(all, "Ba L3-M5") {
		t.Errorf("lines near 4508 eV: %s; want Ti K-L3 and Ba L3-M5", all)
	}
	m = answer(t, exitDone, "lines", "Ti")
	found := false
	for _, o := range m["overlaps"].([]any) {
		found = found || row(t, o)["with"] == "Ba L3-M5"
	}
	if !found {
		t.Errorf("overlaps of Ti do not name Ba L3-M5: %v", m["overlaps"])
	}
	if m := answer(t, exitDone, "lines", "--near", "1.74"); !strings.Contains(m["warnings"].([]any)[0].(string), "1740") {
		t.Errorf("lines --near 1.74: warnings %v; want a hint at 1740 eV", m["warnings"])
	}
}

func TestIdentifyAndFit(t *testing.T) {
	dir := t.TempDir()
	good := spectrumFile(t, dir)
	m := answer(t, exitDone, "identify", good, "--elements", "B,C,N,O,Na,Mg,Al,Si,P,Ca,Ti,Cr,Mn,Fe,Co,Ta,W")
	has(t, m, head...)
	has(t, m, "artefacts")
	got := map[string]string{}
	for _, e := range m["elements"].([]any) {
		r := row(t, e)
		has(t, r, "symbol", "family", "net_counts", "sigma", "q_value", "status", "lines_seen", "group")
		got[r["symbol"].(string)] = r["status"].(string)
	}
	if got["Si"] != "present" || got["Fe"] != "present" {
		t.Errorf("identified %v; want Si and Fe present", got)
	}
	figure := filepath.Join(dir, "fit.png")
	m = answer(t, exitDone, "fit", good, "--elements", "Si K,Fe K", "--figure", figure)
	has(t, m, "families", "calibration", "deviance", "degrees_of_freedom")
	has(t, row(t, m["calibration"]), "offset_ev", "gain_ev", "fwhm_mn_ev")
	// 200000 counts were made with 0.4 of them in Si K and 0.3 in Fe K; the
	// detector's efficiency is in the shape already.
	for i, want := range []float64{80000, 60000} {
		r := row(t, m["families"].([]any)[i])
		n, sigma := r["net_counts"].(float64), r["sigma"].(float64)
		// Five standard uncertainties, and 2 % for escape peaks and tails that
		// are made within the area but counted apart.
		if math.Abs(n-want) > 5*sigma+0.02*want {
			t.Errorf("%v %v: %.0f ± %.0f counts, want %.0f", r["symbol"], r["family"], n, sigma, want)
		}
	}
	if data, err := os.ReadFile(figure); err != nil || !strings.HasPrefix(string(data), "\x89PNG") {
		t.Errorf("the figure is no PNG: %v", err)
	}
}

func TestMapCube(t *testing.T) {
	dir := t.TempDir()
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	out := filepath.Join(dir, "maps")
	m := answer(t, exitDone, "map", field, "--elements", "Ti,Fe K", "--overlay", "Ti K,Fe K", "--out", out)
	has(t, m, head...)
	rows := m["maps"].([]any)
	r := row(t, rows[0])
	has(t, r, "symbol", "family", "file", "unit", "min", "max")
	if r["symbol"] != "Ti" || r["family"] != "K" || r["unit"] != "counts" || !(r["max"].(float64) > 40) {
		t.Errorf("map of Ti K: %v; want more than 40 counts in the square of 75 expected", r)
	}
	for _, name := range []string{"fleck.json", "result.json", "ti_k.png", "ti_k.tif", "ti_k.npy", "ti_k_sigma.tif", "ti_k_sigma.npy", "fe_k.png", "overlay.png", "status.npy", "sum.msa", "sum.png"} {
		if info, err := os.Stat(filepath.Join(out, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s is missing or empty", name)
		}
	}
	if _, errs, code := fleck(t, "map", field, "--elements", "Ti,Fe K", "--overlay", "Ti K,Cr K", "--out", out+"2"); code != exitUsage || !strings.Contains(errs, "Cr K is not fitted; there are ") {
		t.Errorf("an overlay of what is not fitted: exit code %d, %s", code, errs)
	}
	// Another overlay is another run: an answer of the earlier one would lack it.
	if _, errs, code := fleck(t, "map", field, "--elements", "Ti,Fe K", "--overlay", "Fe K,Ti K", "--out", out); code == exitDone {
		t.Errorf("another --overlay took up the folder of the earlier run: %s", errs)
	}
	// The sum of the map of a strong family is that of the fit of the sum spectrum.
	if mean, sum := r["mean"].(float64), r["sum_fit"].(float64); !(math.Abs(mean/sum-1) < 0.2) {
		t.Errorf("Ti K: mean of the map %g, fit of the sum spectrum %g per pixel; want them within 20 %%", mean, sum)
	}
	// Without --elements they come from the sum spectrum, which is said.
	m = answer(t, exitDone, "map", field, "--low", "4000", "--out", filepath.Join(dir, "auto"))
	if m["identified"] == nil || row(t, row(t, m["settings"])["elements"])["origin"] != "default" {
		t.Errorf("elements identified: %v, setting %v", m["identified"], row(t, m["settings"])["elements"])
	}
}

func TestSpotsAndCompare(t *testing.T) {
	dir := t.TempDir()
	for _, d := range []string{"panel a", "panel b"} {
		if err := os.Mkdir(filepath.Join(dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	field := cubeFile(t, filepath.Join(dir, "panel a", "t.nrrd"), true, 1)
	blank := cubeFile(t, filepath.Join(dir, "panel b", "b.nrrd"), false, 2)
	other := cubeFile(t, filepath.Join(dir, "panel b", "c.nrrd"), false, 3)
	common := []string{"--target", "TiO2:4.23g/cm3", "--substrate", "Fe", "--replicas", "39", "--no-limit"}
	out := filepath.Join(dir, "spots")
	m := answer(t, exitDone, append([]string{"spots", field, "--blank", blank, "--out", out}, common...)...)
	has(t, m, head...)
	has(t, m, "limit")
	// The spectrum that is fitted is that of all fields, and says so.
	sum := answer(t, exitDone, "inspect", filepath.Join(out, "sum.msa"))
	want := answer(t, exitDone, "inspect", field)["counts_total"].(float64) + answer(t, exitDone, "inspect", blank)["counts_total"].(float64)
	if sum["counts_total"] != want || sum["title"] != "sum spectrum of t.nrrd and its blank fields" {
		t.Errorf("sum spectrum %q of %v counts, want that of field and blank, %v counts", sum["title"], sum["counts_total"], want)
	}
	f := row(t, m["field"])
	if f["detected"] != true || !(f["p_value"].(float64) <= 0.05) {
		t.Errorf("field %v; want detected", f)
	}
	spots := m["spots"].([]any)
	if len(spots) != 1 {
		t.Fatalf("%d spots, want the one square: %v", len(spots), spots)
	}
	s := row(t, spots[0])
	has(t, s, "id", "x_px", "y_px", "x_um", "y_um", "area_um2", "diameter_um", "excess_counts", "sigma", "q_value", "verdict", "compound", "beam_kev", "substrate", "coating")
	// The square covers pixels 6 to 8 and 5 to 7.
	if x, y := s["x_px"].(float64), s["y_px"].(float64); math.Abs(x-7) > 0.7 || math.Abs(y-6) > 0.7 {
		t.Errorf("spot at (%.2f, %.2f), want (7, 6)", x, y)
	}
	if l := row(t, m["limit"]); l["excess_counts"] != nil || l["excess_counts_reason"] == nil {
		t.Errorf("limit left out: %v; want null and a reason", l)
	}
	data, err := os.ReadFile(filepath.Join(out, "spots.csv"))
	if err != nil || !strings.HasPrefix(string(data), "# fleck_format: 1\nid,x_px,") {
		t.Errorf("spots.csv: %v, %.60q", err, data)
	}
	m = answer(t, exitDone, append([]string{"spots", other}, common...)...)
	if row(t, m["field"])["detected"] != false {
		t.Errorf("blank field: %v; want nothing detected, with exit code 0", m["field"])
	}
	m = answer(t, exitDone, append([]string{"compare", "--treated", field, "--blank", blank, "--blank", other}, common...)...)
	has(t, m, head...)
	has(t, m, "verdict", "area_fraction")
	has(t, row(t, m["density"]), "treated_per_mm2", "blank_per_mm2", "ratio", "low", "high", "p_value")
	if m["coupons_treated"] != 1.0 || m["coupons_blank"] != 1.0 {
		t.Errorf("coupons %v and %v; the fields of a folder are one coupon", m["coupons_treated"], m["coupons_blank"])
	}
}

// TestStationaryBeam checks that densities count the area really probed: a
// beam of 100 nm in pixels of 0.5 µm covers π/4·(0.1/0.5)² of them.
func TestStationaryBeam(t *testing.T) {
	dir := t.TempDir()
	common := []string{"compare", "--treated", cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1), "--blank", cubeFile(t, filepath.Join(dir, "b.nrrd"), false, 2),
		"--target", "TiO2:4.23g/cm3", "--substrate", "Fe", "--replicas", "39", "--no-limit"}
	raster := answer(t, exitDone, common...)
	still := answer(t, exitDone, append(common, "--beam-mode", "stationary", "--probe", "100")...)
	for name, args := range map[string][]string{"unknown": {"--beam-mode", "unknown", "--probe", "100"}, "not stated": {"--probe", "100"}} {
		m := answer(t, exitDone, append(common, args...)...)
		if got, want := row(t, m["density"])["treated_high"], row(t, still["density"])["treated_high"]; got != want {
			t.Errorf("mode %s: upper end of the density %v; that of a stationary beam is %v", name, got, want)
		}
		if s := fmt.Sprint(m["warnings"]); !strings.Contains(s, "beam mode is unknown") {
			t.Errorf("mode %s: warnings %s", name, s)
		}
	}
	if s := fmt.Sprint(raster["warnings"]); !strings.Contains(s, "a rastered beam, which") || strings.Contains(fmt.Sprint(still["warnings"]), "beam mode") {
		t.Errorf("warnings %s where nothing is stated, %v of a stationary beam", s, still["warnings"])
	}
	if _, errs, code := fleck(t, append(common, "--beam-mode", "unknown")...); code != exitUsage || !strings.Contains(errs, "needs --probe") {
		t.Errorf("unknown mode without a probe: exit code %d, %q", code, errs)
	}
	density := func(m map[string]any) float64 { return row(t, m["density"])["treated_high"].(float64) }
	want := math.Pi / 4 * 0.2 * 0.2
	// 1e-9: rounding of a few operations.
	if got := density(raster) / density(still); !(density(raster) > 0) || math.Abs(got/want-1) > 1e-9 {
		t.Errorf("upper end of the density %g rastered, %g stationary: ratio %g, want %g", density(raster), density(still), got, want)
	}
}

func TestSpotsInCountMap(t *testing.T) {
	var b strings.Builder
	for y := range 24 {
		for x := range 24 {
			n := (x*7 + y*11 + x*y) % 4
			if x >= 10 && x < 13 && y >= 5 && y < 8 {
				n += 60
			}
			if x > 0 {
				b.WriteByte('\t')
			}
			b.WriteByte(byte('0' + n/10))
			b.WriteByte(byte('0' + n%10))
		}
		b.WriteByte('\n')
	}
	path := write(t, filepath.Join(t.TempDir(), "map.txt"), b.String())
	m := answer(t, exitDone, "spots", path, "--no-limit", "--replicas", "39", "--pixel", "2", "--target", "SiO2")
	spots := m["spots"].([]any)
	if len(spots) != 1 || row(t, spots[0])["verdict"] != "cannot_tell" {
		t.Fatalf("spots %v; want one that cannot be named", spots)
	}
	if x := row(t, spots[0])["x_px"].(float64); math.Abs(x-11) > 0.5 {
		t.Errorf("spot at x = %.2f px, want 11", x)
	}
	// Without a spectrum nothing was weighed: neither figure nor table say "cannot tell".
	dir := filepath.Join(t.TempDir(), "out")
	text, _, _ := fleck(t, "spots", path, "--no-limit", "--replicas", "39", "--pixel", "2", "--out", dir)
	figure, err := os.ReadFile(filepath.Join(dir, "spots_figure.png"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(figure, []byte(`spots with verdict "no verdict": 1`)) || bytes.Contains(figure, []byte("cannot tell")) {
		t.Error("the figure does not count one spot without verdict")
	}
	if !strings.Contains(text, "no verdict") || strings.Contains(text, "cannot_tell") {
		t.Errorf("the table does not say that the spot has no verdict:\n%s", text)
	}
	if e := errorOf(t, answer(t, exitUsage, "spots", path, "--blank", path)); e["code"] != codeUsage {
		t.Errorf("count map with --blank: %v", e)
	}
}

func TestConvert(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	good := spectrumFile(t, dir)
	field := cubeFile(t, at("t.nrrd"), true, 1)
	describe := []string{"--energy-first", "0", "--energy-step", "20", "--beam", "10", "--pixel", "0.5", "--live-time", "60", "--takeoff", "35"}
	steps := []struct {
		in, out string
		more    []string
	}{
		{good, "s.csv", nil}, {at("s.csv"), "s2.msa", nil}, {field, "sum.msa", nil},
		{field, "c.npy", nil}, {at("c.npy"), "c2.nrrd", append(describe, "--encoding", "gzip")},
		{field, "c.raw", nil}, {at("c.nhdr"), "c3.npy", nil},
		{at("c.raw"), "h.nhdr", append(describe, "--shape", "16,20,512", "--type", "u16", "--endian", "little")}, {at("h.nhdr"), "c4.npy", nil},
		{write(t, at("m.txt"), "1 2 3\n4 5 6\n"), "m.tif", nil}, {at("m.tif"), "m.npy", nil}, {at("m.npy"), "m.nrrd", nil},
	}
	for _, s := range steps {
		answer(t, exitDone, append([]string{"convert", s.in, at(s.out), "--quiet"}, s.more...)...)
	}
	same := func(a, b string, keys ...string) {
		t.Helper()
		x, y := answer(t, exitDone, "inspect", a), answer(t, exitDone, "inspect", b)
		for _, k := range keys {
			if x[k] != y[k] {
				t.Errorf("%s: %v in %s, %v in %s", k, x[k], filepath.Base(a), y[k], filepath.Base(b))
			}
		}
	}
	same(good, at("s2.msa"), "points", "energy_first_ev", "energy_step_ev", "counts_total", "live_time_s", "beam_kev")
	same(field, at("c2.nrrd"), "width", "height", "channels", "counts_total", "beam_kev", "pixel_width_um", "energy_step_ev")
	same(field, at("sum.msa"), "points", "counts_total", "beam_kev", "live_time_s")
	for _, other := range []string{"c3.npy", "c4.npy"} {
		a, errA := os.ReadFile(at("c.npy"))
		b, errB := os.ReadFile(at(other))
		if errA != nil || errB != nil || string(a) != string(b) {
			t.Errorf("c.npy and %s differ", other)
		}
	}
	if m := answer(t, exitDone, "inspect", at("m.npy")); m["kind"] != "map" || m["counts_total"] != 21.0 {
		t.Errorf("map after three conversions: %v with %v counts, want 21", m["kind"], m["counts_total"])
	}
}

func TestSimulate(t *testing.T) {
	dir := t.TempDir()
	text, _, code := fleck(t, "simulate", "--print-demo")
	if code != exitDone || !strings.Contains(text, "fleck_format") {
		t.Fatalf("simulate --print-demo: exit code %d, %.80q", code, text)
	}
	text = strings.NewReplacer("width = 128", "width = 8", "height = 128", "height = 8", "channels = 1024", "channels = 256", "gain_ev = 15.0", "gain_ev = 60.0").Replace(text)
	scene := write(t, filepath.Join(dir, "scene.toml"), text)
	out := filepath.Join(dir, "t1.nrrd")
	m := answer(t, exitDone, "simulate", scene, "--field", "T1", "--out", out, "--seed", "7")
	has(t, m, head...)
	f := row(t, m["fields"].([]any)[0])
	if f["seed"] != 7.0 || len(f["spots"].([]any)) == 0 {
		t.Errorf("field %v; want seed 7 and planted particles", f["seed"])
	}
	if _, err := os.Stat(filepath.Join(dir, "t1-truth.json")); err != nil {
		t.Error("the truth file is missing")
	}
	if m := answer(t, exitDone, "inspect", out); m["width"] != 8.0 {
		t.Errorf("the simulated cube is %v pixels wide, want 8", m["width"])
	}
	if e := errorOf(t, answer(t, exitUsage, "simulate", scene, "--field", "T11", "--out", filepath.Join(dir, "x.nrrd"))); !strings.Contains(e["message"].(string), "did you mean T1?") {
		t.Errorf("unknown field: %v", e["message"])
	}
}

func TestRealData(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	dir := os.Getenv("FLECK_REAL_DATA")
	if dir == "" {
		t.Skip("FLECK_REAL_DATA is not set")
	}
	files, err := filepath.Glob(filepath.Join(dir, "sem-metals", "*.emsa"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no spectra in %s", dir)
	}
	for _, f := range files {
		// All of them are smoothed. One was recorded at a dead time of 59 %, with 3 %
		// of sums; the continuum of a carbon film at 5 keV ends before the beam
		// energy.
		want := 1 + map[string]int{"GaAs_15kV.emsa": 2, "Cu_05kV.emsa": 1}[filepath.Base(f)]
		if m := answer(t, exitDone, "inspect", f); m["points"] != 2048.0 || len(m["warnings"].([]any)) != want {
			t.Errorf("%s: %v points, warnings %v", filepath.Base(f), m["points"], m["warnings"])
		}
	}
	for name, want := range map[string][]string{"GaAs_15kV.emsa": {"Ga", "As"}, "Mo_15kV.emsa": {"Mo"}, "Si_05kV.emsa": {"Si"}} {
		m := answer(t, exitDone, "identify", filepath.Join(dir, "sem-metals", name))
		var got []string
		for _, e := range m["elements"].([]any) {
			got = append(got, row(t, e)["symbol"].(string))
		}
		for _, w := range want {
			if !strings.Contains(","+strings.Join(got, ",")+",", ","+w+",") {
				t.Errorf("%s: identified %v, want %s among them", name, got, w)
			}
		}
	}
}
