package spots

import (
	"math"

	"example.org/fleck/spectra/poisson"
)

// ringEdges part the pixels around a spot by the height k of its profile,
// relative to the largest: the spectra of like pixels are summed. Below the
// last edge lies the surroundings.
var ringEdges = [...]float64{0.6, 0.3, 0.1}

const numRings = len(ringEdges) + 1

// evidence holds the counts of one spot and its surroundings, summed over rings
// of like profile height, channel by channel, and fits spectra to them.
//
// In ring r with total T_r and mean height K_r the model is
//
//	T_r·(1−K_r)·a·s0 + T_r·K_r·(b·(1−w)+d·w)·s0 + T_r·K_r·sum_j f_j·t_j
//
// with a, b, d, f_j ≥ 0 free: the substrate beside and under the spot is scaled
// freely, so that neither more counts nor missing substrate is required, and under
// it the low channels apart from the high ones (w falls by half every tenth of the
// channels), since a particle absorbs soft lines of the substrate more.
//
// On several phases of the substrate the first two terms stand for each, with the
// pixels of that phase alone and strengths of its own.
type evidence struct {
	nc      int
	under   []underlay           // the phases at hand
	weight  [numRings][2]float64 // T_r·(1−K_r), T_r·K_r
	chans   []int32              // entries with counts, ring·nc + channel
	counts  []float64
	fixed   [][]float64 // nuisance spectra, always in the model
	even    [][]float64 // spectra that are in the model beside and under the spot alike
	scratch poisson.MixtureScratch
}

// underlay is one phase of the substrate about a spot.
type underlay struct {
	s0     []float64
	soft   []float64 // the part w·s0, and the rest of it
	hard   []float64
	weight [numRings][2]float64 // as that of evidence, of the pixels of this phase
}

func newUnderlay(s0 []float64) underlay {
	u := underlay{s0: s0, soft: make([]float64, len(s0)), hard: make([]float64, len(s0))}
	for c, v := range s0 {
		w := math.Exp2(-10 * float64(c) / float64(len(s0)))
		u.soft[c], u.hard[c] = w*v, (1-w)*v
	}
	return u
}

// gather collects the evidence of a spot out of f. Pixels where other spots
// are stronger than half of it + 1 % of its peak are left out.
func gather(f *Field, g *ground, nuisance []Template, win window) *evidence {
	e := &evidence{nc: f.nc}
	all := make([]underlay, len(g.phases))
	for i := range all {
		all[i] = newUnderlay(g.phases[i].smooth)
	}
	for _, t := range nuisance {
		e.fixed = append(e.fixed, t.Spectrum)
	}
	top := 0.0
	for _, v := range win.own {
		top = math.Max(top, v)
	}
	if top == 0 {
		top = 1
	}
	sums := make([]float64, numRings*f.nc)
	for j := range win.h {
		for i := range win.w {
			own, other := win.own[j*win.w+i], win.other[j*win.w+i]
			k := own / top
			if other > 0.5*own+0.01*top {
				continue
			}
			ring := numRings - 1
			for r, edge := range ringEdges {
				if k >= edge {
					ring = r
					break
				}
			}
			p := (win.y0+j)*f.W + win.x0 + i
			t := float64(f.totals[p])
			e.weight[ring][0] += t * (1 - k)
			e.weight[ring][1] += t * k
			u := &all[g.at(p)]
			u.weight[ring][0] += t * (1 - k)
			u.weight[ring][1] += t * k
			f.addTo(sums[ring*f.nc:(ring+1)*f.nc], p, 1)
		}
	}
	for _, u := range all {
		if len(all) == 1 || u.holds() {
			e.under = append(e.under, u)
		}
	}
	for i, n := range sums {
		if n > 0 {
			e.chans, e.counts = append(e.chans, int32(i)), append(e.counts, n)
		}
	}
	return e
}

// stacked returns spectrum repeated over the rings with the weights of side
// (0 beside, 1 under the spot).
func (e *evidence) stacked(spectrum []float64, side int) []float64 {
	return stacked(spectrum, &e.weight, side)
}

func stacked(spectrum []float64, weight *[numRings][2]float64, side int) []float64 {
	out := make([]float64, numRings*len(spectrum))
	for r := range numRings {
		w := weight[r][side]
		for c, v := range spectrum {
			out[r*len(spectrum)+c] = w * v
		}
	}
	return out
}

// holds reports whether the phase has counts both beside and under the spot.
func (u *underlay) holds() bool {
	beside, under := 0.0, 0.0
	for _, w := range u.weight {
		beside += w[0]
		under += w[1]
	}
	return beside > 0 && under > 0
}

// fitted is one fit of spectra to the evidence.
type fitted struct {
	lnL    float64   // up to a constant of the data
	f      []float64 // amplitudes of the spectra asked for
	sigma  []float64
	cov    []float64 // of f, row by row; with sigma
	counts []float64 // f in counts
	model  []float64 // expected counts, ring by ring; only if asked for
}

// fit returns the best fit of the spectra beside substrate and nuisance.
func (e *evidence) fit(spectra [][]float64, sigma, expected bool) fitted {
	var templates [][]float64
	for i := range e.under {
		u := &e.under[i]
		templates = append(templates, stacked(u.s0, &u.weight, 0), stacked(u.hard, &u.weight, 1), stacked(u.soft, &u.weight, 1))
	}
	for _, s := range e.fixed {
		templates = append(templates, e.stacked(s, 1))
	}
	for _, s := range e.even {
		beside, under := e.stacked(s, 0), e.stacked(s, 1)
		for c := range under {
			under[c] += beside[c]
		}
		templates = append(templates, under)
	}
	first := len(templates)
	for _, s := range spectra {
		templates = append(templates, e.stacked(s, 1))
	}
	out := fitted{lnL: math.Inf(-1), f: make([]float64, len(spectra)), sigma: make([]float64, len(spectra)), counts: make([]float64, len(spectra))}
	m, err := poisson.NewMixture(templates)
	if err != nil {
		return out // shapes and values were checked with the options
	}
	var res poisson.MixtureResult
	if err := m.Fit(&res, e.chans, e.counts, &e.scratch); err != nil {
		return out
	}
	out.lnL = -res.Deviance / 2
	copy(out.f, res.Amplitude[first:])
	under := 0.0
	for r := range numRings {
		under += e.weight[r][1]
	}
	for j, s := range spectra {
		t := 0.0
		for _, v := range s {
			t += v
		}
		out.counts[j] = out.f[j] * t * under
		out.sigma[j] = math.NaN()
	}
	if sigma {
		m.Covariance(&res, &e.scratch)
		for j := range spectra {
			out.sigma[j] = res.Sigma[first+j] * under
			for k := range spectra {
				out.cov = append(out.cov, res.Covariance[(first+j)*len(templates)+first+k])
			}
		}
	}
	if expected {
		out.model, _ = m.Expected(nil, res.Amplitude)
	}
	return out
}

// split returns a template's own line family and the rest of its spectrum.
func (t Template) split() (line, rest []float64) {
	line, rest = t.Line, make([]float64, len(t.Spectrum))
	for c, v := range t.Spectrum {
		rest[c] = math.Max(0, v-line[c])
	}
	return line, rest
}

// ownLine returns the log-likelihood gained by the target's own line family
// with the rest of the target, the nuisance spectra and others free, and its
// counts. The spectra in even are free beside and under the spot alike.
func (e *evidence) ownLine(t Template, others, even [][]float64) (llr, counts, sigma float64) {
	line, rest := t.split()
	e.even = even
	free := e.fit(append([][]float64{line, rest}, others...), true, false)
	without := e.fit(append([][]float64{rest}, others...), false, false)
	e.even = nil
	return math.Max(0, free.lnL-without.lnL), free.counts[0], free.sigma[0] * sumOf(line)
}

func sumOf(s []float64) float64 {
	t := 0.0
	for _, v := range s {
		t += v
	}
	return t
}
