package main

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"example.org/fleck/spectra/synth"
	"example.org/fleck/spectra/xray"
)

// TestMeasurements: what is wrong with a measurement is named by inspect, fit
// and identify alike, or refused by the latter two.
func TestMeasurements(t *testing.T) {
	dir := t.TempDir()
	good := synth.Noise(shape(200000, map[xray.Element]float64{14: 0.4, 26: 0.3}), rand.New(rand.NewPCG(3, 1)))
	changed := func(f func(v float64, i int) float64) []float64 {
		out := make([]float64, len(good))
		for i, v := range good {
			out[i] = f(v, i)
		}
		return out
	}
	conditions := func(beam, live, real string) string {
		return fmt.Sprintf("#BEAMKV   -kV: %s\n#LIVETIME  -s: %s\n#REALTIME  -s: %s\n", beam, live, real)
	}
	for _, tt := range []struct {
		name       string
		counts     []float64
		conditions string
		kind       string // of the check
		refused    bool   // by fit and identify
	}{
		{"saturated", changed(func(v float64, _ int) float64 { return min(float64(int(40*v)), 65535) }), testConditions, "saturated", false},
		{"flat", changed(func(v float64, _ int) float64 { return min(v, 2000) }), testConditions, "saturated", false},
		{"zero", changed(func(float64, int) float64 { return 0 }), testConditions, "no_counts", true},
		{"one", changed(func(_ float64, i int) float64 {
			if i == 90 {
				return 1
			}
			return 0
		}), testConditions, "few_counts", false},
		{"negative", changed(func(v float64, i int) float64 {
			if i == 40 {
				return -v
			}
			return v
		}), testConditions, "bad_counts", true},
		{"low beam", good, conditions("7.", "100.", "120."), "beam_energy_too_low", false},
		{"beam in eV", good, conditions("0.01", "100.", "120."), "energy_unit", true},
		{"dead time", good, conditions("10.", "34.", "100."), "dead_time", false},
		{"live above real", good, conditions("10.", "120.", "100."), "times_disagree", false},
		{"live is real", good, conditions("10.", "100.", "100."), "no_dead_time", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			file := write(t, filepath.Join(dir, strings.ReplaceAll(tt.name, " ", "")+".msa"), msaText(tt.counts, tt.conditions))
			named := func(args ...string) {
				t.Helper()
				m := answer(t, exitDone, args...)
				if got := fmt.Sprint(m["checks"]); !strings.Contains(got, "kind:"+tt.kind) {
					t.Errorf("fleck %s: checks %v; want %s", args[0], got, tt.kind)
				}
			}
			named("inspect", file)
			for _, args := range [][]string{{"fit", file, "--elements", "Si,Fe"}, {"identify", file, "--elements", "Si,Fe"}} {
				if !tt.refused {
					named(args...)
				} else if out, errs, code := fleck(t, args...); code != exitFailed || errs == "" || out != "" {
					t.Errorf("fleck %s: exit code %d, output %q, messages %q; want a refusal", args[0], code, out, errs)
				}
			}
		})
	}
}

// TestChargingSpectrum: a continuum that ends at 10 keV under a beam of 12 keV.
func TestChargingSpectrum(t *testing.T) {
	counts := append(synth.Noise(shape(200000, nil), rand.New(rand.NewPCG(3, 2))), make([]float64, 300)...)
	text := strings.Replace(msaText(counts, testConditions), "-kV: 10.", "-kV: 12.", 1)
	m := answer(t, exitDone, "inspect", write(t, filepath.Join(t.TempDir(), "charging.msa"), text))
	if got := fmt.Sprint(m["checks"]); !strings.Contains(got, "kind:charging") {
		t.Errorf("checks %v; want charging", got)
	}
}

// TestTruncatedSpectrum: fit and identify say that counts are missing.
func TestTruncatedSpectrum(t *testing.T) {
	text := msaText(shape(50000, map[xray.Element]float64{14: 0.5}), testConditions)
	file := write(t, filepath.Join(t.TempDir(), "cut.msa"), text[:len(text)*2/3])
	for _, args := range [][]string{{"fit", file, "--elements", "Si"}, {"identify", file, "--elements", "Si"}} {
		if _, errs, _ := fleck(t, args...); !strings.Contains(errs, "truncated") {
			t.Errorf("fleck %s: messages %q; want a warning that the file is truncated", args[0], errs)
		}
	}
}

// TestPoorFit: a fit that leaves an element out says that it does not describe
// the spectrum.
func TestPoorFit(t *testing.T) {
	m := answer(t, exitDone, "fit", spectrumFile(t, t.TempDir()), "--elements", "Ti")
	if got := fmt.Sprint(m["checks"]); !strings.Contains(got, "kind:poor_fit") {
		t.Errorf("checks %v; want poor_fit", got)
	}
}

// TestWeakFamilies: intervals and limits are there for every family, above zero
// only where the family is seen.
func TestWeakFamilies(t *testing.T) {
	file := spectrumFile(t, t.TempDir())
	m := answer(t, exitDone, "fit", file, "--elements", "Si,Fe,Ca")
	for _, row := range m["families"].([]any) {
		f := row.(map[string]any)
		low, high, limit := f["interval_low"].(float64), f["interval_high"].(float64), f["upper_limit"].(float64)
		if !(low <= high) || !(limit > 0) || (f["symbol"] == "Ca") != (low == 0) && f["family"] == "K" {
			t.Errorf("%v: interval %g to %g, limit %g", f["symbol"], low, high, limit)
		}
	}
	if out, _, _ := fleck(t, "fit", file, "--elements", "Si,Fe,Ca"); !strings.Contains(out, "95 % limit") {
		t.Errorf("no limit in %q", out)
	}
}
