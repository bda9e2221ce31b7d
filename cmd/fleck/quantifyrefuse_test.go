package main

import (
	"bytes"
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
	"example.org/fleck/spectra/xray"
)

// specimenCounts is the expected spectrum of layers on a substrate, top first and
// separated by "|", at a dose in nA s: lines and continuum of package matrix
// through the default detector.
func specimenCounts(t *testing.T, stack string, scale spectra.Calibration, channels int, c spectra.Conditions, dose float64) []float64 {
	t.Helper()
	var all []xray.Material
	for part := range strings.SplitSeq(stack, "|") {
		m, err := xray.ParseMaterial(part)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, m)
	}
	layers, sub := all[:len(all)-1], all[len(all)-1]
	counts := make([]float64, channels)
	d := spectra.DefaultDetector()
	g := quant.Geometry{BeamEnergy: c.BeamEnergy, TakeOff: c.TakeOff}
	per, err := matrix.Layered(layers, sub, g, matrix.Options{})
	if err != nil {
		t.Fatal(err)
	}
	photons := dose / 1.602176634e-10 * d.SolidAngleSr / (4 * math.Pi)
	for _, l := range per {
		for _, e := range l {
			d.AddLine(counts, scale, e.Line.Energy, photons*e.PhotonsPerElectron*d.Efficiency(e.Line.Energy))
		}
	}
	step := xray.Energy(scale.GainEV)
	var energies []xray.Energy
	for e := 50 + step/2; e < c.BeamEnergy; e += step {
		energies = append(energies, e)
	}
	continuum, err := matrix.Continuum(layers, sub, g, energies)
	if err != nil {
		t.Fatal(err)
	}
	for i, e := range energies {
		d.AddPeak(counts, scale, e, float64(step)*photons*continuum[i]*d.Efficiency(e))
	}
	return counts
}

// specimenFile writes the spectrum of specimenCounts, rounded, at a dose in nA s
// that may differ from the one stated.
func specimenFile(t *testing.T, path, stack string, beam xray.Energy, takeOff xray.Angle, dose, stated float64) string {
	t.Helper()
	s := spectra.Spectrum{
		Calibration: spectra.Calibration{OffsetEV: -200, GainEV: 10},
		Conditions:  spectra.Conditions{BeamEnergy: beam, TakeOff: takeOff, LiveTimeS: stated, RealTimeS: stated, ProbeCurrentNA: 1},
	}
	s.Counts = specimenCounts(t, stack, s.Calibration, int(beam/10)*11/10+40, s.Conditions, dose)
	for i, v := range s.Counts {
		s.Counts[i] = math.Round(v)
	}
	var b bytes.Buffer
	if err := msa.Write(&b, msa.FromSpectrum(s), msa.WriteOptions{}); err != nil {
		t.Fatal(err)
	}
	return write(t, path, b.String())
}

// TestRefusals: every rule that refuses or remarks, from the command line.
func TestRefusals(t *testing.T) {
	dir := t.TempDir()
	at := func(name, text string) string { return write(t, filepath.Join(dir, name), text) }
	k := func(name, rows string) string { return at(name, "element,line,k_ratio,sigma\n"+rows) }
	spectrum := func(name, stack string, beam float64, dose float64) string {
		return specimenFile(t, filepath.Join(dir, name), stack, xray.Energy(beam)*xray.KeV, 40*xray.Degree, dose, 60)
	}
	feNi := k("feni.csv", "Fe,K,0.535,0.003\nNi,K,0.488,0.003\n")
	silica := k("sio2.csv", "Si,K,0.400,0.002\nO,K,0.24,0.005\n")
	film5, film15 := spectrum("f5.msa", "SiO2:2.2g/cm3:100nm|Al", 5, 60), spectrum("f15.msa", "SiO2:2.2g/cm3:100nm|Al", 15, 60)
	bulk10, bulk20 := spectrum("b10.msa", "Al2SiO5:3.1g/cm3", 10, 60), spectrum("b20.msa", "Al2SiO5:3.1g/cm3", 20, 60)
	covered := spectrum("cov.msa", "TiO2:4.23g/cm3:400nm|Fe", 15, 60)
	steel := spectrum("steel.msa", "Fe-18Cr-8Ni", 20, 60)
	cr, fe, ni := spectrum("cr.msa", "Cr", 20, 60), spectrum("fe.msa", "Fe", 20, 60), spectrum("ni.msa", "Ni", 20, 60)
	drifted, beam19 := spectrum("fe2.msa", "Fe", 20, 60*1.03), spectrum("fe19.msa", "Fe", 19, 60)
	standards := []string{"--elements", "Cr,Fe,Ni", "--standard", "Cr=" + cr, "--standard", "Ni=" + ni}
	kratios := func(file, beam string, more ...string) []string {
		return append([]string{"--kratios", file, "--beam", beam, "--takeoff", "40"}, more...)
	}
	for _, tt := range []struct {
		name    string
		args    []string
		refused bool
		want    string // in reasons when refused, else in remarks
	}{
		{"flat bulk", kratios(feNi, "15"), false, "conditions of ISO 22309"},
		{"particle stated", kratios(feNi, "15", "--form", "particle"), true, "stated to be a particle"},
		{"particle by size", kratios(silica, "15", "--extent", "0.5", "--density", "2.2"), true, "the object measures 0.5 µm, but 99 %"},
		{"large grain by size", kratios(silica, "15", "--extent", "20", "--density", "2.2"), false, "conditions of ISO 22309"},
		{"total too low", kratios(k("low.csv", "Fe,K,0.40,0.003\nNi,K,0.30,0.003\n"), "15"), true, "analytical total is 0.68"},
		{"total a little high", kratios(k("high.csv", "Fe,K,0.565,0.003\nNi,K,0.515,0.003\n"), "15"), false, "outside 0.95 to 1.05"},
		{"overvoltage below 1.3", kratios(feNi, "10"), true, "Ni K has an overvoltage of 1.20"},
		{"overvoltage below 1.5", kratios(k("fe.csv", "Fe,K,1.0,0.003\n"), "10"), false, "below 1.5"},
		{"oxygen measured", kratios(silica, "15"), false, "O K measured directly"},
		{"carbon measured", kratios(k("sic.csv", "Si,K,0.62,0.002\nC,K,0.05,0.005\n"), "10"), false, "carbon also comes from contamination"},
		{"oxygen by stoichiometry", kratios(k("si.csv", "Si,K,0.400,0.002\n"), "15", "--oxygen", "stoichiometry"), false, "hydroxyl"},
		{"oxygen by difference", kratios(k("si2.csv", "Si,K,0.400,0.002\n"), "15", "--oxygen", "difference"), false, "no analytical total"},
		{"film at two beam energies", []string{film15, "--elements", "O,Al,Si", "--second", film5}, true, "no uniform bulk"},
		// 100 nm of silica on aluminium, computed with PAP: k of Si .0227 at 15 keV and
		// .2191 at 5 keV, of Al .93 and .53.
		{"film by k-ratios", kratios(k("f15.csv", "Si,K,0.0227,0.0005\nAl,K,0.93,0.005\n"), "15", "--second", k("f5.csv", "Si,K,0.2191,0.002\nAl,K,0.53,0.004\n"), "--second-beam", "5"), true, "no uniform bulk"},
		{"bulk by k-ratios", kratios(feNi, "15", "--second", k("feni20.csv", "Fe,K,0.537,0.003\nNi,K,0.484,0.003\n"), "--second-beam", "20"), false, "conditions of ISO 22309"},
		{"bulk at two beam energies", []string{bulk10, "--elements", "Al,Si", "--oxygen", "stoichiometry", "--second", bulk20}, false, "standardless"},
		{"cover seen by two families", []string{covered, "--elements", "O,Ti,Fe"}, true, "Fe L over Fe K"},
		{"element missing", []string{steel, "--elements", "Fe,Ni"}, true, "belong to no line fitted"},
		{"element missing is named", []string{steel, "--elements", "Fe,Ni"}, true, "Cr K at 5415 eV"},
		{"standards", append([]string{steel, "--standard", "Fe=" + fe}, standards...), false, "conditions of ISO 22309"},
		{"standard drifted", append([]string{steel, "--standard", "Fe=" + fe, "--standard", "Fe=" + drifted}, standards...), false, "current or detector drifted"},
		{"standard at another beam energy", append([]string{steel, "--standard", "Fe=" + beam19}, standards...), true, "measured at 19 keV, the specimen at 20 keV"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m := answer(t, exitDone, append([]string{"quantify"}, tt.args...)...)
			key := "remarks"
			if tt.refused {
				key = "reasons"
			}
			var text strings.Builder
			for _, s := range m[key].([]any) {
				text.WriteString(s.(string) + "\n")
			}
			if m["refused"] != tt.refused || !strings.Contains(text.String(), tt.want) {
				t.Errorf("refused %v, %s:\n%s\nwant refused %v and %q; reasons %v", m["refused"], key, text.String(), tt.refused, tt.want, m["reasons"])
			}
		})
	}
	// Which standard, and when it was measured.
	data, err := os.ReadFile(fe)
	if err != nil {
		t.Fatal(err)
	}
	dated := at("dated.msa", strings.Replace(strings.Replace(string(data), "#DATE        : ", "#DATE        : 01-JUN-2026", 1), "#TIME        : ", "#TIME        : 10:30", 1))
	m := answer(t, exitDone, append([]string{"quantify", steel, "--standard", "Fe=" + dated}, standards...)...)
	for _, x := range m["composition"].([]any) {
		if r := row(t, x); r["symbol"] == "Fe" && r["standard"] != "Fe, 2026-06-01 10:30" {
			t.Errorf("standard of Fe: %v", r["standard"])
		}
	}
	for _, args := range [][]string{{"--extent", "1"}, {"--density", "2"}, {"--extent", "-1", "--density", "2"}} {
		_, errs, code := fleckIn(t, context.Background(), "", append([]string{"quantify"}, kratios(feNi, "15", args...)...)...)
		if code != exitUsage || !strings.Contains(errs, "--extent") {
			t.Errorf("%v: exit code %d, %q", args, code, errs)
		}
	}
}
