package main

import (
	"math"
	"strings"
	"testing"
)

func TestParseDetector(t *testing.T) {
	d, err := parseDetector([]byte(`{"fleck_format": 1, "name": "test", "fwhm_mn_ev": 125, "window": ["Al:40nm"], "loss_fraction": 0}`))
	if err != nil {
		t.Fatal(err)
	}
	// 1e-6 eV: the width comes back through a square root and a square.
	if got := d.WithDefaults().FWHM(mnK); math.Abs(got-125) > 1e-6 {
		t.Errorf("FWHM at Mn K-L3 is %g eV, want 125", got)
	}
	if len(d.Window) != 1 || d.LossFraction >= 0 {
		t.Errorf("window %v, loss fraction %g; want one layer and no loss", d.Window, d.LossFraction)
	}
	for _, tt := range []struct{ text, want string }{
		{`{"fwhm_mn_ev": 20}`, "is needed"},
		{`{"fwhm_mn_ev": 130, "noise_ev": 50}`, "say the same"},
		{`{"window": ["Al"]}`, "no thickness"},
		{`{"window": ["Xx:40nm"]}`, "window layer 1"},
		{`{"grid_open": 2}`, "0.01 to 1"},
		{"{\n\"grid\": 1}", "line 2"},
		{`{"fleck_format": 2}`, "reads up to 1"},
		{`{} {}`, "after the closing brace"},
		{``, "EOF"},
	} {
		if _, err := parseDetector([]byte(tt.text)); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("parseDetector(%q): error %v; want %q", tt.text, err, tt.want)
		}
	}
}

func FuzzParseDetector(f *testing.F) {
	for _, s := range []string{`{}`, `{"fwhm_mn_ev": 129, "window": ["C22H10N2O5:1.42g/cm3:300nm", "Al:40nm"], "grid_open": 0.77}`, `{"noise_ev": 1e400}`, "{\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := parseDetector(data)
		if err != nil {
			return
		}
		if w := d.WithDefaults().FWHM(mnK); !(w > 0) || math.IsInf(w, 0) {
			t.Errorf("a detector that was accepted has a resolution of %g eV", w)
		}
	})
}
