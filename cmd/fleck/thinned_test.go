package main

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"example.org/fleck/maps"
	"example.org/fleck/maps/cube"
	"example.org/fleck/spectra"
	"example.org/fleck/spectra/msa"
)

// drawer draws channels from a measured spectrum.
type drawer []float64

func newDrawer(counts []float64, from int) drawer {
	d := make(drawer, len(counts))
	sum := 0.0
	for i, n := range counts {
		if i >= from {
			sum += n
		}
		d[i] = sum
	}
	return d
}

func (d drawer) draw(rng *rand.Rand) int {
	u := rng.Float64() * d[len(d)-1]
	lo, hi := 0, len(d)-1
	for lo < hi {
		mid := (lo + hi) / 2
		if d[mid] > u {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// thin makes a cube whose pixels are thinned from two measured spectra: the
// substrate everywhere and, around the spots, the other in its place. A spot
// has the share strength at its centre and a Gaussian profile of 1.2 px.
func thin(t *testing.T, path string, substrate, spot *spectra.Spectrum, size int, perPixel float64, spots [][2]float64, seed uint64) {
	t.Helper()
	const strength, width = 0.6, 1.2
	h := cube.Header{Width: size, Height: size, Channels: 1024, Type: cube.U16, Calibration: substrate.Calibration, CalibrationKnown: true,
		Pixel: maps.Pixel{X: 0.2 * maps.Micrometre, Y: 0.2 * maps.Micrometre}, Conditions: substrate.Conditions}
	mem, err := cube.NewMemory(h)
	if err != nil {
		t.Fatal(err)
	}
	// From 150 eV up, so that the electronics' zero peak takes no part.
	from := int(math.Ceil(substrate.Channel(150)))
	a, b := newDrawer(substrate.Counts[:1024], from), newDrawer(spot.Counts[:1024], from)
	rng := rand.New(rand.NewPCG(seed, 0))
	for y := range size {
		for x := range size {
			f := 0.0
			for _, s := range spots {
				d2 := (float64(x)-s[0])*(float64(x)-s[0]) + (float64(y)-s[1])*(float64(y)-s[1])
				f = math.Max(f, strength*math.Exp(-d2/(2*width*width)))
			}
			px := mem.Spectrum(x, y)
			n := int(perPixel + math.Sqrt(perPixel)*rng.NormFloat64() + 0.5)
			for range max(n, 0) {
				if rng.Float64() < f {
					px[b.draw(rng)]++
				} else {
					px[a.draw(rng)]++
				}
			}
		}
	}
	out, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	rows, err := mem.Rows()
	if err != nil {
		t.Fatal(err)
	}
	if err := cube.WriteNRRD(out, mem.Header(), rows, cube.Raw); err != nil {
		t.Fatal(err)
	}
}

// TestThinnedCube makes cubes from measured spectra (open data of 2022: a
// molybdenum or gallium arsenide substrate with spots of silicon, 15 keV) and
// sends them through map and spots: the planted spots must be found, and in the
// map of Si K they must stand out.
func TestThinnedCube(t *testing.T) {
	if testing.Short() {
		t.Skip("long: left out of short runs")
	}
	root := os.Getenv("FLECK_REAL_DATA")
	if root == "" {
		t.Skip("FLECK_REAL_DATA is not set: no measured spectra")
	}
	read := func(name string) *spectra.Spectrum {
		f, err := os.Open(filepath.Join(root, "sem-metals", name))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		file, err := msa.Read(f)
		if err != nil {
			t.Fatal(err)
		}
		return &file.Spectrum
	}
	silicon := read("Si_15kV.emsa")
	for _, tt := range []struct{ file, substrate, elements string }{
		{"Mo_15kV.emsa", "Mo:10.2g/cm3", "C,O,Si,Mo"},
		{"GaAs_15kV.emsa", "GaAs:5.32g/cm3", "C,O,Si,Ga,As"},
	} {
		t.Run(tt.file, func(t *testing.T) {
			dir := t.TempDir()
			substrate := read(tt.file)
			planted := [][2]float64{{10, 12}, {30, 8}, {22, 25}, {8, 33}, {35, 34}}
			field, blank := filepath.Join(dir, "field.nrrd"), filepath.Join(dir, "blank.nrrd")
			thin(t, field, substrate, silicon, 44, 120, planted, 1)
			thin(t, blank, substrate, silicon, 44, 120, nil, 2)

			m := answer(t, 0, "map", field, "--elements", tt.elements, "--out", filepath.Join(dir, "maps"))
			if rows := m["maps"].([]any); len(rows) < 3 {
				t.Errorf("%d maps", len(rows))
			}

			s := answer(t, 0, "spots", field, "--blank", blank, "--target", "Si:2.33g/cm3", "--substrate", tt.substrate, "--replicas", "49", "--no-limit")
			var found [][2]float64
			for _, r := range s["spots"].([]any) {
				row := r.(map[string]any)
				found = append(found, [2]float64{row["x_px"].(float64), row["y_px"].(float64)})
			}
			for _, p := range planted {
				hit := false
				for _, q := range found {
					hit = hit || math.Hypot(p[0]-q[0], p[1]-q[1]) < 1.5
				}
				if !hit {
					t.Errorf("planted spot at %v not found; found are %v", p, found)
				}
			}
			if len(found) > len(planted)+2 {
				t.Errorf("%d spots found, %d planted: %v", len(found), len(planted), found)
			}
		})
	}
}
