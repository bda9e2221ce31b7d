package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// fleck runs the program within the test.
func fleck(t *testing.T, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	return fleckIn(t, context.Background(), "", args...)
}

func fleckIn(t *testing.T, ctx context.Context, stdin string, args ...string) (stdout, stderr string, code int) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(ctx, append([]string{"fleck"}, args...), strings.NewReader(stdin), &out, &errs)
	return out.String(), errs.String(), code
}

// answer runs the program with --json and returns the answer; the exit code must
// be as wanted.
func answer(t *testing.T, code int, args ...string) map[string]any {
	t.Helper()
	out, errs, got := fleck(t, append(args, "--json")...)
	if got != code {
		t.Fatalf("fleck %v: exit code %d, want %d\nstderr: %s", args, got, code, errs)
	}
	var m map[string]any
	if err := json.Unmarshal([]byte(out), &m); err != nil {
		t.Fatalf("fleck %v: standard output is not one JSON object: %v\n%s", args, err, out)
	}
	return m
}

// errorOf returns the error of an answer.
func errorOf(t *testing.T, m map[string]any) map[string]any {
	t.Helper()
	e, ok := m["error"].(map[string]any)
	if !ok {
		t.Fatalf("answer has no error: %v", m)
	}
	for _, key := range []string{"code", "message", "file", "line"} {
		if _, ok := e[key]; !ok {
			t.Errorf("error lacks the key %q: %v", key, e)
		}
	}
	return e
}

func write(t *testing.T, path, text string) string {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// testScale is the energy axis of the files that the tests make.
var testScale = spectra.Calibration{OffsetEV: 0, GainEV: 20}

const testChannels = 512

// shape returns the expected counts of a spectrum: K lines of the elements on a
// falling continuum, total about n.
func shape(n float64, lines map[xray.Element]float64) []float64 {
	det := spectra.DefaultDetector()
	out := make([]float64, testChannels)
	cont := make([]float64, testChannels)
	for i := range cont {
		if e := float64(testScale.Energy(float64(i))); e > 100 && e < 10000 {
			cont[i] = (10000 - e) / e
		}
	}
	synth.AddContinuum(out, det, testScale, cont)
	sum := 0.0
	for _, v := range out {
		sum += v
	}
	for i := range out {
		out[i] *= 0.3 * n / sum
	}
	for z := xray.Element(1); z <= xray.MaxElement; z++ {
		share, ok := lines[z]
		if !ok {
			continue
		}
		part := make([]float64, testChannels)
		var ls []synth.Line
		for _, w := range xray.FamilyWeights(z, xray.FamilyK, 10*xray.KeV) {
			ls = append(ls, synth.Line{Energy: w.Line.Energy, Photons: w.Weight})
		}
		synth.AddLines(part, det, testScale, ls)
		sum := 0.0
		for _, v := range part {
			sum += v
		}
		for i, v := range part {
			out[i] += share * n * v / sum
		}
	}
	return out
}

// msaText is a spectrum file of counts.
func msaText(counts []float64, extra string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "#FORMAT      : EMSA/MAS Spectral Data File\n#VERSION     : 1.0\n#TITLE       : made for a test\n#NPOINTS     : %d.\n#NCOLUMNS    : 1.\n#XUNITS      : eV\n#YUNITS      : counts\n#DATATYPE    : Y\n#XPERCHAN    : 20.\n#OFFSET      : 0.\n%s#SPECTRUM    : Spectral data follow\n", len(counts), extra)
	for _, v := range counts {
		fmt.Fprintf(&b, "%g,\n", v)
	}
	b.WriteString("#ENDOFDATA   : end\n")
	return b.String()
}

const testConditions = "#BEAMKV   -kV: 10.\n#LIVETIME  -s: 100.\n#REALTIME  -s: 120.\n#ELEVANGLE-dg: 35.\n"

// spectrumFile writes a noisy spectrum of silicon and iron.
func spectrumFile(t *testing.T, dir string) string {
	t.Helper()
	mu := shape(200000, map[xray.Element]float64{14: 0.4, 26: 0.3})
	rng := rand.New(rand.NewPCG(1, 1))
	return write(t, filepath.Join(dir, "sife.msa"), msaText(synth.Noise(mu, rng), testConditions))
}

// cubeFile writes a cube of iron with a square of titanium in it.
func cubeFile(t *testing.T, path string, titanium bool, seed uint64) string {
	t.Helper()
	return fieldFile(t, path, 20, 16, func(x, y int) bool { return titanium && x >= 6 && x < 9 && y >= 5 && y < 8 }, seed)
}

// fieldFile writes a cube of iron with titania in the given pixels.
func fieldFile(t *testing.T, path string, width, height int, titania func(x, y int) bool, seed uint64) string {
	t.Helper()
	h := cube.Header{Width: width, Height: height, Channels: testChannels, Type: cube.U16, Calibration: testScale, CalibrationKnown: true,
		Pixel:      maps.Pixel{X: 0.5 * maps.Micrometre, Y: 0.5 * maps.Micrometre},
		Conditions: spectra.Conditions{BeamEnergy: 10 * xray.KeV, TakeOff: 35 * xray.Degree, LiveTimeS: 60}}
	m, err := cube.NewMemory(h)
	if err != nil {
		t.Fatal(err)
	}
	iron := shape(150, map[xray.Element]float64{26: 0.5})
	spot := shape(150, map[xray.Element]float64{8: 0.15, 22: 0.5})
	rng := rand.New(rand.NewPCG(seed, 2))
	for y := range h.Height {
		for x := range h.Width {
			mu := iron
			if titania(x, y) {
				mu = spot
			}
			for c, v := range mu {
				m.Data[(y*h.Width+x)*testChannels+c] = synth.Poisson(rng, v)
			}
		}
	}
	var b bytes.Buffer
	rows, err := m.Rows()
	if err != nil {
		t.Fatal(err)
	}
	if err := cube.WriteNRRD(&b, h, rows, cube.Raw); err != nil {
		t.Fatal(err)
	}
	return write(t, path, b.String())
}

// leftovers lists files that should not be there after a failure.
func leftovers(t *testing.T, dir string) []string {
	t.Helper()
	var out []string
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && strings.Contains(d.Name(), "partial") {
			out = append(out, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestUsage(t *testing.T) {
	dir := t.TempDir()
	good := spectrumFile(t, dir)
	tests := []struct {
		args []string
		want string // in standard error
		code int
	}{
		{[]string{"inspct", good}, "did you mean inspect?", exitUsage},
		{[]string{"--jsno", "inspect", good}, "did you mean --json?", exitUsage},
		{[]string{"inspect", "--beem", "15", good}, "fleck inspect: unknown flag --beem; did you mean --beam?\nSee: fleck inspect --help", exitUsage},
		{[]string{"inspect"}, "no file given", exitUsage},
		{[]string{"inspect", good, good}, "2 files given", exitUsage},
		{[]string{"convert", good}, "1 file given", exitUsage},
		{[]string{"inspect", good, "--beam"}, "--beam needs a value", exitUsage},
		{[]string{"inspect", good, "--beam", "--json"}, "found the flag --json", exitUsage},
		{[]string{"inspect", good, "--beam", "15", "--beam", "20"}, "given twice", exitUsage},
		{[]string{"inspect", good, "--beam", "15000"}, "did you mean 15?", exitUsage},
		{[]string{"inspect", good, "--beam", "15keV"}, "the number alone", exitUsage},
		{[]string{"inspect", good, "--takeoff", "100"}, "a number from 0.1 to 90", exitUsage},
		{[]string{"inspect", good, "--workers", "x"}, "whole number", exitUsage},
		{[]string{"inspect", good, "--json=maybe"}, "takes no value", exitUsage},
		{[]string{"inspect", good, "--pixel", "0"}, "sides from 0.0001 to 1000 µm are accepted", exitUsage},
		{[]string{"inspect", good, "--energy-step", "10"}, "belong together", exitUsage},
		{[]string{"fit", good}, "--elements is missing", exitUsage},
		{[]string{"fit", good, "--elements", "Al,Sx"}, `no element with the symbol "Sx"; did you mean S`, exitUsage},
		{[]string{"fit", good, "--elements", "iron"}, "did you mean Fe?", exitUsage},
		{[]string{"fit", good, "--elements", "al"}, "did you mean Al?", exitUsage},
		{[]string{"fit", good, "--elements", "Al,,Si"}, "empty entry", exitUsage},
		{[]string{"fit", good, "--elements", "Fe Q"}, "family K, L or M", exitUsage},
		{[]string{"fit", good, "--elements", "Fe", "--figure", "x.jpg"}, ".png or .svg", exitUsage},
		{[]string{"fit", good, "--elements", "Fe", "--low", "900", "--high", "800"}, "range is empty", exitUsage},
		{[]string{"fit", good, "--elements", "Fe", "--figure", "x.png", "--log", "--linear"}, "not both", exitUsage},
		{[]string{"fit", good, "--elements", "Fe", "--log"}, "for --figure", exitUsage},
		{[]string{"predict", "--material", "SiO2:2.2g/cm3:100nm", "--beam", "5"}, "states a thickness", exitUsage},
		{[]string{"predict", "--material", "SiO2", "--beam", "5", "--layer", "C:8nm"}, "states no density", exitUsage},
		{[]string{"predict", "--material", "SiO2", "--beam", "5", "--layer", "C:2.0g/cm3"}, "states no thickness", exitUsage},
		{[]string{"plan", "--target", "CeO2:7.2g/cm3", "--substrate", "Al", "--beam", "5,15000"}, "did you mean 15?", exitUsage},
		{[]string{"predict", "--material", "SiO2:2.2g/cm3", "--substrate", "Al", "--beam", "5", "--sphere", "3um"}, "in nm", exitUsage},
		{[]string{"lines", "Titan"}, "did you mean Ti?", exitUsage},
		{[]string{"lines"}, "no element given", exitUsage},
		{[]string{"lines", "Si,Al"}, "blanks between", exitUsage},
		{[]string{"lines", "Si L-K"}, "K-L3", exitUsage},
		{[]string{"lines", "Si", "--near", "1740"}, "not both", exitUsage},
		{[]string{"map", good}, "--out is missing", exitUsage},
		{[]string{"map", good, "--overlay", "Ti K", "--out", "x"}, "two or three are accepted", exitUsage},
		{[]string{"map", good, "--overlay", "Ti K,Ti K", "--out", "x"}, "Ti K twice", exitUsage},
		{[]string{"map", good, "--overlay", "Ti K,Tj K", "--out", "x"}, "Tj", exitUsage},
		{[]string{"spots", good + "x"}, "no such file", exitFailed},
		{[]string{"compare", good}, "every cube follows --treated or --blank", exitUsage},
		{[]string{"compare"}, "at least one --treated", exitUsage},
		{[]string{"convert", good}, "expected IN and OUT", exitUsage},
		{[]string{"convert", good, "x.doc"}, "does not end in", exitUsage},
		{[]string{"simulate", good}, "--out is missing", exitUsage},
		{[]string{"demo"}, "--out is missing", exitUsage},
		{[]string{"study", good}, "--out is missing", exitUsage},
		{[]string{"completion", "tcsh"}, "bash, zsh and fish", exitUsage},
		{[]string{"help", "codess"}, "did you mean codes?", exitUsage},
	}
	for _, tt := range tests {
		t.Run(strings.Join(tt.args[:min(2, len(tt.args))], " "), func(t *testing.T) {
			out, errs, code := fleck(t, tt.args...)
			if code != tt.code || !strings.Contains(errs, tt.want) {
				t.Errorf("fleck %q: exit code %d, stderr %q; want %d and %q", tt.args, code, errs, tt.code, tt.want)
			}
			if out != "" && !slices.Contains(tt.args, "--json") {
				t.Errorf("fleck %q: standard output %q; want nothing", tt.args, out)
			}
		})
	}
}

func TestHelp(t *testing.T) {
	e := &env{stdout: io.Discard, stderr: io.Discard}
	for _, c := range commands(e) {
		for _, args := range [][]string{{c.Name, "--help"}, {"help", c.Name}, {c.Name, "-h", "--quiet"}, {c.Name, "file", "--help"}} {
			out, errs, code := fleck(t, args...)
			if c.Name == "help" {
				if code != exitDone || !strings.Contains(out, "Commands:") {
					t.Errorf("fleck %q: exit code %d, stdout %.200q", args, code, out)
				}
				continue
			}
			if code != exitDone || errs != "" || !strings.HasPrefix(out, "fleck "+c.Name+": ") || !strings.Contains(out, "Usage: fleck "+c.Name) {
				t.Errorf("fleck %q: exit code %d, stderr %q, stdout %.200q", args, code, errs, out)
			}
			if !strings.Contains(out, "Example") {
				t.Errorf("fleck %q shows no example", args)
			}
		}
		for _, name := range []string{"json", "quiet", "workers", "seed", "force"} {
			if findFlag(c.Flags, name) == nil {
				t.Errorf("command %s lacks the flag --%s", c.Name, name)
			}
		}
	}
	out, _, code := fleck(t)
	if code != exitDone || !strings.Contains(out, "Commands:") {
		t.Errorf("fleck without arguments: exit code %d, %q", code, out)
	}
	out, _, _ = fleck(t, "help", "codes")
	for _, f := range failureCodes {
		if !strings.Contains(out, f.code) {
			t.Errorf("fleck help codes does not list %s", f.code)
		}
	}
	for _, topic := range []string{"materials", "detector", "cubes"} {
		if out, _, code := fleck(t, "help", topic); code != exitDone || len(out) < 200 {
			t.Errorf("fleck help %s: exit code %d, %d bytes", topic, code, len(out))
		}
	}
	for _, shell := range []string{"bash", "zsh", "fish"} {
		if out, _, code := fleck(t, "completion", shell); code != exitDone || !strings.Contains(out, "identify") || !strings.Contains(out, "elements") {
			t.Errorf("fleck completion %s: exit code %d, %.100q", shell, code, out)
		}
	}
}

// studyText is a study of the two cubes t.nrrd and b.nrrd.
const studyText = `fleck_format = 1
title = "test"
target = "TiO2:4.23g/cm3"
substrate = "Fe"
bootstrap = 39
limit = false

[[field]]
name = "T1"
coupon = "A"
role = "treated"
cube = "t.nrrd"

[[field]]
name = "B1"
coupon = "B"
role = "untreated"
cube = "b.nrrd"
`

// TestArgumentOrder runs every command with flags before, between and after
// the files; the answers must be the same.
func TestArgumentOrder(t *testing.T) {
	dir := t.TempDir()
	good := spectrumFile(t, dir)
	field := cubeFile(t, filepath.Join(dir, "t.nrrd"), true, 1)
	blank := cubeFile(t, filepath.Join(dir, "b.nrrd"), false, 2)
	search := []string{"--target", "TiO2:4.23g/cm3", "--substrate", "Fe", "--no-limit", "--replicas", "39"}
	with := func(parts ...[]string) (out []string) {
		for _, p := range parts {
			out = append(out, p...)
		}
		return out
	}
	study := write(t, filepath.Join(dir, "study.toml"), studyText)
	tests := []struct {
		command string
		flags   []string
		files   []string
	}{
		{"study", []string{"--out", "OUT", "--workers", "2"}, []string{study}},
		{"demo", []string{"--out", field}, nil},
		{"inspect", []string{"--beam", "12"}, []string{good}},
		{"lines", []string{"--beam", "12", "--fwhm=100"}, []string{"Ti", "Ba L"}},
		{"identify", []string{"--elements", "Si,Fe,Al", "--q", "0.01"}, []string{good}},
		{"fit", []string{"--elements", "Si,Fe"}, []string{good}},
		{"map", []string{"--elements", "Ti,Fe", "--out", "OUT"}, []string{field}},
		{"spots", with(search, []string{"--blank", blank}), []string{field}},
		{"compare", with(search, []string{"--treated", field, "--blank", blank}), nil},
		{"simulate", []string{"--print-demo"}, nil},
		{"convert", []string{"--energy-first", "5", "--energy-step", "10"}, []string{good, "OUT.csv"}},
	}
	for _, tt := range tests {
		t.Run(tt.command, func(t *testing.T) {
			n := 0
			place := func(args []string) []string {
				n++
				out := make([]string, len(args))
				for i, a := range args {
					out[i] = a
					if strings.HasPrefix(a, "OUT") {
						out[i] = filepath.Join(dir, fmt.Sprintf("%s%d%s", tt.command, n, strings.TrimPrefix(a, "OUT")))
					}
				}
				return out
			}
			var first string
			mid := min(1, len(tt.files))
			for _, args := range [][]string{
				with([]string{"--json", tt.command}, tt.flags, []string{"--quiet"}, tt.files),
				with([]string{tt.command}, tt.files, tt.flags, []string{"--quiet", "--json"}),
				with([]string{tt.command, "--quiet"}, tt.files[:mid], tt.flags, tt.files[mid:], []string{"--json"}),
			} {
				out, errs, code := fleck(t, place(args)...)
				if tt.command == "demo" { // takes a minute; the order is right when it sees --out
					if code != exitFailed || !strings.Contains(out, codeNotWritable) {
						t.Errorf("fleck %q: exit code %d, stdout %q; want %s", args, code, out, codeNotWritable)
					}
					continue
				}
				if code != exitDone || errs != "" {
					t.Fatalf("fleck %q: exit code %d, stderr %q", args, code, errs)
				}
				out = strings.ReplaceAll(out, fmt.Sprintf("%s%d", tt.command, n), "OUT")
				if first == "" {
					first = out
				} else if out != first {
					t.Errorf("fleck %q gives another answer:\n%s\nthan before:\n%s", args, out, first)
				}
			}
		})
	}
}
