//go:build study

package transport

import (
	"fmt"
	"math"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// go test -tags study -run Study -v ./quant/transport

// At 100 000 trajectories the standard error is at most 0.0016; one of it is allowed.
// Au at 30 keV misses: 0.4940 ± 0.0016, with a million trajectories 0.4968 ± 0.0005,
// where the band begins at 0.497; the other 24 are inside. The energy at which electrons are given up does not matter (0.4968
// at 0.05 and at 0.5 keV, 0.4947 at 5 keV).
func TestStudyBackscatter(t *testing.T) { checkBackscatter(t, 100000, 1) }

func TestStudyDepth(t *testing.T) { checkDepth(t, 8000, 1) }

func TestStudySpheres(t *testing.T) { checkSpheres(t, 1, 20000) }

func TestStudyFilmsMeasured(t *testing.T) { checkFilms(t, 1, 10000) }

// 30 000 trajectories give a standard error of about 0.3 %.
func TestStudyBinaries(t *testing.T) { checkBinaries(t, mediumBinaries, 30000, 0.02) }

// Light and medium elements together: the models differ by up to 3 %, mostly by
// the absorption of the light one.
func TestStudyLightBinaries(t *testing.T) {
	checkBinaries(t, []string{"Ni-30Al:6g/cm3", "Ti-50Al:3.8g/cm3", "Cu-50Al:5g/cm3", "Fe-30Si:6g/cm3", "NiSi:5.8g/cm3"}, 30000, 0.03)
}

// TestStudyFilms prints films against matrix.LayeredKRatios. The k-ratios are up to
// 34 % (Ag L, 5 keV), 20 % (Au M) and 22 % (C K, 5 keV) higher than those of phi(rho z).
// It is the bulk standard that differs, not the film, whose photons per electron agree
// within 5 % (TestStudyFilms of package template): the ionisations per electron in the
// bulk go with ∫Q/S dE over Q(E0). Swapping one ingredient at a time in that integral,
// the law of Joy & Luo for that of the model takes 15 % (Ag L), 15 % (Au M) and 18 %
// (C K) away at 5 keV, 7, 8 and 5 % at 20 keV; the tabulated cross section for ln U/U^m
// 8, 9 and −1 %, 2, 3 and −4 %. Both together are the difference within a few per cent.
// Measured aluminium films side with neither: TestStudyFilmsMeasured has 3 to 8 %
// too much at 4 to 6 keV and as much too little at 30 keV.
func TestStudyFilms(t *testing.T) {
	for _, sub := range []string{"Al", "Si"} {
		for _, f := range []struct{ m, peak string }{{"Au:19.3g/cm3", "Au M"}, {"Ag:10.5g/cm3", "Ag L"}, {"C:2.0g/cm3", "C K"}} {
			for _, beam := range []float64{5, 10, 20} {
				g := quant.Geometry{BeamEnergy: xray.Energy(beam) * xray.KeV, TakeOff: 40 * xray.Degree}
				p := peaks(t, f.peak, sub+" K")
				var std [2]Intensity
				std[0] = simulate(t, Config{Geometry: g, Substrate: material(t, f.m), Peaks: p[:1], Trajectories: 20000}).Intensities[0]
				std[1] = simulate(t, Config{Geometry: g, Substrate: material(t, sub), Peaks: p[1:], Trajectories: 20000}).Intensities[0]
				for _, nm := range []string{"5nm", "20nm", "50nm"} {
					film := material(t, f.m+":"+nm)
					want, err := matrix.LayeredKRatios([]xray.Material{film}, material(t, sub), p, g, matrix.Options{Fluorescence: matrix.NoFluorescence})
					if err != nil {
						t.Fatal(err)
					}
					r := simulate(t, Config{Geometry: g, Substrate: material(t, sub), Layers: []xray.Material{film}, Peaks: p, Trajectories: 20000})
					for i, x := range r.Intensities {
						k, kErr := ratio(x.Emitted, x.EmittedErr, std[i].Emitted, std[i].EmittedErr)
						t.Logf("%-4s on %s, %2g keV, %v: %.4f ± %.4f, matrix %.4f, ratio %.3f", nm, sub, beam, p[i], k, kErr, want[i].KRatio, k/want[i].KRatio)
					}
				}
			}
		}
	}
}

// TestStudyThinLaw prints the simulation over the law of thin particles, by
// diameter and pixel.
func TestStudyThinLaw(t *testing.T) {
	const m = "SiO2:2.2g/cm3"
	for _, beam := range []float64{5, 10, 15, 20} {
		for _, d := range []float64{50, 100, 200, 400, 800} {
			line := ""
			for _, f := range []float64{1.05, 1.5, 3, 10} {
				x := simulate(t, Config{
					Geometry: keV(beam), Substrate: material(t, "Al"), Particle: &Particle{Material: material(t, m), DiameterM: d * 1e-9},
					Beam: Beam{PixelM: f * d * 1e-9}, Peaks: peaks(t, "Si K"), Trajectories: 30000,
				}).Intensities[0]
				law := thinLaw(t, m, "Si K", beam, d, f*d)
				line += fmt.Sprintf("  %.3f ± %.3f", x.Emitted/law, x.EmittedErr/law)
			}
			share := d * 1e-7 * 2.2 / Range(material(t, m), xray.Energy(beam)*xray.KeV)
			t.Logf("%2g keV %3g nm (%.3f of the range), pixel 1.05, 1.5, 3, 10 diameters:%s", beam, d, share, line)
			if math.IsNaN(share) {
				t.Fail()
			}
		}
	}
}

func TestStudySizes(t *testing.T) { checkSizes(t, 5000, 10000) }

func TestStudyCoatings(t *testing.T) { checkCoatings(t, 1, 20000) }
