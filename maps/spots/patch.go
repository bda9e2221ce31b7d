package spots

import (
	"math"

	"example.org/fleck/maps"
	"gonum.org/v1/gonum/stat/distuv"
)

// Settings of the look at evenness (choices of this package): counts that a block
// of pixels should hold, its least side, expected counts of a band, and the
// normal quantile of the sum over blocks from which a field counts as uneven.
const (
	blockCounts = 250
	blockSide   = 4
	bandCounts  = 5
	unevenSigma = 2
)

// patchwork says where the spectrum of a field departs from its mean, whatever
// the cause: grains of other compounds, oxide patches, phases.
type patchwork struct {
	odd    maps.Mask // blocks that stand out one by one
	uneven bool      // the rest scatters more than counts do
	share  float64   // of the pixels that lie in odd blocks
}

// tiling cuts a field into blocks of about side × side pixels.
type tiling struct{ w, h, nx, ny int }

func newTiling(w, h, side int) tiling { return tiling{w, h, max(1, w/side), max(1, h/side)} }

func (t tiling) n() int { return t.nx * t.ny }

// at returns the block of pixel p.
func (t tiling) at(p int) int {
	return min(p/t.w*t.ny/t.h, t.ny-1)*t.nx + min(p%t.w*t.nx/t.w, t.nx-1)
}

// blockSideOf returns the side of the blocks for mean counts per pixel.
func blockSideOf(mean float64) int {
	return max(blockSide, int(math.Ceil(math.Sqrt(blockCounts/mean))))
}

// bandsOf joins neighbouring channels to bands that hold bandCounts in a mean one
// of n blocks, and leaves out the channels of a line (−1).
func bandsOf(sum, line []float64, n float64) (band []int, bands int) {
	top := 0.0
	for _, v := range line {
		top = math.Max(top, v)
	}
	band = make([]int, len(sum))
	t := 0.0
	for c := range band {
		if line[c] > .01*top {
			band[c] = -1
			continue
		}
		band[c] = bands
		if t += sum[c] / n; t >= bandCounts {
			bands++
			t = 0
		}
	}
	for c := range band { // a last band that stays short joins the one before
		if bands > 0 && band[c] == bands {
			band[c] = bands - 1
		}
	}
	return band, bands
}

// evenness compares blocks of pixels with what their phases have on average in
// bands of channels (of: phase of every pixel, of several; nil: one): chi-square of
// homogeneity, without the channels of the target's own line. Blocks whose p-value
// is below one over their number are left out of the averages, and what remains is
// tested as a whole.
func (f *Field) evenness(line []float64, of []uint8, phases int) patchwork {
	t := newTiling(f.W, f.H, blockSideOf(f.Total()/float64(f.W*f.H)))
	out := patchwork{odd: maps.NewMask(f.W, f.H)}
	n := t.n()
	if n < 4 {
		return out
	}
	band, bands := bandsOf(f.sum, line, float64(n))
	if bands < 2 {
		return out
	}
	// By phase, block and band.
	parts, partTotals := newClassMaps(phases, n*bands), newClassMaps(phases, n)
	for p := range f.totals {
		b, ph := t.at(p), 0
		if of != nil {
			ph = int(of[p])
		}
		for i := f.start[p]; i < f.start[p+1]; i++ {
			if k := band[f.ch[i]]; k >= 0 {
				parts[ph][b*bands+k] += float64(f.n[i])
				partTotals[ph][b] += float64(f.n[i])
			}
		}
	}
	counts, totals := make([]float64, n*bands), make([]float64, n)
	for ph := range parts {
		for i, v := range parts[ph] {
			counts[i] += v
		}
		for b, v := range partTotals[ph] {
			totals[b] += v
		}
	}
	odd := make([]bool, n)
	mu, whole := newClassMaps(phases, bands), make([]float64, phases)
	for range 4 {
		all := 0.0
		for ph := range mu {
			clear(mu[ph])
			whole[ph] = 0
			for b := range n {
				if odd[b] {
					continue
				}
				for k := range bands {
					mu[ph][k] += parts[ph][b*bands+k]
				}
				whole[ph] += partTotals[ph][b]
			}
			all += whole[ph]
		}
		sum, expected, variance, kept := 0.0, 0.0, 0.0, 0.0
		changed := false
		law := distuv.ChiSquared{K: float64(bands - 1)}
		for b := range n {
			if totals[b] == 0 {
				continue
			}
			chi2, inverse := 0.0, 0.0
			for k := range bands {
				m := 0.0
				for ph := range mu {
					if v := partTotals[ph][b]; v > 0 {
						m += v * math.Max(mu[ph][k], .5) / math.Max(whole[ph], 1)
					}
				}
				d := counts[b*bands+k] - m
				chi2 += d * d / m
				inverse += 1 / m
			}
			now := law.Survival(chi2) < 1/float64(n)
			changed = changed || now != odd[b]
			odd[b] = now
			if !now {
				sum += chi2
				kept++
				expected += float64(bands-1) * (1 - totals[b]/all)
				// Variance of Pearson's statistic of a multinomial (Haldane 1937,
				// Biometrika 29, 133; from memory, unverified, confirmed by the tests).
				variance += 2*float64(bands-1) + inverse - float64(bands*bands+2*bands-2)/totals[b]
			}
		}
		out.uneven = sum-expected > unevenSigma*math.Sqrt(math.Max(variance, 1))
		if !changed || kept < float64(n)/4 {
			break
		}
	}
	in := 0
	for p := range out.odd.In {
		if odd[t.at(p)] {
			out.odd.In[p] = true
			in++
		}
	}
	out.share = float64(in) / float64(f.W*f.H)
	return out
}

// resolutionPx is the area of one independent place of a field searched with
// profiles of the width s: 4·π·s², the inverse square of the Gaussian
// autocorrelation of noise smoothed with such a profile.
func resolutionPx(s float64) float64 { return 4 * math.Pi * s * s }

// places returns how many independent places the own line is looked at where the
// whole template is no guard, since the spectra of the field vary by themselves:
// those in odd blocks, all of them where the field is uneven.
func (s *cubeSearch) places() float64 {
	share := s.patches.share
	if s.patches.uneven {
		share = 1
	}
	return math.Max(1, share*float64(s.w*s.h)/resolutionPx(s.opt.MinWidthPx))
}

// perMaximum returns how many independent places one local maximum of an uneven
// field stands for.
func (s *cubeSearch) perMaximum() float64 {
	if !s.patches.uneven {
		return 1
	}
	return math.Max(1, s.places()*float64(s.null.replicas)/math.Max(1, float64(len(s.null.heights))))
}
