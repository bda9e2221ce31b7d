package main

import (
	"bytes"
	"context"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

const phaseChannels = 840

var (
	phaseScale = spectra.Calibration{OffsetEV: -200, GainEV: 20}
	phaseBeam  = spectra.Conditions{BeamEnergy: 15 * xray.KeV, TakeOff: 40 * xray.Degree}
)

// The halves of the field: enstatite with iron, and anorthite.
const (
	leftPhase  = "Mg0.8Fe0.2SiO3:3.4g/cm3"
	rightPhase = "CaAl2Si2O8:2.7g/cm3"
)

// phasesFile writes a field of 24×10 pixels of two minerals and one empty corner.
func phasesFile(t *testing.T, path string) string {
	t.Helper()
	h := cube.Header{Width: 24, Height: 10, Channels: phaseChannels, Type: cube.U16, Calibration: phaseScale, CalibrationKnown: true,
		Pixel: maps.Pixel{X: 2 * maps.Micrometre, Y: 2 * maps.Micrometre}, Conditions: phaseBeam}
	h.Conditions.LiveTimeS, h.Conditions.ProbeCurrentNA = 240, 1
	m, err := cube.NewMemory(h)
	if err != nil {
		t.Fatal(err)
	}
	left, right := specimenCounts(t, leftPhase, phaseScale, phaseChannels, phaseBeam, 1), specimenCounts(t, rightPhase, phaseScale, phaseChannels, phaseBeam, 1)
	rng := rand.New(rand.NewPCG(4, 2))
	for y := range h.Height {
		for x := range h.Width {
			mu := left
			if x >= 12 {
				mu = right
			}
			if x == 0 && y == 0 {
				continue
			}
			for c, v := range mu {
				m.Data[(y*h.Width+x)*phaseChannels+c] = synth.Poisson(rng, v)
			}
		}
	}
	rows, err := m.Rows()
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := cube.WriteNRRD(&b, h, rows, cube.Raw); err != nil {
		t.Fatal(err)
	}
	return write(t, path, b.String())
}

// standardFile writes the noiseless spectrum of a standard.
func standardFile(t *testing.T, path, material string) string {
	t.Helper()
	return specimenFile(t, path, material, phaseBeam.BeamEnergy, phaseBeam.TakeOff, 100, 100)
}

// halves returns the mean of a map's left and right half, without the columns
// that hold the empty corner or the border.
func halves(t *testing.T, path string) (left, right float64) {
	t.Helper()
	m, err := cube.ReadMap(os.DirFS(filepath.Dir(path)), filepath.Base(path), cube.MapOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for y := range m.H {
		for x := 1; x < 11; x++ {
			left += m.At(x, y) / float64(10*m.H)
			right += m.At(x+12, y) / float64(10*m.H)
		}
	}
	return left, right
}

// TestMapComposition: the mineral of each half comes back as its formula, 0.015
// of a mass fraction: counting is ten times below, fit and computed intensities
// leave 1 % of each element. With standards the total of a pixel is 1.
func TestMapComposition(t *testing.T) {
	if testing.Short() {
		t.Skip("fits 240 pixels three times")
	}
	dir := t.TempDir()
	field := phasesFile(t, filepath.Join(dir, "rock.nrrd"))
	at := func(name string) string { return filepath.Join(dir, name) }
	run := func(out string, more ...string) map[string]any {
		return answer(t, exitDone, append([]string{"map", field, "--elements", "Mg,Al,Si,Ca,Fe", "--composition", "--oxygen", "stoichiometry", "--out", at(out)}, more...)...)
	}
	minerals := [2]xray.Material{}
	for i, s := range []string{leftPhase, rightPhase} {
		m, err := xray.ParseMaterial(s)
		if err != nil {
			t.Fatal(err)
		}
		minerals[i] = m
	}
	check := func(out string, m map[string]any, method string) {
		c := row(t, m["composition"])
		if c["method"] != method || c["refused"] != false {
			t.Fatalf("%s: method %v, refused %v %v", out, c["method"], c["refused"], c["reasons"])
		}
		for _, x := range c["maps"].([]any) {
			r := row(t, x)
			has(t, r, "symbol", "line", "file", "png", "npy", "sigma_file", "sigma_npy", "unit", "min", "max", "mean", "of_sum")
			z, err := xray.ParseElement(r["symbol"].(string))
			if err != nil {
				t.Fatal(err)
			}
			left, right := halves(t, filepath.Join(at(out), r["npy"].(string)))
			for i, got := range []float64{left, right} {
				if want := minerals[i].Fraction(z); math.Abs(got-want) > 0.015 {
					t.Errorf("%s: %s of phase %d is %.4f, want %.4f", out, z, i, got, want)
				}
			}
		}
		flags := c["flags"].([]any)
		if n := row(t, flags[1])["pixels"]; n != 1.0 {
			t.Errorf("%s: %v pixels without counts, want the corner", out, n)
		}
		if n := row(t, flags[0])["pixels"].(float64); n < 230 {
			t.Errorf("%s: %g of 240 pixels are ok", out, n)
		}
	}
	check("standardless", run("standardless"), "standardless")
	m := run("standards", "--standard", "MgO="+standardFile(t, at("mgo.msa"), "MgO:3.6g/cm3"), "--standard", "Al2O3="+standardFile(t, at("al2o3.msa"), "Al2O3:4g/cm3"),
		"--standard", "SiO2="+standardFile(t, at("sio2.msa"), "SiO2:2.6g/cm3"), "--standard", "CaSiO3="+standardFile(t, at("casio3.msa"), "CaSiO3:2.9g/cm3"), "--standard", "Fe="+standardFile(t, at("fe.msa"), "Fe"))
	check("standards", m, "standards")
	left, right := halves(t, at("standards/total.npy"))
	if math.Abs(left-1) > 0.02 || math.Abs(right-1) > 0.02 {
		t.Errorf("totals %.4f and %.4f, want 1", left, right)
	}
	// Wrong dose: the sum's total is off, so that no map is made; the counts stay.
	m = answer(t, exitDone, "map", field, "--elements", "Mg,Al,Si,Ca,Fe,O", "--composition", "--out", at("dose"), "--dose", "500",
		"--standard", "Mg0.8Fe0.2SiO3="+standardFile(t, at("en.msa"), leftPhase), "--standard", "CaAl2Si2O8="+standardFile(t, at("an.msa"), rightPhase))
	if c := row(t, m["composition"]); c["refused"] != true || len(c["reasons"].([]any)) == 0 || c["maps"] != nil || len(m["maps"].([]any)) == 0 {
		t.Errorf("twice the dose: %v", c)
	}
}

// TestMapCompositionFlags: flags that make no sense together are wrong usage.
func TestMapCompositionFlags(t *testing.T) {
	dir := t.TempDir()
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	out := filepath.Join(dir, "out")
	for _, tt := range []struct {
		name string
		args []string
		exit int
		want string
	}{
		{"no elements", []string{"--composition"}, exitUsage, "--composition needs --elements"},
		{"oxygen alone", []string{"--elements", "Fe", "--oxygen", "stoichiometry"}, exitUsage, "--oxygen belongs to --composition"},
		{"standard alone", []string{"--elements", "Fe", "--standard", "Fe=fe.msa"}, exitUsage, "--standard belongs to --composition"},
		{"standard not found", []string{"--elements", "Fe", "--composition", "--standard", "Fe=" + filepath.Join(dir, "no.msa")}, exitFailed, "no.msa"},
		{"calibrate and standard", []string{"--elements", "Fe", "--composition", "--standard", "Fe=" + standardFile(t, filepath.Join(dir, "fe.msa"), "Fe"), "--calibrate", "Fe=" + filepath.Join(dir, "fe.msa")}, exitUsage, "exclude each other"},
		{"take-off 90", []string{"--elements", "Fe", "--composition", "--takeoff", "90"}, exitFailed, "take-off angle 90 deg"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, errs, code := fleckIn(t, context.Background(), "", append([]string{"map", field, "--out", out}, tt.args...)...)
			if code != tt.exit || !strings.Contains(errs, tt.want) {
				t.Errorf("exit code %d, stderr %q; want %d and %q", code, errs, tt.exit, tt.want)
			}
			if _, err := os.Stat(out); err == nil {
				t.Error("a folder was made")
			}
		})
	}
}
