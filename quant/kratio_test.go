package quant

import (
	"math"
	"testing"

	"example.org/fleck/spectra/xray"
)

func TestParsePeak(t *testing.T) {
	for in, want := range map[string]string{
		"Si K": "Si K", "Si K-L3": "Si K-L3", "Si Ka1": "Si K-L3", "Si Ka": "Si K-L3", "Au M": "Au M", "Ba La1": "Ba L3-M5", "Fe L": "Fe L",
	} {
		p, err := ParsePeak(in)
		if err != nil {
			t.Errorf("%s: %v", in, err)
			continue
		}
		if p.String() != want {
			t.Errorf("ParsePeak(%q) = %s, want %s", in, p, want)
		}
		if q, err := ParsePeak(p.String()); err != nil || q != p {
			t.Errorf("ParsePeak(%q) = %v, %v, want %v", p.String(), q, err, p)
		}
	}
	for _, in := range []string{"", "Sx K", "Si", "Si Q", "Si K-Z9"} {
		if p, err := ParsePeak(in); err == nil {
			t.Errorf("ParsePeak(%q) = %v without an error", in, p)
		}
	}
}

// FuzzParsePeak: no panic, and what parses prints to something that parses to
// the same.
func FuzzParsePeak(f *testing.F) {
	for _, s := range []string{"Si K", "Si K-L3", "Au Ma", "Ba Lb2,15", "Fe K-L2,3", "", "Si  K", "Zr L"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePeak(s)
		if err != nil {
			return
		}
		q, err := ParsePeak(p.String())
		if err != nil || q != p {
			t.Fatalf("%q parses to %v, whose text parses to %v, %v", s, p, q, err)
		}
	})
}

type counts map[Peak][2]float64

func (c counts) NetCounts(p Peak) (n, sigma float64, ok bool) {
	v, ok := c[p]
	return v[0], v[1], ok
}

// TestRatio: k and its uncertainty by hand: 2000/10000 at doses 4 and 2 is 0.1;
// relative variance 1/2000 + 1/10000.
func TestRatio(t *testing.T) {
	p := Peak{Element: 14}
	k, err := Ratio(p, counts{p: {2000, math.Sqrt(2000)}}, 4, counts{p: {10000, 100}}, 2)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "k", k.Value, 0.1, 1e-15)
	near(t, "σ", k.Sigma, 0.1*math.Sqrt(1.0/2000+1.0/10000), 1e-12)
	if k, err := Ratio(p, counts{p: {0, 3}}, 4, counts{p: {10000, 100}}, 2); err != nil || k.Value != 0 || math.Abs(k.Sigma-3.0/20000) > 1e-15 {
		t.Errorf("no counts: %v, %v", k, err)
	}
	for name, f := range map[string]func() error{
		"specimen": func() error { _, err := Ratio(p, counts{}, 4, counts{p: {1, 1}}, 2); return err },
		"standard": func() error { _, err := Ratio(p, counts{p: {1, 1}}, 4, counts{}, 2); return err },
		"zero":     func() error { _, err := Ratio(p, counts{p: {1, 1}}, 4, counts{p: {0, 1}}, 2); return err },
		"dose":     func() error { _, err := Ratio(p, counts{p: {1, 1}}, 0, counts{p: {1, 1}}, 2); return err },
	} {
		if f() == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestGeometry(t *testing.T) {
	good := Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 35 * xray.Degree}
	if err := good.Validate(); err != nil {
		t.Error(err)
	}
	near(t, "cosecant", good.Cosecant(), 1.7434468, 1e-7) // 1/sin 35 deg
	nan := xray.Energy(math.NaN())
	for _, g := range []Geometry{{}, {BeamEnergy: 15000}, {TakeOff: 1}, {BeamEnergy: nan, TakeOff: 1}, {BeamEnergy: 60000, TakeOff: 1},
		{BeamEnergy: 15000, TakeOff: 2}, {BeamEnergy: 15000, TakeOff: xray.Angle(math.NaN())}, {BeamEnergy: 15000, TakeOff: 1, Tilt: -1}} {
		if g.Validate() == nil {
			t.Errorf("%+v: no error", g)
		}
	}
	near(t, "depth of 10 nm at 2 g/cm³", DepthOf(2, 10e-9).UgPerCm2(), 2, 1e-12)
}
