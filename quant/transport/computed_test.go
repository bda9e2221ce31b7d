package transport

import (
	"fmt"
	"math"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/spectra/xray"
)

// Fractions of electrons that pass and return from foils, from an independent
// program: its error of 0.01 and ours.
func TestFoils(t *testing.T) {
	for _, row := range readTable(t, "foils.csv", 5) {
		name := fmt.Sprintf("%s %s ug/cm2, %s keV", row[0], row[2], row[1])
		foil := material(t, row[0]+":"+row[2]+"ug/cm2")
		r := simulate(t, Config{Geometry: keV(number(t, row[1])), Layers: []xray.Material{foil}, Peaks: []quant.Peak{}, Trajectories: 2500})
		near(t, name+" transmitted", r.Transmitted, r.TransmittedErr, number(t, row[3]), 0.01)
		near(t, name+" backscattered", r.Backscattered, r.BackscatteredErr, number(t, row[4]), 0.01)
	}
}

// checkSpheres compares silica spheres on aluminium with the table of an
// independent program, within 5 % or 0.006 of ratios near 0, and the error of
// the simulation. Casnati's cross section, the attenuation tables and the yields
// cancel to first order.
func checkSpheres(t *testing.T, every, trajectories int) {
	silica, al := material(t, "SiO2:2.2g/cm3"), material(t, "Al")
	gold := material(t, "Au:19.32g/cm3:10nm")
	p := peaks(t, "Si K", "Al K")
	type bulk struct{ si, al Intensity }
	standards := map[float64]bulk{}
	worst, sum, n := 0.0, 0.0, 0.0
	defer func() { t.Logf("Si K over the table's: mean %.4f, at most %.3f off, %g values", sum/n, worst, n) }()
	note := func(got, want float64) {
		worst = math.Max(worst, math.Abs(got/want-1))
		sum += got / want
		n++
	}
	for i, row := range readTable(t, "spheres.csv", 5) {
		if i%every != 0 {
			continue
		}
		beam, d := number(t, row[0]), number(t, row[1])
		if _, ok := standards[beam]; !ok {
			standards[beam] = bulk{
				simulate(t, Config{Geometry: keV(beam), Substrate: silica, Peaks: p[:1], Trajectories: trajectories}).Intensities[0],
				simulate(t, Config{Geometry: keV(beam), Substrate: al, Peaks: p[1:], Trajectories: trajectories}).Intensities[0],
			}
		}
		std := standards[beam]
		c := Config{Geometry: keV(beam), Substrate: al, Particle: &Particle{Material: silica, DiameterM: d * 1e-9}, Peaks: p, Trajectories: trajectories}
		r := simulate(t, c)
		name := fmt.Sprintf("%g nm, %g keV", d, beam)
		si, al := r.Intensities[0], r.Intensities[1]
		k, err := ratio(si.Emitted, si.EmittedErr, std.si.Emitted, std.si.EmittedErr)
		near(t, name+": Si K", k, err, number(t, row[2]), 0.05*number(t, row[2]))
		note(k, number(t, row[2]))
		k, err = ratio(al.Emitted, al.EmittedErr, std.al.Emitted, std.al.EmittedErr)
		near(t, name+": Al K", k, err, number(t, row[3]), math.Max(0.006, 0.05*number(t, row[3])))
		if row[4] == "" {
			continue
		}
		c.Coating, c.Order = &gold, Over
		si = simulate(t, c).Intensities[0]
		k, err = ratio(si.Emitted, si.EmittedErr, std.si.Emitted, std.si.EmittedErr)
		note(k, number(t, row[4]))
		near(t, name+" under 10 nm of gold: Si K", k, err, number(t, row[4]), 0.05*number(t, row[4]))
	}
}

func TestSpheres(t *testing.T) { checkSpheres(t, 5, 2000) }

// thinLaw is the law of thin particles: photons per electron from a particle
// wholly inside a pixel, n Q ω V/p².
func thinLaw(t testing.TB, m, peak string, beam, d, pixel float64) float64 {
	massNM := material(t, m).Density * 1e-21 // g/nm³
	volume := math.Pi / 6 * d * d * d
	return thinYield(t, m, peak, beam) * massNM * volume / (pixel * pixel * 1e-14)
}

// The law of thin particles holds within 3 % for diameters up to 0.2 of the
// range of Kanaya & Okayama and pixels hardly larger than the particle. Larger
// pixels gain electrons that return from the substrate, see TestStudyThinLaw.
func TestThinLaw(t *testing.T) {
	for _, c := range []struct{ beam, d float64 }{{5, 50}, {5, 90}, {10, 50}, {10, 200}, {15, 100}, {20, 400}} {
		const m = "SiO2:2.2g/cm3"
		if share := c.d * 1e-7 * 2.2 / Range(material(t, m), xray.Energy(c.beam)*xray.KeV); share > 0.2 {
			t.Fatalf("%g nm is %.2f of the range", c.d, share)
		}
		r := simulate(t, Config{
			Geometry: keV(c.beam), Substrate: material(t, "Al"), Particle: &Particle{Material: material(t, m), DiameterM: c.d * 1e-9},
			Beam: Beam{PixelM: 1.05 * c.d * 1e-9}, Peaks: peaks(t, "Si K"), Trajectories: 5000,
		})
		law := thinLaw(t, m, "Si K", c.beam, c.d, 1.05*c.d)
		x := r.Intensities[0]
		t.Logf("%g nm at %g keV: simulation over law %.3f ± %.3f", c.d, c.beam, x.Emitted/law, x.EmittedErr/law)
		near(t, fmt.Sprintf("%g nm, %g keV", c.d, c.beam), x.Emitted/law, x.EmittedErr/law, 1, 0.03)
	}
}

// Binaries of two medium-heavy elements: two per cent between two models with
// their own stopping power, backscatter and cross section.
var mediumBinaries = []string{
	"Fe-50Ni:8.3g/cm3", "Cu-50Zn:8.4g/cm3", "Cr-50Fe:7.5g/cm3", "Ag-50Cu:9.7g/cm3", "GaAs:5.32g/cm3",
	"Mn-40Cu:7.9g/cm3", "Co-40Ti:6g/cm3", "Ni-50V:7.3g/cm3", "Zn-30Ti:6.5g/cm3", "Ni-20Cr:8.4g/cm3",
}

// checkBinaries compares k-ratios of bulk specimens with matrix.KRatios.
func checkBinaries(t *testing.T, list []string, trajectories int, tolerance float64) {
	g := quant.Geometry{BeamEnergy: 15 * xray.KeV, TakeOff: 40 * xray.Degree}
	pure := map[quant.Peak]Intensity{}
	for _, s := range list {
		m := material(t, s)
		var p []quant.Peak
		for _, k := range m.Components {
			f := xray.FamilyK
			if k.Element > 35 {
				f = xray.FamilyL
			}
			p = append(p, quant.Peak{Element: k.Element, Family: f})
		}
		want, err := matrix.KRatios(m, p, g, matrix.Options{Fluorescence: matrix.NoFluorescence})
		if err != nil {
			t.Fatal(err)
		}
		r := simulate(t, Config{Geometry: g, Substrate: m, Peaks: p, Trajectories: trajectories})
		for i, q := range p {
			if _, ok := pure[q]; !ok {
				pure[q] = simulate(t, Config{Geometry: g, Substrate: xray.Pure(q.Element), Peaks: p[i : i+1], Trajectories: trajectories}).Intensities[0]
			}
			x := r.Intensities[i]
			k, kErr := ratio(x.Emitted, x.EmittedErr, pure[q].Emitted, pure[q].EmittedErr)
			t.Logf("%s %v: %.4f ± %.4f, matrix %.4f, ratio %.4f", s, q, k, kErr, want[i].KRatio, k/want[i].KRatio)
			near(t, s+" "+q.String(), k, kErr, want[i].KRatio, tolerance*want[i].KRatio)
		}
	}
}

func TestBinaries(t *testing.T) { checkBinaries(t, mediumBinaries, 2000, 0.02) }

// checkCoatings compares films on silica with an independent program: its 3 % or
// 0.02, and 2 % for other densities, edges and L and M cross sections. The two have
// other attenuation tables below 1 keV: what remains of O K is brought to ours, and C
// K, which bulk carbon absorbs almost wholly, is left out.
func checkCoatings(t *testing.T, every, trajectories int) {
	silica := material(t, "SiO2:2.2g/cm3")
	bare := map[float64]*Result{}
	for i, row := range readTable(t, "coatings.csv", 6) {
		if i%every != 0 {
			continue
		}
		beam := number(t, row[1])
		metal := xray.Pure(material(t, row[0]).Components[0].Element)
		if row[0] == "C" {
			metal = material(t, "C:2.0g/cm3")
		}
		line := map[string]string{"C": "C K", "Cr": "Cr K", "Pd": "Pd L", "Ag": "Ag L"}[row[0]]
		if line == "" {
			line = row[0] + " M5-N7"
		}
		film := metal
		film.ThicknessM = 10e-9
		p := peaks(t, line, "Si K", "O K")
		if bare[beam] == nil {
			bare[beam] = simulate(t, Config{Geometry: keV(beam), Substrate: silica, Peaks: p[1:], Trajectories: trajectories})
		}
		bulk := simulate(t, Config{Geometry: keV(beam), Substrate: metal, Peaks: p[:1], Trajectories: trajectories}).Intensities[0]
		r := simulate(t, Config{Geometry: keV(beam), Substrate: silica, Coating: &film, Order: Over, Peaks: p, Trajectories: trajectories})
		std := []Intensity{bulk, bare[beam].Intensities[0], bare[beam].Intensities[1]}
		oxygen, _ := p[2].Element.LineOf(xray.K, xray.L3)
		more := float64(metal.Attenuation(oxygen.Energy)) - number(t, row[5])
		want := []float64{number(t, row[2]), number(t, row[3]), number(t, row[4]) * math.Exp(-more*metal.Density*10e-7*keV(beam).Cosecant())}
		for k, tolerance := range []float64{0.05 * want[0], 0.02 + 0.02*want[1], 0.02 + 0.02*want[2]} {
			if k == 0 && row[0] == "C" {
				continue
			}
			x := r.Intensities[k]
			q, err := ratio(x.Emitted, x.EmittedErr, std[k].Emitted, std[k].EmittedErr)
			t.Logf("%s 10 nm, %g keV, %v: %.4f ± %.4f, want %.4f", row[0], beam, p[k], q, err, want[k])
			near(t, fmt.Sprintf("%s 10 nm, %g keV, %v", row[0], beam, p[k]), q, err, want[k], tolerance)
		}
	}
}

func TestCoatings(t *testing.T) { checkCoatings(t, 4, 3000) }
