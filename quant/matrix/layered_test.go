package matrix

import (
	"math"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
	"pgregory.net/rapid"
)

// byLine sums emissions over layers.
func byLine(layers [][]Emission) map[string]float64 {
	out := map[string]float64{}
	for _, l := range layers {
		for _, e := range l {
			out[e.Line.String()] += e.PhotonsPerElectron
		}
	}
	return out
}

func same(t *testing.T, what string, got, want map[string]float64, rel float64) {
	t.Helper()
	for k, w := range want {
		if w > 1e-12 && !(math.Abs(got[k]-w) <= rel*w) {
			t.Errorf("%s: %s %.8g, want %.8g", what, k, got[k], w)
		}
	}
	for k, g := range got {
		if want[k] == 0 && g > 1e-15 {
			t.Errorf("%s: %s %.8g, want none", what, k, g)
		}
	}
}

// TestLayeredLimits: no film leaves the bare substrate, a very thick one is its
// own bulk, a film of the substrate's material changes nothing, a film cut in
// two is the same film, with fluorescence everywhere.
func TestLayeredLimits(t *testing.T) {
	steel, brass := parse(t, "Fe-18Cr-10Ni"), parse(t, "Cu-30Zn")
	film := func(m xray.Material, depth float64) xray.Material { m.MassDepth = depth; return m }
	for _, beam := range []float64{5, 15, 30} {
		g := geometry(beam, 35)
		layered := func(sub xray.Material, layers ...xray.Material) map[string]float64 {
			e, err := Layered(layers, sub, g, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(e) != len(layers)+1 {
				t.Fatalf("%d lists for %d layers", len(e), len(layers))
			}
			return byLine(e)
		}
		bulk := func(m xray.Material) map[string]float64 {
			e, err := Bulk(m, g, Options{})
			if err != nil {
				t.Fatal(err)
			}
			return byLine([][]Emission{e})
		}
		same(t, "no film", layered(steel, film(brass, 0)), bulk(steel), 1e-12)
		// Fluorescence reaches beyond the electrons: 10 g/cm² stops it.
		same(t, "thick film", layered(steel, film(brass, 10)), bulk(brass), 1e-6)
		// The quadrature over directions between layers is good to 2e-3 of γ.
		same(t, "steel on steel", layered(steel, film(steel, 1e-4)), bulk(steel), 2e-4)
		same(t, "film in two", layered(steel, film(brass, 4e-5), film(brass, 6e-5)), layered(steel, film(brass, 1e-4)), 2e-4)
		same(t, "invisible film between", layered(steel, film(brass, 1e-4), film(parse(t, "Au"), 0)), layered(steel, film(brass, 1e-4)), 1e-9)
	}
}

// TestLayeredFinite: random stacks give finite intensities ≥ 0, below a tenth of
// a photon per electron, which no line reaches.
func TestLayeredFinite(t *testing.T) {
	names := []string{"C", "Al", "SiO2", "TiO2", "Fe-18Cr-10Ni", "Cu", "BaSO4", "Ag", "Au", "CeO2"}
	rapid.Check(t, func(t *rapid.T) {
		var layers []xray.Material
		for range rapid.IntRange(0, 4).Draw(t, "layers") {
			m, err := xray.ParseMaterial(rapid.SampledFrom(names).Draw(t, "layer"))
			if err != nil {
				t.Fatal(err)
			}
			m.MassDepth = math.Exp(rapid.Float64Range(math.Log(1e-9), math.Log(1e-2)).Draw(t, "ln depth"))
			layers = append(layers, m)
		}
		sub, err := xray.ParseMaterial(rapid.SampledFrom(names).Draw(t, "substrate"))
		if err != nil {
			t.Fatal(err)
		}
		g := geometry(rapid.Float64Range(1, 30).Draw(t, "beam"), rapid.Float64Range(5, 90).Draw(t, "take-off"))
		e, err := Layered(layers, sub, g, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i, l := range e {
			for _, x := range l {
				if !(x.PhotonsPerElectron >= 0 && x.PhotonsPerElectron < 0.1) {
					t.Fatalf("layer %d %s: %g photons per electron", i, x.Line, x.PhotonsPerElectron)
				}
			}
		}
	})
}

// TestThinFilm: in a thin film the intensity is that of the isolated layer times
// φ(0) of the substrate, C N_A/A σ p φ(0) ρt.
func TestThinFilm(t *testing.T) {
	film := xray.Pure(aluminium)
	film.MassDepth = 1e-9
	g := geometry(15, 40)
	e, err := Layered([]xray.Material{film}, xray.Pure(79), g, Options{Fluorescence: NoFluorescence})
	if err != nil {
		t.Fatal(err)
	}
	got := 0.0
	for _, x := range e[0] {
		if x.Line.Initial == xray.K {
			got += x.PhotonsPerElectron
		}
	}
	gold := newTarget([]constituent{{79, xray.Element(79).AtomicWeight(), 1}})
	edge, _ := aluminium.Edge(xray.K)
	al := newTarget([]constituent{{13, aluminium.AtomicWeight(), 1}})
	shape := al.shape(aluminium, sublevel{level: level{13, edge.KeV(), exponentK(13)}, shell: xray.K, cross: xray.IonisationCrossSection(aluminium, xray.K, 15000)}, 15)
	want := avogadro / aluminium.AtomicWeight() * xray.ProductionCrossSection(aluminium, xray.FamilyK, 15000) * gold.surface(level{edge: edge.KeV()}, 15) * 1e-9 * shape
	closeTo(t, "Al K of 1 ng/cm² on Au", got, want, 1e-4)
}

// TestAbsoluteYield compares K photons per electron and steradian of bulk Al and
// Si at psi 35 deg with a Monte Carlo simulation of the same lines (single
// scattering, Browning cross sections, Joy & Luo stopping, Casnati ionisation;
// 1e5 electrons). The two share cross section and yield but neither stopping nor
// backscatter; PAP stops electrons less below 5 keV, hence the wider limit there.
func TestAbsoluteYield(t *testing.T) {
	for _, r := range []struct {
		z    xray.Element
		beam float64
		want float64
		rel  float64
	}{
		{14, 5, 5.0e-5, 0.17}, {14, 10, 2.11e-4, 0.11}, {14, 15, 3.93e-4, 0.08}, {14, 20, 5.66e-4, 0.06}, {14, 30, 8.23e-4, 0.05},
		{13, 5, 6.3e-5, 0.17}, {13, 10, 2.35e-4, 0.11}, {13, 15, 4.20e-4, 0.08}, {13, 20, 5.84e-4, 0.06}, {13, 30, 8.07e-4, 0.05},
	} {
		e, err := Bulk(xray.Pure(r.z), geometry(r.beam, 35), Options{})
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, x := range e {
			if x.Line.Initial == xray.K {
				sum += x.PhotonsPerElectron / (4 * math.Pi)
			}
		}
		t.Logf("%s K %g keV: %.3g per electron and sr, simulated %.3g, ratio %.3f", r.z, r.beam, sum, r.want, sum/r.want)
		closeTo(t, r.z.Symbol()+" K per sr", sum, r.want, r.rel)
	}
}

// TestContinuum: hand value of the formula with the f(χ) of a simulation, the
// step at the edge of the substrate, and the limits of layers.
func TestContinuum(t *testing.T) {
	al := xray.Pure(aluminium)
	// Al at psi 35 deg, 1.740 keV: f(χ) of the continuum .88/.63/.41/.26 at
	// 5/10/15/20 keV (simulated) and K·Z·(E0−E)/E.
	for _, r := range []struct{ beam, f float64 }{{5, .88}, {10, .63}, {15, .41}, {20, .26}} {
		got, err := Continuum(nil, al, geometry(r.beam, 35), []xray.Energy{1740})
		if err != nil {
			t.Fatal(err)
		}
		made := Kramers * 13 * (r.beam - 1.74) / 1.74
		t.Logf("%g keV: f(χ) %.3f, simulated %.2f", r.beam, got[0]/made, r.f)
		closeTo(t, "continuum of Al", got[0], made*r.f, 0.05)
	}
	g := geometry(15, 35)
	e := []xray.Energy{1550, 1570, 14999, 15000, 20000}
	n, err := Continuum(nil, al, g, e)
	if err != nil {
		t.Fatal(err)
	}
	if !(n[1] < 0.6*n[0]) || n[3] != 0 || n[4] != 0 || !(n[2] > 0 && n[2] < 1e-9) {
		t.Errorf("continuum of Al below and above its edge, and at the end: %g", n)
	}
	// Limits of a film.
	au := xray.Pure(79)
	es := []xray.Energy{500, 1740, 3000, 8000}
	bare, _ := Continuum(nil, al, g, es)
	gold, _ := Continuum(nil, au, g, es)
	none := au
	none.MassDepth = 0
	thick := au
	thick.MassDepth = 1
	for _, c := range []struct {
		film xray.Material
		want []float64
	}{{none, bare}, {thick, gold}} {
		got, err := Continuum([]xray.Material{c.film}, al, g, es)
		if err != nil {
			t.Fatal(err)
		}
		for i := range es {
			closeTo(t, "continuum under a film", got[i], c.want[i], 1e-9)
		}
	}
}

// TestErrors: bad input is an error that names the value.
func TestErrors(t *testing.T) {
	g := geometry(15, 40)
	si := xray.Pure(14)
	bad := xray.Material{Name: "bad", Components: []xray.Component{{Element: 14, MassFraction: math.NaN()}}}
	unknown := xray.Material{Name: "unknown", Components: []xray.Component{{Element: 120, MassFraction: 1}}}
	negative := si
	negative.MassDepth = -1
	noDensity := xray.Material{Name: "SiO2", Components: si.Components, ThicknessM: 1e-8}
	k := []quant.Peak{{Element: 14}}
	for name, f := range map[string]func() error{
		"no elements":     func() error { _, err := Bulk(xray.Material{}, g, Options{}); return err },
		"NaN fraction":    func() error { _, err := Bulk(bad, g, Options{}); return err },
		"unknown element": func() error { _, err := Bulk(unknown, g, Options{}); return err },
		"beam 0":          func() error { _, err := Bulk(si, quant.Geometry{TakeOff: 1}, Options{}); return err },
		"beam NaN":        func() error { _, err := Bulk(si, geometry(math.NaN(), 40), Options{}); return err },
		"take-off 0":      func() error { _, err := Bulk(si, geometry(15, 0), Options{}); return err },
		"tilt":            func() error { h := g; h.Tilt = 30 * xray.Degree; _, err := Bulk(si, h, Options{}); return err },
		"model":           func() error { _, err := Bulk(si, g, Options{Model: 9}); return err },
		"fluorescence":    func() error { _, err := Bulk(si, g, Options{Fluorescence: 9}); return err },
		"ZAF absolute":    func() error { _, err := Bulk(si, g, Options{Model: ModelZAF}); return err },
		"negative film":   func() error { _, err := Layered([]xray.Material{negative}, si, g, Options{}); return err },
		"film no density": func() error { _, err := Layered([]xray.Material{noDensity}, si, g, Options{}); return err },
		"XPP film":        func() error { _, err := Layered([]xray.Material{si}, si, g, Options{Model: ModelXPP}); return err },
		"continuum film": func() error {
			_, err := Layered([]xray.Material{si}, si, g, Options{Fluorescence: WithContinuum})
			return err
		},
		"eight layers":    func() error { _, err := Layered(make([]xray.Material, 8), si, g, Options{}); return err },
		"photon energy 0": func() error { _, err := Continuum(nil, si, g, []xray.Energy{0}); return err },
		"no peaks":        func() error { _, err := KRatios(si, nil, g, Options{}); return err },
		"peak twice":      func() error { _, err := KRatios(si, append(k, k...), g, Options{}); return err },
		"beam under edge": func() error { _, err := KRatios(si, k, geometry(1.5, 40), Options{}); return err },
		"no such line": func() error {
			_, err := KRatios(si, []quant.Peak{{Element: 14, Initial: xray.K, Final: xray.N1}}, g, Options{})
			return err
		},
		"no M lines": func() error {
			_, err := KRatios(si, []quant.Peak{{Element: 14, Family: xray.FamilyM}}, g, Options{})
			return err
		},
		"bad family": func() error { _, err := KRatios(si, []quant.Peak{{Element: 14, Family: 7}}, g, Options{}); return err },
		"standard without": func() error {
			_, err := KRatios(si, k, g, Options{Standards: []quant.Standard{{Peak: k[0], Material: xray.Pure(13)}}})
			return err
		},
		"standard empty": func() error {
			_, err := KRatios(si, k, g, Options{Standards: []quant.Standard{{Peak: k[0]}}})
			return err
		},
		"coat no thickness": func() error { _, err := KRatios(si, k, g, Options{Coat: si}); return err },
		"coat as layer":     func() error { c := si; c.MassDepth = 1e-3; _, err := KRatios(si, k, g, Options{Coat: c}); return err },
		"coat and ZAF": func() error {
			c := si
			c.MassDepth = 1e-6
			_, err := KRatios(si, k, g, Options{Coat: c, Model: ModelZAF})
			return err
		},
		"not announced": func() error {
			p, err := NewPredictor(k, nil, g, Options{})
			if err != nil {
				return nil
			}
			return p.Factors(make([]float64, 1), compositionOf(t, "Si:0.5|O:0.5"))
		},
		"nothing left": func() error {
			p, err := NewPredictor(k, nil, g, Options{})
			if err != nil {
				return nil
			}
			return p.Factors(make([]float64, 1), compositionOf(t, "Si:-0.5"))
		},
	} {
		if err := f(); err == nil {
			t.Errorf("%s: no error", name)
		} else {
			t.Logf("%s: %v", name, err)
		}
	}
}

// TestWorkers: a predictor used by several goroutines gives the same bits.
func TestWorkers(t *testing.T) {
	c := compositionOf(t, "O:0.4|Mg:0.1|Si:0.3|Fe:0.2")
	p, err := NewPredictor([]quant.Peak{{Element: 8}, {Element: 12}, {Element: 14}, {Element: 26}}, nil, geometry(15, 40), Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := make([]float64, 4)
	if err := p.Factors(want, c); err != nil {
		t.Fatal(err)
	}
	results := make(chan []float64)
	for range 8 {
		go func() {
			got := make([]float64, 4)
			if p.Factors(got, c) != nil {
				got = nil
			}
			results <- got
		}()
	}
	for range 8 {
		got := <-results
		for i := range want {
			if got == nil || math.Float64bits(got[i]) != math.Float64bits(want[i]) {
				t.Fatalf("%v, want %v", got, want)
			}
		}
	}
}
