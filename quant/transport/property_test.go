package transport

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/spectra/xray"
)

// The result has the same bits for any number of workers, also where the last
// block is not full.
func TestWorkers(t *testing.T) {
	carbon := material(t, "C:2.0g/cm3:8nm")
	c := Config{
		Geometry: keV(10), Substrate: material(t, "Al"), Coating: &carbon, Order: Both,
		Particle:     &Particle{Material: material(t, "SiO2:2.2g/cm3"), DiameterM: 300e-9, Sunk: 0.2},
		Beam:         Beam{PixelM: 2e-6, ProbeM: 10e-9},
		Trajectories: 5*BlockSize + 17, DepthBins: 40, Seed: 7,
	}
	var first *Result
	for _, w := range []int{1, 2, 3, 8} {
		c.Workers = w
		r := simulate(t, c)
		if r.Trajectories != c.Trajectories {
			t.Fatalf("%d trajectories, want %d", r.Trajectories, c.Trajectories)
		}
		r.Config.Workers = 0
		if first == nil {
			first = r
		} else if !reflect.DeepEqual(first, r) {
			t.Errorf("%d workers give another result than 1", w)
		}
	}
	c.Seed = 8
	if r := simulate(t, c); r.Intensities[0].Emitted == first.Intensities[0].Emitted {
		t.Error("another seed gives the same result")
	}
}

// Bodies of one material together are that material in bulk.
func TestOneMaterial(t *testing.T) {
	m := material(t, "SiO2:2.2g/cm3")
	layer := material(t, "SiO2:2.2g/cm3:70nm")
	p := peaks(t, "Si K", "O K")
	want := simulate(t, Config{Geometry: keV(8), Substrate: m, Peaks: p, Trajectories: 6000})
	for name, c := range map[string]Config{
		"layers":          {Layers: []xray.Material{layer, layer}},
		"pressed in":      {Particle: &Particle{Material: m, DiameterM: 250e-9, Sunk: 1}},
		"coated":          {Coating: &layer, Order: Over},
		"under and over":  {Coating: &layer, Order: Both},
		"wholly in layer": {Layers: []xray.Material{layer}, Particle: &Particle{Material: m, DiameterM: 250e-9, Sunk: 1}},
	} {
		c.Geometry, c.Substrate, c.Peaks, c.Trajectories, c.Seed = keV(8), m, p, 6000, 3
		got := simulate(t, c)
		for i := range p {
			x, y := got.Intensities[i], want.Intensities[i]
			near(t, name+" "+p[i].String(), x.Emitted, math.Hypot(x.EmittedErr, y.EmittedErr), y.Emitted, 0)
			near(t, name+" "+p[i].String()+" generated", x.Generated, math.Hypot(x.GeneratedErr, y.GeneratedErr), y.Generated, 0)
		}
		near(t, name+" backscatter", got.Backscattered, math.Hypot(got.BackscatteredErr, want.BackscatteredErr), want.Backscattered, 0)
	}
}

// geometries are specimens whose shapes overlap in all ways.
func geometries(t testing.TB) map[string]Config {
	gold, carbon := material(t, "Au:19.3g/cm3:30nm"), material(t, "C:2.0g/cm3:20nm")
	al, silica := material(t, "Al"), material(t, "SiO2:2.2g/cm3")
	ball := func(sunk float64, cut bool) *Particle {
		return &Particle{Material: silica, DiameterM: 200e-9, Sunk: sunk, Truncated: cut}
	}
	return map[string]Config{
		"bulk":              {Substrate: al},
		"layers":            {Substrate: al, Layers: []xray.Material{gold, carbon}},
		"sphere":            {Substrate: al, Particle: ball(0, false)},
		"coated sphere":     {Substrate: al, Particle: ball(0, false), Coating: &gold, Order: Over},
		"on a coating":      {Substrate: al, Particle: ball(0, false), Coating: &gold, Order: Under},
		"between coatings":  {Substrate: al, Particle: ball(0, false), Coating: &gold, Order: Both},
		"pressed in":        {Substrate: al, Layers: []xray.Material{carbon}, Particle: ball(0.4, false), Coating: &gold, Order: Both},
		"droplet":           {Substrate: al, Particle: ball(0.5, true), Coating: &gold, Order: Over},
		"buried":            {Substrate: al, Particle: ball(1, false)},
		"free foil, sphere": {Layers: []xray.Material{carbon}, Particle: ball(0.1, false)},
	}
}

// The lengths of a ray within each body, computed in closed form, agree with
// those found by walking along it and asking where one is.
func TestWays(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for name, c := range geometries(t) {
		c.Geometry = keV(10)
		c.Azimuth = 0.7
		c.Peaks = peaks(t, "Si K")
		c, err := c.withDefaults()
		if err != nil {
			t.Fatal(name, err)
		}
		s := prepare(c).specimen
		got := make([]float64, len(s.bodies))
		for range 300 {
			p := vector{300 * (rng.Float64() - 0.5), 300 * (rng.Float64() - 0.5), 400 * (rng.Float64() - 0.6)}
			if s.place(p) < 0 {
				continue
			}
			const step = 0.25
			want := make([]float64, len(s.bodies))
			for d := step / 2; d < 1500; d += step {
				if at := s.place(vector{p.x + d*s.detector.x, p.y + d*s.detector.y, p.z + d*s.detector.z}); at >= 0 {
					want[at] += step
				}
			}
			s.ways(got, p)
			for i := range got {
				if math.Abs(got[i]-want[i]) > 2*step {
					t.Fatalf("%s: from %v in body %d: %.2f nm in body %d, walked %.2f", name, p, s.place(p), got[i], i, want[i])
				}
			}
			if at := s.place(p); at < s.planar && s.plain(p) {
				for i := range got {
					flat := 0.0
					switch {
					case i == at:
						flat = (p.z - s.tops[at]) * s.csc
					case i < at:
						flat = (s.tops[i+1] - s.tops[i]) * s.csc
					case i == s.coat:
						flat = s.coatNM * s.csc
					}
					if math.Abs(got[i]-flat) > 1e-6 {
						t.Fatalf("%s: from %v the ray is called plain, but has %.2f nm in body %d, want %.2f", name, p, got[i], i, flat)
					}
				}
			}
		}
	}
}

// Steps to boundaries visit the bodies in the order that small steps find.
func TestBoundaries(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	for name, c := range geometries(t) {
		c.Geometry = keV(10)
		c, err := c.withDefaults()
		if err != nil {
			t.Fatal(name, err)
		}
		s := prepare(c).specimen
		for range 300 {
			p := vector{300 * (rng.Float64() - 0.5), 300 * (rng.Float64() - 0.5), 300 * (rng.Float64() - 0.6)}
			at := s.place(p)
			if at == beneath {
				continue
			}
			u := vector{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
			l := math.Sqrt(u.x*u.x + u.y*u.y + u.z*u.z)
			u = vector{u.x / l, u.y / l, u.z / l}
			d := math.Min(s.boundary(at, p, u), 1000)
			for f := 0.001; f < 1; f += 0.01 {
				if q := s.place(vector{p.x + f*d*u.x, p.y + f*d*u.y, p.z + f*d*u.z}); q != at {
					t.Fatalf("%s: from %v along %v: body %d before the boundary of %d at %g", name, p, u, q, at, d)
				}
			}
			if at >= 0 && at < s.planar {
				if c := s.clearance(at, p); c > s.boundary(at, p, u)+1e-9 {
					t.Fatalf("%s: clearance %g beyond the boundary", name, c)
				}
			}
		}
	}
}

// A rastered pixel is the mean of its parts; sending electrons to the particle
// changes errors, not means.
func TestRaster(t *testing.T) {
	c := Config{
		Geometry: keV(10), Substrate: material(t, "Al"), Particle: &Particle{Material: material(t, "SiO2:2.2g/cm3"), DiameterM: 80e-9},
		Peaks: peaks(t, "Si K", "Al K"), Trajectories: 20000, Beam: Beam{PixelM: 400e-9},
	}
	whole := simulate(t, c)
	var sum, var2 [2]float64
	var back float64
	const parts = 4
	c.Trajectories = 4000
	for i := range parts * parts {
		c.Beam = Beam{PixelM: 100e-9, XM: (float64(i%parts) - 1.5) * 100e-9, YM: (float64(i/parts) - 1.5) * 100e-9}
		c.Seed = uint64(100 + i)
		r := simulate(t, c)
		for k, x := range r.Intensities {
			sum[k] += x.Emitted / (parts * parts)
			var2[k] += x.EmittedErr * x.EmittedErr / (parts * parts * parts * parts)
		}
		back += r.Backscattered / (parts * parts)
	}
	for k, x := range whole.Intensities {
		near(t, x.Peak.String(), x.Emitted, math.Hypot(x.EmittedErr, math.Sqrt(var2[k])), sum[k], 0)
	}
	near(t, "backscatter", whole.Backscattered, whole.BackscatteredErr*math.Sqrt2, back, 0)
}

// Standard errors are those of repeated simulations.
func TestStandardError(t *testing.T) {
	c := Config{Geometry: keV(5), Substrate: material(t, "Al"), Particle: &Particle{Material: material(t, "SiO2:2.2g/cm3"), DiameterM: 100e-9}, Peaks: peaks(t, "Si K"), Trajectories: 500}
	const n = 100
	var sum, sum2, stated float64
	for i := range uint64(n) {
		c.Seed = i
		x := simulate(t, c).Intensities[0]
		sum += x.Emitted
		sum2 += x.Emitted * x.Emitted
		stated += x.EmittedErr / n
	}
	got := math.Sqrt((sum2 - sum*sum/n) / (n - 1))
	// The standard deviation of n values has a relative error of 1/√(2n).
	near(t, "scatter over stated error", got/stated, 1/math.Sqrt(2*n), 1, 0)
}

// The azimuth of the detector does not matter for a flat specimen at normal
// incidence, and the side away from the beam is brighter when tilted.
func TestDirections(t *testing.T) {
	c := Config{Geometry: keV(10), Substrate: material(t, "Al"), Peaks: peaks(t, "Al K"), Trajectories: 2000}
	a := simulate(t, c)
	c.Azimuth = 2
	if b := simulate(t, c); math.Abs(b.Intensities[0].Emitted/a.Intensities[0].Emitted-1) > 1e-12 {
		t.Errorf("azimuth changes Al K from %g to %g", a.Intensities[0].Emitted, b.Intensities[0].Emitted)
	}
	c.Geometry.Tilt = 60 * xray.Degree
	if b := simulate(t, c); b.Backscattered < a.Backscattered+0.15 {
		t.Errorf("backscatter %g at 60 deg tilt, %g without", b.Backscattered, a.Backscattered)
	}
}

// Lines of a family sum to it, and their parts from the particle to its part.
func TestLines(t *testing.T) {
	gold := material(t, "Au:19.3g/cm3:10nm")
	r := simulate(t, Config{Geometry: keV(15), Substrate: material(t, "Fe"), Coating: &gold, Order: Both, Particle: &Particle{Material: material(t, "TiO2:4.23g/cm3"), DiameterM: 300e-9}, Trajectories: 500})
	if len(r.Intensities) == 0 {
		t.Fatal("no peaks")
	}
	for _, x := range r.Intensities {
		var sum, own float64
		for _, l := range x.Lines {
			sum += l.Emitted
			own += l.FromParticle
		}
		if math.Abs(sum-x.Emitted) > 1e-9*x.Emitted || math.Abs(own-x.FromParticle) > 1e-9*x.Emitted {
			t.Errorf("%v: lines sum to %g and %g, the peak has %g and %g", x.Peak, sum, own, x.Emitted, x.FromParticle)
		}
		all := x.FromParticle == x.Emitted
		switch z := x.Peak.Element.Symbol(); {
		case (z == "Ti" || z == "O") != all:
			t.Errorf("%v: %g of %g from the particle", x.Peak, x.FromParticle, x.Emitted)
		case (z == "Au") != (math.Abs(x.FromCoating-x.Emitted) < 1e-12*x.Emitted):
			t.Errorf("%v: %g of %g from the coating", x.Peak, x.FromCoating, x.Emitted)
		}
	}
}

func TestBadInput(t *testing.T) {
	al, layer := material(t, "Al"), material(t, "C:2.0g/cm3:8nm")
	dense := &Particle{Material: material(t, "SiO2:2.2g/cm3"), DiameterM: 1e-7}
	for _, c := range []struct {
		cfg  Config
		want string
	}{
		{Config{Geometry: keV(10)}, "no substrate"},
		{Config{Geometry: keV(0), Substrate: al}, "beam energy"},
		{Config{Geometry: keV(60), Substrate: al}, "beam energy"},
		{Config{Geometry: keV(0.3), Substrate: al, Peaks: []quant.Peak{}}, "cutoff"},
		{Config{Geometry: keV(10), Substrate: material(t, "SiO2")}, "density"},
		{Config{Geometry: keV(10), Substrate: al, Coating: &layer}, "order"},
		{Config{Geometry: keV(10), Substrate: al, Order: Over}, "without a coating"},
		{Config{Geometry: keV(10), Substrate: al, Coating: &al, Order: Over}, "thickness"},
		{Config{Geometry: keV(10), Substrate: al, Layers: []xray.Material{al}}, "thickness"},
		{Config{Geometry: keV(10), Substrate: al, Particle: &Particle{Material: dense.Material}}, "diameter"},
		{Config{Geometry: keV(10), Substrate: al, Particle: &Particle{Material: dense.Material, DiameterM: -1e-9}}, "diameter"},
		{Config{Geometry: keV(10), Substrate: al, Particle: &Particle{Material: dense.Material, DiameterM: 1e-7, Sunk: 1.5}}, "sunk"},
		{Config{Geometry: keV(10), Substrate: al, Particle: &Particle{DiameterM: 1e-7}}, "composition"},
		{Config{Geometry: keV(10), Substrate: al, Beam: Beam{PixelM: math.NaN()}}, "pixel"},
		{Config{Geometry: keV(10), Substrate: al, Beam: Beam{XM: math.Inf(1)}}, "beam x"},
		{Config{Geometry: keV(10), Substrate: al, Trajectories: -1}, "trajectories"},
		{Config{Geometry: keV(10), Substrate: al, Elastic: 9}, "Browning or Rutherford"},
		{Config{Geometry: keV(10), Substrate: al, Peaks: []quant.Peak{{Element: 200}}}, "peak"},
		{Config{Geometry: keV(10), Substrate: al, Cutoff: 1}, "cutoff"},
	} {
		if _, err := Run(context.Background(), c.cfg); err == nil || !strings.HasPrefix(err.Error(), "transport: ") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want one about %q", err, c.want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, Config{Geometry: keV(10), Substrate: al}); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v after cancelling", err)
	}
	// A beam below every edge of the peaks is not an error: nothing is raised.
	if r := simulate(t, Config{Geometry: keV(1), Substrate: al, Peaks: peaks(t, "Al K"), Trajectories: 10}); r.Intensities[0].Emitted != 0 {
		t.Errorf("Al K of %g below its edge", r.Intensities[0].Emitted)
	}
}

// The exponential numbers have mean 1 and variance 1, and the law's tail.
func TestExponential(t *testing.T) {
	c := newChance()
	rng := rand.NewPCG(1, 2)
	const n = 1 << 20
	var sum, sum2, tail float64
	for range n {
		x := c.exponential(rng.Uint64())
		sum += x
		sum2 += x * x
		if x > 5 {
			tail++
		}
	}
	near(t, "mean", sum/n, 1/math.Sqrt(n), 1, 0)
	near(t, "mean square", sum2/n, math.Sqrt(20.0/n), 2, 0)
	near(t, "tail beyond 5", tail/n, math.Sqrt(math.Exp(-5)/n), math.Exp(-5), 0)
	for _, r := range []uint64{0, 1, 1 << 63, math.MaxUint64} {
		if x := c.exponential(r); !(x >= 0 && x < 40) {
			t.Errorf("exponential(%x) = %g", r, x)
		}
	}
}

func ExampleRun() {
	silica, _ := xray.ParseMaterial("SiO2:2.2g/cm3")
	r, err := Run(context.Background(), Config{
		Geometry:     quant.Geometry{BeamEnergy: 5 * xray.KeV},
		Substrate:    xray.Pure(13),
		Particle:     &Particle{Material: silica, DiameterM: 100e-9},
		Peaks:        []quant.Peak{{Element: 14}},
		Trajectories: 5000,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("Si K photons per electron, into 4π: %.1e\n", r.Intensities[0].Emitted)
	// Output:
	// Si K photons per electron, into 4π: 9.9e-05
}
