package matrix

import (
	"math"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// TestComputedFluorescence compares γ = I_f/I_direct of one line excited by one
// whole K shell (p = 1) with the vectors: the integral (5.2) and the closed form
// of Reed (5.1). Tolerance: attenuation is interpolated in the table to 0.33 %,
// here it enters three times; the vectors' own quadrature is not stated.
func TestComputedFluorescence(t *testing.T) {
	o := readOldTable(t)
	for _, v := range vectors(t, "gamma_characteristic") {
		opt := Options{}
		if v.model[:4] == "Reed" {
			opt.Fluorescence = CharacteristicReed
		}
		c := compositionOf(t, v.composition)
		pk := lineNamed(t, v.line)
		line, _ := pk.Element.LineOf(pk.Initial, pk.Final)
		p, err := NewPredictor([]quant.Peak{pk}, c.Elements, geometry(v.beam, v.takeoff), opt)
		if err != nil {
			t.Fatal(err)
		}
		ex := lineNamed(t, v.exciter)
		exciting, _ := ex.Element.LineOf(ex.Initial, ex.Final)
		var kept []exciter
		for _, x := range p.a.exciters {
			if p.a.atoms[x.atom].z == ex.Element && math.Abs(x.energy-exciting.Energy.KeV()) < 0.02 {
				x.share, x.energy = 1, exciting.Energy.KeV()
				kept = append(kept, x)
			}
		}
		if len(kept) != 1 {
			t.Fatalf("%d exciters %s", len(kept), v.exciter)
		}
		p.a.exciters = kept
		o.fill(p.a, line.Energy.KeV())
		q, err := p.Predict(c)
		if err != nil {
			t.Fatal(err)
		}
		// The standard, a pure element, has no fluorescence from the other.
		closeTo(t, "gamma "+v.model+" "+v.composition+" "+v.line, q[0].F-1, v.value, 0.01)
	}
}

// TestComputedContinuum compares γ of the continuum (5.4) with the vectors.
func TestComputedContinuum(t *testing.T) {
	o := readOldTable(t)
	for _, v := range vectors(t, "gamma_continuum") {
		c := compositionOf(t, v.composition)
		pk := lineNamed(t, v.line)
		line, _ := pk.Element.LineOf(pk.Initial, pk.Final)
		a, err := newAssembly(c.Elements, []quant.Peak{pk}, xray.Material{}, geometry(v.beam, v.takeoff), Options{Fluorescence: WithContinuum})
		if err != nil {
			t.Fatal(err)
		}
		o.fill(a, line.Energy.KeV())
		a.exciters = nil
		lv := &a.levels[0]
		u := a.beam / lv.edge
		lv.cross = 6.51e-20 * 2 * 0.9 * math.Log(u) / (lv.edge * lv.edge * math.Pow(u, lv.m))
		s := newStack(a, 1)
		mass := make([]float64, len(a.atoms))
		for i, m := range c.Mass {
			mass[i] = float64(m)
		}
		if err := s.setFractions(0, mass); err != nil {
			t.Fatal(err)
		}
		if err := s.evaluate(0, 1); err != nil {
			t.Fatal(err)
		}
		got := s.second[0][0] / s.direct[0][0]
		t.Logf("%s %s at %g keV: %.5g, vector %.5g", v.composition, v.line, v.beam, got, v.value)
		closeTo(t, "gamma of the continuum "+v.composition+" "+v.line, got, v.value, 0.02)
	}
}

// TestDirections compares the 20-point quadrature over directions with one of
// 400 points in t with m = t⁴, for every pair of layers of a film, another film
// and a substrate. The integral is a few per cent of a line at most, so 2e-3 of
// it shows nowhere; that of the substrate alone, the bulk, is held to 1e-5.
func TestDirections(t *testing.T) {
	tg := newTarget([]constituent{{26, 55.845, 1}})
	c, err := newPAP(tg.pap(level{26, 7.112, exponentK(26)}, 20))
	if err != nil {
		t.Fatal(err)
	}
	fineM, fineW := unitLegendre(400)
	for k, x := range fineM {
		fineM[k] = x * x * x * x
		fineW[k] *= 4 * x * x * x
	}
	// Attenuation of layer 2 is half, that of the substrate twice that of 1.
	depth := []float64{0, 2e-5, 1e-4, math.Inf(1)}
	s := &stack{}
	for i, f := range []float64{1, 0.5, 2} {
		s.slabs = append(s.slabs, slab{c: []float64{f}, top: depth[i], bottom: depth[i+1]})
	}
	for _, mu := range []float64{10, 100, 1000, 1e4, 1e5} {
		for _, chi := range []float64{10, 100, 1000, 1e4} {
			for from := range s.slabs {
				for to := range s.slabs {
					var src source
					s.nodes, s.weights = fineM, fineW
					s.newSource(&c, from, []float64{mu}, &src)
					want := s.excite(&src, to, chi)
					s.nodes, s.weights = nodes, nodeWeights
					s.newSource(&c, from, []float64{mu}, &src)
					got := s.excite(&src, to, chi)
					limit := 2e-3
					if from == 2 && to == 2 {
						limit = 1e-5
					}
					if math.Abs(got-want) > limit*want {
						t.Errorf("layer %d excites layer %d, μ %g, χ %g: %.6g, 400 points give %.6g", from, to, mu, chi, got, want)
					}
				}
			}
		}
	}
}
