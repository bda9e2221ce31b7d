package spots

import (
	"math"
	"math/rand/v2"

	"example.org/fleck/maps"
)

// mosaic is a field whose pixels differ in spectrum and mean counts, with grains
// of other compounds on it.
type mosaic struct {
	w, h    int
	spectra [][]float64
	label   []int     // of every pixel, into spectra
	mean    []float64 // counts of every pixel
	grains  []planted
}

func evenMosaic(w, h int, counts float64, spectrum []float64) mosaic {
	m := mosaic{w: w, h: h, spectra: [][]float64{spectrum}, label: make([]int, w*h), mean: make([]float64, w*h)}
	for p := range m.mean {
		m.mean[p] = counts
	}
	return m
}

func (m mosaic) draw(rng *rand.Rand) *Field {
	nc := len(m.spectra[0])
	frac, of := make([]float64, m.w*m.h), make([]int, m.w*m.h)
	var grain, ground []picker
	for i, g := range m.grains {
		grain = append(grain, newPicker(g.spectrum))
		p := newProfile(profile{}, g.x, g.y, g.s, m.w, m.h)
		for q, k := range p.k {
			if at := (p.y0+q/p.w)*m.w + p.x0 + q%p.w; g.f*k > frac[at] {
				frac[at], of[at] = g.f*k, i
			}
		}
	}
	for _, s := range m.spectra {
		ground = append(ground, newPicker(s))
	}
	b, err := NewBuilder(m.w, m.h, nc, Range{}, maps.Pixel{})
	if err != nil {
		panic(err)
	}
	row := make([]uint32, m.w*nc)
	for y := range m.h {
		clear(row)
		for x := range m.w {
			p := y*m.w + x
			for range poissonDraw(rng, m.mean[p]) {
				pick := ground[m.label[p]]
				if frac[p] > 0 && rng.Float64() < frac[p] {
					pick = grain[of[p]]
				}
				row[x*nc+pick.draw(rng)]++
			}
		}
		if err := b.AddRow(row); err != nil {
			panic(err)
		}
	}
	f, err := b.Field()
	if err != nil {
		panic(err)
	}
	return f
}

// cells labels the pixels by the nearest of n random points.
func (m *mosaic) cells(rng *rand.Rand, n int, label func(i int) int) {
	x, y := make([]float64, n), make([]float64, n)
	for i := range x {
		x[i], y[i] = rng.Float64()*float64(m.w), rng.Float64()*float64(m.h)
	}
	for p := range m.label {
		best, at := math.Inf(1), 0
		for i := range x {
			if d := math.Hypot(float64(p%m.w)-x[i], float64(p/m.w)-y[i]); d < best {
				best, at = d, i
			}
		}
		m.label[p] = label(at)
	}
}
