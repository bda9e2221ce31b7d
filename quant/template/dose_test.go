package template

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// The dose of a blank comes back from its counts within its uncertainty, without current,
// time or solid angle, and turns the counts of a particle into its diameter.
func TestEffective(t *testing.T) {
	s := setup(t, "Al", 10)
	const electrons, solidAngle, pixels, area = 6e7, 0.012, 4096, 0.0625
	truth := electrons * solidAngle / (4 * math.Pi)
	bare, err := Specimen(context.Background(), s, View{}, SphereOptions{Seed: 9, Trajectories: 8000})
	if err != nil {
		t.Fatal(err)
	}
	p := spheres(t, "SiO2:2.2g/cm3", []float64{100, 200, 400}, s, SphereOptions{SideNM: 1500})
	rng := rand.New(rand.NewPCG(1, 1))
	counts := distuv.Poisson{Lambda: truth * pixels * sum(bare.Whole.Families["Al K"]), Src: rng}.Rand()
	d, err := Effective(Blank{Family: "Al K", Counts: counts, Pixels: pixels}, p.Bare, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	// Generator and prediction share the yield, so that only chance differs.
	if math.Abs(d.PerPixel/truth-1) > 0.05 {
		t.Errorf("dose %g, want %g", d.PerPixel, truth)
	}
	if !(d.Sigma > 0.09*d.PerPixel && d.Sigma < 0.12*d.PerPixel) || d.Yield != 0.10 {
		t.Errorf("uncertainty %.3f of the dose, yield %g", d.Sigma/d.PerPixel, d.Yield)
	}
	if got := d.NAs(solidAngle) * electronsPerNAs; math.Abs(got/electrons-1) > 0.05 {
		t.Errorf("%g electrons per pixel, want %g", got, electrons)
	}
	if s := d.String(); !strings.Contains(s, "Al K of the blank") || !strings.Contains(s, "yield 10 %") {
		t.Errorf("said as %q", s)
	}
	own := sum(p.Spheres[1].Own.Families["Si K"]) * d.PerUm2(area)
	peak := -1
	for i, k := range p.Sizes.Peaks {
		if familyName(k) == "Si K" {
			peak = i
		}
	}
	if got, _ := p.Sizes.DiameterFor(peak, own/(d.PerUm2(area)*1e12)); math.Abs(got*1e9/200-1) > 1e-6 {
		t.Errorf("diameter %g nm, want 200", got*1e9)
	}
}

func TestEffectiveErrors(t *testing.T) {
	s, err := Substrate(setup(t, "Al", 10))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		b    Blank
		want string
	}{
		{Blank{Family: "Fe K", Counts: 10, Pixels: 1}, `sends no "Fe K"; it has Al K`},
		{Blank{Family: "Al K", Counts: 0, Pixels: 1}, "above 0"},
		{Blank{Family: "Al K", Counts: math.NaN(), Pixels: 1}, "above 0"},
		{Blank{Family: "Al K", Counts: 10, Pixels: 0}, "0 pixels"},
		{Blank{Family: "Al K", Counts: 10, Sigma: -1, Pixels: 1}, "-1"},
	} {
		if _, err := Effective(c.b, s, 0); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: error %v, want one about %q", c.b, err, c.want)
		}
	}
	if got := Assumptions(material(t, "SiO2:2.2g/cm3")); !strings.Contains(got, "2.2 g/cm³") || !strings.Contains(got, "pores") {
		t.Errorf("assumptions %q", got)
	}
}
