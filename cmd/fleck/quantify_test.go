package main

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"
)

// TestPredictCommand: 100 nm of silica on aluminium at 5 keV, take-off 35 deg, has k = 0.2191
// of pure Si (computed by an independent program from the same equations), 1 %
// for other tables; bulk silica has factors.
func TestPredictCommand(t *testing.T) {
	m := answer(t, exitDone, "predict", "--material", "Al", "--layer", "SiO2:2.2g/cm3:100nm", "--lines", "Si K", "--beam", "5")
	has(t, m, head...)
	line := row(t, m["lines"].([]any)[0])
	has(t, line, "element", "line", "beam_kev", "k_ratio", "z", "a", "f")
	if k, _ := line["k_ratio"].(float64); math.Abs(k/0.2191-1) > 0.01 || line["z"] != nil || line["element"] != "Si" || line["line"] != "K" {
		t.Errorf("line %v, want k 0.2191 and no factors", line)
	}
	m = answer(t, exitDone, "predict", "--material", "SiO2", "--beam", "5,15", "--standard", "SiO2")
	lines := m["lines"].([]any)
	if len(lines) != 4 {
		t.Fatalf("%d lines, want O K and Si K at two beam energies", len(lines))
	}
	for _, l := range lines {
		r := row(t, l)
		for _, key := range []string{"k_ratio", "z", "a", "f"} {
			if v, _ := r[key].(float64); math.Abs(v-1) > 1e-12 {
				t.Errorf("%s of silica against itself is %v, want 1", key, r[key])
			}
		}
	}
}

func TestQuantifyKRatios(t *testing.T) {
	path := write(t, filepath.Join(t.TempDir(), "k.csv"), "element,line,k_ratio,sigma\nFe,K,0.535,0.003\nNi,K,0.488,0.003\n")
	m := answer(t, exitDone, "quantify", "--kratios", path, "--beam", "15", "--takeoff", "40")
	has(t, m, head...)
	has(t, m, "composition", "total", "model", "refused", "reasons", "remarks", "budget")
	fe := row(t, m["composition"].([]any)[0])
	has(t, fe, "symbol", "mass_fraction", "sigma", "atom_fraction", "k_ratio")
	// Chatterjee, MIT OpenCourseWare 12.141 (2012), problem 4.2: .5013 by PAP.
	if v, _ := fe["mass_fraction"].(float64); math.Abs(v-0.5013) > 0.003 || m["refused"] != false {
		t.Errorf("iron %v, refused %v", fe, m["refused"])
	}
	m = answer(t, exitDone, "quantify", "--kratios", path, "--beam", "15", "--takeoff", "40", "--form", "particle")
	if m["refused"] != true || len(m["reasons"].([]any)) == 0 {
		t.Errorf("a particle: refused %v, reasons %v", m["refused"], m["reasons"])
	}
	if fe := row(t, m["composition"].([]any)[0]); fe["mass_fraction"] != nil || fe["mass_fraction_reason"] != "refused" || fe["k_ratio"] != 0.535 {
		t.Errorf("iron of a refused analysis: %v; want the k-ratio and no mass fraction", fe)
	}
	out, _, code := fleckIn(t, context.Background(), "", "quantify", "--kratios", path, "--beam", "15", "--form", "film")
	if code != exitDone || !strings.Contains(out, "REFUSED") || strings.Contains(out, "atom fraction") {
		t.Errorf("a refusal prints %q, exit code %d", out, code)
	}
}

func TestQuantifySpectrum(t *testing.T) {
	m := answer(t, exitDone, "quantify", spectrumFile(t, t.TempDir()), "--elements", "Si,Fe", "--takeoff", "40")
	has(t, m, head...)
	if m["method"] != "standardless" || m["normalised"] != true || m["total"] != nil || m["total_reason"] == nil {
		t.Errorf("method %v, normalised %v, total %v", m["method"], m["normalised"], m["total"])
	}
	sum := 0.0
	for _, r := range m["composition"].([]any) {
		v, _ := row(t, r)["mass_fraction"].(float64)
		sum += v
	}
	if math.Abs(sum-1) > 1e-9 {
		t.Errorf("mass fractions sum to %.12f, want 1", sum)
	}
}

func TestQuantifyBadInput(t *testing.T) {
	dir := t.TempDir()
	at := func(name, text string) string { return write(t, filepath.Join(dir, name), text) }
	good := spectrumFile(t, t.TempDir())
	k := at("k.csv", "element,line,k_ratio\nFe,K,0.5\n")
	for _, tt := range []struct {
		name string
		args []string
		exit int
		want string
	}{
		{"no elements", []string{"quantify", good}, exitUsage, "--elements is missing"},
		{"no input", []string{"quantify", "--elements", "Si"}, exitUsage, "no file given"},
		{"unknown element", []string{"quantify", good, "--elements", "Si,Xx"}, exitUsage, `"Xx"`},
		{"element without lines", []string{"quantify", good, "--elements", "Si,He"}, exitFailed, "He"},
		{"difference without scale", []string{"quantify", good, "--elements", "Si,Fe", "--oxygen", "difference"}, exitFailed, "by difference"},
		{"missing standard", []string{"quantify", good, "--elements", "Si,Fe", "--standard", "Si=" + good, "--same-current"}, exitFailed, "no standard for Fe L"},
		{"standard without file", []string{"quantify", good, "--elements", "Si", "--standard", "Si"}, exitUsage, "--standard"},
		{"rule", []string{"quantify", good, "--elements", "Si", "--oxygen", "guess"}, exitUsage, "--oxygen"},
		{"form", []string{"quantify", good, "--elements", "Si", "--form", "round"}, exitUsage, "--form"},
		{"model", []string{"quantify", good, "--elements", "Si", "--model", "best"}, exitUsage, "--model"},
		{"valences", []string{"quantify", good, "--elements", "Si", "--valences", "Fe"}, exitUsage, "--valences"},
		{"k-ratios without beam", []string{"quantify", "--kratios", k}, exitUsage, "--beam is missing"},
		{"line above the beam energy", []string{"quantify", "--kratios", k, "--beam", "5"}, exitFailed, "does not excite Fe K"},
		{"take-off 0", []string{"quantify", "--kratios", k, "--beam", "15", "--takeoff", "0"}, exitUsage, "--takeoff 0"},
		{"take-off 90", []string{"quantify", "--kratios", k, "--beam", "15", "--takeoff", "90"}, exitUsage, "--takeoff 90"},
		{"k above 1.5", []string{"quantify", "--kratios", at("high.csv", "element,line,k_ratio\nFe,K,1.6\n"), "--beam", "15"}, exitFailed, "1.6"},
		{"k negative", []string{"quantify", "--kratios", at("low.csv", "element,line,k_ratio\nFe,K,-0.1\n"), "--beam", "15"}, exitFailed, "-0.1"},
		{"k no number", []string{"quantify", "--kratios", at("word.csv", "element,line,k_ratio\nFe,K,much\n"), "--beam", "15"}, exitFailed, "line 2"},
		{"unknown element in a file", []string{"quantify", "--kratios", at("xx.csv", "element,line,k_ratio\nXx,K,0.5\n"), "--beam", "15"}, exitFailed, "line 2"},
		{"standard that does not sum", []string{"quantify", "--kratios", k, "--beam", "15", "--standard", "Fe-60Cr-60Ni"}, exitUsage, "Fe-60Cr-60Ni"},
		{"standard without the element", []string{"quantify", "--kratios", k, "--beam", "15", "--standard", "Cu"}, exitUsage, "serves none"},
		{"same beam energy twice", []string{"quantify", good, "--elements", "Si,Fe", "--second", good}, exitFailed, "another one is needed"},
		{"no material", []string{"predict", "--beam", "15"}, exitUsage, "--material is missing"},
		{"no beam", []string{"predict", "--material", "Si"}, exitUsage, "--beam is missing"},
		{"bad line", []string{"predict", "--material", "Si", "--beam", "15", "--lines", "Si Q"}, exitUsage, "Si Q"},
		{"layer without thickness", []string{"predict", "--material", "Si", "--beam", "15", "--layer", "Al"}, exitUsage, "thickness"},
		{"predict above the beam energy", []string{"predict", "--material", "Fe", "--beam", "5", "--lines", "Fe K"}, exitFailed, "does not excite Fe K"},
		{"predict take-off 0", []string{"predict", "--material", "Fe", "--beam", "15", "--takeoff", "0"}, exitUsage, "--takeoff 0"},
		{"useless standard", []string{"predict", "--material", "Fe", "--beam", "15", "--standard", "Cu"}, exitUsage, "serves none"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, errs, code := fleckIn(t, context.Background(), "", tt.args...)
			if code != tt.exit || !strings.Contains(errs, tt.want) {
				t.Errorf("exit code %d, stderr %q; want %d and %q", code, errs, tt.exit, tt.want)
			}
		})
	}
}
