package spots

import (
	"math"

	"example.org/fleck/maps"
)

// ground is the substrate of a search: one phase or several, and the phase of
// every pixel. The class maps of all phases lie one after the other; a pixel has
// counts in those of its own phase alone, so that it is weighed against that.
type ground struct {
	phases []phase
	of     []uint8 // phase of every pixel; nil: there is one
}

// phase is the substrate of some of the pixels.
type phase struct {
	background
	cl     *classes
	first  int     // number of its first class map
	pixels int     // of the field
	total  float64 // counts of the field in them
}

// newGround returns the ground of one background per phase.
func newGround(f *Field, of []uint8, backgrounds ...background) ground {
	g := ground{of: of}
	for _, b := range backgrounds {
		g.phases = append(g.phases, phase{background: b})
	}
	for p, n := range f.totals {
		ph := &g.phases[g.at(p)]
		ph.pixels++
		ph.total += float64(n)
	}
	return g
}

// at returns the phase of pixel p.
func (g *ground) at(p int) int {
	if g.of == nil {
		return 0
	}
	return int(g.of[p])
}

// refit says that the spectra come from the field itself.
func (g *ground) refit() bool { return g.phases[0].refit }

// manyClasses is the number of classes of a phase where there are several: each
// costs a transform, and the information lost is below 1 % (choice of this
// package).
const manyClasses = 8

// classify parts the channels of every phase into classes.
func (g *ground) classify(s1 []float64, k int) {
	if len(g.phases) > 1 {
		k = min(k, manyClasses)
	}
	first := 0
	for i := range g.phases {
		ph := &g.phases[i]
		ph.cl, ph.first = ph.background.classify(s1, k), first
		first += ph.cl.n()
	}
}

// ratios returns the ratio of target to substrate of every class.
func (g *ground) ratios() []float64 {
	var r []float64
	for i := range g.phases {
		r = append(r, g.phases[i].cl.r...)
	}
	return r
}

// information returns the information per count about a small fraction of target,
// averaged over the counts of the field, and the least that tells the two apart:
// two spectra that differ by noise alone have an information of about the number
// of classes over the counts; 1e−3 would need a spot of 3·10⁴ counts, pure
// target, for d = 6.
func (g *ground) information() (info, least float64) {
	if len(g.phases) == 1 {
		return g.phases[0].information()
	}
	total := 0.0
	for i := range g.phases {
		ph := &g.phases[i]
		a, b := ph.information()
		info += ph.total * a
		least += ph.total * b
		total += ph.total
	}
	return info / total, least / total
}

func (ph *phase) information() (info, least float64) {
	least = 1e-3
	if ph.counts > 0 {
		least = math.Max(least, 4*float64(ph.cl.n())/ph.counts)
	}
	return ph.cl.information(), least
}

// perClass returns the information of the phase of every class.
func (g *ground) perClass() []float64 {
	var out []float64
	for i := range g.phases {
		info := g.phases[i].cl.information()
		for range g.phases[i].cl.n() {
			out = append(out, info)
		}
	}
	return out
}

// mapsOf returns the count map of every class.
func (g *ground) mapsOf(f *Field) [][]float64 {
	last := &g.phases[len(g.phases)-1]
	out := newClassMaps(last.first+last.cl.n(), f.W*f.H)
	for p := range f.W * f.H {
		ph := &g.phases[g.at(p)]
		for i := f.start[p]; i < f.start[p+1]; i++ {
			out[ph.first+int(ph.cl.of[f.ch[i]])][p] += float64(f.n[i])
		}
	}
	return out
}

// mean returns the spectrum of the whole field, sum 1, and the counts behind it.
func (g *ground) mean() (spectrum []float64, counts float64) {
	if len(g.phases) == 1 {
		return append([]float64(nil), g.phases[0].raw...), g.phases[0].counts
	}
	total := 0.0
	for i := range g.phases {
		total += g.phases[i].total
		counts += g.phases[i].counts
	}
	for i := range g.phases {
		ph := &g.phases[i]
		if spectrum == nil {
			spectrum = make([]float64, len(ph.raw))
		}
		for c, v := range ph.raw {
			spectrum[c] += ph.total / total * v
		}
	}
	return spectrum, counts
}

// sums returns the sum spectrum of every phase outside the mask.
func (g *ground) sums(f *Field, mask maps.Mask) [][]float64 {
	out := newClassMaps(len(g.phases), f.nc)
	for p, in := range mask.In {
		if !in {
			f.addTo(out[g.at(p)], p, 1)
		}
	}
	return out
}
