package scene

import (
	"context"
	"math"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/template"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

func point(t testing.TB) Point {
	t.Helper()
	var ms []xray.Material
	for _, s := range []string{"Al", "SiO2:2.2g/cm3"} {
		m, err := xray.ParseMaterial(s)
		if err != nil {
			t.Fatal(err)
		}
		ms = append(ms, m)
	}
	return Point{
		Title: "test", Seed: 3, DoseNAs: 5, Options: template.SphereOptions{Trajectories: 1000},
		Setup: template.Setup{Substrate: ms[0], Geometry: quant.Geometry{BeamEnergy: 5 * xray.KeV, TakeOff: 35 * xray.Degree}, Calibration: spectra.Calibration{GainEV: 10}, Channels: 560},
		View:  template.View{Particle: &transport.Particle{Material: ms[1], DiameterM: 300e-9}},
	}
}

// A spectrum holds the counts of its truth within their noise, in proportion to the
// dose, and the sphere sends its own families.
func TestPoint(t *testing.T) {
	p := point(t)
	s, truth, err := p.Spectrum(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if n := s.Total(); math.Abs(n-truth.Counts) > 4*math.Sqrt(truth.Counts) {
		t.Errorf("%g counts, want %g", n, truth.Counts)
	}
	for _, f := range truth.Families {
		own := strings.HasPrefix(f.Family, "Si ") || strings.HasPrefix(f.Family, "O ")
		if own && math.Abs(f.OwnCounts/f.Counts-1) > 1e-9 || !own && f.OwnCounts != 0 || !(f.RelativeErr > 0 && f.RelativeErr < 0.2) {
			t.Errorf("%+v", f)
		}
	}
	p.DoseNAs, p.Counts = 0, 2*truth.Counts
	_, twice, err := p.Spectrum(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(twice.DoseNAs-10) > 1e-9 || math.Abs(twice.Counts/truth.Counts-2) > 1e-12 {
		t.Errorf("twice the counts at %g nA·s, want 10", twice.DoseNAs)
	}
	for _, c := range []struct {
		change func(*Point)
		want   string
	}{
		{func(p *Point) { p.DoseNAs = 1 }, "one of them"},
		{func(p *Point) { p.Counts = 0 }, "one of them"},
		{func(p *Point) { p.Counts = -1 }, "one of them"},
		{func(p *Point) { p.Counts = 1e12 }, "at most"},
		{func(p *Point) { p.View.Particle = &transport.Particle{Material: p.Setup.Substrate, DiameterM: -1} }, "diameter"},
		{func(p *Point) { p.Setup.Geometry.BeamEnergy = 0 }, "beam energy"},
	} {
		q := p
		c.change(&q)
		if _, _, err := q.Spectrum(context.Background()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want one about %q", err, c.want)
		}
	}
}
