package transport

import (
	"context"
	"math"
	"reflect"
	"testing"
)

func excesses(t testing.TB, c Config, patches ...Patch) *ExcessTable {
	t.Helper()
	x, err := Excesses(context.Background(), c, patches)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// The excess is the difference of two simulations of their own, with and without
// the particle, for every order of the coating and a particle pressed in.
func TestExcesses(t *testing.T) {
	gold := material(t, "Au:19.3g/cm3:10nm")
	for name, c := range map[string]Config{
		"bare":    {Substrate: material(t, "Al")},
		"over":    {Substrate: material(t, "Al"), Coating: &gold, Order: Over},
		"both":    {Substrate: material(t, "Al"), Coating: &gold, Order: Both},
		"tilted":  {Substrate: material(t, "Al")},
		"pressed": {Substrate: material(t, "Al"), Particle: &Particle{Sunk: 0.5}},
	} {
		c.Geometry, c.Peaks, c.Trajectories = keV(8), peaks(t, "Si K", "Al K"), 4000
		if name == "tilted" {
			c.Geometry.Tilt = 0.6
		}
		if c.Particle == nil {
			c.Particle = &Particle{}
		}
		c.Particle.Material = material(t, "SiO2:2.2g/cm3")
		c.Continuum = ContinuumEnergies(c.materials(), 1000, c.Geometry.BeamEnergy, 6)
		const d, side = 200e-9, 1000e-9
		x := excesses(t, c, Patch{DiameterM: d, SideM: side})
		got := x.Spheres[0]

		c.Seed = 5
		p := *c.Particle
		p.DiameterM = d
		with := c
		with.Particle = &p
		with.Beam = Beam{PixelM: side}
		a := simulate(t, with)
		bare := c
		bare.Particle = nil
		b := simulate(t, bare)
		for i, g := range got.Intensities {
			p, q := a.Intensities[i], b.Intensities[i]
			near(t, name+" "+g.Peak.String(), g.Emitted, math.Hypot(g.EmittedErr, side*side*math.Hypot(p.EmittedErr, q.EmittedErr)), side*side*(p.Emitted-q.Emitted), 0)
			near(t, name+" own "+g.Peak.String(), g.FromParticle, math.Hypot(g.FromParticleErr, side*side*p.FromParticleErr), side*side*p.FromParticle, 0)
			q2 := x.Bare.Intensities[i]
			near(t, name+" bare "+g.Peak.String(), q2.Emitted, math.Hypot(q2.EmittedErr, q.EmittedErr), q.Emitted, 0)
			if g.Peak.Element == 13 && !(g.EmittedErr < side*side*p.EmittedErr) {
				t.Errorf("%s: error %g of the excess of %v is not below that of two simulations, %g", name, g.EmittedErr, g.Peak, side*side*p.EmittedErr)
			}
		}
		for i, g := range got.Continuum {
			p, q := a.Continuum[i], b.Continuum[i]
			near(t, name+" continuum", g.Emitted, math.Hypot(g.EmittedErr, side*side*math.Hypot(p.EmittedErr, q.EmittedErr)), side*side*(p.Emitted-q.Emitted), 0)
			near(t, name+" own continuum", g.FromParticle, math.Hypot(g.FromParticleErr, side*side*p.FromParticleErr), side*side*p.FromParticle, 0)
		}
	}
}

// A trajectory that does not meet the particle adds nothing, so that the error of
// what the particle takes from the substrate is one of the order of the particle's own
// area, however wide the square around it: within 0.3 of it here (0.07 to 0.25 with
// seeds 1 to 3), where the bare substrate of the square has 19 times as much.
func TestExcessOfWideSquares(t *testing.T) {
	gold := material(t, "Au:19.3g/cm3:10nm")
	const d, side = 100e-9, 2800e-9
	for seed := range uint64(3) {
		c := Config{
			Geometry: keV(10), Substrate: material(t, "Al"), Coating: &gold, Order: Over,
			Particle: &Particle{Material: material(t, "SiO2:2.2g/cm3")},
			Peaks:    peaks(t, "Al K"), Trajectories: 1000, Seed: seed + 1,
		}
		x := excesses(t, c, Patch{DiameterM: d, SideM: side})
		area := math.Pi / 4 * d * d * x.Bare.Intensities[0].Emitted
		if got := x.Spheres[0].Intensities[0].EmittedErr / area; !(got < 0.3) {
			t.Errorf("seed %d: error of the excess %.3g areas of the particle; at most 0.3 is expected", seed+1, got)
		}
		t.Logf("%.3g; bare %.3g", x.Spheres[0].Intensities[0].EmittedErr/area, side*side*x.Bare.Intensities[0].EmittedErr/area)
	}
}

// Rings sum to the whole, and most of a particle's own photons come from within its
// radius.
func TestRings(t *testing.T) {
	c := Config{Geometry: keV(10), Substrate: material(t, "Al"), Particle: &Particle{Material: material(t, "SiO2:2.2g/cm3")}, Peaks: peaks(t, "Si K", "Al K"), Trajectories: 3000}
	x := excesses(t, c, Patch{DiameterM: 400e-9}, Patch{DiameterM: 200e-9, RingsM: []float64{50e-9, 100e-9, 1e-6}})
	s := x.Spheres[0]
	if len(s.Rings) != 3 || len(x.Spheres[1].Rings) != 0 || s.DiameterM != 200e-9 {
		t.Fatalf("%d rings of %g m", len(s.Rings), s.DiameterM)
	}
	for k := range s.Intensities {
		var sum, own float64
		for _, r := range s.Rings {
			sum += r.Intensities[k].Emitted
			own += r.Intensities[k].FromParticle
		}
		if math.Abs(sum-s.Intensities[k].Emitted) > 1e-9*math.Abs(sum) || math.Abs(own-s.Intensities[k].FromParticle) > 1e-9*own {
			t.Errorf("%v: rings sum to %g and %g, want %g and %g", s.Intensities[k].Peak, sum, own, s.Intensities[k].Emitted, s.Intensities[k].FromParticle)
		}
	}
	in := s.Rings[0].Intensities[0].FromParticle + s.Rings[1].Intensities[0].FromParticle
	if all := s.Intensities[0].FromParticle; !(in > 0.8*all && in < all) {
		t.Errorf("%g of %g from beams that meet the particle", in, all)
	}
	// The chord is longer in the middle: per area more comes from the inner ring.
	if a, b := s.Rings[0].Intensities[0].FromParticle, s.Rings[1].Intensities[0].FromParticle/3; !(a > 1.2*b) {
		t.Errorf("per area %g from the inner ring, %g from the outer", a, b)
	}
}

// Electrons that come back from afar reach a small particle in a wide square: without
// sending them there, hardly one of these would. The increase is that of two
// simulations in which the square is covered bit by bit, TestRaster, so that only its
// error is looked at here.
func TestReturning(t *testing.T) {
	c := Config{Geometry: keV(15), Substrate: material(t, "Al"), Particle: &Particle{Material: material(t, "SiO2:2.2g/cm3")}, Peaks: peaks(t, "Si K"), Trajectories: 4000}
	var values []float64
	var stated float64
	const n = 12
	for i := range uint64(n) {
		c.Seed = i
		x := excesses(t, c, Patch{DiameterM: 50e-9, SideM: 4e-6}).Spheres[0].Intensities[0]
		values = append(values, x.FromParticle)
		stated += x.FromParticleErr / n
	}
	var sum, sum2 float64
	for _, v := range values {
		sum += v
		sum2 += v * v
	}
	got := math.Sqrt((sum2 - sum*sum/n) / (n - 1))
	near(t, "scatter over stated error", got/stated, 1/math.Sqrt(2*n), 1, 0)
	if e := stated / (sum / n); e > 0.04 {
		t.Errorf("relative error %.3f of 4000 trajectories", e)
	}
}

func TestExcessWorkers(t *testing.T) {
	c := Config{Geometry: keV(5), Substrate: material(t, "Al"), Particle: &Particle{Material: material(t, "SiO2:2.2g/cm3")}, Trajectories: 3*BlockSize + 1}
	c.Continuum = ContinuumEnergies(c.materials(), 1000, c.Geometry.BeamEnergy, 6)
	var first *ExcessTable
	for _, w := range []int{1, 2, 3, 8} {
		c.Workers = w
		x := excesses(t, c, Patch{DiameterM: 100e-9, RingsM: []float64{40e-9}}, Patch{DiameterM: 300e-9})
		x.Bare.Config.Workers = 0
		if first == nil {
			first = x
		} else if !reflect.DeepEqual(first, x) {
			t.Errorf("%d workers give another result than 1", w)
		}
	}
}

// The continuum of a thick target without absorption and backscatter is that of
// Kramers, K Z (E0 − E)/E; backscattered electrons take a few per cent of it away.
func TestContinuum(t *testing.T) {
	c := Config{Geometry: keV(10), Substrate: material(t, "C:2.0g/cm3"), Peaks: peaks(t, "C K"), Trajectories: 4000}
	c.Continuum = ContinuumEnergies(nil, 3000, c.Geometry.BeamEnergy, 5)
	r := simulate(t, c)
	for _, g := range r.Continuum {
		e := g.Energy.KeV()
		want := 2.2e-9 * 6 * (10 - e) / e
		if got := g.Emitted / want; !(got > 0.93 && got < 1+4*g.EmittedErr/want) {
			t.Errorf("continuum at %.2f keV is %.3f ± %.3f of Kramers's", e, got, g.EmittedErr/want)
		}
	}
}
