package template

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
)

// The fast path is taken for thin films only, and agrees there with transport.
func TestFlat(t *testing.T) {
	for _, c := range []struct {
		film   string
		beam   float64
		method string
	}{
		{"SiO2:2.2g/cm3:10nm", 10, MethodDepth}, {"SiO2:2.2g/cm3:10nm", 5, MethodDepth}, {"SiO2:2.2g/cm3:50nm", 5, MethodTransport},
		{"SiO2:2.2g/cm3:300nm", 10, MethodTransport}, {"Au:19.3g/cm3:5nm", 15, MethodDepth}, {"Au:19.3g/cm3:20nm", 5, MethodTransport},
	} {
		s := setup(t, "Al", c.beam)
		_, method, err := Flat(context.Background(), s, []xray.Material{material(t, c.film)}, SphereOptions{Trajectories: 200})
		if err != nil || method != c.method {
			t.Errorf("%s at %g keV: %q, %v, want %q", c.film, c.beam, method, err, c.method)
		}
	}
	checkFilms(t, []filmCase{{"SiO2:2.2g/cm3", "Si K"}, {"TiO2:4.23g/cm3", "Ti K"}}, []string{"Al"}, []float64{15}, []float64{0.01, FilmShare}, 4000)
	s := setup(t, "Al", 10)
	if _, _, err := Flat(context.Background(), s, []xray.Material{material(t, "SiO2:2.2g/cm3")}, SphereOptions{}); err == nil || !strings.Contains(err.Error(), "thickness") {
		t.Errorf("error %v", err)
	}
	s.Geometry.Tilt = 0.3
	if _, method, err := Flat(context.Background(), s, nil, SphereOptions{Trajectories: 200}); err != nil || method != MethodTransport {
		t.Errorf("tilted: %q, %v", method, err)
	}
}

type filmCase struct{ film, peak string }

// checkFilms compares photons per electron of films by phi(rho z) and by transport,
// without fluorescence, which transport lacks. Within FilmShare 5 % is accepted on
// aluminium and 7 % on iron, and four standard errors.
func checkFilms(t *testing.T, films []filmCase, substrates []string, beams, shares []float64, trajectories int) {
	for _, c := range films {
		for _, sub := range substrates {
			for _, beam := range beams {
				p, err := quant.ParsePeak(c.peak)
				if err != nil {
					t.Fatal(err)
				}
				g := quant.Geometry{BeamEnergy: xray.Energy(beam) * xray.KeV, TakeOff: 35 * xray.Degree}
				if e, ok := p.Element.Edge(xray.K); p.Family == xray.FamilyK && ok && g.BeamEnergy < 1.2*e {
					continue
				}
				line := fmt.Sprintf("%s on %s at %2g keV, shares of the range %g:", c.peak, sub, beam, shares)
				for _, share := range shares {
					film := material(t, c.film)
					film.MassDepth = share * transport.Range(film, g.BeamEnergy)
					film.ThicknessM = film.MassDepth / film.Density * 1e-2
					q, sigma := filmRatio(t, film, material(t, sub), p, g, trajectories)
					line += fmt.Sprintf("  %.3f ± %.3f", q, sigma)
					limit := 0.07
					if sub == "Al" {
						limit = 0.05
					}
					if share <= FilmShare && !(math.Abs(q-1) <= limit+4*sigma) {
						t.Errorf("%s on %s at %g keV, %.2f of the range: phi(rho z) over transport %.3f ± %.3f", c.peak, sub, beam, share, q, sigma)
					}
				}
				t.Log(line)
			}
		}
	}
}

// filmRatio returns the photons of a peak of the film by phi(rho z) over those by
// transport.
func filmRatio(t *testing.T, film, substrate xray.Material, p quant.Peak, g quant.Geometry, trajectories int) (q, sigma float64) {
	r, err := transport.Run(context.Background(), transport.Config{Geometry: g, Substrate: substrate, Layers: []xray.Material{film}, Peaks: []quant.Peak{p}, Trajectories: trajectories})
	if err != nil {
		t.Fatal(err)
	}
	per, err := matrix.Layered([]xray.Material{film}, substrate, g, matrix.Options{Fluorescence: matrix.NoFluorescence})
	if err != nil {
		t.Fatal(err)
	}
	n := 0.0
	for _, e := range per[0] {
		if e.Line.Element == p.Element && e.Line.Initial.Family() == p.Family {
			n += e.PhotonsPerElectron
		}
	}
	x := r.Intensities[0]
	q = n / x.Emitted
	return q, q * x.EmittedErr / x.Emitted
}
