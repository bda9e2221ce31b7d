package main

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// A silica sphere of 100 nm on aluminium, beam on its middle: k-ratios to bulk silica of
// 0.367 at 5 keV and 0.0410 at 15 keV, by an independent simulation (computed values,
// agreement of two programs within 5 %).
func TestPredictSphere(t *testing.T) {
	m := answer(t, exitDone, "predict", "--material", "SiO2:2.2g/cm3", "--sphere", "100", "--substrate", "Al", "--standard", "SiO2", "--beam", "5,15", "--lines", "Si K,Al K", "--trajectories", "5000")
	has(t, m, head...)
	lines := m["lines"].([]any)
	if len(lines) != 4 {
		t.Fatalf("%d lines, want 4", len(lines))
	}
	for i, want := range map[int]float64{0: 0.367, 2: 0.0410} {
		r := row(t, lines[i])
		has(t, r, "element", "line", "beam_kev", "k_ratio", "k_ratio_error", "z", "a", "f", "photons_per_electron", "counts_per_na_s", "sphere_share")
		k, sigma := r["k_ratio"].(float64), r["k_ratio_error"].(float64)
		if math.Abs(k/want-1) > 0.05+4*sigma/k || r["element"] != "Si" || r["sphere_share"] != 1.0 || !(r["counts_per_na_s"].(float64) > 0) {
			t.Errorf("line %d: %v, want k %g", i, r, want)
		}
	}
}

// A film by transport and by phi(rho z) is much the same.
func TestPredictLayerTransport(t *testing.T) {
	args := []string{"predict", "--material", "Al", "--layer", "SiO2:2.2g/cm3:50nm", "--beam", "15", "--lines", "Si K"}
	a := row(t, answer(t, exitDone, args...)["lines"].([]any)[0])["k_ratio"].(float64)
	b := row(t, answer(t, exitDone, append(args, "--model", "transport", "--trajectories", "20000")...)["lines"].([]any)[0])["k_ratio"].(float64)
	if math.Abs(a/b-1) > 0.08 {
		t.Errorf("k-ratio %g by phi(rho z), %g by transport", a, b)
	}
}

func TestPredictSphereUsage(t *testing.T) {
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"--material", "SiO2", "--sphere", "100", "--substrate", "Al", "--beam", "5"}, "density"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "100", "--substrate", "SiO2", "--beam", "5"}, "density"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "100", "--beam", "5"}, "--sphere needs --substrate"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "0", "--substrate", "Al", "--beam", "5"}, "--sphere 0"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "-3", "--substrate", "Al", "--beam", "5"}, "--sphere -3"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "300", "--pixel", "0.2", "--substrate", "Al", "--beam", "5"}, "larger than the pixel of 200 nm"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--substrate", "Al", "--beam", "5"}, "--substrate is for --sphere"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "100", "--substrate", "Al", "--beam", "0.3"}, "--beam 0.3"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "100", "--substrate", "Al", "--model", "pap", "--beam", "5"}, "--model pap is for flat"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "100", "--substrate", "Al", "--coating", "Au:10nm", "--beam", "5"}, "--coating-order"},
	} {
		out, errs, code := fleck(t, append([]string{"predict"}, tt.args...)...)
		if code != exitUsage || out != "" || !strings.Contains(errs, tt.want) {
			t.Errorf("fleck predict %q: exit code %d, stderr %q; want %d and %q", tt.args, code, errs, exitUsage, tt.want)
		}
	}
}

// A line of an element that is not there is 0 for a reason, and has no factors.
func TestPredictAbsentElement(t *testing.T) {
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"--material", "SiO2"}, "the material holds no Fe"},
		{[]string{"--material", "Al", "--layer", "SiO2:2.2g/cm3:50nm"}, "nothing in the specimen holds Fe"},
		{[]string{"--material", "SiO2:2.2g/cm3", "--sphere", "100", "--substrate", "Al", "--trajectories", "100"}, "nothing in the specimen holds Fe"},
	} {
		m := answer(t, exitDone, append([]string{"predict", "--beam", "15", "--lines", "Fe K,Si K"}, tt.args...)...)
		fe, si := row(t, m["lines"].([]any)[0]), row(t, m["lines"].([]any)[1])
		if fe["k_ratio"] != 0.0 || fe["z"] != nil || !strings.Contains(fmt.Sprint(fe["remarks"]), tt.want) || !strings.Contains(fmt.Sprint(m["warnings"]), "Fe K at 15 keV: "+tt.want) {
			t.Errorf("predict %q: %v, warnings %v; want %q", tt.args, fe, m["warnings"], tt.want)
		}
		if strings.Contains(fmt.Sprint(si["remarks"]), "holds") {
			t.Errorf("predict %q: %v", tt.args, si)
		}
		out, _, _ := fleck(t, append([]string{"predict", "--beam", "15"}, tt.args...)...)
		if s := m["settings"].(map[string]any)["solid_angle_sr"]; s == nil || !strings.Contains(out, "solid angle of 0.012 sr") {
			t.Errorf("predict %q names no solid angle: %v\n%s", tt.args, s, out)
		}
	}
}
