package transport

import (
	"context"
	"math"
	"strings"
	"testing"

	"example.org/fleck/spectra/xray"
)

// The k-ratio of a bulk against itself is 1, whatever density is stated, and that of a
// thick sphere against its own bulk as well.
func TestKRatios(t *testing.T) {
	c := Config{Geometry: keV(5), Substrate: material(t, "SiO2:2.2g/cm3"), Peaks: peaks(t, "Si K", "O K"), Trajectories: 4000}
	got, err := KRatios(context.Background(), c, []xray.Material{material(t, "SiO2")})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range got {
		near(t, x.Peak.String(), x.K, x.KErr, 1, 0)
		if x.Standard != "SiO2" || !(x.KErr > 0 && x.KErr < 0.05) {
			t.Errorf("%v: standard %s, error %g", x.Peak, x.Standard, x.KErr)
		}
	}
	// 2 µm at 5 keV: 1.00 by the planning table of an independent program.
	c.Substrate, c.Particle = material(t, "Al"), &Particle{Material: material(t, "SiO2:2.2g/cm3"), DiameterM: 2e-6}
	got, err = KRatios(context.Background(), c, []xray.Material{material(t, "SiO2")})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "sphere of 2 µm", got[0].K, got[0].KErr, 1, 0.02)
	if math.Abs(got[0].FromParticle/got[0].Emitted-1) > 1e-12 {
		t.Error("Si K not from the particle")
	}
	got, err = KRatios(context.Background(), c, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got[0].Standard != "Si" || !(got[0].K > 0.2 && got[0].K < 0.5) {
		t.Errorf("against %s: %g", got[0].Standard, got[0].K)
	}
	c.Particle.DiameterM = -1
	if _, err := KRatios(context.Background(), c, nil); err == nil || !strings.Contains(err.Error(), "diameter") {
		t.Errorf("error %v", err)
	}
}
