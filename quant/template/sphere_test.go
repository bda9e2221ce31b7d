package template

import (
	"context"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/xray"
)

func material(t testing.TB, s string) xray.Material {
	t.Helper()
	m, err := xray.ParseMaterial(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func setup(t testing.TB, substrate string, beam float64) Setup {
	return Setup{
		Substrate: material(t, substrate), Geometry: quant.Geometry{BeamEnergy: xray.Energy(beam) * xray.KeV},
		Calibration: spectra.Calibration{GainEV: 10}, Channels: int(beam*100) + 50,
	}
}

func spheres(t testing.TB, compound string, nm []float64, s Setup, opt SphereOptions) *Particles {
	t.Helper()
	p, err := Spheres(context.Background(), material(t, compound), nm, s, opt)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A small sphere gives what a thin film of its mass gives, wherever electrons come
// back from: their way within a small body does not depend on its shape. The square
// is wide, so that electrons come back within it. Against a film by transport only
// electrons at grazing angles differ, which a film holds longer: 4 % here, 1.2 ± 0.9 %
// for spheres of 8 nm against films of 1 nm. Against that by
// phi(rho z) (Particle) two models differ: its surface ionisation by up to 5 %, the
// shape of the cross section, which it takes from the bulk, by up to 4 %, and the
// fluorescence by the substrate, 3 % for titania on steel, which transport lacks.
func TestThinLimit(t *testing.T) {
	n := 8000
	if testing.Short() {
		n = 2000
	}
	for _, c := range []struct {
		compound, substrate, own string
		beam                     float64
	}{
		{"SiO2:2.2g/cm3", "Al", "Si K", 15},
		{"TiO2:4.23g/cm3", "Fe-18Cr:7.7g/cm3", "Ti K", 15},
		{"CeO2:7.2g/cm3", "Al", "Ce L", 20},
	} {
		const nm, filmNM = 40, 5
		s, err := setup(t, c.substrate, c.beam).check()
		if err != nil {
			t.Fatal(err)
		}
		side := 12000.0 // beyond the range of all of them
		p := spheres(t, c.compound, []float64{nm}, s, SphereOptions{SideNM: side, Trajectories: n})
		x := p.Spheres[0]
		own, err := quant.ParsePeak(c.own)
		if err != nil {
			t.Fatal(err)
		}
		r, err := transport.Run(context.Background(), transport.Config{
			Geometry: s.Geometry, Substrate: s.Substrate, Layers: []xray.Material{material(t, fmt.Sprintf("%s:%dnm", c.compound, filmNM))},
			Peaks: []quant.Peak{own}, Trajectories: n, Seed: 1,
		})
		if err != nil {
			t.Fatal(err)
		}
		film := s.spectrum("film", r.Intensities, nil, 1, emitted)
		thin, err := Particle(material(t, c.compound), s)
		if err != nil {
			t.Fatal(err)
		}
		if x.Own.Strongest != c.own || thin.Strongest != c.own {
			t.Errorf("%s: strongest %q and %q, want %q", c.compound, x.Own.Strongest, thin.Strongest, c.own)
		}
		volume := math.Pi / 6 * math.Pow(nm*1e-3, 3) // µm³, spread over 1 µm²
		got := sum(x.Own.Families[c.own])
		toFilm := got / (sum(film.Families[c.own]) / (filmNM * 1e-3) * volume)
		toThin := got / (sum(thin.Families[c.own]) * volume * 100 * p.DensityG)
		sigma := toFilm * math.Hypot(x.OwnErr[c.own], r.Intensities[0].EmittedErr/r.Intensities[0].Emitted)
		t.Logf("%s on %s at %g keV, %s: sphere over film by transport %.3f ± %.3f, over Particle %.3f", c.compound, c.substrate, c.beam, c.own, toFilm, sigma, toThin)
		if !(math.Abs(toFilm-1) <= 0.05+4*sigma) {
			t.Errorf("%s on %s at %g keV: a sphere sends %.3f ± %.3f of the film", c.compound, c.substrate, c.beam, toFilm, sigma)
		}
		if !(math.Abs(toThin-1) <= 0.12+4*sigma) {
			t.Errorf("%s on %s at %g keV: a sphere sends %.3f ± %.3f of Particle", c.compound, c.substrate, c.beam, toThin, sigma)
		}
	}
}

// The excess is the particle's own part plus what substrate and coating lose, and the
// bare substrate is that of Substrate within the difference of the two models.
func TestExcess(t *testing.T) {
	carbon := material(t, "C:2.0g/cm3:8nm")
	s := setup(t, "Al", 10)
	s.Coating, s.Order = &carbon, Over
	p := spheres(t, "SiO2:2.2g/cm3", []float64{200, 1000, 3000}, s, SphereOptions{})
	flat, err := Substrate(s)
	if err != nil {
		t.Fatal(err)
	}
	// Two models of the absolute size, each good to some 10 %.
	if r := sum(p.Bare.Families["Al K"]) / sum(flat.Families["Al K"]); math.Abs(r-1) > 0.1 {
		t.Errorf("bare Al K is %.3f of that by phi(rho z)", r)
	}
	for _, x := range p.Spheres {
		own := sum(x.Own.Families["Si K"])
		if e := sum(x.Excess.Families["Si K"]); math.Abs(e/own-1) > 1e-9 {
			t.Errorf("%g nm: excess of Si K %g, own part %g", x.DiameterNM, e, own)
		}
		if v := sum(x.Excess.Families["Al K"]); !(v < 0) {
			t.Errorf("%g nm: excess of Al K %g, want below 0", x.DiameterNM, v)
		}
		if v := sum(x.Excess.Families["C K"]); x.DiameterNM < 500 && !(v > 0) {
			t.Errorf("%g nm: excess of C K %g: the coating goes around the particle", x.DiameterNM, v)
		}
		for key := range x.Own.Families {
			if !strings.HasPrefix(key, "Si ") && !strings.HasPrefix(key, "O ") {
				t.Errorf("%g nm: %s among the particle's own families", x.DiameterNM, key)
			}
		}
		// No channel can lose more than the square gives without the particle.
		for i, v := range x.Excess.Counts {
			if bare := p.Bare.Counts[i] * x.SideNM * x.SideNM * 1e-6; v < -bare-1e-12 {
				t.Fatalf("%g nm: channel %d loses %g of %g", x.DiameterNM, i, -v, bare)
			}
		}
	}
	// Counts of the second are turned back into its diameter.
	if d, out := p.Sizes.DiameterFor(1, sum(p.Spheres[1].Own.Families["Si K"])*1e-12); math.Abs(d/1e-6-1) > 1e-9 || out {
		t.Errorf("diameter %g m, want 1e-6", d)
	}
}

type memory map[string][]byte

func (m memory) Get(key string) ([]byte, bool) { b, ok := m[key]; return b, ok }
func (m memory) Put(key string, v []byte)      { m[key] = v }

// Spheres come the same out of the store, and for any number of workers; another
// instrument takes the same simulation, another specimen does not.
func TestSphereStore(t *testing.T) {
	s := setup(t, "Al", 5)
	st := memory{}
	opt := SphereOptions{Store: st, Trajectories: 600, Workers: 1}
	first := spheres(t, "SiO2:2.2g/cm3", []float64{100, 300}, s, opt)
	opt.Workers = 3
	opt.Store = nil
	if other := spheres(t, "SiO2:2.2g/cm3", []float64{100, 300}, s, opt); !reflect.DeepEqual(first, other) {
		t.Error("another number of workers gives other spheres")
	}
	opt.Store = st
	again := spheres(t, "SiO2:2.2g/cm3", []float64{100, 300}, s, opt)
	if !reflect.DeepEqual(first, again) || len(st) != 1 {
		t.Errorf("other spheres out of the store, or %d entries", len(st))
	}
	s.Channels = 300
	spheres(t, "SiO2:2.2g/cm3", []float64{100, 300}, s, opt)
	if len(st) != 1 {
		t.Errorf("%d entries after another detector, want 1", len(st))
	}
	spheres(t, "SiO2:2.1g/cm3", []float64{100, 300}, s, opt)
	opt.SideNM = 1000
	spheres(t, "SiO2:2.2g/cm3", []float64{100, 300}, s, opt)
	if len(st) != 3 {
		t.Errorf("%d entries after another density and side, want 3", len(st))
	}
	for k := range st {
		st[k] = []byte(`{"Spheres":null}`)
	}
	opt.SideNM = 0
	s.Channels = first.Spheres[0].Own.channels()
	if got := spheres(t, "SiO2:2.2g/cm3", []float64{100, 300}, s, opt); !reflect.DeepEqual(first, got) {
		t.Error("a spoilt entry was used")
	}
}

func (s Spectrum) channels() int { return len(s.Counts) }

func TestSphereBadInput(t *testing.T) {
	good := setup(t, "Al", 10)
	for _, c := range []struct {
		compound string
		nm       []float64
		opt      SphereOptions
		beam     float64
		want     string
	}{
		{"SiO2", []float64{100}, SphereOptions{}, 10, "density"},
		{"SiO2:2.2g/cm3", nil, SphereOptions{}, 10, "no diameters"},
		{"SiO2:2.2g/cm3", []float64{0}, SphereOptions{}, 10, "diameter 0 nm"},
		{"SiO2:2.2g/cm3", []float64{-5}, SphereOptions{}, 10, "diameter -5 nm"},
		{"SiO2:2.2g/cm3", []float64{math.NaN()}, SphereOptions{}, 10, "NaN"},
		{"SiO2:2.2g/cm3", []float64{100, 100}, SphereOptions{}, 10, "twice"},
		{"SiO2:2.2g/cm3", []float64{100}, SphereOptions{SideNM: -1}, 10, "side"},
		{"SiO2:2.2g/cm3", []float64{100}, SphereOptions{Trajectories: 1}, 10, "trajectories"},
		{"SiO2:2.2g/cm3", []float64{100}, SphereOptions{Sunk: 2}, 10, "sunk"},
		{"SiO2:2.2g/cm3", []float64{100}, SphereOptions{Elastic: transport.Elastic(7)}, 10, "accepted"},
		{"H2O:1.0g/cm3", []float64{100}, SphereOptions{}, 0.4, "excites no line of H2O"},
		{"SiO2:2.2g/cm3", []float64{100}, SphereOptions{}, 80, "beam energy"},
	} {
		s := good
		s.Geometry.BeamEnergy = xray.Energy(c.beam) * xray.KeV
		_, err := Spheres(context.Background(), material(t, c.compound), c.nm, s, c.opt)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s %v %+v at %g keV: error %v, want one about %q", c.compound, c.nm, c.opt, c.beam, err, c.want)
		}
	}
}

func BenchmarkSpheres(b *testing.B) {
	carbon := material(b, "C:2.0g/cm3:8nm")
	for _, beam := range []float64{5, 10, 15, 20} {
		b.Run(fmt.Sprintf("%gkeV", beam), func(b *testing.B) {
			s := setup(b, "Fe-18Cr-0.5Nb-0.2Ti:7.7g/cm3", beam)
			s.Coating, s.Order = &carbon, Over
			for b.Loop() {
				spheres(b, "TiO2:4.23g/cm3", []float64{100, 200, 400, 800, 1600, 3000}, s, SphereOptions{Workers: 1})
			}
		})
	}
}

func ExampleSpheres() {
	titania, _ := xray.ParseMaterial("TiO2:4.23g/cm3")
	p, err := Spheres(context.Background(), titania, []float64{100, 300, 1000}, Setup{
		Substrate:   xray.Pure(13),
		Geometry:    quant.Geometry{BeamEnergy: 10 * xray.KeV},
		Calibration: spectra.Calibration{GainEV: 10},
		Channels:    1024,
	}, SphereOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	// 1 nA·s is 6.24e9 electrons; spread here over pixels of 0.25 µm, 10 nA·s each, and
	// seen by a detector of 0.012 sr.
	perUm2 := 10 * 6.24e9 / (0.25 * 0.25) * 0.012 / (4 * 3.1416)
	for _, s := range p.Spheres {
		counts := 0.0
		for _, v := range s.Own.Families["Ti K"] {
			counts += v * perUm2
		}
		fmt.Printf("%4.0f nm: %.1e counts of Ti K\n", s.DiameterNM, counts)
	}
	// Output:
	//  100 nm: 3.5e+02 counts of Ti K
	//  300 nm: 9.3e+03 counts of Ti K
	// 1000 nm: 1.8e+05 counts of Ti K
}
