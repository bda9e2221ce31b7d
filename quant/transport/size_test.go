package transport

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func sizeTable(t testing.TB, beam float64, diameters []float64, model Elastic, seed uint64, trajectories int) *SizeTable {
	t.Helper()
	s, err := Sizes(context.Background(), Config{
		Geometry: keV(beam), Substrate: material(t, "Al"), Particle: &Particle{Material: material(t, "SiO2:2.2g/cm3")},
		Peaks: peaks(t, "Si K", "O K"), Trajectories: trajectories, Elastic: model, Seed: seed,
	}, diameters)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// In the thin limit a table holds n Q ω V.
func TestSizesThinLimit(t *testing.T) {
	s := sizeTable(t, 20, []float64{50e-9, 100e-9}, Browning, 1, 4000)
	for i, d := range s.DiameterM {
		law := thinLaw(t, "SiO2:2.2g/cm3", "Si K", 20, d*1e9, 1e9) // per m²
		near(t, fmt.Sprintf("%g nm", d*1e9), s.Area[i][0]/law, s.AreaErr[i][0]/law, 1, 0.03)
	}
}

// checkSizes recovers diameters of simulated spots. The spots come from the other
// elastic cross section and another seed than the table, so that generator and
// table are not the same. Counts of the silicon line: signal and a known background
// of a third of it. It prints median error, coverage and interval width beside the
// bound of counting statistics, a third of sqrt(N+B)/N times 2·1.96 for the width.
func checkSizes(t *testing.T, spots, trajectories int) {
	grid := []float64{50e-9, 80e-9, 130e-9, 200e-9, 320e-9, 500e-9, 800e-9, 1300e-9, 2000e-9}
	rng := rand.New(rand.NewPCG(11, 1))
	for _, beam := range []float64{5, 10, 15} {
		table := sizeTable(t, beam, grid, Browning, 1, trajectories)
		truth := sizeTable(t, beam, []float64{100e-9, 200e-9, 500e-9, 1000e-9}, Rutherford, 2, 2*trajectories)
		for _, counts := range []float64{30, 100, 1000} {
			background := counts / 3
			for i, d := range truth.DiameterM {
				var errors, widths []float64
				covered := 0.0
				draw := distuv.Poisson{Lambda: counts + background, Src: rng}
				for range spots {
					got, err := table.Diameter(0, Spot{Counts: int(draw.Rand()), Background: background, PerArea: counts / truth.Area[i][0]}, 0.95)
					if err != nil {
						t.Fatal(err)
					}
					errors = append(errors, math.Abs(got.DiameterM/d-1))
					widths = append(widths, (got.HighM-got.LowM)/d)
					if got.LowM <= d && d <= got.HighM {
						covered += 1 / float64(spots)
					}
				}
				slices.Sort(errors)
				slices.Sort(widths)
				median, width := errors[spots/2], widths[spots/2]
				bound := math.Sqrt(counts+background) / counts / 3
				t.Logf("%2g keV %4.0f nm %4g counts: median error %.1f %% (statistics alone %.1f %%), coverage %.3f, median width %.1f %% (%.1f %%)",
					beam, d*1e9, counts, 100*median, 100*0.674*bound, covered, 100*width, 100*2*1.96*bound)
				// At least 93 %, less four standard errors of the number of spots.
				if low := 0.93 - 4*math.Sqrt(0.93*0.07/float64(spots)); covered < low {
					t.Errorf("%g keV, %g nm, %g counts: coverage %.3f, want at least %.3f", beam, d*1e9, counts, covered, low)
				}
				if counts == 1000 && median > 0.1 {
					t.Errorf("%g keV, %g nm: median error %.3f at 1000 counts", beam, d*1e9, median)
				}
			}
		}
	}
}

func TestSizes(t *testing.T) { checkSizes(t, 300, 2500) }

func TestSizeTable(t *testing.T) {
	s := sizeTable(t, 10, []float64{400e-9, 100e-9, 200e-9}, Browning, 1, 500)
	if !slices.IsSorted(s.DiameterM) {
		t.Errorf("diameters %v", s.DiameterM)
	}
	// Inverse of itself, at and between the nodes; d³ below.
	for i, d := range s.DiameterM {
		if got, _ := s.DiameterFor(0, s.Area[i][0]); math.Abs(got/d-1) > 1e-12 {
			t.Errorf("%g m comes back as %g", d, got)
		}
	}
	if got, out := s.DiameterFor(0, s.Area[0][0]/8); math.Abs(got/50e-9-1) > 1e-12 || !out {
		t.Errorf("an eighth of the first: %g m, outside %v", got, out)
	}
	last := 0.0
	for n := 0; n < 4000; n += 50 {
		x, err := s.Diameter(0, Spot{Counts: n, Background: 10, PerArea: 100 / s.Area[0][0]}, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if x.DiameterM < last || x.LowM > x.DiameterM || x.HighM < x.DiameterM || x.MassG < 0 {
			t.Fatalf("%d counts: %+v after %g", n, x, last)
		}
		last = x.DiameterM
	}
	// 3000 counts of a 100 nm particle at 100: a sphere of silica of mass ρV.
	x, _ := s.Diameter(0, Spot{Counts: 100, PerArea: 100 / s.Area[0][0]}, 0.95)
	if want := math.Pi / 6 * 1e-15 * 2.2; math.Abs(x.MassG/want-1) > 1e-9 {
		t.Errorf("mass %g g, want %g", x.MassG, want)
	}
	if r := s.Ratio(1, 0, 200e-9); !(r > 1 && r < 3) {
		t.Errorf("O K/Si K of 200 nm is %g", r)
	}
	if r := s.Ratio(1, 0, 1e-3); !math.IsNaN(r) {
		t.Errorf("a ratio of %g outside of the table", r)
	}
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var back SizeTable
	if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(*s, back) {
		t.Errorf("read back: %v", err)
	}
	for _, bad := range []string{`{}`, `{"DiameterM":[1,2]}`, `[]`, `{"DiameterM":[2,1],"Area":[[],[]],"AreaErr":[[],[]]}`} {
		if err := json.Unmarshal([]byte(bad), &back); err == nil || !strings.Contains(err.Error(), "size table") {
			t.Errorf("%s: error %v", bad, err)
		}
	}
}

func TestSizeBadInput(t *testing.T) {
	ctx := context.Background()
	c := Config{Geometry: keV(10), Substrate: material(t, "Al"), Peaks: peaks(t, "Si K"), Trajectories: 10}
	if _, err := Sizes(ctx, c, []float64{1e-7, 2e-7}); err == nil {
		t.Error("no error without a particle")
	}
	c.Particle = &Particle{Material: material(t, "SiO2:2.2g/cm3")}
	for _, d := range [][]float64{nil, {1e-7}, {1e-7, 1e-7}, {0, 1e-7}, {-1e-7, 1e-7}} {
		if _, err := Sizes(ctx, c, d); err == nil {
			t.Errorf("no error for diameters %v", d)
		}
	}
	s := &SizeTable{Peaks: c.Peaks, DensityG: 2.2, DiameterM: []float64{1e-7, 2e-7}, Area: [][]float64{{1}, {8}}, AreaErr: [][]float64{{0}, {0}}}
	good := Spot{Counts: 10, PerArea: 1}
	for _, f := range []func(*Spot, *int, *float64){
		func(s *Spot, _ *int, _ *float64) { s.Counts = -1 },
		func(s *Spot, _ *int, _ *float64) { s.Background = math.NaN() },
		func(s *Spot, _ *int, _ *float64) { s.PerArea = 0 },
		func(_ *Spot, p *int, _ *float64) { *p = 1 },
		func(_ *Spot, _ *int, l *float64) { *l = 1 },
	} {
		x, p, l := good, 0, 0.95
		f(&x, &p, &l)
		if _, err := s.Diameter(p, x, l); err == nil {
			t.Errorf("no error for %+v, peak %d, level %g", x, p, l)
		}
	}
	if x, err := s.Diameter(0, Spot{Counts: 3, Background: 5, PerArea: 1}, 0.95); err != nil || x.DiameterM != 0 || x.LowM != 0 || !(x.HighM > 0) {
		t.Errorf("counts below the background: %+v, %v", x, err)
	}
}

func FuzzSizeTable(f *testing.F) {
	f.Add([]byte(`{"Peaks":[{"Element":14,"Family":0}],"DensityG":2.2,"DiameterM":[1e-7,2e-7],"Area":[[1],[8]],"AreaErr":[[0.1],[0.1]]}`))
	f.Add([]byte(`{"DiameterM":[1,2]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var s SizeTable
		if json.Unmarshal(b, &s) != nil {
			return
		}
		for p := range s.Peaks {
			if x, err := s.Diameter(p, Spot{Counts: 10, Background: 2, PerArea: 1}, 0.95); err == nil && x.LowM > x.HighM {
				t.Errorf("interval from %g to %g", x.LowM, x.HighM)
			}
		}
	})
}
