package matrix

import (
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// bestPeak returns a family of z that the beam excites well: K with U ≥ 1.3,
// else L, else M.
func bestPeak(z xray.Element, beam xray.Energy) (quant.Peak, bool) {
	for _, f := range []xray.Family{xray.FamilyK, xray.FamilyL, xray.FamilyM} {
		shells := f.Shells()
		edge, ok := z.Edge(shells[len(shells)-1])
		if ok && edge > 250 && beam >= 13*edge/10 && len(xray.FamilyWeights(z, f, beam)) > 0 {
			return quant.Peak{Element: z, Family: f}, true
		}
	}
	return quant.Peak{}, false
}

func ratios(t testing.TB, p *Predictor, c quant.Composition, sigma float64) []quant.KRatio {
	t.Helper()
	pr, err := p.Predict(c)
	if err != nil {
		t.Fatal(err)
	}
	var ks []quant.KRatio
	for _, q := range pr {
		ks = append(ks, quant.KRatio{Peak: q.Peak, Value: q.KRatio, Sigma: sigma})
	}
	return ks
}

// TestClosure predicts the k-ratios of reference materials and solves them back.
// The iteration stops when the next simple step would move no fraction by more
// than 1e-6; ten times that is the goal.
func TestClosure(t *testing.T) {
	for _, model := range []Model{ModelPAP, ModelXPP, ModelZAF} {
		steps, worst := 0, 0.0
		rows := readTable(t, "materials.csv", 5)
		for _, r := range rows {
			c := compositionOf(t, r[2])
			var peaks []quant.Peak
			for _, z := range c.Elements {
				pk, ok := bestPeak(z, 15*xray.KeV)
				if !ok {
					t.Fatalf("no peak of %s", z)
				}
				peaks = append(peaks, pk)
			}
			p, err := NewPredictor(peaks, nil, geometry(15, 40), Options{Model: model})
			if err != nil {
				t.Fatal(err)
			}
			got, err := quant.Solve(p, ratios(t, p, c, 0), quant.SolveOptions{})
			if err != nil {
				t.Fatal(err)
			}
			if got.Status != quant.Converged {
				t.Errorf("%s %s: %s, residual %.2g", model, r[0], got.Status, got.Residual)
			}
			steps = max(steps, got.Steps)
			for i, m := range c.Mass {
				d := math.Abs(float64(m - got.Composition.Mass[i]))
				worst = max(worst, d)
				if d > 1e-5 {
					t.Errorf("%s %s: %s %.6f, want %.6f", model, r[0], c.Elements[i], float64(got.Composition.Mass[i]), float64(m))
				}
			}
		}
		t.Logf("%s: %d materials, at most %d steps, largest error %.1e", model, len(rows), steps, worst)
	}
}

// TestClosureOxides solves minerals with oxygen by stoichiometry and by
// difference.
func TestClosureOxides(t *testing.T) {
	// K-411 glass, oxides as in its certificate (values from memory), oxygen
	// computed from the oxides so that both rules hold exactly.
	cations := map[xray.Element]float64{14: 0.25383, 26: 0.11209, 12: 0.08849, 20: 0.11056}
	var el []xray.Element
	var mass []quant.MassFraction
	oxygen, sum := 0.0, 0.0
	for _, z := range []xray.Element{12, 14, 20, 26} {
		el, mass = append(el, z), append(mass, quant.MassFraction(cations[z]))
		oxygen += cations[z] * float64(quant.Valence(z)) / 2 * quant.Oxygen.AtomicWeight() / z.AtomicWeight()
		sum += cations[z]
	}
	for _, rule := range []quant.Rule{quant.ByStoichiometry, quant.ByDifference} {
		o := oxygen
		if rule == quant.ByDifference {
			o = 1 - sum
		}
		c, err := quant.NewComposition(append(el[:4:4], quant.Oxygen), append(mass[:4:4], quant.MassFraction(o)))
		if err != nil {
			t.Fatal(err)
		}
		var peaks []quant.Peak
		for _, z := range el {
			peaks = append(peaks, quant.Peak{Element: z})
		}
		p, err := NewPredictor(peaks, []xray.Element{quant.Oxygen}, geometry(15, 40), Options{})
		if err != nil {
			t.Fatal(err)
		}
		got, err := quant.Solve(p, ratios(t, p, c, 0.001), quant.SolveOptions{Rule: rule})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %s in %d steps, O %.5f ± %.5f", rule, got.Status, got.Steps, float64(got.Composition.Fraction(quant.Oxygen)), got.Composition.Sigma(quant.Oxygen))
		if got.Status != quant.Converged || got.TotalByRule != (rule == quant.ByDifference) {
			t.Errorf("%s: %+v", rule, got)
		}
		for i, z := range c.Elements {
			if math.Abs(float64(c.Mass[i]-got.Composition.Fraction(z))) > 1e-5 {
				t.Errorf("%s: %s %.6f, want %.6f", rule, z, float64(got.Composition.Fraction(z)), float64(c.Mass[i]))
			}
		}
	}
}

// TestClosureRandom solves random alloys and compounds, which is where an
// unguarded hyperbolic iteration was seen to oscillate.
func TestClosureRandom(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 1))
	pool := []xray.Element{6, 8, 12, 13, 14, 16, 20, 22, 24, 26, 28, 29, 42, 47, 74, 79}
	slow, worst, failed, n := 0, 0.0, 0, 0
	for range 400 {
		beam := xray.Energy(5+20*rng.Float64()) * xray.KeV
		var el []xray.Element
		var mass []quant.MassFraction
		var peaks []quant.Peak
		for _, i := range rng.Perm(len(pool))[:2+rng.IntN(4)] {
			pk, ok := bestPeak(pool[i], beam)
			if !ok {
				continue
			}
			el, peaks = append(el, pool[i]), append(peaks, pk)
			mass = append(mass, quant.MassFraction(-math.Log(1-rng.Float64())))
		}
		if len(el) < 2 {
			continue
		}
		c, err := quant.NewComposition(el, mass)
		if err != nil {
			t.Fatal(err)
		}
		if c, err = c.Normalised(); err != nil {
			t.Fatal(err)
		}
		p, err := NewPredictor(peaks, nil, quant.Geometry{BeamEnergy: beam, TakeOff: 40 * xray.Degree}, Options{Model: ModelXPP})
		if err != nil {
			t.Fatal(err)
		}
		got, err := quant.Solve(p, ratios(t, p, c, 0), quant.SolveOptions{})
		if err != nil {
			t.Fatal(err)
		}
		n++
		if got.Status != quant.Converged {
			failed++
			t.Errorf("%v %v at %.1f keV: %s, residual %.2g", c.Elements, c.Mass, beam.KeV(), got.Status, got.Residual)
			continue
		}
		slow = max(slow, got.Steps)
		for i, m := range c.Mass {
			worst = max(worst, math.Abs(float64(m-got.Composition.Mass[i])))
		}
	}
	t.Logf("%d compositions, %d not converged, at most %d steps, largest error %.1e", n, failed, slow, worst)
	if worst > 2e-5 {
		t.Errorf("largest error of a mass fraction %.2g, limit 2e-5", worst)
	}
}

// TestSelfStandard: specimen = standard gives k = 1 and Z = A = F = 1 exactly.
func TestSelfStandard(t *testing.T) {
	for _, s := range []string{"SiO2", "Fe-18Cr-10Ni", "Au", "CaSiO3"} {
		m, err := xray.ParseMaterial(s)
		if err != nil {
			t.Fatal(err)
		}
		for _, opt := range []Options{{}, {Model: ModelXPP}, {Model: ModelZAF}, {Fluorescence: WithContinuum}, {Fluorescence: CharacteristicReed}} {
			var peaks []quant.Peak
			for _, c := range m.Components {
				pk, ok := bestPeak(c.Element, 20*xray.KeV)
				if !ok {
					t.Fatal(c.Element)
				}
				peaks = append(peaks, pk)
				opt.Standards = append(opt.Standards, quant.Standard{Peak: pk, Material: m})
			}
			q, err := KRatios(m, peaks, geometry(20, 35), opt)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range q {
				if p.KRatio != 1 || p.Z != 1 || p.A != 1 || p.F != 1 {
					t.Errorf("%s %s %s: k %v Z %v A %v F %v, want 1 exactly", s, opt.Model, p.Peak, p.KRatio, p.Z, p.A, p.F)
				}
			}
		}
	}
}

// TestFactorsMultiply: k = C/C_standard · Z·A·F.
func TestFactorsMultiply(t *testing.T) {
	m, _ := xray.ParseMaterial("CaSiO3")
	std, _ := xray.ParseMaterial("SiO2")
	pk := quant.Peak{Element: 14}
	q, err := KRatios(m, []quant.Peak{pk}, geometry(15, 40), Options{Standards: []quant.Standard{{Peak: pk, Material: std}}})
	if err != nil {
		t.Fatal(err)
	}
	closeTo(t, "C/C·Z·A·F", m.Fraction(14)/std.Fraction(14)*q[0].Z*q[0].A*q[0].F, q[0].KRatio, 1e-14)
}

func benchmarkSet(b *testing.B) (*Predictor, quant.Composition, []quant.Peak, xray.Material) {
	m := xray.Material{Name: "ten elements"}
	var peaks []quant.Peak
	for _, z := range []xray.Element{8, 11, 12, 13, 14, 19, 20, 22, 25, 26} {
		m.Components = append(m.Components, xray.Component{Element: z, MassFraction: 0.1})
		peaks = append(peaks, quant.Peak{Element: z})
	}
	c, err := quant.CompositionOf(m)
	if err != nil {
		b.Fatal(err)
	}
	p, err := NewPredictor(peaks, nil, geometry(15, 40), Options{})
	if err != nil {
		b.Fatal(err)
	}
	return p, c, peaks, m
}

// BenchmarkFactors is one k-ratio set of ten elements with a prepared model.
func BenchmarkFactors(b *testing.B) {
	p, c, _, _ := benchmarkSet(b)
	dst := make([]float64, 10)
	b.ReportAllocs()
	for b.Loop() {
		if err := p.Factors(dst, c); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkKRatios is the same from nothing.
func BenchmarkKRatios(b *testing.B) {
	_, _, peaks, m := benchmarkSet(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := KRatios(m, peaks, geometry(15, 40), Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkSolve finds the composition of ten elements.
func BenchmarkSolve(b *testing.B) {
	p, c, _, _ := benchmarkSet(b)
	pr, err := p.Predict(c)
	if err != nil {
		b.Fatal(err)
	}
	var ks []quant.KRatio
	for _, q := range pr {
		ks = append(ks, quant.KRatio{Peak: q.Peak, Value: q.KRatio})
	}
	s, err := quant.NewSolver(p, quant.SolveOptions{})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := s.Solve(ks); err != nil {
			b.Fatal(err)
		}
	}
}
