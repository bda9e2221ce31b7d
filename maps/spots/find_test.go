package spots

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"example.org/fleck/maps"
)

func worldConfusers() []Template {
	return []Template{
		worldTemplate("Al2O3", map[float64]float64{1487: .45, 525: .30}, .25, 1487),
		worldTemplate("SiC", map[float64]float64{1740: .55, 277: .2}, .25, 1740),
		worldTemplate("WO3", map[float64]float64{1773: .45, 525: .25}, .3, 1773),
	}
}

func worldOptions() Options {
	return Options{Substrate: worldAluminium(), Target: worldSilica(), Confusers: worldConfusers(), Seed: 1, NoLimit: true, Bootstrap: 59}
}

// nearest returns the listed spot next to (x, y) and its distance.
func nearest(list []maps.Spot, x, y float64) (maps.Spot, float64) {
	best, d := maps.Spot{}, math.Inf(1)
	for _, s := range list {
		if e := math.Hypot(s.XPx-x, s.YPx-y); e < d {
			best, d = s, e
		}
	}
	return best, d
}

// Strong spots of silica and one of tungsten oxide, whose W M lines lie 33 eV
// from Si K: all are found where they were put and named.
func TestFindNamesPlantedSpots(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	silica := scatter(rng, 6, 64, 64, 1, .2, 10, worldSilica().Spectrum)
	tungsten := planted{10, 10, 2.5, .25, worldConfusers()[2].Spectrum}
	f := worldField(rng, 64, 64, 100, worldAluminium(), append(silica, tungsten))
	f.Pixel = maps.Pixel{X: 100 * maps.Nanometre, Y: 100 * maps.Nanometre}
	r, err := Find(context.Background(), f, worldOptions())
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Spots) != 7 || !r.Detected {
		t.Fatalf("%d spots, detected %v (p = %g); want 7, true", len(r.Spots), r.Detected, r.PValue)
	}
	for _, p := range silica {
		s, d := nearest(r.Spots, p.x, p.y)
		if d > 5*math.Hypot(s.SigmaXPx, s.SigmaYPx) {
			t.Errorf("spot put at (%.2f, %.2f): nearest listed is %.2f px away, uncertainty %.2f", p.x, p.y, d, s.SigmaXPx)
		}
		if s.Verdict != maps.TargetVerdict || s.Compound != "SiO2" {
			t.Errorf("silica at (%.2f, %.2f): verdict %s %q: %s", p.x, p.y, s.Verdict, s.Compound, s.Reason)
		}
		want := 0.2 * 100 * 2 * math.Pi
		if z := (s.ExcessCounts - want) / s.ExcessSigma; math.Abs(z) > 5 {
			t.Errorf("excess %.1f ± %.1f, want %.1f", s.ExcessCounts, s.ExcessSigma, want)
		}
		if want := (s.XPx + .5) * .1; math.Abs(s.XUm-want) > 1e-12 {
			t.Errorf("x = %g px is %g µm, want %g", s.XPx, s.XUm, want)
		}
	}
	// The spots of 1 px: the upper limit of the diameter is above that of their
	// profile, 2.355·sqrt(1 − 0.8²) px, and not far above (5 % of 6 may be below).
	below := 0
	for _, p := range silica {
		s, _ := nearest(r.Spots, p.x, p.y)
		if s.DiameterHighUm < .1*fwhm*.6 {
			below++
		}
		if !(s.DiameterHighUm < .6) {
			t.Errorf("upper limit of the diameter %.2f µm", s.DiameterHighUm)
		}
	}
	if below > 2 {
		t.Errorf("%d of 6 upper limits of the diameter lie below it", below)
	}
	s, d := nearest(r.Spots, 10, 10)
	if d > 1 || s.Verdict != maps.OtherCompound || s.Compound != "WO3" {
		t.Errorf("tungsten oxide: %.2f px away, verdict %s %q: %s", d, s.Verdict, s.Compound, s.Reason)
	}
	if s.WidthPx < 2.2 || s.WidthPx > 2.8 {
		t.Errorf("tungsten oxide: width %.2f px, want 2.5 (about 4 %% uncertainty at 880 counts)", s.WidthPx)
	}
	// Diameter: FWHM 2.355·2.5 px less the blur 2.355·0.8 px in quadrature.
	if want := .1 * fwhm * math.Sqrt(2.5*2.5-.8*.8); math.Abs(s.DiameterUm-want) > .06 {
		t.Errorf("tungsten oxide: diameter %.3f µm, want %.3f", s.DiameterUm, want)
	}
}

func TestFindRefusesInseparable(t *testing.T) {
	f := worldField(rand.New(rand.NewPCG(1, 2)), 16, 16, 50, worldAluminium(), nil)
	opt := worldOptions()
	opt.Target.Spectrum = worldAluminium()
	opt.Target.Line = make([]float64, worldChannels)
	for c, v := range opt.Target.Spectrum {
		opt.Target.Line[c] = v / 2
	}
	_, err := Find(context.Background(), f, opt)
	if !errors.Is(err, ErrInseparable) {
		t.Errorf("error %v, want ErrInseparable", err)
	}
}
