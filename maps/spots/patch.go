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

// evenness compares blocks of pixels with the mean of the field in bands of
// channels: chi-square of homogeneity, without the channels of the target's own
// line. Blocks whose p-value is below one over their number are left out of the
// mean, and what remains is tested as a whole.
func (f *Field) evenness(line []float64) patchwork {
	top := 0.0
	for _, v := range line {
		top = math.Max(top, v)
	}
	mean := f.Total() / float64(f.W*f.H)
	side := max(blockSide, int(math.Ceil(math.Sqrt(blockCounts/mean))))
	nx, ny := max(1, f.W/side), max(1, f.H/side)
	out := patchwork{odd: maps.NewMask(f.W, f.H)}
	if nx*ny < 4 {
		return out
	}
	blockOf := func(p int) int { return min(p/f.W*ny/f.H, ny-1)*nx + min(p%f.W*nx/f.W, nx-1) }
	// Bands of neighbouring channels that hold bandCounts in a mean block.
	n := nx * ny
	band := make([]int, f.nc)
	bands, sum := 0, 0.0
	for c := range band {
		if line[c] > .01*top {
			band[c] = -1
			continue
		}
		band[c] = bands
		if sum += f.sum[c] / float64(n); sum >= bandCounts {
			bands++
			sum = 0
		}
	}
	for c := range band { // a last band that stays short joins the one before
		if bands > 0 && band[c] == bands {
			band[c] = bands - 1
		}
	}
	if bands < 2 {
		return out
	}
	counts := make([]float64, n*bands)
	totals := make([]float64, n)
	for p := range f.totals {
		b := blockOf(p)
		for i := f.start[p]; i < f.start[p+1]; i++ {
			if k := band[f.ch[i]]; k >= 0 {
				counts[b*bands+k] += float64(f.n[i])
				totals[b] += float64(f.n[i])
			}
		}
	}
	odd := make([]bool, n)
	mu := make([]float64, bands)
	for range 4 {
		clear(mu)
		all := 0.0
		for b := range n {
			if odd[b] {
				continue
			}
			for k := range bands {
				mu[k] += counts[b*bands+k]
			}
			all += totals[b]
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
				m := totals[b] * math.Max(mu[k], .5) / all
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
		if odd[blockOf(p)] {
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
