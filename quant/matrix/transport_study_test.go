//go:build study

package matrix_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"example.org/fleck/quant"
	"example.org/fleck/quant/matrix"
	"example.org/fleck/quant/transport"
	"example.org/fleck/spectra/xray"
)

// The studies here set the models against package transport, which shares their
// cross sections of K shells, yields and attenuation, but neither stopping power
// (Joy & Luo 1989 there) nor backscatter (Browning's cross section there), and
// has no fluorescence. Short runs take some of the rows with fewer electrons.

// tally is a mean and a spread.
type tally struct{ n, sum, squares float64 }

func (s *tally) add(x float64) { s.n++; s.sum += x; s.squares += x * x }

func (s *tally) String() string {
	m := s.sum / s.n
	return fmt.Sprintf("%4.0f  mean %.4f  rms %5.2f %%", s.n, m, 100*math.Sqrt(max(s.squares/s.n-m*m, 0))/m)
}

func parsePeak(t testing.TB, name string) quant.Peak {
	t.Helper()
	p, err := quant.ParsePeak(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// simulate returns what a specimen sends of the peaks.
func simulate(t testing.TB, g quant.Geometry, layers []xray.Material, sub xray.Material, peaks []quant.Peak, electrons int) []transport.Intensity {
	t.Helper()
	c := transport.Config{Geometry: g, Layers: layers, Substrate: sub, Peaks: peaks, Trajectories: electrons, Seed: 1}
	for _, p := range peaks { // electrons below all edges are of no use
		shells := p.Family.Shells()
		if e, ok := p.Element.Edge(shells[len(shells)-1]); ok && (c.Cutoff == 0 || e < c.Cutoff) {
			c.Cutoff = e
		}
	}
	r, err := transport.Run(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	return r.Intensities
}

// simulated is a ratio of two simulations with its standard error.
func simulated(x, std transport.Intensity) (k, err float64) {
	k = x.Emitted / std.Emitted
	return k, k * math.Hypot(x.EmittedErr/x.Emitted, std.EmittedErr/std.Emitted)
}

// TestStudyTransport says by class of rows of testdata/bastin.csv which deviates
// from the measured k-ratios of aluminium films, the model or the simulation.
func TestStudyTransport(t *testing.T) {
	every, electrons := 1, 4000
	if testing.Short() {
		every, electrons = 25, 500
	}
	f, err := os.Open("testdata/bastin.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	reader := csv.NewReader(f)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	methods := []string{"transport", "model", "PAP as published"}
	by := map[string][3]*tally{}
	standards := map[float64]transport.Intensity{}
	al := []quant.Peak{parsePeak(t, "Al Ka")}
	n := 0
	for _, row := range rows[1:] {
		if row[3] != "Al Ka" {
			continue
		}
		if n++; n%every != 0 {
			continue
		}
		thickness, _ := strconv.ParseFloat(row[1], 64)
		beam, _ := strconv.ParseFloat(row[4], 64)
		measured, _ := strconv.ParseFloat(row[5], 64)
		z, err := xray.ParseElement(row[2])
		if err != nil {
			t.Fatal(err)
		}
		g := geometryOf(beam)
		sub, film := solid(t, z.Symbol()), solid(t, "Al")
		film.MassDepth = thickness * 1e-6
		film.ThicknessM = film.MassDepth / film.Density * 1e-2
		if _, ok := standards[beam]; !ok {
			standards[beam] = simulate(t, g, nil, solid(t, "Al"), al, 5*electrons)[0]
		}
		k, _ := simulated(simulate(t, g, []xray.Material{film}, sub, al, electrons)[0], standards[beam])
		layered := func(opt matrix.Options) float64 {
			p, err := matrix.LayeredKRatios([]xray.Material{film}, sub, al, g, opt)
			if err != nil {
				t.Fatal(err)
			}
			return p[0].KRatio
		}
		// What the simulation lacks: fluorescence.
		k *= layered(matrix.Options{}) / layered(matrix.Options{Fluorescence: matrix.NoFluorescence})
		values := [3]float64{k, layered(matrix.Options{}), layered(matrix.Options{Surface: matrix.SurfacePouchou})}
		weight := "1 light substrate (Be, B, Si)"
		switch {
		case z > 60:
			weight = "4 substrate of Hf, Pt, Bi"
		case z > 40:
			weight = "3 substrate of Mo, Ru, Pd"
		case z > 20:
			weight = "2 substrate of Cr to Ge"
		}
		for _, class := range []string{"0 all", weight, fmt.Sprintf("5 %2g keV", beam), fmt.Sprintf("6 %5.2f µg/cm²", thickness)} {
			if by[class][0] == nil {
				by[class] = [3]*tally{{}, {}, {}}
			}
			for i, v := range values {
				by[class][i].add(v / measured)
			}
		}
	}
	for _, class := range slices.Sorted(maps.Keys(by)) {
		for i, m := range methods {
			t.Logf("%-30s %-17s %v", class[2:], m, by[class][i])
		}
	}
	if m := by["0 all"][0].sum / by["0 all"][0].n; math.Abs(m-1) > 0.06 {
		t.Errorf("simulated over measured %.3f on the mean; stopping powers explain 6 %%", m)
	}
}

func geometryOf(beam float64) quant.Geometry {
	return quant.Geometry{BeamEnergy: xray.Energy(beam) * xray.KeV, TakeOff: 40 * xray.Degree}
}

// solid returns a material with a density: a simulation needs one, though in a
// bulk or film of stated mass it changes nothing.
func solid(t testing.TB, formula string) xray.Material {
	t.Helper()
	m, err := xray.ParseMaterial(formula)
	if err != nil {
		t.Fatal(err)
	}
	if m.Density == 0 {
		m.Density = 5 // g/cm³
	}
	return m
}
