package spots

import (
	"math"
	"math/rand/v2"

	"example.org/fleck/maps"
)

// A small world for the tests: 115 channels of 20 eV from 0.1 keV and one
// overflow channel, Gaussian lines with a FWHM of 75 eV at 1.74 keV widening
// with energy as 8 ln 2·F·ε·E (F = 0.115, ε = 3.65 eV: values from memory,
// unverified; any smooth law would do for the tests).
const worldChannels = 116

func worldEnergy(c int) float64 { return 110 + 20*float64(c) } // eV, centre

func worldLine(e float64) []float64 {
	const k = 8 * math.Ln2 * 0.115 * 3.65
	fwhm := math.Sqrt(75*75 + k*(e-1740))
	s := fwhm / math.Sqrt(8*math.Ln2)
	out := make([]float64, worldChannels)
	t := 0.0
	for c := range worldChannels - 1 {
		d := (worldEnergy(c) - e) / s
		out[c] = math.Exp(-d * d / 2)
		t += out[c]
	}
	for c := range out {
		out[c] /= t
	}
	return out
}

// worldContinuum falls as (E0−E)/E from 300 eV and is absorbed below; the
// overflow channel holds what lies above 2.4 keV for a beam of 5 keV.
func worldContinuum() []float64 {
	out := make([]float64, worldChannels)
	t := 0.0
	for c := range worldChannels - 1 {
		e := worldEnergy(c)
		out[c] = (5000 - e) / e * math.Exp(-math.Pow(350/e, 3))
		t += out[c]
	}
	over := 0.0
	for e := 2410.0; e < 5000; e += 20 {
		over += (5000 - e) / e
	}
	out[worldChannels-1] = over
	t += over
	for c := range out {
		out[c] /= t
	}
	return out
}

func worldMix(parts map[float64]float64, continuum float64) []float64 {
	out := make([]float64, worldChannels)
	b := worldContinuum()
	for c := range out {
		out[c] = continuum * b[c]
	}
	// A fixed order of the lines, so that the sums have the same bits.
	for _, e := range []float64{277, 525, 677, 1041, 1254, 1487, 1740, 1773, 2013, 2307} {
		if a, ok := parts[e]; ok {
			for c, v := range worldLine(e) {
				out[c] += a * v
			}
		}
	}
	t := 0.0
	for _, v := range out {
		t += v
	}
	for c := range out {
		out[c] /= t
	}
	return out
}

// Line energies, eV: C K 277, O K 525, F K 677, Na K 1041, Mg K 1254, Al K
// 1487, Si K 1740, W M 1773, P K 2013, S K 2307.

func worldAluminium() []float64 {
	return worldMix(map[float64]float64{277: .02, 525: .03, 1487: .65}, .30)
}

func worldSilica() Template {
	return worldTemplate("SiO2", map[float64]float64{1740: .50, 525: .25}, .25, 1740)
}

func worldTemplate(name string, parts map[float64]float64, continuum, own float64) Template {
	t := Template{Name: name, Spectrum: worldMix(parts, continuum), Line: make([]float64, worldChannels)}
	sum := continuum
	for _, a := range parts {
		sum += a
	}
	for c, v := range worldLine(own) {
		t.Line[c] = parts[own] / sum * v
	}
	return t
}

func newTestRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 1)) }

// planted is a spot of the simulated truth.
type planted struct {
	x, y, s, f float64
	spectrum   []float64
}

// worldField draws a field: counts counts per pixel on average, Poisson.
func worldField(rng *rand.Rand, w, h int, counts float64, s0 []float64, spots []planted) *Field {
	frac := make([]float64, w*h)
	of := make([]int, w*h)
	for i, sp := range spots {
		p := newProfile(profile{}, sp.x, sp.y, sp.s, w, h)
		for j := range p.h {
			for k := range p.w {
				q := (p.y0+j)*w + p.x0 + k
				if v := sp.f * p.k[j*p.w+k]; v > frac[q] {
					frac[q], of[q] = v, i
				}
			}
		}
	}
	base := newPicker(s0)
	pick := make([]picker, len(spots))
	for i := range spots {
		pick[i] = newPicker(spots[i].spectrum)
	}
	b, err := NewBuilder(w, h, len(s0), Range{}, maps.Pixel{})
	if err != nil {
		panic(err)
	}
	row := make([]uint32, w*len(s0))
	for y := range h {
		clear(row)
		for x := range w {
			n := poissonDraw(rng, counts)
			for range n {
				q := y*w + x
				if frac[q] > 0 && rng.Float64() < frac[q] {
					row[x*len(s0)+pick[of[q]].draw(rng)]++
				} else {
					row[x*len(s0)+base.draw(rng)]++
				}
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

type picker struct{ cum []float64 }

func newPicker(p []float64) picker {
	c := make([]float64, len(p))
	t := 0.0
	for i, v := range p {
		t += v
		c[i] = t
	}
	for i := range c {
		c[i] /= t
	}
	return picker{c}
}

func (p picker) draw(rng *rand.Rand) int {
	u := rng.Float64()
	lo, hi := 0, len(p.cum)-1
	for lo < hi {
		m := (lo + hi) / 2
		if p.cum[m] > u {
			hi = m
		} else {
			lo = m + 1
		}
	}
	return lo
}

func poissonDraw(rng *rand.Rand, mu float64) int {
	if mu > 30 { // split, so that exp(−mu) stays away from zero
		return poissonDraw(rng, mu/2) + poissonDraw(rng, mu/2)
	}
	l := math.Exp(-mu)
	k, p := 0, rng.Float64()
	for p > l {
		p *= rng.Float64()
		k++
	}
	return k
}

// scatter places n spots of width s at least gap apart and off the frame.
func scatter(rng *rand.Rand, n, w, h int, s, f, gap float64, spectrum []float64) []planted {
	var out []planted
	margin := 2.5 * s
	for try := 0; len(out) < n && try < 10000; try++ {
		x := margin + rng.Float64()*(float64(w-1)-2*margin)
		y := margin + rng.Float64()*(float64(h-1)-2*margin)
		ok := true
		for _, o := range out {
			ok = ok && math.Hypot(o.x-x, o.y-y) >= gap
		}
		if ok {
			out = append(out, planted{x, y, s, f, spectrum})
		}
	}
	return out
}
