package spots

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"

	"example.org/fleck/maps"
	"example.org/fleck/spectra/poisson"
)

// Result is what Find found.
type Result struct {
	// PValue answers "is there any target in this field?": the probability of so
	// strong a spot with a significant own line in a field without target.
	PValue   float64
	Detected bool // PValue ≤ Options.Alpha

	Spots    []maps.Spot // strongest first
	Rejected []maps.Spot // as strong, but without the target's own line; Reason says so

	// Threshold is the decision threshold of one field: the value of LLR that a
	// field without target exceeds with probability Alpha.
	Threshold float64
	// ListThreshold is the height down to which maxima were listed; NaN when none was.
	ListThreshold float64
	// ExpectedFalse is the number of listed spots expected in a field without target.
	ExpectedFalse float64
	Limit         Limit

	// LLR is the logarithm of the likelihood ratio "spot here" to "no spot",
	// averaged over widths and strengths.
	LLR maps.Map

	Substrate       []float64 // spectrum used, sum 1
	SubstrateCounts float64   // counts behind it, 0 = known exactly
	Information     float64   // sum (s1−s0)²/s0 over the channel classes, per count
	Options         Options   // resolved
	Remarks         []string
}

// Find looks for spots of the target compound in f.
//
// The statistic of a place is the logarithm of the average likelihood ratio of
// "spot of target here" to "none" over the widths and strengths tried, given
// the counts of every pixel (Kulldorff 1997, Commun. Stat. 26, 1481, for the scan
// over place and size; the average is the Bayes factor of the trials). The verdict
// on the field compares the highest value with replicas of the field without
// spots; the list of spots controls the false discovery rate over local maxima
// with p-values from the pooled heights of the replicas (Chumbley et al. 2010,
// NeuroImage 49, 3057; Benjamini & Hochberg 1995). Spots are found strongest
// first; found spots are part of the model for the next.
//
// A target that the counts cannot tell from the substrate is an error that
// wraps ErrInseparable. The result is the same for any number of workers.
func Find(ctx context.Context, f *Field, opt Options) (*Result, error) {
	opt, err := opt.withDefaults(f)
	if err != nil {
		return nil, err
	}
	res := &Result{Options: opt, PValue: 1, Threshold: math.NaN(), ListThreshold: math.NaN()}
	res.Limit = noLimit("no limit was asked for")
	total := f.Total()
	if total == 0 {
		res.LLR = resultMap(f, make([]float64, f.W*f.H))
		res.Substrate = opt.Substrate
		res.Limit = noLimit("the field holds no counts")
		res.Remarks = append(res.Remarks, "the field holds no counts in the channels used")
		return res, nil
	}
	s := &search{f: f, opt: opt, total: total, progress: newProgress(opt.Progress, opt.Bootstrap)}
	if err := s.prepare(ctx); err != nil {
		return nil, err
	}
	if err := s.simulate(ctx); err != nil {
		return nil, err
	}
	if err := s.detect(ctx); err != nil {
		return nil, err
	}
	if err := s.report(ctx, res); err != nil {
		return nil, err
	}
	return res, nil
}

// search is one run of Find.
type search struct {
	f        *Field
	opt      Options
	total    float64
	bg       background
	cl       *classes
	bank     *bank
	class    [][]float64
	first    *scanned // of the counts as they are
	last     *scanned // with the found spots taken out
	sim      *simulator
	null     nullLaw
	m        *model
	spots    []found
	progress *progress
}

// found is one spot: components that belong together.
type found struct {
	parts []int // into model.parts
	u     float64
}

// build makes classes and kernels for a background.
func (s *search) build(bg background) error {
	s.bg = bg
	s.cl = bg.classify(s.opt.Target.Spectrum, s.opt.Classes)
	info := s.cl.information()
	// Two spectra that differ by noise alone have an information of about the
	// number of classes over the counts; 1e−3 would need a spot of 3·10⁴ counts,
	// pure target, for d = 6.
	least := 1e-3
	if bg.counts > 0 {
		least = math.Max(least, 4*float64(s.cl.n())/bg.counts)
	}
	if info < least {
		return fmt.Errorf("spots: target %q and the substrate %w: information %.2g per count, at least %.2g is needed", s.opt.Target.Name, ErrInseparable, info, least)
	}
	mean := s.total / float64(s.f.W*s.f.H)
	s.bank = newBank(s.f.W, s.f.H, s.cl, s.opt.Widths, newTrials(s.opt.Widths, mean, info), s.opt.Workers)
	s.class = s.cl.mapsOf(s.f)
	s.first = newScanned(s.f.W * s.f.H)
	s.bank.scanParallel(s.first, s.class, s.opt.Workers)
	return nil
}

// prepare finds the substrate spectrum and scans the field.
func (s *search) prepare(ctx context.Context) error {
	if s.opt.Substrate != nil {
		return s.build(newBackground(s.opt.Substrate, s.opt.SubstrateCounts, false))
	}
	// From the field itself: all pixels, then those away from alarms.
	sum := s.f.Sum()
	counts := s.total
	// Height that about one false maximum per field exceeds (found by
	// simulation: exp(−u)/150 per pixel).
	level := math.Max(2, math.Log(float64(s.f.W*s.f.H)/150))
	for range 3 {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("spots: stopped: %w", err)
		}
		spec := make([]float64, len(sum))
		for c, v := range sum {
			spec[c] = v / counts
		}
		if err := s.build(newBackground(spec, counts, true)); err != nil {
			return err
		}
		mask := s.alarms(level)
		out, err := s.f.SumOver(mask)
		if err != nil {
			return err
		}
		sum = s.f.Sum()
		counts = s.total
		for c := range sum {
			sum[c] -= out[c]
			counts -= out[c]
		}
		if counts < s.total/4 {
			break // next to nothing is left: keep the last
		}
	}
	return nil
}

// alarms marks the pixels within three widths of maxima above level.
func (s *search) alarms(level float64) maps.Mask {
	mask := maps.NewMask(s.f.W, s.f.H)
	for _, pk := range localMaxima(nil, s.first.u, s.f.W, s.f.H) {
		if pk.u < level {
			break
		}
		r := 3 * s.opt.Widths[s.bank.trials[s.first.arg[pk.p]].width]
		x, y := pk.p%s.f.W, pk.p/s.f.W
		n := int(math.Ceil(r))
		for j := max(0, y-n); j <= min(s.f.H-1, y+n); j++ {
			for i := max(0, x-n); i <= min(s.f.W-1, x+n); i++ {
				if math.Hypot(float64(i-x), float64(j-y)) <= r {
					mask.In[j*s.f.W+i] = true
				}
			}
		}
	}
	return mask
}

// simulate scans replicas without spots.
func (s *search) simulate(ctx context.Context) error {
	totals := make([]float64, len(s.f.totals))
	for i, n := range s.f.totals {
		totals[i] = float64(n)
	}
	s.sim = newSimulator(totals, s.cl.s0, s.bg.counts, s.bg.refit)
	m := s.opt.Bootstrap
	heights := make([][]float64, m)
	s.null = nullLaw{replicas: m, maxima: make([]float64, m)}
	parallel(m, s.opt.Workers, func() func(int) {
		sc := s.bank.newScratch()
		out := newScanned(len(totals))
		class := newClassMaps(s.cl.n(), len(totals))
		var peaks []peak
		return func(i int) {
			if ctx.Err() != nil {
				return
			}
			s.sim.draw(class, s.opt.Seed, uint64(i))
			s.bank.scan(out, class, sc)
			peaks = localMaxima(peaks, out.u, s.f.W, s.f.H)
			for _, p := range peaks {
				heights[i] = append(heights[i], p.u)
			}
			s.null.maxima[i] = slices.Max(out.u)
			s.progress.step()
		}
	})
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("spots: stopped: %w", err)
	}
	for _, h := range heights {
		s.null.heights = append(s.null.heights, h...)
	}
	slices.Sort(s.null.heights)
	slices.Sort(s.null.maxima)
	return nil
}

func newClassMaps(k, n int) [][]float64 {
	out := make([][]float64, k)
	for g := range out {
		out[g] = make([]float64, n)
	}
	return out
}

// detect finds spots strongest first, in rounds: the maxima of one round that
// do not touch each other are fitted, put into the model and taken out of the
// counts for the next.
func (s *search) detect(ctx context.Context) error {
	w := s.f.W
	s.m = newModel(s.f, s.cl, s.class)
	least := s.opt.MinWidthPx
	most := 1.5 * s.opt.Widths[len(s.opt.Widths)-1]
	res := newClassMaps(s.cl.n(), len(s.f.totals))
	now := s.first
	for range 12 {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("spots: stopped: %w", err)
		}
		peaks := localMaxima(nil, now.u, w, s.f.H)
		level := s.candidateLevel(peaks)
		var taken []component
		for _, pk := range peaks {
			if pk.u < level || len(s.spots) >= s.opt.MaxSpots {
				break
			}
			tr := s.bank.trials[now.arg[pk.p]]
			c := component{x: float64(pk.p % w), y: float64(pk.p / w), s: s.opt.Widths[tr.width], f: tr.f}
			if slices.ContainsFunc(taken, func(o component) bool {
				return math.Hypot(o.x-c.x, o.y-c.y) < 3*(o.s+c.s)
			}) {
				continue
			}
			taken = append(taken, c)
			c = s.m.fit(c, least, most)
			if c.f <= 0 {
				continue
			}
			if at := s.host(c); at >= 0 {
				c.spot = at
				s.spots[at].parts = append(s.spots[at].parts, len(s.m.parts))
			} else {
				c.spot = len(s.spots)
				s.spots = append(s.spots, found{parts: []int{len(s.m.parts)}, u: pk.u})
			}
			s.m.parts = append(s.m.parts, c)
		}
		if len(taken) == 0 {
			break
		}
		s.polish(least, most)
		s.m.sumUp(-1)
		s.m.residual(res)
		if now == s.first {
			now = newScanned(len(s.f.totals))
		}
		s.bank.scanParallel(now, res, s.opt.Workers)
	}
	s.last = now
	return nil
}

// candidateLevel is the height down to which maxima are fitted: one false one
// per field, or more when so many are true that the list will reach deeper.
func (s *search) candidateLevel(peaks []peak) float64 {
	p := make([]float64, 0, len(peaks)+len(s.spots))
	for _, pk := range peaks {
		p = append(p, s.null.peakP(pk.u))
	}
	for _, sp := range s.spots {
		p = append(p, s.null.peakP(sp.u))
	}
	n := 0
	for _, ok := range poisson.Rejected(p, s.opt.Q) {
		if ok {
			n++
		}
	}
	return s.null.levelOf(math.Max(1, 1.5*s.opt.Q*float64(n)))
}

// host returns the spot that component c is a part of, −1 if it is one of its
// own: there is no dip between the two below 80 % of the lower.
func (s *search) host(c component) int {
	for i, o := range s.m.parts {
		d := math.Hypot(o.x-c.x, o.y-c.y)
		if d > 3*o.s+1 {
			continue
		}
		at := func(t float64) float64 {
			x, y := c.x+t*(o.x-c.x), c.y+t*(o.y-c.y)
			v := c.f * gauss(x-c.x, y-c.y, c.s)
			for _, q := range s.m.parts {
				v += q.f * gauss(x-q.x, y-q.y, q.s)
			}
			return v
		}
		low, ends := math.Inf(1), math.Min(at(0), at(1))
		for k := range 21 {
			low = math.Min(low, at(float64(k)/20))
		}
		if low > 0.8*ends {
			return s.m.parts[i].spot
		}
	}
	return -1
}

func gauss(dx, dy, s float64) float64 { return math.Exp(-(dx*dx + dy*dy) / (2 * s * s)) }

// polish fits components that overlap others once more.
func (s *search) polish(least, most float64) {
	for i, c := range s.m.parts {
		near := false
		for k, o := range s.m.parts {
			near = near || k != i && math.Hypot(o.x-c.x, o.y-c.y) < reach*(o.s+c.s)
		}
		if !near {
			continue
		}
		s.m.sumUp(i)
		if n := s.m.fit(c, least, most); n.f > 0 {
			s.m.parts[i] = n
		}
	}
	s.m.sumUp(-1)
}

// progress counts finished steps; safe for many goroutines.
type progress struct {
	mu          sync.Mutex
	done, total int
	call        func(done, total int)
}

func newProgress(call func(done, total int), total int) *progress {
	return &progress{call: call, total: total}
}

func (p *progress) step() {
	if p.call == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.done++
	p.call(p.done, p.total)
}

func resultMap(f *Field, v []float64) maps.Map {
	return maps.Map{W: f.W, H: f.H, V: v, What: "log-likelihood ratio of a spot", Unit: "1", Pixel: f.Pixel}
}
