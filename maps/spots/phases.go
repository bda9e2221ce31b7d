package spots

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"example.org/fleck/spectra/poisson"
)

// Phase is one constituent of a substrate, such as a phase of an alloy.
type Phase struct {
	Spectrum []float64 // counts per channel of the pixels taken for this phase
	Share    float64   // of all pixels
}

// Settings of the look for phases (choices of this package).
const (
	mostPhases  = 4
	phaseShare  = 0.05 // least share of the pixels: smaller ones are grains
	phaseWindow = 2    // half side of the window in which two phases must be told apart
	// phaseApart is the least information in a window for that: the log-likelihood
	// ratio of two phases of divergence D (Jeffreys 1946) over n counts has the mean
	// n·D/2 and about the variance n·D, so that 16 are two standard deviations to
	// either side of zero.
	phaseApart = 16
	// phaseBond is the log-likelihood that a neighbour of the same phase adds
	// (Potts field, iterated conditional modes: Besag 1986, J. R. Stat. Soc. B 48, 259).
	phaseBond = 1.0
	// phaseTarget is the share of target in the spectrum of a phase, in excess of
	// the other phases, from which it is taken for a deposit, and phaseTargetGain
	// twice the log-likelihood that its own line must add for that.
	phaseTarget     = 0.02
	phaseTargetGain = 16
)

// FindPhases parts the pixels of fields of one kind, such as the blank fields of
// a coupon, into constituents of different spectra, largest first. The channels
// of the own line of the target take no part, so that a deposit of the target makes no
// phase by its line. Fields of one even spectrum, and constituents that 5 × 5
// pixels cannot tell apart or that make up less than 5 % of the pixels, give no
// more than one phase.
func FindPhases(fields []*Field, target Template) ([]Phase, error) {
	if len(fields) == 0 {
		return nil, fmt.Errorf("spots: no fields to find phases in")
	}
	for i, f := range fields {
		if f.nc != len(target.Line) {
			return nil, fmt.Errorf("spots: field %d has %d channels, the own line of target %q %d", i+1, f.nc, target.Name, len(target.Line))
		}
	}
	for _, f := range fields {
		if even := f.evenness(target.Line, nil, 1); even.uneven || even.share >= phaseShare {
			of, n := partition(fields, target.Line)
			return phasesOf(fields, of, n), nil
		}
	}
	return phasesOf(fields, nil, 1), nil
}

// phasesOf sums up the spectra of the phases.
func phasesOf(fields []*Field, of [][]uint8, n int) []Phase {
	out := make([]Phase, n)
	pixels := 0.0
	for k := range out {
		out[k].Spectrum = make([]float64, fields[0].nc)
	}
	for i, f := range fields {
		for p := range f.totals {
			k := 0
			if of != nil {
				k = int(of[i][p])
			}
			f.addTo(out[k].Spectrum, p, 1)
			out[k].Share++
			pixels++
		}
	}
	for k := range out {
		out[k].Share /= pixels
	}
	return out
}

// partition labels the pixels of fields with n phases, largest first; nil for
// one. Phases are added as long as each keeps its share of the pixels and all can
// be told apart.
func partition(fields []*Field, line []float64) (of [][]uint8, n int) {
	n = 1
	b := newBlocks(fields, line)
	if b.bands < 2 || len(b.counts) < 4 {
		return nil, 1
	}
	centres := [][]float64{b.mean(nil, 0)}
	for n < mostPhases {
		start, ok := b.oddest(centres)
		if !ok {
			break
		}
		more := append(slices.Clone(centres), start)
		b.cluster(more)
		labels := make([][]uint8, len(fields))
		for i, f := range fields {
			labels[i] = make([]uint8, len(f.totals))
		}
		for range 3 {
			for i, f := range fields {
				f.label(labels[i], b.band, more)
			}
			more = b.centres(fields, labels, len(more))
		}
		if !b.distinct(fields, labels, more) {
			break
		}
		of, n, centres = labels, n+1, more
	}
	if of == nil {
		return nil, 1
	}
	return byShare(of, n), n
}

// byShare renumbers the phases, largest first.
func byShare(of [][]uint8, n int) [][]uint8 {
	pixels, order, rank := make([]int, n), make([]int, n), make([]uint8, n)
	for _, l := range of {
		for _, k := range l {
			pixels[k]++
		}
	}
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(pixels[b], pixels[a]) })
	for r, k := range order {
		rank[k] = uint8(r)
	}
	for _, l := range of {
		for p, k := range l {
			l[p] = rank[k]
		}
	}
	return of
}

// blocks holds the counts of square blocks of pixels in bands of channels.
type blocks struct {
	band   []int // of every channel; −1: left out
	bands  int
	counts [][]float64 // of every block, by band
	totals []float64
}

func newBlocks(fields []*Field, line []float64) *blocks {
	b := &blocks{}
	sum := make([]float64, fields[0].nc)
	total, pixels := 0.0, 0
	for _, f := range fields {
		for c, v := range f.sum {
			sum[c] += v
		}
		total += f.Total()
		pixels += len(f.totals)
	}
	if total == 0 {
		return b
	}
	side := blockSideOf(total / float64(pixels))
	b.band, b.bands = bandsOf(sum, line, float64(pixels)/float64(side*side))
	if b.bands < 2 {
		return b
	}
	for _, f := range fields {
		t := newTiling(f.W, f.H, side)
		counts := newClassMaps(t.n(), b.bands)
		for p := range f.totals {
			at := counts[t.at(p)]
			for i := f.start[p]; i < f.start[p+1]; i++ {
				if k := b.band[f.ch[i]]; k >= 0 {
					at[k] += float64(f.n[i])
				}
			}
		}
		b.counts = append(b.counts, counts...)
	}
	for _, c := range b.counts {
		b.totals = append(b.totals, sumOf(c))
	}
	return b
}

// mean returns the shares of the bands in the blocks of group k, no band below
// half a count; group nil: all.
func (b *blocks) mean(group []int, k int) []float64 {
	out := make([]float64, b.bands)
	for i, c := range b.counts {
		if group == nil || group[i] == k {
			for j, v := range c {
				out[j] += v
			}
		}
	}
	return shares(out)
}

// shares scales counts to sum 1, no band below half a count.
func shares(counts []float64) []float64 {
	t := 0.0
	for j, v := range counts {
		counts[j] = math.Max(v, .5)
		t += counts[j]
	}
	for j := range counts {
		counts[j] /= t
	}
	return counts
}

// nearest returns for every block the most likely centre.
func (b *blocks) nearest(centres [][]float64) []int {
	logs := newClassMaps(len(centres), b.bands)
	for k, mu := range centres {
		for g, v := range mu {
			logs[k][g] = math.Log(v)
		}
	}
	out := make([]int, len(b.counts))
	for i, counts := range b.counts {
		best := math.Inf(-1)
		for k := range centres {
			if l := dot(counts, logs[k]); l > best {
				best, out[i] = l, k
			}
		}
	}
	return out
}

// oddest returns the spectrum of the block that fits its centre worse than all
// but the least share of a phase do.
func (b *blocks) oddest(centres [][]float64) ([]float64, bool) {
	type odd struct {
		i    int
		chi2 float64
	}
	list := make([]odd, len(b.counts))
	for i, k := range b.nearest(centres) {
		list[i].i = i
		for g, n := range b.counts[i] { // Pearson's chi-square
			if m := b.totals[i] * centres[k][g]; m > 0 {
				list[i].chi2 += (n - m) * (n - m) / m
			}
		}
	}
	slices.SortStableFunc(list, func(a, b odd) int { return cmp.Compare(b.chi2, a.chi2) })
	at := list[int(phaseShare/2*float64(len(list)))]
	if b.totals[at.i] == 0 {
		return nil, false
	}
	return shares(slices.Clone(b.counts[at.i])), true
}

// cluster moves the centres to the means of the blocks nearest to them (Lloyd
// 1982, with the multinomial likelihood as distance).
func (b *blocks) cluster(centres [][]float64) {
	var group []int
	for range 20 {
		next := b.nearest(centres)
		if slices.Equal(group, next) {
			return
		}
		group = next
		for k := range centres {
			if slices.Contains(group, k) {
				centres[k] = b.mean(group, k)
			}
		}
	}
}

// centres returns the shares of the bands in the pixels of every label.
func (b *blocks) centres(fields []*Field, labels [][]uint8, n int) [][]float64 {
	out := newClassMaps(n, b.bands)
	for i, f := range fields {
		for p, k := range labels[i] {
			for j := f.start[p]; j < f.start[p+1]; j++ {
				if g := b.band[f.ch[j]]; g >= 0 {
					out[k][g] += float64(f.n[j])
				}
			}
		}
	}
	for k := range out {
		shares(out[k])
	}
	return out
}

// distinct reports whether every phase has its share of the pixels and any two
// can be told apart in a window.
func (b *blocks) distinct(fields []*Field, labels [][]uint8, centres [][]float64) bool {
	n := make([]float64, len(centres))
	pixels := 0.0
	for _, l := range labels {
		for _, k := range l {
			n[k]++
			pixels++
		}
	}
	window := sumOf(b.totals) / pixels * (2*phaseWindow + 1) * (2*phaseWindow + 1)
	for k, mu := range centres {
		if n[k] < phaseShare*pixels {
			return false
		}
		for _, nu := range centres[:k] {
			d := 0.0
			for g := range mu {
				d += (mu[g] - nu[g]) * math.Log(mu[g]/nu[g])
			}
			if window*d < phaseApart {
				return false
			}
		}
	}
	return true
}

// label gives every pixel the phase of highest posterior in a Potts field, from
// the most likely one of its window on.
func (f *Field) label(dst []uint8, band []int, centres [][]float64) {
	n := len(centres)
	logs := newClassMaps(n, f.nc)
	for k := range centres {
		for c, g := range band {
			if g >= 0 {
				logs[k][c] = math.Log(centres[k][g])
			}
		}
	}
	energy := newClassMaps(n, len(f.totals))
	for p := range f.totals {
		for i := f.start[p]; i < f.start[p+1]; i++ {
			v, c := float64(f.n[i]), f.ch[i]
			for k := range n {
				energy[k][p] += v * logs[k][c]
			}
		}
	}
	best := make([]float64, len(dst))
	for k := range n {
		for p, v := range boxSum(energy[k], f.W, f.H, phaseWindow) {
			if k == 0 || v > best[p] {
				best[p], dst[p] = v, uint8(k)
			}
		}
	}
	var near [mostPhases]float64
	for range 10 {
		changed := false
		for y := range f.H {
			for x := range f.W {
				clear(near[:])
				p := y*f.W + x
				for j := max(y-1, 0); j <= min(y+1, f.H-1); j++ {
					for i := max(x-1, 0); i <= min(x+1, f.W-1); i++ {
						near[dst[j*f.W+i]] += phaseBond
					}
				}
				near[dst[p]] -= phaseBond // itself
				at := dst[p]
				top := energy[at][p] + near[at]
				for k := range n {
					if v := energy[k][p] + near[k]; v > top+1e-9 {
						top, at = v, uint8(k)
					}
				}
				changed = changed || at != dst[p]
				dst[p] = at
			}
		}
		if !changed {
			return
		}
	}
}

// boxSum returns the sum of v over squares of 2r+1 pixels cut at the frame.
func boxSum(v []float64, w, h, r int) []float64 {
	rows, out := make([]float64, len(v)), make([]float64, len(v))
	for y := range h {
		for x := range w {
			for i := max(x-r, 0); i <= min(x+r, w-1); i++ {
				rows[y*w+x] += v[y*w+i]
			}
		}
	}
	for y := range h {
		for j := max(y-r, 0); j <= min(y+r, h-1); j++ {
			for x := range w {
				out[y*w+x] += rows[j*w+x]
			}
		}
	}
	return out
}

// withoutTarget returns the phases without those whose spectra hold the own line
// of the target in excess of what the others, the spectra beside (nuisance lines,
// the continuum about the line) and the rest of the target explain: a deposit so
// large that it looks like a phase, or a phase with the target's element. The
// richest goes first, so that a second of them cannot hide behind it.
func withoutTarget(phases []Phase, target Template, beside [][]float64) ([]Phase, error) {
	for len(phases) > 1 {
		worst, top := -1, phaseTarget
		for k := range phases {
			share, err := targetIn(phases, k, target, beside)
			if err != nil {
				return nil, err
			}
			if share > top {
				worst, top = k, share
			}
		}
		if worst < 0 {
			break
		}
		phases = slices.Delete(slices.Clone(phases), worst, worst+1)
	}
	return phases, nil
}

// targetIn returns the share of target in the spectrum of phase k that its own
// line shows beside the other phases, 0 where it is not significant.
func targetIn(phases []Phase, k int, target Template, beside [][]float64) (float64, error) {
	line, rest := target.split()
	var templates [][]float64
	for i, ph := range phases {
		if i != k {
			templates = append(templates, floored(unitSum(ph.Spectrum)))
		}
	}
	templates = append(append(templates, rest), beside...)
	fit := func(t [][]float64) (*poisson.MixtureResult, error) {
		mix, err := poisson.NewMixture(t)
		if err != nil {
			return nil, fmt.Errorf("spots: %w", err)
		}
		return mix.FitDense(phases[k].Spectrum)
	}
	without, err := fit(templates)
	if err != nil {
		return 0, err
	}
	with, err := fit(append(templates, line))
	if err != nil {
		return 0, err
	}
	if without.Deviance-with.Deviance < phaseTargetGain {
		return 0, nil
	}
	return with.Amplitude[len(templates)] / sumOf(phases[k].Spectrum), nil
}

// labelBy gives every pixel the one of given phases that fits it best.
func (f *Field) labelBy(phases []Phase, line []float64) []uint8 {
	n := newTiling(f.W, f.H, blockSideOf(f.Total()/float64(f.W*f.H))).n()
	band, bands := bandsOf(f.sum, line, float64(n))
	centres := newClassMaps(len(phases), max(bands, 1))
	for k, ph := range phases {
		for c, g := range band {
			if g >= 0 {
				centres[k][min(g, len(centres[k])-1)] += ph.Spectrum[c]
			}
		}
		shares(centres[k])
	}
	of := make([]uint8, len(f.totals))
	if bands > 1 {
		f.label(of, band, centres)
	}
	return of
}

// groundOf returns the ground of a field on given phases, of which those that it
// does not show are left out.
func groundOf(f *Field, phases []Phase, line []float64) ground {
	of := f.labelBy(phases, line)
	pixels := make([]int, len(phases))
	for _, k := range of {
		pixels[k]++
	}
	rank := make([]uint8, len(phases))
	var backgrounds []background
	for k, ph := range phases {
		if pixels[k] > 0 {
			rank[k] = uint8(len(backgrounds))
			backgrounds = append(backgrounds, newBackground(unitSum(ph.Spectrum), sumOf(ph.Spectrum), false))
		}
	}
	for p, k := range of {
		of[p] = rank[k]
	}
	if len(backgrounds) == 1 {
		of = nil
	}
	return newGround(f, of, backgrounds...)
}

// unitSum returns v scaled to sum 1.
func unitSum(v []float64) []float64 {
	t := sumOf(v)
	out := make([]float64, len(v))
	for c := range v {
		out[c] = v[c] / t
	}
	return out
}
