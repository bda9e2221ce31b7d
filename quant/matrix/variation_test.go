package matrix

import (
	"math"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// TestVariations: with the specimen as its own standard no input matters; with
// pure standards the attenuation of O K by Si moves O in silica by the derivative
// of f(χ), and Ni in steel is hardly touched by attenuation.
func TestVariations(t *testing.T) {
	silica := parse(t, "SiO2")
	pks := []quant.Peak{{Element: 8}, {Element: 14}}
	g := geometry(10, 40)
	c, err := quant.CompositionOf(silica)
	if err != nil {
		t.Fatal(err)
	}
	for _, own := range []bool{true, false} {
		opt := Options{}
		if own {
			for _, p := range pks {
				opt.Standards = append(opt.Standards, quant.Standard{Peak: p, Material: silica})
			}
		}
		p, err := NewPredictor(pks, nil, g, opt)
		if err != nil {
			t.Fatal(err)
		}
		s, err := quant.NewSolver(p, quant.SolveOptions{})
		if err != nil {
			t.Fatal(err)
		}
		ks := ratios(t, p, c, 1e-3)
		r, err := s.Solve(ks)
		if err != nil || r.Status != quant.Converged {
			t.Fatal(r, err)
		}
		vs, err := Variations(pks, nil, g, opt, Uncertainty{})
		if err != nil {
			t.Fatal(err)
		}
		if len(vs) != 4+2*2 {
			t.Errorf("%d variations, want beam, take-off, model, electrons and four of attenuation", len(vs))
		}
		b, err := s.Budget(r, ks, vs)
		if err != nil {
			t.Fatal(err)
		}
		for _, term := range b.Terms {
			t.Logf("own standard %v: %-40s O %+.5f Si %+.5f", own, term.Name, term.Change[0], term.Change[1])
			if own && term.Name != "counting" && (math.Abs(term.Change[0]) > 1e-6 || math.Abs(term.Change[1]) > 1e-6) {
				t.Errorf("own standard: %s moves the result by %v", term.Name, term.Change)
			}
		}
		if !own {
			term, share, _ := b.Largest(8)
			t.Logf("largest for O: %s, %.0f %% of the variance; O ± %.4f", term.Name, 100*share, b.Composition.Sigma(8))
			if term.Name != "attenuation of O K in Si, 12 %" && term.Name != "attenuation of O K in O, 12 %" {
				t.Errorf("largest term of O is %q; attenuation was expected", term.Name)
			}
		}
	}
	// Nothing but the beam energy left in.
	vs, err := Variations(pks, nil, g, Options{Model: ModelZAF}, Uncertainty{TakeOff: -1, Attenuation: -1, Electrons: -1})
	if err != nil || len(vs) != 1 {
		t.Errorf("%d variations, %v; want one", len(vs), err)
	}
	coat := parse(t, "C:2.0g/cm3:10nm")
	vs, err = Variations(pks, nil, g, Options{Coat: coat, StandardCoat: coat}, Uncertainty{TakeOff: -1, Attenuation: -1, Electrons: -1, BeamEnergy: -1})
	if err != nil || len(vs) != 3 {
		t.Errorf("%d variations, %v; want two coats and the model", len(vs), err)
	}
	if _, err := Variations(pks, nil, quant.Geometry{}, Options{}, Uncertainty{}); err == nil {
		t.Error("no geometry: no error")
	}
	// Cu in Al, 50 mass %, mean atomic number 21 against 29 of the standard: k moves
	// by 5 % of ln(21/29).
	cu := []quant.Peak{{Element: 29}}
	vs, err = Variations(cu, []xray.Element{13}, geometry(20, 40), Options{}, Uncertainty{TakeOff: -1, Attenuation: -1, BeamEnergy: -1})
	if err != nil || len(vs) != 2 {
		t.Fatalf("%d variations, %v; want the model and electrons", len(vs), err)
	}
	base, err := NewPredictor(cu, []xray.Element{13}, geometry(20, 40), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var f, moved [1]float64
	alloy := compositionOf(t, "Al:0.5|Cu:0.5")
	if err := base.Factors(f[:], alloy); err != nil {
		t.Fatal(err)
	}
	if err := vs[1].Model.Factors(moved[:], alloy); err != nil {
		t.Fatal(err)
	}
	closeTo(t, "change by electrons", moved[0]/f[0], 1+0.05*math.Log(21.0/29), 1e-12)
	near := AttenuationUncertainty(525)
	if near != 0.12 || AttenuationUncertainty(277) != 0.25 || AttenuationUncertainty(1740) != 0.05 || AttenuationUncertainty(6404*xray.EV) != 0.02 {
		t.Error("steps of AttenuationUncertainty")
	}
}
