package spots

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"example.org/fleck/maps"
)

// ScreenOptions are the settings of Screen; the zero value works but for LineChannels.
type ScreenOptions struct {
	// LineChannels is the width of a line in channels, about its full width at half
	// maximum; at least 2.
	LineChannels int
	BoxPx        int        // side of the square of pixels added up, odd; 0 means 3
	Alpha        float64    // family-wise level over all windows and places; 0 means 0.05
	Replicas     int        // 0 means 39, the fewest accepted
	Exclude      []bool     // channels that are known and left out; nil = none
	Skip         *maps.Mask // pixels left out, such as those of spots already found; nil = none
	Seed         uint64
	Workers      int
}

// Stranger is a window of channels that somewhere holds more counts than the mean
// spectrum of the field explains.
type Stranger struct {
	From, To         int // channels of the cube, half-open
	X, Y             int // middle of the square
	Counts, Expected float64
	PValue           float64 // family-wise: the chance of any such window in a field of one spectrum
}

// ScreenResult is the outcome of Screen.
type ScreenResult struct {
	Strangers []Stranger // lowest window first
	Threshold float64    // log-likelihood ratio that a field exceeds with probability Alpha
	Windows   int
}

// Screen looks for lines nobody asked for: the largest excess over all places of
// the counts in every window of one line width (the maximum-pixel spectrum of Bright
// & Newbury 2004, J. Microsc. 216, 186, with its null law). The statistic is the
// Poisson log-likelihood ratio of counts n to m expected from the mean spectrum and
// the counts of the pixels, n·ln(n/m) − (n−m) for n > m; its law over a field of one
// spectrum comes from replicas, of which the highest value over all windows and
// places is kept (Westfall & Young 1993: single-step maxT).
func Screen(ctx context.Context, f *Field, opt ScreenOptions) (*ScreenResult, error) {
	if f == nil || f.W <= 0 {
		return nil, fmt.Errorf("spots: no field given")
	}
	if opt.BoxPx == 0 {
		opt.BoxPx = 3
	}
	if opt.Alpha == 0 {
		opt.Alpha = defaultAlpha
	}
	if opt.Replicas == 0 {
		opt.Replicas = 39
	}
	switch {
	case opt.LineChannels < 2 || opt.LineChannels > f.nc:
		return nil, fmt.Errorf("spots: a line of %d channels; must lie between 2 and %d", opt.LineChannels, f.nc)
	case opt.BoxPx < 1 || opt.BoxPx%2 == 0:
		return nil, fmt.Errorf("spots: squares of %d px; an odd number is accepted", opt.BoxPx)
	case !(opt.Alpha > 0 && opt.Alpha < 1) || opt.Replicas < 39 || float64(opt.Replicas+1) < 1/opt.Alpha:
		return nil, fmt.Errorf("spots: alpha %g with %d replicas; at least 39 and 1/alpha − 1 are needed", opt.Alpha, opt.Replicas)
	case opt.Skip != nil && (opt.Skip.W != f.W || opt.Skip.H != f.H):
		return nil, fmt.Errorf("spots: %d × %d pixels to skip or not, the field has %d × %d", opt.Skip.W, opt.Skip.H, f.W, f.H)
	case opt.Exclude != nil && len(opt.Exclude) != f.nc:
		return nil, fmt.Errorf("spots: %d channels excluded or not, the field has %d", len(opt.Exclude), f.nc)
	}
	if f.Total() == 0 {
		return &ScreenResult{Threshold: math.NaN()}, nil
	}
	s := newScreen(f, opt)
	counts := make([]float64, len(s.share)*f.W*f.H)
	for p := range f.totals {
		for i := f.start[p]; i < f.start[p+1] && s.used(p); i++ {
			if b := s.bin[f.ch[i]]; b >= 0 {
				counts[b*f.W*f.H+p] += float64(f.n[i])
			}
		}
	}
	found := s.scan(counts)
	highest := make([]float64, opt.Replicas)
	parallel(opt.Replicas, opt.Workers, func() func(int) {
		replica := make([]float64, len(counts))
		return func(i int) {
			if ctx.Err() == nil {
				s.draw(replica, rand.New(rand.NewPCG(opt.Seed, uint64(i))))
				for _, w := range s.scan(replica) {
					highest[i] = math.Max(highest[i], w.llr)
				}
			}
		}
	})
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("spots: stopped: %w", err)
	}
	slices.Sort(highest)
	law := nullLaw{replicas: opt.Replicas, maxima: highest}
	out := &ScreenResult{Threshold: law.threshold(opt.Alpha), Windows: len(found)}
	for i, w := range found {
		// Of windows that share channels the highest stands for a line.
		if i > 0 && found[i-1].to > w.from && found[i-1].llr > w.llr || i+1 < len(found) && found[i+1].from < w.to && found[i+1].llr >= w.llr {
			continue
		}
		if p := law.fieldP(w.llr); p <= opt.Alpha {
			out.Strangers = append(out.Strangers, Stranger{From: f.Channels.From + w.from, To: f.Channels.From + w.to, X: w.p % f.W, Y: w.p / f.W,
				Counts: w.n, Expected: w.m, PValue: p})
		}
	}
	return out, nil
}

// guideSteps is the length of the table that draws begin their search from (Chen &
// Asau 1974, AIIE Trans. 6, 163).
const guideSteps = 4096

// screen holds the channels in bins of half a line; a window is two neighbours.
type screen struct {
	f      *Field
	bin    []int // of each channel, −1 = left out
	from   []int // first channel of each bin
	to     []int
	share  []float64 // of the bins in the mean spectrum
	pick   []float64 // running sum of share
	guide  [guideSteps]int
	totals []float64 // counts of the squares around each pixel, in the bins
	own    []float64 // counts of each pixel in the bins
	half   int
	skip   *maps.Mask
}

// used reports whether pixel p takes part.
func (s *screen) used(p int) bool { return s.skip == nil || !s.skip.In[p] }

type screened struct {
	from, to, p int
	n, m, llr   float64
}

func newScreen(f *Field, opt ScreenOptions) *screen {
	s := &screen{f: f, bin: make([]int, f.nc), half: opt.BoxPx / 2, skip: opt.Skip}
	width := opt.LineChannels / 2
	for c := range s.bin {
		s.bin[c] = -1
		if opt.Exclude != nil && opt.Exclude[c] {
			continue
		}
		if n := len(s.from); n == 0 || s.to[n-1] < c || c-s.from[n-1] >= width {
			s.from, s.to, s.share = append(s.from, c), append(s.to, c), append(s.share, 0)
		}
		k := len(s.from) - 1
		s.bin[c], s.to[k] = k, c+1
	}
	s.own = make([]float64, f.W*f.H)
	for p := range s.own {
		for i := f.start[p]; i < f.start[p+1] && s.used(p); i++ {
			if k := s.bin[f.ch[i]]; k >= 0 {
				s.own[p] += float64(f.n[i])
				s.share[k] += float64(f.n[i])
			}
		}
	}
	total := math.Max(1, sumOf(s.share))
	t := 0.0
	for k := range s.share {
		s.share[k] /= total
		t += s.share[k]
		s.pick = append(s.pick, t)
	}
	k := 0
	for i := range s.guide {
		for k < len(s.pick)-1 && s.pick[k] <= float64(i)/guideSteps {
			k++
		}
		s.guide[i] = k
	}
	s.totals = s.box(s.own)
	return s
}

// box returns the sums over squares.
func (s *screen) box(v []float64) []float64 {
	w, h := s.f.W, s.f.H
	rows, out := make([]float64, len(v)), make([]float64, len(v))
	for y := range h {
		for x := range w {
			t := 0.0
			for i := max(0, x-s.half); i <= min(w-1, x+s.half); i++ {
				t += v[y*w+i]
			}
			rows[y*w+x] = t
		}
	}
	for y := range h {
		for x := range w {
			t := 0.0
			for j := max(0, y-s.half); j <= min(h-1, y+s.half); j++ {
				t += rows[j*w+x]
			}
			out[y*w+x] = t
		}
	}
	return out
}

// scan returns the highest place of every window; the shares are those of the counts
// given, so that a replica is judged by its own mean.
func (s *screen) scan(counts []float64) []screened {
	px := s.f.W * s.f.H
	all := sumOf(s.own)
	var out []screened
	two := make([]float64, px)
	for k := 0; k+1 < len(s.share); k++ {
		if s.to[k] != s.from[k+1] {
			continue // channels between them are left out
		}
		sum := 0.0
		for p := range two {
			two[p] = counts[k*px+p] + counts[(k+1)*px+p]
			sum += two[p]
		}
		best := screened{from: s.from[k], to: s.to[k+1]}
		share := math.Max(sum, .5) / all
		for p, n := range s.box(two) {
			m := share * s.totals[p]
			if n > m && m > 0 {
				if l := n*math.Log(n/m) - (n - m); l > best.llr {
					best.p, best.n, best.m, best.llr = p, n, m, l
				}
			}
		}
		out = append(out, best)
	}
	return out
}

// draw shares the counts of every pixel out among the bins at random.
func (s *screen) draw(counts []float64, rng *rand.Rand) {
	clear(counts)
	px := s.f.W * s.f.H
	for p, n := range s.own {
		for range int(n) {
			u := rng.Float64()
			k := s.guide[int(u*guideSteps)]
			for k < len(s.share)-1 && s.pick[k] <= u {
				k++
			}
			counts[k*px+p]++
		}
	}
}
